"""The commands that draw: a template of one face, a section."""

from typing import Annotated

import typer

from barerail.doing import do
from barerail.errors import UsageError
from barerail.options import CutSizes, JobFolder, Names, Quiet, Through


def template(
    job: JobFolder,
    face: Annotated[
        str,
        typer.Option(
            "--face", metavar="NAME", help="A face, or a hole, slot or stud in it; a tab: NAME-start, NAME-end."
        ),
    ] = "",
    points: Names = None,
    size: CutSizes = None,
    part: Annotated[str, typer.Option("--part", metavar="NUMBER", help="Part number; it also names the files.")] = "",
    material: Annotated[str, typer.Option("--material", metavar="WORDS", help="Material, as your shop calls it.")] = "",
    thickness: Annotated[float | None, typer.Option("--thickness", metavar="MM", help="Plate thickness, mm.")] = None,
    quantity: Annotated[int, typer.Option("--quantity", metavar="N", help="How many.")] = 1,
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
    do("template", job, quiet, asked=asked)


def _sizes(given: list[str]) -> dict[str, str]:
    pairs = [text.rpartition("=") for text in given]
    if bad := [text for text, (name, _, _) in zip(given, pairs) if not name]:
        raise UsageError(f"--size {bad[0]}: give NAME=SIZE, like a-L=M10")
    return {name: size for name, _, size in pairs}


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
    do("section", job, quiet, asked={"x": x, "y": y, "z": z, "points": points or (), "gap_mm": gap})
