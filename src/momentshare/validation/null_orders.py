"""Which orders of a study any limb would give: the study solved again with null limbs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.errors import MomentshareError
from momentshare.reading import head_table_by_person
from momentshare.runs import solve_variations
from momentshare.runs.variation import other_muscles
from momentshare.validation.null import DRAWS, null_numbers

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.runs import CaseSet, Setup

    _Key = tuple[str, str, str]

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
        A row for each order: ``null_limbs``, in how many null limbs somebody can do both
        conditions, and ``null_agree``, the share of these in which the order is the same, as a mean
        over those who can; NaN where there is none.
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
        means = _lift_means(solved)
        high, low = (_looked_up(means, wanted) for wanted in keys)
        both = np.isfinite(high - low)
        able = both.any(axis=1)
        gap[k, able] = np.where(both, high - low, 0.0).sum(axis=1)[able]
    known = np.isfinite(gap).sum(axis=0)
    same = (gap > 0.0).sum(axis=0)
    share = np.divide(same, known, out=np.full(len(orders), np.nan), where=known > 0)
    return pd.DataFrame({"null_agree": share, "null_limbs": known})


def _lift_means(solved: CaseSet) -> dict[_Key, NDArray[np.float64]]:
    """Lift-mean activation of each person, by condition, treatment and head."""
    table = head_table_by_person(solved)
    names = ["condition", "lateral", "head", "person"]
    means = table.astype(dict.fromkeys(names, str)).groupby(names, sort=False)["mean_activation"]
    # A pivot table would leave out what nobody can do.
    wide = means.mean().unstack("person")  # noqa: PD010
    return dict(zip(wide.index, wide.to_numpy(dtype=np.float64), strict=True))


def _looked_up(
    means: Mapping[_Key, NDArray[np.float64]], keys: Sequence[_Key]
) -> NDArray[np.float64]:
    """Values of keys, (orders, people); a condition without the treatment has one only."""
    alone: dict[tuple[str, str], NDArray[np.float64]] = {}
    for (condition, _, head), own in means.items():
        alone.setdefault((condition, head), own)
    nobody = np.full(len(next(iter(means.values()), ())), np.nan)
    return np.array([means.get(key, alone.get((key[0], key[2]), nobody)) for key in keys])
