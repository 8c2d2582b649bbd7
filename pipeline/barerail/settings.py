"""Every setting of every stage, in one place: one frozen model a stage, each field with its unit and source.

`configs/default.toml` is generated from here; a test compares the two.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Point = tuple[float, float, float]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Model(BaseModel):
    """Unknown keys are refused, values can't change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ReadSettings(Model):
    """How a scan file is read."""

    unit: Literal["auto", "mm", "cm", "m", "in", "ft"] = Field(
        "auto", description="unit of the file's coordinates; auto: from the format, else guessed from the size"
    )
    scale: float = Field(
        1.0, gt=0.5, lt=2, description="what coordinates are multiplied by, from a check length; 1: as scanned"
    )
    thin_mm: float = Field(
        0.0, ge=0, le=20, description="one measured point is kept in each cell of this size, mm; 0: all points"
    )


class JoinSettings(Model):
    """How several scans become one."""

    method: Literal["auto", "frame"] = Field(
        "auto",
        description="auto: as they lie where that agrees, else by common points, else by overlap; frame: as they lie",
    )
    min_overlap: float = Field(
        0.15,
        gt=0,
        lt=1,
        description="least share of the smaller scan's surface that two scans must both have, 1 (judgement)",
    )
    rival_ratio: float = Field(
        0.8,
        gt=0,
        le=1,
        description="refuse where the next best pose scores more than this times the best, 1 (judgement)",
    )


class CleanSettings(Model):
    """Thinning, noise and clutter."""

    voxel_mm: NotNegative = Field(
        0.0, description="edge of a thinning cell, mm; 0: three quarters above the spacing, at least 3 mm"
    )
    speck_points: int = Field(60, ge=0, description="connected pieces with fewer thinned points are specks, count")
    floor_share: float = Field(
        0.98, gt=0.5, le=1, description="share of the scan on one side of a big plane that makes it the floor, 1"
    )


class FitSettings(Model):
    """What counts as a feature."""

    plane_min_cm2: Positive = Field(20.0, description="smallest face of a rail, cm2 (judgement)")
    hole_min_mm: Positive = Field(6.0, description="smallest hole diameter, mm; 3.5 to 4.2 point spacings where larger")
    hole_max_mm: Positive = Field(130.0, description="largest hole diameter, mm (judgement)")
    tube_min_mm: Positive = Field(10.0, description="smallest tube diameter, mm (judgement)")
    tube_max_mm: Positive = Field(160.0, description="largest tube diameter, mm (judgement)")
    station_step_mm: Positive = Field(100.0, description="distance of rail stations, mm (50 to 100 is usual)")
    drift_mm: NotNegative = Field(
        0.05, description="slow error of the scanner within one part of the scan, mm, 1 sd (assumption, no source)"
    )
    drift_mm_per_m: NotNegative = Field(
        0.2, description="slow error of the scanner along the car, mm per m, 1 sd (assumption, no source)"
    )


class DatumSettings(Model):
    """How the car axes are set."""

    method: Literal["symmetry", "three-two-one", "known-points", "given"] = Field(
        "symmetry",
        description="the way the datum is set: symmetry; three-two-one (primary, secondary, tertiary below); "
        "known-points (known below); given (the matrix below, taken as exact)",
    )
    axes: Literal["iso8855", "iso4130"] = Field(
        "iso8855", description="iso8855: x forward, y left, z up; iso4130: x rearward, y right, z up"
    )
    matrix: tuple[tuple[float, ...], ...] | None = Field(
        None, description="for given: 4 rows of 4 numbers, car (in the axes above) from scan, both in mm"
    )
    primary: dict[str, float] = Field(
        default_factory=dict,
        description="for three-two-one: places and the z each must read, mm; a place is a name, a picked point "
        "'x,y,z' as the scan file counts, the mid-point 'A..B' of two, or alone: 'floor' or a pick on a flat face",
    )
    secondary: dict[str, float] = Field(
        default_factory=dict, description="the y that places must read, mm; one 'A..B' alone lies square to the car"
    )
    tertiary: dict[str, float] = Field(default_factory=dict, description="the x that one place or more must read, mm")
    known: dict[str, Point] = Field(
        default_factory=dict, description="for known-points: names (or picked points) and their x, y, z, mm"
    )
    origin: str = Field(
        "", description="for symmetry: where x = 0 is, a name or the mid-point 'A..B'; empty: the best-determined pair"
    )
    origin_x_mm: float = Field(0.0, description="for symmetry: the x that `origin` reads, its station, mm")
    underside_z_mm: float = Field(0.0, description="for symmetry: the z that the undersides of the rails read, mm")
    reference: str = Field(
        "",
        description="the undamaged section that alone carries the datum: rear, front, or A..B, each a name or an "
        "x in mm; empty: the whole",
    )
    front: Point | None = Field(
        None, description="a point towards the front of the car, scan file's coordinates and unit"
    )
    above: Point | None = Field(None, description="a point above the chassis, scan file's coordinates and unit")
    confirmed: bool = Field(False, description="true: the guesses of front, above and unit were checked by the user")
    rival_ratio: float = Field(
        1.1, ge=1, description="refuse where the best mirror plane scores less than this times the next, 1"
    )


