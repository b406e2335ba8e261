"""A cohort of which every number is known: tables planted trial by trial, nothing solved.

Levels, orders, gaps and flags are chosen so that no two of them can be taken for one another. The
planted rows are kept beside the result, and the functions at the end average them in plain loops,
so that what the library says can be held against what was planted.
"""

from __future__ import annotations

import atexit
import functools
import json
import math
import os
import shutil
import struct
import tempfile
import zlib
from collections import defaultdict
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
from tests.report.page_reader import PageReader

from momentshare.analysis import Criterion
from momentshare.cohort.load import parse_cohort
from momentshare.cohort.run import COMMAND, CohortResult, TrialOutcome, folder_options
from momentshare.cohort.summary import summarise_cohort
from momentshare.cohort.trials import record_in, trial_files, trial_name
from momentshare.files import run_folder
from momentshare.limits import Limit, Limits
from momentshare.model import load_model
from momentshare.published import PublishedResult, PublishedTable
from momentshare.published.table import PublishedLine
from momentshare.report.page.cohort import cohort_page
from momentshare.report.page.document import render

# Columns of the tables of a trial, in one place.
PERSON, CONDITION, LATERAL, HEAD, LIFT = "person", "condition", "lateral", "head", "lift_percent"
TRIAL, REPETITION, FRAME, ROW = "trial", "repetition", "frame", "row"
ACTIVATION, FORCE, MOMENT, UNMET = "activation", "force_n", "moment_nm", "unmet_nm"
RATIO, PUSH, UPWARD = "lateral_ratio", "lateral_force_n", "vertical_force_n"
SPEED = "speed_mps"
HEIGHT = "height_fraction"
MEAN_ACTIVATION, PEAK_ACTIVATION = "mean_activation", "peak_activation"
MEAN_FORCE, PEAK_FORCE = "mean_force_n", "peak_force_n"
CHANGED = "mean_activation_changed"
WITHIN_LIMITS = "mean_activation_within_limits"
REGION, QUANTITY, ITEM, MEAN = "region", "quantity", "item", "mean"
MARKS = ("first_peak_percent", "minimum_percent", "second_peak_percent")
STICKING = "sticking_region"
EMG, PULLED = "emg", "pulled_activation"

PEOPLE = {"Ama": 0.0, "Bo": 0.03, "Cy": -0.03, "Dee": 0.02, "Eli": -0.02, "Fay": 0.04, "Gus": -0.04}
BARS = ("narrow", "medium", "wide")
FREE_HANDS = "dumbbells"
CONDITIONS = (*BARS, FREE_HANDS)
MODES = ("measured", "zero", "free")
SHOWN = "measured"
CONFIDENCE = 0.9
GRID = np.linspace(0.0, 100.0, 11)

UPPER, LOWER = "pectoralis_major/clavicular", "pectoralis_major/sternocostal_lower"
FRONT, LONG, SIDE = "deltoid/clavicular", "triceps_brachii/long", "triceps_brachii/lateral"
IDLE, MINOR = "biceps_brachii/long", "anconeus"
"""A head that does too little to be shown, and one that does just enough."""

LEVELS = {  # head → activation by condition
    UPPER: (0.60, 0.52, 0.40, 0.45),
    LOWER: (0.20, 0.30, 0.45, 0.36),
    FRONT: (0.300, 0.302, 0.340, 0.306),
    LONG: (0.33, 0.27, 0.20, 0.24),
    SIDE: (0.90, 0.80, 0.70, 0.62),
    IDLE: (0.010, 0.020, 0.030, 0.035),
    MINOR: (0.075, 0.105, 0.165, 0.135),
}
HEADS = tuple(LEVELS)
STRENGTH = {
    UPPER: 310.0,
    LOWER: 240.0,
    FRONT: 420.0,
    LONG: 905.0,
    SIDE: 1130.0,
    IDLE: 355.0,
    MINOR: 95.0,
}
"""Force at full activation [N]."""

SHIFTS = {  # lateral mode → head → what it adds to the activation, by condition on a bar
    "zero": {UPPER: (-0.10, -0.11, -0.12), LONG: (-0.10, 0.03, 0.02), SIDE: (0.05, 0.06, 0.07)},
    "free": {UPPER: (-0.02, -0.04, -0.15), LOWER: (0.13, 0.0, -0.02), SIDE: (-0.03, -0.02, -0.05)},
}

