"""Each person's checks compared with those of the others, and each person's effect on contrasts.

A fault that stays below a fixed limit may still stand out from a laboratory's own spread: a force
cell with a zero error, an electromyogram on a clock of its own. Medians and the median absolute
deviation are used, so that the fault does not mask itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from momentshare.cohort.run import CohortResult

__all__ = ["Measured", "compare_with_peers", "influence_table", "peers_table"]

LEAST_PEOPLE = 4
"""Number of people from which each is compared with the others; assumed."""

_OUT = 4.0
"""Robust standard deviations beyond which a person stands out; assumed."""

_FLOOR = 0.05
"""Least spread that is accepted, over the limit of the check; assumed."""

_EXCESS = 0.2
"""Difference from the others, over the limit, below which a signed measure does not stand out;
assumed."""

_EXCESS_OF_CHECK = 0.5
"""The same of a check, whose values differ between people by chance too; assumed."""

_TO_SD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution."""

_RATIO = "lateral_ratio_percent"

_LEAST_RATIO = 4.0
"""Lateral ratio of the others, root mean square over conditions, that tells a sign [%]; assumed."""

_MEASURES = {
    "force_offset_n": ("vertical force less load × (g + a)", "N", 25.0),
    "emg_behind_prediction_ms": ("EMG behind prediction", "ms", 300.0),
    "emg_behind_force_ms": ("EMG behind the hand force", "ms", 300.0),
    "lateral_ratio_percent": ("lateral ratio over the others'", "times", 5.0),
}
"""Signed measures of a trial in its record: name, unit, and a size that serves as a limit."""


class Measured(Protocol):
    """What is known of a trial here; ``record`` may hold the signed measures."""

    @property
    def number(self) -> int:
        """Number in the study file, from 1."""

    @property
    def person(self) -> str:
        """Name of the person."""

    @property
    def condition(self) -> str:
        """Name of the condition."""

    @property
    def record(self) -> Mapping[str, Any]:
        """Signed measures by key, among others."""


def peers_table(result: CohortResult) -> pd.DataFrame:
    """Compare each person's value of every check with those of the others.

    One row per person and check: the median over the person's trials, the median and robust spread
    of the other people's, the distance in such spreads, and whether it stands out. Values of checks
    stand out where they are larger, signed measures on either side. Empty with fewer than four
    people.
    """
    return compare_with_peers(result.table("checks", all_solved=True), result.solved)


def compare_with_peers(checks: pd.DataFrame, trials: Sequence[Measured]) -> pd.DataFrame:
    """Do as :func:`peers_table`, from rows of checks and the records of trials."""
    values = _values(checks, trials)
    rows: list[dict[str, Any]] = []
    for name, part in values.groupby("check", sort=False):
        own = part.groupby("person", sort=False)["value"].median()
        if len(own) < LEAST_PEOPLE:
            continue
        limit, unit, signed = part[["limit", "unit", "signed"]].iloc[0]
        for person, value in own.items():
            others = own.drop(person)
            middle = float(others.median())
            deviation = _TO_SD * float((others - middle).abs().median())
            spread = max(deviation, _FLOOR * limit)
            excess = float(value) - middle
            far = excess / spread
            if signed:
                excess, size, least = abs(excess), abs(far), _EXCESS
            else:
                size, least = far, _EXCESS_OF_CHECK
            rows.append(
                {
                    "person": person,
                    "check": name,
                    "value": float(value),
                    "others_median": middle,
                    "others_spread": spread,
                    "unit": unit,
                    "spreads_away": far,
                    "stands_out": bool(size > _OUT and excess > least * limit),
                    "trials": int((part["person"] == person).sum()),
                }
            )
    return pd.DataFrame(rows)


