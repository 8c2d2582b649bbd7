"""Points as STEP (ISO 10303-214, mm): one assembly with one named part a feature, and the three datum planes."""

import io
import re
from collections.abc import Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from barerail.geometry.frames import transform
from barerail.outputs.header import header_fields, states
from barerail.outputs.shapes import axis_ends, circles, datum_planes, located, slot_corners
from barerail.outputs.step_solids import hole_faces, rail_solid
from barerail.outputs.words import axes_words, one_line
from barerail.records import TWO_FACED, Array, Datum, Features, MountPoint, MountPoints

if TYPE_CHECKING:
    from OCP.gp import gp_Ax2, gp_Pnt
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopoDS import TopoDS_Shape

BALL_MM = 4.0
ROD_MM = 2.0
HEADER_STRING = 250
"""Most characters of a header string, a little under the 256 of ISO 10303-21."""


def points_step(points: MountPoints, features: Features, datum: Datum) -> bytes:
    """The located points as STEP in the datum's axes, mm.

    A part with its point's name holds a vertex and a ball of 4 mm, a rod along the axis at its length, circular edges
    of the true diameter in each face of a hole and at the ends of an axis, a slot's outline, the face of a `face`, the
    solid of a tube or rail. Further parts: the faces that holes sit in, bounded, and the datum planes.
    """
    parts = [(p.name, _shapes(p, _outline(p, features, datum))) for p in points.points if located(p)]
    for p, (_, shapes) in zip(filter(located, points.points), parts):
        solid = rail_solid(p, features, datum) if p.kind == "rail" else None
        shapes += [solid] if solid is not None else []
    parts += [(name, [_face(ring)]) for name, ring in hole_faces(points, features, datum)]
    parts += [(name, [_face(corners)]) for name, corners in datum_planes(points.points).items()]
    names, shapes = zip(*parts)
    fields = {**header_fields("mounting points", datum), **states(points)}
    title = f"{'UNCONFIRMED ' if 'stamp' in fields else ''}mounting points, mm, {axes_words(datum)}"
    notes = [f"{key}: {text}" for key, text in fields.items()]
    return _named(_written(_assembly(shapes)), [title, *names], notes)


def _shapes(p: MountPoint, outline: Array | None) -> "list[TopoDS_Shape]":
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeVertex
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Circ

    at = _point(p.position)
    shapes = [BRepBuilderAPI_MakeVertex(at).Vertex(), BRepPrimAPI_MakeSphere(at, BALL_MM / 2).Solid()]
    ends = axis_ends(p)
    if ends is not None and p.kind not in TWO_FACED:
        length = float(np.linalg.norm(ends[1] - ends[0]))
        shapes.append(BRepPrimAPI_MakeCylinder(_placed(ends[0], p.axis), ROD_MM / 2, length).Solid())
    shapes += [
        BRepBuilderAPI_MakeEdge(gp_Circ(_placed(centre, p.axis), p.diameter / 2)).Edge() for centre in circles(p)
    ]
    if p.kind == "tube" and ends is not None and p.length > 0 and p.diameter > 0:
        shapes.append(BRepPrimAPI_MakeCylinder(_placed(ends[0], p.axis), p.diameter / 2, float(p.length)).Solid())
    corners = slot_corners(p)
    shapes += _slot_edges(corners, p) if corners is not None else []
    return shapes + ([_face(outline)] if outline is not None else [])


def _slot_edges(corners: Array, p: MountPoint) -> "list[TopoDS_Shape]":
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.gp import gp_Circ

    a, b, c, d = map(_point, corners)
    round_ends = [gp_Circ(_placed(corners[[i, j]].mean(0), p.axis), p.diameter / 2) for i, j in ((1, 2), (3, 0))]
    makers = (
        BRepBuilderAPI_MakeEdge(a, b),
        BRepBuilderAPI_MakeEdge(round_ends[0], b, c),
        BRepBuilderAPI_MakeEdge(c, d),
        BRepBuilderAPI_MakeEdge(round_ends[1], d, a),
    )
    return [maker.Edge() for maker in makers]


