"""What a datum rests on, as data and in words."""

from typing import Any

import numpy as np

from barerail.geometry.frames import basis, direction, transform
from barerail.records import LABELS, SPECK, Array, CleanScan, Feature, Features, Note

from .build import Made
from .combine import CentrePlane
from .finest import SurfacePlane
from .pairs import PairPlane
from .rivals import Rival
from .surface import Surface

LEVEL_WORDS = {
    "face": "the undersides of the rails (long low faces) at their lowest level",
    "tube": "the undersides of the lowest long tubes",
    "surface": "the lowest surface of each side (no long low face or tube was seen)",
}
SIDES = {2: "mean of the left and the right side", 1: "one side only, the other wasn't seen"}


def origin_words(made: Made, ahead: float) -> str:
    """What x = 0, y = 0 and z = 0 are; `ahead`: 1 where x is counted forward, -1 rearward."""
    level, stand = made.level, made.stand
    x = f"{ahead * stand.x + 0.0:.10g} mm" if stand.x else "0"
    z = f"{stand.z:.10g} mm" if stand.z else "0"
    under = f"{LEVEL_WORDS[level.kind]}, {SIDES[len(level.sides)]}, at x = {ahead * made.level_x:z.0f} mm"
    return f"x = {x}: {made.origin.words}; y = 0: the mirror plane of the frame; z = {z}: {under}"


def evidence_of(
    clean: CleanScan,
    features: Features,
    surface: Surface,
    best: Rival,
    rivals: list[Rival],
    smooth: SurfacePlane,
    paired: PairPlane | None,
    centre: CentrePlane,
    made: Made,
) -> dict[str, Any]:
    """The evidence of datum.json; lengths in mm, angles in degrees, in car axes."""
    out: dict[str, Any] = {
        "mirrors_within_3_mm_percent": round(100 * smooth.share, 1),
        "scatter_of_what_mirrors_mm": round(smooth.scale, 3),
        "station_blocks": smooth.blocks,
        "planes": [_plane(r, made.frame, r is best) for r in rivals],
        "ratio_to_next_plane": round(best.rank / max(1e-3, *(r.rank for r in rivals if r is not best), 0.0), 2),
        "plane_rule": "where all surface that mirrors lies the least off its mirror image (least squares in space); "
        + (
            "twist and sidesway of the frame were fitted with it, so they don't turn it"
            if len(smooth.bends.size)
            else "no twist or sidesway showed"
        ),
        "level_rule": "y first, from the mirror plane; z perpendicular to it: the mean of the left and the right "
        "side's best line through all undersides that run parallel, so a twist tips neither pitch nor height; "
        "roll is the mirror plane's, a best fit of all stations",
        "undersides": _undersides(made),
        "front": made.front,
        "above": made.up,
        "left_out": left_out(clean, features, smooth, paired),
    }
    if paired is not None:
        out["pairs"] = [_pair(k, paired, features, made) for k in range(len(paired.pairs))]
        out["pair_scatter_across_mm"] = round(float(paired.tau[0]) / 2, 3)
        out["pair_scatter_height_mm"] = round(float(paired.tau[1]), 3)
        out["pairs_less_surface"] = _apart(centre, made, surface)
    return out


def notes_of(best: Rival, rivals: list[Rival], centre: CentrePlane, made: Made, needed: float) -> tuple[Note, ...]:
    """What the user should hear besides: a near-symmetry the other way, pairs that disagree, a side not seen."""
    notes = []
    next_best = max((r.score for r in rivals if r is not best), default=0.0)
    if best.score < needed * next_best:
        text = (
            f"another plane mirrors the scan nearly as well (score {next_best:.3f}, this one {best.score:.3f}); "
            f"taken was the one {'across the rails' if best.likely else 'that the given points leave'}"
        )
        notes.append(Note("datum", text, warning=True))
    if centre.apart is not None and centre.apart_cov is not None:
        far = float(np.sqrt(centre.apart @ np.linalg.solve(centre.apart_cov, centre.apart) / 3))
        if far > 3:
            text = f"pairs and surface have different mirror planes ({far:.1f} times what they may differ by)"
            notes.append(Note("datum", f"{text}: the frame isn't symmetric about its own features", warning=True))
    if len(made.level.sides) < 2:
        text = "only one side's undersides were seen: a twist of the frame tips the level"
        notes.append(Note("datum", text, warning=True))
    return tuple(notes)