MOMENTS = {  # row → net moment [N·m] by condition
    "shoulder_internal_rotation": (-9.0, -7.0, -5.0, -6.0),
    "shoulder_elevation": (14.0, 11.0, 8.0, 9.5),
    "shoulder_horizontal_adduction": (21.0, 27.0, 36.0, 31.0),
    "elbow_extension": (29.0, 22.0, 13.0, 17.0),
}
ROWS = tuple(MOMENTS)
RATIOS = {"measured": (-0.08, 0.05, 0.18), "free": (0.12, 0.31, 0.63), "zero": (0.0, 0.0, 0.0)}
LOADS = (40.0, 44.0, 38.0, 30.0)
SPEEDS = (0.30, 0.36, 0.42, 0.48)
ANGLES = {"plane_deg": 12.0, "elevation_deg": 55.0, "elbow_flexion_deg": 95.0}
EVENTS = ((28.0, 42.0, 64.0), (25.0, 39.0, 61.0), (22.0, 36.0, 58.0), (19.0, 33.0, 55.0))

CHANGES = {  # change of one input → head → what it adds to the activation, by condition
    "criterion: sum of a³": {UPPER: (0.02, 0.03, 0.04, 0.035), SIDE: (-0.05, -0.04, -0.03, -0.02)},
    "lateral ratio -0.05": {LONG: (0.03, 0.02, 0.01, 0.015), LOWER: (0.02, 0.01, 0.0, 0.005)},
    "deltoid 20 % stronger": {LOWER: (0.14, 0.0, 0.0, 0.0), FRONT: (-0.06, -0.05, -0.04, -0.03)},
}
CALM = -0.004
"""What a change adds where nothing else is said."""

LIMITS = Limits(  # of the planted limb, so nothing depends on what a shipped one supports
    (
        Limit(
            key="L1",
            title="How the anconeus changes between conditions",
            heads=(MINOR,),
            quantity="activation",
            claim="order",
            reason="planted in the whole lift",
        ),
        Limit(
            key="L2",
            title="The front of the deltoid at the end of a lift",
            heads=(FRONT,),
            quantity="activation",
            parts=("lock-out",),
            reason="planted at its end",
        ),
    )
)

TURNED = {  # (head, pair of conditions) → changes that turn their order, as planted above
    (LOWER, frozenset(("narrow", "medium"))): {"deltoid 20 % stronger", "lateral force free"},
    (LONG, frozenset(("narrow", "medium"))): {"lateral force zero"},
    (LONG, frozenset(("narrow", FREE_HANDS))): {"lateral force zero"},
    (UPPER, frozenset(("medium", FREE_HANDS))): {"lateral force zero"},
}
"""Every other order that is shown holds."""

OFF_LEVEL = {("Gus", FRONT): -0.29}
"""One person's own level so far off that, where people lack a condition, means over all of them
rank two conditions the other way than everybody who has both."""

EMG_LEVELS = {UPPER: (0.52, 0.43, 0.31), SIDE: (0.50, 0.60, 0.71)}
"""Measured share of the maximal contraction: with the prediction in one head, against it in the
other."""
ELECTRODES = tuple(EMG_LEVELS)
MEASURED_EMG = ("Ama", "Bo", "Cy", "Dee", "Fay")

LIMITED = {FRONT: 0.07, LONG: -0.05, MINOR: -0.045}
"""What the stability limits of the glenoid add to the activation; the last falls below what is
shown in one condition, but not without them."""

SHORTFALLS = {  # (person, condition, mode) → unmet moment [N·m] of frames of repetition 1
    ("Bo", "wide", "measured"): (-7.3, 3.1),
    ("Cy", "narrow", "measured"): (1.2, 0.3),  # the second is below what counts
    ("Ama", "wide", "zero"): (9.9, 8.8, 7.7),
    ("Eli", "wide", "measured"): (50.0,),  # of a trial that is left out
}
SKIPPED = ("Gus", "medium")
FAILED = ("Eli", "wide")
WARNED = (("Bo", "medium"), ("Cy", "narrow"))
NO_FORCE_ALONG = ("Dee", "wide")
NO_STICKING = (("Cy", "narrow", 2), ("Fay", "wide", 1), ("Fay", "wide", 2))
TWICE = ("Ama", "narrow")
"""A person with two trials of a condition: one repetition in the first, two in the other."""

