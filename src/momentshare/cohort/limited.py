"""Which rows of a cohort's tables the limb does not support."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.limits import lift_kinds, with_limits

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.limits import LiftKind, Limits

__all__ = ["limited"]

_HEADS = ("activation", "force")

_SHOWN: dict[str, tuple[str, ...]] = {
    "heads_by_person": _HEADS,
    "heads": _HEADS,
    "glenoid_heads": _HEADS[:1],
    "sensitivity": _HEADS[:1],
    "sensitivity_orders": _HEADS[:1],
    "emg_agreement": _HEADS[:1],
    "emg_ordering": _HEADS[:1],
}
"""Table → the quantities in it that a limb may not support."""


def limited(tables: Mapping[str, pd.DataFrame], result: CohortResult) -> dict[str, pd.DataFrame]:
    """Add the column ``limit`` to tables of heads and to contrasts, where the limb has limits."""
    limits, kinds = result.model.limits, lift_kinds(result.study.file.condition)
    out = dict(tables)
    for name, shown in _SHOWN.items():
        if name in out and not out[name].empty:
            out[name] = with_limits(out[name], limits, kinds, *shown)
    if "curves_heads" in out and not out["curves_heads"].empty:
        out["curves_heads"] = _along(out["curves_heads"], limits, kinds)
    if "curves_hand" in out and not out["curves_hand"].empty:
        out["curves_hand"] = _hand(out["curves_hand"], limits, kinds)
    if "contrasts" in out and not out["contrasts"].empty:
        out["contrasts"] = _contrasts(out["contrasts"], limits, kinds)
    return out


_OF_CURVES = {"activation": "activation", "force_n": "force"}
"""Quantity of a curve of a head → quantity of a limit."""


def _along(table: pd.DataFrame, limits: Limits, kinds: Mapping[str, LiftKind]) -> pd.DataFrame:
    """Put in ``limit`` what concerns a head, in ``limit_here`` what concerns a point of a curve."""
    whole = table.drop(columns="height_fraction", errors="ignore")
    found = table.assign(limit=with_limits(whole, limits, kinds, *_HEADS)["limit"], limit_here="")
    for name, quantity in _OF_CURVES.items():
        mine = table["quantity"] == name
        here = with_limits(table[mine], limits, kinds, quantity)["limit"]
        found.loc[mine, "limit_here"] = here
    return found


def _hand(table: pd.DataFrame, limits: Limits, kinds: Mapping[str, LiftKind]) -> pd.DataFrame:
    """Mark the points of the lateral ratio and force; the vertical force is measured."""
    here = with_limits(table, limits, kinds, "lateral_ratio")["limit"]
    return table.assign(limit_here=here.where(table["quantity"] != "vertical_force_n", ""))


def _contrasts(table: pd.DataFrame, limits: Limits, kinds: Mapping[str, LiftKind]) -> pd.DataFrame:
    """Rows concern heads in one outcome and the lift in others."""
    heads = with_limits(table, limits, kinds, "activation", head="item")["limit"]
    ratio = with_limits(table.drop(columns="item"), limits, kinds, "lateral_ratio")["limit"]
    outcome = table["outcome"].astype(str)
    keys = heads.where(outcome == "mean_activation", ratio.where(outcome == "lateral_ratio", ""))
    return table.assign(limit=keys)
