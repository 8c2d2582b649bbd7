"""Points, a datum and a scanner by hand, for the tests of what is built from points."""

import numpy as np

from barerail.geometry.frames import from_rotation_vector, rigid
from barerail.records import Datum, MountPoint, NoiseModel

CAR_FROM_SCAN = rigid(from_rotation_vector((0.3, -0.8, 1.9)), (1200.0, -340.0, 510.0))
NOISE = NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)
NAN = float("nan")


def point(name: str, kind: str, at: tuple[float, float, float], axis: tuple[float, float, float], **more) -> MountPoint:
    given = dict(
        side="L" if at[1] > 20 else "R" if at[1] < -20 else "C", partner="", diameter=9.0, length=NAN,
        cov=np.diag([0.04, 0.01, 0.0025]), cov_local=np.eye(3) * 0.0025, cov_axis=np.eye(3) * 1e-6,
        by_datum=np.hstack([np.eye(3), -np.cross(np.eye(3), at)]), u_diameter=0.05, u_length=0.05, arc_deg=350.0,
        n=400, rms=0.07, state="measured", note="",
    )  # fmt: skip
    return MountPoint(name=name, kind=kind, position=np.array(at), axis=np.array(axis), **(given | more))


def bracket(name: str, at, axis=(1.0, 0, 0), gap: float = 40.0, **more) -> MountPoint:
    return point(name, "bolt-axis", at, axis, length=gap, **more)


def hole(name: str, at, axis=(0.0, 0, 1), **more) -> MountPoint:
    return point(name, "hole", at, axis, **more)


def datum(**more) -> Datum:
    given = dict(
        car_from_scan=CAR_FROM_SCAN, covariance=np.diag([0.04, 0.0025, 0.01, 1e-8, 4e-8, 9e-8]), axes="iso8855",
        origin="x = 0: a pair", method="symmetry", assumed=("drift",), recipe={}, evidence={}, scan_unit="mm",
        mm_per_scan_unit=1.0,
    )  # fmt: skip
    return Datum(**(given | more))
