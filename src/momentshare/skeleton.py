"""The scaled bones: places of sites and surfaces on a person, and of bodies in a posture.

A :class:`Skeleton` holds one person, shape (), or several limbs side by side, shape (limbs,):
people, draws of one person, variants. :meth:`Skeleton.take` selects limbs, also one per frame of a
batch, so that everything below takes a skeleton and a posture that broadcast together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.geometry.rotation import rotated, rotation_about
from momentshare.girdle import ANGLES, Girdle, girdle_pose, highest_elevation, join_girdle
from momentshare.model.numbers import Numbers
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.person import Person, Sizes, sizes
from momentshare.posture import Posture

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = [
    "BodyPoses",
    "Segment",
    "Skeleton",
    "body_poses",
    "build_skeleton",
    "build_skeletons",
    "forearm_axis",
]

_LONG = {"humerus": "humerus_length", "ulna": "forearm_length", "radius": "forearm_length"}
_LENGTHS = ("humerus_length", "forearm_length", "grip_length")
_RADII = ("sagittal", "longitudinal", "transverse")
"""Names of the radii of gyration about x, y and z."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segment:
    """Inertia of a segment of the arm; arrays of the skeleton's shape.

    Attributes
    ----------
    mass : float array, shape (...)
        [kg]
    centre : float array, shape (...)
        Distance of the centre of mass from the near joint over the segment's length; the hand
        counts as a point at the centre of the grip.
    radii : float array, shape (..., 3)
        Radii of gyration about x (forward), y (along), z (to the side) over the length.
    """

    mass: NDArray[np.float64]
    centre: NDArray[np.float64]
    radii: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skeleton:
    """Bones of one person, or of several limbs; arrays of shape (...) [m], thorax frame.

    Attributes
    ----------
    people : tuple of Person
        One per limb.
    people_sizes : tuple of Sizes
    model : Model
    scapula_policy : str
    shape : tuple of int
        () or (limbs,).
    humerus_length, forearm_length, grip_length : float array, shape (...)
    joint_centre : float array, shape (..., 3)
        Centre of the glenohumeral joint with the arm hanging. It moves with the girdle
        (:func:`body_poses`); heights and touch points are measured from this place.
    girdle : Girdle
        Joints and course of clavicle and scapula.
    site, centre : mapping
        Site or surface → position in its body's frame, shape (..., 3).
    radius : mapping
        Surface → surface radius, shape (...).
    segment : mapping
        ``upper_arm``, ``forearm``, ``hand`` → :class:`Segment`.
    chest_height : float array, shape (...)
        Centre of a bar on the chest in front of the joint centre.
    touch_point : float array, shape (...)
        Where a bar usually touches the chest, from the joint centre towards the feet.
    highest_elevation : float array, shape (...)
        Elevation that trunk and glenohumeral joint allow [rad].
    press_protraction : float array, shape (..., 2)
        Protraction that a lifter on a bench adds on the chest and at lock-out [rad].
    """

    people: tuple[Person, ...]
    people_sizes: tuple[Sizes, ...]
    model: Model
    scapula_policy: str
    shape: tuple[int, ...]
    humerus_length: NDArray[np.float64]
    forearm_length: NDArray[np.float64]
    grip_length: NDArray[np.float64]
    joint_centre: NDArray[np.float64]
    girdle: Girdle
    site: Mapping[str, NDArray[np.float64]]
    centre: Mapping[str, NDArray[np.float64]]
    radius: Mapping[str, NDArray[np.float64]]
    segment: Mapping[str, Segment]
    chest_height: NDArray[np.float64]
    touch_point: NDArray[np.float64]
    highest_elevation: NDArray[np.float64]
    press_protraction: NDArray[np.float64]

    @property
    def person(self) -> Person:
        """The person of a single skeleton."""
        self._one("person")
        return self.people[0]

    @property
    def sizes(self) -> Sizes:
        """Sizes of the person of a single skeleton."""
        self._one("sizes")
        return self.people_sizes[0]

    @property
    def moves(self) -> bool:
        """Whether the girdle of any limb moves with the arm."""
        return bool(np.any(self.girdle.rise) or np.any(self.girdle.reach))

    def _one(self, name: str) -> None:
        if self.shape:
            raise InputError(
                f"skeleton: {name} is that of one limb, this holds {self.shape[0]}; pick one "
                "with take(k)"
            )

    def __repr__(self) -> str:
        names = list(dict.fromkeys(person.name for person in self.people))
        shown = ", ".join(names[:3]) + (", …" if len(names) > 3 else "")
        return f"Skeleton({shown}; limbs={self.shape or 1}, scapula={self.scapula_policy!r})"

    def limb_girdle(self, limb: NDArray[np.intp] | None) -> Girdle:
        """Girdle of the limb of each frame; the only one of a single skeleton."""
        if not self.shape or limb is None:
            return self.girdle
        return Girdle(**{f.name: getattr(self.girdle, f.name)[limb] for f in fields(Girdle)})

    def take(self, limb: int | NDArray[np.intp]) -> Skeleton:
        """Select one limb by its index, or one per entry of an index array."""
        if not self.shape:
            return self

        def picked(value: object) -> object:
            if isinstance(value, np.ndarray):
                return value[limb]
            if isinstance(value, dict):
                return {name: picked(item) for name, item in value.items()}
            if is_dataclass(value) and not isinstance(value, type):
                parts = {item.name: picked(getattr(value, item.name)) for item in fields(value)}
                return type(value)(**parts)
            if isinstance(value, tuple):
                return tuple(picked(item) for item in value)
            return value

        single = np.ndim(limb) == 0
        chosen = [int(limb)] if single else [int(k) for k in np.asarray(limb)]
        values = {
            item.name: picked(getattr(self, item.name))
            for item in fields(self)
            if item.name not in {"people", "people_sizes", "model", "scapula_policy", "shape"}
        }
        return Skeleton(
            people=tuple(self.people[k] for k in chosen),
            people_sizes=tuple(self.people_sizes[k] for k in chosen),
            model=self.model,
            scapula_policy=self.scapula_policy,
            shape=() if single else (len(chosen),),
            **values,  # type: ignore[arg-type]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyPoses:
    """Rotation (..., 3, 3) and origin (..., 3) of each body in the thorax frame."""

    rotation: Mapping[str, NDArray[np.float64]]
    origin: Mapping[str, NDArray[np.float64]]
    forearm_axis: NDArray[np.float64]
    forearm_axis_point: NDArray[np.float64]

    def point(self, body: str, position: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return a point of a body in the thorax frame, shape (..., 3)."""
        return self.origin[body] + rotated(self.rotation[body], position)


def build_skeleton(
    person: Person,
    model: Model,
    *,
    scapula: str | None = None,
    numbers: Numbers | None = None,
) -> Skeleton:
    """Scale the model's bones to a person; see :func:`build_skeletons`."""
    return build_skeletons([person], model, scapula=scapula, numbers=numbers).take(0)


def build_skeletons(
    people: Sequence[Person],
    model: Model,
    *,
    scapula: str | None = None,
    numbers: Numbers | None = None,
) -> Skeleton:
    """Scale the model's bones to several people, or to one person in several variants.

    Parameters
    ----------
    people : sequence of Person
        One per limb.
    model : Model
    scapula : str, optional
        Scapula policy; the model's default when not given.
    numbers : Numbers, optional
        Numbers that replace the model's, shared by all limbs or one per limb.

    Returns
    -------
    Skeleton
        Of shape (limbs,).

    Raises
    ------
    UnknownNameError
        The model has no such policy, quantity, site or surface.
    ShapeError
        No person, or numbers for a different number of limbs.

    Notes
    -----
    The thorax scales with chest depth (x), stature (y) and biacromial breadth (z); the
    scapula and the thickness of long bones with stature; the clavicle with its own length.
    """
    if not people:
        raise ShapeError("people", "at least one person", "none", "give a list of Person")
    policy = scapula or model.default_scapula
    if policy not in model.scapula_policies:
        raise UnknownNameError("scapula policy", policy, model.scapula_policies)
    changed = numbers or Numbers()
    changed.check(model)
    count = len(people)

    def number(name: str) -> NDArray[np.float64]:
        value = changed.quantity(model, name)
        if value.shape not in {(), (count,)}:
            raise ShapeError(
                f"quantities[{name!r}]", f"shape () or ({count},)", f"shape {value.shape}",
                "give one value, or one for each person",
            )  # fmt: skip
        return np.broadcast_to(value, (count,))

    found = tuple(sizes(person, model) for person in people)

    def size(name: str) -> NDArray[np.float64]:
        return np.array([getattr(one, name) for one in found], dtype=np.float64)

    length = {name: size(name) for name in _LENGTHS}
    bone = size("stature") / number("reference_stature")
    breadth = size("biacromial_breadth") / number("reference_biacromial_breadth")
    depth = size("chest_depth") / number("reference_chest_depth")
    reference = {
        "humerus": number("reference_humerus_length"),
        "ulna": number("reference_forearm_length"),
        "radius": number("reference_forearm_length"),
    }
    trunk = np.stack([depth, bone, breadth], axis=-1)
    rest = np.stack(
        [
            depth * number("joint_centre_forward"),
            bone * number("joint_centre_up"),
            number("joint_centre_lateral_fraction") * size("biacromial_breadth") / 2.0,
        ],
        axis=-1,
    )

    def shifted(name: str) -> NDArray[np.float64]:
        base = np.array(model.sites[name].position)
        return np.broadcast_to(base + changed.offsets.get(name, 0.0), (count, 3))

    sternoclavicular = trunk * shifted("sternoclavicular_joint")
    corner = np.stack([number(f"acromioclavicular_joint_{axis}") for axis in "xyz"], axis=-1)
    girdle = _girdle(
        model, number, policy, root=sternoclavicular, joint=rest, corner=bone[:, None] * corner
    )
    joint = girdle_pose(girdle, _hanging(count)).joint
    clavicle = girdle.length / number("reference_clavicle_length")

    def scaled(body: str, anchor: str, position: NDArray[np.float64]) -> NDArray[np.float64]:
        if body == "thorax":
            return trunk * position
        if body == "clavicle":
            return np.asarray(clavicle[:, None] * position)
        out = np.asarray(bone[:, None] * position)
        if body in _LONG:
            along = length[_LONG[body]]
            if anchor == "along":
                out[:, 1] = position[..., 1] * along / reference[body]
            elif anchor == "distal":
                out[:, 1] = -along + bone * (position[..., 1] + reference[body])
        return out

    # The chest wall is an upright cylinder in the x-z plane; the mean of the two scales keeps
    # it round.
    wall = 0.5 * (depth + breadth)
    return Skeleton(
        people=tuple(people),
        people_sizes=found,
        model=model,
        scapula_policy=policy,
        shape=(count,),
        **length,
        joint_centre=joint,
        girdle=girdle,
        site={s.name: scaled(s.body, s.anchor, shifted(s.name)) for s in model.sites.values()},
        centre={
            s.name: scaled(s.body, s.anchor, np.array(s.centre)) for s in model.surfaces.values()
        },
        radius={
            s.name: np.asarray(changed.radii.get(s.name, s.radius), dtype=np.float64)
            * (wall if s.body == "thorax" else bone)
            for s in model.surfaces.values()
        },
        segment=_segments(people, model, changed),
        chest_height=number("chest_to_joint_fraction") * size("chest_depth")
        + number("bar_radius")
        + (rest - joint)[:, 0],
        touch_point=bone * number("usual_touch_point"),
        highest_elevation=np.minimum(
            highest_elevation(girdle, model.number("limit_glenohumeral_elevation_max")),
            model.number("limit_elevation_max"),
        ),
        press_protraction=np.stack(
            [number(f"press_protraction_{end}") for end in ("chest", "lockout")], axis=-1
        ),
    )


def _hanging(count: int) -> Posture:
    return Posture(
        humerus=np.broadcast_to(np.eye(3), (count, 3, 3)),
        elbow_flexion=np.zeros(count),
        forearm_rotation=np.zeros(count),
    )


def _girdle(
    model: Model,
    number: Callable[[str], NDArray[np.float64]],
    policy: str,
    *,
    root: NDArray[np.float64],
    joint: NDArray[np.float64],
    corner: NDArray[np.float64],
) -> Girdle:
    """Girdle of each limb; ``joint`` is the glenohumeral centre at rest.

    The clavicle has the length required at rest, with the model's own angles there, whatever the
    policy: length and joints belong to the person.
    """
    shape = (len(root), len(ANGLES))

    def scapula(name: str, value: Callable[[str], NDArray[np.float64]]) -> NDArray[np.float64]:
        angles = [value(f"scapula_{name}_{part}") for part in ("internal", "upward")]
        return np.stack([*angles, -value(f"scapula_{name}_anterior_tilt")], axis=-1)

    own = scapula(model.reference_scapula, lambda key: np.full(len(root), model.number(key)))
    length, clavicle = join_girdle(root, joint, corner, own)

    def course(kind: str) -> NDArray[np.float64]:
        if policy not in model.moving_scapulae:
            return np.zeros(shape)
        return np.stack([number(f"girdle_{angle}_{kind}") for angle in ANGLES], axis=-1)

    clavicle = clavicle + np.stack(
        [number(f"clavicle_{policy}_{part}") for part in ("protraction", "elevation", "axial")],
        axis=-1,
    )
    return Girdle(
        root=root,
        length=length,
        corner=corner,
        hanging=np.concatenate([clavicle, scapula(policy, number)], axis=-1),
        rise=course("rise"),
        reach=course("reach"),
        follow=np.stack([course("with_protraction"), course("with_elevation")], axis=1),
        setting=number("girdle_setting_elevation"),
    )


def _segments(people: Sequence[Person], model: Model, changed: Numbers) -> dict[str, Segment]:
    """Inertia of the segments of the arm."""
    mass = np.array([person.body_mass for person in people])

    def number(segment: str, name: str) -> NDArray[np.float64]:
        drawn = changed.inertia.get((segment, name))
        if drawn is None:
            drawn = [model.inertia[person.sex, segment, name].value for person in people]
        return np.broadcast_to(np.asarray(drawn, dtype=np.float64), mass.shape)

    point = {"hand"}
    none = np.zeros(len(people))
    return {
        segment: Segment(
            mass=mass * number(segment, "mass_fraction"),
            centre=none if segment in point else number(segment, "centre_fraction"),
            radii=np.stack(
                [none if segment in point else number(segment, f"radius_{a}") for a in _RADII],
                axis=-1,
            ),
        )
        for segment in ARM_SEGMENTS
    }


def body_poses(skeleton: Skeleton, posture: Posture) -> BodyPoses:
    """Place every body for a batch of postures.

    Parameters
    ----------
    skeleton : Skeleton
        One limb, or one for each posture (:meth:`Skeleton.take`).
    posture : Posture

    Returns
    -------
    BodyPoses
        Rotations map body coordinates to thorax coordinates; origins are in the thorax frame
        [m]. Humerus: origin in the joint centre; ulna and radius: origin on the elbow axis.
    """
    shape = posture.shape
    girdle = girdle_pose(skeleton.girdle, posture)
    rotation = {
        "thorax": np.broadcast_to(np.eye(3), (*shape, 3, 3)),
        "clavicle": np.broadcast_to(girdle.clavicle, (*shape, 3, 3)),
        "scapula": np.broadcast_to(girdle.scapula, (*shape, 3, 3)),
        "humerus": posture.humerus,
    }
    joint = np.broadcast_to(girdle.joint, (*shape, 3))
    origin = {
        "thorax": np.zeros((*shape, 3)),
        "clavicle": np.broadcast_to(skeleton.girdle.root, (*shape, 3)),
        "scapula": joint,
        "humerus": joint,
    }
    elbow = (
        origin["humerus"]
        - np.asarray(skeleton.humerus_length)[..., None] * posture.humerus[..., :, 1]
    )
    hinge = rotation_about(np.array([0.0, 0.0, 1.0]), posture.elbow_flexion)
    rotation["ulna"] = posture.humerus @ hinge
    origin["ulna"] = elbow
    axis, top = forearm_axis(skeleton)
    spin = rotation_about(axis, posture.forearm_rotation)
    rotation["radius"] = rotation["ulna"] @ spin
    # The radius turns about a line through the radial head, which stays in place.
    origin["radius"] = elbow + rotated(rotation["ulna"], top - rotated(spin, top))
    return BodyPoses(
        rotation=rotation,
        origin=origin,
        forearm_axis=rotated(rotation["ulna"], axis),
        forearm_axis_point=elbow + rotated(rotation["ulna"], top),
    )


def forearm_axis(skeleton: Skeleton) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Axis of forearm rotation, unit vector, and a point of it; ulna frame, shape (..., 3)."""
    top = skeleton.site["radial_head"]
    along = top - skeleton.site["ulnar_head"]
    return along / np.linalg.norm(along, axis=-1, keepdims=True), top
