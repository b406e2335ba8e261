"""Outcomes over people: means with intervals, contrasts, up against down, arm against arm.

A person's own means come first (:mod:`momentshare.cohort.reduce`); then people count alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.cohort.adjusted import adjusted_differences, own_loads
from momentshare.cohort.contrasts import holm
from momentshare.cohort.factors import factor_table
from momentshare.cohort.outcomes.definitions import OUTCOMES, definition_table
from momentshare.cohort.outcomes.measure import NO_TREATMENT
from momentshare.cohort.schema import LOAD
from momentshare.cohort.statistics import compare_all

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.cohort.run import CohortResult

__all__ = ["factor_tests", "named_contrasts", "outcome_tables", "paired_table"]

MEAN = "mean_activation"
"""Name of the lift-mean activation among outcomes."""

_KEYS = ["condition", "lateral", "phase", "outcome", "item"]


def outcome_tables(own: pd.DataFrame, result: CohortResult, mode: str) -> dict[str, pd.DataFrame]:
    """Build the tables of outcomes.

    Parameters
    ----------
    own : DataFrame
        One row per person, condition, lateral, arm, side, phase, outcome and item: ``value``.
    result : CohortResult
    mode : str
        Treatment of the lateral force that is shown and tested.

    Returns
    -------
    dict
        ``outcome_definitions``, ``outcomes`` (over people, of the arm under study),
        ``outcomes_by_person``, ``outcome_contrasts`` with ``outcome_omnibus``,
        ``ascent_descent``, ``both_arms``; those that hold something.
    """
    if own.empty:
        return {}
    statistics = result.study.file.statistics
    confidence = statistics.confidence
    studied = _over_sides(own[own["arm"] == "studied"])
    shown = studied[studied["lateral"].isin([mode, NO_TREATMENT])]
    tables = {
        "outcomes": _with_unit(_over_people(studied, confidence)),
        "outcomes_by_person": _with_unit(own.drop(columns="repetitions")),
        "outcome_definitions": definition_table(),
    }
    up = shown[shown["phase"] == "ascent"]
    pairs = zip(up["outcome"], up["item"], strict=True)
    tested = up[[_is_tested(name, item, statistics.heads) for name, item in pairs]]
    if len(set(tested["condition"])) > 1:
        omnibus, contrasts = compare_all(tested, keys=["outcome", "item"], confidence=confidence)
        tables |= {
            "outcome_omnibus": _with_unit(omnibus),
            "outcome_contrasts": _with_unit(contrasts),
        }
    tables["ascent_descent"] = _with_unit(
        paired_table(_without_heads(shown), "phase", ("ascent", "descent"), confidence)
    )
    both = own[own["lateral"].isin([mode, NO_TREATMENT]) & (own["phase"] == "ascent")]
    tables["both_arms"] = _with_unit(
        paired_table(_without_heads(both), "side", ("right", "left"), confidence)
    )
    return tables


def _over_sides(own: pd.DataFrame) -> pd.DataFrame:
    """Mean over both arms of a person of whom some trials are of the right, some of the left."""
    keys = ["person", *_KEYS]
    return own.groupby(keys, sort=False, observed=True)["value"].mean().reset_index()


def _without_heads(own: pd.DataFrame) -> pd.DataFrame:
    return own[[OUTCOMES[name].of != "head" for name in own["outcome"]]]


def _is_tested(outcome: str, item: str, heads: Sequence[str]) -> bool:
    """Whether conditions are compared in an outcome; of heads, only those that were named."""
    return OUTCOMES[outcome].of != "head" or item in heads


def _with_unit(table: pd.DataFrame) -> pd.DataFrame:
    """Append the unit to the item."""
    if table.empty:
        return table
    units = [OUTCOMES[str(name)].unit for name in table["outcome"]]
    table = table.copy()
    table.insert(list(table.columns).index("item") + 1, "unit", units)
    return table


def student_half(sd: pd.Series[float], count: pd.Series[Any], confidence: float) -> Any:
    """Half of Student's interval of a mean."""
    from scipy.stats import t

    with np.errstate(divide="ignore", invalid="ignore"):
        return t.ppf(0.5 + 0.5 * confidence, count - 1) * sd / np.sqrt(count)


def _over_people(own: pd.DataFrame, confidence: float) -> pd.DataFrame:
    grouped = own.groupby(_KEYS, sort=False, observed=True)["value"]
    table = grouped.agg(["count", "mean", "std"]).reset_index()
    table = table.rename(columns={"count": "people", "std": "sd"})
    half = student_half(table["sd"], table["people"], confidence)
    return table.assign(low=table["mean"] - half, high=table["mean"] + half)


