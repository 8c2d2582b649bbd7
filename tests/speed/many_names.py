"""Seconds that 10 000 names of a names file take on 10 000 features: all there, one in twenty unseen, another origin.

Run it with `python tests/speed/many_names.py`.
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "stages"))
from points_case import UP, a_datum, feature, mirrored, scanned, shaken, wanted

from barerail.settings import PointsSettings
from barerail.stages.points import points

COUNT = 10_000


def main() -> None:
    rng = np.random.default_rng(1)
    # One every 40 mm at least, so that each name has one feature within reach, on both sides of a long car.
    grid = np.stack(np.meshgrid(range(100), range(10), range(5)), axis=-1).reshape(-1, 3) * [45.0, 45.0, 60.0]
    places = np.add(grid, [0.0, 60.0, 100.0]) + rng.uniform(-9, 9, grid.shape)
    left = [feature("hole", at, UP, rng.uniform(8, 30)) for at in places]
    found = [*left, *map(mirrored, left)]
    names = [wanted(f"n{i % len(left)}-{'LR'[i // len(left)]}", f, row=i) for i, f in enumerate(found)]
    assert len(found) == len(names) == COUNT
    seen = [f for f, keep in zip(found, rng.random(COUNT) > 0.05) if keep]
    moved = [wanted(w.name, f, row=w.row, moved=(-611.0, 0, 0)) for w, f in zip(names, found)]
    for words, features, file in (
        ("all seen", found, names),
        ("one in twenty unseen", seen, names),
        ("another x = 0", found, moved),
    ):
        scan = scanned(shaken(features, 0.3, 2))
        start = time.perf_counter()
        made = points(scan, a_datum(), file, PointsSettings())
        seconds = time.perf_counter() - start
        named = sum(p.state == "measured" for p in made.points)
        print(f"{words}: {len(file)} names on {len(features)} features, {named} measured points, {seconds:.2f} s")


if __name__ == "__main__":
    main()
