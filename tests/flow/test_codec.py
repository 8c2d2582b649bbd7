"""A record goes to bytes and comes back the same, to the last bit, and nothing else ever comes back."""

import dataclasses
import io
import math
import zipfile
from collections.abc import Mapping

import numpy as np
import outputs_case as case
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barerail.errors import DataError
from barerail.records import Note, Scan
from barerail.store import codec, work


def same(a: object, b: object) -> bool:
    if dataclasses.is_dataclass(a):
        return type(a) is type(b) and all(same(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a))
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
    if isinstance(a, Mapping):
        return list(a) == list(b) and all(same(a[key], b[key]) for key in a)
    if isinstance(a, tuple | list):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    return (type(a) is type(b) and a == b) or (isinstance(a, float) and math.isnan(a) and math.isnan(b))


@pytest.mark.parametrize("record", [case.mount_points(), case.features(), case.straightness(), case.mesh_scan()])
def test_records_of_every_stage_come_back(record):
    assert same(record, codec.loads(codec.dumps(record)))


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.tuples(inner, inner) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(VALUES, st.sampled_from(["<f8", "<f4", "<i8", "|u1", "|b1"]), st.lists(st.integers(0, 3), max_size=3))
def test_any_plain_value_and_array_comes_back(value, dtype, shape):
    array = np.arange(math.prod(shape)).reshape(shape).astype(dtype)
    record = case.datum(recipe={"a": value}, evidence={"b": [array, array]})
    assert same(record, codec.loads(codec.dumps(record)))


def test_same_record_same_bytes_and_arrays_come_back_read_only():
    record = case.mesh_scan()
    data = codec.dumps(record)
    assert data == codec.dumps(codec.loads(data))
    assert not codec.loads(data).points.flags.writeable


def test_shared_values_are_stored_by_name_only():
    scan = case.mesh_scan()
    record = case.datum(evidence={"scan": scan})
    data = codec.dumps(record, {"scan": scan})
    assert codec.loads(data, {"scan": scan}).evidence["scan"] is scan
    assert len(data) < len(codec.dumps(record))


@pytest.mark.parametrize("odd", [object(), {1, 2}, np.array([object()]), 1j])
def test_what_has_no_stored_form_is_refused(odd):
    with pytest.raises(TypeError, match="no stored form"):
        codec.dumps(case.datum(evidence={"odd": odd}))


@pytest.mark.parametrize("cut", [0, 10, 300, -1])
def test_cut_bytes_are_refused_with_what_to_do(cut):
    with pytest.raises(DataError, match="delete the job's work folder"):
        codec.loads(codec.dumps(case.datum())[:cut])


def test_only_records_are_made_and_nothing_is_unpickled():
    def stored(tree: str) -> bytes:
        out = io.BytesIO()
        np.savez(out, tree=np.frombuffer(tree.encode(), np.uint8))
        return out.getvalue()

    with pytest.raises(DataError):
        codec.loads(stored('{"record": "Path", "fields": {}}'))
    pickled = io.BytesIO()
    np.savez(pickled, tree=np.array([{"a": 1}], dtype=object))
    with pytest.raises(DataError):
        codec.loads(pickled.getvalue())


def test_a_scan_keeps_its_arrays_in_files_of_their_own_and_maps_them(tmp_path):
    (tmp_path / "work").mkdir()
    scan = dataclasses.replace(case.mesh_scan(), notes=(Note("read", "hm", 3, True),))
    for name, content in work.contents("read", scan).items():
        with (tmp_path / name).open("wb") as stream:
            content(stream)
    back = work.load(tmp_path, "read")
    assert isinstance(back, Scan) and same(scan, back)
    np.testing.assert_array_equal(np.load(tmp_path / "work" / "scan-points.npy"), scan.points)
    assert isinstance(back.points.base.base, np.memmap) or isinstance(back.points.base, np.memmap)
    assert zipfile.ZipFile(tmp_path / "work" / "read.npz").namelist()
