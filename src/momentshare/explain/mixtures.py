"""Mixtures of two frames: some inputs of an answer as in one, the others as in the other.

The four factors are the inputs to the answer of a frame; their members are the components that can
be changed on their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.explain.given import GivenFrame
from momentshare.explain.glenoid import GLENOID
from momentshare.explain.phrases import group_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["FACTORS", "UNITS", "Member", "differing_components", "member_words", "mixed"]

FACTORS = ("moments", "lateral force", "arms", "capacity")
"""Inputs to an answer, in the order of tables."""

_SAME = 1e-12
"""Relative difference of inputs below which they count as equal and have no part."""


@dataclass(frozen=True, slots=True)
class Member:
    """A component of a factor.

    Parameters
    ----------
    factor : str
        One of :data:`FACTORS`.
    name : str
        Row of moments or arms, strength group, or ``glenoid``.
    """

    factor: str
    name: str


def member_words(member: Member) -> str:
    """Name a component in words.

    Examples
    --------
    >>> member_words(Member("arms", "elbow_extension"))
    'elbow extension'
    """
    if member.name in ROWS:
        return row_named(member.name).positive.words
    if member.name == GLENOID:
        return {
            "arms": "lines of the heads at the glenoid",
            "moments": "force of load and weight across the glenoid",
            "lateral force": "force of the push across the glenoid",
        }[member.factor]
    return group_phrase(member.name)


def differing_components(
    first: GivenFrame, second: GivenFrame, rows: Sequence[str], groups: Sequence[str]
) -> tuple[Member, ...]:
    """List the components that differ between two frames, factor by factor."""
    found = []
    for factor, name in (("moments", "moments"), ("lateral force", "lateral"), ("arms", "arms")):
        a, b = getattr(first, name), getattr(second, name)
        found += [Member(factor, row) for j, row in enumerate(rows) if _differ(a[j], b[j])]
        if any(_differ(getattr(first, n), getattr(second, n)) for n in _AT_THE_GLENOID[factor]):
            found.append(Member(factor, GLENOID))
    for group in dict.fromkeys(groups):
        mine = np.array(groups) == group
        if any(_differ(getattr(first, n)[mine], getattr(second, n)[mine]) for n in _STRENGTH):
            found.append(Member("capacity", group))
    return tuple(found)


UNITS = {"moments": "N*m", "lateral force": "N*m", "arms": "m", "capacity": "N"}
"""Factor → unit of the values of its components."""

_AT_THE_GLENOID = {
    "moments": ("across",),
    "lateral force": ("pushed",),
    "arms": ("lines", "frame"),
}
_STRENGTH = ("capacity", "passive", "weights")
_ROWWISE = {"moments": "moments", "lateral force": "lateral", "arms": "arms"}


def _differ(a: Floats, b: Floats) -> bool:
    scale = max(float(np.max(np.abs(a), initial=0.0)), float(np.max(np.abs(b), initial=0.0)))
    return bool(np.any(np.abs(a - b) > _SAME * scale))


def mixed(
    states: NDArray[np.bool_],
    first: GivenFrame,
    second: GivenFrame,
    members: Sequence[Member],
    rows: Sequence[str],
    groups: Sequence[str],
) -> GivenFrame:
    """Mix two frames: what a state marks is as in the first, everything else as in the second.

    What no member represents is the same in both, apart from rounding, and taken from the second.

    Parameters
    ----------
    states : bool array, shape (states, members)
    first, second : GivenFrame
    members : sequence of Member
    rows, groups : sequence of str
        Rows of the balance, and the strength group of every head.
    """
    count = len(states)
    names = ("moments", "lateral", "arms", "across", "pushed", "lines", "frame", *_STRENGTH)
    out = {
        name: np.broadcast_to(value, (count, *value.shape)).copy()
        for name in names
        for value in (getattr(second, name),)
    }
    for place, member in enumerate(members):
        on = np.flatnonzero(states[:, place])
        if member.name == GLENOID:
            for name in _AT_THE_GLENOID[member.factor]:
                out[name][on] = getattr(first, name)
        elif member.factor == "capacity":
            mine = np.flatnonzero(np.array(groups) == member.name)
            for name in _STRENGTH:
                out[name][np.ix_(on, mine)] = getattr(first, name)[mine]
        else:
            name, row = _ROWWISE[member.factor], rows.index(member.name)
            out[name][on, row] = getattr(first, name)[row]
    return GivenFrame(**out)
