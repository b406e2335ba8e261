"""The invented laboratory study: files as a laboratory would export them, and their truth.

Nobody was measured. Motion and forces come from planned presses (:mod:`momentshare.trial.invent`);
electromyograms follow the model's own answer, distorted and with noise of a person's own, so their
agreement with it shows how the comparison works and is no evidence for the model.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import BALANCED, Lateral
from momentshare.demo import demo_text
from momentshare.errors import MissingExtraError
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

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from momentshare.limb import Limb
    from momentshare.study.schema import PersonEntry
    from momentshare.trial.recording import Channel, Recording

__all__ = ["COHORT_FILE", "write_c3d", "write_lab", "write_table"]

COHORT_FILE = "cohort.toml"

_MILLIMETRES = 1000.0

_TO_LAB = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
"""World axes (x, y up, z right) to the laboratory's: x, y to the left, z up."""

_SPACINGS = {"narrow": 1.1, "medium": 1.4, "wide": 1.7}
_RATIOS = {"narrow": -0.08, "medium": 0.02, "wide": 0.14}
_TUCKS = {"narrow": 58.0, "medium": 66.0, "wide": 72.0}
_LOADS = {"narrow": 0.60, "medium": 0.65, "wide": 0.66}

_MUSCLES = {
    "pectoralis_major/clavicular": "EMG 1",
    "pectoralis_major/sternocostal_lower": "EMG 2",
    "deltoid/clavicular": "EMG 3",
    "triceps_brachii/long": "EMG 4",
    "triceps_brachii/lateral": "EMG 5",
}

_BROKEN = "ines_broken_off.c3d"
"""A copy of the first trial that ends half-way, to show what becomes of a bad file."""

_PUBLISHED = "published_invented.csv"
_PUBLISHED_AT = 0.35
"""Part of the ascent's time that the invented published table speaks of."""

_NOTE = (
    "Invented people, files and numbers. EMG follows the model's own answer with noise, so that "
    "its agreement is no evidence."
)

