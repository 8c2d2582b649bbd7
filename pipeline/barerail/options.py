"""The options that commands share, each with its help."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

Unit = Literal["mm", "cm", "m", "in", "ft"]


def _point(text: str) -> tuple[float, float, float]:
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(f"'{text}' is no point: give three numbers with commas, like 1200,-40,0") from None
    return x, y, z


def _station(text: str) -> tuple[float, float]:
    try:
        x, height = (float(part) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(f"'{text}' is no station: give its x and the height there, like 1200,150") from None
    return x, height


def _list(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


Scan = Annotated[
    list[Path],
    typer.Argument(
        metavar="SCAN", help="The scan file; several are joined into the first one's axes.", show_default=False
    ),
]
MaybeScan = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="SCAN",
        help="The scan file, or several to join; a job that has read them needs them no more.",
        show_default=False,
    ),
]
JobFolder = Annotated[
    Path, typer.Option("--job", metavar="DIR", help="Folder of this job: results, and what it remembers.")
]
MaybeJob = Annotated[
    Path | None,
    typer.Option(
        "--job", metavar="DIR", help="Folder of this job; the scan file's name without its ending if left out."
    ),
]
PaperSize = Annotated[
    Literal["A3", "A4"] | None, typer.Option("--paper", help="Size of the sheets, landscape.", show_default=False)
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="FILE",
        help="TOML file of settings in place of an earlier one; options given before stay unless it sets them.",
    ),
]
NamesFile = Annotated[
    Path | None,
    typer.Option(
        "--names", metavar="FILE", help="CSV of your names: name, kind, x_mm, y_mm, z_mm. The job keeps a copy."
    ),
]
Require = Annotated[
    bool, typer.Option("--require", help="Exit code 3 where a name of the names file was not found in the scan.")
]
MirrorHow = Annotated[
    Literal["none", "left-to-right", "right-to-left", "average"] | None,
    typer.Option(
        "--mirror", help="Fill in or even out the points of the names file; the job remembers it.", show_default=False
    ),
]
ScanUnit = Annotated[
    Unit | None, typer.Option("--unit", help="Unit of the scan file, where it states none.", show_default=False)
]
ScanScale = Annotated[
    float | None,
    typer.Option(
        "--scale",
        metavar="FACTOR",
        help="Multiply all lengths of the scan, as a check length says.",
        show_default=False,
    ),
]
Thin = Annotated[
    float | None,
    typer.Option(
        "--thin",
        metavar="MM",
        help="Keep one measured point in each cell of so many mm, for a scan that memory is too small for; 0: all.",
        show_default=False,
    ),
]
Common = Annotated[
    Path | None,
    typer.Option(
        "--common",
        metavar="FILE",
        help="CSV of places seen in several scans: point, scan, x, y, z, as each scan file counts.",
    ),
]
ScaleCheck = Annotated[
    str | None,
    typer.Option(
        "--scale-check",
        metavar="A-B=MM",
        help="A known length between two points, like A-B=1250.0 or A-B=1250.0+-0.3; judged, never applied.",
        show_default=False,
    ),
]
MeasuredFile = Annotated[
    Path | None,
    typer.Argument(metavar="MEASURED.csv", help="CSV: a, b, length_mm and U_mm where known.", show_default=False),
]
Front = Annotated[
    Any,
    typer.Option(
        "--front", metavar="X,Y,Z", parser=_point, help="Any point towards the front, as the scan file counts."
    ),
]
Above = Annotated[
    Any,
    typer.Option(
        "--above", metavar="X,Y,Z", parser=_point, help="Any point above the chassis, as the scan file counts."
    ),
]
DatumFrom = Annotated[
    Path | None,
    typer.Option(
        "--datum-from", metavar="JOB", help="Set the datum just as that finished job did, so that names stay."
    ),
]
Confirm = Annotated[
    bool, typer.Option("--confirm", help="You have checked front, above and unit: take the UNCONFIRMED stamp off.")
]
Only = Annotated[
    str, typer.Option("--only", metavar="LIST", help="A pick list: suspension, body, cage, all, or one of yours.")
]
ClusterAddress = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Scheduler of a Dask cluster, such as tcp://192.168.1.20:8786; its workers do the jobs.",
        show_default=False,
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Results and errors only.")]

Formats = Annotated[
    Any,
    typer.Option("--format", metavar="A,B", parser=_list, help="Of csv, json, axes, dxf, step, ply, stl, obj, glb."),
]
OutAxes = Annotated[
    Literal["iso8855", "iso4130", "j670"] | None,
    typer.Option(
        "--axes",
        help="iso8855: x forward, y left, z up; iso4130: x rearward, y right, z up; j670: x forward, y right, z down.",
        show_default=False,
    ),
]
OutUnit = Annotated[
    Literal["mm", "m", "in"] | None, typer.Option("--unit", help="Unit of the tables.", show_default=False)
]
Decimal = Annotated[
    Literal[".", ","] | None,
    typer.Option("--decimal", help="Decimal mark of the tables; a comma parts cells at ;", show_default=False),
]
RideFront = Annotated[
    Any,
    typer.Option(
        "--ride-front", metavar="X,H", parser=_station, help="Height of the datum's z = 0 above ground at x, mm."
    ),
]
RideRear = Annotated[
    Any, typer.Option("--ride-rear", metavar="X,H", parser=_station, help="The same at a station near the rear.")
]
ThinTo = Annotated[
    int | None,
    typer.Option("--thin-to", metavar="N", help="Most triangles, or points of a cloud; edges stay.", min=1),
]
Names = Annotated[
    Any, typer.Option("--points", metavar="A,B,C", parser=_list, help="Names of points, all in one flat face.")
]
Through = Annotated[
    Any, typer.Option("--points", metavar="A,B,C", parser=_list, help="Names of three points to cut through.")
]
CutSizes = Annotated[
    list[str] | None,
    typer.Option("--size", metavar="NAME=SIZE", help="What to cut for a hole: M10, or a diameter in mm. Repeatable."),
]
Unmoved = Annotated[
    Any,
    typer.Option(
        "--unmoved",
        metavar="NAMES",
        parser=_list,
        help="What did not move: names of points, and stretches of x like -900..-200, with commas.",
        show_default=False,
    ),
]
Reference = Annotated[
    str | None,
    typer.Option(
        "--reference",
        metavar="SECTION",
        help="What is taken as undamaged: rear, front, or x such as -900..200; all: nothing is.",
        show_default=False,
    ),
]
At = Annotated[
    Any, typer.Option("--at", metavar="X,Y,Z", parser=_point, help="Where the part's own origin goes, car axes, mm.")
]
Turn = Annotated[
    Any, typer.Option("--turn", metavar="X,Y,Z", parser=_point, help="Turn it first: about x, then y, then z, degrees.")
]
Place = Annotated[Any, typer.Option("--at", metavar="X,Y,Z", parser=_point, help="A place in car axes, mm.")]
