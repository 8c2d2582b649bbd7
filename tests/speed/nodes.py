"""How many nodes of tubes are found, how true they and the bends of a hoop are, and what U says of that.

    python tests/speed/nodes.py --seeds 70 71 72 --spacing 2.8 2.2 1.6
    python tests/speed/nodes.py --seeds 73 --fused

Each scene is a small space frame with a hoop of two bends (114 mm, 88 degrees), its spacing that of its place in the
list. A node counts where both its tubes were found; near passes are nodes of tubes that don't touch but lie less than
CLEAR_MM apart, false ones all others. Places are against where the scan shows them, its drift of
0.08 mm included; U: k = 2, of the fit alone. Seeds from 1000 on are for final
figures and are never developed on.
"""

import argparse
from itertools import cycle

import numpy as np
from matching import matched

from barerail.records import Features
from barerail.scene import SceneCase, make
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.stages.fit.nodes import CLEAR_MM

DRIFT_MM = 0.08


def scene(seed, spacing, fused):
    """Errors over U of node places and bend radii; counts."""
    made = make(SceneCase("tube", seed=seed, scan_seed=seed, small=True, hoop=True, spacing_mm=spacing,
                          scanner="fuse" if fused else "sample"))  # fmt: skip
    features = fit(clean(made.scan, CleanSettings()), FitSettings(drift_mm=DRIFT_MM, drift_mm_per_m=0.0))
    name, sizes = named(features, made.truth)
    true = {frozenset(n["tubes"]): n for n in made.truth["nodes"]}
    got = {frozenset(name.get(i, str(i)) for i in f.members): f for f in features.found if f.kind == "tube-node"}
    due = [k for k in true if k <= set(name.values())]
    extra = [k for k in got if k not in true]
    near = [
        k for k in extra if k <= set(sizes) and 0 < got[k].detail["gap_mm"] - sum(sizes[t] for t in k) / 2 < CLEAR_MM
    ]
    hit = [(got[k], true[k]) for k in got if k in true]
    place = np.array([f.point - np.array(t["p"]) for f, t in hit])
    u = np.sqrt([np.diag(f.cov) for f, _ in hit])
    gap = np.array([f.detail["gap_mm"] - t["gap"] for f, t in hit]) / [f.detail["u_gap_mm"] for f, _ in hit]
    print(f"{seed}: {'fused' if fused else spacing}, tubes {len(set(name.values()))} of {len(sizes)}")
    told(f"  nodes {sum(k in got for k in due)} of {len(due)}, near passes {len(near)}, false {len(extra) - len(near)}",
         place, u)  # fmt: skip
    print(f"  gap within k = 2 {100 * np.mean(np.abs(gap) < 2):.0f} %")
    bends = bends_of(features, made.truth)
    print(f"  bends {len(bends)} of 2: " + ", ".join(f"{e:+.2f} mm (U {2 * s:.2f})" for e, s in bends), flush=True)
    return place, u, bends


def named(features: Features, truth):
    """Name of each true tube that was found, by its row, and every true tube's diameter by name."""
    tubes = [i for i, f in enumerate(features.found) if f.kind == "tube"]
    true = [t for t in truth["features"] if t["kind"] == "tube"]
    pairs = matched([features.found[i] for i in tubes], true)
    return {tubes[i]: true[j]["name"] for i, j in pairs}, {t["name"]: t["d"] for t in true}


def bends_of(features: Features, truth):
    """Error and standard uncertainty of the radius of each bend, mm."""
    true = [(np.mean(t["path"], axis=0), t["radius"]) for t in truth["features"] if t["kind"] == "bend"]
    found = [b for tube in features.bent for b in tube.bends]
    near = [min(true, key=lambda t, b=b: np.linalg.norm(t[0] - b.arc.mean(0))) for b in found]
    return [(b.radius - r, b.u_radius) for b, (_, r) in zip(found, near)]


def told(words, place, u):
    size, score = np.linalg.norm(place, axis=1), np.abs(place / u)
    print(f"{words}, off by {np.median(size):.3f} / {np.quantile(size, 0.95):.3f} / {size.max():.3f} mm (median, 95 %, "
          f"most), within k = 2 {100 * (score < 2).mean():.0f} %, rms {np.sqrt((score**2).mean()):.2f}")  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--seeds", type=int, nargs="+", default=[70, 71, 72])
    ask.add_argument("--spacing", type=float, nargs="+", default=[2.8, 2.2, 1.6])
    ask.add_argument("--fused", action="store_true")
    a = ask.parse_args()
    done = [scene(seed, spacing, a.fused) for seed, spacing in zip(a.seeds, cycle(a.spacing))]
    told("all nodes", *(np.concatenate(part) for part in list(zip(*done))[:2]))
    ratio = np.array([abs(e) / s for *_, bends in done for e, s in bends])
    rms = np.sqrt((ratio**2).mean())
    print(f"bend radii within k = 2: {(ratio < 2).sum()} of {len(ratio)}, rms of error / u {rms:.2f}")


if __name__ == "__main__":
    main()