CHECKS = {  # name → unit, limit, worst
    "force balance": ("% of load × (g + a)", 5.0, 10.0),
    "synchrony": ("ms", 10.0, 40.0),
    "share of body weight": ("% of body weight", 3.0, 15.0),
}

LAYOUT = """
[[layout]]
name = "lab"
format = "csv"
up = "+z"
right = "-y"
force_on = "bar"
time_column = "time_s"
delimiter = ","
units = { markers = "mm", forces = "N", emg = "mV" }
[layout.markers]
ij = "IJ"
c7 = "C7"
px = "PX"
t8 = "T8"
right_gh = "R GH"
right_el = "R EL"
right_em = "R EM"
right_rs = "R RS"
right_us = "R US"
right_grip = "R GRIP"
[layout.forces]
right_hand_force = ["FRx", "FRy", "FRz"]
"""

HEADING = """
title = "A planted cohort"
note = "Nothing was measured or solved."
[settings]
lateral = ["measured", "zero", "free"]
weights = "volume"
frames = 11
[processing]
cutoff_hz = 7.0
force_cutoff_hz = 12.0
filter_order = 2
fill_gaps_s = 0.15
least_rise_cm = 13.0
hinge = "forearm"
[emg]
band_hz = [30, 400]
envelope_hz = 5.0
delay_ms = 45.0
pull_weight = 2.5
[statistics]
confidence = 0.9
"""


@dataclass(frozen=True)
class PlannedTrial:
    """What is planted in one trial."""

    number: int
    person: str
    condition: str
    repetitions: int

    @property
    def file(self) -> str:
        """Name of its file."""
        return f"trials/{self.person.lower()}_{self.condition}_{self.number}.csv"

    @property
    def place(self) -> tuple[str, str]:
        """Person and condition."""
        return self.person, self.condition

    @property
    def modes(self) -> tuple[str, ...]:
        """Treatments of the lateral force that it has."""
        if self.condition == FREE_HANDS:
            return ("zero",)
        return MODES[1:] if self.place == NO_FORCE_ALONG else MODES


def _planned() -> tuple[PlannedTrial, ...]:
    found: list[PlannedTrial] = []
    for person in PEOPLE:
        for condition in CONDITIONS:
            counts = (1, 2) if (person, condition) == TWICE else (2,)
            for count in counts:
                found.append(PlannedTrial(len(found) + 1, person, condition, count))
    return tuple(found)


TRIALS = _planned()
COUNTED = tuple(t for t in TRIALS if t.place not in {SKIPPED, FAILED})


def load_of(trial: PlannedTrial) -> float:
    """Load of a trial [kg]; each differs."""
    return 30.0 + 0.5 * trial.number


def height_at(lift: float, condition: str) -> float:
    """Height fraction at a point of the lift: those of later conditions rise later."""
    return float((lift / 100.0) ** (1.0 + 0.5 * CONDITIONS.index(condition)))


def level(head: str, condition: str, mode: str) -> float:
    """Planted activation before people and repetitions differ."""
    place = CONDITIONS.index(condition)
    more = SHIFTS.get(mode, {}).get(head, (0.0, 0.0, 0.0))
    return LEVELS[head][place] + (more[place] if condition in BARS else 0.0)


def _wave(phase: float, size: float = 0.1) -> np.ndarray:
    return 1.0 + size * np.sin(2.0 * np.pi * GRID / 100.0 + phase)


