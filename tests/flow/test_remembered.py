"""What a job remembers of options and settings files, and what a later settings file replaces."""

import json
from dataclasses import replace

import numpy as np
import outputs_case as case
from stand_ins import do
from test_stamps import tape

from barerail import run
from barerail.geometry.frames import rigid
from barerail.given import Request
from barerail.screen import Screen


def test_what_options_set_stays_under_a_later_settings_file_unless_it_sets_it_too(job, stages, tmp_path, capsys):
    def record():
        return json.loads((job / "job.json").read_text())["settings"]

    def give(text: str, **more) -> str:
        file = tmp_path / "later.toml"
        file.write_text(text)
        capsys.readouterr()
        run.run(Request(job, settings=file, **more), Screen())
        return next((line for line in capsys.readouterr().err.splitlines() if line.startswith("settings")), "")

    do(job, changes={"datum.front": (1.0, 2.0, 3.0), "datum.above": (0.0, 0.0, 9.0), "read.unit": "mm"})
    do(job, until="fit", settings=job.parent / "quick.toml")
    assert record()["datum"]["front"] == [1.0, 2.0, 3.0] and record()["read"]["unit"] == "mm"
    told = give("[straightness]\nsupports_known = true\n")
    assert "later.toml; kept from options given before: datum.front = [1.0, 2.0, 3.0]" in told
    assert 'read.unit = "mm"' in told and "no longer" not in told
    assert record()["straightness"]["supports_known"] and record()["datum"]["above"] == [0.0, 0.0, 9.0]
    told = give("[datum]\nfront = [7, 0, 0]\n")
    assert "no longer: datum.front" in told and "datum.above" in told and "datum.front =" not in told
    assert record()["datum"]["front"] == [7.0, 0.0, 0.0] and not record()["straightness"]["supports_known"]
    told = give("", changes={"datum.above": (0.0, 1.0, 9.0)})
    assert 'kept from options given before: read.unit = "mm"' in told and "above" not in told
    assert record()["datum"]["front"] is None, "the file before set it, and this one doesn't"
    do(job)
    assert record()["datum"]["above"] == [0.0, 1.0, 9.0], "what stays is remembered with no file given"


def test_a_settings_file_with_a_way_of_the_datum_replaces_all_of_the_way_that_options_set(job, stages, tmp_path):
    file = tmp_path / "way.toml"
    do(job, changes={"datum.axes": "iso4130", "datum.underside_z_mm": 100.0, "datum.front": (1.0, 0.0, 0.0)})
    file.write_text("[points]\ncentre_mm = 15\n")
    do(job, settings=file)
    remembered = json.loads((job / "job.json").read_text())["settings"]["datum"]
    assert (remembered["axes"], remembered["underside_z_mm"]) == ("iso4130", 100.0)
    file.write_text("[datum]\norigin_x_mm = 50\n")
    do(job, settings=file)
    remembered = json.loads((job / "job.json").read_text())["settings"]["datum"]
    assert (remembered["axes"], remembered["underside_z_mm"], remembered["origin_x_mm"]) == ("iso8855", 0.0, 50.0)
    assert remembered["front"] == [1.0, 0.0, 0.0], "which end is the front is no way of setting it"


def test_an_option_s_value_is_forgotten_with_the_way_it_belonged_to(job, stages, tmp_path):
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "datum.json").write_text('{"recipe": {"rule": "symmetry"}}')
    do(job, changes={"datum.underside_z_mm": 100.0})
    do(job, datum_from=tmp_path / "before")
    file = tmp_path / "later.toml"
    file.write_text("[points]\ncentre_mm = 15\n")
    do(job, settings=file)
    assert json.loads((job / "job.json").read_text())["settings"]["datum"]["underside_z_mm"] == 0.0


def test_what_the_user_gave_outlives_a_step_that_is_redone_alone(job, stages, tmp_path, monkeypatch):
    """Names, lengths and built points are the user's work: a new datum takes away results only, and says which."""
    names, built = tmp_path / "mine.csv", tmp_path / "seat.toml"
    names.write_text("name,kind,x_mm,y_mm,z_mm\nmine,hole,1,0,3\n")
    built.write_text('[[point]]\nname = "seat"\nhow = "entered"\nat = [100, 0, 300]\nU_mm = 1\n')
    do(job, names=names, measured=tape(tmp_path, 0.2), built=built)
    moved = replace(case.datum(), car_from_scan=rigid(np.eye(3), (0.0, 0.0, 9.0)))
    monkeypatch.setattr(run, "datum", lambda *given: moved)
    do(job, until="datum", changes={"datum.underside_z_mm": 9.0})
    assert not (job / "points.csv").exists() and not (job / "constructed.csv").exists()
    do(job)
    assert [w.name for w in stages.wanted] == ["mine"]
    assert "seat" in (job / "constructed.csv").read_text()
    assert json.loads((job / "check.json").read_text())["state"] == "passed"


def test_a_recipe_outlives_a_scan_that_is_read_again_and_ends_with_another_way(job, stages, tmp_path, monkeypatch):
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "datum.json").write_text('{"recipe": {"rule": "symmetry"}}')
    do(job, datum_from=tmp_path / "before")
    do(job, until="clean", changes={"read.scale": 1.001})
    assert not (job / "datum.json").exists()
    do(job)
    assert stages.recipe == {"rule": "symmetry"}
    do(job, until="clean", changes={"read.scale": 1.002})
    do(job, changes={"datum.method": "symmetry"})
    do(job, changes={"datum.front": (1.0, 0.0, 0.0)})
    assert not stages.recipe, "a way that was named took its place"
