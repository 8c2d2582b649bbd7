"""Hand-made records for the tests of what is written: points of every kind, a datum, rails' stations, a small mesh."""

from dataclasses import replace

import numpy as np

from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.records import (
    BentTube,
    Datum,
    Feature,
    Features,
    Measure,
    MountPoint,
    MountPoints,
    NoiseModel,
    Note,
    Pair,
    Plane,
    Scan,
    Source,
    StationPair,
    Straightness,
    TubeBend,
)

CAR_FROM_SCAN = rigid(from_rotation_vector((0.3, -0.8, 1.9)), (1200.0, -340.0, 510.0))
LEFT = 'Träger "A" links'
ODD_NAMES = (LEFT, "x=1; y", "=1+1", "-L rail", "#5, 日本 😀", "100%%d ^ \\X2\\0041\\X0\\ it's")
FACE_RING = np.array([(870.0, 280.0, 60), (930, 280, 60), (930, 320, 60), (870, 320, 60)])


def point(name: str, kind: str, at: tuple[float, float, float], axis: tuple[float, float, float], **more) -> MountPoint:
    by_datum = np.hstack([np.eye(3), -np.cross(np.eye(3), at)])
    given = dict(
        side="L" if at[1] > 20 else "R" if at[1] < -20 else "C", partner="", diameter=10.5, length=float("nan"),
        cov=np.diag([0.04, 0.01, 0.0025]), cov_local=np.diag([0.0004, 0.0004, 0.0001]), cov_axis=np.eye(3) * 1e-6,
        by_datum=by_datum, u_diameter=0.03, u_length=0.05, arc_deg=312.4, n=420, rms=0.0712, state="measured", note="",
    )  # fmt: skip
    return MountPoint(name=name, kind=kind, position=np.array(at), axis=np.array(axis), **(given | more))


def mount_points() -> MountPoints:
    s = np.sqrt(0.5)
    nan = float("nan")
    points = (
        point(LEFT, "hole", (1012.3456789, 402.5, 100.125), (0.0, s, s), partner="right hole", face="up", length=4.0,
              ends=np.array([(1012.3456789, 402.5, 100.125), (1012.3456789, 402.5 - 4 * s, 100.125 - 4 * s)])),
        point("right hole", "hole", (1013.0, -402.0, 100.0), (0.0, -s, s), partner=LEFT, face="up"),
        point(ODD_NAMES[1], "slot", (500.0, 350.0, 20.0), (0.0, 0, 1), diameter=9.0, length=21.0, face="up",
              along=np.array([0.6, 0.8, 0])),
        point(ODD_NAMES[2], "stud", (-20.0, -300.0, 45.0), (0.0, 0, 1), diameter=8.0, length=25.0),
        point(ODD_NAMES[3], "bolt-axis", (-400.0, 450.0, 80.0), (0.0, 1, 0), diameter=12.0, length=46.0,
              ends=np.array([(-400.0, 427, 80), (-400.0, 473, 80)]), detail={"thickness_a_mm": 4.02, "tilt_deg": 0.4}),
        point(ODD_NAMES[4], "sleeve", (-900.0, 0.0, 30.0), (0.0, 1, 0), diameter=16.0, length=60.0, note="bore, seen"),
        point(ODD_NAMES[5], "tube", (-1200.0, 0.0, 140.0), (0.0, 0.8, 0.6), diameter=42.4, length=700.0),
        point("node", "tube-node", (-1200.0, 310.0, 140.0), (0.0, 0, 0), diameter=nan, cov_axis=np.zeros((3, 3)),
              note="gap 1.2 mm", u_diameter=nan, u_length=nan, tubes=(ODD_NAMES[5], "rail L")),
        point("rail L", "rail", (0.0, 400.0, 50.0), (1.0, 0, 0), diameter=60.0, length=120.0),
        point("pad", "face", (900.0, 300.0, 60.0), (0.0, 0, 1), diameter=nan, u_diameter=nan, feature=1),
        point("not there", "hole", (nan, nan, nan), (0.0, 0, 0), diameter=nan, state="missing", side="L", n=0,
              cov=np.full((3, 3), nan), cov_local=np.full((3, 3), nan), arc_deg=nan, rms=nan, u_diameter=nan,
              by_datum=np.full((3, 6), nan), cov_axis=np.zeros((3, 3)), u_length=nan),
    )  # fmt: skip
    pairs = (
        Pair("rail L", "rail R", np.array([0.1, 0.0, -0.2]), np.eye(3) * 0.01),
        Pair(LEFT, "right hole", np.array([0.6543211, -0.5, -0.125]), np.diag([0.04, 0.01, 0.0001])),
    )
    arc = np.array([(-1200.0, 300, 140), (-1190, 330, 140), (-1160, 340, 140)])
    bend = TubeBend((6, 8), 30.0, 0.4, 90.0, arc, 300, 0.12)
    bent = BentTube((6, 8), (bend,), np.vstack([[-1200.0, 0, 140], arc, [0, 340, 140]]), (ODD_NAMES[5], "rail L"))
    return MountPoints(points, pairs, bent=(bent,))


