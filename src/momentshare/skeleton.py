"""The scaled bones: where sites and surfaces lie on a person, and where bodies are in a posture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import UnknownNameError
from momentshare.geometry.rotation import rotation_about, rotation_from_yxz
from momentshare.person import Sizes, sizes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.posture import Posture

__all__ = ["BodyPoses", "Skeleton", "body_poses", "build_skeleton", "scapula_rotation"]

_LONG = {"humerus": "humerus_length", "ulna": "forearm_length", "radius": "forearm_length"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Skeleton:
    """Bones of one person [m, thorax frame for the fixed bodies].

    ``site`` and ``surface`` positions are in their body's frame. ``fixed`` holds rotation and
    origin of thorax, clavicle and scapula with the arm hanging. ``rhythm`` is the upward
    rotation of the scapula for each radian of humerothoracic elevation; zero where the scapula
    does not move with the arm. It turns about the joint centre, which stays where it is: the
    shift of the shoulder with elevation is not modelled.
    """

    person: Person
    model: Model
    sizes: Sizes
    scapula_policy: str
    joint_centre: NDArray[np.float64]
    fixed: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]
    site: Mapping[str, NDArray[np.float64]]
    centre: Mapping[str, NDArray[np.float64]]
    radius: Mapping[str, float]
    chest_height: float
    rhythm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyPoses:
    """Rotation (..., 3, 3) and origin (..., 3) of each body in the thorax frame."""

    rotation: Mapping[str, NDArray[np.float64]]
    origin: Mapping[str, NDArray[np.float64]]
    forearm_axis: NDArray[np.float64]
    forearm_axis_point: NDArray[np.float64]

    def point(self, body: str, position: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return a point of a body in the thorax frame, shape (..., 3)."""
        return self.origin[body] + self.rotation[body] @ position


def build_skeleton(
    person: Person,
    model: Model,
    *,
    scapula: str | None = None,
    offsets: Mapping[str, NDArray[np.float64]] | None = None,
    radii: Mapping[str, float] | None = None,
    quantities: Mapping[str, float] | None = None,
) -> Skeleton:
    """Scale the model's bones to a person.

    Parameters
    ----------
    person, model
        Who, and which limb.
    scapula : str, optional
        Scapula policy; the model's default when not given.
    offsets : mapping, optional
        Shift of a site in its body frame before scaling [m], for calibration and draws.
    radii : mapping, optional
        Wrap radius of a surface before scaling [m], in place of the model's.
    quantities : mapping, optional
        Model quantities to use in place of the model's [SI].

    Notes
    -----
    The thorax scales with chest depth (x), stature (y) and biacromial breadth (z); the
    scapula and the thickness of long bones with stature; the clavicle with its own length.
    """
    policy = scapula or model.default_scapula
    if policy not in model.scapula_policies:
        raise UnknownNameError("scapula policy", policy, model.scapula_policies)
    changed = quantities or {}
    for kind, given, known in (
        ("site", offsets, model.sites),
        ("surface", radii, model.surfaces),
        ("model quantity", quantities, model.quantities),
    ):
        for name in given or ():
            if name not in known:
                raise UnknownNameError(kind, name, known)

    def number(name: str) -> float:
        return changed.get(name, model.number(name))

    size = sizes(person, model)
    bone = size.stature / number("reference_stature")
    breadth = size.biacromial_breadth / number("reference_biacromial_breadth")
    depth = size.chest_depth / number("reference_chest_depth")
    reference_length = {
        "humerus": number("reference_humerus_length"),
        "ulna": number("reference_forearm_length"),
        "radius": number("reference_forearm_length"),
    }
    trunk_scale = np.array([depth, bone, breadth])

    joint = np.array(
        [
            depth * number("joint_centre_forward"),
            bone * number("joint_centre_up"),
            number("joint_centre_lateral_fraction") * size.biacromial_breadth / 2.0,
        ]
    )
    scapula_rotation = rotation_from_yxz(
        np.asarray(number(f"scapula_{policy}_internal")),
        np.asarray(-number(f"scapula_{policy}_upward")),
        np.asarray(-number(f"scapula_{policy}_anterior_tilt")),
    )

    def shifted(name: str, position: tuple[float, float, float]) -> NDArray[np.float64]:
        base = np.array(position)
        return base if offsets is None or name not in offsets else base + offsets[name]

    rate = f"scapula_{policy}_rate"

    sternoclavicular = trunk_scale * shifted(
        "sternoclavicular_joint", model.sites["sternoclavicular_joint"].position
    )
    acromioclavicular = joint + scapula_rotation @ (
        bone * np.array([number(f"acromioclavicular_joint_{axis}") for axis in "xyz"])
    )
    span = acromioclavicular - sternoclavicular
    clavicle_length = float(np.linalg.norm(span))
    clavicle_rotation = _clavicle_rotation(span / clavicle_length)
    clavicle = clavicle_length / number("reference_clavicle_length")

    def scaled(body: str, anchor: str, position: NDArray[np.float64]) -> NDArray[np.float64]:
        if body == "thorax":
            return trunk_scale * position
        if body == "clavicle":
            return clavicle * position
        out = bone * position
        if body in _LONG:
            length = getattr(size, _LONG[body])
            if anchor == "along":
                out[1] = position[1] * length / reference_length[body]
            elif anchor == "distal":
                out[1] = -length + bone * (position[1] + reference_length[body])
        return out

    site = {
        s.name: scaled(s.body, s.anchor, shifted(s.name, s.position)) for s in model.sites.values()
    }
    centre = {s.name: scaled(s.body, s.anchor, np.array(s.centre)) for s in model.surfaces.values()}
    radius = {}
    for surface in model.surfaces.values():
        base = surface.radius if radii is None else radii.get(surface.name, surface.radius)
        # The chest wall is an upright cylinder in the x-z plane; the mean of the two
        # scales keeps it round.
        radius[surface.name] = base * (
            0.5 * (depth + breadth) if surface.body == "thorax" else bone
        )
    eye = np.eye(3)
    return Skeleton(
        person=person,
        model=model,
        sizes=size,
        scapula_policy=policy,
        joint_centre=joint,
        fixed={
            "thorax": (eye, np.zeros(3)),
            "clavicle": (clavicle_rotation, sternoclavicular),
            "scapula": (scapula_rotation, joint),
        },
        site=site,
        centre=centre,
        radius=radius,
        rhythm=number(rate) if rate in model.quantities else 0.0,
        chest_height=number("chest_to_joint_fraction") * size.chest_depth + number("bar_radius"),
    )


