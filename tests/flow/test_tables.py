"""Tables that users type: read as meant, and every fault told with its line and what to do."""

import pytest

from barerail.errors import UsageError
from barerail.store.tables import common_points, measured

SCANS = ("front.ply", "rear.ply")


def test_common_points_stand_in_each_scan_files_own_coordinates():
    text = "# targets\npoint,scan,x,y,z,note\nT1,front.ply,1.5,-2,3,\n\nT1,rear.ply,10,20,30,seen well\n"
    one, two = common_points(text.encode(), "t.csv", SCANS)
    assert (one.row, one.name, one.scan, one.position) == (3, "T1", "front.ply", (1.5, -2.0, 3.0))
    assert (two.row, two.scan, two.position) == (5, "rear.ply", (10.0, 20.0, 30.0))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "t.csv has no header row: point, scan, x, y, z"),
        ("point,scan,x,y\n", "t.csv lacks the column z; it has point, scan, x, y"),
        (
            "point,scan,x,y,z\nT1,reer.ply,1,2,3\n",
            "t.csv line 2: 'reer.ply' is none of the scans; did you mean rear.ply",
        ),
        ("point,scan,x,y,z\nT1,b,1,2,3\n", "'b' is none of the scans; the scans are front.ply, rear.ply"),
        ("point,scan,x,y,z\nT1,rear.ply,1,2,wide\n", "t.csv line 2: z is 'wide', which is no number"),
        ("point,scan,x,y,z\nT1,rear.ply,1,2\n", "t.csv line 2: z is '', which is no number"),
        ("point,scan,x,y,z\n,rear.ply,1,2,3\n", "t.csv line 2 has no name of the point"),
        (
            "point,scan,x,y,z\nA,rear.ply,1,2,3\nA,rear.ply,1,2,3\n",
            "t.csv line 3: A in rear.ply stands on line 2 already",
        ),
        (
            "point,scan,x,y,z\nA,rear.ply,1,5,2,3,3\n",
            "line 2 has 7 cells for 5 columns: decimal commas need semicolons",
        ),
    ],
)
def test_faults_of_common_points(text, words):
    with pytest.raises(UsageError, match=words.replace("(", r"\(")):
        common_points(text.encode(), "t.csv", SCANS)


def test_measured_lengths_in_any_unit_with_or_without_U():
    (row,) = measured(b"a;b;length_in;U_mm\nx-L;x-R;49,2126;0,4\n", "m.csv")
    assert (row.given, row.a, row.b, row.U_mm) == ("m.csv line 2", "x-L", "x-R", 0.4)
    assert row.length_mm == pytest.approx(1250.0, abs=1e-3)
    asked = b"# to do\na,b,length_mm,U_mm\np,q,,\np,r,700,\n'=s,q,12.5,0.1\n"
    filled, odd = measured(asked, "m.csv")
    assert (filled.a, filled.b, filled.length_mm, filled.U_mm) == ("p", "r", 700.0, None)
    assert odd.a == "=s"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n", "m.csv lacks the column length_mm; it has a, b"),
        ("a,b,length_mm,length_in\n", "m.csv has length_mm and length_in: keep one"),
        ("a,b,length_mm,a\n", "m.csv has the column a twice"),
        ("a,b,length_mm\np,,3\n", "m.csv line 2 lacks the name of a point"),
        ("a,b,length_mm\np,p,3\n", "m.csv line 2: p to itself is no length"),
        ("a,b,length_mm\np,q,3\nq,p,4\n", "m.csv line 3: q to p stands in m.csv line 2 already"),
        ("a,b,length_mm\np,q,-3\n", "m.csv line 2: length_mm is -3: it must be more than 0"),
        ("a,b,length_mm,U_mm\np,q,3,0\n", "m.csv line 2: U_mm is 0: it must be more than 0"),
        ("a,b,length_mm\np,q,nan\n", "m.csv line 2: length_mm is 'nan', which is no number"),
    ],
)
def test_faults_of_measured_lengths(text, words):
    with pytest.raises(UsageError, match=words):
        measured(text.encode(), "m.csv")


def test_bytes_that_are_no_text():
    with pytest.raises(UsageError, match=r"m.csv is no UTF-8 text: save it as CSV UTF-8"):
        measured(b"a,b\xff", "m.csv")
