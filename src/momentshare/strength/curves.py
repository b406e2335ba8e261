"""Strength against the angle of the joint it acts at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.directions import DIRECTIONS, direction_named
from momentshare.posture import posture_from_angles
from momentshare.strength.capacity import DEFINITIONS, joint_strength

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.limb import Limb
    from momentshare.strength.capacity import StrengthTest

__all__ = ["SWEEPS", "Sweep", "curve_table", "direction_sweep"]


@dataclass(frozen=True, slots=True)
class Sweep:
    """The angle over which a strength curve runs [deg], and its name."""

    angle: str
    low: float
    high: float
    label: str


SWEEPS = {
    "shoulder_internal_rotation": Sweep("axial", -80.0, 60.0, "axial rotation, internal +"),
    "shoulder_elevation": Sweep("elevation", 5.0, 130.0, "elevation"),
    "shoulder_horizontal_adduction": Sweep("plane", -30.0, 100.0, "plane of elevation, forward +"),
    "elbow_extension": Sweep("elbow_flexion", 5.0, 140.0, "elbow flexion"),
    "forearm_pronation": Sweep("forearm_rotation", 5.0, 160.0, "forearm rotation, pronation +"),
}
"""Moment row → angle of its curve; the ranges lie within the limits of the reference limb."""


def direction_sweep(direction: str) -> Sweep:
    """Return the angle over which the curve of a direction runs."""
    return SWEEPS[direction_named(direction).row]


def curve_table(
    limb: Limb,
    test: StrengthTest,
    *,
    directions: tuple[str, ...] = tuple(DIRECTIONS),
    points: int = 28,
) -> pd.DataFrame:
    """Strength curves of a limb at the test's speed, other angles as in the test.

    Returns
    -------
    DataFrame
        One line per direction, definition and angle: ``person``, ``direction``, ``others``,
        ``angle``, ``angle_deg``, ``greatest_moment_nm``.
    """
    parts = []
    for direction in directions:
        sweep = direction_sweep(direction)
        name = direction_named(direction).name
        grid = np.linspace(sweep.low, sweep.high, points)
        angles: dict[str, ArrayLike] = dict(test.angles())
        posture = posture_from_angles(**(angles | {sweep.angle: np.radians(grid)}))
        parts += [
            pd.DataFrame(
                {
                    "person": limb.skeleton.person.name,
                    "direction": direction,
                    "others": others,
                    "angle": sweep.angle,
                    "angle_deg": grid,
                    "greatest_moment_nm": joint_strength(
                        limb, posture, name, others=others, speed=test.speed
                    ),
                }
            )
            for others in DEFINITIONS
        ]
    return pd.concat(parts, ignore_index=True)
