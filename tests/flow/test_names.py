"""Names files as spreadsheets leave them: read, or refused with the line."""

from pathlib import Path

import outputs_case as case
import pytest

from barerail.errors import UsageError
from barerail.outputs.table import points_csv
from barerail.records import MountPoints
from barerail.store import names

CONFIGS = Path(__file__).parents[2] / "configs"
HEAD = "name,kind,x_mm,y_mm,z_mm\n"


def parse(text: str | bytes) -> names.Names:
    return names.parse(text.encode() if isinstance(text, str) else text, "mine.csv")


def test_plain_rows_with_their_lines():
    (a, b), left_out = parse(f"# unit: mm\n\n{HEAD}pivot-L,bolt-axis,1,2.5,-3\n,,,,\nnode,tube-node,4,5,6\n")
    assert (a.row, a.name, a.kind, a.position, a.reach_mm) == (4, "pivot-L", "bolt-axis", (1.0, 2.5, -3.0), 15.0)
    assert (b.row, b.name, b.position, left_out) == (6, "node", (4.0, 5.0, 6.0), ())


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffname;kind;x_mm;y_mm;z_mm;reach_mm\r\nA;hole;1,5;-2,25;3;7,5\r\n;;;;;\r\n",
        "name\tkind\tx_mm\ty_mm\tz_mm\treach_mm\nA\thole\t1,5\t-2,25\t3\t7,5\n",
        '"# mm, as spreadsheets quote",,,,,\nkind,name,note,x_mm,y_mm,z_mm,reach_mm\nhole,A,"x, y",1.5,-2.25,3,7.5\n',
        "name,kind,x_in,y_in,z_in,reach_in\nA,hole,0.05905511811,-0.08858267717,0.11811023622,0.29527559055\n",
    ],
)
def test_spreadsheet_habits(text):
    (row,) = parse(text).wanted
    assert (row.name, row.kind) == ("A", "hole")
    assert row.position == pytest.approx((1.5, -2.25, 3.0), rel=0, abs=1e-9)
    assert row.reach_mm == pytest.approx(7.5, rel=0, abs=1e-9)


def test_a_points_csv_is_a_names_file():
    whole = case.mount_points()
    wanted, left_out = parse(points_csv(whole, case.datum()))
    located = [p for p in whole.points if p.state != "missing"]
    assert [w.name for w in wanted] == [p.name for p in located] and left_out == ("not there",)
    for w, p in zip(wanted, located):
        assert w.diameter_mm == pytest.approx(p.diameter, rel=0, abs=6e-4, nan_ok=True)
        assert (w.kind, w.tubes) == (p.kind, p.tubes)
        assert w.position == pytest.approx(p.position.tolist(), rel=0, abs=6e-4)


def test_the_example_is_good():
    wanted, _ = names.parse((CONFIGS / "names.csv").read_bytes(), "names.csv")
    assert {w.reach_mm for w in wanted} == {15.0, 20.0, 25.0}


def test_a_header_alone_names_nothing():
    assert parse(HEAD).wanted == () == parse(points_csv(MountPoints((), ()), case.datum())).wanted


@pytest.mark.parametrize(
    "text, words",
    [
        (f"{HEAD}A,hole,1,2,3\nB,hole,1,2,3\nA,hole,9,9,9\n", "the name A stands on line 2 and on line 4"),
        (f"{HEAD}A,hole,1,2\n", "line 2: z_mm is '', which is no number"),
        (f"{HEAD}A,hole,1,2,x\n", "line 2: z_mm is 'x', which is no number"),
        (f"{HEAD}A,hole,1,2,inf\n", "line 2: z_mm is 'inf', which is no number"),
        (f"{HEAD}A,hole,1,2,3,,4\n", "line 2 has 7 cells for 5 columns: decimal commas need semicolons"),
        ("name;kind;x_mm;y_mm;z_mm\nA;hole;1.234,5;2;3\n", "line 2: x_mm is '1.234,5', which is no number"),
        (f"{HEAD},hole,1,2,3\n", "line 2 has no name"),
        (f"{HEAD}A,hold,1,2,3\n", r"line 2 \(A\): 'hold' is no kind of feature; did you mean hole?"),
        (f"{HEAD}A,,1,2,3\n", r"line 2 \(A\): '' is no kind of feature; one of hole, slot"),
        ("name,kind,x_mm,y_mm\nA,hole,1,2\n", "lacks the column z_mm; it has name, kind, x_mm, y_mm"),
        ("name,kind,x,y,z\nA,hole,1,2,3\n", "lacks the column x_mm, y_mm, z_mm"),
        ("name,kind,x_mm,y_mm,z_mm,x_in\n", "columns in more than one unit"),
        ("name,kind,name,x_mm,y_mm,z_mm\n", "has the column name twice"),
        ("name,kind,x_mm,y_mm,z_mm,reach_mm\nA,hole,1,2,3,0\n", "line 2: reach_mm is 0: .* more than 0 mm"),
        (f"# x rearward of the bulkhead\n{HEAD}", "speaks of other axes .*: say '# axes: iso4130'"),
        (f"# axes: iso8855, at ride height\n{HEAD}", "states other axes"),
        ("name,kind,x_in,y_in,z_in,diameter_in\nA,hole,1,2,3,-1\n", "line 2: diameter_in is -1: .* more than 0 in"),
        ("", "has no header row"),
        (b"\xff\xfe\x00", "no UTF-8 text: save it as CSV UTF-8"),
    ],
)
def test_faults_are_refused_with_the_line(text, words):
    with pytest.raises(UsageError, match=f"mine.csv.*{words}"):
        parse(text)
