"""points.step read back through the XDE reader: names, unit, places to 1e-6 mm, circles, rods, faces."""

import numpy as np
import pytest
from outputs_case import FACE_RING, LEFT, ODD_NAMES, datum, features, mount_points, point

from barerail.outputs.step import points_step
from barerail.records import MountPoints

OCP = pytest.importorskip("OCP.STEPCAFControl")
PLANES = {"datum plane x = 0", "datum plane y = 0", "datum plane z = 0"}


def opened(data: bytes, folder) -> tuple[list[str], dict]:
    """Names of the free shapes, and every part by name, in mm."""
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDF import TDF_ChildIterator
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

    def name(label) -> str:
        found = TDataStd_Name()
        assert label.FindAttribute(TDataStd_Name.GetID_s(), found)
        return found.Get().ToExtString()

    path = folder / "points.step"
    path.write_bytes(data)
    document = TDocStd_Document(TCollection_ExtendedString("read"))
    reader = OCP.STEPCAFControl_Reader()
    reader.SetNameMode(True)
    reader.ReadFile(str(path))
    assert reader.Transfer(document)
    children = TDF_ChildIterator(XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).BaseLabel(), False)
    free, parts = [], {}
    while children.More():
        label = children.Value()
        if XCAFDoc_ShapeTool.IsFree_s(label):
            free.append(name(label))
        else:
            parts[name(label)] = XCAFDoc_ShapeTool.GetShape_s(label)
        children.Next()
    return free, parts


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    return opened(points_step(mount_points(), features(), datum()), tmp_path_factory.mktemp("step"))[1]


def pieces(shape, kind: str, apart_from: str = "SHAPE") -> list:
    from OCP import TopAbs
    from OCP.TopExp import TopExp_Explorer

    explorer = TopExp_Explorer(shape, getattr(TopAbs, f"TopAbs_{kind}"), getattr(TopAbs, f"TopAbs_{apart_from}"))
    found = []
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def place(vertex) -> np.ndarray:
    from OCP.BRep import BRep_Tool
    from OCP.TopoDS import TopoDS

    p = BRep_Tool.Pnt_s(TopoDS.Vertex(vertex))
    return np.array([p.X(), p.Y(), p.Z()])


def circle(edge) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Centre, axis and diameter of a circular edge."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.GeomAbs import GeomAbs_Circle
    from OCP.TopoDS import TopoDS

    curve = BRepAdaptor_Curve(TopoDS.Edge(edge))
    if curve.GetType() != GeomAbs_Circle:
        return None
    c = curve.Circle()
    at, axis = c.Location(), c.Axis().Direction()
    return np.array([at.X(), at.Y(), at.Z()]), np.array([axis.X(), axis.Y(), axis.Z()]), 2 * c.Radius()


