"""How the lateral hand force along the bar is determined, and the couples that go with it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.profile import Profile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["APART", "Lateral", "LateralMode"]

LateralMode = Literal["measured", "zero", "free"]

_EVEN = np.linspace(0.0, 1.0, 101)
"""Number of heights over which the mean of a profile is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateral:
    """How the lateral hand force along the bar is determined, and the couples that go with it.

    Parameters
    ----------
    mode : {"measured", "zero", "free"}
        A given ratio, no lateral force, or the optimiser's choice.
    ratio : float, tuple of float or Profile
        Outward push over vertical force, for ``measured``; one value, one per frame, or a profile
        along the lift.
    bounds : pair of float, optional
        Least and greatest ratio for ``free``; by default what friction can hold.
    couples : {"zero", "free"} or pair of float
        The couples of the hands that cancel between left and right: none, chosen by the optimiser
        within what a hand can hold, or given [N·m] about the axes of
        :data:`momentshare.exercise.hand.COUPLES`. None by default: the criterion assigns no cost
        to the wrist, so free couples go to their bounds.

    Raises
    ------
    InputError
        A ratio, bound or couple that is not finite or contradicts the mode.

    Examples
    --------
    >>> from momentshare import Lateral
    >>> Lateral(mode="measured", ratio=0.05).ratios(3)
    array([0.05, 0.05, 0.05])
    >>> Lateral(mode="free", bounds=(0.0, 0.3)).free_couples
    False
    """

    mode: LateralMode
    ratio: float | tuple[float, ...] | Profile = 0.0
    bounds: tuple[float, float] | None = None
    couples: Literal["zero", "free"] | tuple[float, float] = "zero"

    def __post_init__(self) -> None:
        if self.mode not in {"measured", "zero", "free"}:
            raise InputError(f"lateral mode: must be measured, zero or free; got {self.mode!r}")
        given = self._values()
        bad = given[~(np.abs(given) <= 2.0)]
        if bad.size:
            raise InputError(
                f"lateral ratio: must be between -2 and 2 (force over force); got {float(bad[0])!r}"
            )
        if self.bounds is not None and not self.bounds[0] <= self.bounds[1]:
            raise InputError(f"lateral bounds: must be in order, low <= high; got {self.bounds!r}")
        if isinstance(self.couples, str):
            if self.couples not in {"zero", "free"}:
                raise InputError(
                    f"couples of the hands: must be zero, free or two numbers; got {self.couples!r}"
                )
        elif len(self.couples) != 2 or not np.all(np.isfinite(self.couples)):
            raise InputError(
                f"couples of the hands: must be two numbers [N·m]; got {self.couples!r}"
            )

    @property
    def free_couples(self) -> bool:
        """Whether the optimiser chooses the couples of the hands."""
        return self.couples == "free"

    @property
    def given_couples(self) -> tuple[float, float]:
        """Couples that are given [N·m]; zero where none are."""
        return (0.0, 0.0) if isinstance(self.couples, str) else self.couples

    def _values(self) -> Floats:
        """Numbers by which the ratio is given."""
        if isinstance(self.ratio, Profile):
            return np.array([value for _, value in self.ratio.points])
        return np.asarray(self.ratio, dtype=float)

    @property
    def mean_ratio(self) -> float:
        """Mean of the given ratio along the lift."""
        if isinstance(self.ratio, Profile):
            return float(self.ratio(_EVEN).mean())
        return float(self._values().mean())

    def shifted(self, by: float) -> Lateral:
        """Return a copy with a shifted ratio."""
        if isinstance(self.ratio, Profile):
            moved: Any = Profile(tuple((f, v + by) for f, v in self.ratio.points))
        else:
            ratio = self._values() + by
            moved = float(ratio) if ratio.ndim == 0 else tuple(map(float, ratio))
        return replace(self, ratio=moved)

    def ratios(self, frames: int, fraction: Floats | None = None) -> Floats:
        """Ratio in each frame: the given one when measured, otherwise zero; shape (frames,).

        A profile needs the height ``fraction`` of every frame.
        """
        if self.mode == "measured" and isinstance(self.ratio, Profile):
            if fraction is None:
                raise InputError("lateral ratio: a profile needs the heights of a lift")
            return self.ratio(np.asarray(fraction, dtype=float))
        given = np.asarray(self._values() if self.mode == "measured" else 0.0, dtype=float)
        if given.ndim and given.shape != (frames,):
            raise InputError(
                f"lateral ratio: must be one value or one for each of {frames} frames; "
                f"got {given.size}"
            )
        return np.broadcast_to(given, (frames,))


APART = Lateral(mode="zero", couples=(0.0, 0.0))
"""Hands without a common object, as with dumbbells: never any lateral force or couples."""
