"""The invented laboratory study: files as a laboratory would export them, and their truth.

Nobody was measured. Motion and forces come from planned presses (:mod:`momentshare.trial.invent`);
electromyograms follow the model's own answer, distorted and with noise particular to each person,
so their agreement with it shows how the comparison works and is no evidence for the model.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import BALANCED, Lateral
from momentshare.demo import demo_text
from momentshare.demo.lab_files import write_c3d, write_table
from momentshare.demo.lab_plan import (
    BROKEN,
    MUSCLES,
    PUBLISHED,
    PUBLISHED_AT,
    RATIOS,
    SPACINGS,
    TUCKS,
    Plan,
)
from momentshare.demo.lab_text import (
    broken_lines,
    header,
    maximal_lines,
    maximal_value,
    published_lines,
    trial_lines,
)
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.lift import Lift, Motion
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.study import parse_study
from momentshare.trial.invent import (
    Imperfections,
    InventedPress,
    Tempo,
    invent_press,
    recorded,
)
from momentshare.trial.invent_emg import invent_emg, invent_maximal
from momentshare.trial.recording import Recording, mirrored

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from momentshare.limb import Limb
    from momentshare.study.schema import PersonEntry
    from momentshare.trial.recording import Channel


__all__ = ["COHORT_FILE", "lab_study", "make_lab", "write_lab"]

COHORT_FILE = "cohort.toml"

_TABLES = 1
"""Number of the person whose files are tables of the left arm."""

_FULL = 0.0012
"""Mean rectified size of a full electromyogram [V]; invented."""


def write_lab(folder: Path, *, people: int | None = None, repetitions: int = 2) -> Path:
    """Write the files of the invented laboratory and the cohort study that names them.

    Parameters
    ----------
    folder : Path
        Made if needed; nothing that is there already is replaced.
    people : int, optional
        How many of the six people; all by default.
    repetitions : int
        In each trial.

    Returns
    -------
    Path
        The cohort study file. ``truth.json`` beside it holds what the files were made from.

    Raises
    ------
    MissingExtraError
        ezc3d is not installed.
    InputError
        Something of the same name and other contents is there.
    """
    from momentshare.files import given_files

    entries = parse_study(demo_text()).file.person[:people]
    text = lab_study(entries).encode()
    with given_files(folder, {COHORT_FILE: text}) as made:
        make_lab(made, entries, repetitions)
    return folder / COHORT_FILE


def lab_study(entries: Sequence[PersonEntry]) -> str:
    """Text of the cohort study of the invented laboratory."""
    lines = [header(list(entries))]
    for who, plan in _plans(entries):
        lines.append(trial_lines(plan, _file(who, plan), table=who == _TABLES, late=who == 2))
        if plan.number == 1:
            lines.append(broken_lines(plan))
        if plan.condition != tuple(SPACINGS)[-1]:
            continue
        for head in MUSCLES:
            if who != _TABLES:
                name = f"{plan.entry.name.lower()}_maximal.c3d"
                lines.append(maximal_lines(plan.entry.name, head, name))
            else:
                lines.append(maximal_value(plan.entry.name, head, 1000.0 * _full(who)))
    lines.append(published_lines(entries[-1].name))
    return "\n".join(lines)


def make_lab(folder: Path, entries: Sequence[PersonEntry], repetitions: int) -> None:
    """Make the files that the study of the invented laboratory names, and ``truth.json``."""
    model = load_model(parse_study(demo_text()).file.model)
    data = folder / "lab"
    data.mkdir(parents=True, exist_ok=True)
    truth, points = {}, []
    limbs = [
        build_limb(e.person(), model, strengths=[t.measured() for t in e.strength]) for e in entries
    ]
    for who, plan in _plans(entries):
        press, recording = _trial(plan, limbs[who], who, _full(who), repetitions)
        name = _file(who, plan)
        if who == _TABLES:
            write_table(mirrored(recording), data / name)
        else:
            write_c3d(recording, data / name)
        truth[name] = _truth(press, plan)
        points.append(_published_point(press, plan.condition))
        if plan.number == 1:
            whole = (data / name).read_bytes()
            (data / BROKEN).write_bytes(whole[: len(whole) // 2])
    for who, entry in enumerate(entries):
        if who != _TABLES:
            write_c3d(_maximal(_full(who), who), data / f"{entry.name.lower()}_maximal.c3d")
    _write_published(points, data / PUBLISHED)
    text = json.dumps(truth, indent=2) + "\n"
    (folder / "truth.json").write_bytes(text.encode())


def _plans(entries: Sequence[PersonEntry]) -> list[tuple[int, Plan]]:
    """Every trial, with the number of its person."""
    pairs = [(who, entry, name) for who, entry in enumerate(entries) for name in SPACINGS]
    return [
        (who, Plan(entry=entry, condition=name, number=number))
        for number, (who, entry, name) in enumerate(pairs, start=1)
    ]


def _full(who: int) -> float:
    """Mean rectified size of a person's full electromyogram [V]."""
    return float(_FULL * (1.0 + 0.25 * np.sin(3.0 * who)))


def _file(who: int, plan: Plan) -> str:
    """Name of the file of a trial."""
    if who != _TABLES:
        return f"{plan.stem}.c3d"
    return f"{plan.stem}.csv" if plan.condition != "wide" else f"{plan.stem}.parquet"


