"""What null limbs say of the orders of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.validation.agreement import is_firm, split, stored_agreements
from momentshare.validation.scores import AS_OFTEN

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.model import Model

__all__ = ["AGREE_WORDS", "null_text", "with_null_limbs"]

FEWEST = 10
"""Null limbs that must be able to do both conditions before an order is told apart; assumed."""

AGREE_WORDS = "null limbs that agree"
"""What ``null_agree`` is called in a table for a reader."""


def with_null_limbs(verdicts: pd.DataFrame, null: pd.DataFrame | None) -> pd.DataFrame:
    """Add what null limbs give of each order, if it is known.

    Parameters
    ----------
    verdicts : DataFrame
        A row per order.
    null : DataFrame, optional
        From :func:`momentshare.validation.null_orders.null_agreement`, a row per order.
    """
    if null is None:
        return verdicts
    return verdicts.assign(
        null_agree=null["null_agree"].to_numpy(), null_limbs=null["null_limbs"].to_numpy()
    )


def null_text(firm: pd.DataFrame, model: Model) -> str:
    """Say how many firm orders any limb would give, and how often published ones are right."""
    if "null_agree" not in firm or firm.empty:
        return ""
    told = firm[firm["null_limbs"] >= FEWEST]
    few = len(firm) - len(told)
    if told.empty:
        return (
            f" What null limbs give is not known: fewer than {FEWEST} of them can do both "
            "conditions; ask for more with --null-limbs."
        )
    alike = int((told["null_agree"] >= AS_OFTEN).sum())
    rest = len(told) - alike
    low, high = int(told["null_limbs"].min()), int(told["null_limbs"].max())
    limbs = f"{high}" if low == high else f"{low} to {high}"
    verb, them = ("holds", "it") if alike == 1 else ("hold", "them")
    parts = [
        (
            f"{alike:,} {verb} in at least nine of ten of the {limbs} null limbs that can do both "
            f"conditions, so posture and load decide {them}"
        ),
    ]
    if rest:
        parts.append(f"{rest:,} {'rests' if rest == 1 else 'rest'} on the muscles of this limb")
    if few:
        parts.append(f"fewer than {FEWEST} null limbs can do both conditions of {few:,}")
    said = f" Of the {len(firm):,}, {'; '.join(parts)}."
    for known in filter(is_firm, stored_agreements(model)):
        said += (
            f" Of published orders, limits left aside, {known.alike_right} of {known.alike} of the "
            f"first kind are right and {split(known)}."
        )
    return said
