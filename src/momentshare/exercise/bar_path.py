"""Where the hands go in a press: touch point on the chest, place over the shoulder at lock-out.

Tuck and touch point are one choice, not two: with a forearm that is upright in side view, a hand
that lies d towards the feet from the joint puts the upper arm at acos(d / its length) from the
horizontal towards the feet. Where no touch point is given, it lies halfway between that of a
forearm which is upright in every view, so that the load has no moment about elbow or wrist
(geometry: the narrower the hands, the lower), and the usual place on the lower half of the sternum
(common practice, no source); on a steep bench, the lowest place under which any forearm can be
upright in side view. With very wide hands the former alone would put the bar on the neck. No
measured touch points or angles by hand spacing were found, so give your own where you have them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["BarPath", "along_path", "bar_on_chest"]

_FARTHEST = 0.6
"""Farthest touch point and place at lock-out that are accepted [m]: longer than an upper arm."""

_REACHED = 0.97
"""Fraction of the upper arm up to which a touch point is shifted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BarPath:
    """Path of the hands in the sagittal plane, chest to lock-out.

    The hands move in a straight line from one to the other (assumed). With the default ends it
    leaves the chest at 66 to 70 degrees; in a book on the bench press an expert's bar does at 60,
    early towards the head, and a novice's at 84, straight up and then back (read second-hand).

    Parameters
    ----------
    touch : float, optional
        Where the bar touches the chest: distance from the shoulder joint towards the feet, along
        the trunk [m]; by default as described in this module.
    lockout : float
        Horizontal distance of the bar from the shoulder joint towards the feet at lock-out [m].
    touch_shift : float
        Added to the touch point, whether given or not [m].

    Raises
    ------
    InputError
        A length that is not finite or longer than any trunk.

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
            f"{name}: must be between {-_FARTHEST:g} and {_FARTHEST:g} m towards the feet from the "
            f"shoulder joint; "
            f"got {value!r}"
            for name in ("touch", "lockout", "touch_shift")
            if (value := getattr(self, name)) is not None and not abs(value) <= _FARTHEST
        ]
        if faults:
            raise InputError("bar path:", faults)

    def footward(self, chest: ArrayLike, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
        """Horizontal distance of the hands from the joint, towards the feet [m].

        ``chest`` is that distance on the chest.
        """
        return along_path(np.asarray(chest), np.asarray(self.lockout), fraction)


def along_path(
    chest: NDArray[np.float64], lockout: NDArray[np.float64], fraction: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Place along a :class:`BarPath` at height fractions, from both ends [m]."""
    return np.asarray(chest + (lockout - chest) * np.clip(fraction, 0.0, 1.0))


def bar_on_chest(
    *,
    bench_angle: float,
    upper: NDArray[np.float64],
    fore: NDArray[np.float64],
    aside: NDArray[np.float64],
    chest: tuple[NDArray[np.float64], NDArray[np.float64]],
    touch: NDArray[np.float64],
    shift: NDArray[np.float64],
    height: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place of a bar that rests on the chest; all arrays of shape (presses,).

    Parameters
    ----------
    bench_angle : float
        + with the head up [rad].
    upper, fore : float array
        Shoulder to elbow, elbow to grip [m].
    aside : float array
        Lateral distance of the hand from the shoulder joint [m].
    chest : tuple of float array
        Distance of the bar's centre in front of the joint, perpendicular to the trunk, and of the
        usual touch point towards the feet [m].
    touch : float array
        Touch point towards the feet from the joint [m]; NaN where it is derived.
    shift : float array
        Added to the touch point [m].
    height : float array
        Height of the bar above the joint, replacing the one derived from the chest [m]; NaN where
        it is derived.

    Returns
    -------
    footward, height : float array
        From the joint, horizontally and vertically [m].

    Notes
    -----
    With an upright forearm, elbow under hand, the upper arm closes
    aside² + footward² + (height - fore)² = upper². At t along the trunk on a chest of thickness
    h, footward = h sin β + t cos β and height = h cos β - t sin β, which makes it a quadratic
    equation in t. Hands too wide for it leave the elbow beside the joint.
    """
    thickness, usual = chest
    sine, cosine = float(np.sin(bench_angle)), float(np.cos(bench_angle))
    given = np.isfinite(height)

    def upright(lateral: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Place above which the forearm is upright, the hand so far beside the joint."""
        closed = thickness**2 - 2.0 * fore * thickness * cosine + fore**2 + lateral**2 - upper**2
        on_chest = np.sqrt(np.maximum((fore * sine) ** 2 - closed, 0.0)) - fore * sine
        # A bar whose height is given lies on a horizontal line; footward = (touch + height sin β)
        # / cos β there.
        room = upper**2 - lateral**2 - (height - fore) ** 2
        on_level = np.sqrt(np.maximum(room, 0.0)) * cosine - height * sine
        return np.maximum(np.where(given, on_level, on_chest), 0.0)

    halfway = 0.5 * (upright(aside) + np.minimum(usual, upright(0.0)))
    place = np.where(np.isfinite(touch), touch, halfway)
    place = np.minimum(place + shift, np.maximum(place, _REACHED * upper))
    thickness = np.where(given, (height + place * sine) / cosine, thickness)
    return thickness * sine + place * cosine, thickness * cosine - place * sine
