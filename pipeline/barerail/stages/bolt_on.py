"""Will it bolt on: a part's holes over named points, the clearance left in each, and how often it goes on."""

from collections.abc import Sequence
from itertools import permutations

import numpy as np

from barerail.asked import BoltOnSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.frames import best_fit_rigid, rigid, transform
from barerail.geometry.pinned import pinned
from barerail.geometry.plane import fit_plane
from barerail.geometry.together import SIX, together
from barerail.records import (
    Array,
    BoltOn,
    Datum,
    HoleFit,
    MountPoint,
    MountPoints,
    NoiseModel,
    Note,
    PatternHole,
)

MOST = 7
"""Most holes whose order is looked for by trying all."""
RIVAL = 1.5
ROUND = ("hole", "bolt-axis", "sleeve", "slot")


def bolt_on(
    pattern: Sequence[PatternHole], bolt_mm: float, points: MountPoints, datum: Datum, noise: NoiseModel,
    settings: BoltOnSettings,
) -> BoltOn:  # fmt: skip
    """The part where it sits best: least squares for the face, then the shift and turn with the most room left.

    A bolt of `bolt_mm` may stand off by half of what the part's hole is wider, and half of what the chassis hole is;
    a stud or a thread leaves nothing. The share that goes on: draws of the true places (joint covariance of fits and
    drift), diameters, and the part's own holes within part_U_mm. UsageError: names and pattern that don't match, a bolt
    wider than a hole; DataError: a point that wasn't found.
    """
    chosen, notes = _matched(pattern, points, settings)
    q, p = np.array([h.at for h in pattern]), np.array([c.position for c in chosen])
    place = _seated(q, p)
    joint = together(points, [c.name for c in chosen], datum, noise)
    rows = np.concatenate([SIX * i + np.arange(3) for i in range(len(chosen))])
    off = (p - transform(place, q)) @ place[:3, :3]
    room, u_room = _room(pattern, chosen, bolt_mm, settings)
    about = q[:, :2] - q[:, :2].mean(axis=0)
    best = pinned(off[None, :, :2], about, room[None])
    left = off[:, :2] - best.move[0, :2] - best.move[0, 2] * np.stack([-about[:, 1], about[:, 0]], axis=1)
    cov = joint.total[np.ix_(rows, rows)]
    u = _offset_u(cov, about, place[:3, :3], settings.part_U_mm / 2)
    fits = [
        HoleFit(h.name, c.name, left[i], float(room[i]), float(-off[i, 2]), float(2 * u[i]), _lean(c, place))
        for i, (h, c) in enumerate(zip(pattern, chosen))
    ]
    goes = _goes_on(off[:, :2], about, room, u_room, cov, place[:3, :3], settings)
    rms = float(np.sqrt(np.mean(np.sum(off[:, :2] ** 2, axis=1))))
    notes += _notes(fits, chosen, bolt_mm, settings)
    return BoltOn(tuple(fits), _moved(place, best.move[0], q), rms, settings.draws, goes, settings.bolt, tuple(notes))


def _matched(
    pattern: Sequence[PatternHole], points: MountPoints, settings: BoltOnSettings
) -> tuple[list[MountPoint], list[Note]]:
    """The point of each hole, as said in the pattern or as fits best."""
    if len(pattern) < 2:
        raise UsageError(f"a pattern needs at least 2 holes, this one has {len(pattern)}")
    said = [h.point for h in pattern]
    if all(said):
        if settings.points:
            raise UsageError("the pattern names a point for each hole, and --points too: leave one of them out")
        return [_known(n, points) for n in said], []
    if any(said):
        raise UsageError(f"the pattern names a point for some holes only: {said.count('')} have none")
    if len(settings.points) != len(pattern):
        raise UsageError(f"the part has {len(pattern)} holes and --points names {len(settings.points)}")
    if len(set(settings.points)) < len(settings.points):
        raise UsageError("--points names a point twice")
    if len(pattern) > MOST:
        raise UsageError(f"more than {MOST} holes: say in the pattern's column `point` which is for which")
    return _ordered(pattern, [_known(n, points) for n in settings.points], settings)


