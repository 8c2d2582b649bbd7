"""The whole way to found holes on the cases with known truth beside the checkout.

What is wanted: 0.98 of the holes that the scan shows, at a median of 0.10 mm. Of 28 holes each of these scans shows 26.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.store import readers

CASES = Path(__file__).resolve().parents[2].parent / "shared" / "cases"
SHOWN = 26


@pytest.mark.parametrize("name", ["ladder-sampled", "ladder-twisted"])
def test_the_holes_are_found_where_they_are(name: str) -> None:
    if not (CASES / name).exists():
        pytest.skip(f"{name} is not beside the checkout")
    settings = Settings()
    found = fit(clean(readers.read([CASES / name / "scan.ply"], "mm"), settings.clean), settings.fit).found
    holes = [f for f in found if f.kind == "hole"]
    miss = []
    for true in json.loads((CASES / name / "truth.json").read_text())["features"]:
        if true["kind"] == "hole":
            axis = np.array(true["axis"])
            off = [np.cross(f.point - true["p"], axis) for f in holes if abs((f.point - true["p"]) @ axis) < 8]
            miss.append(min((float(np.linalg.norm(o)) for o in off), default=np.inf))
    near = [m for m in miss if m < 1.0]
    assert len(near) >= 0.98 * SHOWN
    assert np.median(near) < 0.1 and len(holes) <= SHOWN + 3
