"""The results of a study by condition and lateral mode, and curves over people."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.limits import Limits, lift_kinds
from momentshare.report.figures import style
from momentshare.report.figures.limit_marks import Marks
from momentshare.report.figures.looks import Looks
from momentshare.study.factors import Factors

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.limits import LiftKind
    from momentshare.runs import Band, Case
    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["WORKING", "Curve", "Solved", "curve_over_people", "lift_mean", "solved_study"]

WORKING = 0.05
"""Lift-mean activation that a head must exceed in some condition to be shown."""


@dataclass(frozen=True, slots=True)
class Solved:
    """Results by condition and lateral mode, in the order of the study."""

    conditions: tuple[str, ...]
    modes: tuple[str, ...]
    people: int
    heads: tuple[str, ...]
    entries: dict[tuple[str, str], list[tuple[Case, LiftResult]]]
    bars: frozenset[str]
    all_reach: bool
    varied: Band | None = None
    limits: Limits = field(default_factory=Limits)
    kinds: Mapping[str, LiftKind] = field(default_factory=dict)
    factors: Factors = field(default_factory=Factors)

    @property
    def looks(self) -> Looks:
        """How the lines of the conditions look, and which share a panel."""
        return Looks(self.conditions, self.factors, {c: self.label(c) for c in self.conditions})

    def marks(self) -> Marks:
        """Return marks of what the limb does not support, for one figure."""
        return Marks(self.limits, self.kinds)

    def get(self, condition: str, mode: str) -> list[tuple[Case, LiftResult]]:
        """Results of a condition; one without a lateral force serves for every mode."""
        return self.entries.get((condition, self.own_mode(condition, mode)), [])

    def own_mode(self, condition: str, mode: str) -> str:
        """Return the treatment of a condition that is drawn where a figure shows another."""
        return mode if condition in self.bars else "zero"

    def any(self, condition: str) -> list[tuple[Case, LiftResult]]:
        """Results of a condition if the lateral mode does not matter."""
        return next((self.get(condition, m) for m in self.modes if self.get(condition, m)), [])

    def label(self, condition: str) -> str:
        """Name of a condition, with the number of people where some are missing."""
        count = len({case.person for case, _ in self.any(condition)})
        if count < self.people:
            return f"{condition} ({count} of {self.people} people)"
        return condition

    @property
    def who(self) -> str:
        """How many people."""
        return "1 person" if self.people == 1 else f"mean of {self.people} people"

    @property
    def band(self) -> str:
        """Meaning of the band, if there is one."""
        if self.people == 1:
            return ""
        tail = "" if self.all_reach else " Means are shown where everyone reaches the bar."
        return f" Band: range over people.{tail}"

    def lateral(self, mode: str) -> str:
        """Name the treatment of the lateral force, and what is shown beside it."""
        if not self.bars:
            return "no lateral force (dumbbells)"
        text = f"lateral force: {style.MODES[mode]}"
        return text + ("; dumbbells: none" if len(self.bars) < len(self.conditions) else "")

    def main_mode(self) -> str:
        """Return the mode that covers most conditions; the study's order breaks ties."""
        return max(self.modes, key=lambda m: sum(bool(self.get(c, m)) for c in self.conditions))

    def mean_activation(self, condition: str, mode: str) -> Floats:
        """Lift-mean activation of every head, the mean over people."""
        found = [lift_mean(r.activation, c) for c, r in self.get(condition, mode)]
        return np.mean(found, axis=0) if found else np.full(len(self.heads), np.nan)

    def posture_band(self, condition: str, mode: str) -> tuple[Floats, Floats] | None:
        """Range of the mean activation of every head over the posture rule; None without one."""
        pairs = self.get(condition, mode)
        keys = [(case.person, case.condition, result.lateral.mode) for case, result in pairs]
        if self.varied is None or not keys or any(k not in self.varied.posture for k in keys):
            return None
        table = np.mean([self.varied.posture[key].activation for key in keys], axis=0)
        return np.nanmin(table, axis=0), np.nanmax(table, axis=0)

    def working(self, mode: str | None = None) -> list[int]:
        """Heads that work in some condition, under one treatment or any; else the busiest."""
        modes = self.modes if mode is None else (mode,)
        table = np.array([self.mean_activation(c, m) for c in self.conditions for m in modes])
        top = np.max(np.where(np.isnan(table), 0.0, table), axis=0)
        return [int(i) for i in np.flatnonzero(top > WORKING)] or [int(np.argmax(top))]


def lift_mean(values: Floats, case: Case) -> Floats:
    """Mean over the frames within reach; trailing axes are kept."""
    return np.asarray(values[case.prepared.lift.reachable].mean(axis=0))


def solved_study(study: StudyResult) -> Solved:
    """Sort the results of a study by condition and lateral mode."""
    entries: dict[tuple[str, str], list[tuple[Case, LiftResult]]] = {}
    bars = set()
    for case, result in study.pairs():
        entries.setdefault((case.condition, result.lateral.mode), []).append((case, result))
        if case.prepared.lift.lateral_free:
            bars.add(case.condition)
    present = {condition for condition, _ in entries}
    names = tuple(c.name for c in study.study.file.condition if c.name in present)
    modes = tuple(
        m for m in study.study.file.settings.lateral if any((b, m) in entries for b in bars)
    )
    return Solved(
        conditions=names,
        modes=modes or ("zero",),
        people=len({case.person for case in study.cases}),
        heads=tuple(study.model.head_names),
        entries=entries,
        bars=frozenset(bars),
        all_reach=all(case.prepared.lift.reachable.all() for case in study.cases),
        varied=study.band,
        limits=study.model.limits,
        kinds=lift_kinds(study.study.file.condition),
        factors=study.study.factors,
    )


@dataclass(frozen=True, slots=True)
class Curve:
    """A quantity along the lift: mean, least and greatest over people."""

    lift: Floats
    mean: Floats
    low: Floats
    high: Floats


def curve_over_people(pairs: list[tuple[Case, LiftResult]], values: list[Floats]) -> Curve:
    """Gather people; trailing axes are kept.

    The mean is over everyone where all have a value, so that it does not jump where one person
    drops out; if no frame has everyone it is the mean of those who have one.
    """
    table = np.array(values, dtype=float)
    table[~np.isfinite(table)] = np.nan
    known = np.isfinite(table)
    count = known.sum(axis=0)
    filled = np.where(known, table, 0.0)
    everyone = count == len(table)
    shown = everyone if everyone.any() else count > 0
    mean = np.where(shown, filled.sum(axis=0) / np.maximum(count, 1), np.nan)
    some = count > 0
    low = np.where(some, np.where(known, table, np.inf).min(axis=0), np.nan)
    high = np.where(some, np.where(known, table, -np.inf).max(axis=0), np.nan)
    fractions = np.array([case.prepared.lift.fraction for case, _ in pairs])
    return Curve(lift=100.0 * fractions.mean(axis=0), mean=mean, low=low, high=high)