_FULL = 0.0012
"""Mean rectified size of a full electromyogram [V]; invented."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """One invented trial."""

    entry: PersonEntry
    condition: str
    number: int

    @property
    def stem(self) -> str:
        return f"{self.entry.name.lower()}_{self.condition}"

    @property
    def load(self) -> float:
        return round((self.entry.reference_load_kg or 60.0) * _LOADS[self.condition], 1)


def write_lab(folder: Path, *, people: int | None = None, repetitions: int = 2) -> Path:
    """Write the files of the invented laboratory and the cohort study that names them.

    Parameters
    ----------
    folder : Path
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
    """
    study = parse_study(demo_text())
    model = load_model(study.file.model)
    data = folder / "lab"
    data.mkdir(parents=True, exist_ok=True)
    entries = study.file.person[:people]
    lines, truth = [_header(entries)], {}
    number, points = 0, []
    for who, entry in enumerate(entries):
        limb = build_limb(
            entry.person(), model, strengths=[test.measured() for test in entry.strength]
        )
        table = who == 1  # one person's files are tables of the left arm
        full = _FULL * (1.0 + 0.25 * np.sin(3.0 * who))
        for condition in _SPACINGS:
            number += 1
            plan = _Plan(entry=entry, condition=condition, number=number)
            press, recording = _trial(plan, limb, who, full, repetitions)
            if table:
                name = f"{plan.stem}.csv" if condition != "wide" else f"{plan.stem}.parquet"
                write_table(_mirror(recording), data / name)
            else:
                name = f"{plan.stem}.c3d"
                write_c3d(recording, data / name)
            lines.append(_trial_lines(plan, name, table=table, late=who == 2))
            truth[name] = _truth(press, plan)
            points.append(_published_point(press, condition))
            if number == 1:
                whole = (data / name).read_bytes()
                (data / _BROKEN).write_bytes(whole[: len(whole) // 2])
                lines.append(_broken_lines(plan))
        for head in _MUSCLES:
            if not table:
                lines.append(_maximal_lines(entry.name, head, f"{entry.name.lower()}_maximal.c3d"))
            else:
                lines.append(_maximal_value(entry.name, head, 1000.0 * full))
        if not table:
            write_c3d(_maximal(full, who), data / f"{entry.name.lower()}_maximal.c3d")
    _write_published(points, data / _PUBLISHED)
    lines.append(_published_lines(entries[-1].name))
    text = json.dumps(truth, indent=2)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    place = folder / COHORT_FILE
    place.write_text("\n".join(lines), encoding="utf-8")
    return place


def _trial(
    plan: _Plan, limb: Limb, who: int, full: float, repetitions: int
) -> tuple[InventedPress, Recording]:
    """Motion, forces and electromyograms of one trial."""
    own = np.random.default_rng([7, plan.number])
    breadth = limb.skeleton.sizes.biacromial_breadth
    degree = np.pi / 180.0
    tuck = _TUCKS[plan.condition] + 3.0 * own.standard_normal()
    press = BenchPress(
        load_mass=plan.load,
        spacing=Profile.constant(_SPACINGS[plan.condition] * breadth),
        tuck=Profile(((0.0, tuck * degree), (1.0, (tuck + 12.0) * degree))),
        tilt=Profile(((0.0, 7.0 * degree), (1.0, -6.0 * degree))),
    )
    tempo = Tempo(
        repetitions=repetitions,
        ascent=float(1.7 + 0.25 * own.standard_normal() * 0.5),
        dip=0.0 if who == 4 and plan.condition == "medium" else 0.72,
        dip_at=float(0.44 + 0.02 * own.standard_normal()),
    )
    centre = _RATIOS[plan.condition] + 0.015 * own.standard_normal()
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
    for index, (head, label) in enumerate(_MUSCLES.items()):
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
    from momentshare.trial.recording import Recording

    channels = {
        f"emg/{head}": invent_maximal(full=full, label=label, seed=100 * who + index)
        for index, (head, label) in enumerate(_MUSCLES.items())
    }
    return Recording(source="invented", digest="invented", channels=channels)


def _mirror(recording: Recording) -> Recording:
    from momentshare.trial.recording import mirrored

    return mirrored(recording)


_LABELS = {
    "ij": "IJ",
    "c7": "C7",
    "px": "PX",
    "t8": "T8",
    "right_gh": "R GH",
    "right_el": "R EL",
    "right_em": "R EM",
    "right_rs": "R RS",
    "right_us": "R US",
    "right_grip": "R GRIP",
    "left_gh": "L GH",
    "left_el": "L EL",
    "left_em": "L EM",
    "left_rs": "L RS",
    "left_us": "L US",
    "left_grip": "L GRIP",
    "bar_right": "BAR R",
    "bar_left": "BAR L",
}
_FORCES = {"right_hand_force": "FR", "left_hand_force": "FL"}


def write_c3d(recording: Recording, path: Path) -> None:
    """Write a recording as a laboratory's C3D: millimetres, newtons, millivolts.

    Axes: x to the feet, y to the left, z up. Forces are those of the hand ON the bar.
    """
    try:
        from ezc3d import c3d
    except ImportError as err:
        raise MissingExtraError("ezc3d", "trial", "writing C3D files") from err
    file: Any = c3d()
    points = {r: c for r, c in recording.channels.items() if c.unit == "m"}
    analogs = _analog_columns(recording)
    point_rate = next((c.rate for c in points.values()), 100.0)
    frames = min((len(c.values) for c in points.values()), default=0)
    analog_rate = next((rate for _, _, rate, _ in analogs), point_rate)
    per_frame = round(analog_rate / point_rate)
    longest = min((len(v) for _, v, _, _ in analogs), default=0) // max(per_frame, 1)
    frames = min(frames, longest) if points and analogs else max(frames, longest)
    data = np.full((4, len(points), frames), 1.0)
    for index, channel in enumerate(points.values()):
        data[:3, index] = (_MILLIMETRES * channel.values[:frames] @ _TO_LAB.T).T
    file["parameters"]["POINT"]["RATE"]["value"] = [point_rate]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["POINT"]["LABELS"]["value"] = [_LABELS[r] for r in points]
    file["data"]["points"] = data
    file["parameters"]["ANALOG"]["RATE"]["value"] = [analog_rate]
    file["parameters"]["ANALOG"]["LABELS"]["value"] = [name for name, *_ in analogs]
    file["parameters"]["ANALOG"]["UNITS"]["value"] = [unit for *_, unit in analogs]
    values = np.stack([v[: frames * per_frame] for _, v, _, _ in analogs])
    file["data"]["analogs"] = values[None]
    file.write(str(path))


def _analog_columns(recording: Recording) -> list[tuple[str, NDArray[np.float64], float, str]]:
    """Label, values, rate and unit of every analog channel, in laboratory axes and units."""
    found = []
    for role, channel in recording.channels.items():
        if role in _FORCES:
            on_bar = -(channel.values @ _TO_LAB.T)
            found += [
                (f"{_FORCES[role]}{axis}", on_bar[:, k], channel.rate, "N")
                for k, axis in enumerate("xyz")
            ]
        elif role.startswith("emg/"):
            found.append((channel.label, 1000.0 * channel.values, channel.rate, "mV"))
    return found


def write_table(recording: Recording, path: Path) -> None:
    """Write landmarks and forces as one table, at the rate of the landmarks, with its time.

    Electromyograms go into a second table beside it, named ``…_emg``, at their own rate.
    """
    import pandas as pd

    points = {r: c for r, c in recording.channels.items() if c.unit == "m"}
    rate = next(iter(points.values())).rate
    count = min(len(c.values) for c in points.values())
    columns: dict[str, NDArray[np.float64]] = {"time_s": np.arange(count) / rate}
    for role, channel in points.items():
        lab = _MILLIMETRES * np.asarray(channel.values)[:count] @ _TO_LAB.T
        columns |= {f"{_LABELS[role]}_{a}": lab[:, k] for k, a in enumerate("xyz")}
    for name, values, own_rate, unit in _analog_columns(recording):
        if unit == "N":
            time = np.arange(len(values)) / own_rate
            columns[name] = np.interp(columns["time_s"], time, values)
    _save(pd.DataFrame(columns), path)
    emg = [column for column in _analog_columns(recording) if column[3] == "mV"]
    if emg:
        count = min(len(values) for _, values, _, _ in emg)
        fast = {"time_s": np.arange(count) / emg[0][2]}
        fast |= {name: values[:count] for name, values, _, _ in emg}
        _save(pd.DataFrame(fast), path.with_name(f"{path.stem}_emg{path.suffix}"))


def _save(table: Any, path: Path) -> None:
    if path.suffix == ".parquet":
        table.to_parquet(path, index=False)
    else:
        table.to_csv(path, index=False, float_format="%.6g", lineterminator="\n")


def _truth(press: InventedPress, plan: _Plan) -> dict[str, Any]:
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
    index = round((begin + _PUBLISHED_AT * (end - begin)) * press.rate)
    angles = {f"{k}_deg": np.degrees(v[index]) for k, v in press.lift.posture.angles().items()}
    named = zip(BALANCED, press.moments[index], strict=False)
    return {"condition": condition} | {f"{row}_nm": m for row, m in named} | angles


def _write_published(points: list[dict[str, Any]], path: Path) -> None:
    """Write mean ± SD over people, as a table in a paper."""
    import pandas as pd

    grouped = pd.DataFrame(points).groupby("condition", sort=False)
    mean, spread = grouped.mean(), grouped.std().fillna(0.0)
    table = pd.DataFrame(index=mean.index)
    table.insert(0, "point", f"{100 * _PUBLISHED_AT:.0f} % of the ascent")
    table["n"] = grouped.size()
    for name in mean.columns:
        stem, unit = name.rsplit("_", 1)
        table[name] = mean[name].round(1)
        table[f"{stem}_sd_{unit}"] = spread[name].round(1)
    table["source"] = "momentshare, invented laboratory"
    table["known"] = "invented"
    table.reset_index().to_csv(path, index=False, lineterminator="\n")


def _published_lines(person: str) -> str:
    return (
        "# Moments that came from elsewhere: mean ± SD of a table, here an invented one.\n"
        f"[[published]]\nfile = {_quoted('lab/' + _PUBLISHED)}\nperson = {_quoted(person)}\n"
        'spread = "sd"\n'
    )


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _header(entries: list[PersonEntry]) -> str:
    people = "\n".join(_person_lines(entry) for entry in entries)
    markers = "\n".join(f"{role} = {_quoted(label)}" for role, label in _LABELS.items())
    forces = "\n".join(
        f'{role} = ["{label}x", "{label}y", "{label}z"]' for role, label in _FORCES.items()
    )
    emg = "\n".join(f"{_quoted(head)} = {_quoted(label)}" for head, label in _MUSCLES.items())
    conditions = "\n".join(
        f'[[condition]]\nname = "{name}"\nimplement = "bar"\nnote = "hands {ratio:g} times the '
        f'biacromial breadth apart"\n'
        for name, ratio in _SPACINGS.items()
    )
    return f"""\
