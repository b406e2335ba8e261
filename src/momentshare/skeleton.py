"""The scaled bones: where sites and surfaces lie on a person, and where bodies are in a posture.

A :class:`Skeleton` holds one person, shape (), or several limbs side by side, shape (limbs,):
people, draws of one person, variants. :meth:`Skeleton.take` picks limbs, also one for each frame
of a batch, so that everything below takes a skeleton and a posture that broadcast together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.geometry.rotation import rotation_about, rotation_from_yxz
from momentshare.model.numbers import Numbers
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.person import Person, Sizes, sizes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.posture import Posture

__all__ = [
    "BodyPoses",
    "Segment",
    "Skeleton",
    "body_poses",
    "build_skeleton",
    "build_skeletons",
    "forearm_axis",
    "scapula_rotation",
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
        One a limb.
    people_sizes : tuple of Sizes
    model : Model
    scapula_policy : str
    shape : tuple of int
        () or (limbs,).
    humerus_length, forearm_length, grip_length : float array, shape (...)
    joint_centre : float array, shape (..., 3)
        Centre of the glenohumeral joint.
    fixed : mapping
        Body → rotation (..., 3, 3) and origin (..., 3) of thorax, clavicle and scapula with the
        arm hanging.
    site, centre : mapping
        Site or surface → position in its body's frame, shape (..., 3).
    radius : mapping
        Surface → wrap radius, shape (...).
    segment : mapping
        ``upper_arm``, ``forearm``, ``hand`` → :class:`Segment`.
    chest_height : float array, shape (...)
        Centre of a bar on the chest above the joint centre.
    touch_point : float array, shape (...)
        Where a bar usually touches the chest, footward of the joint centre.
    rhythm : float array, shape (...)
        Upward rotation of the scapula for each radian of humerothoracic elevation; zero where
        the scapula does not move with the arm. It turns about the joint centre, which stays
        where it is: the shift of the shoulder with elevation is not modelled.
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
    fixed: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]
    site: Mapping[str, NDArray[np.float64]]
    centre: Mapping[str, NDArray[np.float64]]
    radius: Mapping[str, NDArray[np.float64]]
    segment: Mapping[str, Segment]
    chest_height: NDArray[np.float64]
    touch_point: NDArray[np.float64]
    rhythm: NDArray[np.float64]

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
        """Whether the scapula of any limb moves with the arm."""
        return bool(np.any(self.rhythm))

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

    def take(self, limb: int | NDArray[np.intp]) -> Skeleton:
        """Pick one limb by its number, or one for each entry of an index array."""
        if not self.shape:
            return self

        def picked(value: object) -> object:
            if isinstance(value, np.ndarray):
                return value[limb]
            if isinstance(value, dict):
                return {name: picked(item) for name, item in value.items()}
            if isinstance(value, Segment):
                return Segment(
                    mass=value.mass[limb], centre=value.centre[limb], radii=value.radii[limb]
                )
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
        return self.origin[body] + _turned(self.rotation[body], position)


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
        One a limb.
    model : Model
    scapula : str, optional
        Scapula policy; the model's default when not given.
    numbers : Numbers, optional
        Numbers in place of the model's, shared by all limbs or one a limb.

    Returns
    -------
    Skeleton
        Of shape (limbs,).

    Raises
    ------
    UnknownNameError
        The model has no such policy, quantity, site or surface.
    ShapeError
        No person, or numbers for another count of limbs.

    Notes
    -----
    The thorax scales with chest depth (x), stature (y) and biacromial breadth (z); the
    scapula and the thickness of long bones with stature; the clavicle with its own length.
    """
    if not people:
        raise ShapeError("people", "one person or more", "none")
    policy = scapula or model.default_scapula
    if policy not in model.scapula_policies:
        raise UnknownNameError("scapula policy", policy, model.scapula_policies)
    changed = numbers or Numbers()
    changed.check(model)
    count = len(people)

    def number(name: str) -> NDArray[np.float64]:
        value = changed.quantity(model, name)
        if value.shape not in {(), (count,)}:
            raise ShapeError(f"quantities[{name!r}]", f"() or ({count},)", f"{value.shape}")
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
    joint = np.stack(
        [
            depth * number("joint_centre_forward"),
            bone * number("joint_centre_up"),
            number("joint_centre_lateral_fraction") * size("biacromial_breadth") / 2.0,
        ],
        axis=-1,
    )
    scapula_hanging = rotation_from_yxz(
        number(f"scapula_{policy}_internal"),
        -number(f"scapula_{policy}_upward"),
        -number(f"scapula_{policy}_anterior_tilt"),
    )

    def shifted(name: str) -> NDArray[np.float64]:
        base = np.array(model.sites[name].position)
        return np.broadcast_to(base + changed.offsets.get(name, 0.0), (count, 3))

    sternoclavicular = trunk * shifted("sternoclavicular_joint")
    corner = np.stack([number(f"acromioclavicular_joint_{axis}") for axis in "xyz"], axis=-1)
    span = joint + _turned(scapula_hanging, bone[:, None] * corner) - sternoclavicular
    clavicle_length = np.linalg.norm(span, axis=-1)
    clavicle = clavicle_length / number("reference_clavicle_length")

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

    rate = f"scapula_{policy}_rate"
    # The chest wall is an upright cylinder in the x-z plane; the mean of the two scales keeps
    # it round.
    wall = 0.5 * (depth + breadth)
    eye, zero = np.broadcast_to(np.eye(3), (count, 3, 3)), np.zeros((count, 3))
    return Skeleton(
        people=tuple(people),
        people_sizes=found,
        model=model,
        scapula_policy=policy,
        shape=(count,),
        **length,
        joint_centre=joint,
        fixed={
            "thorax": (eye, zero),
            "clavicle": (_clavicle_rotation(span / clavicle_length[:, None]), sternoclavicular),
            "scapula": (scapula_hanging, joint),
        },
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
        chest_height=number("chest_to_joint_fraction") * size("chest_depth") + number("bar_radius"),
        touch_point=bone * number("usual_touch_point"),
        rhythm=number(rate) if rate in model.quantities else np.zeros(count),
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


def scapula_rotation(skeleton: Skeleton, posture: Posture) -> NDArray[np.float64]:
    """Rotation of the scapula in each posture, shape (..., 3, 3).

    With a rhythm the scapula turns upward about its own forward axis, in proportion to the
    elevation of the arm from the trunk.
    """
    hanging = skeleton.fixed["scapula"][0]
    if not skeleton.moves:
        return np.broadcast_to(hanging, (*posture.shape, 3, 3))
    elevation = np.arccos(np.clip(posture.humerus[..., 1, 1], -1.0, 1.0))
    # The sequence is Y-X-Z; upward rotation is negative about the x axis after the first turn.
    forward = np.cross([0.0, 1.0, 0.0], hanging[..., 2])
    forward = forward / np.linalg.norm(forward, axis=-1, keepdims=True)
    return np.asarray(rotation_about(forward, -skeleton.rhythm * elevation) @ hanging)


def _clavicle_rotation(along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Frame of Wu et al. 2005: z along the clavicle, x square to it and to thorax y."""
    x = np.cross(np.array([0.0, 1.0, 0.0]), along)
    x /= np.linalg.norm(x, axis=-1, keepdims=True)
    return np.stack([x, np.cross(along, x), along], axis=-1)


def _turned(rotation: NDArray[np.float64], vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((rotation @ vector[..., None])[..., 0])


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
    rotation: dict[str, NDArray[np.float64]] = {}
    origin: dict[str, NDArray[np.float64]] = {}
    for body, (r, p) in skeleton.fixed.items():
        rotation[body] = np.broadcast_to(r, (*shape, 3, 3))
        origin[body] = np.broadcast_to(p, (*shape, 3))
    if skeleton.moves:
        rotation["scapula"] = scapula_rotation(skeleton, posture)
    rotation["humerus"] = posture.humerus
    origin["humerus"] = np.broadcast_to(skeleton.joint_centre, (*shape, 3))
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
    # The radius turns about a line through the radial head, which stays where it is.
    origin["radius"] = elbow + _turned(rotation["ulna"], top - _turned(spin, top))
    return BodyPoses(
        rotation=rotation,
        origin=origin,
        forearm_axis=_turned(rotation["ulna"], axis),
        forearm_axis_point=elbow + _turned(rotation["ulna"], top),
    )


def forearm_axis(skeleton: Skeleton) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Axis of forearm rotation, unit vector, and a point of it; ulna frame, shape (..., 3)."""
    top = skeleton.site["radial_head"]
    along = top - skeleton.site["ulnar_head"]
    return along / np.linalg.norm(along, axis=-1, keepdims=True), top
