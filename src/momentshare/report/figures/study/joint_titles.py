"""Titles that state a result of moments, arms and lateral force where one holds throughout."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.explain.phrases import capital
from momentshare.report.text.opening import everyone

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from momentshare.directions import Row
    from momentshare.report.figures.study.results import Solved

    Floats = NDArray[np.float64]

__all__ = ["arms_title", "moments_title", "order_title", "ratio_title"]

_LOADED = ("shoulder_horizontal_adduction", "elbow_extension")
"""Rows of which a title speaks: those that a press loads most."""


def order_title(values: Mapping[str, Mapping[str, Floats]], unit: str, digits: int = 0) -> str:
    """State the widest order of two conditions that holds in every value, and its size.

    The size is the mean over people: where treatments give several, the least and the greatest.

    Parameters
    ----------
    values : mapping
        Quantity → condition → values of the same people and treatments, in the same order; the
        first treatment decides which order is the widest.
    unit : str
        Empty where the size is not to be stated.
    digits : int
        Of the difference.

    Returns
    -------
    str
        Empty where no order holds throughout, or where its size would print as nothing.

    Examples
    --------
    >>> import numpy as np
    >>> wide, narrow = np.array([[20.0, 21.0]]), np.array([[30.0, 33.0]])
    >>> order_title({"peak elbow extension": {"wide": wide, "narrow": narrow}}, "N·m")
    "Peak elbow extension is larger in 'narrow' than in 'wide', by 10 to 12 N·m"
    """
    least = 0.5 * 10.0**-digits
    best, found = least, ""
    for quantity, own in values.items():
        for one, two in combinations(own, 2):
            if own[one].shape != own[two].shape:
                continue
            gaps = own[one] - own[two]
            if not np.isfinite(gaps).all() or (not (gaps > 0.0).all() and not (gaps < 0.0).all()):
                continue
            sizes = np.abs(gaps.mean(axis=0))
            if sizes[0] > best and sizes.min() > least:
                high, low = (one, two) if gaps[0, 0] > 0.0 else (two, one)
                best = float(sizes[0])
                ends = dict.fromkeys(f"{s:.{digits}f}" for s in (sizes.min(), sizes.max()))
                by = f", by {' to '.join(ends)} {unit}" if unit else ""
                found = f"{capital(quantity)} is larger in '{high}' than in '{low}'{by}"
    return found


def _everyone(solved: Solved, *, treatments: bool) -> str:
    """Say in whom a title holds."""
    parts = [everyone(solved.people)] if solved.people > 1 else []
    if treatments and len(solved.modes) > 1:
        parts.append("under every treatment of the lateral force")
    return f", {' and '.join(parts)}" if parts else ""


def _known(values: Floats) -> Floats:
    """Values without frames that have none; one that is not a number where no frame has."""
    known = values[np.isfinite(values)]
    return known if known.size else np.full(1, np.nan)


def _by_row(
    solved: Solved,
    words: Callable[[Row], str],
    lines: Callable[[str, int], list[list[float]]],
) -> dict[str, dict[str, Floats]]:
    """Quantity → condition → values, people × treatments, where everyone has them.

    ``words`` names the quantity of a row; ``lines`` gives its values by condition and place of the
    row, one line per treatment.
    """
    values: dict[str, dict[str, Floats]] = {}
    for name in _LOADED:
        own = values.setdefault(words(row_named(name)), {})
        for condition in solved.conditions:
            table = lines(condition, ROWS.index(name))
            if all(len(line) == solved.people for line in table):
                own[condition] = np.array(table).T
    return values


def moments_title(solved: Solved) -> str:
    """State the widest order in a peak moment that holds for everyone under every treatment."""

    def peaks(condition: str, at: int) -> list[list[float]]:
        return [
            [_known(result.moments[:, at]).max() for _, result in solved.get(condition, mode)]
            for mode in solved.modes
        ]

    told = order_title(_by_row(solved, lambda row: f"peak {row.positive.words}", peaks), "N·m")
    return f"{told}{_everyone(solved, treatments=True)}" if told else ""


def arms_title(solved: Solved) -> str:
    """State the widest order in the greatest moment arm of a weight that holds for everyone."""

    def arms(condition: str, at: int) -> list[list[float]]:
        ready = [case.prepared for case, _ in solved.any(condition)]
        return [[100.0 * _known(p.demand.gravity_arms[p.lift.reachable, at]).max() for p in ready]]

    values = _by_row(
        solved, lambda row: f"the greatest moment arm of a weight for {row.label}", arms
    )
    told = order_title(values, "cm", 1)
    return f"{told}{_everyone(solved, treatments=False)}" if told else ""


def ratio_title(solved: Solved, mode: str) -> str:
    """State the widest order in the mean lateral ratio that holds for everyone, without its size.

    The limb does not support the size of a free ratio.
    """
    own: dict[str, Floats] = {}
    for condition in solved.conditions:
        ratios = [_known(r.lateral_ratio).mean() for _, r in solved.get(condition, mode)]
        if len(ratios) == solved.people:
            own[condition] = np.array(ratios)[:, None]
    told = order_title({f"the {mode} lateral ratio": own}, "", 2)
    return f"{told}{_everyone(solved, treatments=False)}" if told else ""
