"""What tests of the job folder share: stages that answer at once, and a job that they have finished."""

from pathlib import Path

import pytest
from stand_ins import Stages, do, quick


@pytest.fixture
def stages(monkeypatch) -> Stages:
    return Stages(monkeypatch)


@pytest.fixture
def job(tmp_path, stages) -> Path:
    """A finished job."""
    scan, settings = quick(tmp_path)
    do(tmp_path / "job", scan, settings=settings)
    stages.done.clear()
    return tmp_path / "job"
