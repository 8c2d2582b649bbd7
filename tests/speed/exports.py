"""Seconds each export takes to be written, and whether another reader finds in it what was written.

    python tests/speed/exports.py --points 1000

1 000 points made by hand and a simulated mesh of some 300 000 triangles; off: largest difference of coordinates, mm.
"""

import argparse
import csv
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "flow"))
from outputs_case import datum, features, many_points

from barerail.geometry.frames import transform
from barerail.outputs.bundle import export
from barerail.records import Array, CleanScan, MountPoints
from barerail.scene import SceneCase, make
from barerail.settings import ExportSettings, Settings
from barerail.stages.clean import clean

SIDES = ("left", "right", "centre")
Read = Callable[[Path], tuple[int, Array]]
"""From a file how many parts it has and their places (n, 3), mm."""


def from_csv(path: Path) -> tuple[int, Array]:
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return len(rows), np.array([[float(r[f"{k}_mm"]) for k in "xyz"] for r in rows])


def from_json(path: Path) -> tuple[int, Array]:
    points = json.loads(path.read_text("utf-8"))["points"]
    return len(points), np.array([[p[f"{k}_mm"] for k in "xyz"] for p in points], float)


def from_axes(path: Path) -> tuple[int, Array]:
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    found = [[float(r[f"{s}_{k}_mm"]) for k in "xyz"] for r in rows for s in SIDES if r.get(f"{s}_x_mm")]
    return len(found), np.array(found)


def from_dxf(path: Path) -> tuple[int, Array]:
    import ezdxf

    drawing = ezdxf.readfile(path)
    if drawing.audit().errors:
        sys.exit("points.dxf has errors")
    found = np.array([tuple(e.dxf.location) for e in drawing.modelspace().query("POINT")])
    return len(found), found


def from_step(path: Path) -> tuple[int, Array]:
    """Middles of the balls of 4 mm that stand at the points, by gmsh."""
    import gmsh

    gmsh.initialize()
    gmsh.option.setNumber("General.Terminal", 0)
    gmsh.model.occ.importShapes(str(path))
    gmsh.model.occ.synchronize()
    tags = [t for _, t in gmsh.model.getEntities(3) if abs(gmsh.model.occ.getMass(3, t) - np.pi * 4**3 / 6) < 1e-4]
    found = np.array([gmsh.model.occ.getCenterOfMass(3, t) for t in tags])
    gmsh.finalize()
    return len(tags), found


def from_mesh(path: Path) -> tuple[int, Array]:
    import trimesh

    read = trimesh.load(path, process=False, maintain_order=True)
    mesh = read.to_geometry() if isinstance(read, trimesh.Scene) else read
    places = np.asarray(mesh.vertices, float)
    if path.suffix == ".glb":  # metres, y up, z forward: glTF 2.0, 3.4
        places = 1000 * places[:, [2, 0, 1]]
    return len(mesh.faces), places


READERS: dict[str, tuple[str, Read]] = {
    "csv": ("csv", from_csv),
    "json": ("json", from_json),
    "axes": ("csv", from_axes),
    "dxf": ("ezdxf", from_dxf),
    "step": ("gmsh", from_step),
    "ply": ("trimesh", from_mesh),
    "stl": ("trimesh", from_mesh),
    "obj": ("trimesh", from_mesh),
    "glb": ("trimesh", from_mesh),
}


def off(form: str, found: Array, points: MountPoints, scan: CleanScan) -> float:
    """Largest distance of a place found from the nearest one written, and the other way about."""
    from scipy.spatial import cKDTree

    if form in ("ply", "stl", "obj", "glb"):
        written = transform(datum().car_from_scan, scan.scan.points)
    else:
        written = np.array([p.position for p in points.points if form != "axes" or p.kind == "bolt-axis"])
    return float(max(cKDTree(a).query(b)[0].max() for a, b in ((written, found), (found, written))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=1000)
    asked = parser.parse_args()
    points = many_points(asked.points)
    scan = clean(make(SceneCase("ladder", seed=5, small=True, scanner="fuse")).scan, Settings().clean)
    triangles = scan.scan.triangles
    print(f"{len(points.points)} points, {0 if triangles is None else len(triangles)} triangles")
    print(f"{'format':<8}{'write s':>9}{'cpu s':>8}{'MB':>8}  {'reader':<9}{'read s':>8}{'parts':>9}{'off mm':>11}")
    with tempfile.TemporaryDirectory() as folder:
        for form, (reader, read) in READERS.items():
            start, busy = time.perf_counter(), time.process_time()
            settings = ExportSettings(formats=(form,))  # type: ignore[arg-type]
            ((name, data),) = export(scan, features(), datum(), points, settings).files.items()
            wrote, busy = time.perf_counter() - start, time.process_time() - busy
            path = Path(folder) / Path(name).name
            path.write_bytes(data if isinstance(data, bytes) else b"".join(data))
            start = time.perf_counter()
            parts, found = read(path)
            took = time.perf_counter() - start
            size, far = path.stat().st_size / 1e6, off(form, found, points, scan)
            row = f"{form:<8}{wrote:>9.2f}{busy:>8.2f}{size:>8.2f}  {reader:<9}{took:>8.2f}{parts:>9}{far:>11.7f}"
            print(row, flush=True)


if __name__ == "__main__":
    main()
