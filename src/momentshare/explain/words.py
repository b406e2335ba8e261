"""The explanation in plain words; every verb follows the sign of the number beside it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, direction_of
from momentshare.explain.counterfactual import NO_JOINT
from momentshare.explain.drive import joint_of
from momentshare.explain.glenoid import GLENOID
from momentshare.sharing import Status

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.explain.counterfactual import Counterfactuals
    from momentshare.explain.drive import HeadExplanation

__all__ = [
    "along_text",
    "capacity_text",
    "case_label",
    "case_text",
    "comparison_text",
    "drive_text",
    "explanation_text",
    "facet_words",
    "head_words",
    "moments_text",
    "sign_runs",
    "sign_text",
]

NOTHING = 5e-4
"""Parts and changes of activation below this print as 0.000 and are called nothing."""

_SHOWN_CHANGES = 3
"""Other heads named in a sentence, those with the greatest change."""


def head_words(head: str) -> str:
    """Spell out ``muscle/head_part`` as "muscle, head part"."""
    return head.replace("/", ", ").replace("_", " ")


def _direction(row: str, sign: float, *, alone: bool = True) -> str:
    """Name the direction of a signed moment; not ``alone`` where the joint has been named."""
    if row in ROWS:
        found = direction_of(row, sign)
        return found.words if alone else found.noun
    plain = row.replace("_", " ")  # a row of a problem that is not of this limb
    return plain if sign >= 0.0 else f"the opposite of {plain}"


def _signed(value: float) -> str:
    return f"{value:+.3f}" if abs(value) < 100.0 else f"{value:+.3g}"


def _verb(value: float, positive: str, negative: str, none: str) -> str:
    if abs(value) < NOTHING:
        return none
    return positive if value > 0.0 else negative


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:.0f} %"


def case_label(case: str, twin_of: Mapping[str, str] | None = None) -> str:
    """Name of a counterfactual in words."""
    kept = (twin_of or {}).get(case)
    if case.startswith("no_arm_"):
        twin = f" (one-joint twin, {kept} only)" if kept else ""
        if kept == NO_JOINT:
            twin = " (it then acts on no joint)"
        return f"no arm at the {case.removeprefix('no_arm_')}{twin}"
    if case.startswith("only_"):
        return f"one-joint twin, {case.removeprefix('only_')} only"
    return {
        "as_it_is": "as it is",
        "best_length": "at peak fibre length",
        "twice_the_area": "twice the area",
        "removed": "head removed",
    }.get(case, case.replace("_", " "))


def capacity_text(found: HeadExplanation) -> str:
    """Say how the capacity here comes about."""
    f = found.factors
    if f.slack:
        return (
            f"Capacity here: none. The path of {head_words(found.head)} is no longer than its "
            "tendon, so it cannot pull."
        )
    moving = "held still"
    if f.fibre_velocity < 0.0:
        moving = f"shortening at {_percent(-f.fibre_velocity)} of its greatest speed"
    elif f.fibre_velocity > 0.0:
        moving = f"lengthening at {_percent(f.fibre_velocity)} of its greatest speed"
    return (
        f"Capacity here: {1e6 * f.volume:.0f} cm³ over a fibre of "
        f"{100.0 * f.peak_fibre_length:.1f} cm is {1e4 * f.area:.1f} cm²; times "
        f"{1e-4 * f.specific_tension:.1f} N/cm² and a strength factor of {f.strength_factor:.2f} "
        f"gives {f.greatest_isometric_force:.0f} N at best. Its fibres stand at "
        f"{f.fibre_length:.2f} of their peak fibre length (factor {f.length_factor:.3f}), are "
        f"{moving} (factor {f.velocity_factor:.3f}) and lie at an angle (factor "
        f"{f.cosine:.3f}): {f.capacity:.0f} N are left, and {f.passive_force:.0f} N passive "
        "come on top."
    )


def drive_text(found: HeadExplanation) -> str:
    """Say what each joint adds to or takes from the drive, and which bound clips it."""
    split = found.split
    lines = []
    for joint, value in split.by_joint().items():
        verb = _verb(value, "adds", "takes", "gives next to nothing:")
        if joint == GLENOID:
            lines.append(_glenoid_line(found, value, verb))
            continue
        reasons = [
            _row_reason(row, float(arm), float(price), float(part))
            for row, arm, price, part in zip(
                split.row_names, split.moment_arm, split.multiplier, split.part, strict=True
            )
            if joint_of(row) == joint and arm != 0.0
        ]
        if not reasons:
            lines.append(f"The {joint} gives nothing: the head has no arm there.")
            continue
        lines.append(f"The {joint} {verb} {_signed(value)}: {'; '.join(reasons)}.")
    return " ".join([*lines, _sum_text(found)])


def _glenoid_line(found: HeadExplanation, value: float, verb: str) -> str:
    """Say what the limit of the glenoid adds to or takes from the drive."""
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
            f"on the {facet_words(split.facet_names[k])} a newton of it shifts the contact force "
            f"by {abs(slope):.3f} N {effect} (price {price:.5f} per N; "
            f"{_signed(float(split.facet_part[k]))})"
        )
    return f"The limit of the glenoid {verb} {_signed(value)}: {'; '.join(reasons)}."


def facet_words(name: str) -> str:
    """Spell out a facet of the limit of the glenoid.

    Examples
    --------
    >>> facet_words("glenoid_posterior_superior_2")
    'posterior-superior side (facet 2)'
    """
    word, _, number = name.removeprefix(f"{GLENOID}_").partition("_")
    rest, _, last = number.rpartition("_") if number[-1:].isdigit() else (number, "", "")
    whole = "-".join(part for part in (word, rest) if part)
    return f"{whole} side" + (f" (facet {last})" if last else "")


def _row_reason(row: str, arm: float, price: float, part: float) -> str:
    towards = _direction(row, arm, alone=False)
    worth = arm * price
    if worth == 0.0:
        effect = "that costs and saves nothing here"
    elif worth > 0.0:
        effect = "where more of that moment saves effort"
    else:
        effect = "where more of that moment costs effort, because others must undo it"
    return (
        f"its arm of {1000.0 * abs(arm):.1f} mm pulls towards {towards}, {effect} "
        f"(multiplier {price:+.4f} per N·m; {_signed(part)})"
    )


def _sum_text(found: HeadExplanation) -> str:
    split = found.split
    p = split.exponent
    total, active = split.total, split.activation
    if math.isinf(p):
        level = "rests" if active <= 0.0 else f"works at {active:.3f}"
        return (
            f"The parts sum to {_signed(total)}, its part in the price of the greatest level "
            f"(all heads together: 1). Under min–max a head with a positive sum works at the "
            f"greatest level, one with a negative sum rests and one whose parts cancel may lie "
            f"anywhere between; it {level}."
        )
    if p == 2.0:
        text = f"The parts sum to {_signed(total)}, its activation before the bounds"
    else:
        text = (
            f"The parts sum to {_signed(total)}; that is activation to the power {p - 1.0:g}, so "
            f"the activation before the bounds is {_signed(split.before_bounds)}"
        )
    if split.bound == "zero":
        return f"{text}. A muscle cannot push, so the bound at 0 holds it: it rests."
    if split.bound == "one":
        return f"{text}. Activation cannot exceed 1: the bound at 1 holds it at {active:.3f}."
    return (
        f"{text}; no bound is met, so it works at {active:.3f}, with {found.force:.0f} N, passive "
        "force included."
    )


def moments_text(found: HeadExplanation) -> str:
    """Say what part of each joint moment the head supplies."""
    parts = []
    for item in found.moments:
        if item.moment == 0.0:
            continue
        own, net = (
            f"{_direction(item.row, value)} {abs(value):.1f}"
            for value in (item.moment, item.net_moment)
        )
        if math.isnan(item.share):
            parts.append(f"{own} N·m (in all {net} N·m)")
        elif item.share < 0.0:
            parts.append(f"{own} N·m against {net} N·m ({_percent(item.share)})")
        else:
            parts.append(f"{own} of {abs(item.net_moment):.1f} N·m ({_percent(item.share)})")
    if not parts:
        return "It supplies no joint moment here."
    return "Of the net joint moments it supplies: " + "; ".join(parts) + "."


def case_text(changes: Counterfactuals, case: str) -> str:
    """Say what one counterfactual changes, in the head and in the others."""
    k = changes.place(case)
    head = changes.index
    before, after = changes.sharing.activation[0], changes.sharing.activation[k]
    force = changes.sharing.force[:, head]
    difference = changes.activation_change(case)
    label = case_label(case, changes.twin_of)
    text = f"{label[0].upper()}{label[1:]}: "
    if case != "removed":
        verb = _verb(difference[head], "rises", "falls", "")
        path = f"stays at {before[head]:.3f}"
        if verb:
            path = f"{verb} from {before[head]:.3f} to {after[head]:.3f}"
        text += f"it {path} ({force[0]:.0f} to {force[k]:.0f} N); "
    others = [
        i for i in np.argsort(-np.abs(difference)) if i != head and abs(difference[i]) >= NOTHING
    ][:_SHOWN_CHANGES]
    if others:
        names = changes.problems[0].head_names
        text += "of the others most: " + ", ".join(
            f"{head_words(names[i])} {_signed(float(difference[i]))}"
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
        text += f"; lateral force {changes.lateral_force(changes.cases[0]):+.0f} to {push:+.0f} N"
    text += _unmet_text(changes, k)
    return text + "."


def _removal_word(change: float) -> str:
    """Say what a head does to another that changes by this much when it is taken away."""
    return " (spared by this head)" if change > 0.0 else " (it works to make up for this head)"


def _unmet_text(changes: Counterfactuals, k: int) -> str:
    if changes.sharing.status[k] != Status.SHORTFALL:
        return ""
    unmet = changes.sharing.unmet[k]
    worst = int(np.argmax(np.abs(unmet)))
    short_of = _direction(changes.problems[0].row_names[worst], float(unmet[worst]))
    return f"; the moment cannot be met, {short_of} falls short by {abs(unmet[worst]):.1f} N·m"


def comparison_text(
    found: HeadExplanation,
    changes: Counterfactuals,
    other: HeadExplanation,
) -> str:
    """Say why one head contributes less or more than another, from the numbers of both."""
    me, you = head_words(found.head), head_words(other.head)
    a, b = found.split, other.split
    gap = a.activation - b.activation
    more = _verb(gap, "higher than", "lower than", "level with")
    force = "more" if found.force > other.force else "less"
    lines = [
        (
            f"{_capital(me)} works at {a.activation:.3f}, {more} {you} at {b.activation:.3f}; it "
            f"gives {force} force, {found.force:.0f} against {other.force:.0f} N."
        )
    ]
    mine, yours = a.by_joint(), b.by_joint()
    differences = {joint: mine[joint] - yours[joint] for joint in mine}
    top = max(differences, key=lambda joint: abs(differences[joint]))
    lines.append(
        "Sum of the parts, first less second: "
        + ", ".join(f"{joint} {_signed(value)}" for joint, value in differences.items())
        + f", together {_signed(a.total - b.total)}; the {top} makes the greater part of it."
    )
    lines.extend(_ratio_lines(found, other))
    crossed = found.problem.crosses(found.index)
    extra = [j for j in crossed if j not in other.problem.crosses(other.index)]
    for joint in extra:
        case = f"no_arm_{joint}"
        if case in changes.cases:
            lines.append(_coupling_line(found, changes, other, joint))
    return " ".join(lines)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _ratio_lines(found: HeadExplanation, other: HeadExplanation) -> list[str]:
    """Ratio of the sums as a product: capacity, common joint, and what the rest adds to it."""
    a, b = found.split, other.split
    if a.total <= 0.0 or b.total <= 0.0:
        return []
    mine, yours = a.by_joint(), b.by_joint()
    common = [j for j in mine if mine[j] > 0.0 and yours[j] > 0.0]
    if not common:
        return []
    joint = max(common, key=lambda j: mine[j])
    size = found.factors.capacity / other.factors.capacity * (b.weight / a.weight)
    level = mine[joint] / yours[joint] / size
    rest = (a.total / mine[joint]) / (b.total / yours[joint])
    by_size = "capacity here" if a.weight == b.weight else "capacity here over weight"
    effect = "raises" if rest > 1.0 else "lowers"
    if abs(rest - 1.0) < NOTHING:
        effect = "leaves"
    return [
        (
            f"Its sum is {a.total / b.total:.2f} times the other's: {size:.2f} by {by_size}, "
            f"{level:.2f} by the arm at the {joint}, and {rest:.2f} by what the other joints do, "
            f"which {effect} it."
        )
    ]


def _coupling_line(
    found: HeadExplanation, changes: Counterfactuals, other: HeadExplanation, joint: str
) -> str:
    case = f"no_arm_{joint}"
    k = changes.place(case)
    now = float(changes.sharing.activation[0, found.index])
    then = float(changes.sharing.activation[k, found.index])
    theirs = changes.sharing.activation[:, other.index]
    effect = now - then
    part = found.split.by_joint()[joint]
    verdict = _verb(
        effect,
        "so its arm there makes it contribute more",
        "so its arm there makes it contribute less",
        "so its arm there changes nothing",
    )
    line = (
        f"{_capital(head_words(found.head))} also crosses the {joint}; solved anew without that "
        f"arm it would work at {then:.3f} in place of {now:.3f} "
        f"({head_words(other.head)}: {theirs[k]:.3f} in place of {theirs[0]:.3f}), {verdict}."
    )
    if abs(effect) >= NOTHING and abs(part) >= NOTHING:
        if (effect > 0.0) == (part > 0.0):
            line += f" The split says the same: the {joint} part is {_signed(part)}."
        else:
            line += (
                f" The split alone, {_signed(part)} at the {joint}, points the other way: with "
                "the arm gone the multipliers settle elsewhere, which outweighs the part."
            )
    return line


def sign_runs(fraction: Sequence[float], values: Sequence[float]) -> list[tuple[int, float, float]]:
    """Find runs of equal sign along a lift: sign, first and last height fraction.

    Examples
    --------
    >>> sign_runs([0.0, 0.5, 1.0], [-0.2, -0.1, 0.3])
    [(-1, 0.0, 0.5), (1, 1.0, 1.0)]
    """
    runs: list[tuple[int, float, float]] = []
    for at, value in zip(fraction, values, strict=True):
        if not math.isfinite(value):
            continue
        sign = _sign(value)
        if runs and runs[-1][0] == sign:
            runs[-1] = (sign, runs[-1][1], at)
        else:
            runs.append((sign, at, at))
    return runs


def _runs_text(
    fraction: Sequence[float], values: Sequence[float], words: tuple[str, str, str]
) -> str:
    """Say the runs in words; ``words`` for positive, negative and nothing."""
    parts = []
    for sign, first, last in sign_runs(fraction, values):
        word = {1: words[0], -1: words[1], 0: words[2]}[sign]
        if first == last:
            parts.append(f"{word} at {_percent(first)}")
        else:
            parts.append(f"{word} from {100.0 * first:.0f} to {_percent(last)}")
    return ", ".join(parts) if parts else "no frame can be reached"


def along_text(
    head: str,
    alongs: Mapping[str, pd.DataFrame],
    against: str | None = None,
    others: Mapping[str, pd.DataFrame] | None = None,
) -> str:
    """Say along the whole lift, for each treatment of the lateral force, when signs change.

    Parameters
    ----------
    head : str
    alongs : mapping
        Treatment of the lateral force → table of :func:`explain_along`.
    against : str, optional
        A second head.
    others : mapping, optional
        Its tables.
    """
    lines = []
    for mode, table in alongs.items():
        fraction = list(table["height_fraction"])
        joints = [
            name.removeprefix("part_")
            for name in table.columns
            if name.startswith("part_") and "_" not in name.removeprefix("part_")
        ]
        said = []
        for joint in joints:
            values = table[f"part_{joint}"]
            if (values.abs().max() or 0.0) < NOTHING:
                continue
            runs = _runs_text(fraction, list(values), ("adds", "takes", "gives nothing"))
            said.append(f"the {joint} {runs}")
        if not said:
            said.append("no joint drives it")
        text = f"Lateral force {mode}: " + "; ".join(said) + "."
        if against is not None and others is not None:
            gap = table["activation"] - others[mode]["activation"]
            runs = _runs_text(fraction, list(gap), ("higher", "lower", "level"))
            text += f" Activation of {head_words(head)} against {head_words(against)}: {runs}."
        lines.append(text)
    return f"Along the lift, {head_words(head)}. " + " ".join(lines)


def sign_text(head: str, alongs: Mapping[str, pd.DataFrame], frame: int) -> str:
    """Say whether what a joint does depends on bar height and on the lateral force.

    Parameters
    ----------
    head : str
    alongs : mapping
        Treatment of the lateral force → table of :func:`explain_along`.
    frame : int
        Frame at which the treatments are set side by side.
    """
    first = next(iter(alongs.values()))
    lines = []
    for name in first.columns:
        joint = name.removeprefix("part_")
        if joint == name or "_" in joint:
            continue
        here = {mode: float(table[name].iloc[frame]) for mode, table in alongs.items()}
        if all(_sign(value) == 0 for table in alongs.values() for value in table[name].dropna()):
            continue
        values = ", ".join(f"{mode} {_signed(value)}" for mode, value in here.items())
        text = f"Part of the {joint} at this height by lateral force: {values}"
        if len(here) > 1:
            kinds = {_sign(value) for value in here.values()}
            text += "; its sign " + (
                "depends on the lateral force here" if len(kinds) > 1
                else "is the same for all of them here"
            )  # fmt: skip
        turning = [
            mode
            for mode, table in alongs.items()
            if len({_sign(value) for value in table[name].dropna()} - {0}) > 1
        ]
        text += ". " + (
            f"Its sign changes with bar height (lateral force {', '.join(turning)})."
            if turning
            else "Its sign does not change with bar height."
        )
        lines.append(text)
    return f"What decides the sign for {head_words(head)}. " + " ".join(lines) if lines else ""


def _sign(value: float) -> int:
    return 0 if abs(value) < NOTHING else int(math.copysign(1, value))


def explanation_text(
    found: HeadExplanation,
    changes: Counterfactuals,
    *,
    title: str = "",
    note: str = "",
    other: HeadExplanation | None = None,
    other_changes: Counterfactuals | None = None,
    alongs: Mapping[str, pd.DataFrame] | None = None,
    other_alongs: Mapping[str, pd.DataFrame] | None = None,
) -> tuple[str, ...]:
    """Explain in paragraphs.

    Parameters
    ----------
    found : HeadExplanation
    changes : Counterfactuals
        Of the same head and frame.
    title : str
        Who and what, for the first line.
    note : str
        Why this height, for the first line.
    other : HeadExplanation, optional
        A second head of the same frame, set beside the first.
    other_changes : Counterfactuals, optional
        Counterfactuals of the second head.
    alongs, other_alongs : mapping, optional
        Treatment of the lateral force → table of :func:`explain_along`, for each head.

    Returns
    -------
    tuple of str
        One paragraph each.

    Examples
    --------
    >>> from momentshare import (
    ...     counterfactuals, explain_head, explanation_text, frame_problem, run_study
    ... )
    >>> from momentshare.demo import small_study
    >>> lift = run_study(small_study(), band=False).cases[0].results[0]
    >>> found = explain_head(lift, "triceps_brachii/lateral", frame=2)
    >>> changes = counterfactuals(frame_problem(lift, 2), "triceps_brachii/lateral")
    >>> text = explanation_text(found, changes, title="Ada, narrow")
    >>> len(text) > 3, all(isinstance(paragraph, str) for paragraph in text)
    (True, True)
    """
    place = (
        f"at {_percent(found.height_fraction)} of the bar height (frame {found.frame}), "
        f"lateral force {found.lateral_mode} ({found.lateral_force:+.0f} N, ratio "
        f"{found.lateral_ratio:+.2f})"
    )
    if note:
        place = f"{place}; {note}"
    out = [f"{title + ', ' if title else ''}{head_words(found.head)} {place}."]
    status = Status(int(found.sharing.status))
    if status == Status.SHORTFALL:
        out.append(
            "The moment cannot be met here; multipliers and parts are those of the answer that "
            "comes nearest, and their size then says little."
        )
    elif status != Status.SOLVED:
        out.append(f"This frame is {status.name.lower()}: {status.meaning}.")
    out += [capacity_text(found), drive_text(found), moments_text(found)]
    if other is not None:
        out += [
            f"Beside it, {head_words(other.head)}. {capacity_text(other)}",
            drive_text(other),
            comparison_text(found, changes, other),
        ]
        if other_changes is not None:
            for joint in other.problem.crosses(other.index):
                if joint not in found.problem.crosses(found.index):
                    out.append(_coupling_line(other, other_changes, found, joint))
    out += [case_text(changes, case) for case in changes.cases[1:]]
    if alongs is not None:
        out.append(along_text(found.head, alongs, other.head if other else None, other_alongs))
        out.append(sign_text(found.head, alongs, found.frame))
        if other is not None and other_alongs is not None:
            out.append(along_text(other.head, other_alongs))
            out.append(sign_text(other.head, other_alongs, other.frame))
    return tuple(text for text in out if text)
