"""Mounting faces of simulated scans against the flats of the solids they were scanned from.

    python tests/speed/faces.py --scenes 4 --seed 1000
    python tests/speed/faces.py --scenes 2 --seed 1000 --fuse

Truth: the centroid of the outer ring of each flat of the chassis' solid, by its triangles, as the scan shows it. A face
with no flat of its own within REACH_MM is clutter's, or a flat cut in two by what is welded across it: counted apart.
"""

import argparse
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import trimesh

from barerail.geometry.frames import basis
from barerail.records import Array
from barerail.scene import SceneCase, make
from barerail.scene.simulate import World
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

REACH_MM, LEAST_MM2 = 12.0, 600.0


class Flat(NamedTuple):
    """A flat of the solid: centroid of its outer ring and outward normal, as scanned."""

    middle: Array
    normal: Array


def case_of(seed: int, fuse: bool) -> SceneCase:
    sort = ("ladder", "perimeter", "channel", "tube")[seed % 4]
    if fuse:
        return SceneCase(sort, seed=seed, scan_seed=seed, small=True, scanner="fuse", spacing_mm=2.4)
    return SceneCase(sort, seed=seed, scan_seed=seed, small=True, spacing_mm=2.2, drift_mm=0.05)


def flats(world: World) -> list[Flat]:
    body = world.chassis.body.to_mesh64()
    mesh = trimesh.Trimesh(np.asarray(body.vert_properties)[:, :3], np.asarray(body.tri_verts), process=True)
    mesh.merge_vertices(digits_vertex=6)
    out = []
    for rows, area in zip(mesh.facets, mesh.facets_area):
        if area < LEAST_MM2:
            continue
        normal = mesh.face_normals[rows[0]]
        plane = basis(normal)
        local = [_polygon(mesh.vertices[ring] @ plane[:2].T) for ring in _rings(mesh.faces[rows])]
        middle = max(local, key=lambda one: abs(one[0]))[1]
        height = float(mesh.vertices[mesh.faces[rows[0]][0]] @ normal)
        out.append(Flat(world.seen((middle @ plane[:2] + height * normal)[None])[0], world.pose[:3, :3] @ normal))
    return out


def _rings(faces: Array) -> Iterator[list[int]]:
    """Closed chains of the corners along the border of triangles (n, 3)."""
    edges = {(int(a), int(b)) for a, b in faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)}
    follows = {a: b for a, b in sorted(edges) if (b, a) not in edges}
    while follows:
        ring = [min(follows)]
        while ring[-1] in follows:
            ring.append(follows.pop(ring[-1]))
        yield ring


def _polygon(xy: Array) -> tuple[float, Array]:
    """Signed area and centroid (2,) of corners (n, 2)."""
    after = np.roll(xy, -1, axis=0)
    cross = xy[:, 0] * after[:, 1] - after[:, 0] * xy[:, 1]
    area = float(cross.sum()) / 2
    return area, ((xy + after) * cross[:, None]).sum(axis=0) / (6 * area if area else np.nan)


def errors(seed: int, fuse: bool) -> tuple[list[tuple[float, ...]], int]:
    """Of each face along its normal and in its plane both ways: error, mm, and over u; and how many have no flat."""
    case = case_of(seed, fuse)
    true, found = flats(World(case)), fit(clean(make(case).scan, Settings().clean), Settings().fit).found
    rows, without = [], 0
    for f in (f for f in found if f.kind == "face"):
        alike = [t for t in true if t.normal @ f.axis > 0.99 and abs((t.middle - f.point) @ f.axis) < 2.0]
        near = min(alike, key=lambda t: float(np.linalg.norm(t.middle - f.point)), default=None)
        if near is None or np.linalg.norm(near.middle - f.point) > REACH_MM:
            without += 1
            continue
        axes = basis(f.axis)
        off = axes @ (f.point - near.middle)
        rows.append((*off, *(off / np.sqrt(np.diag(axes @ f.cov @ axes.T)))))
    return rows, without


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--scenes", type=int, default=4)
    ask.add_argument("--seed", type=int, default=1000)
    ask.add_argument("--fuse", action="store_true")
    asked = ask.parse_args()
    rows: list[tuple[float, ...]] = []
    for seed in range(asked.seed, asked.seed + asked.scenes):
        more, without = errors(seed, asked.fuse)
        rows += more
        print(f"{seed}: {len(more)} faces with a flat of their own, {without} without", flush=True)
    table = np.array(rows).reshape(-1, 6)
    for word, error, score in (("in the plane", table[:, :2], table[:, 3:5]), ("along", table[:, 2:3], table[:, 5:])):
        size = np.linalg.norm(error, axis=1)
        print(f"{word}: off by {np.median(size):.3f} mm (median), {np.quantile(size, 0.95):.3f} (95 %), "
              f"{100 * np.mean(np.abs(score) <= 2):.0f} % of {score.size} inside k = 2, rms of error / u "
              f"{np.sqrt(np.mean(score**2)):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