def _values(checks: pd.DataFrame, trials: Sequence[Measured]) -> pd.DataFrame:
    """Return check values of the measurement and signed measures, one row per trial and check."""
    parts = []
    if not checks.empty:
        mine = checks[
            (checks["about"] == "measurement")
            & checks["value"].notna()
            & (checks["limit"] > 0.0)  # a distance from the midline differs with the person
        ]
        parts.append(mine[["person", "check", "value", "limit", "unit"]].assign(signed=False))
    measured = {key: {o.number: o.record.get(key) for o in trials} for key in _MEASURES}
    measured[_RATIO] = _over_the_others(trials)
    rows = [
        {
            "person": o.person,
            "check": name,
            "value": float(value),
            "limit": limit,
            "unit": unit,
            "signed": True,
        }
        for o in trials
        for key, (name, unit, limit) in _MEASURES.items()
        if (value := measured[key].get(o.number)) is not None and np.isfinite(value)
    ]
    if rows:
        parts.append(pd.DataFrame(rows))
    columns = ["person", "check", "value", "limit", "unit", "signed"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _over_the_others(trials: Sequence[Measured]) -> dict[int, float | None]:
    """Lateral ratio of each trial's person over that of the others, by trial.

    Over the conditions of a person, the factor by which the medians of the others have to be
    multiplied to come nearest to the person's own: about 1, and about −1 where the two hands were
    exchanged. Left out are people beside whom fewer than three others have a ratio, and ratios too
    small to have a sign.
    """
    mine: dict[str, dict[str, list[float]]] = {}
    for o in trials:
        if o.record.get(_RATIO) is not None:
            mine.setdefault(o.condition, {}).setdefault(o.person, []).append(o.record[_RATIO])
    own = {
        condition: {person: float(np.median(values)) for person, values in people.items()}
        for condition, people in mine.items()
    }
    factors: dict[str, float] = {}
    for person in {o.person for o in trials}:
        pairs = [
            (
                people[person],
                float(np.median([v for other, v in people.items() if other != person])),
            )
            for people in own.values()
            if person in people and len(people) >= LEAST_PEOPLE
        ]
        size = sum(usual**2 for _, usual in pairs)
        if pairs and size >= len(pairs) * _LEAST_RATIO**2:
            factors[person] = sum(value * usual for value, usual in pairs) / size
    return {o.number: factors.get(o.person) for o in trials}


def influence_table(table: pd.DataFrame, contrasts: pd.DataFrame, alpha: float) -> pd.DataFrame:
    """Leave each person out of each paired contrast.

    Parameters
    ----------
    table : DataFrame
        Columns lateral, outcome, item, person, condition, value: one row per person and condition.
    contrasts : DataFrame
        Rows to be checked: lateral, outcome, item, condition, other, and the paired difference.
    alpha : float
        Level of the paired t test, not adjusted.

    Returns
    -------
    DataFrame
        One row per contrast and person: the mean paired difference with and without the person,
        both p values, and whether the sign or the side of ``alpha`` changes without the person.
    """
    from scipy.stats import t as student

    keys = ["lateral", "outcome", "item"]
    wide = table.pivot_table(
        index=[*keys, "person"], columns="condition", values="value", observed=True
    )
    rows: list[dict[str, Any]] = []
    for row in contrasts.to_dict("records"):
        key = tuple(row[k] for k in keys)
        mine = wide.loc[key]
        if not {row["condition"], row["other"]} <= set(mine.columns):
            continue
        both = (mine[row["condition"]] - mine[row["other"]]).dropna()
        count = len(both)
        if count < LEAST_PEOPLE:
            continue
        values = both.to_numpy(dtype=float)
        mean = float(values.mean())
        p = _p(values, student)
        for person, value in both.items():
            rest = values[both.index != person]
            without, p_without = float(rest.mean()), _p(rest, student)
            rows.append(
                {name: row[name] for name in (*keys, "condition", "other")}
                | {
                    "person": person,
                    "own_difference": float(value),
                    "difference_mean": mean,
                    "difference_without": without,
                    "p_paired": p,
                    "p_without": p_without,
                    "turns": bool(mean * without < 0.0 or (p < alpha) != (p_without < alpha)),
                }
            )
    return pd.DataFrame(rows)


def _p(values: np.ndarray[Any, np.dtype[np.float64]], student: Any) -> float:
    """Two-sided p of a paired t test."""
    spread = float(values.std(ddof=1))
    if spread == 0.0:
        return 0.0 if values.mean() else 1.0
    statistic = values.mean() / spread * np.sqrt(len(values))
    return float(2.0 * student.sf(abs(statistic), len(values) - 1))
