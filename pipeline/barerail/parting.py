"""The commands from points to parts: constructed points, distances, whether a part bolts on and has room, tube ends."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from barerail.doing import do
from barerail.options import At, JobFolder, Names, Place, Quiet, SettingsFile, Turn, Unit

Title = Annotated[str, typer.Option("--title", metavar="TITLE", help="What names the files.", show_default=False)]


def construct(
    job: JobFolder,
    points: Annotated[
        Path | None,
        typer.Argument(metavar="POINTS.toml", help="The list; the job keeps a copy.", show_default=False),
    ] = None,
    settings: SettingsFile = None,
    quiet: Quiet = False,
) -> None:
    """Add points that are built from measured ones, or typed in, under names of their own, with U carried through.

    An entry is [[point]] with name, how and of; how: offset, middle, line, pierce, nearest, eye, plane, circle,
    through or entered. They stand in constructed.csv and in every export. An empty list takes them away again.

    \b
    barerail construct pivots.toml --job frame
    """
    do("constructions", job, quiet, settings=settings, built=points)


def between(
    job: JobFolder,
    points: Annotated[list[str], typer.Argument(metavar="NAME", help="Two names, or more for a table.")],
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Say the distance, the differences and the angles between points, each with the U of the two together.

    With more than two names: the lengths of all pairs, to check with a tape.

    \b
    barerail between lower-arm-front-L lower-arm-rear-L --job frame
    barerail between rack-L rack-R lower-arm-rear-L lower-arm-rear-R --job frame --title rack
    """
    do("between", job, quiet, asked={"points": tuple(points), "title": title})


