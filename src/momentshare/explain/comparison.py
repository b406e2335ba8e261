"""Why one head contributes less or more than another, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.explain.phrases import NOTHING, capital, signed, verb_for
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from momentshare.explain.counterfactual import Counterfactuals
    from momentshare.explain.head import HeadExplanation

__all__ = ["comparison_text", "coupling_text"]


def comparison_text(
    found: HeadExplanation,
    changes: Counterfactuals,
    other: HeadExplanation,
) -> str:
    """State why one head contributes less or more than another, from the numbers of both."""
    me, you = head_phrase(found.head), head_phrase(other.head)
    a, b = found.split, other.split
    gap = a.activation - b.activation
    more = verb_for(gap, "higher than", "lower than", "level with")
    force = "more" if found.force > other.force else "less"
    lines = [
        (
            f"{capital(me)} works at {a.activation:.3f}, {more} {you} at {b.activation:.3f}; it "
            f"gives {force} force, {found.force:.0f} against {other.force:.0f} N."
        )
    ]
    mine, yours = a.by_joint(), b.by_joint()
    differences = {joint: mine[joint] - yours[joint] for joint in mine}
    top = max(differences, key=lambda joint: abs(differences[joint]))
    lines.append(
        "Sum of the parts, first minus second: "
        + ", ".join(f"{joint} {signed(value)}" for joint, value in differences.items())
        + f", together {signed(a.total - b.total)}; the {top} accounts for most of it."
    )
    lines.extend(_ratio_lines(found, other))
    crossed = found.problem.crosses(found.index)
    extra = [j for j in crossed if j not in other.problem.crosses(other.index)]
    for joint in extra:
        case = f"no_arm_{joint}"
        if case in changes.cases:
            lines.append(coupling_text(found, changes, other, joint))
    return " ".join(lines)


def _ratio_lines(found: HeadExplanation, other: HeadExplanation) -> list[str]:
    """Ratio of the sums as a product: capacity, common joint, and the effect of everything else."""
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
            f"{level:.2f} by the moment arm at the {joint}, and {rest:.2f} by what the other "
            f"joints do, which {effect} it."
        )
    ]


def coupling_text(
    found: HeadExplanation, changes: Counterfactuals, other: HeadExplanation, joint: str
) -> str:
    """State the effect of a head's arm at a joint that the other head does not cross."""
    case = f"no_arm_{joint}"
    k = changes.place(case)
    now = float(changes.sharing.activation[0, found.index])
    then = float(changes.sharing.activation[k, found.index])
    theirs = changes.sharing.activation[:, other.index]
    effect = now - then
    part = found.split.by_joint()[joint]
    verdict = verb_for(
        effect,
        "the arm makes it contribute more",
        "the arm makes it contribute less",
        "the arm changes nothing",
    )
    line = (
        f"{capital(head_phrase(found.head))} also crosses the {joint}; solved again without that "
        f"moment arm it would work at {then:.3f} in place of {now:.3f} "
        f"({head_phrase(other.head)}: {theirs[k]:.3f} in place of {theirs[0]:.3f}); {verdict}."
    )
    if abs(effect) >= NOTHING and abs(part) >= NOTHING:
        if (effect > 0.0) == (part > 0.0):
            line += f" The split says the same: the {joint} part is {signed(part)}."
        else:
            line += (
                f" The split alone, {signed(part)} at the {joint}, points the other way: with "
                "the moment arm gone the multipliers settle elsewhere, which outweighs the part."
            )
    return line
