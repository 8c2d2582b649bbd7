"""A decoder in a process of its own: what it gives comes over, and when it dies, hangs or gorges, one line says so."""

import os
from pathlib import Path

import numpy as np
import pytest
from decoders import BLOCK
from format_files import laz_file

from barerail.errors import DataError, UsageError
from barerail.store import apart, las, readers

HERE = str(Path(__file__).parent)


@pytest.fixture
def file(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, (HERE, os.environ.get("PYTHONPATH")))))
    path = tmp_path / "a.laz"
    path.write_bytes(bytes(100))
    return path


def test_blocks_come_over_as_they_are(file):
    found = list(apart.blocks(file, "decoders:works"))
    assert len(found) == 2
    for block in found:
        np.testing.assert_array_equal(block.points, BLOCK.points)
        np.testing.assert_array_equal(block.normals, BLOCK.normals)
        assert (block.unit, block.remarks, block.promised) == ("m", ("said",), 10)


@pytest.mark.parametrize(
    "decoder, words",
    [
        ("refuses", "^a.laz: no$"),
        ("dies", r"^a.laz is damaged, or more than .*: decoding it broke off \(by signal 11\): export it again"),
        ("leaves", r"decoding it broke off \(with exit code 7\)"),
        ("faults", r"decoding it broke off \(with exit code 1\)"),
        ("gorges", r"decoding it broke off \(with exit code 1\)"),
        ("babbles", r"decoding it broke off"),
    ],
)
def test_a_decoder_that_gives_up_is_one_line(file, decoder, words):
    with pytest.raises(DataError, match=words) as told:
        list(apart.blocks(file, f"decoders:{decoder}"))
    assert "\n" not in str(told.value)


def test_a_decoder_that_hangs_is_stopped_by_the_size_of_the_file(file, monkeypatch):
    monkeypatch.setattr(apart, "LEAST_S", 0.0)
    monkeypatch.setattr(apart, "S_PER_MB", 10_000.0)
    with pytest.raises(DataError, match=r"^a.laz is damaged: its 0.0001 MB were not decoded within 1 s: export it"):
        list(apart.blocks(file, "decoders:hangs"))


def test_time_that_the_run_itself_takes_is_not_counted(file, monkeypatch):
    monkeypatch.setattr(apart, "LEAST_S", 1.0)
    now = [0.0]
    monkeypatch.setattr(apart.time, "monotonic", lambda: now[0])
    found = []
    for block in apart.blocks(file, "decoders:works"):
        now[0] += 100
        found.append(block)
    assert len(found) == 2


def test_a_laz_file_whose_decoder_is_stopped_is_refused_and_its_process_gone(tmp_path, monkeypatch):
    monkeypatch.setattr(apart, "LEAST_S", 0.0)
    monkeypatch.setattr(apart, "S_PER_MB", 0.0)
    started = []
    monkeypatch.setattr(apart, "_started", lambda *a, real=apart._started: started.append(real(*a)) or started[0])
    with pytest.raises(DataError, match=r"a.laz is damaged: its .* MB were not decoded within 0 s"):
        readers.read([laz_file(tmp_path / "a.laz")], "mm")
    assert started[0].returncode is not None


def test_without_its_library_the_run_says_what_to_install(tmp_path, monkeypatch):
    (tmp_path / "laspy.py").write_text("raise ImportError('laspy')\n")
    path = laz_file(tmp_path / "a.laz")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(UsageError, match=r"a.laz: .* read by laspy, which isn't installed: pip install"):
        list(las.blocks(path))