def bolt_on(
    part: Annotated[Path, typer.Argument(metavar="PART", help="Its holes: a CSV, or a DXF with circles.")],
    job: JobFolder,
    points: Names = None,
    bolt: Annotated[str, typer.Option("--bolt", metavar="SIZE", help="M6 to M24, or a diameter in mm.")] = "M8",
    tapped: Annotated[
        bool, typer.Option("--tapped", help="The chassis holes are threads: they leave no room.")
    ] = False,
    layer: Annotated[
        str, typer.Option("--layer", metavar="LAYER", help="Of a DXF: the layer of the holes.", show_default=False)
    ] = "",
    part_u: Annotated[
        float, typer.Option("--part-U", metavar="MM", help="U (k = 2) of a hole's place in the part as made.")
    ] = 0.2,
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Try a part's hole pattern on named points: the clearance left in each hole, and how often it goes on within U.

    A CSV has x_mm, y_mm, diameter_mm in the part's own drawing axes, and name, z_mm, point where you like; `point` says
    which chassis point a hole is for, else the order that fits best is taken.

    \b
    barerail bolt-on plate.dxf --job frame --points a-L,b-L,c-L,d-L --bolt M8
    barerail bolt-on subframe.csv --job frame --bolt M12 --tapped
    """
    asked = {"points": points or (), "bolt": bolt, "tapped": tapped, "layer": layer, "part_U_mm": part_u}
    do("bolt-on", job, quiet, asked={**_file(part), **asked, "title": title})


def room(
    part: Annotated[Path, typer.Argument(metavar="PART", help="Its solid, or what it sweeps: STL or STEP.")],
    job: JobFolder,
    at: At = None,
    turn: Turn = None,
    gap: Annotated[float, typer.Option("--gap", metavar="MM", help="Tell every place with a smaller gap.")] = 0.0,
    unit: Annotated[Unit, typer.Option("--unit", help="Unit of an STL, which states none.")] = "mm",
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Say the least gap between a part and the chassis as scanned, where it is, and every place under a given gap.

    The part stands in car axes as drawn; --turn turns it about its own origin, then --at puts that where it belongs.

    \b
    barerail room cooler.step --job frame --at 1200,0,150 --gap 10
    barerail room wheel-swept.stl --job frame --at 900,720,120 --turn 0,0,15
    """
    asked = {"at": at or (0.0, 0.0, 0.0), "turn": turn or (0.0, 0.0, 0.0), "gap_mm": gap, "unit": unit}
    do("room", job, quiet, asked={**_file(part), **asked, "title": title})


def cope(
    tube: Annotated[str, typer.Argument(metavar="TUBE", help="The tube that is cut: measured, or a constructed line.")],
    to: Annotated[str, typer.Argument(metavar="OTHER", help="The tube that it sits on.")],
    job: JobFolder,
    wall: Annotated[float, typer.Option("--wall", metavar="MM", help="Wall thickness of TUBE.")],
    od: Annotated[
        float | None, typer.Option("--od", metavar="MM", help="Outside diameter of TUBE; else as measured.")
    ] = None,
    to_od: Annotated[
        float | None, typer.Option("--to-od", metavar="MM", help="Outside diameter of OTHER; else as measured.")
    ] = None,
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Draw the wrap template to cut a round tube's end so that it sits on another: DXF, SVG and PDF at true scale.

    \b
    barerail cope brace-L tube-a01-C --job frame --od 38.1 --wall 2.5
    """
    asked = {"tube": tube, "to": to, "wall_mm": wall, "od_mm": od, "to_od_mm": to_od, "title": title}
    do("cope", job, quiet, asked=asked)


def flats(
    job: JobFolder,
    near: Annotated[str, typer.Option("--near", metavar="NAME", help="Near this point.", show_default=False)] = "",
    at: Place = None,
    reach: Annotated[float, typer.Option("--reach", metavar="MM", help="How far from there.")] = 150.0,
    area: Annotated[float, typer.Option("--area", metavar="CM2", help="Least area, cm2.")] = 120.0,
    flat: Annotated[float, typer.Option("--flat", metavar="MM", help="Widest band that holds 95 % of it.")] = 1.0,
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Find flat places for cage feet, jack pads or brackets: area, flatness, tilt, room to the edge, and the areas
    that rule books ask for, as dated data.

    \b
    barerail flats --job frame --near body-mount-rear-L --area 60
    barerail flats --job frame --at=-600,300,160 --reach 250
    """
    asked = {"near": near, "at": at, "reach_mm": reach, "area_cm2": area, "flat_mm": flat, "title": title}
    do("flats", job, quiet, asked=asked)


def opening(
    job: JobFolder,
    face: Annotated[str, typer.Option("--face", metavar="NAME", help="A hole, slot or stud in the face.")],
    at: Place = None,
    overlap: Annotated[float, typer.Option("--overlap", metavar="MM", help="How far past the opening.")] = 20.0,
    pitch: Annotated[float, typer.Option("--pitch", metavar="MM", help="Most distance of fasteners.")] = 60.0,
    hole: Annotated[float, typer.Option("--hole", metavar="MM", help="Diameter of their holes.")] = 5.5,
    area: Annotated[float, typer.Option("--area", metavar="CM2", help="Least area of the opening, cm2.")] = 5.0,
    title: Title = "",
    quiet: Quiet = False,
) -> None:
    """Draw a panel over an irregular opening of a flat face: its edge, a row of fasteners, and the opening as seen.

    DXF (lines and arcs), SVG and PDF at true scale. The datum must be confirmed.

    \b
    barerail opening --job frame --face bulkhead-hole-L --overlap 20 --pitch 60
    """
    asked = {"face": face, "at": at, "overlap_mm": overlap, "pitch_mm": pitch, "hole_mm": hole}
    asked |= {"area_cm2": area, "title": title}
    do("opening", job, quiet, asked=asked)


def _file(path: Path) -> dict[str, Any]:
    """A part's file as it is asked for: where it is, and its hash."""
    from hashlib import sha256

    from barerail.store.tables import raw

    return {"file": path.resolve(), "sha256": sha256(raw(path, "part")).hexdigest()}


PART_COMMANDS: Mapping[Callable[..., None], str] = {
    construct: "Add points built from others.",
    between: "Distances and angles between points.",
    bolt_on: "Try a part's holes on the chassis.",
    room: "Least gap between a part and the chassis.",
    cope: "Template to cut a tube's end to another.",
    flats: "Flat places near a point, for feet and pads.",
    opening: "Panel over an irregular opening of a face.",
}
"""Each command with its line in the help."""