class PointsSettings(Model):
    """Pairs and names."""

    pair_reach_mm: Positive = Field(25.0, description="how far from its mirrored place a partner may lie, mm")
    pair_size_mm: Positive = Field(
        1.0, description="how far the diameters of a pair may differ beyond their joint U, mm (judgement)"
    )
    pair_angle_deg: Positive = Field(
        20.0, lt=90, description="how far an axis may turn from its partner's mirrored one, degrees (judgement)"
    )
    centre_mm: Positive = Field(20.0, description="an unpaired point this close to y = 0 has side C, mm")
    zone_mm: float = Field(100.0, ge=100, description="length of a naming zone along the car, mm (judgement)")
    pattern_mm: Positive = Field(
        200.0, description="how far apart neighbouring holes of a pattern on one face may lie, mm (judgement)"
    )
    mirror: Literal["none", "left-to-right", "right-to-left", "average"] = Field(
        "none", description="what the points of a names file are made symmetrical by; none: they stay as measured"
    )
    register_mm: Positive = Field(
        100.0, description="how far a whole names file may stand off from the scan before nothing fits, mm (judgement)"
    )


class ConstructSettings(Model):
    """Points that are built from others, or typed in."""

    least_deg: Positive = Field(
        2.0, lt=90, description="least angle at which axes, or an axis and a plane, may meet, degrees (judgement)"
    )
    least_mm: Positive = Field(1.0, description="least distance of two points that a line goes through, mm (judgement)")
    centre_mm: NotNegative = Field(20.0, description="a constructed point this close to y = 0 has side C, mm")


class StraightnessSettings(Model):
    """Which stations count, and the user's limits."""

    supports_known: bool = Field(False, description="true: the frame stood level on stands at known places")
    elastic_mm: NotNegative = Field(
        1.0,
        description="where it did not: height of a corner by the frame's own weight, mm, 1 sd (derived: 300 N m from "
        "one corner without support on 2000 to 4000 N m/deg, both assumed)",
    )
    temperature_c: float | None = Field(None, description="temperature of the frame when scanned, degrees C")
    reference: str = Field(
        "",
        description="the section taken as undamaged: rear, front, or x such as -900..200, mm; all: none is",
    )
    limits: dict[str, Positive] = Field(
        default_factory=dict, description="the user's limit per measure, in its unit, e.g. twist_mm = 3.0"
    )


class CheckSettings(Model):
    """What hand measurements are judged by."""

    length: str = Field("", description="a check length between two points, mm, such as A-B=1250.0 or A-B=1250.0+-0.3")
    tape_U_mm: Positive = Field(
        1.0, description="U (k = 2) of a length measured by hand where its row gives none, mm (judgement)"
    )
    scale_U: Positive = Field(
        0.002, lt=1, description="largest U (k = 2) of the scale that counts as checked, 1: 2 mm on 1 m (judgement)"
    )


class ExportSettings(Model):
    """What is written to export/."""

    formats: tuple[Literal["csv", "json", "axes", "dxf", "step", "ply", "stl", "obj", "glb"], ...] = Field(
        ("csv", "json", "axes", "dxf", "step", "ply", "stl"),
        description="files to write; axes: the table of bolt axes; stl, obj and glb only where the scan is a mesh",
    )
    axes: Literal["datum", "iso8855", "iso4130", "j670"] = Field(
        "datum",
        description="iso8855: x forward, y left, z up; iso4130: x rearward, y right, z up; "
        "j670 (1976): x forward, y right, z down; datum: its own",
    )
    unit: Literal["mm", "m", "in"] = Field("mm", description="unit of the tables; drawings and meshes keep their own")
    decimal: Literal[".", ","] = Field(".", description="decimal mark of the tables; , parts cells at ;")
    ride_front: tuple[float, float] | None = Field(
        None, description="x of a station near the front and the datum's height above ground there, both in mm"
    )
    ride_rear: tuple[float, float] | None = Field(None, description="the same near the rear; needs ride_front too")
    thin_to: int = Field(
        0, ge=0, description="most triangles of the meshes, or points of a cloud, edges kept, count; 0: all"
    )


