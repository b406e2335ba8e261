"""Length, moment arms and line of action of every head in a posture.

A path is a string of points, each fixed to a body: sites, and the points where a surface is
entered and left. Its length changes only through the straight spans, because a shortest
path is stationary against sliding of its tangent points (envelope theorem). For a turn
about the unit axis ``e`` through ``c``,

    moment arm = -dL/dq = e · Σ (δa - δb) (p - c) × u,

summed over the straight spans from a to b, with u the unit vector from a to b, p any point
of the span, and δ = 1 for points on the far side of the joint, 0 on the near side.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry import wrap_cylinder, wrap_sphere
from momentshare.geometry.rotation import cross, dot, norm
from momentshare.posture import arm_frame
from momentshare.skeleton import BodyPoses, body_poses

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.geometry import Wrap
    from momentshare.model import Head, PathStep
    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = ["ROWS", "Paths", "paths"]

ROWS = (
    "shoulder_internal_rotation",
    "shoulder_elevation",
    "shoulder_horizontal_adduction",
    "elbow_extension",
    "forearm_pronation",
)
"""Names of the moment rows, in the order of every array that has them."""

_FAR_OF_SHOULDER = {"humerus", "ulna", "radius"}
_FAR_OF_ELBOW = {"ulna", "radius"}
_FAR_OF_FOREARM = {"radius"}

_SWEEPS = 60
"""Most rounds of adjusting two surfaces to each other; a round gains about one digit."""

_SETTLED = 1e-14
"""Movement of a tangent point [m] below which the surfaces are adjusted."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paths:
    """Path geometry of every head; arrays are read-only.

    Attributes
    ----------
    head_names : tuple of str
    length : float array, shape (..., heads)
        Muscle-tendon length [m].
    moment_arms : float array, shape (..., rows, heads)
        -dL/dq [m] in the order of :data:`ROWS`; the shoulder rows about the arm frame of
        :func:`momentshare.posture.arm_frame`, extension positive at the elbow, pronation
        positive in the forearm.
    shoulder_moment : float array, shape (..., heads, 3)
        Moment on the arm about the joint centre for a pull of 1 N [m], thorax frame.
    line_of_action : float array, shape (..., heads, 3)
        Force on the arm for a pull of 1 N across the shoulder, thorax frame; zero for heads
        that do not cross it.
    contact : bool array, shape (..., heads)
        Whether any surface is touched.
    inside : bool array, shape (..., heads)
        Whether a point lies within its surface; the path is not to be trusted there.
    margin : float array, shape (..., heads)
        Angle left before a surface would be rounded the other way [rad]; inf without surface.
    """

    head_names: tuple[str, ...]
    length: NDArray[np.float64]
    moment_arms: NDArray[np.float64]
    shoulder_moment: NDArray[np.float64]
    line_of_action: NDArray[np.float64]
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


@dataclass(slots=True)
class _Run:
    """Points and bodies along a path, gathered from origin to insertion."""

    points: list[NDArray[np.float64]]
    bodies: list[str]
    arc: NDArray[np.float64]
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]


def paths(skeleton: Skeleton, posture: Posture) -> Paths:
    """Compute the paths of every head for a batch of postures.

    Parameters
    ----------
    skeleton : Skeleton
        Scaled bones.
    posture : Posture
        Any batch shape.

    Returns
    -------
    Paths

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.model import load_model
    >>> from momentshare.person import Person
    >>> from momentshare.posture import posture_from_angles
    >>> from momentshare.skeleton import build_skeleton
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> found = paths(build_skeleton(ada, load_model()), posture_from_angles(elevation=[0.5, 1.0]))
    >>> found.moment_arms.shape
    (2, 5, 26)
    """
    model = skeleton.model
    poses = body_poses(skeleton, posture)
    shape, count = posture.shape, len(model.heads)
    length = np.empty((*shape, count))
    arms = np.empty((*shape, len(ROWS), count))
    shoulder = np.empty((*shape, count, 3))
    action = np.empty((*shape, count, 3))
    contact = np.empty((*shape, count), dtype=bool)
    inside = np.empty((*shape, count), dtype=bool)
    margin = np.empty((*shape, count))
    frame = arm_frame(posture.humerus)
    for index, head in enumerate(model.heads):
        run = _trace(skeleton, poses, head, shape)
        total, moment, pull, elbow, forearm = _sum_spans(run, poses)
        length[..., index] = total + run.arc
        shoulder[..., index, :] = moment
        action[..., index, :] = pull
        arms[..., :3, index] = (frame @ moment[..., None])[..., 0]
        arms[..., 3, index] = -dot(posture.humerus[..., :, 2], elbow)
        arms[..., 4, index] = dot(poses.forearm_axis, forearm)
        contact[..., index] = run.contact
        inside[..., index] = run.inside
        margin[..., index] = run.margin
    return Paths(
        head_names=model.head_names,
        length=length,
        moment_arms=arms,
        shoulder_moment=shoulder,
        line_of_action=action,
        contact=contact,
        inside=inside,
        margin=margin,
    )


