"""Vocabulary of targets: quantities, directions and settings, each with its name in a table."""

from __future__ import annotations

from momentshare.directions import DIRECTIONS, ROWS

__all__ = ["CHOICES", "QUANTITIES", "QUANTITY_DIRECTIONS", "SETTINGS", "said"]

QUANTITIES: dict[str, str] = {
    "moment_arm": "moment arm",
    "peak_moment_arm": "greatest moment arm over the elbow's range",
    "mean_moment_arm": "mean moment arm over 20 to 120 deg of the elbow",
    "peak_moment_arm_abduction": "greatest moment arm over abduction",
    "mean_moment_arm_abduction": "mean moment arm over abduction",
    "elbow_excursion": "length change over the elbow's range, peak fibre lengths",
    "line_of_action": "component of the unit force on the arm",
    "line_direction": "distance from the published unit force",
    "rank": "place by moment arm",
    "strength": "greatest moment",
    "peak_angle": "elbow angle of the greatest moment",
    "passive_moment": "greatest passive moment over the working range",
    "torque_share": "share of the active moment",
    "fibre_length": "fibre length over peak fibre length",
    "fibre_range": "range of fibre length over rotation and abduction, peak fibre lengths",
    "active_factor": "active capacity over maximal force",
    "passive_factor": "passive force over maximal force",
    "pennation": "pennation",
    "path_length": "path length",
    "pcsa": "physiological cross-sectional area",
    "volume": "volume",
    "girdle": "angle of scapula or clavicle",
    "contact_force": "contact force over body weight",
    "contact_shear": "shear over compression at the glenoid",
    "contact_margin": "published greatest value less the limb's",
    "press_lateral_ratio": "lateral over vertical hand force, lift mean",
    "press_load": "greatest load",
    "press_weak_place": "distance of the weakest height from the nearer end, of the travel",
    "press_moment": "net joint moment, lift mean",
    "press_moment_ratio": "elbow over shoulder moment, lift mean",
    "press_activation": "activation",
    "press_travel": "vertical travel of the hands",
    "press_gravity_falls": "fall of the gravity-only moment arm at its least steep place",
    "press_gravity_least": "distance of the least gravity-only moment arm from the nearer end",
    "push_up_share": "share of body weight on the hands",
    "maximal_mean_speed": "mean speed of a maximal lift",
    "maximal_peak_speed": "greatest speed of a maximal lift",
    "maximal_duration": "duration of a maximal lift",
    "maximal_mean_power_place": "load of the greatest mean power, over the greatest load",
    "maximal_peak_power_place": "load of the greatest peak power, over the greatest load",
    "maximal_dip": "fall of the speed of a maximal lift on the way up",
    "maximal_no_dip": "a maximal lift whose speed never falls (less than 0: its fall)",
}
"""What a target may be about → its name in a table."""

_MOMENTS = frozenset(DIRECTIONS)
_ROWS = frozenset(ROWS)

QUANTITY_DIRECTIONS: dict[str, frozenset[str]] = {
    "moment_arm": _MOMENTS,
    "peak_moment_arm": _MOMENTS,
    "mean_moment_arm": _MOMENTS,
    "peak_moment_arm_abduction": _MOMENTS,
    "mean_moment_arm_abduction": _MOMENTS,
    "rank": _MOMENTS,
    "line_of_action": frozenset({"anterior", "superior", "lateral"}),
    "strength": _MOMENTS,
    "torque_share": _MOMENTS,
    "peak_angle": _MOMENTS,
    "passive_moment": _MOMENTS,
    "girdle": frozenset(
        {
            "scapula_internal",
            "scapula_upward",
            "scapula_posterior_tilt",
            "clavicle_retraction",
            "clavicle_elevation",
            "clavicle_backward",
        }
    ),
    "contact_margin": frozenset({"shear", "force"}),
    "press_moment": _ROWS,
    "press_gravity_falls": _ROWS,
    "press_gravity_least": _ROWS,
}
"""Quantity → directions that it may have; all others have none."""

SETTINGS: dict[str, str] = {
    "sex": "{}",
    "subject": "{}",
    "direction": "{}",
    "scapula": "girdle {}",
    "protraction_deg": "girdle protracted by {} deg",
    "plane_deg": "plane {} deg",
    "elevation_deg": "elevation {} deg",
    "axial_deg": "axial rotation {} deg",
    "elbow_flexion_deg": "elbow {} deg",
    "forearm_rotation_deg": "forearm {} deg",
    "speed_deg_s": "{} deg/s",
    "spacing": "{} × biacromial",
    "lateral": "lateral force {}",
    "ratio": "ratio {}",
    "implement": "{}",
    "exercise": "{} press",
    "bench_deg": "bench {} deg",
    "tuck_deg": "tuck {} deg",
    "body_mass_kg": "{} kg",
    "stature_m": "{} m",
    "training": "training factor {}",
    "load_kg": "load {} kg",
    "part_of_greatest": "{} of the greatest load",
    "region": "{}",
    "end": "{}",
    "among": "among {}",
    "under": "below {} of the maximal force",
    "over": "above {} of the maximal force",
    "bound": "published {}",
    "sweep": "over the {}",
    "to": "up to {} deg",
    "force_lateral": "lateral {}",
    "force_anterior": "anterior {}",
    "force_superior": "superior {}",
}
"""Name in a setting → words for it."""

CHOICES: dict[str, frozenset[str]] = {
    "sex": frozenset({"male", "female"}),
    "lateral": frozenset({"measured", "zero", "free"}),
    "implement": frozenset({"bar", "dumbbells"}),
    "exercise": frozenset({"bench", "overhead"}),
    "region": frozenset({"all", "first third", "middle third", "last third"}),
    "end": frozenset({"down", "up"}),
    "sweep": frozenset({"elevation"}),
}
"""Name in a setting → values that it may have; names of neither these nor heads are numbers."""

_VALUES = {"male": "men", "female": "women", "down": "chest down", "up": "arms straight"}


def said(parts: dict[str, str]) -> str:
    """Describe one side of a setting in words."""
    return ", ".join(
        SETTINGS[name].format(
            _VALUES.get(value, value.replace("+", ", ").replace("/", " ").replace("_", " "))
        )
        for name, value in parts.items()
    )


def unit_words(unit: str) -> str:
    """Write a unit as text does; a plain number has none.

    Examples
    --------
    >>> unit_words("N*m"), unit_words("cm2"), unit_words("1")
    ('N·m', 'cm²', '')
    """
    return "" if unit == "1" else unit.replace("*", "·").replace("2", "²").replace("3", "³")


AS_NAMED = "as named"
"""What a published row says of which only the sign is judged: its quantity has the direction, or
the sign, that the row names."""


def published_words(published: str) -> str:
    """Write the published value of a row as text does."""
    return AS_NAMED if published == "sense" else published
