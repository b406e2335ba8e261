"""Sentences on one head at one frame: capacity, drive, moments, what a change does."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explain.glenoid import GLENOID
from momentshare.explain.phrases import (
    NOTHING,
    capital,
    case_label,
    direction,
    facet_phrase,
    percent,
    signed,
    verb_for,
)
from momentshare.explain.problem import (
    row_joint,
)
from momentshare.sharing import Status
from momentshare.text import head_phrase, signed_number

if TYPE_CHECKING:
    from momentshare.explain.counterfactual import Counterfactuals
    from momentshare.explain.head import HeadExplanation

__all__ = [
    "bound_text",
    "capacity_text",
    "case_text",
    "drive_text",
    "fibre_text",
    "moments_text",
]

_SHOWN_CHANGES = 3
"""Number of other heads named in a sentence, those with the greatest change."""


def capacity_text(found: HeadExplanation) -> str:
    """State the factors of the capacity here."""
    f = found.factors
    if f.slack:
        return (
            f"Capacity here: none. The path of {head_phrase(found.head)} is no longer than its "
            "tendon, so it cannot pull."
        )
    return (
        f"Capacity here: of {f.greatest_isometric_force:.0f} N at best {f.capacity:.0f} N remain, "
        f"because its fibres are at {f.fibre_length:.2f} of their peak fibre length (factor "
        f"{f.length_factor:.3f}), are {_moving(f.fibre_velocity)} (factor "
        f"{f.velocity_factor:.3f}) and lie at an angle (factor {f.cosine:.3f}); "
        f"the passive force adds {f.passive_force:.0f} N."
    )


def _moving(velocity: float) -> str:
    """Say how fibres move at a share of their greatest speed, shortening negative."""
    if velocity < 0.0:
        return f"shortening at {percent(-velocity)} of its greatest speed"
    if velocity > 0.0:
        return f"lengthening at {percent(velocity)} of its greatest speed"
    return "held still"


def fibre_text(found: HeadExplanation) -> str:
    """State what is behind the capacity here, beside the sum that has its factors."""
    f = found.factors
    if f.slack:
        return capacity_text(found)
    return (
        f"{f.capacity:.0f} of {f.greatest_isometric_force:.0f} N remain of its force at best: its "
        f"fibres are at {f.fibre_length:.2f} of their peak fibre length and "
        f"{_moving(f.fibre_velocity)}; the passive force adds {f.passive_force:.0f} N."
    )


def bound_text(found: HeadExplanation) -> str:
    """State which bound holds a head, or how min–max reads, beside a table of its drive."""
    split = found.split
    if split.bound in {"zero", "one"} or math.isinf(split.exponent):
        return _sum_text(found)
    return ""


def drive_text(found: HeadExplanation) -> str:
    """State what each joint adds to or subtracts from the drive, and which bound clips it."""
    split = found.split
    lines = []
    for joint, value in split.by_joint().items():
        effect = _effect(value, split.exponent)
        if joint == GLENOID:
            lines.append(_glenoid_line(found, effect))
            continue
        reasons = [
            _row_reason(row, float(arm), float(price), float(part))
            for row, arm, price, part in zip(
                split.row_names, split.moment_arm, split.multiplier, split.part, strict=True
            )
            if row_joint(row) == joint and arm != 0.0
        ]
        if not reasons:
            lines.append(f"The {joint} contributes nothing: the head has no moment arm there.")
            continue
        lines.append(f"The {joint} {effect}: {'; '.join(reasons)}.")
    return " ".join([*lines, _sum_text(found)])


def _effect(value: float, exponent: float) -> str:
    """State how much a joint adds or takes, and of what."""
    change = verb_for(value, "adds {} to", "takes {} from", "gives next to nothing")
    whole = "activation" if exponent == 2.0 else "drive"
    return f"{change.format(f'{abs(value):.3f}')} its {whole}" if "{" in change else change


def _glenoid_line(found: HeadExplanation, total: str) -> str:
    """State what the limit of the glenoid adds to or subtracts from the drive."""
    split = found.split
    if not split.facets:
        return "The limit of the glenoid costs nothing here."
    reasons = []
    for k in split.facets:
        slope, price = float(split.slope[k]), float(split.price[k])
        effect = (
            "towards it, which costs effort" if slope > 0.0 else "away from it, which saves effort"
        )
        reasons.append(
            f"on the {facet_phrase(split.facet_names[k])} a newton of it shifts the contact force "
            f"by {abs(slope):.3f} N {effect} (price {price:.5f} per N; "
            f"{signed(float(split.facet_part[k]))})"
        )
    return f"The limit of the glenoid {total}: {'; '.join(reasons)}."


def _row_reason(row: str, arm: float, price: float, part: float) -> str:
    towards = direction(row, arm, alone=False)
    worth = arm * price
    if worth == 0.0:
        effect = "that costs and saves nothing here"
    elif worth > 0.0:
        effect = "where more of that moment saves effort"
    else:
        effect = "where more of that moment costs effort, because others must undo it"
    return (
        f"through a moment arm of {abs(arm):.4f} m the head pulls towards {towards}, "
        f"{effect} (multiplier {signed_number(price, 4)} per N·m; {signed(part)})"
    )


def _sum_text(found: HeadExplanation) -> str:
    split = found.split
    p = split.exponent
    total, active = split.total, split.activation
    if math.isinf(p):
        level = "rests" if active <= 0.0 else f"works at {active:.3f}"
        return (
            f"The parts sum to {signed(total)}, its part in the price of the greatest level "
            f"(all heads together: 1). Under min–max a head with a positive sum works at the "
            f"greatest level, one with a negative sum rests and one whose parts cancel may lie "
            f"anywhere between; it {level}."
        )
    if p == 2.0:
        text = f"The parts sum to {signed(total)}, its activation before the bounds"
    else:
        text = (
            f"The parts sum to {signed(total)}; that is activation to the power {p - 1.0:g}, so "
            f"the activation before the bounds is {signed(split.before_bounds)}"
        )
    if split.bound == "zero":
        return f"{text}. A muscle cannot push, so the bound at 0 holds it: it rests."
    if split.bound == "one":
        return f"{text}. Activation cannot exceed 1: the bound at 1 holds it at {active:.3f}."
    return (
        f"{text}; no bound applies, so it works at {active:.3f}, with {found.force:.0f} N, passive "
        "force included."
    )


def moments_text(found: HeadExplanation) -> str:
    """State the part of each joint moment that the head supplies."""
    parts = []
    for item in found.moments:
        if item.moment == 0.0:
            continue
        own, net = (
            f"{direction(item.row, value)} {abs(value):.1f}"
            for value in (item.moment, item.net_moment)
        )
        if math.isnan(item.share):
            parts.append(f"{own} N·m (in all {net} N·m)")
        elif item.share < 0.0:
            parts.append(f"{own} N·m against the {net} N·m that are asked for")
        else:
            parts.append(f"{own} of {abs(item.net_moment):.1f} N·m ({percent(item.share)})")
    if not parts:
        return "It supplies no joint moment here."
    return "Of the net joint moments it supplies: " + "; ".join(parts) + "."


def case_text(changes: Counterfactuals, case: str) -> str:
    """State what one counterfactual changes, in the head and in the others."""
    k = changes.place(case)
    head = changes.index
    before, after = changes.sharing.activation[0], changes.sharing.activation[k]
    force = changes.sharing.force[:, head]
    difference = changes.activation_change(case)
    label = case_label(case, changes.twin_of)
    text = f"{capital(label)}: "
    if case != "removed":
        verb = verb_for(difference[head], "rises", "falls", "")
        path = f"stays at {before[head]:.3f}"
        if verb:
            path = f"{verb} from {before[head]:.3f} to {after[head]:.3f}"
        text += f"it {path} ({force[0]:.0f} to {force[k]:.0f} N); "
    others = [
        i for i in np.argsort(-np.abs(difference)) if i != head and abs(difference[i]) >= NOTHING
    ][:_SHOWN_CHANGES]
    if others:
        names = changes.problems[0].head_names
        text += "of the others, these change most: " + ", ".join(
            f"{head_phrase(names[i])} {signed(float(difference[i]))}"
            + (_removal_word(float(difference[i])) if case == "removed" else "")
            for i in others
        )
    else:
        text += "the others stay as they are"
    was, now = float(changes.effort[0]), float(changes.effort[k])
    text += f"; total effort {was:.3f} to {now:.3f}"
    if case == "removed" and math.isfinite(changes.sharing.exponent):
        own = float(changes.problems[0].weights[head] * before[head] ** changes.sharing.exponent)
        text += f", that of the others alone {was - own:.3f} to {now:.3f}"
    push = changes.lateral_force(case)
    if not math.isnan(push):
        ends = (changes.lateral_force(changes.cases[0]), push)
        text += f"; lateral force {' to '.join(signed_number(v, 0) for v in ends)} N"
    text += _unmet_text(changes, k)
    return text + "."


def _removal_word(change: float) -> str:
    """State the effect of a head on another that changes by this much when it is removed."""
    return " (spared by this head)" if change > 0.0 else " (it works to make up for this head)"


def _unmet_text(changes: Counterfactuals, k: int) -> str:
    if changes.sharing.status[k] != Status.SHORTFALL:
        return ""
    unmet = changes.sharing.unmet[k]
    worst = int(np.argmax(np.abs(unmet)))
    short_of = direction(changes.problems[0].row_names[worst], float(unmet[worst]))
    return f"; the moment cannot be met, {short_of} falls short by {abs(unmet[worst]):.1f} N·m"
