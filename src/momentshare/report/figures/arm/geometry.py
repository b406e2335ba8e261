"""The arm and its forces in two views, as numbers: what a drawing shows.

The front view looks along the body across the bar, the side view along the bar from the person's
right. In a view, the force of the hand is drawn as its projection; the perpendicular distance of
its line of action from a joint times its size is the moment of the projected force about the line
of sight through the joint. Net joint moments about anatomical axes, which include the weight and
inertia of the arm, are a different quantity and are listed beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.explain import weakest_frame
from momentshare.limits import height_third, keys_text
from momentshare.paths.course import line_points
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.exercise.lift import Lift
    from momentshare.limits import LiftKind
    from momentshare.skeleton import BodyPoses, Skeleton

    Floats = NDArray[np.float64]

__all__ = ["ArmScale", "ArmScene", "HandForce", "Lever", "View", "arm_scene", "hand_force", "views"]

Support = Literal["bar", "dumbbell", "ground", "cable"]

_PARALLEL = 0.999
"""Cosine from which a push counts as straight up or down."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A plane of drawing.

    Attributes
    ----------
    name : {"front", "side"}
    right, up : float array, shape (3,)
        Unit vectors of the page in the thorax frame, perpendicular to each other.
    words : str
        Description of the viewpoint.
    """

    name: str
    right: Floats
    up: Floats
    words: str

    @property
    def label(self) -> str:
        """Where the view looks, as a heading."""
        along = "Across" if self.name == "front" else "Along"
        return f"{along} the bar, {self.words}"

    @property
    def toward(self) -> Floats:
        """Unit vector out of the page; moments about it are positive anticlockwise."""
        return np.cross(self.right, self.up)

    def sideways(self, force: float) -> str:
        """Name the direction of a force to the right of the page, or to its left if negative."""
        if self.name == "front":
            return "outward" if force > 0.0 else "inward"
        x, y, _ = self.right if force > 0.0 else -self.right
        if abs(y) >= abs(x):
            return "towards the head" if y > 0.0 else "towards the feet"
        return "forward" if x > 0.0 else "backward"

    def flat(self, points: Floats) -> Floats:
        """Project points or vectors of shape (..., 3) on the page, shape (..., 2)."""
        return np.asarray(points @ np.stack([self.right, self.up], axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lever:
    """Moment arm of the drawn force about one joint.

    Attributes
    ----------
    joint : {"elbow", "shoulder"}
    at, foot : float array, shape (2,)
        Joint, and the point of the line of action nearest to it, on the page [m].
    distance : float
        Between the two [m], zero or more.
    force : float
        Size of the drawn force [N].
    moment : float
        Moment of the hand's force on the load about the joint [N·m], anticlockwise positive: what
        the muscles have to supply for it in this plane.
    """

    joint: str
    at: Floats
    foot: Floats
    distance: float
    force: float
    moment: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandForce:
    """Force of one hand on the load as a view shows it.

    Attributes
    ----------
    hand : float array, shape (2,)
        Where it acts, on the page [m].
    parts : float array, shape (2,)
        To the right of the page and upward [N].
    levers : tuple of Lever
        Elbow, then shoulder; empty where no force is seen.
    """

    hand: Floats
    parts: Floats
    levers: tuple[Lever, ...]

    @property
    def size(self) -> float:
        """Size of the drawn resultant [N]."""
        return float(np.hypot(*self.parts))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmScene:
    """One frame of a lift, ready to be drawn; thorax frame, SI.

    Attributes
    ----------
    result : LiftResult
    frame : int
    skeleton : Skeleton
        That of the person of the frame.
    poses : BodyPoses
    joints : mapping
        ``shoulder``, ``elbow``, ``wrist``, ``hand`` → point (3,) [m].
    up, outward : float array, shape (3,)
        Vertical against gravity, and along the bar to the person's right.
    force : float array, shape (3,)
        Of the hand on the load [N].
    support : {"bar", "dumbbell", "ground", "cable"}
        What the hand pushes or pulls.
    head_force, activation : mapping
        Head → active and passive force [N]; activation.
    hand_moments, net_moments : float array, shape (rows,)
        Moments required by the hand's force, and net moments [N·m]; order and signs of
        :mod:`momentshare.directions`.
    kind : LiftKind or None
        What kind of lift it is, for the limits of the limb; None where it is not known.
    """

    result: LiftResult
    frame: int
    skeleton: Skeleton
    poses: BodyPoses
    joints: Mapping[str, Floats]
    up: Floats
    outward: Floats
    force: Floats
    support: Support
    head_force: Mapping[str, float]
    activation: Mapping[str, float]
    hand_moments: Floats
    net_moments: Floats
    kind: LiftKind | None
    _paths: dict[str, tuple[Floats, ...]] = field(init=False, repr=False, default_factory=dict)

    def path(self, head: str) -> tuple[Floats, ...]:
        """Points of each line of a head, shape (points, 3) [m]; traced once it is asked for."""
        if head not in self._paths:
            model = self.skeleton.model
            self._paths[head] = tuple(
                line_points(self.skeleton, self.poses, line, ())
                for line in model.heads[model.head_names.index(head)].lines
            )
        return self._paths[head]

    def limit_keys(self, head: str) -> str:
        """Keys of the limits that touch the force or the activation of a head here.

        Empty where the kind of lift is not known.
        """
        if self.kind is None:
            return ""
        return keys_text(
            self.result.prepared.limb.model.limits.at(
                "force",
                "activation",
                head=head,
                kinds=[self.kind],
                part=height_third(self.height),
                lateral=self.result.lateral.mode,
            )
        )

    @property
    def height(self) -> float:
        """Height fraction, 0 chest to 1 lock-out."""
        return float(self.result.prepared.lift.fraction[self.frame])

    def group(self, head: str) -> str:
        """Strength group of a head."""
        model = self.skeleton.model
        return model.heads[model.head_names.index(head)].group

    @property
    def bone(self) -> float:
        """Stature over that for which the model's coordinates are written."""
        stature = self.skeleton.sizes.stature
        return float(stature / self.skeleton.model.number("reference_stature"))


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmScale:
    """Scales that drawings share so that they can be compared.

    Attributes
    ----------
    metres_per_newton : float
        Length of an arrow, on the person, for each newton.
    points_per_newton : float
        Width of a band for each newton.
    least_force : float
        Heads with less force [N] are left out.
    metres_per_inch : float
        Length on the person for each inch of the page.
    """

    metres_per_newton: float
    points_per_newton: float
    least_force: float
    metres_per_inch: float

    def shown(self, scene: ArmScene) -> list[str]:
        """Heads that are drawn, most force first."""
        return sorted(
            (name for name, value in scene.head_force.items() if value >= self.least_force),
            key=lambda name: -scene.head_force[name],
        )


