"""What the library asks a limb for by name, and what of it a folder lacks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.model.schema import GIRDLE_ANGLES

if TYPE_CHECKING:
    from collections.abc import Collection

    from momentshare.model.folder import FolderReader
    from momentshare.model.schema import Head, LimbFile

__all__ = ["check_complete"]

_SCAPULA_ANGLES = ("internal", "upward", "anterior_tilt")
_CLAVICLE_ANGLES = ("protraction", "elevation", "axial")
_COURSE = ("rise", "reach", "with_protraction", "with_elevation")
_SITES = {"sternoclavicular_joint", "acromion_landmark", "radial_head", "ulnar_head"}
_MEASURES = {
    "stature",
    "body_mass",
    "biacromial_breadth",
    "chest_depth",
    "acromion_radiale_length",
    "radiale_stylion_length",
    "elbow_grip_length",
    "suprasternale_height",
}
_SOLID = (
    "mass_fraction",
    "centre_fraction",
    "radius_sagittal",
    "radius_transverse",
    "radius_longitudinal",
)
_LINE = ("mass_fraction", "centre_fraction", "length_fraction")
_INERTIA = {
    "upper_arm": _SOLID,
    "forearm": _SOLID,
    "hand": ("mass_fraction",),
    "head": _LINE,
    "trunk": _LINE,
    "thigh": _LINE,
    "shank": _LINE[:2],
    "foot": _LINE,
}
_QUANTITIES = {
    "reference_stature",
    "reference_biacromial_breadth",
    "reference_chest_depth",
    "reference_humerus_length",
    "reference_forearm_length",
    "reference_clavicle_length",
    "acromion_to_joint_centre",
    "radiale_below_elbow_axis",
    "olecranon_behind_elbow_axis",
    "joint_centre_lateral_fraction",
    "joint_centre_forward",
    "joint_centre_up",
    "acromioclavicular_joint_x",
    "acromioclavicular_joint_y",
    "acromioclavicular_joint_z",
    "girdle_setting_elevation",
    "specific_tension",
    "greatest_shortening_speed",
    "volume_size_exponent",
    "volume_athlete_over_student",
    "bar_radius",
    "bar_friction",
    "ground_friction",
    "hand_couple_female",
    "hand_couple_male",
    "chest_to_joint_fraction",
    "usual_touch_point",
    "limit_elbow_flexion_min",
    "limit_elbow_flexion_max",
    "limit_elevation_max",
    "limit_glenohumeral_elevation_max",
    "limit_glenohumeral_plane_min",
    "limit_glenohumeral_plane_min_raised",
    "limit_plane_narrows_from",
    "limit_plane_max",
    "limit_plane_max_raised",
    "limit_axial_min",
    "limit_axial_min_hanging",
    "limit_axial_max",
    "limit_axial_max_hanging",
    "limit_axial_max_raised",
    "limit_forearm_rotation_min",
    "limit_forearm_rotation_max",
    "limit_wrist_ulnar",
    "limit_wrist_radial",
    "limit_wrist_flexion",
    "limit_wrist_extension",
    "grip_oblique_max",
    "push_up_share_down_male",
    "push_up_share_up_male",
    "push_up_share_down_female",
    "push_up_share_up_female",
    "ankle_height_fraction",
    "heel_behind_ankle_fraction",
    "ball_before_ankle_fraction",
    "glenoid_retroversion",
    "glenoid_inclination",
    "stability_superior",
    "stability_inferior",
    "stability_anterior",
    "stability_posterior",
}
"""Quantities that the library asks a model for by name."""


def check_complete(
    reader: FolderReader,
    limb: LimbFile | None,
    heads: Collection[Head],
    *,
    quantities: Collection[str],
    sites: Collection[str],
    fits: Collection[tuple[str, str]],
    inertia: Collection[tuple[str, str, str]],
) -> None:
    """Name everything the library will ask a model for and that is not there.

    A row that was refused is not also missing.
    """
    wanted = {*_QUANTITIES, *(f"strength_{head.group}" for head in heads)}
    by_group = ("volume_women_over_men", "training_exponent")
    wanted |= {f"{name}_{head.group}" for name in by_group for head in heads}
    if limb is not None:
        wanted |= _of_scapula(reader, limb)
    for name in sorted(wanted - set(quantities)):
        if not reader.may_hold("quantities.csv", quantity=name):
            reader.fault("quantities.csv", f"quantity {name!r} is missing; add a row")
    for name in sorted(_SITES - set(sites)):
        if not reader.may_hold("sites.csv", site=name):
            reader.fault("sites.csv", f"site {name!r} is missing; add a row")
    for sex in ("female", "male"):
        _of_sex(reader, sex, fits, inertia)


def _of_scapula(reader: FolderReader, limb: LimbFile) -> set[str]:
    """Quantities of the scapula's policies; a policy that is not listed is a fault."""
    policies = limb.scapula.policies
    wanted = {f"scapula_{p}_{a}" for p in policies for a in _SCAPULA_ANGLES}
    wanted |= {f"clavicle_{p}_{a}" for p in policies for a in _CLAVICLE_ANGLES}
    if limb.scapula.moving:
        wanted |= {f"girdle_{a}_{kind}" for a in GIRDLE_ANGLES for kind in _COURSE}
    named = [(f, getattr(limb.scapula, f)) for f in ("default", "reference")]
    for field, policy in (*named, *(("moving", name) for name in limb.scapula.moving)):
        if policy not in policies:
            reader.fault(
                "limb.toml",
                f"field 'scapula.{field}': {policy!r} is not among the policies {policies}",
            )
    return wanted


def _of_sex(
    reader: FolderReader,
    sex: str,
    fits: Collection[tuple[str, str]],
    inertia: Collection[tuple[str, str, str]],
) -> None:
    for measure in sorted(_MEASURES):
        known = (sex, measure) in fits or reader.may_hold(
            "anthropometry.csv", sex=sex, measure=measure
        )
        if not known:
            reader.fault("anthropometry.csv", f"{measure!r} of sex {sex!r} is missing; add a row")
    for segment, needed in _INERTIA.items():
        for quantity in needed:
            known = (sex, segment, quantity) in inertia or reader.may_hold(
                "inertia.csv", sex=sex, segment=segment, quantity=quantity
            )
            if not known:
                reader.fault(
                    "inertia.csv",
                    f"{quantity!r} of {segment!r}, sex {sex!r}, is missing; add a row",
                )
