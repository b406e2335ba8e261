"""Opening of maximal lifts: which condition lets more load pass."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import pandas as pd

from momentshare.limits import BIAS_CLAIMS, LiftKind, Limits, keys_text
from momentshare.maximal import MAXIMAL
from momentshare.report.text.opening import (
    Opening,
    beyond_limb,
    counted,
    everyone,
    joined,
    sentence,
    supported,
    widest,
)
from momentshare.report.text.verdicts import FIRM_ORDER, LIMITED, TURNING, verdict_on
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Mapping

    from momentshare.maximal import MaximalReport

__all__ = ["load_orders", "load_title", "maximal_opening"]

_LOAD = "greatest_load_kg"


def load_orders(
    loads: pd.DataFrame,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> pd.DataFrame:
    """Judge the order of every two conditions by the greatest load that passes.

    Parameters
    ----------
    loads : DataFrame
    limits : Limits, optional
    kinds : mapping, optional
        Condition → what kind of lift it is.

    Returns
    -------
    DataFrame
        ``condition`` (the one with the greater load, mean over people and treatments), ``other``,
        ``difference_kg``, ``verdict`` (``firm``: the same for everyone under every treatment that
        both have; ``turns``; ``beyond the limb`` where a limit concerns greatest loads or their
        order), ``turns_with`` and ``limit``.
    """
    rows = []
    kinds = kinds or {}
    names = list(dict.fromkeys(loads["condition"]))
    wide = loads.pivot_table(
        index=["person", "lateral"], columns="condition", values=_LOAD, sort=False, observed=True
    )
    for one, two in combinations(names, 2):
        if one not in wide or two not in wide:
            continue
        gap = (wide[one] - wide[two]).dropna()
        if gap.empty:
            continue
        sign = 1.0 if gap.mean() >= 0.0 else -1.0
        turned = []
        if (sign * gap <= 0.0).any():
            if (sign * gap.groupby("lateral").mean() <= 0.0).any():
                turned.append("lateral force")
            if any(((own > 0.0).any() and (own <= 0.0).any()) for _, own in gap.groupby("lateral")):
                turned.append("people")
        high, low = (one, two) if sign > 0.0 else (two, one)
        pair = [kinds.get(name, LiftKind()) for name in (one, two)]
        limit = keys_text(
            row
            for claim in BIAS_CLAIMS
            for row in (limits or Limits()).at("greatest_load", kinds=pair, claim=claim)
        )
        verdict = verdict_on(limit, turns=bool((sign * gap <= 0.0).any()))
        rows.append((high, low, sign * gap.mean(), verdict, "; ".join(turned), limit))
    columns = ["condition", "other", "difference_kg", "verdict", "turns_with", "limit"]
    return pd.DataFrame(rows, columns=columns)


def load_title(
    loads: pd.DataFrame,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> str:
    """State the widest firm order by the greatest load; empty where none is firm.

    The parameters are those of :func:`load_orders`. By how much is left out: no limb has been shown
    to support the size of a greatest load.
    """
    orders = load_orders(loads, limits, kinds)
    firm = orders[orders["verdict"] == FIRM_ORDER]
    if firm.empty:
        return ""
    row = widest(firm, "difference_kg")
    return f"Firm: a greater load passes in '{row['condition']}' than in '{row['other']}'"


def maximal_opening(
    report: MaximalReport,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Opening:
    """Summarise maximal lifts; the parameters are those of :func:`load_orders`."""
    orders = load_orders(report.loads, limits, kinds)
    return Opening(firm=_firm(report, orders), turns=_turns(orders), unsaid=_unsaid(report, orders))


def _named(row: pd.Series) -> str:
    return f"'{row['condition']}' above '{row['other']}' by {in_kg(row['difference_kg'])} kg"


def _firm(report: MaximalReport, orders: pd.DataFrame) -> str:
    if orders.empty:
        row = report.loads.iloc[0]
        same = report.loads[report.loads["lateral"] == row["lateral"]]
        return (
            f"There are no two conditions to compare under one treatment; in '{row['condition']}' "
            f"{in_kg(same[same['condition'] == row['condition']][_LOAD].mean())} kg pass (mean "
            f"over people, lateral force {row['lateral']})."
        )
    firm = orders[orders["verdict"] == FIRM_ORDER]
    which = "of two conditions by the greatest load that passes"
    start = f"{supported(len(firm), len(orders), which)} {_tried(report.loads)}"
    return (
        f"{start}; widest, {_named(widest(firm, 'difference_kg'))}." if len(firm) else f"{start}."
    )


def _tried(loads: pd.DataFrame) -> str:
    """Name what an order had to survive."""
    people, modes = (loads[name].nunique() for name in ("person", "lateral"))
    each = "both treatments" if modes == 2 else "every treatment"
    parts = [everyone(people)] if people > 1 else []
    parts += [f"under {each} of the lateral force"] if modes > 1 else []
    return joined(parts) or "as solved"


def _turns(orders: pd.DataFrame) -> str:
    turning = orders[orders["verdict"] == TURNING]
    if turning.empty:
        among = " that the limb supports" if (orders["verdict"] == LIMITED).any() else ""
        return f"No order by load{among} is reversed by the person or the lateral force."
    shares = [
        f"{count:,} with {words}"
        for name, words in (("lateral force", "the lateral force"), ("people", "the person"))
        if (count := sum(name in cell.split("; ") for cell in turning["turns_with"]))
    ]
    return (
        f"{counted(len(turning), 'order')} {'turns' if len(turning) == 1 else 'turn'}: "
        f"{joined(shares)}; widest of them, {_named(widest(turning, 'difference_kg'))}."
    )


def _unsaid(report: MaximalReport, orders: pd.DataFrame) -> str:
    parts = []
    beyond = orders[orders["verdict"] == LIMITED]
    if len(beyond):
        parts.append(beyond_limb(beyond.to_dict(orient="records"), "order"))
    if len(report.lifts):
        top = report.lifts[report.lifts["lift"] == MAXIMAL]
        still = int((~top["dip"].astype(bool)).sum())
        if still:
            parts.append(
                f"{still:,} of {counted(len(top), 'maximal lift')} "
                f"{'has' if still == 1 else 'have'} no sticking region here, which does "
                "not show that a lifter would have none"
            )
    if report.refusals:
        parts.append(f"{counted(len(report.refusals), 'case')} could not be driven")
    parts.append(
        "a computed greatest load is not one to put on a bar, since delay, fatigue and the "
        "lowering are left out"
    )
    return sentence(parts)