def arm_scene(
    result: LiftResult, frame: int | None = None, kind: LiftKind | None = None
) -> ArmScene:
    """Take one frame out of a result.

    Parameters
    ----------
    result : LiftResult
    frame : int, optional
        Number of the frame; by default the one where the greatest load is least.
    kind : LiftKind, optional
        What kind of lift it is; no limit is marked without.

    Raises
    ------
    InputError
        There is no such frame, or it is out of reach.
    """
    lift, need = result.prepared.lift, result.prepared.demand
    count = len(lift.fraction)
    at = weakest_frame(result) if frame is None else frame
    if not 0 <= at < count:
        raise InputError(f"frame: must be between 0 and {count - 1}; got {at!r}")
    if not lift.reachable[at]:
        raise InputError(
            f"frame {at}: no posture reaches the bar there, so there is no arm to draw; choose "
            f"another of 0 to {count - 1}"
        )
    skeleton = result.prepared.limb.skeleton
    limb = lift.limb_in(skeleton)
    skeleton = skeleton if limb is None else skeleton.take(int(limb[at]))
    posture = lift.posture[at]
    elbow, hand = lift.elbow[at], lift.hand[at]
    push = float(result.lateral_force[at])
    names = result.prepared.limb.head_names
    along = float(skeleton.forearm_length / skeleton.grip_length)
    mass = need.load_mass[at]
    return ArmScene(
        kind=kind,
        result=result,
        frame=at,
        skeleton=skeleton,
        poses=body_poses(skeleton, posture),
        joints={
            "shoulder": lift.shoulder[at],
            "elbow": elbow,
            "wrist": elbow + along * (hand - elbow),
            "hand": hand,
        },
        up=_frame_vector(lift.up, at),
        outward=_frame_vector(lift.lateral_axis, at),
        force=mass * need.joint_force_load[at] + push * need.lateral_axis[at],
        support=_support(lift, at),
        head_force=dict(zip(names, map(float, result.force[at]), strict=True)),
        activation=dict(zip(names, map(float, result.activation[at]), strict=True)),
        hand_moments=need.hand_moments(result.lateral_force, result.hand_couple)[at],
        net_moments=result.moments[at],
    )


def _frame_vector(vectors: Floats, frame: int) -> Floats:
    """Vector of a frame, where all frames share one or each has its own."""
    return np.asarray(vectors[frame] if vectors.ndim > 1 else vectors)


def _support(lift: Lift, frame: int) -> Support:
    """Infer what the hand pushes from the direction of the push."""
    if lift.push_axis is not None and lift.load_force is not None:
        rise = float(_frame_vector(lift.push_axis, frame) @ _frame_vector(lift.up, frame))
        if rise < -_PARALLEL:
            return "ground"
        if rise < _PARALLEL:
            return "cable"
    return "bar" if lift.lateral_free else "dumbbell"


def views(scene: ArmScene) -> tuple[View, View]:
    """Front and side view of a scene; the page is upright."""
    up = scene.up
    out = scene.outward - (scene.outward @ up) * up
    out = out / np.linalg.norm(out)
    side = np.cross(up, out)  # up × outward: where the side view's right is
    front = View(name="front", right=out, up=up, words=_from_where(np.cross(out, up)))
    return front, View(name="side", right=side, up=up, words="seen from the right")


def _from_where(toward: Floats) -> str:
    """Describe the viewpoint in this direction from the person."""
    if abs(toward[1]) >= abs(toward[0]):
        return "seen from the head" if toward[1] > 0.0 else "seen from the feet"
    return "seen from the front" if toward[0] > 0.0 else "seen from behind"


def hand_force(scene: ArmScene, view: View) -> HandForce:
    """Force of the hand in a view, and its moment arms about elbow and shoulder.

    With the force f and the hand at r from a joint, both on the page, the moment is
    ``r_x f_y - r_y f_x``, the distance its size over that of f, and the foot of the perpendicular
    ``joint + r - (r · f) f / f²``.
    """
    hand, force = view.flat(scene.joints["hand"]), view.flat(scene.force)
    size = float(np.hypot(*force))
    levers = []
    for joint in ("elbow", "shoulder") if size > 0.0 else ():
        at = view.flat(scene.joints[joint])
        r = hand - at
        moment = float(r[0] * force[1] - r[1] * force[0])
        levers.append(
            Lever(
                joint=joint,
                at=at,
                foot=hand - (r @ force) / size**2 * force,
                distance=abs(moment) / size,
                force=size,
                moment=moment,
            )
        )
    return HandForce(hand=hand, parts=force, levers=tuple(levers))
