"""Which orders of a study any limb would give: the study solved again with null limbs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.errors import MomentshareError
from momentshare.reading.effects import lift_means
from momentshare.runs import solve_variations
from momentshare.runs.variation import other_muscles
from momentshare.validation.null import DRAWS, null_numbers

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.runs import Setup

__all__ = ["null_agreement"]


def null_agreement(
    setup: Setup,
    orders: pd.DataFrame,
    draws: int = DRAWS,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Share of null limbs in which an order of two conditions is the same.

    Posture, load, lateral treatment, bones, volumes and strength of each person stay; attachments
    and fibre lengths are those of a null limb (:mod:`momentshare.validation.null`). An order that
    nearly all of them give follows from posture and load, whatever is attached where.

    Parameters
    ----------
    setup : Setup
        Of the study.
    orders : DataFrame
        ``head``, ``condition`` (with the higher lift-mean activation, mean over people), ``other``
        and ``lateral``, as :func:`momentshare.report.text.study_opening.verdict_table` has them.
    draws : int
        Null limbs.
    progress : callable, optional
        Called with the number of null limbs done, and of all.

    Returns
    -------
    DataFrame
        A row for each order: ``null_limbs``, how many null limbs can do both conditions, and
        ``null_agree``, the share of these in which the order is the same; NaN where none can.
    """
    gap = np.full((draws, len(orders)), np.nan)
    keys = [
        list(zip(orders[name], orders["lateral"], orders["head"], strict=True))
        for name in ("condition", "other")
    ]
    for k, numbers in enumerate(null_numbers(setup.limbs.model, draws)):
        if progress is not None:
            progress(k, draws)
        try:
            ((_, solved),) = solve_variations(setup, [other_muscles(f"null limb {k + 1}", numbers)])
        except MomentshareError:
            continue
        means = lift_means(solved, ["condition", "lateral", "head"])
        high, low = (_looked_up(means, wanted) for wanted in keys)
        gap[k] = high - low
    known = np.isfinite(gap).sum(axis=0)
    same = (gap > 0.0).sum(axis=0)
    share = np.divide(same, known, out=np.full(len(orders), np.nan), where=known > 0)
    return pd.DataFrame({"null_agree": share, "null_limbs": known})


def _looked_up(means: pd.Series[float], keys: list[tuple[str, str, str]]) -> np.ndarray:
    """Values by condition, treatment and head; a condition without the treatment has one only."""
    alone = means.groupby(["condition", "head"], sort=False).first()
    return np.array([means.get(key, alone.get((key[0], key[2]), np.nan)) for key in keys])
