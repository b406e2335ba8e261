"""Factors that the conditions of a study cross, such as hand spacing and tuck.

A study file states them condition by condition (``factor.spacing = "1.4"``). They decide how
lines are drawn, and which conditions may be compared as one factor at its levels.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = [
    "MOST_CROSSED",
    "MOST_FACTORS",
    "MOST_LINES",
    "Factors",
    "Group",
    "Step",
    "factor_faults",
]

MOST_FACTORS = 3
"""Factors of a study: colour for one, dash for the second, panels for the third."""

MOST_LINES = 4
"""Lines in a panel."""

MOST_CROSSED = 60
"""Conditions of which every two are compared: 1,770 pairs, and their number grows as the square."""


class _Condition(Protocol):
    @property
    def name(self) -> str: ...

    @property
    def factor(self) -> Mapping[str, str]: ...


@dataclass(frozen=True, slots=True)
class Step:
    """Two conditions that differ in one factor and in nothing else that is stated.

    Attributes
    ----------
    factor : str
    condition, other : str
    level, other_level : str
        Of the factor in either; ``level`` comes first in the file.
    setting : str
        Levels of the other factors, the same in both.
    """

    factor: str
    condition: str
    other: str
    level: str
    other_level: str
    setting: str


@dataclass(frozen=True, slots=True)
class Group:
    """Conditions that share a panel, and what is said above it."""

    title: str
    conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Factors:
    """Levels of the conditions of a study.

    Attributes
    ----------
    of : mapping
        Condition → factor → level, in the order of the file; empty for a condition that stands
        beside the factors.

    Examples
    --------
    >>> factors = Factors({"a": {"spacing": "1.1"}, "b": {"spacing": "1.7"}, "dumbbells": {}})
    >>> factors.names, factors.levels("spacing"), factors.beside()
    (('spacing',), ('1.1', '1.7'), ('dumbbells',))
    >>> [(step.condition, step.other) for step in factors.steps()]
    [('a', 'b')]
    """

    of: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @classmethod
    def stated(cls, conditions: Iterable[_Condition]) -> Factors:
        """Take them from the conditions of a study file."""
        return cls({c.name: dict(c.factor) for c in conditions})

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the factors, in the order of the file."""
        return tuple(next((own for own in self.of.values() if own), {}))

    def levels(self, factor: str) -> tuple[str, ...]:
        """Levels of a factor, in the order of the file."""
        return tuple(dict.fromkeys(own[factor] for own in self.of.values() if own))

    def beside(self) -> tuple[str, ...]:
        """Conditions without levels."""
        return tuple(name for name, own in self.of.items() if not own)

    def steps(self) -> tuple[Step, ...]:
        """Every two conditions that differ in one factor only, factor by factor."""
        names, inside = self.names, [name for name, own in self.of.items() if own]
        found = []
        for factor in names:
            order = {level: k for k, level in enumerate(self.levels(factor))}
            rest = [n for n in names if n != factor]
            alike: dict[tuple[str, ...], list[int]] = {}
            for k, name in enumerate(inside):
                alike.setdefault(tuple(self.of[name][n] for n in rest), []).append(k)
            for i, j in sorted(p for own in alike.values() for p in combinations(own, 2)):
                one, two = sorted((inside[i], inside[j]), key=lambda c: order[self.of[c][factor]])
                a, b = self.of[one], self.of[two]
                if a[factor] != b[factor]:
                    setting = ", ".join(f"{n}: {a[n]}" for n in rest)
                    found.append(Step(factor, one, two, a[factor], b[factor], setting))
        return tuple(found)

    def compared(self, conditions: Sequence[str]) -> list[tuple[int, int]]:
        """Pairs of conditions whose order is judged, by their places, the earlier one first.

        Every two; of more than :data:`MOST_CROSSED` each with the first of them, and with the
        first level of each factor at the same levels of the others.

        Examples
        --------
        >>> Factors().compared(["a", "b", "c"])
        [(0, 1), (0, 2), (1, 2)]
        >>> Factors().compared([f"c{k}" for k in range(90)])[-1]
        (0, 89)
        """
        if len(conditions) <= MOST_CROSSED:
            return list(combinations(range(len(conditions)), 2))
        place = {name: k for k, name in enumerate(conditions)}
        pairs = {(0, k) for k in range(1, len(conditions))}
        for factor in self.names:
            rest = [n for n in self.names if n != factor]
            at_first: dict[tuple[str, ...], int] = {}
            level = self.levels(factor)[0]
            known = {name: own for name, own in self.of.items() if own and name in place}
            for name, own in known.items():
                if own[factor] == level:
                    at_first[tuple(own[n] for n in rest)] = place[name]
            for name, own in known.items():
                other = at_first.get(tuple(own[n] for n in rest), place[name])
                if other != place[name]:
                    pairs.add((min(other, place[name]), max(other, place[name])))
        return sorted(pairs)

    def groups(self, conditions: Sequence[str], most: int = MOST_LINES) -> list[Group]:
        """Share out conditions over panels, at most so many lines in each.

        The third factor always has panels of its own, the second where there are too many lines
        otherwise. Conditions beside the factors join every panel if all have room for them.
        """
        inside = [c for c in conditions if self.of.get(c)]
        beside = [c for c in conditions if not self.of.get(c)]
        names = self.names
        if not inside:
            return _cut("", beside, most)
        parts = [Group("", tuple(inside))]
        for factor in reversed(names[1:]):
            parts = [
                piece
                for part in parts
                for piece in (
                    self._split(part, factor)
                    if factor in names[2:] or len(part.conditions) > most
                    else [part]
                )
            ]
        parts = [piece for part in parts for piece in _cut(part.title, part.conditions, most)]
        if all(len(part.conditions) + len(beside) <= most for part in parts):
            return [Group(p.title, (*p.conditions, *beside)) for p in parts]
        return [*parts, *_cut("", beside, most)]

    def _split(self, part: Group, factor: str) -> list[Group]:
        """Divide a group by the levels of a factor."""
        out = []
        for level in self.levels(factor):
            own = tuple(c for c in part.conditions if self.of[c][factor] == level)
            if own:
                title = ", ".join(filter(None, (part.title, f"{factor}: {level}")))
                out.append(Group(title, own))
        return out