def left_out(clean: CleanScan, features: Features, smooth: SurfacePlane, paired: PairPlane | None) -> list[str]:
    """What was not used, and why."""
    count = np.bincount(clean.label, minlength=len(LABELS))
    out = [f"{LABELS[i]}: {count[i]} thinned points, not the chassis" for i in range(SPECK, len(LABELS)) if count[i]]
    out.append(f"{100 * (1 - smooth.share):.0f} % of the smooth surface: no mirror image within 3 mm was seen")
    bad = 0 if paired is None else int((paired.weight == 0).sum())
    if bad:
        pairs = "pair" if bad == 1 else "pairs"
        out.append(f"{bad} left/right {pairs}: too far from each other's mirror image for the rest of the pairs")
    return out


def _plane(r: Rival, frame: Array, taken: bool) -> dict[str, Any]:
    return {
        "normal": np.round(direction(frame, r.mirror.normal), 5).tolist(),
        "score": round(r.score, 4),
        "score_with_prior": round(r.rank, 4),
        "across_the_rails": r.likely,
        "taken": taken,
    }


def _pair(k: int, paired: PairPlane, features: Features, made: Made) -> dict[str, Any]:
    p = paired.pairs[k]
    rows = (p.left, p.right) if transform(made.frame, features.found[p.left].point)[1] > 0 else (p.right, p.left)
    left, right = (features.found[i] for i in rows)
    return {
        "kind": left.kind,
        "diameter_mm": round(float(left.diameter), 2),
        "left_mm": _at(left, made.frame),
        "right_mm": _at(right, made.frame),
        "across_mm": round(float(paired.residual[k, 0]) / 2, 3),
        "height_mm": round(float(paired.residual[k, 1]), 3),
        "U_across_mm": round(float(np.sqrt(paired.own[k, 0])), 3),
        "U_height_mm": round(2 * float(np.sqrt(paired.own[k, 1])), 3),
        "weight": round(float(paired.weight[k]), 3),
        "is_origin": set(rows) == set(made.origin.features),
    }


def _at(f: Feature, frame: Array) -> list[float]:
    return np.round(transform(frame, f.point), 3).tolist()


def _undersides(made: Made) -> list[dict[str, Any]]:
    move = made.frame @ np.linalg.inv(made.rough)
    return [
        {
            "kind": p.kind,
            "at_mm": np.round(transform(move, p.at), 2).tolist(),
            "length_mm": round(p.length, 0),
            "tips_by_mm": round(float(r), 3),
            "makes_z_0": p in made.level.lowest,
        }
        for p, r in zip(made.level.used, made.level.residual)
    ]


def _apart(centre: CentrePlane, made: Made, surface: Surface) -> dict[str, float]:
    """The pairs' plane less the surface's: at the rear and front end of what was seen, and as roll and yaw; with U."""
    assert centre.apart is not None and centre.apart_cov is not None
    u, v, n = basis(centre.mirror.normal)
    rows = made.frame[:3, :3]
    side = float(np.sign(rows[1] @ n))
    reach = np.quantile(surface.points @ rows[0], [0.002, 0.998])
    ends = zip(("rear", "front"), np.outer(reach, rows[0]))
    ways = {f"at_{end}_mm": side * np.array([-u @ p, -v @ p, 1.0]) for end, p in ends}
    for name, e in (("roll_deg", rows[2]), ("yaw_deg", -rows[0])):
        ways[name] = np.degrees(side * np.array([u @ e, v @ e, 0.0]))
    out = {}
    for name, way in ways.items():
        out[name] = round(float(way @ centre.apart), 4)
        out[f"U_{name}"] = round(2 * float(np.sqrt(way @ centre.apart_cov @ way)), 4)
    return out
