"""``momentshare limb``: what it says of a folder, what it solves, how it refuses."""

import json
import re
import shutil

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from momentshare import EndLoad, load_linkage, solve_linkage
from momentshare.cli.main import app
from momentshare.errors import InputError, ModelError
from momentshare.linkage.motion import read_motion
from momentshare.model import models_folder

TIME = np.arange(21) / 20.0
ELBOW = 75.0 - 55.0 * np.cos(np.pi * TIME)


def run(*arguments):
    return CliRunner().invoke(app, ["limb", *map(str, arguments)])


@pytest.fixture
def motion(tmp_path):
    def write(columns, name="motion.csv"):
        place = tmp_path / name
        pd.DataFrame(columns).to_csv(place, index=False)
        return place

    return write


@pytest.fixture
def curl(motion):
    return motion({"time_s": TIME, "elbow_flexion_deg": ELBOW, "shoulder_flexion_deg": 20.0 * TIME})


def test_a_folder_is_described_and_its_copy_too(tmp_path):
    told = run("leg")
    assert told.exit_code == 0
    for words in ("hip_internal_rotation", "semimembranosus", "hip, knee", "67 from memory"):
        assert words in told.output
    own = tmp_path / "own"
    shutil.copytree(models_folder() / "leg", own)
    shutil.copy(models_folder() / "references.bib", tmp_path)
    assert run(own).output == told.output


