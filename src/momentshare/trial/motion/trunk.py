"""Where the trunk is, in every sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, perpendicular, rotation_from_axes, unit
from momentshare.trial.motion.ways import Placed, chosen_way
from momentshare.trial.recording import BAR_LANDMARKS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.trial.recording import Recording


__all__ = [
    "ASSUMED_SLOPE",
    "SLOPE_SPREAD",
    "STERNUM_SLOPE",
    "SternumSlope",
    "place_trunk",
    "side_landmarks",
    "thorax",
]

STERNUM_SLOPE = float(np.radians(16.0))
"""Slope of the line from PX up to IJ against the thorax's y axis, PX in front [rad]. Assumed,
no source. A static trial in which C7 and T8 are seen measures it."""

SLOPE_SPREAD = float(np.radians(5.0))
"""Spread of that slope between people [rad]; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SternumSlope:
    """Slope of a person's sternum that no static trial tells.

    Parameters
    ----------
    angle, spread : float
        Best estimate and its standard deviation [rad].
    shared : float
        Part of the spread that people have in common, since they were held against each other
        [rad].
    people : int
        Number of people whose sternums were compared; 0 where the slope is assumed.
    """

    angle: float
    spread: float
    shared: float = 0.0
    people: int = 0

    def described(self) -> str:
        """Clause that says where the slope comes from, for a note."""
        off, advice = np.degrees(self.spread), "a [[static]] trial in which C7 and T8 are seen"
        if not self.people:
            return f"assumed; people differ by {off:.0f} degrees, and {advice} measures it"
        return (
            f"from how it lies on the bench among those of {self.people} people; it may be off by "
            f"{off:.1f} degrees, and {advice} measures it"
        )


ASSUMED_SLOPE = SternumSlope(angle=STERNUM_SLOPE, spread=SLOPE_SPREAD)
"""Slope of a sternum of which nothing is known."""


def place_trunk(
    recording: Recording,
    still: NDArray[np.float64],
    way: str = "auto",
    *,
    ground: bool = False,
    slope: float | None = None,
    likely: SternumSlope = ASSUMED_SLOPE,
) -> Placed:
    """Rotation from thorax to world over the samples, shape (samples, 3, 3).

    Parameters
    ----------
    recording : Recording
        On one clock.
    still : float array, shape (3, 3)
        Of a trunk that lies as the condition states.
    way : str
        Of :class:`Ways`.
    ground : bool
        The trunk moves; on a bench the mean of the sternum's directions is held.
    slope : float, optional
        Of the sternum, measured [rad].
    likely : SternumSlope
        What takes its place where it was not.
    """
    at = {role: channel.values for role, channel in recording.channels.items()}
    chosen = chosen_way(recording, "trunk", way)
    if chosen == "landmarks":
        return Placed(way=chosen, values=thorax(at["ij"], at["px"], at["c7"], at["t8"]))
    if chosen == "condition":
        count = len(next(iter(at.values())))
        note = (
            "trunk: not enough of IJ, PX, C7, T8 and the acromia was recorded, so it is held at "
            "the angle of the condition"
            if way == "auto"
            else "trunk: held at the angle of the condition, as the study says"
        )
        return Placed(
            way=chosen, values=np.broadcast_to(still, (count, 3, 3)).copy(), notes=(note,)
        )
    right, left = side_landmarks(recording)
    up = unit(at["ij"] - at["px"])
    z = perpendicular(at[right] - at[left], up)
    leans = likely.angle if slope is None else slope
    y = np.cos(leans) * up + np.sin(leans) * cross(up, z)
    trunk = rotation_from_axes(cross(y, z), y, z)
    by = "the acromia" if right == "right_acromion" else "the ends of the bar"
    note = (
        f"trunk: C7 and T8 were not recorded, so it follows from IJ, PX and {by}, with a sternum "
        f"that slopes by {np.degrees(leans):.0f} degrees"
    )
    if slope is None:
        note += f" ({likely.described()})"
    if not ground:
        trunk = np.broadcast_to(_mean_rotation(trunk), trunk.shape).copy()
        note += "; it lies on a bench, so its mean is held"
    numbers = {"slope": float(leans)}
    if slope is None:
        numbers |= {"slope_spread": likely.spread, "slope_people": float(likely.people)}
    return Placed(way=chosen, values=trunk, notes=(note,), numbers=numbers)


def side_landmarks(recording: Recording) -> tuple[str, str]:
    """Landmarks that show the sides of a trunk that follows from its sternum, the right one first.

    The acromia, or the ends of the bar where they were not recorded.
    """
    if recording.has("right_acromion", "left_acromion"):
        return "right_acromion", "left_acromion"
    right, left = BAR_LANDMARKS
    return right, left


def _mean_rotation(rotations: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation nearest to the mean of the known ones."""
    known = rotations[np.isfinite(rotations).all(axis=(1, 2))]
    if not len(known):
        return np.full((3, 3), np.nan)
    u, _, vt = np.linalg.svd(known.mean(axis=0))
    return np.asarray(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)


def thorax(
    ij: NDArray[np.float64],
    px: NDArray[np.float64],
    c7: NDArray[np.float64],
    t8: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Axes of the thorax from its four landmarks (Wu et al. 2005), shape (samples, 3, 3)."""
    low = 0.5 * (px + t8)
    y = unit(0.5 * (ij + c7) - low)
    z = perpendicular(cross(ij - low, c7 - low), y)
    return rotation_from_axes(cross(y, z), y, z)
