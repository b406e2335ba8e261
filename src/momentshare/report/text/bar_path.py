"""The bar path of a press that does not state one, and how it is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.report.text.opening import listed
from momentshare.study.exercises import EXERCISES

if TYPE_CHECKING:
    from momentshare.exercise.lift import Lift
    from momentshare.runs import Case
    from momentshare.study import StudyResult

__all__ = ["default_path_sentences", "touch_point", "tuck_angle"]

_PATH = "touch_point_cm"
"""Field that only exercises with a bar path have."""


def tuck_angle(lift: Lift) -> np.ndarray:
    """Angle of the upper arm from the trunk [rad], 0 at the side, shape (frames,)."""
    return np.arccos(np.clip(lift.posture.humerus[:, 1, 1], -1.0, 1.0))


def touch_point(case: Case) -> float:
    """Distance of the hand from the shoulder joint towards the feet, along the trunk [m].

    At the lowest place; the joint is taken where it is with the arm hanging.
    """
    joint = case.prepared.limb.skeleton.joint_centre
    return float(joint[1] - case.prepared.lift.hand[0, 1])


def default_path_sentences(study: StudyResult) -> list[str]:
    """State which touch points and places at lock-out were assumed; none if all were given."""
    places = []
    lockout = False
    found: dict[str, list[Case]] = {}
    for case in study.cases:
        found.setdefault(case.condition, []).append(case)
    for condition in study.study.file.condition:
        given = condition.given()
        if _PATH not in EXERCISES[condition.exercise].fields or "tuck_deg" in given:
            continue
        lockout |= "lockout_over_shoulder_cm" not in given
        cases = found.get(condition.name, ())
        if _PATH in given or not cases:
            continue
        place = 100.0 * np.mean([touch_point(case) for case in cases])
        tuck = np.degrees(np.mean([tuck_angle(case.prepared.lift)[0] for case in cases]))
        beyond = " towards the head" if place <= -0.5 else ""
        places.append(f"'{condition.name}' {abs(place):.0f} cm{beyond}, tuck {tuck:.0f}°")
    texts = []
    if places:
        texts.append(
            "By default the bar or the dumbbells touch the chest, measured towards the feet from "
            f"the shoulder joint, at: {listed(places)}. That is halfway between a vertical forearm "
            f"(geometry) "
            "and the lower half of the sternum (common practice, no source); no measured touch "
            "points were found."
        )
    if lockout:
        texts.append(
            "By default the bar is over the shoulder joint at lock-out, on an incline too (common "
            "practice, no source)."
        )
    return texts
