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


Scan = Annotated[
    list[Path],
    typer.Argument(
        metavar="SCAN...", help="The scan file; several are joined into the first one's axes.", show_default=False
    ),
]
MaybeScan = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="[SCAN]...",
        help="The scan file, or several to join; a job that has read them needs them no more.",
        show_default=False,
    ),
]
JobFolder = Annotated[
    Path, typer.Option("--job", metavar="DIR", help="Folder of this job: results, and what it remembers.")
]
SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="TOML file of settings; replaces what the job remembers."),
]
NamesFile = Annotated[
    Path | None,
    typer.Option(
        "--names", metavar="FILE", help="CSV of your names: name, kind, x_mm, y_mm, z_mm. The job keeps a copy."
    ),
]
ScanUnit = Annotated[
    Unit | None, typer.Option("--unit", help="Unit of the scan file, where it states none.", show_default=False)
]
ScanScale = Annotated[
    float | None,
    typer.Option("--scale", help="Multiply all lengths of the scan, as a check length says.", show_default=False),
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
    typer.Argument(metavar="[MEASURED.csv]", help="CSV: a, b, length_mm and U_mm where known.", show_default=False),
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
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Results and errors only.")]
