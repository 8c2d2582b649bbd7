"""The truth of a simulated scan: where the scan shows each feature and where it is, in scan axes, mm."""

from collections.abc import Callable, Sequence
from dataclasses import asdict
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from barerail.geometry.line import closest
from barerail.records import Array
from barerail.scene.case import SceneCase
from barerail.scene.parts import MIRROR, Mark, unit

Move = Callable[[Array], Array]
PARALLEL = float(np.cos(np.radians(10.0)))
END_MM = 80.0
"""How far a tube may run on into a node past where its centreline can be seen."""
ON_A_FACE = ("hole", "slot")


def pose(rng: np.random.Generator, turned: bool) -> Array:
    """Scan from car, (4, 4): a drawn rotation and up to 1 m of shift along each axis."""
    out = np.eye(4)
    if turned:
        out[:3, :3] = Rotation.random(rng=rng).as_matrix()
        out[:3, 3] = rng.uniform(-1000, 1000, 3)
    return out


def shift(matrix: Array, points: Array) -> Array:
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def features(marks: list[Mark], bent: Move, seen: Move) -> list[dict[str, Any]]:
    """Each mark where the scan shows it (`seen`: bent, drifted, posed) and `*_true`, bent and posed only.

    `axis` is bent and posed, `axis_seen` drifted too: of holes and slots their face's normal, else of what is bent.
    """
    return [_feature(m, bent, seen) for m in marks]


def nodes(marks: Sequence[Mark], bent: Move, seen: Move) -> list[dict[str, Any]]:
    """Where centrelines of round tubes pass each other, from the design: closer than both radii, within what is tube.

    `p`: mid of the closest approach where the scan shows it, `p_true` bent and posed only; gap: as designed, mm.
    """
    out = []
    tubes = [m for m in marks if m.kind == "tube"]
    for a, b in ((a, b) for a, b in combinations(tubes, 2) if abs(a.axis @ b.axis) < PARALLEL):
        s, t = closest(a.p, a.axis, b.p, b.axis)
        one, two = a.p + s * a.axis, b.p + t * b.axis
        gap = float(np.linalg.norm(two - one))
        if gap < (a.d + b.d) / 2 and _on(a, s) and _on(b, t):
            at = (one + two)[None] / 2
            names = {"name": f"{a.name} {b.name}", "tubes": [a.name, b.name]}
            out.append({**names, "p": seen(at)[0].tolist(), "p_true": bent(at)[0].tolist(), "gap": gap})
    return out


def _on(tube: Mark, along: float) -> bool:
    """Whether a place `along` mm from the mark's own lies on the tube, less than END_MM past its seen ends."""
    low, high = sorted(float((tube.points[k] - tube.p) @ tube.axis) for k in ("p0", "p1"))
    return low - END_MM < along < high + END_MM


def _feature(mark: Mark, bent: Move, seen: Move) -> dict[str, Any]:
    jacobian = _jacobian(bent, mark.p)
    out: dict[str, Any] = {"kind": mark.kind, "name": mark.name, "p": seen(mark.p[None])[0].tolist()}
    out |= {"axis": _turned(mark, jacobian), "axis_seen": _turned(mark, _jacobian(seen, mark.p)), "d": mark.d}
    out |= mark.values
    out |= {k: unit(jacobian @ v).tolist() for k, v in mark.directions.items()}
    out |= {k: seen(np.atleast_2d(v)).reshape(v.shape).tolist() for k, v in mark.points.items()}
    out |= {f"{k}_true": bent(np.atleast_2d(v)).reshape(v.shape).tolist() for k, v in mark.points.items()}
    out["p_true"] = bent(mark.p[None])[0].tolist()
    return out


def _turned(mark: Mark, jacobian: Array) -> list[float]:
    turn = np.asarray(np.linalg.inv(jacobian).T if mark.kind in ON_A_FACE else jacobian)
    return [float(v) for v in unit(turn @ mark.axis)]


def _jacobian(move: Move, p: Array) -> Array:
    step = np.eye(3)
    return (move(p + step) - move(p - step)).T / 2


def mirror_seen(points: Array, seen: Move, start: Array) -> dict[str, Any]:
    """Mirror plane of what the scan shows: about it the surface lies the least off its mirror image, in least squares.

    points (n, 3): of the surface of the symmetric chassis as designed; `start` (4,): normal and offset to start from.
    """
    a, b = seen(points), seen(points * MIRROR)
    normal, offset = start[:3] / np.linalg.norm(start[:3]), float(start[3])
    centre = a.mean(0)
    for _ in range(6):
        tilt = np.linalg.svd(normal[None])[2][1:]
        height = (a @ normal - offset)[:, None]
        # a - 2 (m.a - d) m, turned by (u, v) about the centre and shifted by w
        by_tilt = [-2 * (((a - centre) @ t)[:, None] * normal + height * t) for t in tilt]
        design = np.stack([*by_tilt, np.broadcast_to(2 * normal, a.shape)], axis=2).reshape(-1, 3)
        u, v, w = np.linalg.lstsq(design, (b - a + 2 * height * normal).ravel(), rcond=None)[0]
        turned = unit(normal + u * tilt[0] + v * tilt[1])
        offset = float((offset + w - centre @ normal) + centre @ turned)
        normal = turned
    return {"normal": normal.tolist(), "offset": offset}


def case_words(case: SceneCase, twist_z: float) -> dict[str, Any]:
    """The case as truth.json tells it: every setting, and the frame deformation by mode."""
    modes = {
        "twist_deg": case.twist_deg,
        "diamond": case.diamond_mm,
        "sway": case.sway_mm,
        "sag": case.sag_mm,
        "mash": case.mash_mm,
    }
    warp = {k: v for k, v in modes.items() if v}
    return {**asdict(case), **({"warp": {**warp, "axis_z": twist_z}} if warp else {})}


def inside(marks: tuple[Mark, ...], window: tuple[float, float] | None) -> list[Mark]:
    """Marks of which some lies within the stretch scanned."""
    return [m for m in marks if window is None or _overlaps(m, window)]


def _overlaps(mark: Mark, window: tuple[float, float]) -> bool:
    x = np.vstack([mark.p[None], *(np.atleast_2d(v) for v in mark.points.values())])[:, 0]
    return bool(x.max() >= window[0] and x.min() <= window[1])


def stretch(x_range: tuple[float, float], window: tuple[float, float] | None) -> list[float]:
    """The part of the rails' x range that was scanned."""
    low, high = x_range if window is None else (max(x_range[0], window[0]), min(x_range[1], window[1]))
    return [float(low), float(high)]


def rows(flags: NDArray[np.bool_], count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """At most `count` drawn rows where flags hold."""
    at = np.flatnonzero(flags)
    return rng.choice(at, min(count, len(at)), replace=False)
