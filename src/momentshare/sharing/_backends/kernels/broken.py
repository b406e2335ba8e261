"""What follows for a frame within inequalities, and which of them it breaks most, compiled."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from momentshare.sharing._result import FloatArray

    Places = NDArray[np.int64]

BROKEN = 1e-12
"""Part of its terms by which an inequality may be exceeded: rounding."""

DONE, GIVEN_UP, AGAIN, DROP = -1, -2, -3, -4
"""What follows for a frame, where it is not the number of an inequality that joins: nothing,
the other kernel, more passes, or that the k-th in force leaves (``DROP − k``)."""


@inner
def broken_most(
    found: FloatArray, normals: FloatArray, levels: FloatArray, lane: int, chosen: Places, held: int
) -> tuple[int, float]:
    """Inequality broken most by one lane, of those not in force, and the worst relative excess.

    ``found`` holds for every row of coefficients the sum of its terms, of their sizes and of the
    squares of coefficient times capacity. With ``normals`` the rows are components of a force
    and an inequality is a combination of them.
    """
    which, most, worst = DONE, 0.0, 0.0
    for g in range(levels.size):
        if normals.shape[1] > 0:
            excess = -levels[g]
            for d in range(normals.shape[1]):
                excess += normals[g, d] * found[3 * d, lane]
        else:
            excess = found[3 * g, lane] - levels[g]
        # Most are kept, and need no more than this.
        if excess <= 0.0:
            continue
        if not excess > 0.0:
            return GIVEN_UP, worst
        if normals.shape[1] > 0:
            bare, square = abs(levels[g]), 0.0
            for d in range(normals.shape[1]):
                bare += abs(normals[g, d]) * found[3 * d + 1, lane]
                square += normals[g, d] ** 2 * found[3 * d + 2, lane]
        else:
            bare = found[3 * g + 1, lane] + abs(levels[g])
            square = found[3 * g + 2, lane]
        worst = max(worst, excess / bare)
        if excess <= BROKEN * bare:
            continue
        inside = False
        for k in range(held):
            inside = inside or chosen[k] == g
        measure = excess / math.sqrt(square) if square > 0.0 else math.inf
        if not inside and (measure > most or which < 0):
            which, most = g, measure
    return which, worst
