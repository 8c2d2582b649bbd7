"""The commands: parse, call, print."""

import traceback
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from barerail import __version__
from barerail.boundary import Command, Commands
from barerail.doing import do, run_request
from barerail.drawing import section, template
from barerail.judging import compare, series
from barerail.labelling import export, points
from barerail.options import (
    Above,
    Common,
    DatumFrom,
    Front,
    JobFolder,
    MaybeJob,
    MaybeScan,
    MeasuredFile,
    MirrorHow,
    NamesFile,
    PaperSize,
    Quiet,
    Reference,
    Require,
    ScaleCheck,
    Scan,
    ScanScale,
    ScanUnit,
    SettingsFile,
    Thin,
)
from barerail.parting import PART_COMMANDS
from barerail.setting_axes import datum

app = typer.Typer(
    name="barerail",
    cls=Commands,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
command = partial(app.command, cls=Command)


@app.callback(invoke_without_command=True)
def barerail(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Say the version and stop.")] = False,
) -> None:
    """From a scan of a bare chassis to a car datum, labelled mounting points with their uncertainty, and the twist.

    Start with `barerail demo`, then `barerail run SCAN --job DIR`.
    """
    if version:
        typer.echo(f"barerail {__version__}")
    elif ctx.invoked_subcommand is None:
        typer.echo(ctx.get_help(), err=True)
        raise typer.Exit(2)


@command("run", short_help="Do the whole job on a scan.")
def run_all(
    scan: Scan,
    job: JobFolder,
    settings: SettingsFile = None,
    names: NamesFile = None,
    unit: ScanUnit = None,
    scale: ScanScale = None,
    thin: Thin = None,
    front: Front = None,
    above: Above = None,
    common: Common = None,
    scale_check: ScaleCheck = None,
    datum_from: DatumFrom = None,
    require: Require = False,
    mirror: MirrorHow = None,
    quiet: Quiet = False,
) -> None:
    """Do the whole job: datum, labelled points, twist, exports and the report page.

    Run it again after a change and only what the change touches is done anew.

    \b
    barerail run frame.ply --job frame --front 2500,0,0 --above 0,0,2000
    barerail run frame.stl --job frame --unit in --names pickups.csv
    barerail run front.ply rear.ply under.ply --job frame
    """
    changes = {
        "read.unit": unit,
        "read.scale": scale,
        "read.thin_mm": thin,
        "datum.front": front,
        "datum.above": above,
        "check.length": scale_check,
        "points.mirror": mirror,
    }
    given: dict[str, Any] = {"settings": settings, "names": names, "common": common, "datum_from": datum_from}
    given["require"] = require
    do("report", job, quiet, changes, scans=tuple(scan), **given)


@command(short_help="Look at a scan before anything else.")
def look(
    scan: MaybeScan = None,
    job: MaybeJob = None,
    unit: ScanUnit = None,
    thin: Thin = None,
    settings: SettingsFile = None,
    quiet: Quiet = False,
) -> None:
    """Make look.html: touch front, up and a part on the left, and it hands back the options for barerail run.

    Thin spots are drawn and listed, so that they can be scanned again while the car still stands there.

    \b
    barerail look frame.ply
    barerail look frame.stl --job frame --unit in
    """
    from barerail.given import Request
    from barerail.looking import look as look_at

    folder = job or Path((scan or [Path("job")])[0].stem)
    asked = {"read.unit": unit, "read.thin_mm": thin}
    changes = {name: value for name, value in asked.items() if value is not None}
    with_request = Request(folder, tuple(scan or ()), "look", settings, changes)
    run_request(lambda watch: with_request, quiet, how=look_at)


@command(short_help="Read and thin the scan.")
def clean(
    job: JobFolder,
    scan: MaybeScan = None,
    settings: SettingsFile = None,
    unit: ScanUnit = None,
    scale: ScanScale = None,
    thin: Thin = None,
    common: Common = None,
    quiet: Quiet = False,
) -> None:
    """Read the scan, or join several, thin it, set floor, stands and specks aside, measure its spacing and noise.

    \b
    barerail clean frame.ply --job frame
    barerail clean front.ply rear.ply --job frame --common targets.csv
    """
    changes = {"read.unit": unit, "read.scale": scale, "read.thin_mm": thin}
    do("clean", job, quiet, changes, scans=tuple(scan or ()), settings=settings, common=common)


@command(short_help="Find holes, tubes, brackets and rails.")
def fit(job: JobFolder, settings: SettingsFile = None, quiet: Quiet = False) -> None:
    """Find and measure faces, holes, tubes, brackets and rail stations.

    \b
    barerail fit --job frame --settings small-holes.toml
    """
    do("fit", job, quiet, settings=settings)


command(short_help="Set the car's axes.")(datum)


command(short_help="Label the mounting points.")(points)


@command(short_help="Measure the twist.")
def straightness(
    job: JobFolder, settings: SettingsFile = None, reference: Reference = None, quiet: Quiet = False
) -> None:
    """Measure twist, diamond and sidesway from the rails, each with its uncertainty, and what a tape should read.

    With --reference the ends are judged against a section that you take as undamaged.

    \b
    barerail straightness --job frame --settings limits.toml
    barerail straightness --job frame --reference -900..200
    """
    do("straightness", job, quiet, {"straightness.reference": reference}, settings=settings)


@command(short_help="Judge lengths measured by hand.")
def check(
    job: JobFolder,
    measured: MeasuredFile = None,
    settings: SettingsFile = None,
    scale_check: ScaleCheck = None,
    quiet: Quiet = False,
) -> None:
    """Compare lengths that you measured by hand with the points, and say what that means for the scan's scale.

    The lengths to measure stand in to-measure.csv of the job. Until they agree, files say SCALE NOT CHECKED.

    \b
    barerail check measured.csv --job frame
    barerail check --job frame --scale-check hole-f10-L-hole-r7-R=1250.0
    """
    do("report", job, quiet, {"check.length": scale_check}, "check", settings=settings, measured=measured)


command(short_help="Write CSV, JSON, DXF, STEP, meshes.")(export)
command(short_help="Draw one face at true scale.")(template)
command(short_help="Cut the scan by a plane.")(section)
command(short_help="Say what moved since an earlier scan.")(compare)
command(short_help="Say how cars of one kind vary.")(series)
for part_command, told in PART_COMMANDS.items():
    command(short_help=told)(part_command)


@command(short_help="Write the report page.")
def report(job: JobFolder, settings: SettingsFile = None, quiet: Quiet = False) -> None:
    """Write report.html: the scan in 3D, the points and the tables on one page that needs no network.

    \b
    barerail report --job frame
    """
    do("report", job, quiet, settings=settings)


@command(short_help="Draw printable sheets.")
def sheets(job: JobFolder, settings: SettingsFile = None, paper: PaperSize = None, quiet: Quiet = False) -> None:
    """Draw sheets to print: views to scale with the points named, the tables, and every feature close up.

    sheets/sheets.pdf has all of it, with a PNG of each view beside it. Close up, a doubtful fit is seen at once.

    \b
    barerail sheets --job frame
    barerail sheets --job frame --paper A4
    """
    do("sheets", job, quiet, {"sheets.paper": paper}, settings=settings)


@command(short_help="Print or check the settings.")
def config(
    check: Annotated[
        Path | None, typer.Option("--check", metavar="FILE", help="Check a settings file instead of printing one.")
    ] = None,
) -> None:
    """Print every setting with its default and meaning, or check a settings file.

    \b
    barerail config > mine.toml
    barerail config --check mine.toml
    """
    from barerail.store import config as settings_file

    if check is None:
        typer.echo(settings_file.defaults_toml(), nl=False)
    else:
        settings_file.read(check)
        typer.echo(f"{check} is good")


@command(short_help="Do the whole job on a simulated scan.")
def demo(
    job: Annotated[Path, typer.Option("--job", metavar="DIR", help="Folder of the demo's job.")] = Path(
        "barerail-demo"
    ),
    quiet: Quiet = False,
) -> None:
    """Make a simulated scan of a chassis and do the whole job on it. Its truth is known and stands beside it.

    \b
    barerail demo
    """
    from barerail.demo import prepare

    run_request(lambda watch: prepare(job, watch), quiet)


def main() -> None:
    """The console command."""
    try:
        app(prog_name="barerail")
    except Exception as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(at.filename).name} line {at.lineno}"
        typer.echo(f"barerail: a fault of the program ({type(error).__name__}: {error}) in {place}", err=True)
        raise SystemExit(1) from error
