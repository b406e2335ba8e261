"""The greatest load at every height, and what limits it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import moment_direction
from momentshare.reading.columns import (
    case_keys,
    frame_status,
    height_columns,
    stacked,
)

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.analysis import LiftResult
    from momentshare.runs import CaseSet


__all__ = ["load_table"]


def load_table(study: CaseSet) -> pd.DataFrame:
    """List the greatest load at every height.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per person × condition × lateral mode × frame: ``greatest_load_kg``, both hands.
        ``limiting_row`` is the moment whose price times demand is largest,
        ``limiting_direction`` the direction of that demand, ``limiting_share`` its part of the
        whole (the parts of all rows sum to one); ``limiting_heads`` are fully active.

    Examples
    --------
    >>> from momentshare import load_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = load_table(result)
    >>> bool((table["greatest_load_kg"] > 0.0).all()), len(table)
    (True, 20)
    """
    parts = []
    for case, result in study.pairs():
        if result.greatest is None:
            continue
        greatest = result.greatest.factor
        rows, directions = (np.full(len(greatest), "", dtype=object) for _ in range(2))
        shares = np.full(len(greatest), np.nan)
        heads = np.full(len(greatest), "", dtype=object)
        asked, part = _limits(result)
        names = np.array(study.model.head_names)
        for frame in np.flatnonzero(np.isfinite(greatest)):
            top = int(np.argmax(part[frame]))
            rows[frame] = result.criterion.rows[top]
            directions[frame] = moment_direction(rows[frame], asked[frame, top]).name
            shares[frame] = part[frame, top]
            heads[frame] = " ".join(names[result.greatest.limiting[frame]])
        columns = height_columns(case)
        columns |= {
            "load_kg": 2.0 * case.prepared.lift.load_mass,
            "greatest_load_kg": greatest,
            "limiting_row": rows,
            "limiting_direction": directions,
            "limiting_share": shares,
            "limiting_heads": heads,
            "status": frame_status(case.prepared.lift.reachable, result.greatest.status_text),
        }
        parts.append(case_keys(case, result) | columns)
    return stacked(parts)


def _limits(result: LiftResult) -> tuple[np.ndarray, np.ndarray]:
    """Moments of one more kilogram, and price × moment of each row as parts of their sum."""
    assert result.greatest is not None  # noqa: S101 - the caller has looked
    balance = result.prepared.balance(result.criterion)
    ratio = result.lateral.ratios(len(balance.posed), balance.fraction)
    asked = balance.moments_of_a_kilogram(ratio)
    part = result.greatest.multipliers * asked
    total = part.sum(axis=1, keepdims=True)
    return asked, np.asarray(part / np.where(total == 0.0, 1.0, total))
