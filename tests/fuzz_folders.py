"""Inputs of several files, one of which is damaged: studies in small files, linkages, models."""

import shutil
import tempfile
from functools import cache
from pathlib import Path

from momentshare.cohort.load import load_cohort
from momentshare.linkage import load_linkage
from momentshare.linkage.motion import read_motion
from momentshare.model import load_model, models_folder
from momentshare.validation.null import stored_null
from momentshare.validation.published import load_published_rows
from momentshare.validation.targets import load_targets

SMALL_STUDY = """
title = "Fuzz"
people = "people.csv"
strengths = "strengths.csv"
trials = "trials.csv"
[[layout]]
name = "capture"
up = "+z"
right = "+x"
force_on = "hand"
units = { markers = "mm", forces = "N", emg = "mV" }
label_prefix = "{person}:"
[layout.markers]
ij = "IJ"
[layout.forces]
right_hand_force = ["Fx", "", "Fz"]
[layout.emg]
"triceps_brachii/lateral" = "EMG"
[[layout]]
name = "second system"
based_on = "capture"
units = { markers = "m" }
delimiter = ","
time_column = "t"
[[condition]]
name = "narrow"
[[condition]]
name = "wide"
file_label = "w"
[[files]]
pattern = "data/{person}/{condition}_{repetition}.c3d"
layout = "capture"
[[files]]
pattern = "data/{person}_{condition}_{day}.csv"
layout = "second system"
side = "left"
[[files.more]]
pattern = "forces/{person}_{condition}_{day}.txt"
layout = "second system"
[[static]]
pattern = "data/{person}/standing*.c3d"
layout = "capture"
[[maximal]]
pattern = "data/{person}/max_*.c3d"
layout = "capture"
"""

SMALL_TABLES = {
    "people.csv": "name,sex,stature_cm,body_mass_kg,file_label,best_lift_kg,best_lift_condition\n"
    "Ines,female,168,64,S1,55,wide\nRunar,male,181.5,83,S2,,\n",
    "strengths.csv": "person,direction,moment_nm,elbow_flexion_deg\n"
    "Ines,elbow_extension,48,90\nRunar,elbow_extension,71.5,90\n",
    "trials.csv": "person,condition,load_kg,repetition,day,repetitions,use,reason\n"
    "Ines,,30,,,,,\nRunar,narrow,52.5,,,,,\nRunar,wide,50,,,,,\n"
    'Ines,wide,32,2,,,false,"slipped, and stopped"\nRunar,wide,51,,02,1 2,true,\n',
}

_NAMES = ("narrow_1", "narrow_2", "w_1", "w_2", "standing", "max_1", "max_2")
MEASURED = (
    *(f"data/S{n}/{name}.c3d" for n in (1, 2) for name in _NAMES),
    *("data/S2_w_02.csv", "forces/S2_w_02.txt"),
)
"""Files that the patterns fit; loading a study reads none of them."""


def small_study(place):
    """Load a study in small files, one of which is the damaged one.

    A table that names neither files nor people never changes whose a file is.
    """
    folder = place.parent / "small"
    damaged = place.name.removeprefix("small_")
    shutil.rmtree(folder, ignore_errors=True)
    write_small(folder)
    (folder / damaged).write_bytes(place.read_bytes())
    file = load_cohort(folder / "study.toml").file
    people = {person.name for person in file.person}
    conditions = {condition.name for condition in file.condition}
    assert all(t.person in people and t.condition in conditions for t in file.trial)
    if damaged in {"strengths.csv", "trials.csv"}:
        fitting = {n: whose for n, whose in belongings(file).items() if n in MEASURED}
        assert fitting == sound_belongings()


def write_small(folder):
    for name in MEASURED:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    for name, text in {"study.toml": SMALL_STUDY, **SMALL_TABLES}.items():
        (folder / name).write_text(text, encoding="utf-8")


def belongings(file):
    """Person and condition of every file of a study's trials."""
    return {trial.file: (trial.person, trial.condition) for trial in file.trial}


@cache
def sound_belongings():
    with tempfile.TemporaryDirectory() as name:
        write_small(Path(name))
        return belongings(load_cohort(Path(name) / "study.toml").file)


LINKAGES = ("leg", "elbow_by_table")

ANGLES = """time_s,hip_flexion_deg,knee_flexion_deg,force_x_n,force_y_n,force_z_n
0.0,10,20,5,300,0
0.1,12,25.5,5,310,0.5
0.2,14,,5,305,1e-1
0.3,15,31,5,300,0
"""


@cache
def linkage_seeds():
    """Every file of two linkages, and angles of one."""
    files = [
        (f"linkage_{name}_{place.name}", place.read_bytes())
        for name in LINKAGES
        for place in sorted((models_folder() / name).iterdir())
    ]
    return [*files, ("motion_leg.csv", ANGLES.encode())]


def linkage(place):
    """Load a linkage whose one file is the damaged one, or read its angles."""
    if place.name == "motion_leg.csv":
        read_motion(place, shipped("leg"))
        return
    name = next(n for n in LINKAGES if place.name.startswith(f"linkage_{n}_"))
    folder = place.parent / name
    if not folder.exists():
        shutil.copytree(models_folder() / name, folder)
        shutil.copy(models_folder() / "references.bib", place.parent)
    with_file(folder / place.name.removeprefix(f"linkage_{name}_"), place, load_linkage)


@cache
def shipped(name):
    return load_linkage(name)


@cache
def model_seeds():
    """Every file of the reference limb."""
    folder = models_folder() / "reference_limb"
    return [(f"model_{place.name}", place.read_bytes()) for place in sorted(folder.iterdir())]


def model(place):
    """Load a model whose one file is the damaged one, and what is read when it is validated."""
    folder = place.parent / "limb"
    if not folder.exists():
        shutil.copytree(models_folder() / "reference_limb", folder)
        shutil.copy(models_folder() / "references.bib", place.parent)
    with_file(folder / place.name.removeprefix("model_"), place, _model)


def _model(folder):
    found = load_model(folder)
    targets = load_targets(found)
    load_published_rows(found, {target.id for target in targets})
    stored_null(found)


def with_file(target, place, read):
    """Read a folder while one of its files is the damaged one."""
    sound = target.read_bytes()
    try:
        target.write_bytes(Path(place).read_bytes())
        read(target.parent)
    finally:
        target.write_bytes(sound)
