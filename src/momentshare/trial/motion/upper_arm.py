"""Joint centre below the acromion and length of the upper arm, from every trial of a person.

The elbow keeps its distance from the joint centre, so wherever it goes it lies on a sphere about a
point that follows the acromion. One press moves the arm in nearly one direction and hardly shows
where along it that point lies; presses in several grips do, and so does the other arm, whose centre
is taken as the mirror image. Person's sizes are the prior of the least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import norm, rotated, unit
from momentshare.girdle import GirdlePose, girdle_pose
from momentshare.posture import Posture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.recording import Recording


__all__ = [
    "ACROMION_LANDMARK",
    "JOINT_BREADTH",
    "ROUNDS",
    "SETTLED",
    "SKIN",
    "ElbowPath",
    "UpperArm",
    "acromion_to_joint",
    "elbow_paths",
    "fit_upper_arm",
    "girdle_towards",
]

_OFFSET_SPREAD = 0.010
"""Spread of the joint centre about its place below the acromion in each direction [m]; assumed."""

_LENGTH_SPREAD = 0.012
"""Spread of the upper arm about the person's length [m]: what stature leaves open; assumed."""

SKIN = 0.005
"""Spread of the distance between landmarks on the skin of shoulder and elbow [m]; assumed."""

_VIEWS = 10.0
"""Number of independent observations that an arm in a trial is worth, since skin moves with the
lift; assumed."""

_STRANGE = 3.0
"""Length of an upper arm, in spreads of the skin from the common one, from which the landmarks of a
trial are taken to sit elsewhere; assumed."""

_UNLIKE = 0.25
"""Difference of an arm from the person's length, before anything is fitted, from which its
landmarks are taken for exchanged or of another unit; assumed."""

JOINT_BREADTH = (0.01, 0.15)
"""Range of mean distance [m] of the two landmarks beside an elbow or a wrist, marker and skin
included; assumed. Labels exchanged between the arms lie half a metre apart."""

_LEAST_PATHS = 3
"""Number of arms from which one can be told from the others."""

_MOST = 400
"""Number of samples of an arm that are used; the rest lie between."""

ACROMION_LANDMARK = "acromion_landmark"
"""Site of the limb that represents the acromion landmark."""

ROUNDS = 60

SETTLED = 1e-12
"""Rounds of adjusting joint centre and arm to each other, and the movement at which they end
[m]."""


@dataclass(frozen=True, slots=True, eq=False)
class ElbowPath:
    """One arm in one trial: the elbow from the acromion, thorax axes of a right arm.

    ``points`` has shape (samples, 3) [m], without gaps; ``added`` is what the lifter adds to the
    course of the girdle [rad], shape (2,), where it is stated.
    """

    points: NDArray[np.float64]
    added: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UpperArm:
    """What the motion of the elbow about the acromion shows.

    Attributes
    ----------
    offset : float array, shape (3,)
        Joint centre from the acromion landmark, thorax axes of a right arm [m].
    length : float
        Joint centre to the middle of the epicondyles [m].
    moved : float
        Distance of the offset from that of the person's sizes [m].
    paths, strange : int
        Arms in trials that were used, and those left out because their length differs.
    """

    offset: NDArray[np.float64]
    length: float
    moved: float
    paths: int
    strange: int = 0

    def fits(self, path: ElbowPath) -> bool:
        """Whether the landmarks of an arm agree with the length."""
        return abs(_mean_length(path, self.offset) - self.length) <= _STRANGE * SKIN


