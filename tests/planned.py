"""A small planned study that several tests of pictures and words share, solved once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from momentshare.study import parse_study, run_study

if TYPE_CHECKING:
    from momentshare.study import StudyResult

TEXT = """\
title = "Three presses"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[person]]
name = "Bram"
sex = "male"
stature_cm = 183
body_mass_kg = 88
training_factor = 1.2
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.1
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_per_body_mass = 0.4
lateral_ratio = -0.05
[[condition]]
name = "wide"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_per_body_mass = 0.4
lateral_ratio = 0.1
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_biacromial = 1.4
tuck_deg = 70
load_per_body_mass = 0.3
"""
CONDITIONS = ("narrow", "wide", "dumbbells")
PEOPLE = ("Edda", "Bram")


@cache
def solved(text: str = TEXT) -> StudyResult:
    """Return the study with every case solved."""
    return run_study(parse_study(text))


def alone(text: str = TEXT) -> str:
    """Keep the first person of a study only."""
    parts = text.split("[[person]]")
    return "[[person]]".join(parts[:2]) + text[text.index("[[condition]]") :]


def renamed(study: StudyResult, names: dict[str, str]) -> StudyResult:
    """Give conditions other names; numbers stay."""
    file = study.study.file
    entries = [c.model_copy(update={"name": names[c.name]}) for c in file.condition]
    return replace(
        study,
        cases=tuple(replace(c, condition=names[c.condition]) for c in study.cases),
        study=replace(study.study, file=file.model_copy(update={"condition": entries})),
    )
