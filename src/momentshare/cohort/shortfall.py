"""Which moments a limb cannot meet."""

from __future__ import annotations

import pandas as pd

from momentshare.directions import row_named
from momentshare.trial.checks.verdict import OF_LIMB, Check, judge

__all__ = ["LEAST_UNMET", "greatest_unmet", "moments_met", "shortfall_text"]

LEAST_UNMET = 0.5
"""Moment [N·m] from which a frame counts as falling short; assumed."""

_NOTHING = 1e-6
"""Unmet moment [N·m] that is rounding."""


def greatest_unmet(moments: pd.DataFrame, keys: list[str]) -> pd.Series[float]:
    """Greatest unmet moment over the rows of each frame [N·m]; rounding counts as zero."""
    size = moments["unmet_nm"].abs()
    size = size.where(size > _NOTHING, 0.0)
    return moments.assign(size=size).groupby(keys, sort=False, observed=True)["size"].max()


def shortfall_text(moments: pd.DataFrame) -> str:
    """Name the moments that the limb falls short of: frames and greatest amount of each.

    Parameters
    ----------
    moments : DataFrame
        Rows of one treatment of the lateral force.
    """
    frames = len(moments[["repetition", "frame"]].drop_duplicates())
    told = []
    for row, part in moments.groupby("row", sort=False, observed=True):
        size = part["unmet_nm"].abs()
        if count := int((size > LEAST_UNMET).sum()):
            told.append(
                f"{row_named(str(row)).label} in {count} of {frames} frames, by up to "
                f"{size.max():.1f} N·m"
            )
    return "; ".join(told)


def moments_met(moments: list[pd.DataFrame]) -> Check:
    """Share of frames in which the limb cannot meet a moment, in the first treatment."""
    table = pd.concat(moments, ignore_index=True)
    first = table[table["lateral"] == table["lateral"].iloc[0]]
    size = greatest_unmet(first, ["repetition", "frame"])
    short = size > LEAST_UNMET
    note = ""
    if short.any():
        note = (
            f"short of {shortfall_text(first)}, with lateral force {first['lateral'].iloc[0]}; the "
            "person is stronger than the limb, which strength tests or a best lift (best_lift) "
            "correct, or the posture is wrong. Moments, ratio, motion and EMG count whatever the "
            "limb can do"
        )
    return judge(OF_LIMB, 100.0 * float(short.mean()), note=note)
