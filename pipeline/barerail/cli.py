"""The commands: parse, call, print."""

import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from barerail import __version__
from barerail.errors import BarerailError, UsageError
from barerail.options import (
    Above,
    Common,
    Confirm,
    CutSizes,
    DatumFrom,
    Decimal,
    Formats,
    Front,
    JobFolder,
    MaybeScan,
    MeasuredFile,
    Names,
    NamesFile,
    OutAxes,
    OutUnit,
    Quiet,
    RideFront,
    RideRear,
    ScaleCheck,
    Scan,
    ScanScale,
    ScanUnit,
    SettingsFile,
    ThinTo,
    Through,
)


@contextmanager
def _boundary() -> Iterator[None]:
    """Every error comes out here, as one line and an exit code."""
    try:
        yield
    except BarerailError as error:
        typer.echo(f"barerail: {error}", err=True)
        raise typer.Exit(error.exit_code) from error
    except KeyboardInterrupt as error:
        typer.echo("barerail: stopped; what was done is kept, the same command goes on from there", err=True)
        raise typer.Exit(130) from error
    except MemoryError as error:
        typer.echo("barerail: the memory of this machine is too small for this scan: thin it and run again", err=True)
        raise typer.Exit(3) from error


class _Commands(TyperGroup):
    def invoke(self, ctx: Any) -> Any:
        with _boundary():
            return super().invoke(ctx)


