"""Length, moment arms and line of action of every head in a posture.

A path is a string of points, each fixed to a body: sites, and the points where a surface is
entered and left. Its length changes only through the straight spans, because a shortest
path is stationary against sliding of its tangent points (envelope theorem). For a turn
about the unit axis ``e`` through ``c``,

    moment arm = -dL/dq = e · Σ (δa - δb) (p - c) × u,

summed over the straight spans from a to b, with u the unit vector from a to b, p any point
of the span, and δ = 1 for points on the far side of the joint, 0 on the near side.

A head may pull along several lines. Each carries the same part of its force, so length, moment
arms and pull of the head are the means of those of its lines, and the moment arm stays -dL/dq.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare._kernels import choose_route, in_chunks, require_threads
from momentshare._kernels.flat import flatten
from momentshare.directions import ROWS
from momentshare.errors import ShapeError
from momentshare.geometry.rotation import cross, dot, norm
from momentshare.girdle import girdle_pose
from momentshare.paths.tracing import SETTLED, SWEEPS, Run, trace_line
from momentshare.posture import Posture, arm_frame
from momentshare.results import ReadOnly, brief
from momentshare.skeleton import BodyPoses, body_poses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton

__all__ = ["Paths", "paths"]

_FAR_OF_SHOULDER = {"humerus", "ulna", "radius"}
_FAR_OF_ELBOW = {"ulna", "radius"}
_FAR_OF_FOREARM = {"radius"}

_CHUNK = 512
"""Minimum number of frames per thread."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paths(ReadOnly):
    """Path geometry of every head; arrays are read-only.

    Attributes
    ----------
    head_names : tuple of str
    length : float array, shape (..., heads)
        Path length [m].
    moment_arms : float array, shape (..., rows, heads)
        -dL/dq [m] in the order and with the signs of :mod:`momentshare.directions`; the
        shoulder rows about the arm frame of :func:`momentshare.posture.arm_frame`.
    shoulder_moment : float array, shape (..., heads, 3)
        Moment on the arm about the joint centre for a pull of 1 N [m], thorax frame.
    line_of_action : float array, shape (..., heads, 3)
        Force on the arm for a pull of 1 N across the shoulder, thorax frame; zero for heads
        that do not cross it, below 1 where the lines of a head fan out. A surface of the scapula
        that represents the humeral head bears on the humerus: its force passes through the joint
        centre, so it has no moment.
    contact : bool array, shape (..., heads)
        Whether any line touches a surface.
    inside : bool array, shape (..., heads)
        Whether a point lies within its surface; the path cannot be trusted there.
    margin : float array, shape (..., heads)
        Least angle left before a surface would be rounded the other way [rad]; infinite without a
        surface.
    """

    head_names: tuple[str, ...]
    length: NDArray[np.float64]
    moment_arms: NDArray[np.float64]
    shoulder_moment: NDArray[np.float64]
    line_of_action: NDArray[np.float64]
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]

    __repr__ = brief


_ARRAYS = tuple(item.name for item in fields(Paths) if item.name != "head_names")