def _ordered(
    pattern: Sequence[PatternHole], chosen: list[MountPoint], settings: BoltOnSettings
) -> tuple[list[MountPoint], list[Note]]:
    """The order of points that fits best, and a note where another fits nearly as well."""
    q, p = np.array([h.at for h in pattern]), np.array([c.position for c in chosen])
    apart = np.linalg.norm(q[:, None] - q, axis=2)
    wide = np.linalg.norm(p[:, None] - p, axis=2)
    tried = []
    for order in permutations(range(len(chosen))):
        rows = list(order)
        if np.abs(wide[np.ix_(rows, rows)] - apart).max() <= settings.order_mm:
            place = _seated(q, p[rows])
            tried.append((float(np.sqrt(np.mean(np.sum((transform(place, q) - p[rows]) ** 2, axis=1)))), order))
    if not tried:
        raise DataError(
            f"no order of the points has the part's distances within {settings.order_mm:g} mm: other holes, or another "
            "unit; to try all the same, say in column `point` which is for which"
        )
    tried.sort()
    best = [chosen[i] for i in tried[0][1]]
    rivals = [order for rms, order in tried[1:] if rms <= max(RIVAL * tried[0][0], 0.1)]
    if not rivals:
        return best, []
    told = f"the pattern also goes {len(rivals)} other ways round or over; say which hole is for which in column point"
    return best, [Note("bolt-on", told, 1, True)]


def _known(name: str, points: MountPoints) -> MountPoint:
    known = {p.name: p for p in points.points}
    if name not in known:
        raise no_point(name, known)
    if not np.isfinite(known[name].position).all():
        raise DataError(f"{name} was not found in the scan: {known[name].note or 'no coordinates'}")
    return known[name]


def _seated(q: Array, p: Array) -> Array:
    """car_from_part: the part's holes q (n, 3) on the points p (n, 3), least squares.

    Two holes, or holes on one line, leave a turn about it open: its z is taken to point up.
    """
    flat = q - q.mean(axis=0)
    if np.linalg.svd(flat, compute_uv=False)[1] > 1e-6 * np.abs(flat).max():
        return best_fit_rigid(q, p)
    along, way = flat[np.argmax(np.abs(flat).sum(1))], p - p.mean(axis=0)
    to = way[np.argmax(np.abs(flat).sum(1))]
    return _by_line(q.mean(axis=0), along, p.mean(axis=0), to)


def _by_line(qm: Array, along: Array, pm: Array, to: Array) -> Array:
    def frame(x: Array, z: Array) -> Array:
        x = x / np.linalg.norm(x)
        z = z - (z @ x) * x
        z = z / np.linalg.norm(z)
        return np.array([x, np.cross(z, x), z])

    side = np.eye(3)[2] if abs(to[2]) < 0.9 * np.linalg.norm(to) else np.eye(3)[0]
    r = frame(to, side).T @ frame(along, np.array([0.0, 0, 1]))
    return rigid(r, pm - r @ qm)


def _room(
    pattern: Sequence[PatternHole], chosen: Sequence[MountPoint], bolt: float, settings: BoltOnSettings
) -> tuple[Array, Array]:
    """How far each bolt may stand off (n,), and the standard uncertainty of that (n,), mm."""
    room, u = np.zeros(len(pattern)), np.zeros(len(pattern))
    for i, (h, c) in enumerate(zip(pattern, chosen)):
        if h.diameter < bolt:
            raise UsageError(f"hole {h.name} is {h.diameter:g} mm wide: {settings.bolt} doesn't go through")
        room[i] = (h.diameter - bolt) / 2
        if c.kind in ROUND and not settings.tapped:
            if c.bore_unseen:
                raise UsageError(
                    f"{c.name}'s bore wasn't seen, so how wide it is isn't known; --tapped counts no room in it"
                )
            if c.diameter + 2 * c.u_diameter < bolt:
                raise UsageError(
                    f"{c.name} is {c.diameter:.2f} mm wide: {settings.bolt} doesn't go through; where it is a thread, "
                    "give --tapped"
                )
            room[i] += max(0.0, c.diameter - bolt) / 2
            u[i] = c.u_diameter / 2
    return room, u