def _trace(skeleton: Skeleton, poses: BodyPoses, head: Head, shape: tuple[int, ...]) -> _Run:
    model = skeleton.model
    run = _Run(
        points=[],
        bodies=[],
        arc=np.zeros(shape),
        contact=np.zeros(shape, dtype=bool),
        inside=np.zeros(shape, dtype=bool),
        margin=np.full(shape, np.inf),
    )
    pending: list[PathStep] = []
    for step in head.path:
        if step.is_surface:
            pending.append(step)
            continue
        body = model.sites[step.name].body
        point = poses.point(body, skeleton.site[step.name])
        if pending:
            _round(skeleton, poses, run, pending, point)
            pending = []
        run.points.append(point)
        run.bodies.append(body)
    return run


def _round(
    skeleton: Skeleton,
    poses: BodyPoses,
    run: _Run,
    steps: Sequence[PathStep],
    end: NDArray[np.float64],
) -> None:
    """Lead the path from the last point round the surfaces to ``end``.

    Each surface is wrapped between its neighbours' tangent points in turn until no point
    moves; every turn shortens the path, so the rounds close in on the shortest one.
    """
    start = run.points[-1]
    wraps: list[Wrap | None] = [None] * len(steps)
    previous = np.full(end.shape, np.inf)
    for _ in range(_SWEEPS):
        for k, step in enumerate(steps):
            before, after = _neighbours(wraps, k, start, end)
            wraps[k] = _wrap(skeleton, poses, step, before, after)
        if len(steps) == 1:
            break
        last = wraps[0]
        assert last is not None  # noqa: S101 - filled in the loop above
        moved = float(np.max(np.abs(last.leave - previous), initial=0.0))
        if moved < _SETTLED:
            break
        previous = last.leave
    done = [w for w in wraps if w is not None]
    nodes = _nodes(done, start, end)
    for step, wrap, (enter, leave) in zip(steps, done, nodes, strict=True):
        body = skeleton.model.surfaces[step.name].body
        run.points += [enter, leave]
        run.bodies += [body, body]
        run.arc = run.arc + wrap.arc_length - np.where(wrap.contact, norm(leave - enter), 0.0)
        run.contact = run.contact | wrap.contact
        run.inside = run.inside | wrap.inside
        run.margin = np.minimum(run.margin, wrap.margin)


def _neighbours(
    wraps: Sequence[Wrap | None],
    k: int,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points before and after surface k: the next surface in contact, or the run's end."""
    before, after = start, end
    for wrap in wraps[:k]:
        if wrap is not None:
            before = np.where(wrap.contact[..., None], wrap.leave, before)
    for wrap in reversed(wraps[k + 1 :]):
        if wrap is not None:
            after = np.where(wrap.contact[..., None], wrap.enter, after)
    return before, after


def _nodes(
    wraps: Sequence[Wrap], start: NDArray[np.float64], end: NDArray[np.float64]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Tangent points; a surface out of contact gets a point on the straight span.

    Such a point lies strictly between its neighbours, so that no span has length zero.
    """
    nodes: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    before = start
    for k, wrap in enumerate(wraps):
        _, after = _neighbours(wraps, k, start, end)
        between = 0.5 * (before + after)
        touch = wrap.contact[..., None]
        enter, leave = np.where(touch, wrap.enter, between), np.where(touch, wrap.leave, between)
        nodes.append((enter, leave))
        before = leave
    return nodes


def _wrap(
    skeleton: Skeleton,
    poses: BodyPoses,
    step: PathStep,
    before: NDArray[np.float64],
    after: NDArray[np.float64],
) -> Wrap:
    surface = skeleton.model.surfaces[step.name]
    centre = poses.point(surface.body, skeleton.centre[step.name])
    radius = skeleton.radius[step.name]
    if surface.shape == "sphere":
        return wrap_sphere(before, after, centre, radius)
    axis = poses.rotation[surface.body] @ np.array(surface.axis)
    return wrap_cylinder(before, after, centre, axis, radius, step.sense)


def _sum_spans(run: _Run, poses: BodyPoses) -> tuple[NDArray[np.float64], ...]:
    """Straight length; moment and force on the arm; moments across elbow and forearm."""
    shape = run.points[0].shape
    total = np.zeros(shape[:-1])
    moment, pull, elbow, forearm = (np.zeros(shape) for _ in range(4))
    joint, hinge = poses.origin["humerus"], poses.origin["ulna"]
    for k in range(len(run.points) - 1):
        a, b = run.points[k], run.points[k + 1]
        span = b - a
        size = norm(span)
        total += size
        near, far = run.bodies[k], run.bodies[k + 1]
        if near == far:
            continue
        u = span / np.where(size > 0.0, size, 1.0)[..., None]
        sign = (near in _FAR_OF_SHOULDER) - (far in _FAR_OF_SHOULDER)
        if sign:
            moment += sign * cross(a - joint, u)
            pull += sign * u
        sign = (near in _FAR_OF_ELBOW) - (far in _FAR_OF_ELBOW)
        if sign:
            elbow += sign * cross(a - hinge, u)
        sign = (near in _FAR_OF_FOREARM) - (far in _FAR_OF_FOREARM)
        if sign:
            forearm += sign * cross(a - poses.forearm_axis_point, u)
    return total, moment, pull, elbow, forearm
