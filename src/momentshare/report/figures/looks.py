"""How the lines of conditions look, which share a panel, and what their legend says.

With factors, the first decides colour and marker, the second dash and filling, the third the panel;
without, each condition has a colour, a dash and a marker of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare.report.figures import style
from momentshare.study.factors import MOST_LINES, Factors, Group

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from momentshare.report.figures.layout import Handles

__all__ = ["Comparison", "Looks", "panel_titles", "shared_out"]


_DOT: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.6, "color": style.INK}


class Comparison(NamedTuple):
    """A condition, the one that it is compared with, and the words for both."""

    condition: str
    other: str
    words: str


@dataclass(frozen=True, slots=True)
class Looks:
    """Looks of the conditions of a study.

    Parameters
    ----------
    conditions : sequence of str
        All that are shown, in their order.
    factors : Factors
    labels : mapping
        Condition → what a legend calls it, where that is not its name.
    """

    conditions: Sequence[str]
    factors: Factors = field(default_factory=Factors)
    labels: Mapping[str, str] = field(default_factory=dict)

    @property
    def _first(self) -> str:
        """First factor; empty without factors."""
        return next(iter(self.factors.names), "")

    @property
    def _second(self) -> str:
        """Second factor; empty without one."""
        return next(iter(self.factors.names[1:]), "")

    def of(self, condition: str) -> dict[str, Any]:
        """Colour, line style and marker of a condition."""
        if not self._first:
            return style.condition_style(list(self.conditions).index(condition))
        own = self.factors.of.get(condition)
        colours, dashes = self._levels(self._first), self._levels(self._second)
        if own:
            colour = colours.index(own[self._first])
            return style.factor_style(
                colour, dashes.index(own[self._second]) if self._second else colour
            )
        beside = [c for c in self.conditions if not self.factors.of.get(c)].index(condition)
        return style.factor_style(len(colours) + beside, len(dashes or colours) + beside)

    def groups(self, shown: Sequence[str], most: int = MOST_LINES) -> list[Group]:
        """Conditions that share a panel."""
        return self.factors.groups([c for c in self.conditions if c in shown], most)

    def dot(self, condition: str) -> dict[str, Any]:
        """Look of a condition as a dot, where a row or tick names it: ink without factors."""
        if not self._first:
            return dict(_DOT)
        own = self.of(condition)
        return _DOT | {name: own[name] for name in ("color", "marker", "markerfacecolor")}

    def dot_handles(self, shown: Sequence[str]) -> Handles:
        """Entries of the legend of such dots; none without factors."""
        if not self._first:
            return []
        return [(name, look | {"linestyle": "none"}) for name, look in self.handles(shown)]

    def bar_handles(self, shown: Sequence[str]) -> Handles:
        """Entries of the legend of dots with bars, whose line is never dashed."""
        return [(name, look | {"linestyle": "-"}) for name, look in self.handles(shown)]

    def comparisons(
        self, shown: Sequence[str], joint: str = "\N{MINUS SIGN}", *, most: int = 0
    ) -> list[Comparison]:
        """Conditions to compare: the first level with others, the first condition with the rest.

        Levels of a factor are compared at each setting of the other factors. ``joint`` stands
        between the two. Up to ``most`` conditions that no factor arranges are compared each with
        each.
        """
        steps = [
            step
            for step in self.factors.steps()
            if {step.condition, step.other} <= set(shown)
            and step.level == self.factors.levels(step.factor)[0]
        ]
        found = [
            Comparison(
                step.condition,
                step.other,
                f"{step.factor}: {step.level} {joint} {step.other_level}"
                + (f" ({step.setting})" if step.setting else ""),
            )
            for step in steps
        ]
        if not steps and len(shown) <= most:
            return [
                Comparison(c, other, f"{self._label(c)} {joint} {self._label(other)}")
                for c, other in combinations(shown, 2)
            ]
        first = self._label(shown[0])
        beside = [c for c in shown[1:] if not steps or not self.factors.of.get(c)]
        return found + [
            Comparison(shown[0], c, f"{first} {joint} {self._label(c)}") for c in beside
        ]

    def handles(self, shown: Sequence[str], *, letters: Sequence[str] = ()) -> Handles:
        """Entries of the legend: levels of the factors, or conditions one by one.

        ``letters`` stand before conditions whose axis has letters in place of names.
        """
        mine = [c for c in self.conditions if c in shown]
        marks = dict(zip(self.conditions, letters, strict=False))
        if not self._first or letters:
            return [
                (f"{marks[c]} = {self._label(c)}" if c in marks else self._label(c), self.of(c))
                for c in mine
            ]
        inside = [c for c in mine if self.factors.of.get(c)]
        found: Handles = []
        for factor in (self._first, self._second):
            for level in self._levels(factor) if factor else ():
                if not any(self.factors.of[c][factor] == level for c in inside):
                    continue
                index = self._levels(factor).index(level)
                if factor == self._first:
                    look = style.factor_style(index, 0 if self._second else index)
                else:
                    filled = style.INK if index % 2 == 0 else "#ffffff"
                    look = style.factor_style(0, index)
                    look |= {"color": style.INK, "markerfacecolor": filled}
                found.append((f"{factor}: {level}", look))
        return found + [(self._label(c), self.of(c)) for c in mine if c not in inside]

    def _label(self, condition: str) -> str:
        return self.labels.get(condition, condition)

    def _levels(self, factor: str) -> tuple[str, ...]:
        return self.factors.levels(factor) if factor else ()


def panel_titles(titles: Sequence[str], groups: Sequence[Group]) -> list[str]:
    """Titles of panels, one for each title and group, the groups of a title side by side."""
    return [f"{title}\n{g.title}".strip() if g.title else title for title in titles for g in groups]


def shared_out(groups: Sequence[Group]) -> str:
    """Say in a note that conditions stand in several panels, where no title says it."""
    if len(groups) < 2 or any(group.title for group in groups):
        return ""
    return f" Conditions are shared out over {len(groups)} panels side by side."
