"""Do names land one hole on? Names files of chassis with rows of adjusting holes, off by so many mm and degrees.

    python tests/speed/names_in_rows.py --scenes 1000 --seed 1000

Rows of 3 to 7 holes at 15 to 25 mm, some on both sides, few or many other features; some holes not seen (of two
files in five one end of all rows), not named, or not there before. Half of the files are off along the car, half in
any direction; noise 0.05 to 0.4 mm.
Names: of features that are seen; refused: as a file, or missing.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "stages"))
from points_case import LEFT, UP, a_datum, feature, mirrored, scanned, shaken, wanted

from barerail.errors import DataError
from barerail.geometry.frames import from_rotation_vector
from barerail.records import Array, Feature, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points.pairs import find_partners
from barerail.stages.points.place import place
from barerail.stages.points.wanted import give

OTHERS = (0, 1, 2, 4, 8, 16, 40)


class Drawn(NamedTuple):
    """A chassis of `features`, the rows of those that the scan shows, the names file, and what each name means."""

    features: list[Feature]
    seen: list[int]
    names: list[Wanted]
    means: dict[str, int]
    outside: int


def on_both(rng: np.random.Generator, left: list[Feature], share: float) -> Iterator[Feature]:
    yield from left
    if rng.random() < share:
        yield from map(mirrored, left)


def a_row(rng: np.random.Generator) -> list[Feature]:
    way = np.eye(3)[0 if rng.random() < 0.6 else 2]
    if rng.random() < 0.2:
        way = np.array([np.cos(a := rng.uniform(0, np.pi)), 0.0, np.sin(a)])
    start = rng.uniform((-1500, 250, 50), (1500, 550, 600))
    pitch, size = rng.uniform(15, 25), rng.uniform(8, 13)
    return [feature("hole", start + way * pitch * i, LEFT, size) for i in range(rng.integers(3, 8))]


def chassis(rng: np.random.Generator) -> tuple[list[Feature], int, set[int]]:
    """Features, those of rows first, how many these are, and the ends of rows, all in front or all behind."""
    rows, ends, last = [], set(), rng.random() < 0.5
    for _ in range((1, 1, 2, 3)[rng.integers(4)]):
        row = a_row(rng)
        while rows and min(float(np.linalg.norm(f.point - g.point)) for f in row for g in rows) < 60:
            row = a_row(rng)
        both = list(on_both(rng, row, 0.5))
        ends |= {len(rows) + k for k in range(len(row) - 1 if last else 0, len(both), len(row))}
        rows.extend(both)
    found = list(rows)
    for _ in range(OTHERS[rng.integers(len(OTHERS))]):
        at = rng.uniform((-1500, 150, 0), (1500, 600, 600))
        if min(float(np.linalg.norm(at - f.point)) for f in found) > 60:
            kind = ("hole", "hole", "hole", "slot", "stud")[rng.integers(5)]
            found.extend(on_both(rng, [feature(kind, at, UP, rng.uniform(8, 25), 30.0)], 0.85))
    return found, len(rows), ends


def drawn(rng: np.random.Generator, off: float, turn: float) -> Drawn:
    """A scene whose names file stands off by `off` mm and `turn` degrees."""
    features, rows, ends = chassis(rng)
    hidden, named, noise = rng.uniform(0, 0.3), rng.uniform(0.3, 1.0), rng.uniform(0.05, 0.4)
    behind = ends if rng.random() < 0.4 else set()
    seen = [i for i in range(len(features)) if rng.random() > hidden and i not in behind]
    way = np.array([rng.choice([-1.0, 1.0]), 0, 0]) if rng.random() < 0.5 else unit(rng)
    turned = from_rotation_vector(np.radians(turn) * unit(rng))
    names = []
    for i in np.flatnonzero(rng.random(len(features)) < named).tolist():
        at = turned @ features[i].point + off * way + rng.normal(0, noise, 3)
        names.append(wanted(f"n{i}", replace(features[i], point=at), row=i))
    new = [feature("hole", rng.uniform((-1500, -600, 0), (1500, 600, 600)), UP, 12) for _ in range(rng.integers(4))]
    shown = shaken([features[i] for i in seen], noise, int(rng.integers(1 << 30)))
    return Drawn([*shown, *new], seen, names, {w.name: w.row for w in names}, sum(w.row >= rows for w in names))


def unit(rng: np.random.Generator) -> Array:
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)


def tried(scene: Drawn) -> Counter[str]:
    """How many names landed right, wrong and not at all, and whether the file was refused."""
    row = {i: k for k, i in enumerate(scene.seen)}
    placed = place(scanned(scene.features), a_datum())
    partners = find_partners(placed, PointsSettings())
    pairs = list(zip(partners.left.tolist(), partners.right.tolist()))
    refused, names = False, {}
    try:
        names = give(scene.names, placed, dict(pairs) | {b: a for a, b in pairs}, PointsSettings()).names
    except DataError:
        refused = True
    at = {name: k for k, name in names.items()}
    count: Counter[str] = Counter(files=1, refused_files=refused)
    for name, i in scene.means.items():
        count["wrong"] += name in at and at[name] != row.get(i, -1)
        count["shown"] += i in row
        count["right"] += name in at and at[name] == row.get(i, -1)
    return count


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--scenes", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1000)
    options.add_argument("--off", type=float, nargs="*", help="mm; not given: 0, 5, 9, 14 and any up to 20 in turn")
    options.add_argument("--turn", type=float, default=-1.0, help="degrees; not given: any up to 0.5")
    options.add_argument("--tell", action="store_true", help="each scene with a name on another hole")
    asked = options.parse_args()
    total: dict[tuple[str, str], Counter[str]] = {}
    for seed in range(asked.seed, asked.seed + asked.scenes):
        rng = np.random.default_rng(seed)
        offs = asked.off or (0.0, 5.0, 9.0, 14.0, -1.0)
        off = offs[seed % len(offs)]
        turn = float(rng.uniform(0, 0.5)) if asked.turn < 0 else asked.turn
        scene = drawn(rng, off if off >= 0 else float(rng.uniform(0, 20)), turn)
        count = tried(scene)
        count["wrong_files"] = count["wrong"] > 0
        other = "none" if not scene.outside else "1-3" if scene.outside < 4 else "4 and more"
        for key in ((f"{off:g}" if off >= 0 else "0 to 20", other), (f"{off:g}" if off >= 0 else "0 to 20", "all")):
            total.setdefault(key, Counter()).update(count)
        if asked.tell and count["wrong"]:
            print(f"{seed} off {off:g}, {dict(count)}")
    print("mm off | named outside rows | files | names on another hole (files) | refused: files, names")
    for (off_words, other), c in sorted(total.items()):
        share = 1 - c["right"] / max(c["shown"], 1)
        print(
            f"{off_words:8} {other:12} {c['files']:5} {c['wrong']:5} ({c['wrong_files']})"
            f"  {c['refused_files'] / c['files']:.3f} {share:.3f}"
        )


if __name__ == "__main__":
    main()
