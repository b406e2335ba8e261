"""Opening of a limb of one's own: which heads work, and which order another criterion reverses."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.balance import Criterion
from momentshare.errors import InputError
from momentshare.linkage.solve import shared_again
from momentshare.report.text.opening import ANSWER, FIRM, Opening, counted, joined, points
from momentshare.text import head_phrase

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.linkage import LinkageResult

__all__ = [
    "OWN", "WORKING", "criteria_table", "linkage_opening", "linkage_title", "order_table",
]  # fmt: skip

OWN = (
    "The limb is as its folder describes it: nothing here was compared with measurements, and "
    "ligaments and resting moments of the joints are left out."
)
"""What holds for every limb of one's own."""

WORKING = 0.05
"""Mean activation from which a head counts as working; common practice, no source."""

_EXPONENTS = (2.0, 3.0, 5.0)
_WEIGHTS: tuple[Literal["area", "volume", "none"], ...] = ("area", "volume", "none")
"""Criteria that an answer is challenged with, besides its own."""

_EQUAL = 0.01
"""Difference of two mean activations below which they have no order: a point."""


def criteria_table(result: LinkageResult, criterion: Criterion) -> pd.DataFrame:
    """Mean activation of every head by the criterion in force and by others.

    Frames whose moments the heads cannot supply are left out: there the nearest answer hardly
    leaves a choice, so that it would look firm.

    Parameters
    ----------
    result : LinkageResult
    criterion : Criterion
        By which it was shared.

    Returns
    -------
    DataFrame
        ``criterion`` in words, ``in_force``, ``head``, ``mean_activation``. Criteria that ask for
        sizes that a head lacks are left out.
    """
    import pandas as pd

    rows = []
    met = result.status == "solved"
    others = [Criterion(exponent=p, weights=w) for w in _WEIGHTS for p in _EXPONENTS]
    for chosen in [criterion, *(c for c in others if c != criterion)]:
        try:
            found = result if chosen == criterion else shared_again(result, chosen)
        except InputError:  # a head has no volume, or no greatest force
            continue
        mean = found.activation[met].mean(axis=0) if met.any() else []
        rows += [
            {
                "criterion": _words(chosen),
                "in_force": chosen == criterion,
                "head": head,
                "mean_activation": value,
            }
            for head, value in zip(result.linkage.head_names, mean, strict=False)
        ]
    return pd.DataFrame(rows, columns=["criterion", "in_force", "head", "mean_activation"])


def _words(criterion: Criterion) -> str:
    if not np.isfinite(criterion.exponent):
        return "min-max"
    return f"p = {criterion.exponent:g}, " + (
        "no weights" if criterion.weights == "none" else f"weights by {criterion.weights}"
    )


def order_table(criteria: pd.DataFrame) -> pd.DataFrame:
    """Judge the order of every two working heads by mean activation.

    Returns
    -------
    DataFrame
        ``head`` (the one that works more), ``other``, ``difference``, ``verdict`` (``firm``: the
        same by every criterion; ``turns``; ``close``: less than a point) and ``turns_with``.
    """
    import pandas as pd

    columns = ["head", "other", "difference", "verdict", "turns_with"]
    if criteria.empty:
        return pd.DataFrame(columns=columns)
    wide = criteria.pivot_table(
        index="criterion", columns="head", values="mean_activation", sort=False
    )
    own = wide.iloc[0]
    rows = []
    for one, two in combinations(own.index[own >= WORKING], 2):
        high, low = (one, two) if own[one] >= own[two] else (two, one)
        gap = wide[high] - wide[low]
        if gap.iloc[0] < _EQUAL:
            rows.append((high, low, gap.iloc[0], "close", ""))
            continue
        turned = [str(name) for name, value in gap.items() if value <= 0.0]
        verdict = "turns" if turned else "firm"
        rows.append((high, low, gap.iloc[0], verdict, "; ".join(turned)))
    return pd.DataFrame(rows, columns=columns)


def linkage_opening(result: LinkageResult, criteria: pd.DataFrame) -> Opening:
    """Say which order of heads holds by every criterion, which turns, and what stays open.

    Parameters
    ----------
    result : LinkageResult
    criteria : DataFrame
        From :func:`criteria_table`.
    """
    orders = order_table(criteria)
    tried = criteria["criterion"].nunique()
    unsaid = _unsaid(result)
    if orders.empty:
        return Opening(
            word=ANSWER,
            firm=_alone(criteria),
            turns="There are no two working heads whose order another criterion could reverse.",
            unsaid=unsaid,
        )
    firm, turning = (orders[orders["verdict"] == name] for name in ("firm", "turns"))
    start = (
        f"By mean activation, {len(firm)} of {counted(len(orders), 'order')} of two working heads "
        f"{'holds' if len(firm) == 1 else 'hold'} by all {tried} criteria tried"
    )
    return Opening(
        word=FIRM,
        firm=f"{start}; widest, {_order(firm)}." if len(firm) else f"{start}.",
        turns=(
            _turning(turning)
            if len(turning)
            else "No order turns with the criterion; nothing else was varied."
        ),
        unsaid=unsaid,
    )


def linkage_title(criteria: pd.DataFrame) -> str:
    """State the widest order that every criterion gives; empty where there is none."""
    orders = order_table(criteria)
    firm = orders[orders["verdict"] == "firm"]
    return f"By every criterion, {_order(firm)}" if len(firm) else ""


def _widest(orders: pd.DataFrame) -> pd.Series:
    return orders.iloc[int(np.argmax(orders["difference"].to_numpy(dtype=float)))]


def _order(orders: pd.DataFrame) -> str:
    row = _widest(orders)
    return (
        f"{head_phrase(str(row['head']))} works above {head_phrase(str(row['other']))} by "
        f"{points(float(row['difference']))}"
    )


def _turning(orders: pd.DataFrame) -> str:
    names = str(_widest(orders)["turns_with"]).split("; ")
    by = f"by '{names[0]}'" if len(names) == 1 else f"by {len(names)} of them, such as '{names[0]}'"
    start = (
        "1 order turns with the criterion:"
        if len(orders) == 1
        else f"{len(orders)} orders turn with the criterion; widest of them,"
    )
    return f"{start} {_order(orders)}, reversed {by}."


def _alone(criteria: pd.DataFrame) -> str:
    own = criteria[criteria["in_force"].astype(bool)]
    if own.empty:
        return "There is no frame whose moments the heads can supply, so no head leads."
    row = own.iloc[int(np.argmax(own["mean_activation"].to_numpy(dtype=float)))]
    head = head_phrase(str(row["head"]))
    return (
        f"Of the heads, {head} works most, {100.0 * row['mean_activation']:.0f} % on "
        f"average; no two heads work above {100.0 * WORKING:.0f} %."
    )


_UNSOLVED = {
    "shortfall": "the heads cannot supply the moments",
    "no posture": "an angle, a force or a moment is not known",
}
"""Status of a frame → what is the matter, in words."""


def _unsaid(result: LinkageResult) -> str:
    names, counts = np.unique(result.status, return_counts=True)
    parts = [
        f"In {count} of {counted(len(result.status), 'frame')} "
        f"{_UNSOLVED.get(str(name), f'the answer is {name}')}."
        for name, count in zip(names, counts, strict=True)
        if name != "solved"
    ]
    kinds = result.linkage.kinds()
    weak = joined([f"{kinds[k]} are {k}" for k in ("assumed", "from memory") if kinds.get(k)])
    if weak:
        parts.append(f"Of {sum(kinds.values())} numbers of the limb, {weak}.")
    return " ".join([*parts, OWN])