class Planter:
    """Rows of every table of one trial."""

    def __init__(self, trial: PlannedTrial) -> None:
        self.trial = trial
        self.noise = np.random.default_rng(1000 + trial.number)
        self.rows: dict[str, list[dict]] = defaultdict(list)
        self.at = CONDITIONS.index(trial.condition)
        # Everybody's own level, and what differs from condition to condition: rank by rank.
        self.own = {
            head: (PEOPLE[trial.person] if head != IDLE else 0.0)
            + OFF_LEVEL.get((trial.person, head), 0.0)
            + self.noise.normal(0.0, 0.010)
            for head in HEADS
        }
        self.uneven = {row: self.noise.normal(0.0, 1.5) for row in ROWS}
        for repetition in range(1, trial.repetitions + 1):
            self._repetition(repetition)
        self._checks()

    def _add(self, table: str, repetition: int, **values) -> None:
        given = {TRIAL: self.trial.number, REPETITION: repetition}
        named = {PERSON: self.trial.person, CONDITION: self.trial.condition}
        self.rows[table].append(given | named | values)

    def _repetition(self, repetition: int) -> None:
        jitter = {head: self.noise.normal(0.0, 0.003) for head in HEADS}
        moved = self.noise.normal(0.0, 1.0)
        for mode in self.trial.modes:
            for head in HEADS:
                self._head(repetition, mode, head, jitter[head])
            self._moments(repetition, mode, moved)
        self._motion(repetition, moved)

    def _head(self, repetition: int, mode: str, head: str, jitter: float) -> None:
        wave = _wave(HEADS.index(head))
        size = level(head, self.trial.condition, mode) + self.own[head] + jitter
        size = max(size, 0.002)
        activation = np.clip(size * wave, 0.0, 1.0)
        force = STRENGTH[head] * activation
        common = {LATERAL: mode, HEAD: head}
        for frame, lift in enumerate(GRID):
            self._add(
                "frames", repetition, **common,
                **{FRAME: frame, LIFT: lift, ACTIVATION: activation[frame], FORCE: force[frame]},
            )  # fmt: skip
        self._add(
            "heads", repetition, **common,
            **{MEAN_ACTIVATION: activation.mean(), PEAK_ACTIVATION: activation.max()},
            **{MEAN_FORCE: force.mean(), PEAK_FORCE: force.max()},
        )  # fmt: skip
        self._region(repetition, mode, head, ACTIVATION, activation)
        self._region(repetition, mode, head, FORCE, force)
        for change, sizes in CHANGES.items():
            more = sizes.get(head, (CALM,) * len(CONDITIONS))[self.at]
            if mode == "free":  # elsewhere another order turns
                more = {LOWER: 0.0, UPPER: 0.03 * self.at}.get(head, more)
            self._add(
                "sensitivity", repetition, **common, change=change,
                **{MEAN_ACTIVATION: activation.mean()},
                **{CHANGED: activation.mean() + more + 0.1 * jitter},
            )  # fmt: skip
        limited = activation.mean() + LIMITED.get(head, 0.001)
        self._add(
            "glenoid_heads", repetition, **common,
            **{MEAN_ACTIVATION: activation.mean(), WITHIN_LIMITS: limited},
            difference=limited - activation.mean(),
        )  # fmt: skip
        if (
            head in ELECTRODES
            and self.trial.person in MEASURED_EMG
            and self.trial.condition in BARS
        ):
            self._emg(repetition, mode, head, activation)

    def _emg(self, repetition: int, mode: str, head: str, activation: np.ndarray) -> None:
        size = EMG_LEVELS[head][self.at] + 0.5 * self.own[head] + 0.01 * repetition
        measured = size * _wave(HEADS.index(head) + 0.3 + 4.0 * PEOPLE[self.trial.person], 0.15)
        if head == SIDE and self.trial.person == "Ama" and self.trial.condition == "wide":
            measured[-2:] = 1.21, 1.34  # above the maximal contraction
        for lift, one, other in zip(GRID, measured, activation, strict=True):
            self._add(
                "emg", repetition, **{LATERAL: mode, HEAD: head, LIFT: lift, EMG: one},
                **{ACTIVATION: other, PULLED: 0.3 * one + 0.7 * other},
            )  # fmt: skip

    def _region(self, repetition, mode, item, quantity, values) -> None:
        for region, part in (("whole lift", values), ("sticking", values[3:6])):
            self._add(
                "regions", repetition,
                **{LATERAL: mode, REGION: region, ITEM: item, QUANTITY: quantity},
                **{MEAN: part.mean()},
            )  # fmt: skip

    def _moments(self, repetition: int, mode: str, moved: float) -> None:
        ratio = RATIOS[mode][self.at] if self.trial.condition in BARS else 0.0
        ratio = ratio * _wave(0.4) + (0.004 * moved if mode != "zero" else 0.0)
        upward = 5.0 * LOADS[self.at] * _wave(1.1) + moved
        unmet = np.zeros(len(GRID))
        planted = SHORTFALLS.get((*self.trial.place, mode), ())
        if repetition == 1:
            unmet[: len(planted)] = planted
        for place, (row, sizes) in enumerate(MOMENTS.items()):
            push = {"measured": 0.0, "zero": 3.0, "free": -4.0}[mode]
            moment = (sizes[self.at] + push) * _wave(0.7 * place) + 0.5 * moved
            moment = moment + 20.0 * PEOPLE[self.trial.person] + self.uneven[row]
            missing = unmet if row == "elbow_extension" else 0.4 * unmet
            for frame, lift in enumerate(GRID):
                self._add(
                    "moments", repetition,
                    **{LATERAL: mode, ROW: row, FRAME: frame, LIFT: lift},
                    **{MOMENT: moment[frame], UNMET: missing[frame], RATIO: ratio[frame]},
                    **{UPWARD: upward[frame], PUSH: ratio[frame] * upward[frame], "bound_met": ""},
                )  # fmt: skip
            self._region(repetition, mode, row, MOMENT, moment)
        self._region(repetition, mode, "hand", RATIO, ratio)

    def _motion(self, repetition: int, moved: float) -> None:
        speed = SPEEDS[self.at] * np.sin(np.pi * GRID / 100.0) + 0.004 * abs(moved)
        for place, lift in enumerate(GRID):
            angles = {n: a + 2.0 * self.at + place + moved for n, a in ANGLES.items()}
            moving = {SPEED: speed[place], HEIGHT: height_at(lift, self.trial.condition)}
            self._add("motion", repetition, **{LIFT: lift}, **moving, **angles)
        stuck = (*self.trial.place, repetition) not in NO_STICKING
        marks = [m + moved if stuck else 99.0 for m in EVENTS[self.at]]
        self._add(
            "events", repetition, **dict(zip(MARKS, marks, strict=True)),
            duration_s=1.0 + 0.1 * self.at + 0.01 * moved, peak_speed_mps=float(speed.max()),
            **{STICKING: stuck}, note="",
        )  # fmt: skip

    def _checks(self) -> None:
        trial = self.trial
        for place, (name, (unit, limit, worst)) in enumerate(CHECKS.items()):
            value, note = limit * (0.2 + 0.02 * trial.number) + 0.1 * place, ""
            if trial.place == FAILED and name == "force balance":
                value = 14.2
            if trial.place in WARNED and name == "synchrony":
                value, note = 20.0 + trial.number, f"clocks of trial {trial.number} differ"
            if trial.condition == FREE_HANDS and name == "share of body weight":
                value = math.nan
            verdict = "pass" if value <= limit else "warn" if value <= worst else "fail"
            self.rows["checks"].append(
                {TRIAL: trial.number, PERSON: trial.person, CONDITION: trial.condition}
                | {"check": name, "about": "measurement", "value": value, "limit": limit}
                | {"worst": worst, "unit": unit}
                | {"verdict": "not possible" if math.isnan(value) else verdict, "note": note}
            )
        for name, curve, size in (
            ("force balance", "measured", 200.0),
            ("force balance", "expected", 210.0),
            ("synchrony", "force over its mean", 1.0),
        ):
            for time in np.linspace(0.0, 1.0, 5):
                self.rows["check_curves"].append(
                    {TRIAL: trial.number, PERSON: trial.person, CONDITION: trial.condition}
                    | {"check": name, "axis": f"{name} [N]", "curve": curve, "time_s": time}
                    | {"value": size + trial.number + time}
                )

    @property
    def verdict(self) -> str:
        """Worst verdict of the checks."""
        order = ("not possible", "pass", "warn", "fail")
        return max((r["verdict"] for r in self.rows["checks"]), key=order.index)


