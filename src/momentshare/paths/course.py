"""Points along the path of every head, for drawings: sites, and the arcs round surfaces.

:mod:`momentshare.paths` needs only where a surface is entered and left, because the rest of a
shortest path does not change moment arms. A drawing needs the course between: a helix on a
cylinder, a great circle on a sphere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError
from momentshare.geometry.rotation import cross, dot, norm
from momentshare.paths.tracing import trace_line
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.model import PathStep
    from momentshare.posture import Posture
    from momentshare.skeleton import BodyPoses, Skeleton

    Floats = NDArray[np.float64]

__all__ = ["line_points", "path_points"]

_NO_TURN = 1.5 * np.pi
"""A turn in the stored sense beyond this one is a rounding error below zero [rad]: no path
wraps by more than half a circle."""


def path_points(
    skeleton: Skeleton, posture: Posture, *, arc: int = 13
) -> dict[str, tuple[Floats, ...]]:
    """Return the points along the path of every head, origin first, in the thorax frame.

    Parameters
    ----------
    skeleton : Skeleton
        One limb, or one for each posture (:meth:`momentshare.skeleton.Skeleton.take`).
    posture : Posture
        Any batch shape (...).
    arc : int
        Points on each surface, first and last contact included; 2 or more. Where a surface is not
        touched they all coincide with one point of the straight span.

    Returns
    -------
    dict
        Head → points of each of its lines [m], shape (..., points, 3), in the order of the
        model. The sum of the spans between them, as a mean over the lines, tends to
        :attr:`momentshare.paths.Paths.length` as ``arc`` grows.

    Raises
    ------
    ShapeError
        ``arc`` is below 2.

    Examples
    --------
    >>> from momentshare import Person, build_limb, load_model, path_points, posture_from_angles
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> skeleton = build_limb(ada, load_model()).skeleton
    >>> found = path_points(skeleton, posture_from_angles(elevation=1.0))
    >>> found["triceps_brachii/lateral"][0].shape[-1]
    3
    """
    if arc < 2:
        raise ShapeError("arc", "2 points or more on each surface", f"{arc}", "2 are its ends")
    poses = body_poses(skeleton, posture)

    return {
        head.name: tuple(
            line_points(skeleton, poses, line, posture.shape, arc=arc) for line in head.lines
        )
        for head in skeleton.model.heads
    }


def line_points(
    skeleton: Skeleton,
    poses: BodyPoses,
    line: Sequence[PathStep],
    shape: tuple[int, ...],
    *,
    arc: int = 13,
) -> Floats:
    """Points along one line, shape (..., points, 3); see :func:`path_points`.

    ``shape`` is the batch shape of the poses.
    """
    corners = trace_line(skeleton, poses, line, shape).points
    points: list[Floats] = []
    at = 0
    for step in line:
        if step.is_surface:
            enter, leave = corners[at], corners[at + 1]
            course = _on_surface(skeleton, poses, step, enter, leave, arc)
            points += list(np.moveaxis(course, -2, 0))
            at += 2
        else:
            points.append(corners[at])
            at += 1
    return np.stack(points, axis=-2)


def _on_surface(
    skeleton: Skeleton,
    poses: BodyPoses,
    step: PathStep,
    enter: Floats,
    leave: Floats,
    count: int,
) -> Floats:
    """Points from first to last contact, shape (..., count, 3)."""
    surface = skeleton.model.surfaces[step.name]
    centre = poses.point(surface.body, skeleton.centre[step.name])
    share = np.linspace(0.0, 1.0, count)
    if surface.shape == "sphere":
        p, q = enter - centre, leave - centre
        axis = cross(p, q)
        size = norm(axis)
        angle = np.arctan2(size, dot(p, q))
        axis = axis / np.where(size > 0.0, size, 1.0)[..., None]
        climb = np.zeros_like(angle)
    else:
        axis = poses.rotation[surface.body] @ np.array(surface.axis)
        axis = axis / norm(axis)[..., None]
        climb = dot(leave - enter, axis)
        p = enter - centre
        centre = centre + dot(p, axis)[..., None] * axis
        p = enter - centre
        q = leave - climb[..., None] * axis - centre
        axis, climb = step.sense * axis, step.sense * climb
        angle = np.arctan2(dot(axis, cross(p, q)), dot(p, q)) % (2.0 * np.pi)
        angle = np.where(angle > _NO_TURN, 0.0, angle)
    turn = angle[..., None] * share
    along = cross(axis, p)
    points = (
        centre[..., None, :]
        + np.cos(turn)[..., None] * p[..., None, :]
        + np.sin(turn)[..., None] * along[..., None, :]
        + (climb[..., None] * share)[..., None] * axis[..., None, :]
    )
    points[..., 0, :], points[..., -1, :] = enter, leave
    return np.asarray(points)
