"""Parts as solids: STL, and STEP by its own tessellation."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.records import Array, Shape
from barerail.store import stl

if TYPE_CHECKING:
    from OCP.TopoDS import TopoDS_Shape

OFF_MM = 0.05
"""How far a STEP's triangles may lie off its curved faces."""
TURN = 0.2
STEP = (".step", ".stp")
MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}


def shape(path: Path, unit: str = "mm") -> Shape:
    """A part's triangles in mm. unit: of an STL, which states none; STEP states its own.

    UsageError for another kind of file, DataError for one without surface.
    """
    if not path.exists():
        raise UsageError(f"can't read the part {path}: no such file")
    ending = path.suffix.lower()
    if ending == ".stl":
        raw = stl.read(path)
        if raw.triangles is None or not len(raw.triangles):
            raise DataError(f"{path.name} holds no triangles")
        return Shape(path.name, np.asarray(raw.points) * MM_PER[unit], raw.triangles.astype(np.int64), 0.0)
    if ending in STEP:
        if unit != "mm":
            raise UsageError(f"{path.name}: STEP states its own unit; leave --unit away")
        vertices, triangles = _tessellated(_step(path))
        if not len(triangles):
            raise DataError(f"{path.name} holds no faces: a part's solid or surface is needed")
        return Shape(path.name, vertices, triangles, OFF_MM)
    raise UsageError(f"{path.name}: a part's shape is an .stl or a .step file")


def _step(path: Path) -> "TopoDS_Shape":
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.Interface import Interface_Static
    from OCP.Message import Message, Message_PrinterOStream
    from OCP.STEPControl import STEPControl_Reader

    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())  # it talks on stdout
    reader = STEPControl_Reader()
    Interface_Static.SetCVal_s("xstep.cascade.unit", "MM")
    if reader.ReadFile(str(path)) != IFSelect_RetDone or not reader.TransferRoots():
        raise UsageError(f"{path.name} is no STEP file that can be read")
    return reader.OneShape()


def _tessellated(solid: "TopoDS_Shape") -> tuple[Array, NDArray[np.int64]]:
    """Vertices and triangles of all faces; equal corners of neighbouring faces are one."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    BRepMesh_IncrementalMesh(solid, OFF_MM, False, TURN, False)
    points: list[tuple[float, float, float]] = []
    corners: list[tuple[int, ...]] = []
    faces = TopExp_Explorer(solid, TopAbs_FACE)
    while faces.More():
        face, placed = TopoDS.Face(faces.Current()), TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, placed)
        if mesh is not None:
            first, turn = len(points), face.Orientation() == TopAbs_REVERSED
            for i in range(1, mesh.NbNodes() + 1):
                p = mesh.Node(i).Transformed(placed.Transformation())
                points.append((p.X(), p.Y(), p.Z()))
            for i in range(1, mesh.NbTriangles() + 1):
                a, b, c = mesh.Triangle(i).Get()
                corners.append(tuple(first + k - 1 for k in ((a, c, b) if turn else (a, b, c))))
        faces.Next()
    rounded, index = np.unique(np.round(np.array(points).reshape(-1, 3), 6), axis=0, return_inverse=True)
    triangles = index.reshape(-1)[np.array(corners, np.int64).reshape(-1, 3)]
    return rounded, triangles[(triangles != np.roll(triangles, 1, axis=1)).all(axis=1)]