def paths(
    skeleton: Skeleton,
    posture: Posture,
    *,
    limb: NDArray[np.intp] | None = None,
    method: Literal["auto", "compiled", "numpy"] = "auto",
    threads: int | None = None,
) -> Paths:
    """Compute the paths of every head for a batch of postures.

    Parameters
    ----------
    skeleton : Skeleton
        Scaled bones, of one limb or of several.
    posture : Posture
        Any batch shape. A frame that holds NaN gives NaN and does not affect the others.
    limb : int array, of the shape of the postures, optional
        Which limb of the skeleton each posture belongs to; needed where it holds several.
    method : {"auto", "compiled", "numpy"}
        ``auto`` takes the compiled kernel where numba is installed. The two agree to
        rounding, about 1e-16 m, unless a site lies within micrometres of its surface.
    threads : int, optional
        Maximum number of threads of the compiled route; by default one per available core. The
        answer does not depend on it.

    Returns
    -------
    Paths

    Raises
    ------
    ShapeError
        If ``limb`` is missing, or does not fit postures and skeleton.
    MissingExtraError
        If ``compiled`` is asked for and numba is not installed.

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
    frames = math.prod(posture.shape)
    index = _limb_index(skeleton, posture, limb)
    flat = posture.reshape(frames)
    require_threads(threads)
    if choose_route(method, "the compiled path geometry"):
        found = _compiled(skeleton, flat, index, threads)
        return _reshaped(found, skeleton.model.head_names, posture.shape)
    plain = _plain(skeleton.take(index) if skeleton.shape else skeleton, flat)
    arrays = {name: getattr(plain, name) for name in _ARRAYS}
    return _reshaped(arrays, skeleton.model.head_names, posture.shape)


def _limb_index(
    skeleton: Skeleton, posture: Posture, limb: NDArray[np.intp] | None
) -> NDArray[np.int64]:
    """Row of the limb of every posture, flat."""
    count = len(skeleton.people)
    if limb is None:
        if skeleton.shape:
            raise ShapeError(
                "limb", f"given for each posture, since there are {count} limbs", "none",
                "give the number of the limb of every posture, from zero",
            )  # fmt: skip
        return np.zeros(math.prod(posture.shape), dtype=np.int64)
    index = np.asarray(limb, dtype=np.int64)
    if index.shape != posture.shape:
        raise ShapeError(
            "limb", f"shape {posture.shape}, that of the postures", f"shape {index.shape}",
            "give the number of the limb of every posture, from zero",
        )  # fmt: skip
    if index.size and not 0 <= index.min() <= index.max() < count:
        got = f"{index.min()} to {index.max()}"
        raise ShapeError("limb", f"between 0 and {count - 1}", got, f"there are {count} limbs")
    return index.reshape(-1)


def _compiled(
    skeleton: Skeleton, posture: Posture, limb: NDArray[np.int64], threads: int | None
) -> dict[str, NDArray[Any]]:
    """Run the kernel; arrays come with one row per posture."""
    from momentshare._kernels.paths import room, trace_frames

    limbs = flatten(skeleton)
    count, heads = len(limb), len(skeleton.model.heads)
    girdle = skeleton.limb_girdle(limb)
    base = girdle_pose(girdle, posture)
    joint = base.joint
    base_rotation = np.stack([base.clavicle, base.scapula], axis=1)
    base_origin = np.stack([np.broadcast_to(girdle.root, joint.shape), joint], axis=1)
    out: dict[str, NDArray[Any]] = {
        "length": np.empty((count, heads)),
        "moment_arms": np.empty((count, len(ROWS), heads)),
        "shoulder_moment": np.empty((count, heads, 3)),
        "line_of_action": np.empty((count, heads, 3)),
        "contact": np.empty((count, heads), dtype=np.bool_),
        "inside": np.empty((count, heads), dtype=np.bool_),
        "margin": np.empty((count, heads)),
    }
    given = (
        np.ascontiguousarray(joint),
        np.ascontiguousarray(posture.humerus),
        np.ascontiguousarray(posture.elbow_flexion),
        np.ascontiguousarray(posture.forearm_rotation),
    )

    most = max(1, int(np.diff(limbs.first_step).max()))

    def run(first: int, last: int) -> None:
        trace_frames(
            limbs.first_line, limbs.first_step, limbs.kind, limbs.item, limbs.sense,
            limbs.site_level, limbs.surface_level, limbs.surface_bearer, limbs.site,
            limbs.centre, limbs.axis, limbs.radius, limbs.largest_turn,
            limbs.humerus_length, limbs.forearm_axis, limbs.radial_head,
            limb, base_rotation, base_origin, *given,
            first, last, SWEEPS, SETTLED,
            room(limbs.site_level.size, limbs.surface_level.size, most), *out.values(),
        )  # fmt: skip

    in_chunks(run, count, threads, least=_CHUNK)
    return out


def _reshaped(
    arrays: dict[str, NDArray[Any]], names: tuple[str, ...], shape: tuple[int, ...]
) -> Paths:
    """Restore the batch axes of flat arrays."""
    return Paths(
        head_names=names,
        **{name: array.reshape(shape + array.shape[1:]) for name, array in arrays.items()},
    )


def _plain(skeleton: Skeleton, posture: Posture) -> Paths:
    """Every head in turn, all frames side by side."""
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
        runs = [trace_line(skeleton, poses, line, shape) for line in head.lines]
        sums = [(run.arc, *_sum_spans(run, poses)) for run in runs]
        arc, total, moment, pull, elbow, forearm = (
            np.sum(part, axis=0) / len(runs) for part in zip(*sums, strict=True)
        )
        length[..., index] = total + arc
        shoulder[..., index, :] = moment
        action[..., index, :] = pull
        arms[..., :3, index] = (frame @ moment[..., None])[..., 0]
        arms[..., 3, index] = -dot(posture.humerus[..., :, 2], elbow)
        arms[..., 4, index] = dot(poses.forearm_axis, forearm)
        contact[..., index] = np.any([run.contact for run in runs], axis=0)
        inside[..., index] = np.any([run.inside for run in runs], axis=0)
        margin[..., index] = np.min([run.margin for run in runs], axis=0)
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


def _sum_spans(run: Run, poses: BodyPoses) -> tuple[NDArray[np.float64], ...]:
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
        borne = run.bearers[k], run.bearers[k + 1]
        if near == far and borne[0] == borne[1]:
            continue
        u = span / np.where(size > 0.0, size, 1.0)[..., None]
        sign = (near in _FAR_OF_SHOULDER) - (far in _FAR_OF_SHOULDER)
        if sign:
            moment += sign * cross(a - joint, u)
        sign = (borne[0] in _FAR_OF_SHOULDER) - (borne[1] in _FAR_OF_SHOULDER)
        if sign:
            pull += sign * u
        sign = (near in _FAR_OF_ELBOW) - (far in _FAR_OF_ELBOW)
        if sign:
            elbow += sign * cross(a - hinge, u)
        sign = (near in _FAR_OF_FOREARM) - (far in _FAR_OF_FOREARM)
        if sign:
            forearm += sign * cross(a - poses.forearm_axis_point, u)
    return total, moment, pull, elbow, forearm
