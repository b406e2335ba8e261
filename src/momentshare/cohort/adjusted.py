"""Differences of lift-mean activation with covariates held, and differences of load.

    activation = condition + slopes × covariates + person + residual

by least squares with the person as a fixed effect (for two conditions, the paired differences
regressed on the paired differences of the covariates, and read where these are zero). People are
not compared with one another: that somebody who lifts more is stronger or heavier says nothing of
what another load would do to the same person, so slopes come from changes within people only.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cohort.schema import LOAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.cohort.run import TrialOutcome

    Floats = NDArray[np.float64]

__all__ = [
    "ADJUSTED",
    "LEAST_FREE",
    "WORTH_SAYING",
    "adjusted_differences",
    "load_gap",
    "own_loads",
]

ADJUSTED = "difference"
"""Term of the rows of ``factors.csv`` that hold a difference of two conditions with covariates
held."""

LEAST_FREE = 5
"""Degrees of freedom below which an adjustment is advised against: Student's interval is then a
third wider or more than with many people (2.78 with four, 1.96 with many, at 95 %); chosen here."""

WORTH_SAYING = 0.05
"""Relative difference of loads from which it is said; assumed."""

_NULL = 1e-9
"""Singular values below this share of the greatest are zero."""


def own_loads(outcomes: Iterable[TrialOutcome]) -> pd.DataFrame:
    """Mean load of each person and condition: ``person``, ``condition``, ``load_kg``."""
    import pandas as pd

    rows = [(o.person, o.condition, o.record.get("load_kg")) for o in outcomes]
    table = pd.DataFrame(rows, columns=["person", "condition", LOAD]).dropna()
    return table.groupby(["person", "condition"], sort=False)[LOAD].mean().reset_index()


def load_gap(loads: pd.DataFrame, condition: str, other: str) -> tuple[float, float, int] | None:
    """Mean loads of two conditions over the people who have both, and how many these are."""
    wide = loads.pivot_table(index="person", columns="condition", values=LOAD)
    if not {condition, other} <= set(wide.columns):
        return None
    both = wide[[condition, other]].dropna()
    if both.empty:
        return None
    return float(both[condition].mean()), float(both[other].mean()), len(both)


def adjusted_differences(
    means: pd.DataFrame, covariates: Sequence[str], confidence: float
) -> pd.DataFrame:
    """Differences of two conditions within people, with the covariates held.

    Parameters
    ----------
    means : DataFrame
        One row per ``outcome``, ``item``, ``person`` and ``condition``: ``value``, covariates.
    covariates : sequence of str
        Columns; none gives an empty table.
    confidence : float

    Returns
    -------
    DataFrame
        One row per outcome, item and pair: ``term``, ``condition``, ``other``, ``difference``
        (condition minus other) with ``difference_se``, ``difference_low``, ``difference_high``,
        ``df_denominator``, ``p``, ``people``, ``values`` and ``note``. Without a test the numbers
        are NaN, and the note says why.
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    if not covariates:
        return pd.DataFrame()
    for (outcome, item), part in means.groupby(["outcome", "item"], sort=False, observed=True):
        whole = part.dropna(subset=["value", *covariates])
        names = list(dict.fromkeys(part["condition"].astype(str)))
        for condition, other in combinations(names, 2):
            pair = whole[whole["condition"].isin((condition, other))]
            both = pair.groupby("person")["condition"].transform("nunique") == 2
            rows.append(
                {"outcome": outcome, "item": item, "term": ADJUSTED}
                | {"condition": condition, "other": other}
                | _difference(pair[both], (condition, other), covariates, confidence)
            )
    return pd.DataFrame(rows)


def _difference(
    pair: pd.DataFrame, names: tuple[str, str], covariates: Sequence[str], confidence: float
) -> dict[str, Any]:
    """Regress paired differences on those of the covariates; the intercept is the answer."""
    from scipy.stats import t

    wide = pair.pivot_table(
        index="person", columns="condition", values=["value", *covariates], observed=True
    )
    people = len(wide)
    out: dict[str, Any] = {"people": people, "values": 2 * people, "note": ""}

    def gap(name: str) -> Floats:
        return (wide[name, names[0]] - wide[name, names[1]]).to_numpy(dtype=np.float64)

    if not people:
        return out | {"note": "Nobody has both conditions."}
    y = gap("value")
    design = np.column_stack([np.ones(people), *(gap(name) for name in covariates)])
    size = np.abs(design).max(axis=0)
    still = [name for name, top in zip(covariates, size[1:], strict=True) if top <= _NULL]
    design = design[:, size > _NULL]
    rank = int(np.linalg.matrix_rank(design / np.abs(design).max(axis=0), tol=_NULL * people))
    free = people - design.shape[1]
    if rank < design.shape[1]:
        return out | {"note": "Covariates and conditions cannot be separated."}
    if free < 1:
        return out | {"note": f"There are {people} people, too few to hold the covariates."}
    beta, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ beta
    se = float(np.sqrt(rest @ rest / free * np.linalg.inv(design.T @ design)[0, 0]))
    half = float(t.ppf(0.5 + 0.5 * confidence, free)) * se
    value = float(beta[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        p = float(2.0 * t.sf(abs(np.float64(value)) / se, free))
    return out | {
        "difference": value,
        "difference_se": se,
        "difference_low": value - half,
        "difference_high": value + half,
        "df_denominator": free,
        "p": p,
        "note": f"{', '.join(still)} does not vary within people and has no slope" if still else "",
    }
