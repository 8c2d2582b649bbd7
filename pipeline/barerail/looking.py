"""A first look at a scan, kept in its job's folder."""

from contextlib import suppress
from dataclasses import replace

from barerail.given import Request
from barerail.ledger import Enough, Ledger, Watch
from barerail.records import CleanScan, Written
from barerail.run import Outcome, run
from barerail.settings import ReportSettings
from barerail.store.job import opened


def look(request: Request, watch: Watch) -> Outcome:
    """Read and clean a scan, and write look.html, from which front, above and unit are taken. Errors as of `run`."""
    records = run(replace(request, until="clean"), watch).records
    with opened(request.job) as job:
        scans = " ".join(path.name for path in job.scans)
        command = f"barerail run {scans} --job {request.job}"
        ledger = Ledger(job, job.settings, {}, watch, "look", job.settings.report)
        with suppress(Enough):
            ledger("look", lambda progress: _page(records["clean"], job.settings.report, command))
        return Outcome({}, tuple(job.folder / name for name in job.made("look")))


def _page(clean: CleanScan, settings: ReportSettings, command: str) -> Written:
    from barerail.outputs.page_look import look_html
    from barerail.stages.fit.skins import skins_of

    title = ", ".join(source.name for source in clean.scan.sources)
    return Written({"look.html": look_html(clean, settings, title, command, skins_of(clean))})
