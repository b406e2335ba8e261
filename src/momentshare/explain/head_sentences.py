"""Answers in sentences: a head, two heads, what limits the load, frames of equal moment."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.difference_sentences import FACTOR_WORDS, in_brackets, second_value
from momentshare.explain.frame_pairs import EQUAL_MOMENT, EQUAL_PART, most_unlike
from momentshare.explain.limited_heights import limit_words
from momentshare.explain.mixtures import Member, member_words
from momentshare.explain.phrases import (
    NOTHING,
    capital,
    direction,
    group_phrase,
    listed,
    percent,
    signed,
)
from momentshare.text import head_phrase
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from momentshare.explain.drawn import Share
    from momentshare.explain.drawn_heads import DrawnHeads
    from momentshare.explain.frame_pairs import EqualMoments
    from momentshare.explain.head import HeadExplanation
    from momentshare.explain.heads_apart import HeadsApart
    from momentshare.explain.limiting import LimitingStrength

__all__ = [
    "READINGS",
    "apart_sentences",
    "equal_sentences",
    "head_sentences",
    "limiting_sentence",
]


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
        Group, head or ``greatest_load`` → keys of the limits that concern it.
    """
    where = f" in '{name}'" if name else ""

    def marked(which: str) -> str:
        return limit_words((marks or {}).get(which, ""))

    text = (
        f"What limits the load{where}: {in_kg(found.load)} kg{marked('greatest_load')} can be held "
        f"at most, at {percent(found.height)} of the bar height"
    )
    if found.lost:
        text += f" (without {found.lost} frames in which the limb cannot hold its own weight)"
    (group, more), (head, own) = found.best("group"), found.best("head")
    if more < _LEAST_GAIN:
        return f"{text}; no strength, raised by a tenth, raises it by 0.05 kg."
    share = shares or {}
    text += (
        f"; a tenth more strength of the {group_phrase(group)}{marked(group)} raises it most, by "
        f"{in_kg(more)} kg "
        f"({100.0 * more / found.load:.1f} %{in_draws(share.get('group'))})"
    )
    if own >= _LEAST_GAIN:
        text += (
            f", and of single heads {head_phrase(head)}{marked(head)}, by {in_kg(own)} kg"
            f"{in_brackets(share.get('head'))}"
        )
    return text + "."


_LEAST_GAIN = 0.05
"""Gain [kg] below which a greater strength is said to raise the load by nothing."""


def in_draws(share: Share | None) -> str:
    """State the draws of a share inside brackets that are open."""
    return "" if share is None else f", {share}"


def equal_sentences(
    pairs: Sequence[EqualMoments], marks: Callable[[EqualMoments, int], str] | None = None
) -> tuple[str, ...]:
    """State for the two most different pairs what is equal, what differs and why.

    Parameters
    ----------
    pairs : sequence of EqualMoments
    marks : callable, optional
        Pair and place of a frame in it → keys of the limits that concern the head there.
    """
    order = most_unlike(pairs)[:2]
    return tuple(
        _equal_sentence(pair, [marks(pair, k) if marks else "" for k in range(2)]) for pair in order
    )


def _equal_sentence(pair: EqualMoments, keys: Sequence[str]) -> str:
    asked = " and ".join(
        f"{direction(row, one)} {abs(one):.1f} against {second_value(row, one, two)} N·m"
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
        f"'{name}' at {percent(height)}"
        for name, height in zip(pair.names, pair.heights, strict=True)
    ]
    several = len(pair.rows) > 1
    what = "Nearly equal moments" if several else "One moment nearly equal, the others not"
    within = f"within {EQUAL_MOMENT:g} N·m"
    if np.any(np.abs(pair.moments[0] - pair.moments[1]) > EQUAL_MOMENT):
        within += f" or {100.0 * EQUAL_PART:g} %"
    return (
        f"{what}: {places[0]} and {places[1]} of the bar height ask for "
        f"nearly the same net moment{'s' * several}, {within} ({asked}), yet "
        f"{head_phrase(pair.head)} works at {pair.activation[0]:.3f}{limit_words(keys[0])} and at "
        f"{pair.activation[1]:.3f}{limit_words(keys[1])}, {signed(pair.gap)}: {parts}."
    )


