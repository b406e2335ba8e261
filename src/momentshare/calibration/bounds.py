"""What any relaxed or raised arm can do, as bounds of the fit of fibre lengths.

A relaxed arm hangs straight, it can be laid near the ends of its axial rotation, and a raised arm
is held wherever it reaches, by a man with a small mass in the hand. All three are common practice
without a source, and their sizes are assumed. The fourth is an order from memory (Otis and others
1990): abduction is not stronger at 90 degrees than near the side, however the scapula is held.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.analysis import prepare
from momentshare.balance import Criterion, Lateral
from momentshare.directions import ROWS
from momentshare.exercise import reachable
from momentshare.exercise.held import held_lift
from momentshare.exercise.reach import axial_rotation, shoulder_limits
from momentshare.limb import braced_strength
from momentshare.posture import posture_from_angles

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.limb import Limb
    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = ["broken_bounds"]

_HANGING = posture_from_angles(
    elevation=np.radians([5.0, 5.0]),
    elbow_flexion=np.radians([10.0, 30.0]),
    forearm_rotation=np.pi / 3,
)
"""A hanging arm, elbow nearly straight and a little bent; forearm midway."""

_LIMP, _LIMP_SIGMA = 0.045, 0.005
"""Passive force over maximal isometric force that a hanging arm may have, and one spread beyond it;
assumed."""

_PLANES, _ELEVATIONS, _AXIALS = np.radians(
    [
        (0.0, 90.0, 60.0), (30.0, 90.0, 55.0), (0.0, 60.0, 60.0), (-30.0, 100.0, 45.0),
        (0.0, 90.0, -80.0), (60.0, 120.0, -80.0), (45.0, 145.0, -95.0), (80.0, 145.0, -80.0),
    ]
).T  # fmt: skip

_ENDS = posture_from_angles(
    plane=_PLANES,
    elevation=_ELEVATIONS,
    axial=_AXIALS,
    elbow_flexion=np.pi / 6,
    forearm_rotation=np.pi / 3,
)
"""Postures near the ends of axial rotation."""

_PLANE, _ELEVATION, _PART, _ELBOW = (
    grid.ravel()
    for grid in np.meshgrid(
        np.radians([-30.0, 0.0, 30.0, 60.0, 105.0]),
        np.radians([60.0, 80.0, 95.0, 110.0, 125.0, 147.0]),
        [0.0, 0.35, 0.7, 1.0],
        np.radians([15.0, 100.0]),
        indexing="ij",
    )
)
"""A raised arm, from one end of its axial rotation (part 0) to the other (1), elbow nearly straight
and bent."""

_HELD, _HELD_SIGMA = 1.0, 1.5
"""Mass in a man's hand that a raised arm can hold wherever it reaches [kg], and one spread of a
moment that is not met [N·m]; assumed. A woman's hand is empty."""

_LOW_AND_LEVEL = posture_from_angles(
    plane=np.radians(30.0), elevation=np.radians([20.0, 90.0]), elbow_flexion=np.radians(10.0)
)
"""An arm near the side and one at 90 degrees, in the plane of the scapula."""

_WEAKER, _WEAKER_SIGMA = 1.0, 1.0
"""By how much abduction is weaker in the second, and one spread [N·m]; assumed."""

_TURNED, _TURNED_SIGMA = 4.0, 0.5
"""Passive moment of axial rotation near its ends, about that of the forearm's weight [N·m], and
one spread beyond it; assumed."""


def broken_bounds(men: Mapping[str, Limb], woman: Limb, default: str) -> NDArray[np.float64]:
    """How far a limb breaks each bound, in spreads; zero where it keeps one.

    Parameters
    ----------
    men : mapping of str to Limb
        A man's limb under every scapula policy.
    woman : Limb
        A woman's under the default policy.
    default : str
        The default policy.

    Returns
    -------
    float array, shape (residuals,)
    """
    own = men[default]
    hanging = np.max([_hanging_factor(limb) for limb in men.values()], axis=0)
    stronger = np.array([_stronger_when_level(limb) for limb in men.values()])
    return np.concatenate(
        [
            np.maximum(hanging - _LIMP, 0.0) / _LIMP_SIGMA,
            np.maximum(np.abs(_end_moment(own)) - _TURNED, 0.0) / _TURNED_SIGMA,
            _unmet(own, _HELD) / _HELD_SIGMA,
            _unmet(woman, 0.0) / _HELD_SIGMA,
            np.maximum(stronger + _WEAKER, 0.0) / _WEAKER_SIGMA,
        ]
    )


def _hanging_factor(limb: Limb) -> NDArray[np.float64]:
    """Greatest passive force of each head, arm hanging, over its maximal isometric force."""
    state = limb.capacity(limb.paths(_HANGING).length)
    return np.asarray((state.passive_force / limb.greatest_isometric_force).max(axis=0))


def _end_moment(limb: Limb) -> NDArray[np.float64]:
    """Passive moment of internal rotation near the ends of axial rotation [N·m]."""
    found = limb.paths(_ENDS)
    arms = found.moment_arms[..., ROWS.index("shoulder_internal_rotation"), :]
    return np.asarray(np.sum(arms * limb.capacity(found.length).passive_force, axis=-1))


def _stronger_when_level(limb: Limb) -> float:
    """Greatest moment of abduction at 90 degrees less that near the side [N·m]."""
    near, level = braced_strength(limb, _LOW_AND_LEVEL, "shoulder_elevation")
    return float(level - near)


def _raised(skeleton: Skeleton) -> Posture:
    low, high = shoulder_limits(skeleton, _ELEVATION)["twist"]
    twist = low + _PART * (high - low)
    posture = posture_from_angles(
        plane=_PLANE,
        elevation=_ELEVATION,
        axial=axial_rotation(twist, _PLANE, _ELEVATION),
        elbow_flexion=_ELBOW,
        forearm_rotation=np.pi / 3,
    )
    return posture[reachable(skeleton, posture)]


def _unmet(limb: Limb, mass: float) -> NDArray[np.float64]:
    """Moments that a raised arm with a mass in the hand [kg] does not meet [N·m], flat."""
    lift = replace(held_lift(limb.skeleton, _raised(limb.skeleton)), load_mass=mass)
    balance = prepare(limb, lift).balance(Criterion()).treated(Lateral(mode="zero"))
    return balance.share(Criterion(), chain=False).unmet.ravel()
