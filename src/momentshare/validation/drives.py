"""The limb's values for targets of a maximal lift: the bar driven by the greatest force.

The lift is a default press at a hand spacing; its load is a fraction of the greatest one that
passes every height, where the full load means 1.25 kg less, half a step of plates, so that the bar
moves. Lifters who are told to lift fast slow the bar down before lock-out; the limb does not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import Lateral
from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile
from momentshare.maximal import drive_load, driven_path, find_dip, greatest_passing_load

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.maximal import Drive, DrivenPath
    from momentshare.validation.probe import Probe
    from momentshare.validation.targets import Ask

__all__ = ["drive_value"]

HALF_STEP = 1.25
"""Margin below the greatest load that passes [kg]; assumed."""

_PARTS = tuple(np.round(np.arange(0.2, 0.96, 0.05), 2).tolist())
"""Fractions of the greatest load over which the greatest power is searched for."""

_FREE = Lateral(mode="free")


@dataclass(slots=True)
class Driven:
    """A limb's press, its greatest load [kg] and the loads driven so far."""

    path: DrivenPath
    greatest: float
    found: dict[float, Drive] = field(default_factory=dict)

    def drive(self, part: float) -> Drive:
        """Drive a fraction of the greatest load."""
        if part not in self.found:
            load = self.greatest - HALF_STEP if part == 1.0 else part * self.greatest
            self.found[part] = drive_load(self.path.field(load, _FREE))
        return self.found[part]


def drive_value(ask: Ask, probe: Probe) -> float:
    """Compute one quantity of a maximal lift, in the unit of its target."""
    model = probe.model
    limb = probe.limb(
        ask.sex,
        ask.scapula or model.default_scapula,
        ask.number("body_mass_kg", 0.0),
        ask.number("stature_m", 0.0),
        ask.number("training", 0.0) or model.number("volume_athlete_over_student"),
    )
    spacing = ask.number("spacing", 1.7)
    key = (limb.skeleton.person, ask.scapula, spacing)
    if key not in probe.drives:
        width = Profile.constant(spacing * limb.skeleton.sizes.biacromial_breadth)
        path = driven_path(limb, BenchPress(load_mass=1.0, spacing=width))
        probe.drives[key] = Driven(path=path, greatest=greatest_passing_load(path, _FREE)[0])
    lift: Driven = probe.drives[key]
    if not lift.greatest > 2.0 * HALF_STEP:
        raise InputError("maximal lift: no load passes, so no part of it can be driven")
    return _DRIVES[ask.quantity](lift, ask.number("part_of_greatest", 1.0))


def _power_place(power: Callable[[Drive], float]) -> Callable[[Driven, float], float]:
    """Fraction of the greatest load at which a power is greatest."""

    def place(lift: Driven, _: float) -> float:
        return float(max((*_PARTS, 1.0), key=lambda part: power(lift.drive(part))))

    return place


def _mean_power(drive: Drive) -> float:
    """Mean power of the whole way up [W]; none where the load does not move."""
    work = float(np.trapezoid(drive.force, drive.height))
    return work / drive.duration if drive.duration > 0.0 else 0.0


def _fall(lift: Driven, part: float) -> float:
    """Fall of the speed from its first peak to its minimum [m/s]; 0 where it never falls."""
    dip = find_dip(lift.drive(part), lift.path.travel)
    return dip.first_peak_speed - dip.minimum_speed if dip.present else 0.0


_DRIVES: dict[str, Callable[[Driven, float], float]] = {
    "maximal_mean_speed": lambda lift, part: float(lift.drive(part).mean_speed),
    "maximal_peak_speed": lambda lift, part: float(lift.drive(part).speed.max()),
    "maximal_duration": lambda lift, part: float(lift.drive(part).duration),
    "maximal_mean_power_place": _power_place(_mean_power),
    "maximal_peak_power_place": _power_place(lambda d: float((d.force * d.speed).max())),
    "maximal_dip": _fall,
    "maximal_no_dip": lambda lift, part: -_fall(lift, part) or 1.0,
}
