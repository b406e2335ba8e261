"""What any relaxed or raised arm can do, as bounds of the fit of fibre lengths.

A relaxed arm hangs straight, it can be laid near the ends of its axial rotation, and a raised arm
holds a small mass in the hand wherever it reaches. All three are common practice without a source,
and their sizes are assumed.
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
from momentshare.posture import posture_from_angles

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.limb import Limb

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

_RAISED = posture_from_angles(
    **{
        name: grid.ravel()
        for name, grid in zip(
            ("plane", "elevation", "axial", "elbow_flexion"),
            np.meshgrid(
                np.radians([-30.0, 0.0, 30.0, 60.0, 90.0]),
                np.radians([60.0, 80.0, 100.0, 120.0, 140.0]),
                np.radians([-75.0, -40.0, -5.0, 30.0, 60.0]),
                np.radians([15.0, 75.0]),
                indexing="ij",
            ),
            strict=True,
        )
    },
    forearm_rotation=np.pi / 3,
)
"""A raised arm, turned inward and outward, elbow nearly straight and bent."""

_HELD, _HELD_SIGMA = 1.0, 1.5
"""Mass in the hand that a raised arm can hold wherever it reaches [kg], and one spread of a moment
that is not met [N·m]; assumed."""

_TURNED, _TURNED_SIGMA = 4.0, 0.5
"""Passive moment of axial rotation near its ends, about that of the forearm's weight [N·m], and
one spread beyond it; assumed."""


def broken_bounds(limbs: Sequence[Limb], own: Limb) -> NDArray[np.float64]:
    """How far a limb breaks each bound, in spreads; zero where it keeps one.

    Parameters
    ----------
    limbs : sequence of Limb
        The limb under every scapula policy; what hangs must be limp under all.
    own : Limb
        The limb under the default policy.

    Returns
    -------
    float array, shape (residuals,)
    """
    hanging = np.max([_hanging_factor(limb) for limb in limbs], axis=0)
    return np.concatenate(
        [
            np.maximum(hanging - _LIMP, 0.0) / _LIMP_SIGMA,
            np.maximum(np.abs(_end_moment(own)) - _TURNED, 0.0) / _TURNED_SIGMA,
            _unmet(own) / _HELD_SIGMA,
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


def _unmet(limb: Limb) -> NDArray[np.float64]:
    """Moments that a raised arm with a small mass in the hand does not meet [N·m], flat."""
    within = _RAISED[reachable(limb.skeleton, _RAISED)]
    lift = replace(held_lift(limb.skeleton, within), load_mass=_HELD)
    balance = prepare(limb, lift).balance(Criterion()).treated(Lateral(mode="zero"))
    return balance.share(Criterion(), chain=False).unmet.ravel()
