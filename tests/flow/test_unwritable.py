"""Where files can't go: a file stands there, the folder is closed, the disk refuses. One line, and all as it was."""

import errno
import os
import shutil
from pathlib import Path

import pytest
from cli_case import call, done_job, one_line_last
from stand_ins import Stages

from barerail.outputs import section, template
from barerail.records import Written

WRITES = [
    (("export", "--format", "csv,dxf", "--unit", "in"), "export"),
    (("template", "--face", "pad"), "export"),
    (("section", "--z", "5"), "export"),
    (("sheets",), "sheets"),
]


@pytest.fixture
def drawable(tmp_path, monkeypatch):
    """A job whose template needs no face and whose section no cut: what is looked at is where they go."""
    Stages(monkeypatch)
    monkeypatch.setattr(template, "template", lambda *given: Written({"export/template-pad.dxf": b"0\nEOF\n"}))
    monkeypatch.setattr(section, "section", lambda *given: Written({"export/section-z+5.dxf": b"0\nEOF\n"}))
    return done_job(tmp_path)


def held(job) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in job.rglob("*") if p.is_file() and p.name not in ("job.json", "lock")}


@pytest.mark.parametrize(("words", "folder"), WRITES)
def test_a_file_where_the_folder_should_be_is_one_line_and_leaves_all_as_it_was(drawable, words, folder):
    job = drawable
    shutil.rmtree(job / folder, ignore_errors=True)
    (job / folder).write_text("mine")
    before = held(job)
    one_line_last(call(words[0], "--job", job, *words[1:]), 2, f"can't write {job / folder}")
    assert held(job) == before
    (job / folder).unlink()
    assert call(words[0], "--job", job, *words[1:]).exit_code == 0 and any((job / folder).iterdir())


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write into any folder")
@pytest.mark.parametrize(("words", "folder"), WRITES)
def test_a_folder_without_permission_is_one_line_and_leaves_all_as_it_was(drawable, words, folder):
    job = drawable
    (job / folder).mkdir(exist_ok=True)
    before = held(job)
    (job / folder).chmod(0o500)
    try:
        one_line_last(call(words[0], "--job", job, *words[1:]), 2, "no permission to write there")
    finally:
        (job / folder).chmod(0o700)
    assert held(job) == before


@pytest.mark.parametrize("fault", [errno.EROFS, errno.ENOSPC])
@pytest.mark.parametrize(("words", "folder"), WRITES)
def test_a_disk_that_refuses_is_one_line_and_leaves_all_as_it_was(drawable, monkeypatch, words, folder, fault):
    """The same as root: the system's own refusal, made at the first file of the folder."""
    job, before, plain = drawable, held(drawable), Path.open

    def refused(path, mode="r", *more, **named):
        if "w" in mode and path.parent.name == folder:
            raise OSError(fault, os.strerror(fault), str(path))
        return plain(path, mode, *more, **named)

    monkeypatch.setattr(Path, "open", refused)
    words_of = {errno.EROFS: "read-only", errno.ENOSPC: "the disk is full"}
    one_line_last(call(words[0], "--job", job, *words[1:]), 2, words_of[fault])
    monkeypatch.setattr(Path, "open", plain)
    assert held(job) == before