def _record(planter: Planter) -> dict:
    trial = planter.trial
    return {
        "verdict": planter.verdict,
        "failed_checks": [r["check"] for r in planter.rows["checks"] if r["verdict"] == "fail"],
        "limb_verdict": "pass",
        "load_kg": load_of(trial),
        "filter": {"landmarks_hz": 7.0, "forces_hz": 12.0},
        "filled_gaps": ["a gap"] if trial.number in {1, 4} else [],
        "notes": ["joint angles were recorded, no landmarks"] if trial.person == "Cy" else [],
        "repetitions": [{"number": n + 1} for n in range(trial.repetitions)],
        "refused": ["repetition 3: cut off"] if trial.number == 5 else [],
        "checks_possible": [2 if trial.condition == FREE_HANDS else 3, 3],
        "emg": [f"{SIDE}: above the maximal contraction"] if trial.person == "Ama" else [],
        "doubtful_heads": [LONG] if trial.person in {"Bo", "Eli"} else [],
    }


FAULT = "is cut short: it promises 900 frames and holds 458"


def study_text() -> str:
    """Study file of the planted cohort."""
    people = "".join(
        f'[[person]]\nname = "{name}"\nsex = "{"female" if i % 2 else "male"}"\n'
        f"stature_cm = {170 + i}\nbody_mass_kg = {70 + 2 * i}\ntraining_factor = {1 + 0.1 * i:g}\n"
        for i, name in enumerate(PEOPLE)
    )
    conditions = "".join(
        f'[[condition]]\nname = "{name}"\nimplement = "{"bar" if name in BARS else "dumbbells"}"\n'
        for name in CONDITIONS
    )
    trials = "".join(
        f'[[trial]]\nperson = "{t.person}"\ncondition = "{t.condition}"\nfile = "{t.file}"\n'
        f'layout = "lab"\nload_kg = {load_of(t)}\n'
        for t in TRIALS
    )
    return HEADING + people + LAYOUT + conditions + trials


