"""A cohort's own moments beside a published table, and EMG by condition beside its prediction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.balance import BALANCED
from momentshare.cohort.outcomes.over_people import student_half

if TYPE_CHECKING:
    from momentshare.cohort.run import CohortResult
    from momentshare.published.table import PublishedLine

__all__ = ["beside_published", "emg_by_condition"]

_WHOLE = "whole lift"


def _region(point: str) -> str:
    """Name of the region of a lift that a published point refers to, as far as the name shows."""
    plain = point.casefold().replace("region", "").strip()
    return {"presticking": "pre-sticking", "poststicking": "post-sticking", "mean": _WHOLE}.get(
        plain, plain
    )


def beside_published(
    regions: pd.DataFrame, result: CohortResult, mode: str, confidence: float
) -> pd.DataFrame:
    """Compare the cohort's net moments with those of the published tables of the study.

    Lines whose condition and point (a region of the lift, or the whole lift) have the same names as
    the cohort's own are compared. The difference is own less published, with Welch's interval: the
    two groups of people are independent and differ in spread.

    Parameters
    ----------
    regions : DataFrame
        Own means: person, condition, lateral, region, quantity, item, ``mean``.
    result : CohortResult
    mode : str
        Treatment of the lateral force.
    confidence : float

    Returns
    -------
    DataFrame
        ``source``, ``condition``, ``region``, ``row``, own and published mean, sd and people,
        ``difference`` with interval; NaN where either has no spread. Empty if no line matches.
    """
    from momentshare.published import read_published

    own = regions[(regions["lateral"] == mode) & (regions["quantity"] == "moment_nm")]
    known = own.groupby(["condition", "region", "item"], observed=True)["mean"]
    stated = known.agg(["mean", "std", "count"]).to_dict("index")
    rows: list[dict[str, Any]] = []
    for entry in result.study.file.published:
        table = read_published(result.study.path(entry.file))
        for line in table.lines:
            for k, row in enumerate(BALANCED):
                mine = stated.get((line.condition, _region(line.point), row))
                if mine is not None and np.isfinite(line.moments[k]):
                    rows.append(_row(line, k, mine, entry.spread, confidence))
    return pd.DataFrame(rows)


def _row(
    line: PublishedLine, k: int, own: dict[Any, Any], spread: str, confidence: float
) -> dict[str, Any]:
    from scipy.stats import t

    sd = float(line.moment_sd[k]) * (np.sqrt(line.people) if spread == "se" else 1.0)
    parts = np.array([own["std"] ** 2 / own["count"], sd**2 / line.people])
    people = np.array([own["count"], line.people])
    off = own["mean"] - float(line.moments[k])
    half = np.nan
    if np.isfinite(parts).all() and parts.sum() > 0.0 and (people > 1).all():
        free = parts.sum() ** 2 / np.sum(parts**2 / (people - 1))
        half = float(t.ppf(0.5 + 0.5 * confidence, free)) * float(np.sqrt(parts.sum()))
    return {
        "source": line.source,
        "condition": line.condition,
        "region": _region(line.point),
        "row": BALANCED[k],
        "own_nm": own["mean"],
        "own_sd_nm": own["std"],
        "own_people": int(own["count"]),
        "published_nm": float(line.moments[k]),
        "published_sd_nm": sd,
        "published_people": line.people,
        "known": line.known,
        "difference_nm": off,
        "difference_low_nm": off - half,
        "difference_high_nm": off + half,
    }


def emg_by_condition(own: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Lift means of EMG by head and condition, beside predicted activation.

    Parameters
    ----------
    own : DataFrame
        Curves: person, condition, head, lift_percent, ``emg``, ``activation``.
    confidence : float

    Returns
    -------
    DataFrame
        ``head``, ``condition``, ``people``; mean, sd and Student's interval over people of
        ``emg`` (over the maximal contraction), of ``activation`` and of ``discrepancy``, EMG less
        activation of the same person. Neither is the reference for the other.
    """
    if own.empty:
        return pd.DataFrame()
    keys = ["head", "condition"]
    values = ["emg", "activation"]
    mean = own.groupby([*keys, "person"], sort=False, observed=True)[values].mean().reset_index()
    mean = mean.dropna(subset=values)
    mean["discrepancy"] = mean["emg"] - mean["activation"]
    grouped = mean.groupby(keys, sort=False, observed=True)
    columns: dict[str, Any] = {"people": grouped["person"].nunique()}
    for name in (*values, "discrepancy"):
        centre, spread, count = (getattr(grouped[name], f)() for f in ("mean", "std", "count"))
        half = student_half(spread, count, confidence)
        columns |= {
            name: centre,
            f"{name}_sd": spread,
            f"{name}_low": centre - half,
            f"{name}_high": centre + half,
        }
    return pd.DataFrame(columns).reset_index()
