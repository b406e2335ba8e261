"""Orders of a cohort under changes of one input: which are counted, and which are left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.cohort.outcomes.over_people import MEAN
from momentshare.report.text.cohort_orders import WORKING, activation_by_person, pair_activation
from momentshare.report.text.opening import counted, joined, listed
from momentshare.text import head_label

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.cohort.summary import CohortSummary

__all__ = ["COUNTED_ORDERS", "ChangedOrders", "changed_orders", "left_out_text"]

COUNTED_ORDERS = (
    f"heads that reach {100 * WORKING:g} % in one of the two, conditions that differ by a "
    "percentage point or more"
)
"""Which orders every text, table and figure counts, in words."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChangedOrders:
    """Rows of ``sensitivity_orders`` for the treatment that is shown, each in one of three.

    Attributes
    ----------
    counted : DataFrame
        Of heads that work, and that the tests compare.
    weak : DataFrame
        Of heads that stay below :data:`WORKING` in both conditions.
    full : DataFrame
        Of heads at full activation, which the tests leave out.
    """

    counted: pd.DataFrame
    weak: pd.DataFrame
    full: pd.DataFrame


def changed_orders(summary: CohortSummary) -> ChangedOrders | None:
    """Sort the orders under changes of one input; nothing where none was changed."""
    orders = summary.tables.get("sensitivity_orders")
    own = activation_by_person(summary)
    if orders is None or own is None:
        return None
    mine = orders[orders["lateral"] == summary.mode]
    places = list(
        zip(*(mine[name].astype(str) for name in ("head", "condition", "other")), strict=True)
    )
    compared = _compared(summary)
    kinds = {}
    for place in dict.fromkeys(places):
        head, *pair = place
        if max(pair_activation(own, head, (pair[0], pair[1]))) < WORKING:
            kinds[place] = "weak"
        elif compared is not None and (head, frozenset(pair)) not in compared:
            kinds[place] = "full"
        else:
            kinds[place] = "counted"
    parts = {
        kind: mine[np.array([kinds[place] == kind for place in places], dtype=bool)]
        for kind in ("counted", "weak", "full")
    }
    return ChangedOrders(**parts)


def _compared(summary: CohortSummary) -> set[tuple[str, frozenset[str]]] | None:
    """Heads and pairs of conditions in the table of contrasts; None without one."""
    table = summary.tables.get("contrasts")
    if table is None:
        return None
    mine = table[(table["lateral"] == summary.mode) & (table["outcome"] == MEAN)]
    names = (mine[name].astype(str) for name in ("item", "condition", "other"))
    return {(head, frozenset(pair)) for head, *pair in zip(*names, strict=True)}


def left_out_text(orders: ChangedOrders) -> str:
    """Count the reversed orders that are left out, and name their heads; empty without any."""
    parts = []
    for table, where in (
        (orders.weak, f"below {100 * WORKING:g} % in both conditions"),
        (orders.full, "at full activation"),
    ):
        turned = table[~table["order_holds"].astype(bool)]
        if turned.empty:
            continue
        pairs = turned.drop_duplicates(["head", "condition", "other"])
        heads = listed((head_label(str(head)) for head in pairs["head"].unique()), "; ")
        parts.append(f"{counted(len(pairs), 'reversed order')} of heads {where} ({heads})")
    return f"Not counted: {joined(parts)}." if parts else ""