@dataclass(frozen=True)
class Planted:
    """The planted cohort: what was planted, and what the library makes of it."""

    rows: dict[str, list[dict]]
    result: CohortResult
    summary: object

    @property
    def tables(self):
        """Tables of the summary."""
        return self.summary.tables


@functools.cache
def planted() -> Planted:
    """Plant the cohort, once in a session."""
    folder, owner = Path(tempfile.mkdtemp(prefix="planted-")), os.getpid()

    def cleanup() -> None:
        if os.getpid() == owner:  # not when a forked child ends
            shutil.rmtree(folder, ignore_errors=True)

    atexit.register(cleanup)
    (folder / "trials").mkdir()
    study = parse_cohort(study_text(), "planted.toml", folder)
    rows: dict[str, list[dict]] = defaultdict(list)
    outcomes = []
    for trial in TRIALS:
        record = {"load_kg": load_of(trial), "fault": FAULT, "verdict": ""}
        if trial.place != SKIPPED:
            planter = Planter(trial)
            tables = {name: pd.DataFrame(found) for name, found in planter.rows.items()}
            files = trial_files(trial.number, _record(planter), tables)
            with run_folder(folder, COMMAND, **folder_options(study, folder)) as run:
                run.keep(trial_name(trial.number), "planted", files)
            record = record_in(trial.number, files)
            for name, found in planter.rows.items():
                rows[name] += found
        outcomes.append(
            TrialOutcome(
                number=trial.number, person=trial.person, condition=trial.condition,
                file=trial.file, fault=record.get("fault", ""), verdict=record["verdict"],
                record=json.loads(json.dumps(record)), reused=False,
            )
        )  # fmt: skip
    model = replace(load_model(study.file.model), limits=LIMITS)
    result = CohortResult(study=study, model=model, folder=folder, outcomes=tuple(outcomes))
    return Planted(rows=dict(rows), result=result, summary=summarise_cohort(result))


# What the planted rows say, averaged in plain loops.

_COUNTED = {t.number for t in COUNTED}


@functools.cache
def _by_person(table: str, value: str, keys: tuple[str, ...]) -> dict:
    """(condition, mode, keys) → person → values of the repetitions that count."""
    found: dict = defaultdict(lambda: defaultdict(list))
    for row in planted().rows[table]:
        if row[TRIAL] in _COUNTED:
            key = (row[CONDITION], row.get(LATERAL), *(row[k] for k in keys))
            found[key][row[PERSON]].append(row[value])
    return found


def counted_people(table: str, value: str, condition: str, mode: str | None, **where) -> dict:
    """Person → mean over repetitions; what carries no lateral force is the same in every mode."""
    if mode is not None and condition == FREE_HANDS:
        mode = "zero"
    found = _by_person(table, value, tuple(where))[condition, mode, *where.values()]
    return {person: sum(values) / len(values) for person, values in found.items()}


def full_share(head: str, condition: str, mode: str) -> float:
    """Share of frames at full activation, mean over people."""
    held = "zero" if condition == FREE_HANDS else mode
    own = _by_person("frames", ACTIVATION, (HEAD,))[condition, held, head].values()
    return sum(sum(v > 0.99 for v in values) / len(values) for values in own) / len(own)


def is_tested(head: str, pair: tuple[str, str], mode: str) -> bool:
    """Whether neither condition has the head at full activation in over 5 % of frames."""
    return all(full_share(head, condition, mode) <= 0.05 for condition in pair)