class ExportAsked(ExportSettings):
    """What one export is asked for: the points of one pick list."""

    only: str = Field("", description="name of the pick list")
    rules: tuple["PickRule", ...] = Field((), description="what the list takes")


class PickRule(Model):
    """Points of a pick list: those that all of what is set here holds for. Nothing set: every point."""

    kinds: tuple[Literal["hole", "slot", "stud", "bolt-axis", "sleeve", "tube", "tube-node", "rail", "face"], ...] = ()
    faces: tuple[Literal["up", "down", "fore", "aft", "inboard", "outboard"], ...] = ()
    names: tuple[str, ...] = ()
    x_mm: tuple[float, float] | None = None
    y_mm: tuple[float, float] | None = None
    z_mm: tuple[float, float] | None = None


class OnlySettings(Model):
    """Pick lists for --only: a point is in a list that one of its rules takes; lists of your own beside these."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, tuple[PickRule, ...]]

    suspension: tuple[PickRule, ...] = Field(
        (
            PickRule(kinds=("bolt-axis", "sleeve")),
            PickRule(names=("*arm-*", "link-*", "*-link-*", "*damper*", "*spring*", "*steering*", "rack*", "*-rack*")),
        ),
        description="suspension and steering pickups (judgement); rules: kinds, faces, names (* stands for anything, "
        "small or capital), x_mm, y_mm, z_mm (from, to)",
    )
    body: tuple[PickRule, ...] = Field(
        (PickRule(kinds=("hole", "slot", "stud"), faces=("up",)), PickRule(names=("*body*", "*panel*"))),
        description="body and panel mounts (judgement)",
    )
    cage: tuple[PickRule, ...] = Field(
        (PickRule(names=("*cage*", "*foot*", "*plate*", "square-*", "rectangle-*")),),
        description="cage feet and plates (judgement); names are those of points and of their hole patterns",
    )


class ReportSettings(Model):
    """The page."""

    page_triangles: int = Field(150_000, ge=1000, description="most triangles or points shown in 3D, count")


def other_way(reference: str) -> str:
    """A stretch A..B of numbers as it reads where x is counted the other way; words and names as they are."""
    try:
        low, high = (float(part) for part in reference.split(".."))
    except ValueError:
        return reference
    return f"{-high:g}..{-low:g}"


class SeriesSettings(Model):
    """What is asked of a series of cars; the jobs themselves take no notice of it."""

    lengths: tuple[tuple[str, str], ...] = Field((), description="pairs of names whose distance matters to a part")
    patterns: dict[str, tuple[str, ...]] = Field(
        default_factory=dict, description="holes that share one plate, by a name for the plate"
    )
    bolts: dict[str, str] = Field(default_factory=dict, description="bolt by name of the point or plate, like M10")
    shares: tuple[Annotated[float, Field(gt=0.5, lt=1)], ...] = Field(
        (0.95, 0.997), description="shares of all cars that a hole is to take, 1"
    )
    confidence: float = Field(0.95, gt=0.5, lt=1, description="confidence of those shares, 1")
    memory_gb: Positive | None = Field(
        None,
        description="memory that all scans at work may take, GB a machine; not set: three quarters of what is free",
    )
    at_once: int = Field(0, ge=0, description="scans at work on a machine, count; 0: one a processor, as memory allows")


class SheetsSettings(Model):
    """Printable sheets."""

    paper: Literal["A3", "A4"] = Field("A3", description="size of the sheets, landscape (ISO 216)")


class Settings(Model):
    """All settings of a run."""

    read: ReadSettings = ReadSettings()
    join: JoinSettings = JoinSettings()
    clean: CleanSettings = CleanSettings()
    fit: FitSettings = FitSettings()
    datum: DatumSettings = DatumSettings()
    points: PointsSettings = PointsSettings()
    constructions: ConstructSettings = ConstructSettings()
    straightness: StraightnessSettings = StraightnessSettings()
    check: CheckSettings = CheckSettings()
    only: OnlySettings = OnlySettings()
    export: ExportSettings = ExportSettings()
    report: ReportSettings = ReportSettings()
    sheets: SheetsSettings = SheetsSettings()
    series: SeriesSettings = SeriesSettings()