# An invented laboratory study: nobody was measured, and truth.json holds what the files were
# made from. The electromyograms follow the model's own answer with noise, so their agreement
# with it shows how the comparison works and is no evidence.

title = "Harbour rescue team: hand spacing in the laboratory"
note = "{_NOTE}"
model = "reference_limb"

[settings]
lateral = ["measured", "zero", "free"]  # how the force along the bar is treated
exponent = 2.0
frames = 101                            # even in time from chest (0 %) to lock-out (100 %)

[processing]
cutoff_hz = 6.0                         # or "residual"
fill_gaps_s = 0.1                       # 0 fills none
failed_checks = "leave out"             # of means and comparisons, or "keep"

[emg]
band_hz = [20, 450]
envelope_hz = 6.0
pull_weight = 1.0                       # remove to leave out activations pulled toward EMG

{people}
# ------------------------------------------------------------- layouts
# up and right are axes of the laboratory: against gravity, and to the person's right.

[[layout]]
name = "motion capture"
format = "c3d"
up = "+z"
right = "-y"
force_on = "bar"

[layout.markers]
{markers}

[layout.forces]
{forces}

[layout.emg]
{emg}

[[layout]]
name = "table"
up = "+z"
right = "-y"
force_on = "bar"
delimiter = ","
time_column = "time_s"
units = {{ markers = "mm", forces = "N" }}

