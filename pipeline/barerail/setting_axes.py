"""The command that sets the car's axes."""

from typing import Annotated, Any, Literal

import typer

from barerail.doing import do
from barerail.errors import UsageError
from barerail.options import Above, Confirm, DatumFrom, Front, JobFolder, Quiet, SettingsFile

Method = Literal["symmetry", "three-two-one", "known-points", "given"]
Axes = Literal["iso8855", "iso4130"]
PLACE = "NAME, picked X,Y,Z or mid-point A..B"


def datum(
    job: JobFolder,
    settings: SettingsFile = None,
    front: Front = None,
    above: Above = None,
    confirm: Confirm = False,
    datum_from: DatumFrom = None,
    method: Annotated[Method | None, typer.Option("--method", help="The way.", show_default=False)] = None,
    axes: Annotated[
        Axes | None, typer.Option("--axes", help="x forward, y left; or x rearward, y right.", show_default=False)
    ] = None,
    origin: Annotated[
        str | None,
        typer.Option("--origin", metavar="PLACE", help="Where x = 0 is: NAME or A..B.", show_default=False),
    ] = None,
    origin_x: Annotated[
        float | None, typer.Option("--origin-x", metavar="MM", help="The x that --origin reads.", show_default=False)
    ] = None,
    underside_z: Annotated[
        float | None,
        typer.Option("--underside-z", metavar="MM", help="The z of the rail undersides.", show_default=False),
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference", metavar="PART", help="Rest on this part alone: rear, front or A..B.", show_default=False
        ),
    ] = None,
    primary: Annotated[
        list[str] | None,
        typer.Option("--primary", metavar="PLACE=Z", help=f"Three-two-one: {PLACE}, or floor; and its z, mm."),
    ] = None,
    secondary: Annotated[
        list[str] | None, typer.Option("--secondary", metavar="PLACE=Y", help="And its y, mm.")
    ] = None,
    tertiary: Annotated[list[str] | None, typer.Option("--tertiary", metavar="PLACE=X", help="And its x, mm.")] = None,
    known: Annotated[
        list[str] | None, typer.Option("--known", metavar="NAME=X,Y,Z", help="A known point's coordinates, mm.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Set the car's axes: by symmetry, three-two-one or known points; and say what they rest on.

    Names are those of points.csv, so run barerail points first. What is set here stays set in the job.

    \b
    barerail datum --job frame --front 2500,0,0 --above 0,0,2000
    barerail datum --job frame --confirm
    barerail datum --job after-welding --datum-from before-welding
    barerail datum --job frame --origin hole-f10-L..hole-f10-R --axes iso4130 --reference rear
    barerail datum --job frame --method three-two-one --primary a-L=0 --primary a-R=0 --primary b-L=80
        --secondary a-L..a-R=0 --tertiary a-L..a-R=0
    barerail datum --job frame --method known-points --known a-L=0,400,0 --known a-R=0,-400,0 --known b-L=950,400,80
    """
    changes: dict[str, Any] = {
        "datum.front": front,
        "datum.above": above,
        "datum.confirmed": confirm or None,
        "datum.method": method,
        "datum.axes": axes,
        "datum.origin": origin,
        "datum.origin_x_mm": origin_x,
        "datum.underside_z_mm": underside_z,
        "datum.reference": reference,
        "datum.primary": _targets("--primary", primary),
        "datum.secondary": _targets("--secondary", secondary),
        "datum.tertiary": _targets("--tertiary", tertiary),
        "datum.known": _known(known),
    }
    do("datum", job, quiet, changes, settings=settings, datum_from=datum_from)


def _targets(option: str, given: list[str] | None) -> dict[str, float] | None:
    if not given:
        return None
    return {place: _numbers(option, text, value, 1)[0] for text in given for place, _, value in [text.rpartition("=")]}


def _known(given: list[str] | None) -> dict[str, tuple[float, ...]] | None:
    if not given:
        return None
    return {name: _numbers("--known", text, value, 3) for text in given for name, _, value in [text.rpartition("=")]}


def _numbers(option: str, text: str, values: str, count: int) -> tuple[float, ...]:
    try:
        numbers = tuple(float(value) for value in values.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != count or "=" not in text or text.startswith("="):
        raise UsageError(f"{option} {text}: give PLACE=MM, like a-L={','.join(['0'] * count)}")
    return numbers