def mass(shape, what: str) -> tuple[float, np.ndarray]:
    """Length, area or volume of `shape` and its centre."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    kind = {"length": "Linear", "area": "Surface", "volume": "Volume"}[what]
    getattr(BRepGProp, f"{kind}Properties_s")(shape, properties)
    c = properties.CentreOfMass()
    return properties.Mass(), np.array([c.X(), c.Y(), c.Z()])


def test_one_assembly_of_parts_with_their_names(tmp_path):
    free, parts = opened(points_step(mount_points(), features(), datum()), tmp_path)
    located = {p.name for p in mount_points().points if p.state == "measured"}
    assert free == ["mounting points, mm, x forward, y left, z up"]
    assert set(parts) == located | PLANES and set(ODD_NAMES) <= set(parts)


def test_each_part_holds_its_point_and_a_ball(parts):
    for p in mount_points().points:
        if p.state == "measured":
            (vertex,) = pieces(parts[p.name], "VERTEX", "EDGE")
            np.testing.assert_allclose(place(vertex), p.position, rtol=0, atol=1e-6)
            volume, centre = mass(pieces(parts[p.name], "SOLID")[0], "volume")
            assert volume == pytest.approx(np.pi * 4**3 / 6, rel=1e-6)
            np.testing.assert_allclose(centre, p.position, rtol=0, atol=1e-6)


def test_left_is_left(parts):
    for p in mount_points().points:
        if p.state == "measured" and p.side in "LR":
            (vertex,) = pieces(parts[p.name], "VERTEX", "EDGE")
            assert place(vertex)[1] * {"L": 1, "R": -1}[p.side] > 20


def test_holes_are_circles_to_snap_to(parts):
    hole = mount_points().points[0]
    found = [circle(edge) for edge in pieces(parts[LEFT], "EDGE", "FACE")]
    assert len(found) == 2
    for (centre, axis, diameter), end in zip(found, hole.ends):
        np.testing.assert_allclose(centre, end, rtol=0, atol=1e-6)
        np.testing.assert_allclose(axis, hole.axis, atol=1e-9)
        assert diameter == pytest.approx(10.5, abs=1e-9)


@pytest.mark.parametrize(("name", "length"), [("-L rail", 46.0), (ODD_NAMES[5], 700.0), ("=1+1", 25.0)])
def test_axes_are_rods_of_their_length(parts, name, length):
    volume, centre = mass(pieces(parts[name], "SOLID")[1], "volume")
    assert volume / np.pi == pytest.approx(length, rel=1e-6)  # a rod of 2 mm
    p = next(p for p in mount_points().points if p.name == name)
    middle = p.position + (p.axis * length / 2 if p.kind == "stud" else 0)
    np.testing.assert_allclose(centre, middle, rtol=0, atol=1e-6)


def test_slot_is_an_outline_of_its_length(parts):
    edges = pieces(parts["x=1; y"], "EDGE", "FACE")
    assert sum(mass(edge, "length")[0] for edge in edges) == pytest.approx(2 * 12 + np.pi * 9, rel=1e-9)
    rounds = [found for found in map(circle, edges) if found]
    np.testing.assert_allclose(np.linalg.norm(rounds[0][0] - rounds[1][0]), 12.0, atol=1e-9)


def test_a_face_is_bounded_by_its_outline(parts):
    face = pieces(parts["pad"], "FACE", "SOLID")
    area, centre = mass(face[0], "area")
    assert len(face) == 1 and area == pytest.approx(2400.0, rel=1e-9)
    np.testing.assert_allclose(centre, FACE_RING.mean(0), rtol=0, atol=1e-6)


def test_datum_planes_reach_past_every_point(parts):
    for k, name in enumerate(sorted(PLANES)):
        corners = np.array([place(v) for v in pieces(parts[name], "VERTEX")])
        np.testing.assert_allclose(corners[:, k], 0, atol=1e-9)
        at = np.array([p.position for p in mount_points().points if p.state == "measured"])
        corners, at = np.delete(corners, k, 1), np.delete(at, k, 1)
        assert np.all(corners.min(0) < at.min(0)) and np.all(corners.max(0) > at.max(0))


def test_header_says_unit_axes_and_guesses_and_no_time():
    data = points_step(mount_points(), features(), datum(assumed=("unit",), origin="x = 0: 'Träger'")).decode("ascii")
    assert "SI_UNIT(.MILLI.,.METRE.)" in data and "'unit: mm, angles deg'" in data
    assert "UNCONFIRMED: unit guessed" in data and "PRODUCT('UNCONFIRMED mounting points" in data
    assert "origin: x = 0: ''Tr\\X2\\00E4\\X0\\ger''" in data
    assert "FILE_NAME('mounting points',''," in data


def test_same_bytes_and_nothing_on_stdout(capfd):
    assert points_step(mount_points(), features(), datum()) == points_step(mount_points(), features(), datum())
    assert capfd.readouterr() == ("", "")


def test_long_names_survive(tmp_path):
    names = ["ä" * 120, "日本 " * 40 + "end", "😀" * 50]
    made = MountPoints(tuple(point(n, "hole", (1.0, 30.0 * i, 2), (0.0, 0, 1)) for i, n in enumerate(names)), ())
    assert set(names) <= set(opened(points_step(made, features(), datum()), tmp_path)[1])


def test_nothing_found_still_writes_the_datum_planes(tmp_path):
    assert set(opened(points_step(MountPoints((), ()), features(), datum()), tmp_path)[1]) == PLANES
