"""Solids and faces of the STEP file beyond its points: rails as they were seen, and the faces that holes sit in."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.outputs.shapes import located
from barerail.records import Array, Datum, Features, MountPoint, MountPoints, Rail, Station

if TYPE_CHECKING:
    from OCP.TopoDS import TopoDS_Shape, TopoDS_Wire

SAME_MM, NEAR_MM = 0.01, 60.0
SITS_IN_FACES = ("hole", "slot", "stud")
NAMED = 3
"""Most names in the name of a face."""


def rail_solid(p: MountPoint, features: Features, datum: Datum) -> "TopoDS_Shape | None":
    """The rail that `p` is a point of: its outside from station to station, a box's or channel's corners sharp.

    A width that a station didn't show is the median of the rail's others. None where none was seen, or at one station.
    """
    for rail in features.rails:
        if len(rail.stations) > 1 and _holds(rail, p, datum):
            if rail.section == "tube":
                return _loft([_circle(s, datum) for s in rail.stations])
            corners = _corners(rail, datum)
            return None if np.isnan(corners).any() else _loft([_polygon(ring) for ring in corners])
    return None


def _holds(rail: Rail, p: MountPoint, datum: Datum) -> bool:
    """Whether a point was read off the rail: at a station, or near one along its axis."""
    off = p.position - transform(datum.car_from_scan, np.array([s.centre for s in rail.stations]))
    ways = direction(datum.car_from_scan, np.array([s.axes[0] for s in rail.stations]))
    near = int(np.argmin(np.linalg.norm(off, axis=1)))
    return bool(np.linalg.norm(np.cross(off[near], ways[near])) < SAME_MM and np.linalg.norm(off[near]) < NEAR_MM)


def _corners(rail: Rail, datum: Datum) -> Array:
    """Four corners of each station (k, 4, 3), the same way round at each."""
    sizes = np.array([s.size for s in rail.stations])
    known = np.isfinite(sizes)
    for i in range(2):
        if known[:, i].any():
            sizes[~known[:, i], i] = np.median(sizes[known[:, i], i])
    out, last = [], None
    for s, size in zip(rail.stations, sizes):
        b, c = direction(datum.car_from_scan, s.axes[1:])
        if last is not None and b @ last < 0:
            b, c = -b, -c
        last = b
        half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * size / 2
        out.append(transform(datum.car_from_scan, s.centre) + half @ np.array([b, c]))
    return np.array(out)


def _polygon(ring: Array) -> "TopoDS_Wire":
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakePolygon
    from OCP.gp import gp_Pnt

    wire = BRepBuilderAPI_MakePolygon()
    for corner in ring:
        wire.Add(gp_Pnt(*map(float, corner)))
    wire.Close()
    return wire.Wire()


def _circle(s: Station, datum: Datum) -> "TopoDS_Wire":
    """The outside of a round tube at a station; it starts on the section's b, so that the loft doesn't turn."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt

    at = gp_Pnt(*map(float, transform(datum.car_from_scan, s.centre)))
    along, b = (gp_Dir(*map(float, v)) for v in direction(datum.car_from_scan, s.axes[:2]))
    edge = BRepBuilderAPI_MakeEdge(gp_Circ(gp_Ax2(at, along, b), s.size[0] / 2)).Edge()
    return BRepBuilderAPI_MakeWire(edge).Wire()


def _loft(wires: "Sequence[TopoDS_Wire]") -> "TopoDS_Shape":
    from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections

    loft = BRepOffsetAPI_ThruSections(True, True)
    for wire in wires:
        loft.AddWire(wire)
    loft.Build()
    return loft.Shape()


def hole_faces(points: MountPoints, features: Features, datum: Datum) -> Iterator[tuple[str, Array]]:
    """Name and ring of corners (k, 3) of each flat face that a hole, slot or stud sits in: the hull of what is seen."""
    sitting: dict[int, list[MountPoint]] = defaultdict(list)
    for p in filter(located, points.points):
        if p.kind in SITS_IN_FACES and p.feature >= 0 and features.found[p.feature].plane >= 0:
            sitting[features.found[p.feature].plane].append(p)
    for index, held in sitting.items():
        names = ", ".join(p.name for p in held[:NAMED]) + (" ..." if len(held) > NAMED else "")
        ring = transform(datum.car_from_scan, features.planes[index].outline)
        if len(ring) >= 3:
            yield f"face of {names}", ring
