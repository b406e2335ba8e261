"""A difference in sentences: the answer in two, then how sure, what if, and what limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.along import sign_runs
from momentshare.explain.drawn import Share
from momentshare.explain.group_changes import AS_IT_IS
from momentshare.explain.mixtures import FACTORS, Member, member_words
from momentshare.explain.phrases import NOTHING, capital, direction, group_phrase, percent, signed
from momentshare.explain.problem import head_index
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.explain.difference import Difference
    from momentshare.explain.drawn import DrawnDifferences
    from momentshare.explain.group_changes import WhatIf

__all__ = [
    "FACTOR_LABELS",
    "FACTOR_WORDS",
    "along_sentence",
    "answer_sentences",
    "change_words",
    "in_brackets",
    "second_value",
    "sure_sentence",
    "what_if_sentence",
]

FACTOR_WORDS = {
    "moments": "the moments of load and weight",
    "lateral force": "the lateral force",
    "arms": "the moment arms",
    "capacity": "the capacities",
}
"""Factor → its name in a sentence."""

FACTOR_LABELS = {name: name for name in FACTORS} | {"arms": "moment arms"}
"""Factor → its name in a table or figure."""

_TELLING = 0.25
"""Fraction of a factor from which a second component is named as well; assumed."""

_SHOWN_CASES = 3


def in_brackets(share: Share | None, *, order: bool = False) -> str:
    """Append a share of draws to a statement, and to an order that it is open."""
    if share is None:
        return ""
    return f" ({share}{', so it is open' if order and share.is_open else ''})"


def answer_sentences(
    found: Difference, head: str, drawn: DrawnDifferences | None = None
) -> tuple[str, str]:
    """Answer in two sentences: how large the difference is, and what accounts for it and how.

    Parameters
    ----------
    found : Difference
    head : str
    drawn : DrawnDifferences, optional
        Adds to each statement the share of draws in which it holds.
    """
    index = head_index(found.head_names, head)
    a, b = found.activation[:, index].tolist()
    if min(a, b) > 1.0 - _HELD:
        full = (
            f"{capital(head_phrase(head))} is fully active in '{found.names[0]}' and in "
            f"'{found.names[1]}'{_place(found)}, so the limb cannot show which of the two demands "
            "more of it there."
        )
        return full, "At another height it may differ."
    gap = a - b
    factors = found.factors(head)
    # The factor that acts most in the sense of the difference; without one, the largest.
    sense = 1.0 if gap >= 0.0 else -1.0
    key = (lambda f: abs(factors[f])) if abs(gap) < NOTHING else (lambda f: sense * factors[f])
    top = max(FACTORS, key=key)
    known = drawn if drawn is not None and drawn.draws else None
    first = (
        f"{capital(head_phrase(head))} works at {a:.3f} in '{found.names[0]}' and at {b:.3f} "
        f"in '{found.names[1]}'{_place(found)}"
    )
    if abs(gap) < NOTHING:
        first += ", no difference worth the name"
        if abs(factors[top]) >= NOTHING:
            first += f", though {FACTOR_WORDS[top]} alone would make {signed(factors[top])} of it"
    else:
        sign = None if known is None else known.same_sign(head, gap)
        lead = None if known is None else known.same_factor(head, top)
        carried = f"{FACTOR_WORDS[top]} {_carry(top)} {signed(factors[top])} of it"
        if abs(factors[top]) > _UNDONE * abs(gap):
            carried = (
                f"{FACTOR_WORDS[top]} would alone make {signed(factors[top])}, of which the others "
                f"take back {abs(factors[top] - gap):.3f}"
            )
        gap_words = f"a difference of {signed(gap)}{in_brackets(sign, order=True)}"
        first += f", {gap_words}; {carried}{_most(lead)}"
    return f"{first}.", _carrier_sentence(found, head, top, known)


def _most(share: Share | None) -> str:
    return ", more than anything else" + in_brackets(share)


_HELD = 1e-6
"""Activation below 1 up to which a head counts as fully active: rounding of a solver."""

_UNDONE = 1.5
"""Part over the difference from which the other factors are said to offset it; assumed."""


def _carry(factor: str) -> str:
    return "accounts for" if factor == "lateral force" else "account for"


def _place(found: Difference) -> str:
    one, two = (percent(height) for height in found.heights)
    if one == two:
        return f" at {one} of the bar height"
    return f" (at {one} and {two} of the bar height)"


def _carrier_sentence(
    found: Difference, head: str, top: str, known: DrawnDifferences | None
) -> str:
    """State which components account for the dominant factor, and what the others do."""
    factors = found.factors(head)
    parts = found.components(head, top)
    order = sorted(parts, key=lambda name: -abs(parts[name]))
    named = [
        name
        for place, name in enumerate(order[:2])
        if abs(parts[name]) >= NOTHING
        and (place == 0 or abs(parts[name]) >= _TELLING * abs(factors[top]))
    ]
    if named:
        said = " and ".join(
            f"{signed(parts[name])} to {member_words(Member(top, name))}"
            f"{_numbers(found, head, top, name)}"
            for name in named
        )
        text = f"Of that, {said}"
        verb = " goes " if len(named) == 1 else " go "
        text = text.replace(" to ", f"{verb}to ", 1)
    else:
        text = "No single cause stands out"
    others = [
        f"{FACTOR_WORDS[name]} {signed(factors[name])}"
        + in_brackets(None if known is None else known.part_sign(head, name, factors[name]))
        for name in FACTORS
        if name != top and abs(factors[name]) >= NOTHING
    ]
    if others:
        return f"{text}; the others: {', '.join(others)}."
    return f"{text}; nothing else adds." if named else f"{text}."


def _numbers(found: Difference, head: str, factor: str, name: str) -> str:
    """Numbers of a component in both, worded so that they need no sign."""
    if name not in ROWS:
        return ""
    row = found.row_names.index(name)
    if factor in {"moments", "lateral force"}:
        values = (found.moments if factor == "moments" else found.lateral_moments)[:, row]
        without = ""
        if factor == "moments" and np.abs(found.lateral_moments).max() >= _NO_MOMENT:
            without = ", without the lateral force"
        return f" ({_two(name, *values.tolist())} N·m{without})"
    arms = found.arms[:, row, head_index(found.head_names, head)]
    if np.abs(arms).max() < _NO_ARM:
        return " (moment arms of other heads)"
    return f" (its own moment arm: {_two(name, float(arms[0]), float(arms[1]), 4)} m)"


_NO_MOMENT = 0.05
"""Moment [N·m] below which the lateral force is said to have none."""

_NO_ARM = 5e-5
"""Moment arm [m] below which a head is said to have none."""


def _two(row: str, one: float, two: float, digits: int = 1) -> str:
    """Two signed numbers of a row, each with its direction if these differ."""
    first = f"{direction(row, one, alone=False)} {abs(one):.{digits}f}"
    return f"{first} against {second_value(row, one, two, digits)}"


def along_sentence(found: Difference, head: str, along: pd.DataFrame) -> str:
    """State the difference over the whole lift, and where its sign changes.

    Parameters
    ----------
    found : Difference
    head : str
    along : DataFrame
        From :func:`momentshare.explain.difference.factor_parts_along`.
    """
    own = along[along["head"] == head]
    mean = float(own["difference"].mean())
    parts = ", ".join(
        f"{FACTOR_WORDS[name]} {signed(part)}"
        for name in FACTORS
        if abs(part := float(own[f"by_{name.replace(' ', '_')}"].mean())) >= NOTHING
    )
    runs = sign_runs(own["height_fraction"].tolist(), own["difference"].tolist())
    words = {1: "more", -1: "less", 0: "the same"}
    said = ", ".join(
        f"{words[sign]} at {percent(first)}"
        if first == last
        else f"{words[sign]} from {100.0 * first:.0f} to {percent(last)}"
        for sign, first, last in runs
    )
    return (
        f"Along the lift, mean over {len(own)} heights: {signed(mean)}"
        + (f" ({parts})" if parts else "")
        + f"; in '{found.names[0]}' it works {said} of the bar height."
    )


def sure_sentence(found: Difference, head: str, drawn: DrawnDifferences | None, wanted: int) -> str:
    """State the outcome of the draws, or that none were made."""
    if drawn is None or not wanted:
        return "No draws were made, so it is not known how sure this is; --draws N makes them."
    if not drawn.draws:
        return f"In none of {wanted} draws could both lifts be performed."
    index = head_index(found.head_names, head)
    gap = float(found.gap[index])
    own = sorted(drawn.gap(head).tolist())
    cut = max(int(0.1 * len(own)), 0)
    text = (
        f"Over {drawn.draws} draws of limb, posture and force the difference lies "
        f"between {signed(own[cut])} and {signed(own[-1 - cut])} (middle 80 %)"
    )
    if abs(gap) >= NOTHING:
        text += f" and has this sign {drawn.same_sign(head, gap)}"
    if drawn.draws < wanted:
        text += f"; {wanted - drawn.draws} more draws could not be performed"
    return text + "."


def what_if_sentence(
    found: WhatIf, head: str, other: str | None = None, drawn: Sequence[WhatIf] = ()
) -> str:
    """State on which group, component or push the difference depends most.

    Parameters
    ----------
    found : WhatIf
        Of two frames, or of one where two heads are compared.
    head : str
    other : str, optional
        Second head; the difference is then that between both in the first frame.
    drawn : sequence of WhatIf
        The same in draws of the limb: each case tells in how many it moves the difference alike.
    """
    gaps, *others = (
        one.gap(head) if other is None else one.gap_between(head, other) for one in (found, *drawn)
    )
    now = gaps[AS_IT_IS]
    moved = {
        case: gap - now
        for case, gap in gaps.items()
        if case != AS_IT_IS and abs(gap - now) >= NOTHING
    }
    if not moved:
        return "What if: no group, component or push changes the difference."
    short = {
        case
        for case, unmet in zip(found.cases, found.unmet.max(axis=0).tolist(), strict=True)
        if unmet > _SHORT
    }
    order = sorted(moved, key=lambda case: (case in short, -abs(moved[case])))[:_SHOWN_CASES]
    said = "; ".join(
        f"{change_words(case)} it would be {signed(gaps[case])}"
        + _moved_alike(moved[case], [own[case] - own[AS_IT_IS] for own in others if case in own])
        + (", but then a moment falls short" if case in short else "")
        for case in order
    )
    start = "both solved again; as it is" if other is None else "solved again; the difference is"
    return f"What if ({start} {signed(now)}): {said}."


def _moved_alike(moved: float, drawn: Sequence[float]) -> str:
    """Say in how many draws a case moves a difference the same way; nothing without draws."""
    if not drawn:
        return ""
    sense = "higher" if moved > 0.0 else "lower"
    return f" ({sense} {Share.counted(np.sign(drawn) == np.sign(moved))})"


_SHORT = 0.05
"""Unmet moment [N·m] from which a case mentions it."""


def change_words(case: str) -> str:
    """Say what is different in a case of a what-if."""
    for front, words in (
        ("without_", "without the {}"),
        ("stronger_", "with the {} a tenth stronger"),
        ("leave_out_", "if {} did not have to be held"),
    ):
        if case.startswith(front):
            name = case.removeprefix(front)
            return words.format(direction(name, 1.0) if name in ROWS else group_phrase(name))
    return "without any lateral force"


def second_value(row: str, one: float, two: float, digits: int = 1) -> str:
    """Second number, with its direction if that differs."""
    number = f"{abs(two):.{digits}f}"
    same = (one < 0.0) == (two < 0.0)
    return number if same else f"{direction(row, two, alone=False)} {number}"
