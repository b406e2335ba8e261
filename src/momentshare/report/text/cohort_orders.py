"""Orders of conditions within a head that a cohort shows, and what reverses them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from momentshare.report.text.factor_statements import factor_statements, factor_verdicts
from momentshare.report.text.verdicts import LEVEL_PAIR, spans_zero, verdict_on
from momentshare.text import head_phrase, with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.cohort.summary import CohortSummary

__all__ = [
    "ALPHA",
    "WORKING",
    "CohortOrders",
    "cohort_factor_statements",
    "cohort_factor_verdicts",
    "foremost_order",
    "judged_orders",
    "order_size",
    "order_text",
]

WORKING = 0.05
"""Activation that a head must exceed in some condition to appear on the page."""

_LEAST_DIFFERENCE = 0.01
"""Difference of lift-mean activation that is worth mentioning; assumed."""

UNSHOWN = "people"
"""What an order turns with that no test shows: the people, who differ by more than conditions."""

ALPHA = 0.05
"""Adjusted p below which a contrast is named in the text; convention."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CohortOrders:
    """Orders that a test showed, by outcome.

    Attributes
    ----------
    firm, turning, leaning : list of dict
        Hold under every change of one input; reversed by one; rest on what the limb does not
        support.
    judged : list of dict
        Every order of a working head, shown by a test or not: ``head``, ``condition``, ``other``,
        ``difference``, ``difference_low``, ``difference_high`` (as a fraction), ``verdict``,
        ``turns_with`` and ``limit``, as for the orders of planned lifts.
    tests : int
        Tests that Holm's adjustment is over: pairs of conditions within all heads.
    people_untested : int
        People with several conditions where they were too few for a test.
    """

    firm: list[dict[str, Any]] = field(default_factory=list)
    turning: list[dict[str, Any]] = field(default_factory=list)
    leaning: list[dict[str, Any]] = field(default_factory=list)
    judged: list[dict[str, Any]] = field(default_factory=list)
    tests: int = 0
    people_untested: int = 0

    @property
    def tested(self) -> bool:
        """Whether there was a test."""
        return self.tests > 0


def judged_orders(summary: CohortSummary) -> CohortOrders:
    """Sort the orders of conditions within a head by whether anything reverses them."""
    table, heads = summary.tables.get("contrasts"), summary.tables.get("heads")
    people = summary.tables.get("heads_by_person")
    if table is None or heads is None or people is None:
        return CohortOrders()
    mine = table[(table["lateral"] == summary.mode) & (table["outcome"] == "mean_activation")]
    if mine.empty:  # every head is at full activation
        return CohortOrders()
    if mine["p_paired_holm_over_item"].isna().all():
        return CohortOrders(people_untested=int(mine["n_people"].max()))
    own = people[people["lateral"] == summary.mode].pivot_table(
        index="person", columns=["head", "condition"], values="mean_activation", observed=True
    )
    firm, turning, leaning, judged = [], [], [], []
    for _, row in mine.iterrows():
        head, pair = row["item"], (row["condition"], row["other"])
        both = own[[(head, c) for c in pair]].dropna().mean()  # of the people who were compared
        if max(both) < WORKING:
            continue
        turned, tried = _turned_by(summary, str(head), pair)
        whole, in_part = _limits_of(summary, row)
        ends = row["difference_low"], row["difference_high"]
        shown = row["p_paired_holm_over_item"] < ALPHA and not spans_zero(*ends)
        judged.append(_judged(row, whole, turned if shown else [UNSHOWN]))
        if not shown or judged[-1]["verdict"] == LEVEL_PAIR:
            continue
        high, low = pair if row["difference_mean"] > 0.0 else pair[::-1]
        line = {
            "head": head,
            "order": f"{high} above {low}",
            "activation": f"{100 * both[head, high]:.0f} / {100 * both[head, low]:.0f}",
            "difference": f"{100 * abs(row['difference_mean']):.1f} ({_interval(row)})",
            "people": f"{row['n_same_direction']:.0f} of {row['n_people']:.0f}",
        }
        if whole:
            leaning.append(line | {"limit": whole, "turns_with": "; ".join(turned)})
        elif turned:
            turning.append(line | {"turns_with": "; ".join(turned)})
        else:
            firm.append(line | {"changes_tried": tried, "in_part": in_part})
    tests = int(mine["p_paired_holm_over_item"].notna().sum())
    return CohortOrders(firm=firm, turning=turning, leaning=leaning, judged=judged, tests=tests)


