"""Read single arguments of a sharing problem; a fault names what is wanted and the remedy."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.sharing._force_cone import Cone

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._result import FloatArray


def require_choice(argument: str, value: object, known: tuple[str, ...]) -> None:
    """Refuse an unknown word."""
    if not (isinstance(value, str) and value in known):
        text = " or ".join(repr(name) for name in known)
        raise ShapeError(argument, text, repr(value), "give one of these words")


def read_exponent(exponent: float) -> float:
    try:
        power = math.nan if isinstance(exponent, (bool, str)) else float(exponent)
    except (TypeError, ValueError, OverflowError) as error:
        raise ShapeError(
            "exponent", "a number above 1, or math.inf", repr(exponent), "give a number such as 2"
        ) from error
    if not power > 1.0:
        remedy = "with p = 1 the optimum is not unique; use a p slightly above 1"
        raise ShapeError(
            "exponent",
            "a number above 1, or math.inf",
            repr(exponent),
            remedy if power == 1.0 else "give a number such as 2",
        )
    return power


_AXES = {"free_columns": ("rows", "k"), "inequalities": ("facets", "heads")}
"""Axes of a table; those of others are rows and heads."""


def read_array(
    name: str,
    values: ArrayLike,
    axes: int,
    remedy: str,
    last: tuple[int, ...] | None = None,
) -> FloatArray:
    array = numbers(name, values)
    wanted = last if last is not None else _AXES.get(name, ("rows", "heads"))
    text = ", ".join(str(size) for size in wanted)
    if array.ndim < axes or (last is not None and array.shape[-len(last) :] != last):
        raise ShapeError(name, f"shape (..., {text})", f"shape {array.shape}", remedy)
    return array


def read_bounds(
    bounds: tuple[ArrayLike, ArrayLike] | None, free: int
) -> tuple[FloatArray, FloatArray]:
    if bounds is None:
        return np.full(free, -np.inf), np.full(free, np.inf)
    try:
        low, high = bounds
        lower, upper = numbers("free_bounds", low), numbers("free_bounds", high)
    except (TypeError, ValueError) as error:
        raise ShapeError(
            "free_bounds", "a pair (lower, upper)", _brief(bounds),
            "give numbers as (lower, upper), infinite where there is no bound",
        ) from error  # fmt: skip
    spread = []
    for array in (lower, upper):
        if array.ndim and array.shape[-1] not in {1, free}:
            raise ShapeError(
                "free_bounds", f"shape (..., {free})", f"shape {array.shape}",
                "give each bound as one number, or as one for each column of free_columns",
            )  # fmt: skip
        spread.append(np.broadcast_to(array, (*array.shape[:-1], free)))
    bad = ~(spread[0] <= spread[1])
    if bad.any():
        where = tuple(int(i) for i in np.argwhere(bad)[0])
        raise ShapeError(
            "free_bounds",
            "in order, lower <= upper, without NaN",
            f"{np.broadcast_to(spread[0], bad.shape)[where]} and "
            f"{np.broadcast_to(spread[1], bad.shape)[where]} at {where}",
            "give (lower, upper), infinite where there is no bound",
        )
    return spread[0], spread[1]


def as_pair(inequalities: Cone | tuple[ArrayLike, ArrayLike]) -> tuple[ArrayLike, ArrayLike]:
    """Inequalities as a pair (G, h).

    Raises
    ------
    ShapeError
        It is neither a pair nor a cone.
    """
    if isinstance(inequalities, Cone):
        return inequalities.inequalities()
    try:
        G, h = inequalities
    except (TypeError, ValueError) as error:
        raise ShapeError(
            "inequalities", "a pair (G, h) or a Cone", _brief(inequalities),
            "give coefficients and levels together: (G, h)",
        ) from error  # fmt: skip
    return G, h


def _brief(value: object) -> str:
    """Shape of an array, else the type of what was given."""
    if (shape := getattr(value, "shape", None)) is not None:
        return f"an array of shape {tuple(shape)}"
    return (
        f"{type(value).__name__} of {len(value)}"
        if isinstance(value, (list, tuple))
        else repr(value)
    )


def read_inequalities(
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None, heads: int
) -> tuple[FloatArray, FloatArray | None, FloatArray]:
    """Coefficients, or the normals and lines of a cone, and levels."""
    if inequalities is None:
        return np.zeros((0, heads)), None, np.zeros(0)
    if isinstance(inequalities, Cone):
        lines = inequalities.lines
        if lines.shape[-2] != heads:
            raise ShapeError(
                "inequalities", f"a cone with lines of {heads} heads",
                f"a cone with lines of shape {lines.shape}",
                "give the line of action of every head of moment_arms",
            )  # fmt: skip
        return inequalities.normals, lines, inequalities.levels
    G, h = as_pair(inequalities)
    limits = read_array("inequalities", G, 2, "give G with one row for each inequality")
    if limits.shape[-1] != heads:
        raise ShapeError(
            "inequalities",
            f"a pair (G, h), G of shape (..., facets, {heads})",
            f"G of shape {limits.shape}",
            "give one column for each head of moment_arms",
        )
    return (
        limits,
        None,
        read_array(
            "inequalities (level)",
            h,
            1,
            "give h with one level for each row of G",
            limits.shape[-2:-1],
        ),
    )
