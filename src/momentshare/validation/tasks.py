"""The limb's values for targets that need a whole task: presses, push-ups, the held arm.

The pressing posture is that of a press with default settings; a row that states the tuck on the
chest uses it, with 82 degrees at lock-out (assumed). The lifter is the average person with the
training factor of the model unless the row says otherwise. None of these targets is used in any
fit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.errors import MomentshareError
from momentshare.units import GRAVITY
from momentshare.validation.drives import drive_value
from momentshare.validation.probe import Press, Probe, course, weakest

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.validation.targets import Ask

__all__ = ["task_value"]

_ACROSS = "shoulder_horizontal_adduction"
_EXTENSION = "elbow_extension"
_NEED_GREATEST = {"press_load", "press_weak_place"}
_RAISED = np.linspace(30.0, 120.0, 10)


def task_value(ask: Ask, probe: Probe) -> float:
    """Compute one quantity, in the unit of its target; NaN where the limb cannot do the task."""
    try:
        if ask.quantity.startswith("press_"):
            greatest = ask.quantity in _NEED_GREATEST
            return _PRESS[ask.quantity](ask, probe.press(_press(ask), greatest=greatest))
        if ask.quantity.startswith("contact_"):
            return _contact(ask, probe)
        if ask.quantity.startswith("maximal_"):
            return drive_value(ask, probe)
        return probe.push_up_share(ask.sex, ask.scapula)[ask.get("end")]
    except MomentshareError:
        return float("nan")


def _press(ask: Ask) -> Press:
    return Press(
        sex=ask.sex,
        scapula=ask.scapula,
        body_mass=ask.number("body_mass_kg", 0.0),
        stature=ask.number("stature_m", 0.0),
        training=ask.number("training", 0.0),
        exercise=ask.get("exercise", "bench"),
        implement=ask.get("implement", "bar"),
        spacing=ask.number("spacing", 1.4),
        tuck=float(tuck) if (tuck := ask.get("tuck_deg", "")) else None,
        bench=ask.number("bench_deg", 0.0),
        load=ask.number("load_kg", 70.0),
        relative=ask.number("part_of_greatest", 0.0),
        lateral=ask.get("lateral", "free"),
        ratio=ask.number("ratio", 0.0),
    )


def _mean(values: NDArray[np.float64]) -> float:
    """Mean of the frames that have an answer; NaN if none has."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _mean_moment(result: LiftResult, row: str) -> float:
    return _mean(result.moments[:, ROWS.index(row)])


def _activation(ask: Ask, result: LiftResult) -> float:
    """Mean activation of some heads in a third of the travel, or in all of it."""
    names = result.prepared.limb.head_names
    heads = [i for i, n in enumerate(names) if {n, n.split("/")[0]} & set(ask.subjects)]
    part = result.prepared.lift.fraction
    region = ask.get("region", "all")
    inside = {
        "all": np.ones(len(part), dtype=bool),
        "first third": part <= 1 / 3,
        "middle third": (part >= 1 / 3) & (part <= 2 / 3),
        "last third": part >= 2 / 3,
    }[region]
    return _mean(result.activation[np.ix_(inside, np.array(heads, dtype=np.intp))])


def _weak(_: Ask, result: LiftResult) -> float:
    place = weakest(result)[1]
    return min(place, 1.0 - place)


def _falls(ask: Ask, result: LiftResult) -> float:
    """Least fall of the gravity-only arm from one height to the next [mm]."""
    return 1000.0 * float(np.min(-np.diff(course(result, ask.direction)[1])))


def _least(ask: Ask, result: LiftResult) -> float:
    """Distance of the least gravity-only arm from the nearer end, less a twentieth."""
    part, arm = course(result, ask.direction)
    place = float(part[int(np.argmin(arm))])
    return min(place, 1.0 - place) - 0.05


def _contact(ask: Ask, probe: Probe) -> float:
    base = np.array([ask.angles])
    if ask.get("sweep") == "elevation":
        base = np.tile(base, (len(_RAISED), 1))
        base[:, 1] = _RAISED
    compression, shear = probe.contact(ask.sex, ask.scapula, base)
    weight = probe.limb(ask.sex, ask.scapula).skeleton.person.body_mass * GRAVITY
    force = float(np.hypot(compression, shear).max()) / weight
    ratio = float(np.max(np.where(compression > 0.0, shear / np.abs(compression), np.inf)))
    if ask.quantity == "contact_force":
        return force
    if ask.quantity == "contact_shear":
        return ratio
    return ask.number("bound", 0.0) - (ratio if ask.direction == "shear" else force)


_PRESS: dict[str, Callable[[Ask, LiftResult], float]] = {
    "press_lateral_ratio": lambda _, r: _mean(r.lateral_ratio),
    "press_load": lambda _, r: weakest(r)[0],
    "press_weak_place": _weak,
    "press_moment": lambda a, r: _mean_moment(r, a.direction),
    "press_moment_ratio": lambda _, r: _mean_moment(r, _EXTENSION) / _mean_moment(r, _ACROSS),
    "press_activation": _activation,
    "press_travel": lambda _, r: 100.0 * float(np.ptp(r.prepared.lift.height)),
    "press_gravity_falls": _falls,
    "press_gravity_least": _least,
}
