"""Slope of each person's sternum, from how it lies on a bench beside those of the others.

On a bench the sternum lies at the angle of the trunk less its own slope, and the arch of a lifter
turns the trunk. One person's lifts do not part the two. Over people they come apart in part: where
sternums differ by a stated spread, and all lie within some spread of each other, the arches can
explain no more than the rest. So a sternum that lies lower at the head end than those of the others
in the same conditions is taken to slope more, by the share of the difference that slopes explain.
The spread of the arches is learned from the people, since no source states it; the more they
differ, the less is learned of anyone.

The lying of a trial is the mean of its condition, plus the arch of the person, less the slope, plus
what differs from trial to trial; all are normal and independent, and the condition's mean is free.
A tilted bench, or a level that is not, moves everyone alike and so nobody.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, dot, perpendicular, unit
from momentshare.trial.motion.trunk import (
    SLOPE_SPREAD,
    STERNUM_SLOPE,
    SternumSlope,
    side_landmarks,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.trial.recording import Recording

__all__ = ["Lying", "estimate_slopes", "sternum_lying"]

_ARCH_SCALE = SLOPE_SPREAD
"""Scale of the half-Cauchy prior of the spread of arches between people, which is its median [rad]:
as much as sternums differ. Assumed, no source; the people of a study soon outweigh it."""

_TRIAL_SPREAD = float(np.radians(3.0))
"""Spread of the lying from trial to trial where no person has two in a condition or in common with
others [rad]; assumed."""

_LEAST_TRIAL_SPREAD = float(np.radians(0.5))
"""Least spread from trial to trial [rad]: what landmarks on the skin leave at best; assumed."""

_ARCHES = np.radians(np.linspace(0.0, 40.0, 161))
"""Spreads of arches between people over which the answer is averaged [rad]."""

_WAY_OFF = float(np.radians(45.0))
"""Angle of the sternum from the trunk of its condition beyond which landmarks are exchanged or the
trunk lies another way [rad]; the check of trunk posture fails there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying:
    """How the sternum lies in one trial.

    ``angle`` is that of the line from PX to IJ above the trunk of the condition, head end up
    positive, mean over the samples [rad].
    """

    person: str
    condition: str
    angle: float


def sternum_lying(recording: Recording, trunk_angle: float) -> float | None:
    """Angle of the sternum above the trunk of the condition, mean over the samples [rad].

    Turned about the side axis of the person, so the room's horizontal directions do not matter.
    None where landmarks are missing, or lie so far off that they must be others.

    Parameters
    ----------
    recording : Recording
        With IJ, PX and the landmarks of the sides, of either arm.
    trunk_angle : float
        Of the condition: trunk above the horizontal, head up [rad].
    """
    at = {role: channel.values for role, channel in recording.channels.items()}
    right, left = side_landmarks(recording)
    up = unit(at["ij"] - at["px"])
    z = perpendicular(at[right] - at[left], up)
    vertical = np.array([0.0, 1.0, 0.0])
    lean = np.arctan2(dot(cross(vertical, up), z), up @ vertical)
    known = lean[np.isfinite(lean)]
    if not len(known):
        return None
    angle = float(0.5 * np.pi - np.mean(known) - trunk_angle)
    return angle if abs(angle) <= _WAY_OFF else None


def estimate_slopes(
    trials: Sequence[Lying], measured: Mapping[str, float] | None = None
) -> dict[str, SternumSlope]:
    """Best estimate of the slope of each person whose slope was not measured, and its spread.

    Posterior mean and standard deviation of the model that the module describes, averaged over the
    spread of the arches. Empty where fewer than two people were seen: one has nobody beside.

    Parameters
    ----------
    trials : sequence of Lying
        Of all people.
    measured : mapping, optional
        Person → slope that a static trial tells [rad]; such a person shows how arches lie.
    """
    told = measured or {}
    people = list(dict.fromkeys(trial.person for trial in trials))
    conditions = list(dict.fromkeys(trial.condition for trial in trials))
    if len(people) < 2:
        return {}
    at = np.array([(people.index(t.person), conditions.index(t.condition)) for t in trials])
    values = np.array([t.angle + told.get(t.person, STERNUM_SLOPE) for t in trials])
    unknown = np.array([person not in told for person in people])
    noise = _trial_variance(at, values)
    count, total = (np.zeros((len(people), len(conditions))) for _ in range(2))
    np.add.at(count, tuple(at.T), 1.0)
    np.add.at(total, tuple(at.T), values)
    found = [_given_arches(count, total, values, unknown, noise, arch) for arch in _ARCHES]
    fit = np.array([item[0] for item in found]) - np.log1p((_ARCHES / _ARCH_SCALE) ** 2)
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    means, variances, commons = (np.stack([item[k] for item in found]) for k in (1, 2, 3))
    mean = weight @ means
    variance = weight @ (variances + (means - mean) ** 2)
    return {
        person: SternumSlope(
            angle=STERNUM_SLOPE + float(mean[k]),
            spread=float(np.sqrt(variance[k])),
            shared=float(np.sqrt(weight @ commons[:, k])),
            people=len(people),
        )
        for k, person in enumerate(people)
        if unknown[k]
    }


def _trial_variance(at: NDArray[np.int_], values: NDArray[np.float64]) -> float:
    """Variance from trial to trial of a person once conditions are taken off [rad²]."""
    rows = np.arange(len(values))
    design = [np.zeros((len(values), size)) for size in at.max(axis=0) + 1]
    for part, column in zip(design, at.T, strict=True):
        part[rows, column] = 1.0
    matrix = np.hstack(design)
    answer, _, rank, _ = np.linalg.lstsq(matrix, values, rcond=None)
    free = len(values) - int(rank)
    if free == 0:
        return _TRIAL_SPREAD**2
    return max(float(np.sum((values - matrix @ answer) ** 2)) / free, _LEAST_TRIAL_SPREAD**2)


def _given_arches(
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    values: NDArray[np.float64],
    unknown: NDArray[np.bool_],
    noise: float,
    arch: float,
) -> tuple[float, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Answer for one spread of the arches [rad].

    ``count`` and ``total`` hold trials and sums of the lying by person and condition.

    Returns
    -------
    fit : float
        Logarithm of the likelihood with free means of conditions, less a constant.
    mean, variance, common : float array, shape (people,)
        Slope less the common one, its variance, and the part of it that people share, since they
        are held against the same means.
    """
    own = SLOPE_SPREAD**2
    trials, sums = count.sum(axis=1), total.sum(axis=1)
    between = arch**2 + own * unknown
    whole = noise + trials * between
    share = between / whole
    # Inverse covariance of a person's trials: (1 - share · ones) / noise.
    information = (np.diag(count.sum(axis=0)) - (count * share[:, None]).T @ count) / noise
    right = (total.sum(axis=0) - count.T @ (share * sums)) / noise
    inverse = np.linalg.inv(information)
    condition = inverse @ right
    misfit = (np.sum(values**2) - np.sum(share * sums**2)) / noise - right @ condition
    fit = -0.5 * (np.sum(np.log(whole)) + np.linalg.slogdet(information)[1] + misfit)
    pull = own * unknown / whole
    mean = -pull * (sums - count @ condition)
    carried = pull[:, None] * count
    joint = carried @ inverse @ carried.T
    variance = own * unknown * (1.0 - pull * trials) + np.diag(joint)
    others = max(int(np.sum(unknown)) - 1, 1)
    common = np.clip((joint.sum(axis=1) - np.diag(joint)) / others, 0.0, np.diag(joint))
    return float(fit), mean, variance, common
