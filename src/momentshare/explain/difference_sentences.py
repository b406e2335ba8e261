"""A difference in sentences: the answer first, in two; then how sure, what if, what limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.group_changes import AS_IT_IS
from momentshare.explain.mixtures import FACTORS, Member, member_words
from momentshare.explain.phrases import (
    NOTHING,
    capital,
    direction,
    group_phrase,
    head_phrase,
    percent,
    signed,
)
from momentshare.explain.problem import head_index

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from momentshare.explain.difference import Difference
    from momentshare.explain.drawn import DrawnDifferences, Share
    from momentshare.explain.frame_pairs import EqualMoments
    from momentshare.explain.group_changes import WhatIf
    from momentshare.explain.head import HeadExplanation
    from momentshare.explain.heads_apart import HeadsApart
    from momentshare.explain.limiting import LimitingStrength

__all__ = [
    "FACTOR_WORDS",
    "answer_sentences",
    "apart_sentences",
    "equal_sentences",
    "head_sentences",
    "limiting_sentence",
    "sure_sentence",
    "what_if_sentence",
]

FACTOR_WORDS = {
    "moments": "the moments of load and weight",
    "lateral force": "the lateral force",
    "arms": "the moment arms",
    "capacity": "the capacities",
}
"""Factor → how a sentence calls it."""

_TELLING = 0.25
"""Part of a factor from which a second component is named as well; ours."""

_SHOWN_CASES = 3


def _shared(share: Share | None) -> str:
    return "" if share is None else f" ({share})"


def answer_sentences(
    found: Difference, head: str, drawn: DrawnDifferences | None = None
) -> tuple[str, str]:
    """Answer in two sentences: how large the difference is and what carries it, and how.

    Parameters
    ----------
    found : Difference
    head : str
    drawn : DrawnDifferences, optional
        Puts behind each statement the share of draws in which it holds.
    """
    index = head_index(found.head_names, head)
    a, b = found.activation[:, index].tolist()
    gap = a - b
    factors = found.factors(head)
    # The factor that pulls the difference where it goes; for no difference the largest.
    sense = 1.0 if gap >= 0.0 else -1.0
    key = (lambda f: abs(factors[f])) if abs(gap) < NOTHING else (lambda f: sense * factors[f])
    top = max(FACTORS, key=key)
    known = drawn if drawn is not None and drawn.draws else None
    first = (
        f"{capital(head_phrase(head))} works at {a:.3f} in {found.names[0]} and at {b:.3f} in "
        f"{found.names[1]}{_place(found)}"
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
                f"{FACTOR_WORDS[top]} would alone make {signed(factors[top])}, of which the rest "
                f"takes back {abs(factors[top] - gap):.3f}"
            )
        first += f", {signed(gap)}{_shared(sign)}; {carried}{_most(lead)}"
    return f"{first}.", _carrier_sentence(found, head, top, known)


def _most(share: Share | None) -> str:
    return ", more than anything else" + _shared(share)


_UNDONE = 1.5
"""Part over the difference from which the rest is said to take something back; ours."""


def _carry(factor: str) -> str:
    return "carries" if factor == "lateral force" else "carry"


def _place(found: Difference) -> str:
    one, two = (percent(height) for height in found.heights)
    if one == two:
        return f" at {one} of the bar height"
    return f" (at {one} and {two} of the bar height)"


def _carrier_sentence(
    found: Difference, head: str, top: str, known: DrawnDifferences | None
) -> str:
    """Say which components carry the factor that carries most, and what the others do."""
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
        text = "No component of it stands out"
    others = [
        f"{FACTOR_WORDS[name]} {signed(factors[name])}"
        + _shared(None if known is None else known.part_sign(head, name, factors[name]))
        for name in FACTORS
        if name != top and abs(factors[name]) >= NOTHING
    ]
    return f"{text}; the rest: {', '.join(others)}." if others else f"{text}; nothing else adds."


def _numbers(found: Difference, head: str, factor: str, name: str) -> str:
    """Numbers of a component in both, in words that need no sign."""
    if name not in ROWS:
        return ""
    row = found.row_names.index(name)
    if factor in {"moments", "lateral force"}:
        values = (found.moments if factor == "moments" else found.lateral_moments)[:, row]
        return f" ({_two(name, *values.tolist())} N·m)"
    arms = 1000.0 * found.arms[:, row, head_index(found.head_names, head)]
    if np.abs(arms).max() < _NO_ARM:
        return " (arms of other heads)"
    return f" (its own arm: {_two(name, *arms.tolist())} mm)"


_NO_ARM = 0.05
"""Arm [mm] below which a head is said to have none."""


def _two(row: str, one: float, two: float) -> str:
    """Two signed numbers of a row, each with its direction where they differ in it."""
    first = f"{direction(row, one, alone=False)} {abs(one):.1f}"
    return f"{first} against {_against(row, one, two)}"


def sure_sentence(found: Difference, head: str, drawn: DrawnDifferences | None, wanted: int) -> str:
    """Say how the draws turn out, or that none were made."""
    if drawn is None or not wanted:
        return "How sure: no draws were made; --draws N makes them."
    if not drawn.draws:
        return f"How sure: in none of {wanted} draws could both lifts be performed."
    index = head_index(found.head_names, head)
    gap = float(found.gap[index])
    own = sorted(drawn.gap(head).tolist())
    cut = max(int(0.1 * len(own)), 0)
    text = (
        f"How sure: over {drawn.draws} draws of limb, posture and force the difference lies "
        f"between {signed(own[cut])} and {signed(own[-1 - cut])} (middle 80 %)"
    )
    if abs(gap) >= NOTHING:
        share = drawn.same_sign(head, gap)
        text += f" and has this sign {share}"
        if share.holds < _FIRM * share.draws:
            text += ", so that it is not firm"
    if drawn.draws < wanted:
        text += f"; {wanted - drawn.draws} more draws could not be performed"
    return text + "."


_FIRM = 0.9
"""Share of draws below which a sign is not called firm; ours."""


def what_if_sentence(found: WhatIf, head: str) -> str:
    """Say on which group, component or push the difference hangs most."""
    gaps = found.gap(head)
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
        f"{_case_words(case)} it would be {signed(gaps[case])}"
        + (", but a moment falls short then" if case in short else "")
        for case in order
    )
    return f"What if (both solved anew; as it is {signed(now)}): {said}."


_SHORT = 0.05
"""Moment [N·m] that cannot be met from which a case says so."""


def _case_words(case: str) -> str:
    for front, words in (
        ("without_", "without the {}"),
        ("stronger_", "with the {} a tenth stronger"),
        ("leave_out_", "if nobody had to hold {}"),
    ):
        if case.startswith(front):
            name = case.removeprefix(front)
            return words.format(direction(name, 1.0) if name in ROWS else group_phrase(name))
    return "without any lateral force"


def limiting_sentence(
    found: LimitingStrength,
    name: str = "",
    shares: Mapping[str, Share] | None = None,
    marks: Mapping[str, str] | None = None,
) -> str:
    """Say which strength limits the greatest load.

    Parameters
    ----------
    found : LimitingStrength
    name : str
        What the lift is called.
    shares : mapping, optional
        ``group`` and ``head`` → draws in which the same one raises the load most.
    marks : mapping, optional
        Group or head → keys of the limits that touch it.
    """
    where = f" of {name}" if name else ""
    text = (
        f"What limits the load{where}: {found.load:.1f} kg can be held at most, at "
        f"{percent(found.height)} of the bar height"
    )
    if found.lost:
        text += f" (without {found.lost} frames in which the limb cannot hold itself)"
    (group, more), (head, own) = found.best("group"), found.best("head")
    if more < _LEAST_GAIN:
        return f"{text}; no strength, raised by a tenth, raises it by 0.05 kg."
    share = shares or {}

    def marked(which: str) -> str:
        keys = (marks or {}).get(which, "").split()
        return f" (limit {', '.join(keys)})" if keys else ""

    text += (
        f"; a tenth more strength of the {group_phrase(group)}{marked(group)} raises it most, by "
        f"{more:.1f} kg "
        f"({100.0 * more / found.load:.1f} %){_shared(share.get('group'))}"
    )
    if own >= _LEAST_GAIN:
        text += (
            f", and of single heads {head_phrase(head)}{marked(head)}, by {own:.1f} kg"
            f"{_shared(share.get('head'))}"
        )
    return text + "."


_LEAST_GAIN = 0.05
"""Gain [kg] below which a greater strength is said to raise nothing."""


def equal_sentences(pairs: Sequence[EqualMoments], most: int = 2) -> tuple[str, ...]:
    """Say of the most unlike pairs what is equal, what differs and why."""
    order = sorted(pairs, key=lambda pair: -abs(pair.gap))[:most]
    return tuple(_equal_sentence(pair) for pair in order)


def _equal_sentence(pair: EqualMoments) -> str:
    asked = " and ".join(
        f"{direction(row, one)} {abs(one):.1f} against {_against(row, one, two)} N·m"
        for row, one, two in zip(
            pair.rows, pair.moments[0].tolist(), pair.moments[1].tolist(), strict=True
        )
    )
    parts = ", ".join(
        f"{FACTOR_WORDS[name]} {signed(part)}"
        for name, part in pair.parts.items()
        if abs(part) >= NOTHING
    )
    places = [
        f"{name} at {percent(height)}"
        for name, height in zip(pair.names, pair.heights, strict=True)
    ]
    return (
        f"Equal moment, unlike effort: {places[0]} and {places[1]} of the bar height ask for the "
        f"same ({asked}), yet {head_phrase(pair.head)} works at {pair.activation[0]:.3f} and at "
        f"{pair.activation[1]:.3f}, {signed(pair.gap)}: {parts}."
    )


def _against(row: str, one: float, two: float) -> str:
    """Second moment, with its direction where that is another."""
    same = (one < 0.0) == (two < 0.0)
    return f"{abs(two):.1f}" if same else f"{direction(row, two, alone=False)} {abs(two):.1f}"


def apart_sentences(found: HeadsApart, share: Share | None = None) -> tuple[str, str]:
    """Say in two sentences how far two heads are apart, and what carries it in both readings."""
    me, you = head_phrase(found.head), head_phrase(found.other)
    parts = found.factors()
    a, b = found.activation.tolist()
    first = (
        f"{capital(me)} works at {a:.3f} and {you} at {b:.3f}, {signed(found.gap)}"
        f"{_shared(share)}; by what they are, their arms carry {signed(parts['arms'])} of it and "
        f"their capacities {signed(parts['capacity'])}."
    )
    carried = sorted(
        zip(found.members, found.parts[:, 0].tolist(), strict=True), key=lambda item: -abs(item[1])
    )
    asked = sorted(
        zip(found.asked, found.asked_parts[:, 0].tolist(), strict=True),
        key=lambda item: -abs(item[1]),
    )
    pieces = []
    if carried:
        member, part = carried[0]
        pieces.append(
            f"Most of it hangs on {_apart_words(member)} ({signed(part)}, with a twin solved anew)"
        )
    if asked:
        member, part = asked[0]
        kind = "the push" if member.factor == "lateral force" else "load and weight"
        pieces.append(
            f"by what is asked, the moments of load and weight carry {signed(parts['moments'])} "
            f"and the lateral force {signed(parts['lateral force'])}, most of all "
            f"{member_words(member)} by {kind} ({signed(part)})"
        )
    return first, "; ".join(pieces) + "."


def _apart_words(member: Member) -> str:
    if member.factor == "capacity":
        return f"their {member.name}"
    return f"their arms for {member_words(member)}" if member.name in ROWS else member_words(member)


def head_sentences(found: HeadExplanation) -> tuple[str, str]:
    """Say in two sentences how hard a head works and which rows ask it to."""
    split = found.split
    first = (
        f"{capital(head_phrase(found.head))} works at {split.activation:.3f} of what it can give "
        f"here, {found.force:.0f} N with passive force."
    )
    order = sorted(
        (
            (part, direction(row, arm))
            for row, arm, part in zip(
                split.row_names, split.moment_arm.tolist(), split.part.tolist(), strict=True
            )
            if abs(part) >= NOTHING
        ),
        key=lambda item: -abs(item[0]),
    )
    if not order:
        return first, "No row asks for it, and none speaks against it."
    asks = [f"{words} ({signed(part)})" for part, words in order if part > 0.0]
    holds = [f"{words} ({signed(part)})" for part, words in order if part < 0.0]
    glenoid = float(split.facet_part.sum())
    for value, list_ in ((glenoid, asks), (-glenoid, holds)):
        if value >= NOTHING:
            list_.append(f"the limit of the glenoid ({signed(glenoid)})")
    said = []
    if asks:
        said.append(f"It is asked for {' and '.join(asks)}")
    if holds:
        said.append(f"{'but' if asks else 'It'} costs effort by {' and '.join(holds)}")
    return first, f"{', '.join(said)}."
