"""Rates of change: of signals, and of rotations as angular velocity and acceleration.

Central differences, of second order in the step everywhere: next to a gap and at the ends they
are one-sided. A gap affects nothing beyond itself, because each stretch between gaps is treated
separately; a stretch with too few samples stays NaN. Noise is amplified, so filter first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError
from momentshare.signals._arguments import as_rate, as_signal, refuse_infinite
from momentshare.signals._stretches import by_stretch, runs

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

__all__ = ["angular_acceleration", "angular_velocity", "derivative", "second_derivative"]

_FEWEST_FIRST = 3
_FEWEST_SECOND = 4
"""Samples that one-sided differences of second order need."""

_ORTHONORMAL = 1e-6
"""Departure of RᵀR from the identity that rounding may explain; assumed."""


def derivative(values: ArrayLike, rate: float) -> NDArray[np.float64]:
    """First derivative by time.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        At least three samples; NaN where nothing was recorded.
    rate : float
        [Hz]

    Returns
    -------
    float array, shape of ``values``
        Per second; NaN at missing samples and in stretches of fewer than three.

    Examples
    --------
    >>> derivative([0.0, 1.0, 4.0, 9.0], 1.0)
    array([0., 2., 4., 6.])
    """
    signal, rate = as_signal("values", values), as_rate(rate)
    _require(len(signal), _FEWEST_FIRST)

    def difference(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.gradient(x, 1.0 / rate, axis=0, edge_order=2))

    return by_stretch(signal, _FEWEST_FIRST, difference)


def second_derivative(values: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Second derivative by time, from three neighbours (four at an end).

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        At least four samples; NaN where nothing was recorded.
    rate : float
        [Hz]

    Returns
    -------
    float array, shape of ``values``
        Per second squared; NaN at missing samples and in stretches of fewer than four.
    """
    signal, rate = as_signal("values", values), as_rate(rate)
    _require(len(signal), _FEWEST_SECOND)

    def difference(x: NDArray[np.float64]) -> NDArray[np.float64]:
        inner = x[2:] - 2.0 * x[1:-1] + x[:-2]
        # 2 x₀ − 5 x₁ + 4 x₂ − x₃ is the inner value extrapolated linearly.
        return _carried_on(inner) * rate**2

    return by_stretch(signal, _FEWEST_SECOND, difference)


def angular_velocity(rotation: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Angular velocity in the fixed frame.

    Half the rotation vector of R[k+1] R[k−1]ᵀ over the step; at an end, the velocities half a step
    and one and a half steps from it, extrapolated linearly.

    Parameters
    ----------
    rotation : float array, shape (samples, 3, 3)
        Columns are the axes of the moving frame; NaN where nothing was recorded.
    rate : float
        [Hz]

    Returns
    -------
    float array, shape (samples, 3)
        [rad/s], axes of the fixed frame; NaN at missing samples and in stretches of fewer than
        three.

    Notes
    -----
    The shorter way round is taken: a turn of half a revolution or more within two samples cannot be
    distinguished from its complement.
    """
    turns, rate = _rotations(rotation), as_rate(rate)
    _require(len(turns), _FEWEST_FIRST)

    def velocity(R: NDArray[np.float64]) -> NDArray[np.float64]:
        result = np.empty((len(R), 3))
        from_here = np.concatenate([R[:-2], R[:2], R[-3:-1]])
        turns = _turn(from_here, np.concatenate([R[2:], R[1:3], R[-2:]]))
        inner, first, last = np.split(turns, [len(R) - 2, len(R)])
        result[1:-1] = 0.5 * inner
        result[0] = 1.5 * first[0] - 0.5 * first[1]
        result[-1] = 1.5 * last[1] - 0.5 * last[0]
        return result * rate

    return _by_rotation_stretch(turns, _FEWEST_FIRST, velocity)


def angular_acceleration(rotation: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Angular acceleration in the fixed frame.

    The difference of the mean angular velocities of the step after and the step before a sample,
    so that it is as sharp as :func:`second_derivative`.

    Parameters
    ----------
    rotation : float array, shape (samples, 3, 3)
        As for :func:`angular_velocity`; at least four samples.
    rate : float
        [Hz]

    Returns
    -------
    float array, shape (samples, 3)
        [rad/s²], axes of the fixed frame; NaN at missing samples and in stretches of fewer than
        four.
    """
    turns, rate = _rotations(rotation), as_rate(rate)
    _require(len(turns), _FEWEST_SECOND)

    def acceleration(R: NDArray[np.float64]) -> NDArray[np.float64]:
        return _carried_on(np.diff(_turn(R[:-1], R[1:]), axis=0)) * rate**2

    return _by_rotation_stretch(turns, _FEWEST_SECOND, acceleration)


def _require(samples: int, fewest: int) -> None:
    if samples < fewest:
        raise ShapeError("values", f"at least {fewest} samples long", f"{samples}")


def _carried_on(inner: NDArray[np.float64]) -> NDArray[np.float64]:
    """Add a value before and one after, in line with the two nearest."""
    before, after = 2.0 * inner[:1] - inner[1:2], 2.0 * inner[-1:] - inner[-2:-1]
    return np.concatenate([before, inner, after])


def _turn(start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation vector from one orientation to the other, fixed frame, shape (n, 3)."""
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_matrix(end @ np.swapaxes(start, -1, -2)).as_rotvec())


def _rotations(rotation: ArrayLike) -> NDArray[np.float64]:
    try:
        array = np.asarray(rotation, dtype=np.float64)
    except (TypeError, ValueError) as err:
        raise ShapeError("rotation", "an array of numbers", type(rotation).__name__) from err
    if array.ndim != 3 or array.shape[1:] != (3, 3):
        raise ShapeError("rotation", "shape (samples, 3, 3)", f"shape {array.shape}")
    refuse_infinite("rotation", array)
    known = ~np.isnan(array).any(axis=(1, 2))
    square = np.swapaxes(array, 1, 2) @ array
    with np.errstate(invalid="ignore"):
        off = np.abs(square - np.eye(3)).max(axis=(1, 2))
        bad = known & ((off > _ORTHONORMAL) | (np.linalg.det(array) < 0.0))
    if bad.any():
        sample = int(np.argmax(bad))
        raise InputError(
            f"rotation: sample {sample} is no rotation (RᵀR departs from 1 by {off[sample]:.2g}, "
            f"determinant {np.linalg.det(array[sample]):.3g}); must be right-handed unit axes at "
            "right angles as columns"
        )
    return array


def _by_rotation_stretch(
    rotation: NDArray[np.float64],
    least: int,
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> NDArray[np.float64]:
    known = np.asarray(~np.isnan(rotation).any(axis=(1, 2)))
    result = np.full((len(rotation), 3), np.nan)
    for first, stop in runs(known):
        if stop - first >= least:
            result[first:stop] = function(rotation[first:stop])
    return result