[layout.markers]
{markers}

[layout.forces]
{forces}

[[layout]]
name = "emg table"
up = "+z"
right = "-y"
delimiter = ","
time_column = "time_s"
units = {{ emg = "mV" }}

[layout.emg]
{emg}

[[layout]]
name = "maximal"
format = "c3d"
up = "+z"
right = "-y"

[layout.emg]
{emg}

{conditions}"""


def _person_lines(entry: PersonEntry) -> str:
    given = entry.model_dump(exclude_none=True, exclude_defaults=True, exclude={"strength"})
    lines = ["[[person]]"]
    for key, value in given.items():
        lines.append(f"{key} = {_quoted(value) if isinstance(value, str) else f'{value:g}'}")
    for test in entry.strength:
        lines.append("\n  [[person.strength]]")
        for key, value in test.model_dump(exclude_defaults=True).items():
            lines.append(f"  {key} = {_quoted(value) if isinstance(value, str) else f'{value:g}'}")
    return "\n".join(lines) + "\n"


def _trial_lines(plan: _Plan, name: str, *, table: bool, late: bool) -> str:
    lines = [
        "[[trial]]",
        f"person = {_quoted(plan.entry.name)}",
        f"condition = {_quoted(plan.condition)}",
        f"file = {_quoted('lab/' + name)}",
        f"layout = {_quoted('table' if table else 'motion capture')}",
        f"load_kg = {plan.load:g}",
    ]
    if table:
        stem, ending = name.rsplit(".", 1)
        lines += [
            'side = "left"',
            "",
            "  [[trial.more]]",
            f"  file = {_quoted(f'lab/{stem}_emg.{ending}')}",
            '  layout = "emg table"',
        ]
    if late:
        lines[1:1] = ["# the force clock of this person runs 20 ms late, and the checks say so"]
    return "\n".join(lines) + "\n"


def _broken_lines(plan: _Plan) -> str:
    return "# this file ends half-way: it is reported and skipped\n" + _trial_lines(
        plan, _BROKEN, table=False, late=False
    )


def _maximal_lines(person: str, head: str, name: str) -> str:
    return (
        f"[[maximal_contraction]]\nperson = {_quoted(person)}\nhead = {_quoted(head)}\n"
        f'file = {_quoted("lab/" + name)}\nlayout = "maximal"\n'
    )


def _maximal_value(person: str, head: str, millivolt: float) -> str:
    return (
        f"[[maximal_contraction]]\nperson = {_quoted(person)}\nhead = {_quoted(head)}\n"
        f"envelope_mv = {millivolt:.4g}\n"
    )
