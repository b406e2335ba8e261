"""Take one free column out of the balances of many frames and bring the answers back, compiled.

With D the norms of the rows of B = R∘capacity and q the unit vector along D⁻¹ C, the reflection
``H = I − w wᵀ`` with ``w = (q ± e₁) / √(1 + |q₁|)`` turns q into ∓e₁. The rows of ``H D⁻¹`` behind
the first are therefore free of C and as long as before::

    R' = (H D⁻¹ R)₂…,   m' = (H D⁻¹ m)₂…,   λ = D⁻¹ H (0, λ'),   f = q · D⁻¹ (m − R F) / |D⁻¹ C|.

Heads have the drives that they have in the whole balance, so that effort, stationarity and gap of
an answer are its own.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import has_numba, outermost

if TYPE_CHECKING:
    from typing import Any

    from momentshare.sharing._result import FloatArray, IntArray

SOLVED, UNCERTIFIED = 0, 2
"""As in ``_result.Status``."""


def _project_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    column: FloatArray,
    first: int,
    last: int,
    idle: float,
    less_arms: FloatArray,
    less_moments: FloatArray,
    row_size: FloatArray,
    mirror: FloatArray,
) -> None:
    """Write R', m', D and w of the frames first … last − 1.

    Without a column, w holds NaN, and so do the numbers that follow from it.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    for f in range(first, last):
        R, cap = arms[f if arms.shape[0] > 1 else 0], capacity[f if capacity.shape[0] > 1 else 0]
        m, C = moments[f if moments.shape[0] > 1 else 0], column[f if column.shape[0] > 1 else 0]
        D, w = row_size[f], mirror[f]
        total, acting = 0.0, 0
        for j in range(rows):
            square = 0.0
            for i in range(heads):
                square += (R[j, i] * cap[i]) ** 2
            D[j] = math.sqrt(square)
            total += D[j]
            acting += 1 if D[j] > 0.0 else 0
        # A row that no head acts on takes the mean of the others.
        mean = total / acting if acting > 0 else 1.0
        square = 0.0
        for j in range(rows):
            if D[j] == 0.0:
                D[j] = mean
            w[j] = C[j, 0] / D[j]
            square += w[j] * w[j]
        length = math.sqrt(square)
        for j in range(rows):
            w[j] /= length
        root = math.sqrt(1.0 + abs(w[0]))
        w[0] += 1.0 if w[0] >= 0.0 else -1.0
        along = 0.0
        for j in range(rows):
            w[j] /= root
            along += w[j] * m[j] / D[j]
        for j in range(1, rows):
            less_moments[f, j - 1] = m[j] / D[j] - w[j] * along
        for i in range(heads):
            along, whole, left = 0.0, 0.0, 0.0
            for j in range(rows):
                part = R[j, i] / D[j]
                whole = max(whole, abs(part))
                along += w[j] * part
            for j in range(1, rows):
                part = R[j, i] / D[j] - w[j] * along
                left = max(left, abs(part))
                less_arms[f, j - 1, i] = part
            # A head that turns the free value alone cannot help; rounding must not say it can.
            if left <= idle * whole:
                for j in range(1, rows):
                    less_arms[f, j - 1, i] = 0.0


def _recover_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    column: FloatArray,
    row_size: FloatArray,
    mirror: FloatArray,
    less_multipliers: FloatArray,
    first: int,
    last: int,
    certified: float,
    activation: FloatArray,
    multipliers: FloatArray,
    unmet: FloatArray,
    free_values: FloatArray,
    status: IntArray,
    numbers: FloatArray,
) -> None:
    """Write multipliers, free value and unmet moments of solved frames first … last − 1.

    ``numbers`` keeps bounds, stationarity and gap; a frame whose whole balance is not met any
    more is not certified.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    for f in range(first, last):
        if status[f] != SOLVED:
            continue
        R, cap = arms[f if arms.shape[0] > 1 else 0], capacity[f if capacity.shape[0] > 1 else 0]
        m, C = moments[f if moments.shape[0] > 1 else 0], column[f if column.shape[0] > 1 else 0]
        pas = passive[f if passive.shape[0] > 1 else 0]
        D, w, lam = row_size[f], mirror[f], less_multipliers[f]
        along = 0.0
        for j in range(1, rows):
            along += w[j] * lam[j - 1]
        value, square, size, residual = 0.0, 0.0, 0.0, 0.0
        for j in range(rows):
            multipliers[f, j] = ((lam[j - 1] if j > 0 else 0.0) - w[j] * along) / D[j]
            rest, bare = m[j], abs(m[j])
            for i in range(heads):
                part = R[j, i] * (cap[i] * activation[f, i] + pas[i])
                rest -= part
                bare += abs(part)
            unmet[f, j] = rest
            value += C[j, 0] * rest / (D[j] * D[j])
            square += (C[j, 0] / D[j]) ** 2
            size = max(size, bare / D[j])
        value /= square
        free_values[f, 0] = value
        met = True
        for j in range(rows):
            unmet[f, j] -= C[j, 0] * value
            residual = max(residual, abs(unmet[f, j]))
            met = met and abs(unmet[f, j]) <= certified * size * D[j]
        numbers[f, 0] = residual
        if not met:
            status[f] = UNCERTIFIED


def _signatures() -> tuple[Any, Any]:
    if not has_numba():
        return None, None
    from numba import types

    def given(axes: int) -> Any:
        return types.Array(types.float64, axes, "C", readonly=True)

    def written(axes: int) -> Any:
        return types.Array(types.float64, axes, "C")

    span = (types.int64, types.int64, types.float64)
    project = types.void(
        *(given(axes) for axes in (3, 2, 2, 3)), *span, *(written(axes) for axes in (3, 2, 2, 2))
    )
    recover = types.void(
        *(given(axes) for axes in (3, 2, 2, 2, 3, 2, 2, 2)),
        *span,
        *(written(2) for _ in range(4)),
        types.Array(types.int8, 1, "C"),
        written(2),
    )
    return project, recover


_PROJECT, _RECOVER = _signatures()

project_frames = outermost(_PROJECT, [__file__])(_project_frames)
recover_frames = outermost(_RECOVER, [__file__])(_recover_frames)
