"""How well does fit find and measure? Recall, false ones and errors on simulated chassis of every sort, spacing and
scanner, and the worst of them.

    python tests/speed/accuracy.py --seed 1000

Meshes are fused from cameras that lean outboard by 45 degrees, in a grid askew to the car, with --along in one along
the car's axes. Errors are against what the scan shows, its own slow drift included. A true feature counts where the
scan shows enough of it. The hole of a bracket's one tab is not false where the bracket isn't found: it is to be
reported. Seeds from 1000 on are for final figures and are never developed on.
"""

import argparse
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matching import KINDS, across, matched, shown, single_tab
from scipy.spatial import cKDTree

from barerail.records import Feature
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

SORTS = ("perimeter", "channel", "tube", "ladder")
SPACINGS = (1.2, 2.0, 2.8)
COLUMNS = f"{'kind':<10}{'shown':>6}{'recall':>8}{'false':>6}{'across med':>11}{'95 %':>7}{'dia bias':>9}{'95 %':>7}"
COLUMNS += f"{'along 95 %':>11}{'axis 95 %':>10}{'in k=2':>7}{'rms z':>7}"
Row = dict[str, float]


def judged(found: Sequence[Feature], truth: Mapping[str, Any], tree: cKDTree, spacing: float) -> dict[str, Row]:
    """For each kind of feature: what the scan shows of it, what was found, and how far off it is."""
    truths = [t for t in truth["features"] if t["kind"] in KINDS]
    seen = [shown(t, tree, spacing) for t in truths]
    pairs = matched(found, truths)
    taken, got = {i for i, _ in pairs}, {j for _, j in pairs}
    unfound = [t for j, t in enumerate(truths) if j not in got]
    out = {}
    for kind, name in KINDS.items():
        rows = [j for j, t in enumerate(truths) if t["kind"] == kind]
        hits = [(found[i], truths[j]) for i, j in pairs if truths[j]["kind"] == kind]
        right = sum(j in got for j in rows if seen[j])
        lone = [f for i, f in enumerate(found) if f.kind == name and i not in taken]
        false = sum(not single_tab(f, unfound) for f in lone)
        out[name] = {"shown": sum(seen[j] for j in rows), "right": right, "false": false, **_errors(hits)}
    return out


def _errors(hits: Sequence[tuple[Feature, Mapping[str, Any]]]) -> Row:
    if not hits:
        return {}
    off = np.array([across(f, t)[0] for f, t in hits])
    size = np.array([min((f.diameter - t[k] for k in ("d", "od") if k in t), key=abs) for f, t in hits])
    along = np.array([_along(f, t) for f, t in hits])
    turn = np.degrees(np.arccos(np.minimum([abs(f.axis @ np.asarray(t["axis"])) for f, t in hits], 1.0)))
    z = np.concatenate([_scores(f, t) for f, t in hits])
    return {
        "med": float(np.median(off)),
        "p95": float(np.quantile(off, 0.95)),
        "bias": float(np.mean(size)),
        "size": float(np.quantile(np.abs(size), 0.95)),
        "along": float(np.quantile(along, 0.95)),
        "turn": float(np.quantile(turn, 0.95)),
        "inside": float(np.mean(np.abs(z) <= 2)),
        "z": float(np.sqrt(np.mean(np.minimum(z, 10) ** 2))),
    }


def _along(f: Feature, true: Mapping[str, Any]) -> float:
    """Distance along the axis, mm; of a hole seen on both faces from the nearer one: which leads, the car decides."""
    places = f.ends if f.kind in ("hole", "slot") and len(f.ends) else f.point[None]
    return float(np.abs((places - np.asarray(true["p"])) @ np.asarray(true["axis"])).min())


def _scores(f: Feature, true: Mapping[str, Any]) -> np.ndarray:
    """Error / u across the true axis, two ways."""
    ways = np.linalg.svd(np.asarray(true["axis"])[None])[2][1:]
    miss = across(f, true)[1]
    return np.array([abs(w @ miss) / np.sqrt(w @ f.cov @ w) for w in ways])


def told(kind: str, row: Row) -> str:
    share = row["right"] / row["shown"] if row["shown"] else float("nan")
    text = f"{kind:<10}{row['shown']:>6.0f}{share:>8.2f}{row['false']:>6.0f}"
    if "med" in row:
        text += f"{row['med']:>11.3f}{row['p95']:>7.3f}{row['bias']:>9.3f}{row['size']:>7.3f}{row['along']:>11.3f}"
        text += f"{row['turn']:>10.2f}{row['inside']:>7.2f}{row['z']:>7.2f}"
    return text


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--seed", type=int, default=1000)
    options.add_argument("--sorts", nargs="*", default=SORTS)
    options.add_argument("--spacings", nargs="*", type=float, default=SPACINGS)
    options.add_argument("--scanners", nargs="*", default=("sample", "fuse"))
    options.add_argument("--no-normals", action="store_true")
    options.add_argument("--along", action="store_true", help="the car lies along the scan's axes")
    asked = options.parse_args()
    settings, rows = Settings(), []
    grid = [(s, mm, how) for how in asked.scanners for s in asked.sorts for mm in asked.spacings]
    for k, (sort, mm, how) in enumerate(grid):
        seed = asked.seed + k
        case = SceneCase(sort, seed, seed, small=True, scanner=how, spacing_mm=mm, voxel_mm=mm, lean=1.0)
        made = make(replace(case, normals=not asked.no_normals, turned=not asked.along))
        start = time.process_time()
        features = fit(clean(made.scan, settings.clean), settings.fit)
        seconds = time.process_time() - start
        print(f"\n{sort}, {mm} mm, {how}, seed {seed}: {len(made.scan.points)} points, {seconds:.0f} s\n{COLUMNS}")
        for kind, row in judged(features.found, made.truth, cKDTree(made.scan.points), mm).items():
            if row["shown"] or row["false"]:
                rows.append((how, kind, row))
                print(told(kind, row), flush=True)
    print(f"\nthe worst of each column\n{COLUMNS}")
    for how in asked.scanners:
        for kind in KINDS.values():
            mine = [r for h, k, r in rows if h == how and k == kind]
            if mine:
                print(how, told(kind, _worst(mine)))


def _worst(rows: Sequence[Row]) -> Row:
    least = min((r for r in rows if r["shown"]), key=lambda r: r["right"] / r["shown"], default=rows[0])
    out = {"shown": least["shown"], "right": least["right"], "false": max(r["false"] for r in rows)}
    measured = [r for r in rows if "med" in r]
    for name in measured[0] if measured else ():
        values = [r[name] for r in measured]
        out.setdefault(name, min(values) if name == "inside" else max(values, key=abs))
    return out


if __name__ == "__main__":
    main()