def mean_and_sd(table: str, value: str, condition: str, mode: str | None, **where):
    """Mean over people of their own means, standard deviation between them, number of people."""
    own = list(counted_people(table, value, condition, mode, **where).values())
    mean = sum(own) / len(own)
    spread = math.sqrt(sum((v - mean) ** 2 for v in own) / (len(own) - 1))
    return mean, spread, len(own)


def pair_differences(table: str, value: str, pair: tuple[str, str], mode: str, **where) -> dict:
    """Person → first less second, of the people who have both."""
    a, b = (counted_people(table, value, c, mode, **where) for c in pair)
    return {person: a[person] - b[person] for person in a if person in b}


# A published table of the same kind: planted heads, orders and shortfalls.

POINTS = ("chest", "sticking region")
PUBLISHED_SOURCE = "planted_moments.csv"


@functools.cache
def published() -> PublishedResult:
    """Plant what a published table gives; the moments behind it are not solved."""
    nothing = np.full(4, np.nan)
    lines = tuple(
        PublishedLine(
            condition=condition, point=point, people=12 + i,
            moments=np.arange(4.0) + i, moment_sd=nothing,
            angles=np.zeros(5), angle_sd=np.full(5, np.nan),
            source=f"Author {1990 + i}", known="invented", note="", row=i + 2,
        )
        for i, (condition, point) in enumerate((c, p) for c in BARS for p in POINTS)
    )  # fmt: skip
    heads, orders, shortfalls = [], [], []
    for k, line in enumerate(lines):
        for h, head in enumerate(HEADS):
            activation = 0.011 + 0.002 * k if head == IDLE else 0.07 + 0.11 * h + 0.013 * k
            ends = {"": 0.0, "_median": 0.006, "_low": -0.031, "_high": 0.044}
            row = {CONDITION: line.condition, "point": line.point, HEAD: head}
            row |= {"rows_balanced": 4 - (k == 2)}
            row |= {
                f"activation{end}": activation + d * (activation > 0.05) for end, d in ends.items()
            }
            row |= {f"force_n{end}": STRENGTH[head] * row[f"activation{end}"] for end in ends}
            heads.append(row | {"doubtful_path": head == LONG and k < 2})
        shortfalls.append(
            {CONDITION: line.condition, "point": line.point, "n_people": line.people}
            | {"balanced": "; ".join(ROWS[k == 2 :]), "not_given": ROWS[0] if k == 2 else ""}
            | {"status": "solved", "share_short": 0.015 * k, "share_unsolved": 0.0}
        )
    for point in POINTS:
        for a, b in combinations(BARS, 2):
            for h, head in enumerate(HEADS):
                number = len(orders)
                orders.append(
                    {"point": point, "condition": a, "other": b, HEAD: head}
                    | {"activation_difference": 0.012 * (h - 2) - 0.0007 * number}
                    | {"probability": 0.99 - 0.011 * number}
                    | {"probability_independent": 0.51 + 0.004 * number}
                    | {"draws": 400 + number, "same_rows": "medium" not in (a, b), "limit": ""}
                )
    return PublishedResult(
        table=PublishedTable(source=PUBLISHED_SOURCE, lines=lines),
        criterion=Criterion(),
        spread="sd",
        correlation=0.0,
        draws=400,
        seed=1,
        balanced={(x.condition, x.point): x.balanced for x in lines},
        heads=pd.DataFrame(heads),
        orderings=pd.DataFrame(orders),
        shortfalls=pd.DataFrame(shortfalls),
        notes=("A planted note.",),
    )


FIGURES = (
    "speed", "moments", "lateral_ratio", "head_forces", "head_activation", "activation_by_head",
    "emg_curves", "emg_agreement", "sensitivity", "checks",
)  # fmt: skip


def picture(number: int) -> bytes:
    """Give a whole PNG of one pixel, a different one for each number."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes([0, number])))
    return b"\x89PNG\r\n\x1a\n" + body + chunk(b"IEND", b"")


TRIAL_PICTURES = (14, 1)
"""Trials whose checks are shown."""


@functools.cache
def page() -> PageReader:
    """Read the page of the planted cohort."""
    found = planted()
    made = cohort_page(
        found.result,
        found.summary,
        [published()],
        {name: picture(k) for k, name in enumerate(FIGURES)},
        {number: picture(100 + number) for number in TRIAL_PICTURES},
    )
    return PageReader(render(made))


def spelled(name: str) -> str:
    """Give a head or moment row as a reader sees it."""
    return name.replace("/", ", ").replace("_", " ")
