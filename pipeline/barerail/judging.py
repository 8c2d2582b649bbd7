"""The command that judges a later scan against an earlier one."""

from pathlib import Path
from typing import Annotated

import typer

from barerail.options import Quiet, Unmoved


def compare(
    before: Annotated[
        Path,
        typer.Argument(
            metavar="BEFORE", help="Job folder of the earlier scan, or a drawing: CSV of name, kind, x_mm, y_mm, z_mm."
        ),
    ],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="Job folder of the later scan.")],
    unmoved: Unmoved = None,
    limit: Annotated[
        float | None, typer.Option("--limit", metavar="MM", help="Your limit on the shift of any point, mm.")
    ] = None,
    watch: Annotated[
        Path | None, typer.Option("--watch", metavar="FILE", help="CSV of your limits by name: name, limit_mm.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Say what moved between two scans of one chassis, each shift with its uncertainty.

    The later scan is laid on the earlier one by what did not move: found, or named with --unmoved. A rescan of one
    corner will do: its job needs barerail clean and fit only. The files, with the later points and scan in the earlier
    car axes, go to compare/ in AFTER.

    \b
    barerail compare before after
    barerail compare before after --unmoved hole-f10-L,hole-f12-R,-900..-200 --limit 1.5
    barerail compare before corner --watch pickups.csv
    barerail compare drawing.csv after --limit 3
    """
    from barerail.comparing import compare_jobs
    from barerail.screen import Screen, show
    from barerail.settings import CompareSettings
    from barerail.store import tables

    limits = tables.limits(tables.raw(watch, "watch list"), watch.name) if watch else {}
    asked = CompareSettings(unmoved=unmoved or (), limit_mm=limit, limits=limits)
    with Screen(quiet) as screen:
        outcome = compare_jobs(before, after, asked, screen)
    show(outcome, "compare")