def paired_table(
    own: pd.DataFrame, column: str, pair: tuple[str, str], confidence: float
) -> pd.DataFrame:
    """Compare two values of a column within people, condition by condition.

    Parameters
    ----------
    own : DataFrame
        One row per person, condition, outcome, item and value of the column: ``value``.
    column : str
    pair : tuple of str
        The difference is the first less the second.
    confidence : float

    Returns
    -------
    DataFrame
        ``condition``, ``outcome``, ``item``, mean of both, ``difference`` with interval and sd,
        ``people`` who have both, ``p`` of the paired t test (NaN under three people) and
        ``p_holm`` over all rows. Empty where nobody has both.
    """
    from scipy.stats import t

    keys = ["condition", "outcome", "item"]
    mine = own[own[column].isin(pair)]
    wide = mine.pivot_table(
        index=[*keys, "person"], columns=column, values="value", sort=False, observed=True
    )
    if not set(pair) <= set(wide.columns):
        return pd.DataFrame()
    wide = wide.dropna(subset=list(pair))
    wide["difference"] = wide[pair[0]] - wide[pair[1]]
    grouped = wide.groupby(level=[0, 1, 2], sort=False)
    table = grouped.agg(
        people=("difference", "size"),
        first=(pair[0], "mean"),
        second=(pair[1], "mean"),
        difference=("difference", "mean"),
        difference_sd=("difference", "std"),
    ).reset_index()
    half = student_half(table["difference_sd"], table["people"], confidence)
    spread, count = table["difference_sd"], table["people"]
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.abs(table["difference"]) / (spread / np.sqrt(count))
        p = np.where((count > 2) & (spread > 0.0), 2.0 * t.sf(score, count - 1), np.nan)
    table = table.rename(columns={"first": pair[0], "second": pair[1]})
    return table.assign(
        difference_low=table["difference"] - half,
        difference_high=table["difference"] + half,
        p=p,
        p_holm=holm(p),
    )


def named_contrasts(
    contrasts: pd.DataFrame, outcomes: pd.DataFrame, result: CohortResult, mode: str
) -> pd.DataFrame:
    """Contrasts that the study named beforehand, with Holm's adjustment over these alone.

    Lift-mean activation of the named heads, and the named outcomes on the way up; ``p_named`` is
    adjusted over all rows of this table. A contrast without a test does not count.
    """
    statistics = result.study.file.statistics
    parts = []
    if statistics.heads and not contrasts.empty:
        mine = contrasts[
            (contrasts["lateral"] == mode)
            & (contrasts["outcome"] == MEAN)
            & contrasts["item"].isin(statistics.heads)
        ]
        parts.append(mine.assign(unit="1"))
    if statistics.outcomes and not outcomes.empty:
        parts.append(outcomes[outcomes["outcome"].isin(statistics.outcomes)])
    parts = [part for part in parts if not part.empty]
    if not parts:
        return pd.DataFrame()
    table = pd.concat(parts, ignore_index=True)
    p = table["p_paired_t"].to_numpy(dtype=float)
    shown = [
        "outcome", "item", "unit", "condition", "other", "n_people", "difference_mean",
        "difference_low", "difference_high", "hedges_g_z", "p_paired_t",
    ]  # fmt: skip
    return table[shown].assign(p_named=holm(p))


def factor_tests(
    own: pd.DataFrame, activation: pd.DataFrame, result: CohortResult, mode: str
) -> pd.DataFrame:
    """Test factors and covariates in outcomes of the way up and in lift-mean activations.

    Parameters
    ----------
    own : DataFrame
        As in :func:`outcome_tables`.
    activation : DataFrame
        Lift-mean activation of the heads that are tested, one row per ``person``, ``condition``,
        ``lateral`` and ``head``.
    result : CohortResult
    mode : str
        Treatment that is shown.

    Returns
    -------
    DataFrame
        See :func:`momentshare.cohort.factors.factor_table`; with covariates also
        :func:`momentshare.cohort.adjusted.adjusted_differences` of the activations. Empty where the
        study states neither factors nor covariates.
    """
    file = result.study.file
    levels = {c.name: c.factor for c in file.condition if c.factor}
    covariates = file.statistics.covariates
    if not levels and not covariates:
        return pd.DataFrame()
    keys = ["person", "condition"]
    columns = [*keys, "outcome", "item", "value"]
    mine = activation[activation["lateral"] == mode]
    heads = mine.assign(outcome=MEAN, item=mine["head"], value=mine["mean_activation"])[columns]
    parts = [heads]
    if not own.empty:
        studied = _over_sides(own[own["arm"] == "studied"])
        up = studied[studied["lateral"].isin([mode, NO_TREATMENT]) & (studied["phase"] == "ascent")]
        pairs = zip(up["outcome"], up["item"], strict=True)
        named = [_is_tested(name, item, file.statistics.heads) for name, item in pairs]
        parts.insert(0, up.loc[named, columns])
    means = pd.concat(parts, ignore_index=True)
    if means["condition"].nunique() < 2:
        return pd.DataFrame()
    whole = means
    for name in covariates:
        if name == LOAD:
            added = own_loads(result.counted)
        else:
            mine = whole[(whole["outcome"] == name) & (whole["item"] == "")]
            added = mine[[*keys, "value"]].rename(columns={"value": name})
            means = means[means["outcome"] != name]
        means = means.merge(added, on=keys, how="left")
    tests = factor_table(means, levels, covariates)
    adjusted = adjusted_differences(
        means[means["outcome"] == MEAN], covariates, file.statistics.confidence
    )
    return tests if adjusted.empty else pd.concat([tests, adjusted], ignore_index=True)