app = typer.Typer(
    name="barerail",
    cls=_Commands,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _run(request: Callable[[Any], Any], quiet: bool, about: str = "") -> None:
    from barerail.run import run
    from barerail.screen import Screen, show

    with Screen(quiet) as screen:
        asked = request(screen)
        outcome = run(asked, screen)
    show(outcome, about or asked.until)


def _do(
    until: str, job: Path, quiet: bool = False, changes: dict[str, Any] | None = None, about: str = "", **given: Any
) -> None:
    from barerail.run import Request

    set_now = {name: value for name, value in (changes or {}).items() if value}
    _run(lambda watch: Request(job, until=until, changes=set_now, **given), quiet, about)


@app.callback(invoke_without_command=True)
def barerail(version: Annotated[bool, typer.Option("--version", help="Say the version and stop.")] = False) -> None:
    """From a scan of a bare chassis to a car datum, labelled mounting points with their uncertainty, and the twist.

    Start with `barerail demo`, then `barerail run SCAN --job DIR`.
    """
    if version:
        typer.echo(f"barerail {__version__}")


@app.command("run", short_help="Do the whole job on a scan.")
def run_all(
    scan: Scan,
    job: JobFolder,
    settings: SettingsFile = None,
    names: NamesFile = None,
    unit: ScanUnit = None,
    scale: ScanScale = None,
    front: Front = None,
    above: Above = None,
    common: Common = None,
    scale_check: ScaleCheck = None,
    datum_from: DatumFrom = None,
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
        "datum.front": front,
        "datum.above": above,
        "check.length": scale_check,
    }
    given: dict[str, Any] = {"settings": settings, "names": names, "common": common, "datum_from": datum_from}
    _do("report", job, quiet, changes, scans=tuple(scan), **given)


@app.command(short_help="Read and thin the scan.")
def clean(
    job: JobFolder,
    scan: MaybeScan = None,
    settings: SettingsFile = None,
    unit: ScanUnit = None,
    scale: ScanScale = None,
    common: Common = None,
    quiet: Quiet = False,
) -> None:
    """Read the scan, or join several, thin it, set floor, stands and specks aside, measure its spacing and noise.

    \b
    barerail clean frame.ply --job frame
    barerail clean front.ply rear.ply --job frame --common targets.csv
    """
    changes = {"read.unit": unit, "read.scale": scale}
    _do("clean", job, quiet, changes, scans=tuple(scan or ()), settings=settings, common=common)


@app.command(short_help="Find holes, tubes, brackets and rails.")
def fit(job: JobFolder, settings: SettingsFile = None, quiet: Quiet = False) -> None:
    """Find and measure faces, holes, tubes, brackets and rail stations.

    \b
    barerail fit --job frame --settings small-holes.toml
    """
    _do("fit", job, quiet, settings=settings)


@app.command(short_help="Set the car's axes.")
def datum(
    job: JobFolder,
    settings: SettingsFile = None,
    front: Front = None,
    above: Above = None,
    confirm: Confirm = False,
    datum_from: DatumFrom = None,
    quiet: Quiet = False,
) -> None:
    """Set the car's axes: x forward, y left, z up, and say what they rest on.

    \b
    barerail datum --job frame --front 2500,0,0 --above 0,0,2000
    barerail datum --job frame --confirm
    barerail datum --job after-welding --datum-from before-welding
    """
    changes = {"datum.front": front, "datum.above": above, "datum.confirmed": confirm}
    _do("datum", job, quiet, changes, settings=settings, datum_from=datum_from)


@app.command(short_help="Label the mounting points.")
def points(job: JobFolder, settings: SettingsFile = None, names: NamesFile = None, quiet: Quiet = False) -> None:
    """Place the mounting points in the car, match left to right, and name them.

    \b
    barerail points --job frame --names pickups.csv
    """
    _do("points", job, quiet, settings=settings, names=names)


@app.command(short_help="Measure the twist.")
def straightness(job: JobFolder, settings: SettingsFile = None, quiet: Quiet = False) -> None:
    """Measure twist, diamond and sidesway from the rails, each with its uncertainty.

    \b
    barerail straightness --job frame --settings limits.toml
    """
    _do("straightness", job, quiet, settings=settings)


@app.command(short_help="Judge lengths measured by hand.")
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
    _do("report", job, quiet, {"check.length": scale_check}, "check", settings=settings, measured=measured)


@app.command(short_help="Write CSV, JSON, DXF, STEP, meshes.")
def export(
    job: JobFolder,
    settings: SettingsFile = None,
    formats: Formats = None,
    axes: OutAxes = None,
    unit: OutUnit = None,
    decimal: Decimal = None,
    ride_front: RideFront = None,
    ride_rear: RideRear = None,
    thin_to: ThinTo = None,
    quiet: Quiet = False,
) -> None:
    """Write the points as CSV, JSON, DXF and STEP, and the scan in car axes.

    Axes, unit and ride height are of these files only: they stand in their names and headers, and the datum stays.

    \b
    barerail export --job frame
    barerail export --job frame --axes iso4130 --unit in --format csv,axes
    barerail export --job frame --ride-front 1200,150 --ride-rear=-1300,170
    barerail export --job frame --format glb --thin-to 200000
    """
    asked = {"formats": formats, "axes": axes, "unit": unit, "decimal": decimal, "thin_to": thin_to}
    asked |= {"ride_front": ride_front, "ride_rear": ride_rear}
    _do("export", job, quiet, settings=settings, asked={key: value for key, value in asked.items() if value})


@app.command(short_help="Draw one face at true scale.")
def template(
    job: JobFolder,
    face: Annotated[str, typer.Option("--face", metavar="NAME", help="A face, or a hole, slot or stud in it.")] = "",
    points: Names = None,
    size: CutSizes = None,
    part: Annotated[str, typer.Option("--part", help="Part number; it also names the files.")] = "",
    material: Annotated[str, typer.Option("--material", help="Material, as your shop calls it.")] = "",
    thickness: Annotated[float | None, typer.Option("--thickness", metavar="MM", help="Plate thickness, mm.")] = None,
    quantity: Annotated[int, typer.Option("--quantity", help="How many.")] = 1,
    pair: Annotated[bool, typer.Option("--pair", help="The mirrored part for the other side too.")] = False,
    margin: Annotated[float, typer.Option("--margin", metavar="MM", help="Plate around --points, mm.")] = 25.0,
    force: Annotated[bool, typer.Option("--force", help="Take points that were not measured.")] = False,
    quiet: Quiet = False,
) -> None:
    """Draw the holes, slots and outline of one flat face at true scale: DXF, SVG, PDF on A4 to join, and a cut list.

    CUT holds the outline and the ISO 273 medium hole of each bolt; REFERENCE the circles as measured. The datum must
    be confirmed.

    \b
    barerail template --job frame --face steering-hole-L
    barerail template --job frame --points a-L,b-L,c-L --size a-L=M10 --part 104-L --material S235 --thickness 3 --pair
    """
    asked = {
        "face": face,
        "points": points or (),
        "sizes": _sizes(size or []),
        "part": part,
        "material": material,
        "thickness_mm": thickness,
        "quantity": quantity,
        "pair": pair,
        "margin_mm": margin,
        "force": force,
    }
    _do("template", job, quiet, asked=asked)


def _sizes(given: list[str]) -> dict[str, str]:
    pairs = [text.rpartition("=") for text in given]
    if bad := [text for text, (name, _, _) in zip(given, pairs) if not name]:
        raise UsageError(f"--size {bad[0]}: give NAME=SIZE, like a-L=M10")
    return {name: size for name, _, size in pairs}


@app.command(short_help="Cut the scan by a plane.")
def section(
    job: JobFolder,
    x: Annotated[float | None, typer.Option("--x", metavar="MM", help="Cut across the car at this x.")] = None,
    y: Annotated[float | None, typer.Option("--y", metavar="MM", help="Cut along the car at this y.")] = None,
    z: Annotated[float | None, typer.Option("--z", metavar="MM", help="Cut level at this z.")] = None,
    points: Through = None,
    gap: Annotated[float | None, typer.Option("--gap", metavar="MM", help="Also the line this far outside.")] = None,
    quiet: Quiet = False,
) -> None:
    """Cut the scan by a plane: polylines in that plane as DXF, and a PNG, to shape a saddle or a clamp after.

    \b
    barerail section --job frame --x -1200 --gap 3
    barerail section --job frame --points a-L,b-L,c-R
    """
    _do("section", job, quiet, asked={"x": x, "y": y, "z": z, "points": points or (), "gap_mm": gap})


@app.command(short_help="Write the report page.")
def report(job: JobFolder, settings: SettingsFile = None, quiet: Quiet = False) -> None:
    """Write report.html: the scan in 3D, the points and the tables on one page that needs no network.

    \b
    barerail report --job frame
    """
    _do("report", job, quiet, settings=settings)


@app.command(short_help="Print or check the settings.")
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


@app.command(short_help="Do the whole job on a simulated scan.")
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

    _run(lambda watch: prepare(job, watch), quiet)


def main() -> None:
    """The console command."""
    try:
        app(prog_name="barerail")
    except Exception as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(at.filename).name} line {at.lineno}"
        typer.echo(f"barerail: a fault of the program ({type(error).__name__}: {error}) in {place}", err=True)
        raise SystemExit(1) from error