def scapula_rotation(skeleton: Skeleton, posture: Posture) -> NDArray[np.float64]:
    """Rotation of the scapula in each posture, shape (..., 3, 3).

    With a rhythm the scapula turns upward about its own forward axis, in proportion to the
    elevation of the arm from the trunk.
    """
    hanging = skeleton.fixed["scapula"][0]
    if not skeleton.rhythm:
        return np.broadcast_to(hanging, (*posture.shape, 3, 3))
    elevation = np.arccos(np.clip(posture.humerus[..., 1, 1], -1.0, 1.0))
    # The sequence is Y-X-Z; upward rotation is negative about the x axis after the first turn.
    forward = np.cross([0.0, 1.0, 0.0], hanging[:, 2])
    turn = rotation_about(forward / np.linalg.norm(forward), -skeleton.rhythm * elevation)
    return np.asarray(turn @ hanging)


def _clavicle_rotation(along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Frame of Wu et al. 2005: z along the clavicle, x square to it and to thorax y."""
    x = np.cross(np.array([0.0, 1.0, 0.0]), along)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(along, x), along], axis=-1)


def body_poses(skeleton: Skeleton, posture: Posture) -> BodyPoses:
    """Place every body for a batch of postures.

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
    if skeleton.rhythm:
        rotation["scapula"] = scapula_rotation(skeleton, posture)
    rotation["humerus"] = posture.humerus
    origin["humerus"] = np.broadcast_to(skeleton.joint_centre, (*shape, 3))
    elbow = origin["humerus"] - skeleton.sizes.humerus_length * posture.humerus[..., :, 1]
    hinge = rotation_about(np.array([0.0, 0.0, 1.0]), posture.elbow_flexion)
    rotation["ulna"] = posture.humerus @ hinge
    origin["ulna"] = elbow
    top, bottom = skeleton.site["radial_head"], skeleton.site["ulnar_head"]
    axis = (top - bottom) / np.linalg.norm(top - bottom)
    spin = rotation_about(axis, posture.forearm_rotation)
    rotation["radius"] = rotation["ulna"] @ spin
    # The radius turns about a line through the radial head, which stays where it is.
    origin["radius"] = elbow + (rotation["ulna"] @ (top - spin @ top)[..., None])[..., 0]
    return BodyPoses(
        rotation=rotation,
        origin=origin,
        forearm_axis=rotation["ulna"] @ axis,
        forearm_axis_point=elbow + rotation["ulna"] @ top,
    )