def _offset_u(cov: Array, about: Array, turn: Array, u_part: float) -> Array:
    """Standard uncertainty (n,) of each offset, the worse way, once shift and turn are fitted away."""
    n = len(about)
    flat = np.kron(np.eye(n), turn[:, :2].T)
    design = np.zeros((2 * n, 3))
    design[0::2, 0] = design[1::2, 1] = 1.0
    design[0::2, 2], design[1::2, 2] = -about[:, 1], about[:, 0]
    away = np.eye(2 * n) - design @ np.linalg.pinv(design)
    total = away @ (flat @ cov @ flat.T + u_part**2 * np.eye(2 * n)) @ away.T
    return np.array([np.sqrt(np.linalg.eigvalsh(total[2 * i : 2 * i + 2, 2 * i : 2 * i + 2])[-1]) for i in range(n)])


def _goes_on(
    off: Array, about: Array, room: Array, u_room: Array, cov: Array, turn: Array, settings: BoltOnSettings
) -> int:
    """How many of the draws go on."""
    rng, n = np.random.default_rng(settings.seed), len(off)
    value, vector = np.linalg.eigh(cov)
    root = vector * np.sqrt(np.maximum(value, 0.0))
    moved = (rng.normal(size=(settings.draws, 3 * n)) @ root.T).reshape(-1, n, 3) @ turn
    cut = settings.part_U_mm / 2 * rng.normal(size=(settings.draws, n, 2))
    rooms = room + u_room * rng.normal(size=(settings.draws, n))
    return int((pinned(off + moved[:, :, :2] + cut, about, np.maximum(rooms, 0.0)).used <= 1).sum())


def _moved(place: Array, move: Array, q: Array) -> Array:
    """car_from_part with the shift and turn of the best seat."""
    middle = np.append(q[:, :2].mean(axis=0), 0.0)
    c, s = np.cos(move[2]), np.sin(move[2])
    r = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return place @ rigid(r, middle - r @ middle + np.append(move[:2], 0.0))


def _lean(c: MountPoint, place: Array) -> float:
    if not np.any(c.axis):
        return float("nan")
    return float(np.degrees(np.arccos(min(1.0, abs(float(c.axis @ place[:3, 2]))))))


def _notes(fits: Sequence[HoleFit], chosen: Sequence[MountPoint], bolt: float, settings: BoltOnSettings) -> list[Note]:
    told = [
        f"{f.hole} fouls {f.point} by {-f.left_mm:.2f} mm: a hole {2 * -f.left_mm:.2f} mm wider would take "
        f"{settings.bolt}"
        for f in fits
        if f.left_mm < 0
    ]
    told += [
        f"{f.point} leans {f.lean_deg:.1f} degrees from the part's face" for f in fits if f.lean_deg > settings.lean_deg
    ]
    told += [
        f"{c.name} is {c.diameter:.1f} mm wide for {settings.bolt}: a washer must bridge it"
        for c in chosen
        if c.kind in ROUND and not settings.tapped and c.diameter > settings.wide * bolt
    ]
    told += [f"{c.name} is a slot, taken as a round hole of its width" for c in chosen if c.kind == "slot"]
    told += [f"{c.name} is {c.state}, not measured" for c in chosen if c.state != "measured"]
    if len(fits) > 2:
        bow = fit_plane(np.array([c.position for c in chosen])).residuals if len(fits) > 3 else np.zeros(1)
        if np.abs(bow).max() > settings.flat_mm:
            told.append(f"the points lie up to {np.abs(bow).max():.2f} mm off one plane: shims, or the part bends")
    return [Note("bolt-on", text, 1, True) for text in told]
