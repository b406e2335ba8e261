"""The same measurement under two names, told by its numbers: exported twice, bytes differ."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from momentshare.cohort.schema import TrialEntry
    from momentshare.trial.checks.verdict import Check

__all__ = ["Copies", "marks"]

_MARKS = (
    "forearm constant",
    "left against right",
    "lateral forces cancel",
    "marker noise",
    "peak speed",
)
"""Checks whose values depend on the recording alone, not on the person or the condition."""

_LEAST = 3
"""Number of such values that must be known; assumed."""

_SAME = 3e-4
"""Relative difference that another export leaves (rounding to hundredths of a millimetre);
assumed."""

_SMALL = {"forearm constant": 1e-2}
"""The same where a value is a small difference of long lengths; assumed."""


def marks(checks: Iterable[Check]) -> dict[str, float]:
    """Values that tell one recording from another, by the name of their check."""
    return {c.name: c.value for c in checks if c.name in _MARKS and math.isfinite(c.value)}


class Copies:
    """Trials looked at so far; each is compared with them."""

    def __init__(self) -> None:
        self._seen: list[tuple[int, TrialEntry, Mapping[str, float]]] = []

    def fault(self, number: int, entry: TrialEntry, found: Mapping[str, float]) -> str:
        """Say of which earlier trial this one is a copy; empty if of none."""
        known = {name: value for name, value in found.items() if value}
        if len(known) < _LEAST:
            return ""
        for other, given, marks in self._seen:
            mine, theirs = entry.repetitions, given.repetitions
            apart = mine and theirs and not set(mine) & set(theirs)
            if given.side != entry.side or apart or known.keys() != marks.keys():
                continue
            if all(
                math.isclose(known[name], marks[name], rel_tol=_SMALL.get(name, _SAME))
                for name in known
            ):
                return (
                    f"holds the same measurement as trial[{other}] {given.file!r}, exported again "
                    f"({', '.join(known)} are equal); remove one, or give each its repetitions"
                )
        self._seen.append((number, entry, known))
        return ""
