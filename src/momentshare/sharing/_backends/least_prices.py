"""The choice among several equally good sets of prices.

Where the heads between their bounds do not fix the prices v of a greatest factor, every v
with v·g = 1 that is across the free columns and gives

    A_i·v = 0 between the bounds,   A_i·v ≤ 0 at no activation,   A_i·v ≥ 0 at full activation

proves the same factor. The one of least Σ (w v)² is reported. As a least-distance problem
this is solved by non-negative least squares (Lawson and Hanson 1974, *Solving Least Squares
Problems*, ch. 23, from memory), then once more on the constraints that bind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray

SLACK = 1e-9
"""Sine by which a head may miss its sign; beyond, the prices stay as they were."""

SPANNED = 1e-10
"""Relative singular value below which a direction is not spanned."""


def least_prices(
    balance: Balance,
    scaled: FloatArray,
    activation: FloatArray,
    prices: FloatArray,
    size: FloatArray,
    bound: float,
) -> FloatArray:
    """Prices of least Σ (size·v)² that prove the same factors, frame by frame.

    Parameters
    ----------
    balance : Balance
    scaled : float array, shape (frames, rows)
        g.
    activation : float array, shape (frames, heads)
        At the limit.
    prices : float array, shape (frames, rows)
        Prices v that prove it.
    size : float array, shape (frames, rows)
        Weights w, above zero.
    bound : float
        Distance from a bound at which an activation rests on it.

    Returns
    -------
    float array, shape (frames, rows)
    """
    out = prices.copy()
    for f in range(prices.shape[0]):
        A, a = balance.matrix[f], activation[f]
        inside = (a > bound) & (a < 1.0 - bound)
        fixed = np.column_stack([balance.basis[f], scaled[f], A[:, inside]])
        found = _least(A, inside, a >= 0.5, _complement(fixed), prices[f], size[f])
        if found is not None:
            out[f] = found
    return out


def _complement(columns: FloatArray) -> FloatArray:
    """Orthonormal basis of what no column points to."""
    length = np.linalg.norm(columns, axis=0)
    unit = columns[:, length > 0.0] / length[length > 0.0]
    left, values, _ = np.linalg.svd(unit)
    return np.asarray(left[:, int((values > SPANNED).sum()) :])


def _least(
    A: FloatArray,
    inside: BoolArray,
    full: BoolArray,
    ways: FloatArray,
    v: FloatArray,
    size: FloatArray,
) -> FloatArray | None:
    """One frame: v + ways x of least weighted norm; None where rounding wins."""
    from scipy.optimize import nnls

    if ways.shape[1] == 0:
        return None
    Q, R = np.linalg.qr(size[:, None] * ways)
    back = np.linalg.solve(R, np.eye(R.shape[0]))
    already = Q.T @ (size * v)
    sign = np.where(full, 1.0, -1.0)
    length = np.linalg.norm(A, axis=0)
    held = ~inside & (np.linalg.norm(ways.T @ A, axis=0) > SPANNED * length)
    # With y = R x + Qᵀ(w v) the distance is |y| and the signs read  G y ≥ h.
    G = sign[held, None] * (A[:, held].T @ ways @ back)
    h = G @ already - sign[held] * (A[:, held].T @ v)
    scale = np.linalg.norm(G, axis=1)
    G, h = G / scale[:, None], h / scale
    y = np.zeros(R.shape[0])
    unit = max(float(np.linalg.norm(already)), float(np.linalg.norm(size * v)))
    if (h > 0.0).any():
        E = np.vstack([G.T, h / unit])
        aim = np.append(y, 1.0)
        push, _ = nnls(E, aim)
        if not push.any() or 1.0 - E[-1] @ push <= 0.0:
            return None
        binding = push > 0.0
        y = np.linalg.lstsq(G[binding], h[binding], rcond=SPANNED)[0]
    found = np.asarray(v + ways @ (back @ (y - already)))
    wrong = -sign[held] * (A[:, held].T @ found)
    if (wrong > SLACK * length[held] * np.linalg.norm(found)).any():
        return None
    return found