def many_points(count: int) -> MountPoints:
    """Holes, bolt axes, tubes and slots in turn, on a grid of whole and odd coordinates."""
    kinds = mount_points().points
    models = (kinds[0], kinds[4], kinds[6], kinds[2])
    made = []
    for i in range(count):
        at = np.array([(i % 40) * 91.7 - 1800, (i % 7) * 123.1 - 370, (i % 11) * 31.3])
        side = "L" if at[1] > 20 else "R" if at[1] < -20 else "C"
        made.append(replace(models[i % 4], name=f"P{i} Ä", position=at, side=side, partner="", ends=np.zeros((0, 3))))
    return MountPoints(tuple(made), ())


def datum(**more) -> Datum:
    given = dict(
        car_from_scan=CAR_FROM_SCAN, covariance=np.diag([0.04, 0.0025, 0.01, 1e-8, 4e-8, 9e-8]), axes="iso8855",
        origin="x = 0: mid-point of the pair 'mount-1'; y = 0: mirror plane; z = 0: rail undersides",
        method="symmetry", assumed=("drift",), recipe={"rule": "symmetry", "targets": [("mount-1", 0.0)]},
        evidence={
            "mirrors_within_3_mm_percent": np.float64(83.0), "ratio_to_next_plane": 2.61,
            "pairs": [{"score": 1.0}, {"score": float("nan")}], "left_out": ["1 pair: too far off"],
        },
        scan_unit="m", mm_per_scan_unit=1000.0, notes=(Note("datum", "two rivals"),),
    )  # fmt: skip
    return Datum(**(given | more))


def features() -> Features:
    """Only what the STEP file looks up: the plane of the feature behind the point `pad`."""
    scan_from_car = invert(CAR_FROM_SCAN)
    plane = Plane(
        transform(scan_from_car, FACE_RING.mean(0)), scan_from_car[:3, :3].T, np.eye(3), 0.1, 900, 2400.0, (60.0, 40.0),
        np.arange(3), transform(scan_from_car, FACE_RING),
    )  # fmt: skip
    found = [
        Feature(kind, np.zeros(3), np.zeros(3), 1.0, 1.0, np.eye(3), np.eye(3), 1.0, 1.0, 0.0, 1, 0.1, plane=i)
        for kind, i in (("hole", -1), ("face", 0))
    ]
    return Features((plane,), tuple(found), (), NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2), 2.0)


def straightness() -> Straightness:
    measures = {
        "twist_deg": Measure(0.2512345, 0.0201, "deg"),
        "twist_mm": Measure(3.52, 0.3, "mm"),
        "sag_mm": Measure(None, None, "mm", "it needs a drawing or an earlier scan"),
        "diamond_mm": Measure(-0.4, 0.9, "mm"),
    }
    stations = tuple(
        StationPair(x, np.array([x, 400, 50.0]), np.array([x, -401, 49.0]), (0.1, float("nan")), 0.07, 0.02, used,
                    np.eye(3) * 0.0025, np.eye(3) * 0.01)
        for x, used in ((-1000.0, True), (0.0, False), (1000.0, True))
    )  # fmt: skip
    verdicts = {"twist_mm": "not proven: limit 3.5 mm, guard band 0.3 mm"}
    return Straightness(measures, -1000.0, 1000.0, 801.0, stations, verdicts, ("supports",), (Note("s", "hm"),))


def mesh_scan(far: float = 0.0, normals: bool = True, triangles: bool = True) -> Scan:
    """A tetrahedron on the left of the car and a far right point, in scan axes; outward triangles."""
    car = np.array([(1000.0, 400, 0), (1010, 400, 0), (1000, 410, 0), (1000, 400, 10), (-500 - far, -300.0625, 77.7)])
    scan_from_car = invert(CAR_FROM_SCAN)
    up = np.tile(scan_from_car[:3, :3] @ (0.0, 0, 1), (len(car), 1)).astype(np.float32)
    faces = np.array([(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)], np.int32)
    source = Source("scan.ply", "0" * 64, 100, (0, len(car)), np.eye(4))
    scan_points = transform(scan_from_car, car)
    return Scan(scan_points, up if normals else None, faces if triangles else None, "mm", 1.0, False, (source,))
