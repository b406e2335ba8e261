"""Postures that the shoulder can reach: limits that depend on each other.

The glenohumeral joint lets the arm only so far behind the plane of the scapula, less the higher the
arm is, and only so far up; how far that is from the trunk depends on the orientation of the
scapula, which follows the arm where the girdle moves. What a task adds to the girdle on its own
does not count. Across the chest the arm reaches less far the higher it is. It rotates inward about
its own axis less far the higher it is, so that at the greatest elevation it must be rotated
outward, and outward less far when it hangs. All corners of the rule are listed in the model's table
as ``limit_…``, assumed or from memory; between them the limits change linearly with elevation.

With the arm hanging, plane and axial rotation are rotations about one axis. The limited quantity is
therefore ``twist = axial + plane · cos(elevation)``, with zero for the cosine above 90 degrees: the
whole rotation when the arm hangs, the axial rotation when it is raised.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.girdle import internal_rotation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = ["axial_rotation", "reachable", "shoulder_limits", "shoulder_twist"]

LOW_ELEVATION = np.radians(20.0)
"""Below this elevation the plane of elevation means little and is not checked."""

_RAISED = np.pi / 2
"""Elevation of the middle corner of the twist limits [rad]."""

_ROUNDING = 1e-9

_TURNS = 20
"""Rounds in which arm and scapula are adjusted to each other; each gains half a digit."""


def shoulder_twist(posture: Posture) -> NDArray[np.float64]:
    """Rotation of the arm about its own axis, internal positive, in -π..π [rad].

    Examples
    --------
    Turning the plane of a hanging arm turns the arm about itself:

    >>> import numpy as np
    >>> from momentshare.posture import posture_from_angles
    >>> arm = posture_from_angles(plane=np.radians([0.0, 30.0]), elevation=0.001)
    >>> np.degrees(shoulder_twist(arm)).round(3) + 0.0
    array([ 0., 30.])
    """
    angles = posture.angles()
    total = angles["axial"] + _of_plane(angles["plane"], angles["elevation"])
    return np.asarray((total + np.pi) % (2.0 * np.pi) - np.pi)


def axial_rotation(
    twist: NDArray[np.float64], plane: NDArray[np.float64], elevation: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Axial rotation that gives an arm this twist, the inverse of :func:`shoulder_twist` [rad].

    Examples
    --------
    >>> import numpy as np
    >>> float(np.degrees(axial_rotation(*np.radians([10.0, 30.0, 60.0]))).round(3))
    -5.0
    """
    return twist - _of_plane(plane, elevation)


def _of_plane(plane: NDArray[np.float64], elevation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part of the twist that is rotation of the plane [rad]."""
    return np.asarray(plane * np.maximum(np.cos(elevation), 0.0))


def shoulder_limits(
    skeleton: Skeleton,
    elevation: NDArray[np.float64],
    limb: NDArray[np.intp] | None = None,
) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Least and greatest plane, elevation and twist at each elevation [rad].

    Parameters
    ----------
    skeleton : Skeleton
    elevation : float array, shape (...)
        [rad]
    limb : int array, shape (...), optional
        Row of the limb of each elevation where the skeleton holds several.

    Returns
    -------
    dict
        ``plane``, ``elevation`` and ``twist``, each with two arrays of the shape of
        ``elevation``.
    """
    number, girdle = skeleton.model.number, skeleton.limb_girdle(limb)
    top = number("limit_elevation_max")
    highest = skeleton.highest_elevation
    if skeleton.shape and limb is not None:
        highest = highest[limb]
    at_joint = np.interp(
        elevation,
        [number("limit_plane_narrows_from"), top],
        [
            number("limit_glenohumeral_plane_min"),
            number("limit_glenohumeral_plane_min_raised"),
        ],
    )
    behind = at_joint + internal_rotation(girdle, 0.0 * elevation, elevation)
    for _ in range(_TURNS if skeleton.moves else 0):
        behind = at_joint + internal_rotation(girdle, behind, elevation)
    outward = np.interp(
        elevation,
        [0.0, _RAISED],
        [number("limit_axial_min_hanging"), number("limit_axial_min")],
    )
    inward = np.interp(
        elevation,
        [0.0, _RAISED, top],
        [
            number("limit_axial_max_hanging"),
            number("limit_axial_max"),
            number("limit_axial_max_raised"),
        ],
    )
    across = np.interp(
        elevation, [_RAISED, top], [number("limit_plane_max"), number("limit_plane_max_raised")]
    )
    return {
        "plane": (behind, across),
        "elevation": (np.zeros_like(elevation), highest * np.ones_like(elevation)),
        "twist": (outward, inward),
    }


def reachable(skeleton: Skeleton, posture: Posture) -> NDArray[np.bool_]:
    """Whether the shoulder can reach each posture; elbow and forearm are not checked.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.model import load_model
    >>> from momentshare.person import Person
    >>> from momentshare.posture import posture_from_angles
    >>> from momentshare.skeleton import build_skeleton
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> to_the_side = posture_from_angles(
    ...     plane=np.radians([0.0, -40.0]), elevation=np.radians(110.0)
    ... )
    >>> reachable(build_skeleton(ada, load_model()), to_the_side)
    array([ True, False])
    """
    angles = posture.angles()
    limits = shoulder_limits(skeleton, angles["elevation"])
    values = {
        "plane": angles["plane"],
        "elevation": angles["elevation"],
        "twist": shoulder_twist(posture),
    }
    good = np.ones(posture.shape, dtype=bool)
    for name, value in values.items():
        low, high = limits[name]
        fine = (value >= low - _ROUNDING) & (value <= high + _ROUNDING)
        if name == "plane":
            fine |= angles["elevation"] < LOW_ELEVATION
        good &= fine
    return good
