"""Whether a claim about a head depends on something that the limb does not support.

A head may be limited itself, or depend on others that are: where one row makes up more than half of
its drive (multiplier × arm), and a limited, active head acts mainly in that row, the multiplier is
set by that head, and the claim is no firmer than it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.explain.drive import drive_split
from momentshare.limits import LiftKind, height_third, keys_text
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from momentshare.explain.head import HeadExplanation
    from momentshare.limits import Limit, Limits

__all__ = ["Leaning", "leanings", "limit_keys", "limit_texts"]

_MAIN = 0.5
"""Share of a drive from which a row dominates it, and from which a head acts mainly in a row;
chosen here."""

_WORKS = 0.05
"""Activation from which a head counts as active; assumed."""

_ARMS = dict(
    zip(ROWS, ("rotation_arm", "elevation_arm", "horizontal_arm", "elbow_arm"), strict=False)
)
"""Row → its arm, as named in limits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaning:
    """A row that makes up most of a head's drive and in which limited heads act.

    Attributes
    ----------
    row : str
    share : float
        Size of the row's part over that of the whole drive; above one where the other parts oppose
        it.
    heads : tuple of str
        Limited heads that are active and act mainly in this row.
    limits : tuple of Limit
    """

    row: str
    share: float
    heads: tuple[str, ...]
    limits: tuple[Limit, ...]


def leanings(
    found: HeadExplanation, limits: Limits, kind: LiftKind | None = None
) -> tuple[Leaning, ...]:
    """Find the rows through which a head depends on heads that the limb does not support.

    Parameters
    ----------
    found : HeadExplanation
    limits : Limits
    kind : LiftKind, optional
        Exercise and spacing of the lift; unknown when left out.
    """
    split, problem = found.split, found.problem
    if split.total == 0.0:
        return ()
    out = []
    for place, row in enumerate(split.row_names):
        share = abs(float(split.part[place])) / abs(split.total)
        if share <= _MAIN:
            continue
        held: dict[str, tuple[Limit, ...]] = {}
        for index, head in enumerate(problem.head_names):
            if head == found.head or found.sharing.activation[index] < _WORKS:
                continue
            rows = _at(limits, "activation", head, found, kind)
            if rows and _acts_mainly_in(found, head, place):
                held[head] = rows
        if held:
            every = tuple(dict.fromkeys(r for rows in held.values() for r in rows))
            out.append(Leaning(row=row, share=share, heads=tuple(held), limits=every))
    return tuple(out)


def _acts_mainly_in(found: HeadExplanation, head: str, place: int) -> bool:
    part = np.abs(drive_split(found.problem, found.sharing, head).part)
    return bool(part[place] > _MAIN * part.sum())


def _at(
    limits: Limits, quantity: str, head: str, found: HeadExplanation, kind: LiftKind | None
) -> tuple[Limit, ...]:
    return limits.at(
        quantity,
        head=head,
        kinds=[kind or LiftKind()],
        part=height_third(found.height_fraction),
        lateral=found.lateral_mode,
    )


def limit_keys(
    found: HeadExplanation, limits: Limits, kind: LiftKind | None = None
) -> tuple[str, ...]:
    """Keys of the limits that concern a head or the heads that its answer depends on.

    The arguments are those of :func:`limit_texts`.
    """
    own = [_at(limits, quantity, found.head, found, kind) for quantity in ("activation", "force")]
    leant = [lean.limits for lean in leanings(found, limits, kind)]
    return tuple(dict.fromkeys(row.key for rows in (*own, *leant) for row in rows))


def limit_texts(
    found: HeadExplanation, limits: Limits, kind: LiftKind | None = None
) -> tuple[str, ...]:
    """State which parts of an explanation the limb does not support, with keys of the limits.

    Parameters
    ----------
    found : HeadExplanation
    limits : Limits
    kind : LiftKind, optional
        Exercise and spacing of the lift; unknown when left out.

    Returns
    -------
    tuple of str
        Empty where nothing is limited.
    """
    name = head_phrase(found.head)
    texts = []
    own = _at(limits, "force", found.head, found, kind)
    if own:
        texts.append(
            f"What is said about {name} depends on something that this limb does not support "
            f"({_named(limits, own)})."
        )
    for row, quantity in _ARMS.items():
        arm = _at(limits, quantity, found.head, found, kind)
        if arm and row in found.split.row_names:
            texts.append(
                f"So does the moment arm of {name} for {row_named(row).positive.words} here "
                f"({_named(limits, arm)})."
                if own
                else f"The moment arm of {name} for {row_named(row).positive.words} is not to be "
                f"trusted here ({_named(limits, arm)})."
            )
    for lean in leanings(found, limits, kind):
        heads = " and ".join(head_phrase(head) for head in lean.heads)
        texts.append(
            f"The part of {row_named(lean.row).positive.words if lean.row in ROWS else lean.row} "
            f"in the drive of {name} is {100.0 * lean.share:.0f} % of its sum in size, and what "
            f"that moment costs depends on {heads}, which this limb does not support "
            f"({_named(limits, lean.limits)})."
        )
    return tuple(texts)


def _named(limits: Limits, rows: tuple[Limit, ...]) -> str:
    keys = keys_text(rows).split()
    return "; ".join(f"limit {key}, {limits.of(key)[0].title}" for key in keys)
