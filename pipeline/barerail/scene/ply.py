"""The scan file: binary little-endian PLY."""

import numpy as np

from barerail.records import Scan


def encode(scan: Scan) -> bytes:
    """float32 x y z [nx ny nz] in the scan's unit, faces where it is a mesh, a comment with the unit."""
    columns = [scan.points / scan.mm_per_unit] + ([] if scan.normals is None else [scan.normals])
    vertex = np.hstack(columns).astype("<f4")
    head = ["ply", "format binary_little_endian 1.0", "comment simulated", f"comment unit: {scan.unit}"]
    names = ("x", "y", "z", "nx", "ny", "nz")[: vertex.shape[1]]
    head += [f"element vertex {len(vertex)}", *(f"property float {c}" for c in names)]
    body = [vertex.tobytes()]
    if scan.triangles is not None:
        head += [f"element face {len(scan.triangles)}", "property list uchar int vertex_indices"]
        face = np.empty(len(scan.triangles), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
        face["n"], face["v"] = 3, scan.triangles
        body.append(face.tobytes())
    return "\n".join([*head, "end_header\n"]).encode() + b"".join(body)