def test_the_tables_hold_the_answer(curl, tmp_path):
    done = run("textbook_arm", "--angles", curl, "--mass", 5, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert "21 frames, in motion: 21 solved." in done.output
    angles = {"elbow_flexion": np.radians(ELBOW), "shoulder_flexion": np.radians(20.0 * TIME)}
    arm = load_linkage("textbook_arm")
    result = solve_linkage(arm, angles, rate=20.0, loads=EndLoad(mass=5.0))
    heads = pd.read_csv(tmp_path / "out" / "limb_heads.csv")
    rows = pd.read_csv(tmp_path / "out" / "limb_rows.csv")
    assert heads["force_n"].to_numpy() == pytest.approx(result.force.ravel(), rel=1e-6, abs=1e-6)
    assert rows["moment_nm"].to_numpy() == pytest.approx(result.moments.ravel(), rel=1e-6, abs=1e-6)
    record = json.loads((tmp_path / "out" / "limb.json").read_text("utf-8"))
    assert record["status"] == {"solved": 21}
    assert record["limb"]["digest"] == arm.digest
    assert "winter2009" in record["sources"]
    assert all((tmp_path / "out" / name).is_file() for name in record["files"])
    # What the terminal says stands in the tables.
    k = arm.head_names.index("biceps_brachii")
    line = next(x for x in done.output.splitlines() if x.startswith("│ biceps brachii"))
    told = [float(cell) for cell in line.split("│")[2:5]]
    mean, peak = 100.0 * result.activation[:, k].mean(), 100.0 * result.activation[:, k].max()
    assert told == pytest.approx([mean, peak, result.force[:, k].max()], abs=0.06)
    line = next(x for x in done.output.splitlines() if x.startswith("│ elbow flexion"))
    told = [float(cell) for cell in line.split("│")[2:4]]
    assert told == pytest.approx(
        [result.moments[:, 1].min(), result.moments[:, 1].max()], abs=0.006
    )


def test_forces_and_moments_of_the_file_count(motion):
    arm = load_linkage("textbook_arm")
    angles = {"elbow_flexion_deg": [40.0, 80.0]}
    force = {"force_x_n": [1.0, 2.0], "force_y_n": [-20.0, -30.0], "force_z_n": [0.0, 0.0]}
    place = motion(angles | force)
    record = json.loads(run("textbook_arm", "--angles", place, "--json").output)
    assert record["timed"] is False
    assert record["status"] == {"solved": 2}
    read = read_motion(place, arm)
    assert read.rate is None
    assert read.force.tolist() == [[1.0, -20.0, 0.0], [2.0, -30.0, 0.0]]
    place = motion(angles | {"elbow_flexion_nm": [10.0, None]})
    record = json.loads(run("textbook_arm", "--angles", place, "--json").output)
    assert record["status"] == {"no posture": 1, "solved": 1}
    refused = run("textbook_arm", "--angles", place, "--mass", 2)
    assert isinstance(refused.exception, InputError)
    assert "gives net moments, so loads would not count" in str(refused.exception)


def test_faults_of_the_file_are_reported_together(tmp_path):
    place = tmp_path / "bad.csv"
    place.write_text(
        "time_s,elbow_deg,elbow_flexion_deg,shoulder_flexion_deg,force_x_n,shoulder_flexion_nm\n"
        "0,1,2,3,4,5\n0.1,1,two,3,4,5\n0.2,1,700,3,4\n0.3,1,4,3,4,99999\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        read_motion(place, load_linkage("textbook_arm"))
    assert caught.value.exit_code == 2
    starts = (
        "row 1: unknown column 'elbow_deg'; did you mean 'elbow_flexion_deg'",
        "row 1: column 'force_y_n' is missing",
        "row 1: there are forces and net moments",
        "row 3: column 'elbow_flexion_deg': must be a number; got 'two'; leave the cell blank",
        "row 4: 5 cells, and the header has 6",
        "row 5: column 'shoulder_flexion_nm': 99999 is beyond 5000; check the unit",
    )
    assert len(caught.value.faults) == len(starts), caught.value.faults
    for fault, start in zip(caught.value.faults, starts, strict=True):
        assert fault.startswith(start)
    assert "bad.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("time", "words"),
    [
        ([0.0, 0.1, 0.2], "need four frames or more; got 3"),
        ([0.0, 0.1, 0.25, 0.3], "row 4: column 'time_s': a step of 0.15 s where 0.1 s is usual"),
        ([0.3, 0.2, 0.1, 0.0], "time does not rise"),
        ([0.0, None, 0.2, 0.3], "row 3: column 'time_s': must be a number"),
    ],
)
def test_times_are_looked_at(motion, time, words):
    place = motion({"time_s": time, "elbow_flexion_deg": [10.0] * len(time)})
    with pytest.raises(InputError, match=words):
        read_motion(place, load_linkage("textbook_arm"))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--exponent", "1"], r"--exponent: must be between 1\.01 and 400, or inf; got 1"),
        (["--exponent", "1e9"], "--exponent: must be between"),
        (["--weights", "mass"], "--weights: must be area, volume or none"),
        (["--mass", "-1"], "--mass: must be between 0 and 2000 kg; got -1"),
        (["--mass", "1e300"], "--mass: must be between"),
        (["--at", "hand"], "unknown site 'hand'"),
    ],
)
def test_wrong_options_are_named(curl, options, words):
    refused = run("textbook_arm", "--angles", curl, *options)
    assert isinstance(refused.exception, InputError)
    assert refused.exception.exit_code == 2
    assert re.search(words, str(refused.exception))
    if options[0] != "--at":  # without a motion they are wrong all the same
        assert str(run("textbook_arm", *options).exception) == str(refused.exception)


def test_options_of_a_motion_need_one():
    refused = run("leg", "--mass", 3)
    assert "give --angles as well" in str(refused.exception)


def test_a_damaged_folder_is_refused(tmp_path):
    own = tmp_path / "own"
    shutil.copytree(models_folder() / "finger", own)
    shutil.copy(models_folder() / "references.bib", tmp_path)
    place = own / "sites.csv"
    place.write_text(place.read_text("utf-8").replace(",mm,", ",inch,"), encoding="utf-8")
    refused = run(own)
    assert isinstance(refused.exception, ModelError)
    assert refused.exception.exit_code == 2
    assert "sites.csv row 2: unknown unit 'inch'; known: 1, m, cm, mm" in str(refused.exception)
