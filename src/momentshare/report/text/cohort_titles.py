"""Titles of a cohort's figures that state what a paired test shows in what was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import moment_direction
from momentshare.report.text.opening import widest

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.cohort.summary import CohortSummary

__all__ = ["firm_contrasts", "moment_title", "ratio_title"]

_P = "p_paired_holm_over_item"


def firm_contrasts(summary: CohortSummary, outcome: str) -> pd.DataFrame | None:
    """Differences of an outcome that a paired test shows, everybody shares and no treatment turns.

    Parameters
    ----------
    summary : CohortSummary
    outcome : {"moment_nm", "lateral_ratio"}

    Returns
    -------
    DataFrame or None
        Rows of ``contrasts`` under the treatment that is shown, whose p (Holm, over pairs and
        items) lies below the level, in the same direction in all people; for moments, with a mean
        difference of the same sign under every treatment, too.
    """
    table = summary.tables.get("contrasts")
    if table is None or _P not in table:
        return None
    table = table[table["outcome"] == outcome]
    shown = table[table["lateral"] == summary.mode]
    firm = shown[(shown[_P] < 1.0 - summary.confidence) & (shown["n_opposite"] == 0)]
    if outcome == "lateral_ratio":
        return firm
    keys = ["item", "condition", "other"]
    signs = table.assign(sign=np.sign(table["difference_mean"])).groupby(keys)["sign"].nunique()
    same = [signs[tuple(row)] == 1 for row in firm[keys].to_numpy()]
    return firm[np.array(same, dtype=bool)]


def moment_title(summary: CohortSummary) -> str:
    """State the widest firm difference of a net moment; empty where there is none."""
    firm = firm_contrasts(summary, "moment_nm")
    if firm is None:
        return ""
    curves = summary.tables["curves_moments"]
    curves = curves[(curves["quantity"] == "moment_nm") & (curves["lateral"] == summary.mode)]
    mean = curves.groupby(["condition", "row"], observed=True)["mean"].mean()

    def signs(row: pd.Series[Any]) -> bool:
        """Whether the moment has one direction in both conditions."""
        one, two = (mean.get((row[side], row["item"]), np.nan) for side in ("condition", "other"))
        return bool(one * two > 0.0)

    firm = firm[[signs(row) for _, row in firm.iterrows()]] if len(firm) else firm
    if firm.empty:
        return ""
    row = widest(firm.assign(size=firm["difference_mean"].abs()), "size")
    own = float(mean[row["condition"], row["item"]])
    words = moment_direction(str(row["item"]), own).words
    high, low = _ordered(row, float(np.sign(own)) * float(row["difference_mean"]))
    return (
        f"Firm: the {words} moment is larger in '{high}' than in '{low}', by "
        f"{abs(float(row['difference_mean'])):.1f} N·m"
    )


def ratio_title(summary: CohortSummary) -> str:
    """State the widest firm difference of the measured lateral ratio; empty where there is none.

    A ratio that the optimiser chose is nothing that was seen, so it gives no title.
    """
    firm = firm_contrasts(summary, "lateral_ratio") if summary.mode == "measured" else None
    if firm is None or firm.empty:
        return ""
    row = widest(firm.assign(size=firm["difference_mean"].abs()), "size")
    high, low = _ordered(row, float(row["difference_mean"]))
    return (
        f"The measured ratio is larger in '{high}' than in '{low}', by "
        f"{abs(float(row['difference_mean'])):.2f}"
    )


def _ordered(row: pd.Series[Any], difference: float) -> tuple[str, str]:
    pair = str(row["condition"]), str(row["other"])
    return pair if difference > 0.0 else (pair[1], pair[0])