def _trial(
    plan: Plan, limb: Limb, who: int, full: float, repetitions: int
) -> tuple[InventedPress, Recording]:
    """Motion, forces and electromyograms of one trial."""
    own = np.random.default_rng([7, plan.number])
    breadth = limb.skeleton.sizes.biacromial_breadth
    degree = np.pi / 180.0
    tuck = TUCKS[plan.condition] + 3.0 * own.standard_normal()
    press = BenchPress(
        load_mass=plan.load,
        spacing=Profile.constant(SPACINGS[plan.condition] * breadth),
        tuck=Profile(((0.0, tuck * degree), (1.0, (tuck + 12.0) * degree))),
        tilt=Profile(((0.0, 7.0 * degree), (1.0, -6.0 * degree))),
    )
    tempo = Tempo(
        repetitions=repetitions,
        ascent=float(1.7 + 0.25 * own.standard_normal() * 0.5),
        dip=0.0 if who == 4 and plan.condition == "medium" else 0.72,
        dip_at=float(0.44 + 0.02 * own.standard_normal()),
    )
    centre = RATIOS[plan.condition] + 0.015 * own.standard_normal()
    truth = invent_press(
        press, limb.skeleton, tempo, ratio=lambda f: centre + 0.05 * (0.5 - f), rate=200.0
    )
    emg = _electromyograms(truth, limb, own, full, plan.number)
    faults = Imperfections(
        marker_noise=0.0006,
        force_noise=3.0,
        force_delay=0.020 if who == 2 else 0.0,
        asymmetry=float(0.008 * own.standard_normal()),
        gap=(2.9, 2.95) if who == 3 else None,
        seed=plan.number,
    )
    return truth, recorded(truth, faults, emg=emg)


def _electromyograms(
    truth: InventedPress, limb: Limb, own: np.random.Generator, full: float, number: int
) -> dict[str, Channel]:
    """Channels that follow the model's own answer, distorted."""
    every = 8
    lift = _thinned(truth.lift, every)
    ratio = tuple(map(float, truth.ratio[::every]))
    result = solve_lift(
        prepare(limb, lift), Lateral(mode="measured", ratio=ratio), greatest_load=False
    )
    found = {}
    for index, (head, label) in enumerate(MUSCLES.items()):
        pure = np.clip(result.activation[:, limb.head_names.index(head)], 0.0, 1.0)
        gain = 1.0 + 0.15 * own.standard_normal()
        level = np.clip(0.04 + gain * pure ** (0.9 + 0.1 * own.standard_normal()), 0.0, 1.2)
        found[head] = invent_emg(
            level, truth.rate / every, full=full, label=label, seed=1000 * number + index
        )
    return found


def _thinned(lift: Lift, every: int) -> Lift:
    """Every so many frames of a lift."""
    assert lift.motion is not None  # noqa: S101 - invented presses are timed
    assert lift.time is not None  # noqa: S101
    motion = Motion(
        **{name: getattr(lift.motion, name)[::every] for name in Motion.__dataclass_fields__}
    )
    return replace(
        lift,
        fraction=lift.fraction[::every],
        height=lift.height[::every],
        time=lift.time[::every],
        posture=lift.posture[::every],
        shoulder=lift.shoulder[::every],
        hand=lift.hand[::every],
        elbow=lift.elbow[::every],
        reachable=lift.reachable[::every],
        gap=lift.gap[::every],
        motion=motion,
    )


def _maximal(full: float, who: int) -> Recording:
    channels = {
        f"emg/{head}": invent_maximal(full=full, label=label, seed=100 * who + index)
        for index, (head, label) in enumerate(MUSCLES.items())
    }
    return Recording(source="invented", digest="invented", channels=channels)


def _truth(press: InventedPress, plan: Plan) -> dict[str, Any]:
    """Return what a reader of the file should find, at a few heights of the first ascent."""
    begin, end = press.marks[0]
    at = np.linspace(begin, end, 11)
    index = np.round(at * press.rate).astype(int)
    return {
        "person": plan.entry.name,
        "condition": plan.condition,
        "load_kg": plan.load,
        "chest_s": float(begin),
        "lockout_s": float(end),
        "lift_percent": [10.0 * k for k in range(11)],
        "net_moments_nm": press.moments[index].round(3).tolist(),
        "lateral_ratio": press.ratio[index].round(4).tolist(),
    }


def _published_point(press: InventedPress, condition: str) -> dict[str, Any]:
    """Moments and posture of one person at one point, as a paper would average them."""
    begin, end = press.marks[0]
    index = round((begin + PUBLISHED_AT * (end - begin)) * press.rate)
    angles = {f"{k}_deg": np.degrees(v[index]) for k, v in press.lift.posture.angles().items()}
    named = zip(BALANCED, press.moments[index], strict=False)
    return {"condition": condition} | {f"{row}_nm": m for row, m in named} | angles


def _write_published(points: list[dict[str, Any]], path: Path) -> None:
    """Write mean ± SD over people, as a table in a paper."""
    import pandas as pd

    grouped = pd.DataFrame(points).groupby("condition", sort=False)
    mean, spread = grouped.mean(), grouped.std().fillna(0.0)
    table = pd.DataFrame(index=mean.index)
    table.insert(0, "point", f"{100 * PUBLISHED_AT:.0f} % of the ascent")
    table["n"] = grouped.size()
    for name in mean.columns:
        stem, unit = name.rsplit("_", 1)
        table[name] = mean[name].round(1)
        table[f"{stem}_sd_{unit}"] = spread[name].round(1)
    table["source"] = "momentshare, invented laboratory"
    table["known"] = "invented"
    table.reset_index().to_csv(path, index=False, lineterminator="\n")
