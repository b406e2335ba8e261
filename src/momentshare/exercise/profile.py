"""A quantity that may change along the lift: constant, or through given points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from momentshare.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["Profile", "values_along"]


@dataclass(frozen=True, slots=True)
class Profile:
    """Value against the height fraction of the lift (0 chest, 1 lock-out).

    Two or more points are joined by a monotone cubic (Fritsch and Carlson 1980), so that the
    curve keeps between its points and its first derivative has no jump; one point is a
    constant.

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
            raise InputError(f"profile: wanted finite pairs (fraction, value), got {self.points!r}")
        if any(b <= a for a, b in pairwise(fractions)):
            raise InputError(f"profile: height fractions must rise, got {fractions}")
        if min(fractions) < 0.0 or max(fractions) > 1.0:
            raise InputError(f"profile: height fractions must lie in 0 to 1, got {fractions}")

    @classmethod
    def constant(cls, value: float) -> Profile:
        """Return a profile that does not change."""
        return cls(((0.0, float(value)),))

    def __call__(self, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value at each height fraction, same shape."""
        return np.asarray(values_along([self], fraction)[0])


def values_along(profiles: Sequence[Profile], fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of profiles that have the same fractions, shape (profiles, *fraction.shape)."""
    x = np.array([f for f, _ in profiles[0].points])
    y = np.array([[v for _, v in profile.points] for profile in profiles])
    if len(x) == 1:
        return np.broadcast_to(y.reshape(-1, *[1] * fraction.ndim), (len(y), *fraction.shape))
    return np.asarray(PchipInterpolator(x, y, axis=1)(np.clip(fraction, x[0], x[-1])))
