"""A quantity that may change along the lift: constant, or through given points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, require_kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["Profile", "curves_through", "require_profiles", "values_along"]


@dataclass(frozen=True, slots=True)
class Profile:
    """Value against the height fraction of the lift (0 chest, 1 lock-out).

    Two or more points are joined by a monotone cubic (Fritsch and Carlson 1980), so that the curve
    stays between its points and its first derivative is continuous; one point is a constant.

    Parameters
    ----------
    points : tuple of pair of float
        (height fraction, value) in rising order; the unit is that of the quantity.

    Raises
    ------
    InputError
        No point, fractions that do not rise or lie outside 0 to 1, values that are not finite.

    Examples
    --------
    >>> from momentshare import Profile
    >>> tuck = Profile(((0.0, 1.05), (1.0, 1.43)))
    >>> [round(float(value), 2) for value in tuck([0.0, 0.5, 1.0])]
    [1.05, 1.24, 1.43]
    >>> Profile.constant(0.5).points
    ((0.0, 0.5),)
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        fractions = [f for f, _ in self.points]
        numbers = np.asarray(self.points, dtype=float)
        if not self.points or not np.all(np.isfinite(numbers)):
            raise InputError(
                f"profile: must be finite pairs (fraction, value); got {self.points!r}"
            )
        if any(b <= a for a, b in pairwise(fractions)):
            raise InputError(f"profile: height fractions must rise; got {fractions}")
        if min(fractions) < 0.0 or max(fractions) > 1.0:
            raise InputError(f"profile: height fractions must lie in 0 to 1; got {fractions}")

    @classmethod
    def constant(cls, value: float) -> Profile:
        """Return a profile that does not change."""
        return cls(((0.0, float(value)),))

    @property
    def values(self) -> tuple[float, ...]:
        """Values of the points."""
        return tuple(value for _, value in self.points)

    def __call__(self, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value at each height fraction, same shape."""
        return np.asarray(values_along([self], np.asarray(fraction, dtype=float))[0])


def values_along(profiles: Sequence[Profile], fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of profiles at the same fractions, shape (profiles, *fraction.shape).

    Profiles whose points have the same fractions are evaluated together.
    """
    out = np.empty((len(profiles), *fraction.shape))
    kinds: dict[tuple[float, ...], list[int]] = {}
    for k, profile in enumerate(profiles):
        kinds.setdefault(tuple(f for f, _ in profile.points), []).append(k)
    for x, members in kinds.items():
        y = np.array([[v for _, v in profiles[k].points] for k in members])
        out[members] = curves_through(np.array(x), y, fraction)
    return out


def curves_through(
    x: NDArray[np.float64], y: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Monotone cubics through points, held constant beyond them.

    Parameters
    ----------
    x : float array, shape (points,)
        Rising.
    y : float array, shape (curves, points)
    at : float array, shape (...)

    Returns
    -------
    float array, shape (curves, ...)
    """
    if len(x) == 1:
        return np.broadcast_to(y.reshape(-1, *[1] * at.ndim), (len(y), *at.shape))
    step = np.diff(x)
    rise = np.diff(y) / step
    slope = _slopes(step, rise)
    bend = (slope[:, :-1] + slope[:, 1:] - 2.0 * rise) / step
    flat = np.clip(at, x[0], x[-1]).ravel()
    piece = np.clip(np.searchsorted(x, flat, side="right") - 1, 0, len(x) - 2)
    s = flat - x[piece]
    value = y[:, piece] + slope[:, piece] * s
    value += ((rise - slope[:, :-1]) / step - bend)[:, piece] * (s * s)
    value += (bend / step)[:, piece] * (s * s * s)
    return value.reshape(len(y), *at.shape)


def _slopes(step: NDArray[np.float64], rise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes at the points: weighted harmonic means (Fritsch and Butland 1984, from memory)."""
    slope = np.zeros((len(rise), len(step) + 1))
    if len(step) == 1:
        slope[:] = rise
        return slope
    before, after = rise[:, :-1], rise[:, 1:]
    near, far = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    turns = (np.sign(before) != np.sign(after)) | (before == 0.0) | (after == 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (near / before + far / after) / (near + far)
        slope[:, 1:-1] = np.where(turns, 0.0, 1.0 / mean)
    slope[:, 0] = _end_slope(step[0], step[1], rise[:, 0], rise[:, 1])
    slope[:, -1] = _end_slope(step[-1], step[-2], rise[:, -1], rise[:, -2])
    return slope


def _end_slope(
    step: float, next_step: float, rise: NDArray[np.float64], next_rise: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Slope at an end from three points, limited where the curve would overshoot."""
    slope = ((2.0 * step + next_step) * rise - step * next_rise) / (step + next_step)
    against = np.sign(slope) != np.sign(rise)
    steep = (np.sign(rise) != np.sign(next_rise)) & (np.abs(slope) > 3.0 * np.abs(rise))
    return np.where(against, 0.0, np.where(steep, 3.0 * rise, slope))


def require_profiles(**given: Profile | None) -> None:
    """Refuse a number in place of a profile; what is None may be left out.

    Raises
    ------
    InputError
        With the profile that the number would be.
    """
    for name, value in given.items():
        if value is not None:
            require_kind(name, value, Profile, "Profile.constant(value) holds one value throughout")
