"""The command that judges a later scan against an earlier one."""

from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from barerail.options import ClusterAddress, NamesFile, Quiet, ScanUnit, Unmoved


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
    from barerail.asked import CompareSettings
    from barerail.comparing import compare_jobs
    from barerail.screen import Screen, show
    from barerail.store import tables

    limits = tables.limits(tables.raw(watch, "watch list"), watch.name) if watch else {}
    asked = CompareSettings(unmoved=unmoved or (), limit_mm=limit, limits=limits)
    with Screen(quiet) as screen:
        outcome = compare_jobs(before, after, asked, screen)
    show(outcome, "compare")


def series(
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN", help="One scan a car.", show_default=False)],
    jobs: Annotated[Path, typer.Option("--jobs", metavar="DIR", help="Folder for a job a scan, and the result.")],
    names: NamesFile = None,
    settings: Annotated[
        Path | None,
        typer.Option("--settings", metavar="FILE", help="TOML file for every job; [series] is what to ask."),
    ] = None,
    cars: Annotated[
        Path | None, typer.Option("--cars", metavar="FILE", help="CSV of repeated scans: scan, car, operator.")
    ] = None,
    datum_from: Annotated[
        Path | None, typer.Option("--datum-from", metavar="DIR", help="A job whose datum is repeated on every scan.")
    ] = None,
    unit: ScanUnit = None,
    cluster: ClusterAddress = None,
    quiet: Quiet = False,
) -> None:
    """Run a job for each of many scans of one kind of car, and say how much the named points vary from car to car.

    The measurement's own U is told apart from the cars' own spread, and holes that would take it are suggested. A scan
    that fails leaves the others alone; run again, and only what is missing is done. The first scan's datum is
    repeated on the others, unless --datum-from or the settings give one; front and above stand in --settings.

    \b
    barerail series *.ply --jobs cars --names pickups.csv --datum-from club
    barerail series *.ply --jobs cars --names pickups.csv --settings series.toml --cars who.csv
    barerail series *.ply --jobs cars --names pickups.csv --cluster tcp://192.168.1.20:8786
    """
    from barerail.at_once import Here, Work
    from barerail.cluster import cluster as workers
    from barerail.outputs.series import series_words
    from barerail.screen import Board
    from barerail.serial import cars_of, enough, failures, lead_is_wanted, run_all, tasks_of, written
    from barerail.settings import Settings
    from barerail.stages.series import series as spread
    from barerail.store import config, tables

    every = config.read(settings) if settings else Settings()
    asked = every.series
    who = tables.cars(tables.raw(cars, "table of cars"), cars.name) if cars else {}
    given = {"--names": names, "--settings": settings, "--datum-from": datum_from, "--unit": unit}
    options = [(option, value) for option, value in given.items() if value]
    tasks, lead = tasks_of(scans, jobs, who), not datum_from and lead_is_wanted(every.datum)
    with workers(cluster, jobs) if cluster else nullcontext(Here()) as place, Board(len(tasks), quiet) as board:
        work = Work(place, asked, board)
        done = run_all(tasks, options, lead, work)
        board.say(f"{sum(d.code == 0 for d in done)} of {len(done)} scans; {work.told()}")
    enough(done)
    measured, notes = cars_of(done, names)
    found = spread(measured, asked)
    found = replace(found, notes=(*found.notes, *notes))
    files = written(found, done, asked, jobs)
    typer.echo(series_words(found, asked, failures(done)) + "\n")
    for path in files:
        typer.echo(str(path))