def _outline(p: MountPoint, features: Features, datum: Datum) -> Array | None:
    """Ring of corners (k, 3) of the mounting face of a `face`, flattened into its plane, car axes; None for others."""
    if p.kind != "face" or p.feature < 0 or features.found[p.feature].plane < 0:
        return None
    ring = transform(datum.car_from_scan, features.planes[features.found[p.feature].plane].outline)
    flat = ring - np.outer((ring - p.position) @ p.axis, p.axis)
    return flat if len(flat) >= 3 else None


def _face(corners: Array) -> "TopoDS_Shape":
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon

    ring = BRepBuilderAPI_MakePolygon()
    for corner in corners:
        ring.Add(_point(corner))
    ring.Close()
    return BRepBuilderAPI_MakeFace(ring.Wire(), True).Face()


def _point(at: Array) -> "gp_Pnt":
    from OCP.gp import gp_Pnt

    return gp_Pnt(*map(float, at))


def _placed(at: Array, axis: Array) -> "gp_Ax2":
    from OCP.gp import gp_Ax2, gp_Dir

    return gp_Ax2(_point(at), gp_Dir(*map(float, axis)))


def _assembly(parts: "Iterable[Sequence[TopoDS_Shape]]") -> "TDocStd_Document":
    """A document with one assembly of parts, named @0 and @1, @2, ...: the writer would break long names in two.

    Each part is a compound, since a bare vertex loses its name.
    """
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopLoc import TopLoc_Location
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    document = TDocStd_Document(TCollection_ExtendedString("barerail"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    root = tool.NewShape()
    TDataStd_Name.Set_s(root, TCollection_ExtendedString("@0"))
    for number, shapes in enumerate(parts, 1):
        part = tool.AddShape(_compound(shapes), False)
        placed = tool.AddComponent(root, part, TopLoc_Location())
        for label in (part, placed):
            TDataStd_Name.Set_s(label, TCollection_ExtendedString(f"@{number}"))
    tool.UpdateAssemblies()
    return document


def _compound(shapes: "Sequence[TopoDS_Shape]") -> "TopoDS_Shape":
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    compound, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(compound)
    for shape in shapes:
        builder.Add(compound, shape)
    return compound


def _written(document: "TDocStd_Document") -> bytes:
    """The document as a STEP file with the description @ and no time in its header."""
    from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
    from OCP.Message import Message, Message_PrinterOStream
    from OCP.STEPCAFControl import STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_AsIs
    from OCP.TCollection import TCollection_HAsciiString

    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())  # it talks on stdout
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    writer.Transfer(document, STEPControl_AsIs)
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetDescriptionValue(1, TCollection_HAsciiString("@"))
    header.SetName(TCollection_HAsciiString("mounting points"))
    header.SetOriginatingSystem(TCollection_HAsciiString("barerail"))
    for empty in (header.SetTimeStamp, partial(header.SetAuthorValue, 1), partial(header.SetOrganizationValue, 1)):
        empty(TCollection_HAsciiString(""))
    stream = io.BytesIO()
    writer.WriteStream(stream)
    return stream.getvalue()


def _named(data: bytes, names: Sequence[str], notes: Sequence[str]) -> bytes:
    """`data` with its names and header notes put in, and the part of an assembly numbered from this file's start."""
    data = re.sub(rb"(NEXT_ASSEMBLY_USAGE_OCCURRENCE\()'\d+',\s*'@(\d+)'([^;]*;)", _renumbered, data)
    data = re.sub(rb"'@(\d+)'", lambda found: _string(names[int(found[1])]), data)
    pieces = (note[i : i + HEADER_STRING] for note in notes for i in range(0, len(note), HEADER_STRING))
    return data.replace(b"('@')", b"(" + b",\n".join(map(_string, pieces)) + b")", 1)


def _renumbered(found: re.Match[bytes]) -> bytes:
    return found[1] + b"'" + found[2] + b"','@" + found[2] + b"'" + b"".join(found[3].split())


def _string(text: str) -> bytes:
    """`text` as a string of ISO 10303-21: printable ASCII, all else by the \\X2\\ and \\X4\\ directives."""
    inside = re.sub(r"[^ -\[\]-~]", _directive, one_line(text)).replace("'", "''")
    return f"'{inside}'".encode("ascii")


def _directive(found: re.Match[str]) -> str:
    code = ord(found[0])
    return f"\\X2\\{code:04X}\\X0\\" if code < 0x10000 else f"\\X4\\{code:08X}\\X0\\"
