"""What some commands ask for in one call, a frozen model each, like `settings`; no part of a job's settings."""

from pathlib import Path
from typing import Literal

from pydantic import Field

from barerail.settings import Model, NotNegative, Point, Positive


class TemplateSettings(Model):
    """What one template is asked for; no part of a job's settings."""

    face: str = Field("", description="name of a face, or of a hole, slot or stud in it")
    points: tuple[str, ...] = Field((), description="names of the holes, slots and studs to take, all in one face")
    margin_mm: Positive = Field(25.0, description="how far the outline reaches past `points`, mm (judgement)")
    sizes: dict[str, str] = Field(default_factory=dict, description="cut size by name: M10, or a diameter in mm")
    part: str = Field("", description="part number; it also names the files")
    material: str = Field("", description="material, as the shop calls it")
    thickness_mm: Positive | None = Field(None, description="thickness of the plate, mm")
    quantity: int = Field(1, ge=1, description="how many of the part, count")
    pair: bool = Field(False, description="true: the mirrored part for the other side too")
    force: bool = Field(False, description="true: take points that were not measured")


class SectionSettings(Model):
    """What one section is asked for; no part of a job's settings."""

    x: float | None = Field(None, description="cut at this x of the datum, mm")
    y: float | None = Field(None, description="cut at this y, mm")
    z: float | None = Field(None, description="cut at this z, mm")
    points: tuple[str, ...] = Field((), description="names of three points that the plane goes through")
    gap_mm: Positive | None = Field(None, description="also the line this far outside the surface, mm")


class CompareSettings(Model):
    """What one comparison is asked for; no part of a job's settings."""

    unmoved: tuple[str, ...] = Field(
        (), description="what did not move: names of points, and stretches of x such as -900..-200, mm; empty: found"
    )
    limit_mm: Positive | None = Field(None, description="the user's limit on the shift of every point, mm")
    limits: dict[str, Positive] = Field(default_factory=dict, description="limit by name, mm: a watch list")
    reach_mm: Positive = Field(25.0, description="how far a point may have moved and still be known again, mm")
    near_mm: Positive = Field(
        150.0, description="how far around a name in `unmoved` its surface counts, mm (judgement)"
    )
    stood_mm: NotNegative | None = Field(
        None,
        description="height of a corner by how the frame stood at both scans, mm, 1 sd, from the jobs; empty: known",
    )


class BetweenSettings(Model):
    """Which points a table of lengths is asked for; no part of a job's settings."""

    points: tuple[str, ...] = Field((), description="names of two or more points")
    title: str = Field("", description="what names the files; empty: the first and last point")
    least_deg: Positive = Field(2.0, lt=90, description="axes at less than this count as parallel, degrees (judgement)")
    least_mm: Positive = Field(1.0, description="points closer than this have no line between them, mm (judgement)")


class FromFile(Model):
    """A part's file: where it is, and its hash, so that a changed one is read again."""

    file: Path = Field(Path(), description="the part's file")
    sha256: str = Field("", description="its hash")
    title: str = Field("", description="what names the files; empty: as the part's file")


class BoltOnSettings(FromFile):
    """What a part is tried with; no part of a job's settings."""

    points: tuple[str, ...] = Field((), description="the points that the part's holes go over, in any order")
    bolt: str = Field("M8", description="the fastener: M6 to M24, or a diameter in mm")
    tapped: bool = Field(False, description="true: the chassis holes are threads, so they leave no room")
    layer: str = Field("", description="of a DXF: the layer whose circles are holes")
    part_U_mm: NotNegative = Field(
        0.2, description="U (k = 2) of each hole's place in the part as made, each way, mm (judgement: cut by laser)"
    )
    lean_deg: Positive = Field(
        3.0, description="axes that lean more from the part's face are said, degrees (judgement)"
    )
    order_mm: Positive = Field(
        10.0, description="an order of points whose distances are farther off the part's is not tried, mm (judgement)"
    )
    wide: Positive = Field(
        1.5, description="chassis holes wider than this times the fastener need a washer that bridges, 1 (judgement)"
    )
    flat_mm: Positive = Field(0.5, description="points farther off one plane are said, mm (judgement)")
    draws: int = Field(4000, ge=100, description="draws of true places and sizes, count")
    seed: int = Field(1, ge=0, description="seed of the draws")


class RoomSettings(FromFile):
    """How a part is placed in the car, and how near it may come; no part of a job's settings."""

    unit: Literal["mm", "cm", "m", "in", "ft"] = Field("mm", description="unit of an STL, which states none")
    at: Point = Field((0.0, 0.0, 0.0), description="where the part's own origin goes, car axes, mm")
    turn: Point = Field((0.0, 0.0, 0.0), description="how the part is turned first: about x, then y, then z, degrees")
    gap_mm: NotNegative = Field(0.0, description="every place with a smaller gap is told, mm; 0: the least gap only")


class CopeSettings(Model):
    """Which tube is cut to sit on which; no part of a job's settings."""

    tube: str = Field("", description="name of the tube, or constructed line, that is cut")
    to: str = Field("", description="name of the one that it sits on")
    od_mm: Positive | None = Field(
        None, description="outside diameter of the one that is cut, mm; as measured if unset"
    )
    to_od_mm: Positive | None = Field(None, description="outside diameter of the other, mm; as measured if unset")
    wall_mm: Positive = Field(2.0, description="wall thickness of the one that is cut, mm")
    straight_mm: Positive = Field(30.0, description="paper above the highest of the cut, mm (judgement)")
    least_deg: Positive = Field(30.0, lt=90, description="tubes that meet at less are said, degrees (judgement)")
    fit_mm: Positive = Field(0.5, description="a cut line with a larger U is said, mm (judgement: gap a weld takes)")
    title: str = Field("", description="what names the files; empty: both names")


class FlatsSettings(Model):
    """What flat place is looked for, and where; no part of a job's settings."""

    near: str = Field("", description="name of a point that it lies near")
    at: Point | None = Field(None, description="or a place in car axes, mm")
    reach_mm: Positive = Field(150.0, description="how far from there, mm (judgement)")
    area_cm2: Positive = Field(120.0, description="least area, cm2 (a cage foot; check your current book)")
    flat_mm: Positive = Field(1.0, description="widest band that may hold 95 % of it, mm (judgement)")
    title: str = Field("", description="what names the files; empty: the point's name")


class OpeningSettings(Model):
    """Which opening a panel is drawn for, and how it is held; no part of a job's settings."""

    face: str = Field("", description="name of a hole, slot or stud in the face")
    at: Point | None = Field(None, description="a place in or near the opening, car axes, mm; the largest if unset")
    area_cm2: Positive = Field(5.0, description="least area of an opening, cm2 (judgement)")
    overlap_mm: Positive = Field(20.0, description="how far the panel reaches past the opening, mm (judgement)")
    pitch_mm: Positive = Field(60.0, description="most distance of fasteners along their row, mm (judgement)")
    hole_mm: Positive = Field(5.5, description="diameter of the fastener holes, mm (M5 medium by ISO 273)")
    land_mm: Positive = Field(6.0, description="least distance of a fastener from the opening, mm (judgement)")
    tolerance_mm: Positive = Field(
        0.3, description="how far lines and arcs may stand off the scanned line, mm (judgement)"
    )
    title: str = Field("", description="what names the files; empty: the face's name")