def apart_sentences(
    found: HeadsApart, drawn: DrawnHeads | None = None, marks: Mapping[str, str] | None = None
) -> tuple[str, str]:
    """State in two sentences how far two heads differ, and why, in both readings.

    Parameters
    ----------
    found : HeadsApart
    drawn : DrawnHeads, optional
        Adds to each statement the share of draws in which it holds.
    marks : mapping, optional
        Head → keys of the limits that concern it at this height.
    """
    me, you = head_phrase(found.head), head_phrase(found.other)
    a, b = found.activation.tolist()
    share = None if drawn is None else drawn.same_sign(found.gap)
    mine, yours = (limit_words((marks or {}).get(h, "")) for h in (found.head, found.other))
    first = (
        f"{capital(me)} works at {a:.3f}{mine} and {you} at {b:.3f}{yours}, a difference of "
        f"{signed(found.gap)}{in_brackets(share, order=True)}."
    )
    whole = found.factors()
    heads = dict(zip(found.members, found.parts[:, 0].tolist(), strict=True))
    task = dict(zip(found.asked, found.asked_parts[:, 0].tolist(), strict=True))
    second = [
        f"{how}, {' and '.join(said)}"
        for how, parts in (
            ("traced to the heads", heads),
            ("traced to the task", task),
        )
        if (said := _parts_words(parts, whole, drawn))
    ]
    return first, f"{capital('; '.join(second))}." if second else ""


READINGS = (
    "These are two readings of one difference, and each adds up to it: one gives the first head "
    "the arms and the capacity of the second, the other takes the moments away, piece by piece and "
    "solved anew. The sums and the parts of the drive split each activation as it stands, so the "
    "part of a row there is a third number."
)
"""What the numbers of one row are in the answer on two heads, and in the table after it."""


def _parts_words(
    parts: Mapping[Member, float], whole: Mapping[str, float], drawn: DrawnHeads | None
) -> list[str]:
    """State what each factor accounts for, the greatest component beside its factor."""
    top = max(parts, key=lambda member: abs(parts[member]), default=None)
    out: list[str] = []
    for factor in dict.fromkeys(member.factor for member in parts):
        if abs(whole[factor]) < NOTHING:
            continue
        told: list[str] = []
        if drawn is not None:
            told.append(f"same sign {drawn.part_sign(factor, whole[factor])}")
        if top is not None and top.factor == factor:
            piece = _PIECE.get(factor, "") if top.name in ROWS else ""
            lead = "" if drawn is None else f", largest {drawn.largest(top, parts[top])}"
            told.append(f"{piece}{member_words(top)} alone {signed(parts[top])}{lead}")
        most = f" ({'; '.join(told)})" if told else ""
        verb = "" if out else f" {'accounts' if factor == 'lateral force' else 'account'} for"
        out.append(f"{FACTOR_WORDS[factor]}{verb} {signed(whole[factor])}{most}")
    return out


_PIECE = {"arms": "the arm of ", "moments": "the moment of ", "lateral force": "its moment of "}
"""Words before the component of a factor."""


def head_sentences(
    found: HeadExplanation, drawn: Sequence[HeadExplanation] = (), keys: str = ""
) -> tuple[str, str]:
    """State in two sentences how hard a head works and which rows require it.

    Parameters
    ----------
    found : HeadExplanation
    drawn : sequence of HeadExplanation
        The same head in draws; each part is then given with the share of draws that have its sign.
    keys : str
        Limits that concern the head at this height.
    """
    split = found.split
    first = f"{capital(head_phrase(found.head))} works at {split.activation:.3f}{limit_words(keys)}"
    if drawn:
        own = sorted(item.split.activation for item in drawn)
        cut = int(0.1 * len(own))
        first += f" ({own[cut]:.3f} to {own[-1 - cut]:.3f} in the middle 80 % of {len(own)} draws)"
    first += f" and pulls with {found.force:.0f} N, passive force included"
    terms = [
        (part, direction(row, arm), [float(item.split.part[j]) for item in drawn])
        for j, (row, arm, part) in enumerate(
            zip(split.row_names, split.moment_arm.tolist(), split.part.tolist(), strict=True)
        )
    ]
    if split.facet_names:
        terms.append(
            (
                float(split.facet_part.sum()),
                "the limit of the glenoid",
                [float(item.split.facet_part.sum()) for item in drawn],
            )
        )
    shown = sorted((t for t in terms if abs(t[0]) >= NOTHING), key=lambda t: -abs(t[0]))
    if not shown:
        return f"{first}.", "No row calls for it, and none opposes it."
    asks, holds = (
        [
            f"{words} ({signed(part)}{_same_sign(part, own)})"
            for part, words, own in shown
            if (part > 0.0) == positive
        ]
        for positive in (True, False)
    )
    said = []
    if asks:
        said.append(f"It is called for {listed(asks)}")
    if holds:
        said.append(f"{'but' if asks else 'It'} costs effort by {listed(holds)}")
    return f"{first}.", f"{', '.join(said)}."


def _same_sign(part: float, drawn: Sequence[float]) -> str:
    if not drawn:
        return ""
    held = sum((value > 0.0) == (part > 0.0) for value in drawn if value != 0.0)
    return f", in {held} of {len(drawn)} draws"