def _judged(row: pd.Series[Any], limit: str, turns_with: Sequence[str]) -> dict[str, Any]:
    """Judge one order as those of planned lifts are judged."""
    level = abs(row["difference_mean"]) < _LEAST_DIFFERENCE
    verdict = verdict_on(limit, level=level, turns=bool(turns_with))
    ends = row[["difference_mean", "difference_low", "difference_high"]].to_numpy(dtype=float)
    up = bool(ends[0] >= 0.0)
    ends = ends if up else -ends[[0, 2, 1]]
    return {
        "head": str(row["item"]),
        "condition": str(row["condition"] if up else row["other"]),
        "other": str(row["other"] if up else row["condition"]),
        **dict(zip(("difference", "difference_low", "difference_high"), ends, strict=True)),
        "verdict": verdict,
        "turns_with": "; ".join(turns_with),
        "limit": limit,
    }


def cohort_factor_verdicts(summary: CohortSummary) -> pd.DataFrame:
    """Judge every two levels of a factor; empty without factors or tests.

    Returns
    -------
    DataFrame
        See :func:`momentshare.report.text.factor_statements.factor_verdicts`; the ends of a
        difference are those of its intervals.
    """
    import pandas as pd

    found = judged_orders(summary)
    if not (summary.factors.names and found.judged):
        return pd.DataFrame()
    return factor_verdicts(summary.factors, pd.DataFrame(found.judged))


def cohort_factor_statements(summary: CohortSummary) -> dict[str, str]:
    """Say of each factor what a cohort shows of its step from the first level to the last."""
    table = cohort_factor_verdicts(summary)
    if table.empty:
        return {}
    return factor_statements(summary.factors, table, "are shown by no test or turn")


def foremost_order(lines: Sequence[dict[str, Any]], summary: CohortSummary) -> dict[str, Any]:
    """Return the order of most muscle: its difference times the volume of the head."""

    def active(line: dict[str, Any]) -> float:
        return order_size(line) * summary.volumes.get(str(line["head"]), 1.0)

    return max(lines, key=active)


def order_size(line: dict[str, Any]) -> float:
    """Difference of lift-mean activation of an order [percentage points]."""
    return float(line["difference"].split(" ")[0])


def order_text(line: dict[str, Any]) -> str:
    """Say an order with its size and in how many people it is found."""
    return (
        f"in {head_phrase(str(line['head']))}, {line['order']} by "
        f"{line['difference'].split(' ')[0]} points, in {line['people']} people"
    )


def _limits_of(summary: CohortSummary, row: pd.Series[Any]) -> tuple[str, str]:
    """Keys of the limits of an order: of the whole lift, and of a part of it only."""
    keys = str(row.get("limit", "")).split()
    found = {
        key: [r for r in summary.limits.of(key) if r.names(str(row["item"])) and r.claim != "size"]
        for key in keys
    }
    whole = [key for key, rows in found.items() if any(not r.parts for r in rows)]
    return " ".join(whole), " ".join(key for key in keys if key not in whole)


def _interval(row: pd.Series[Any]) -> str:
    low, high = sorted(abs(100.0 * row[name]) for name in ("difference_low", "difference_high"))
    if row["difference_low"] * row["difference_high"] < 0.0:
        low = -low
    return with_minus(f"{low:.1f} to {high:.1f}")


def _turned_by(summary: CohortSummary, head: str, pair: tuple[str, str]) -> tuple[list[str], int]:
    """Name the changes that reverse an order, and count the changes tried."""
    orders = summary.tables.get("sensitivity_orders")
    if orders is None:
        return [], 0
    mine = orders[
        (orders["lateral"] == summary.mode)
        & (orders["head"] == head)
        & orders["condition"].isin(pair)
        & orders["other"].isin(pair)
    ]
    return list(mine.loc[~mine["order_holds"], "change"]), len(mine)