def elbow_paths(
    recording: Recording,
    trunk: NDArray[np.float64],
    added: NDArray[np.float64] | None = None,
    sides: Sequence[str] = ("right", "left"),
) -> list[ElbowPath]:
    """Every arm of a recording whose acromion and elbow were seen, the right one first."""
    seen, found = np.swapaxes(trunk, -1, -2), []
    for side in sides:
        roles = [f"{side}_{name}" for name in ("acromion", "el", "em")]
        if not recording.has(*roles):
            continue
        acromion, lateral, medial = (recording.channels[role].values for role in roles)
        points = rotated(seen, 0.5 * (lateral + medial) - acromion)
        known = np.isfinite(points).all(axis=1)
        points = points[known]
        if len(points) and norm(lateral - medial)[known].mean() <= JOINT_BREADTH[1]:
            turned = points * [1.0, 1.0, 1.0 if side == "right" else -1.0]
            found.append(ElbowPath(turned[:: max(1, len(points) // _MOST)], added))
    return found


def fit_upper_arm(
    paths: Sequence[ElbowPath], skeleton: Skeleton, skin: float = SKIN
) -> UpperArm | None:
    """Fit offset and length to the elbows of one person; None where there is no path.

    An arm whose length differs by more than the skin explains is left out, and so is one that is
    not of the person at all, unless all are.

    Parameters
    ----------
    paths : sequence of ElbowPath
        From one trial or many.
    skeleton : Skeleton
        Of the person.
    skin : float
        Spread of the distance between landmarks [m].
    """
    if not paths:
        return None
    own, size = [acromion_to_joint(skeleton, p.points, p.added) for p in paths], skeleton.sizes
    alike = [
        k
        for k, path in enumerate(paths)
        if abs(_mean_length(path, own[k]) / size.humerus_length - 1.0) <= _UNLIKE
    ] or range(len(paths))
    first = np.mean([own[k] for k in alike], axis=0)
    used = [paths[k] for k in alike]
    while True:
        offset, length = _sphere(used, first, size.humerus_length, skin)
        off = [abs(_mean_length(path, offset) - length) for path in used]
        worst = int(np.argmax(off))
        if len(used) < _LEAST_PATHS or off[worst] <= _STRANGE * SKIN:
            break
        del used[worst]
    return UpperArm(
        offset=offset,
        length=length,
        moved=float(norm(offset - first)),
        paths=len(used),
        strange=len(paths) - len(used),
    )


def _mean_length(path: ElbowPath, offset: NDArray[np.float64]) -> float:
    return float(np.mean(norm(path.points - offset)))


def _sphere(
    paths: Sequence[ElbowPath], offset: NDArray[np.float64], length: float, skin: float
) -> tuple[NDArray[np.float64], float]:
    """Centre and radius on which the elbows stay, by Gauss-Newton, with the sizes as prior."""
    prior = np.append(offset, length)
    spread = np.array([_OFFSET_SPREAD] * 3 + [_LENGTH_SPREAD])
    points = np.concatenate([path.points for path in paths])
    counts = [len(path.points) for path in paths]
    weight = np.repeat([np.sqrt(min(_VIEWS, n) / n) / skin for n in counts], counts)
    found = prior.copy()
    for _ in range(20):
        arm = points - found[:3]
        far = norm(arm)
        rows = weight[:, None] * np.column_stack([-arm / far[:, None], -np.ones(len(points))])
        matrix = np.vstack([rows, np.diag(1.0 / spread)])
        wanted = np.concatenate([weight * (far - found[3]), (found - prior) / spread])
        step = np.linalg.lstsq(matrix, wanted, rcond=None)[0]
        found = found - step
        if float(np.abs(step).max()) < 1e-9:
            break
    return found[:3], float(found[3])


def acromion_to_joint(
    skeleton: Skeleton, elbow: NDArray[np.float64], added: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Joint centre from the acromion landmark by the person's sizes, thorax axes [m].

    ``elbow`` is measured from the acromion, thorax axes, shape (samples, 3): the scapula is as on
    average over those directions of the arm, including what the lifter has ``added``.
    """
    below = skeleton.site[ACROMION_LANDMARK]
    away = -rotated(girdle_towards(skeleton, elbow, added).scapula, below)
    for _ in range(ROUNDS):
        found = -rotated(girdle_towards(skeleton, elbow - away, added).scapula, below)
        gap, away = np.abs(found - away), found
        if not np.nanmax(gap, initial=0.0) > SETTLED:
            break
    known = away[np.isfinite(away).all(axis=1)]
    return known.mean(axis=0) if len(known) else np.full(3, np.nan)


def girdle_towards(
    skeleton: Skeleton, arm: NDArray[np.float64], added: NDArray[np.float64] | None
) -> GirdlePose:
    """Girdle for directions of the arm, thorax axes; its axial rotation has no effect."""
    y = -unit(arm)
    humerus = np.zeros((*y.shape, 3))
    humerus[..., :, 1] = y
    still = np.zeros(y.shape[:-1])
    own = None if added is None else np.broadcast_to(added, (*y.shape[:-1], 2))
    posture = Posture(humerus=humerus, elbow_flexion=still, forearm_rotation=still, girdle=own)
    return girdle_pose(skeleton.girdle, posture)
