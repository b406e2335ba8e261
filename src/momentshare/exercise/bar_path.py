"""Where the hands go in a press: touch point on the chest, place over the shoulder at lock-out.

Tuck and touch point are one choice, not two: with the forearm upright seen from the side, a hand
that is d footward of the joint has the upper arm at acos(d / its length) from the footward
horizontal. Where no touch point is given, it lies halfway between that of a forearm which is
upright from every side, so that neither elbow nor wrist bears a moment of the load (geometry: the
narrower the hands, the lower), and the usual place on the lower half of the sternum (common
practice, no source), but no lower than the former. Touch points and angles by hand spacing were
found measured nowhere, so give your own where you have them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["BarPath", "bar_on_chest"]

_FARTHEST = 0.6
"""Farthest touch point and place at lock-out that are taken [m]: longer than an upper arm."""

_REACHED = 0.97
"""Part of the upper arm up to which a touch point is shifted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BarPath:
    """Way of the hands in the sagittal plane, chest to lock-out.

    Along the trunk they are on their way at once and slower later: with r of the height left, what
    is left of the way to the place at lock-out is (r + r²) / 2. Skilled lifters move the bar so,
    novices straight up and then back (retold from a book that was not read); the curve is ours.

    Parameters
    ----------
    touch : float, optional
        Where the bar touches the chest: footward of the shoulder joint, along the trunk [m];
        by default as said above.
    lockout : float
        How far the bar is footward of the shoulder joint at lock-out, horizontally [m].
    touch_shift : float
        Added to the touch point, given or not [m].

    Raises
    ------
    InputError
        A length that is not finite or that no trunk has.

    Examples
    --------
    >>> from momentshare import BarPath, BenchPress, Profile
    >>> path = BarPath(touch=0.16, lockout=0.0)
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), path=path)
    >>> press.path.touch
    0.16
    """

    touch: float | None = None
    lockout: float = 0.0
    touch_shift: float = 0.0

    def __post_init__(self) -> None:
        faults = [
            f"{name}: wanted {-_FARTHEST:g} to {_FARTHEST:g} m footward of the shoulder joint, "
            f"got {value!r}"
            for name in ("touch", "lockout", "touch_shift")
            if (value := getattr(self, name)) is not None and not abs(value) <= _FARTHEST
        ]
        if faults:
            raise InputError("bar path:", faults)

    def footward(self, chest: ArrayLike, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far the hands are footward of the joint at height fractions, horizontally [m].

        ``chest`` is that distance on the chest.
        """
        rest = 1.0 - np.clip(fraction, 0.0, 1.0)
        left = 0.5 * (rest + rest**2)
        return np.asarray(self.lockout + (np.asarray(chest) - self.lockout) * left)


def bar_on_chest(
    path: BarPath,
    *,
    bench_angle: float,
    upper: float,
    fore: float,
    aside: float,
    chest: tuple[float, float],
    height: float | None = None,
) -> tuple[float, float]:
    """Place of a bar that rests on the chest.

    Parameters
    ----------
    path : BarPath
    bench_angle : float
        + with the head up [rad].
    upper, fore : float
        Shoulder to elbow, elbow to grip [m].
    aside : float
        How far the hand is to the side of the shoulder joint [m].
    chest : tuple of float
        Centre of the bar in front of the joint, square to the trunk, and usual touch point
        footward of the joint [m].
    height : float, optional
        Height of the bar above the joint, in place of what follows from the chest [m].

    Returns
    -------
    footward, height : float
        From the joint, horizontally and vertically [m].

    Notes
    -----
    With an upright forearm, elbow under hand, the upper arm closes
    aside² + footward² + (height - fore)² = upper². At t along the trunk on a chest of thickness
    h, footward = h sin β + t cos β and height = h cos β - t sin β, which makes it a square
    equation in t. Hands too wide for it leave the elbow beside the joint.
    """
    thickness, usual = chest
    sine, cosine = float(np.sin(bench_angle)), float(np.cos(bench_angle))
    touch = path.touch
    if touch is None:
        if height is None:
            still = thickness**2 - 2.0 * fore * thickness * cosine + fore**2 + aside**2 - upper**2
            root = float(np.sqrt(max((fore * sine) ** 2 - still, 0.0)))
            upright = root - fore * sine
        else:
            # The bar is on a level; footward = (touch + height sin β) / cos β there.
            room = upper**2 - aside**2 - (height - fore) ** 2
            upright = float(np.sqrt(max(room, 0.0))) * cosine - height * sine
        upright = max(upright, 0.0)
        touch = min(0.5 * (upright + usual), upright)
    touch = _moved(touch, path.touch_shift, upper)
    if height is not None:
        thickness = (height + touch * sine) / cosine
    return thickness * sine + touch * cosine, thickness * cosine - touch * sine


def _moved(touch: float, shift: float, upper: float) -> float:
    """Shift a touch point, but no farther than an upper arm reaches."""
    return min(touch + shift, max(touch, _REACHED * upper))