def _cut(title: str, conditions: Sequence[str], most: int) -> list[Group]:
    """Cut a list into pieces of about equal length, none longer than ``most``."""
    if not conditions:
        return []
    count = -(-len(conditions) // most)
    size = -(-len(conditions) // count)
    return [
        Group(title, tuple(conditions[start : start + size]))
        for start in range(0, len(conditions), size)
    ]


def factor_faults(conditions: Sequence[_Condition]) -> list[str]:
    """Faults of factors: some stated and others not, too many, one level only, a cell twice."""
    stated = {c.name: c.factor for c in conditions if c.factor}
    whole = list(dict.fromkeys(name for own in stated.values() for name in own))
    faults = []
    for name, own in stated.items():
        missing = [factor for factor in whole if factor not in own]
        if missing:
            faults.append(
                f"condition {name!r} → factor: {', '.join(missing)} is missing; state a level of "
                "each factor, or of none for a condition that stands beside them"
            )
    if len(whole) > MOST_FACTORS:
        faults.append(
            f"condition → factor: must be {MOST_FACTORS} at most; got {', '.join(whole)}; take out "
            "what matters least"
        )
    if faults:
        return faults
    faults += [
        f"condition → factor: {factor!r} has one level only; state two or more, or take it out"
        for factor in whole
        if len({own[factor] for own in stated.values()}) < 2
    ]
    seen: dict[tuple[str, ...], str] = {}
    for name, own in stated.items():
        key = tuple(own[factor] for factor in whole)
        if key in seen:
            faults.append(
                f"condition {name!r} → factor: has the levels of {seen[key]!r} "
                f"({', '.join(key)}); give it others, or a factor that tells them apart"
            )
        seen.setdefault(key, name)
    return faults
