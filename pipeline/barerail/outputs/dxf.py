"""Points as DXF R2010 (AC1024): 3D points, axes, circles in their true planes, labels; a layer a kind and side."""

from typing import TYPE_CHECKING, Any

import numpy as np

from barerail.outputs.header import header_lines, states
from barerail.outputs.repeat import dxf_text
from barerail.outputs.shapes import axis_ends, circles, located, slot_corners
from barerail.outputs.words import AXES, one_line
from barerail.records import CONSTRUCTED, KINDS, Array, Datum, MountPoint, MountPoints

if TYPE_CHECKING:
    from ezdxf.layouts import Modelspace

APPLICATION = "BARERAIL"
TEXT_MM = 8.0
AXIS_MM = 200.0
COLOURS = {kind: 20 + 20 * i for i, kind in enumerate((*KINDS, *CONSTRUCTED))}
"""Layer colour a kind: a DXF colour index, spread evenly over the hues."""


def points_dxf(points: MountPoints, datum: Datum) -> bytes:
    """The points as DXF in mm ($INSUNITS 4), UTF-8. Layers: KIND-SIDE, labels on LABEL, axes and header on DATUM.

    A point's layer holds a POINT, its axis as LINE, each hole as CIRCLE, a slot as closed LWPOLYLINE; extended data of
    the application BARERAIL on the POINT hold its exact name, kind, side and state.
    """
    import ezdxf

    fixed = ezdxf.options.write_fixed_meta_data_for_testing  # its only way to leave dates and GUIDs out
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        return _write(points, datum)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _write(points: MountPoints, datum: Datum) -> bytes:
    import ezdxf
    from ezdxf import units

    document = ezdxf.new("R2010", units=units.MM)
    document.appids.add(APPLICATION)
    document.header["$PDMODE"], document.header["$PDSIZE"] = 35, 4.0
    space = document.modelspace()
    for name, colour in (("LABEL", 7), ("DATUM", 8)):
        document.layers.add(name, color=colour)
    for p in filter(located, points.points):
        layer = f"{p.kind}-{p.side}".upper()
        if layer not in document.layers:
            document.layers.add(layer, color=COLOURS[p.kind])
        _add_point(space, p, layer)
    _add_datum(space, points, datum)
    return dxf_text(document).encode()


def _add_point(space: "Modelspace", p: MountPoint, layer: str) -> None:
    on = {"layer": layer}
    texts = [(1000, one_line(text)[:200]) for text in (p.name, p.kind, p.side, p.state)]
    space.add_point(p.position, dxfattribs=on).set_xdata(APPLICATION, texts)
    ends = axis_ends(p)
    if ends is not None:
        space.add_line(*ends, dxfattribs=on)
    for centre in circles(p):
        plane, flat = _in_plane(p.axis, centre)
        space.add_circle(flat[0], p.diameter / 2, dxfattribs=on | plane)
    corners = slot_corners(p)
    if corners is not None:
        plane, flat = _in_plane(p.axis, *corners)
        bulged = [(*xy, bulge) for xy, bulge in zip(flat[:, :2], (0, 1, 0, 1))]
        space.add_lwpolyline(bulged, "xyb", close=True, dxfattribs=on | plane | {"elevation": flat[0, 2]})
    _add_text(space, p.name, p.position + TEXT_MM / 2, "LABEL")


def _in_plane(axis: Array, *points: Array) -> tuple[dict[str, Any], Array]:
    """Extrusion for entities across `axis`, and `points` (k, 3) in its object coordinates."""
    from ezdxf.math import OCS

    return {"extrusion": axis}, np.array([tuple(q) for q in OCS(axis).points_from_wcs(points)])


def _add_text(space: "Modelspace", text: str, at: Array, layer: str) -> None:
    """`text` as it reads: the carets and double percent signs of DXF are escaped."""
    safe = one_line(text).replace("^", "^ ").replace("%%", "%%%%%%")
    space.add_text(safe, height=TEXT_MM, dxfattribs={"layer": layer, "insert": at})


def _add_datum(space: "Modelspace", points: MountPoints, datum: Datum) -> None:
    """The car axes as lines with their words, and the header as text below everything."""
    for axis, letter, word in zip(np.eye(3), "xyz", AXES[datum.axes]):
        space.add_line((0, 0, 0), AXIS_MM * axis, dxfattribs={"layer": "DATUM"})
        _add_text(space, f"{letter} {word}", (AXIS_MM + TEXT_MM) * axis, "DATUM")
    low = np.min([np.zeros(3), *(p.position for p in points.points if located(p))], axis=0)
    lines = list(header_lines("mounting points", datum, **states(points)))
    if AXES[datum.axes][2] == "down":
        lines.insert(0, "z counts down: seen from +z this drawing shows the car from below")
    for row, line in enumerate(lines, 4):
        _add_text(space, line, low - (0.0, 2 * TEXT_MM * row, 0.0), "DATUM")
