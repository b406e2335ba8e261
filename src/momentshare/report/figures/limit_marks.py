"""Marks of limits in figures: keys behind labels, hatched cells and stretches, and a footnote."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from momentshare.limits import PARTS, LiftKind, keys_text, marked, merged_keys
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from matplotlib.axes import Axes

    from momentshare.limits import Limits

__all__ = ["Marks", "footnote", "hatch", "hatch_stretches"]


@dataclass(slots=True)
class Marks:
    """Finds the limits of what a figure shows, and remembers them.

    Parameters
    ----------
    limits : Limits
    kinds : mapping
        Condition → what kind of lift it is.
    """

    limits: Limits
    kinds: Mapping[str, LiftKind]
    used: list[str] = field(default_factory=list)
    own: list[str] = field(default_factory=list)

    def keys(
        self,
        quantity: str,
        conditions: Sequence[str],
        *,
        head: str = "",
        part: str = "",
        lateral: str = "",
    ) -> str:
        """Keys of the limits that concern a quantity in any of the conditions."""
        rows = [
            row
            for name in conditions
            for row in self.limits.at(
                quantity,
                head=head,
                kinds=[self.kinds.get(name, LiftKind())],
                part=part,
                lateral=lateral,
            )
        ]
        found = keys_text(rows)
        self.own += found.split()
        return self._seen(found)

    def pair_keys(self, pair: Sequence[str], head: str, lateral: str = "", part: str = "") -> str:
        """Keys of the limits that touch the order of two conditions in activation."""
        rows = self.limits.at(
            "activation",
            head=head,
            kinds=[self.kinds.get(name, LiftKind()) for name in pair],
            part=part,
            claim="order",
            lateral=lateral,
        )
        return self._seen(keys_text(rows))

    def order_keys(self, conditions: Sequence[str], head: str, lateral: str = "") -> str:
        """Keys of the limits that touch any order of the conditions in activation."""
        return merged_keys(
            self.pair_keys(pair, head, lateral) for pair in combinations(conditions, 2)
        )

    def order_parts(self, pair: Sequence[str], head: str, lateral: str = "") -> list[int]:
        """Thirds of the lift in which the order of two conditions is not to be trusted."""
        return [k for k, part in enumerate(PARTS) if self.pair_keys(pair, head, lateral, part)]

    def label(self, head: str, keys: str) -> str:
        """Name of a head followed by keys."""
        return marked(head_label(head), keys)

    def parts(
        self, quantity: str, conditions: Sequence[str], head: str, lateral: str = ""
    ) -> list[int]:
        """Thirds of the lift in which a quantity of a head cannot be trusted."""
        return [
            place
            for place, part in enumerate(PARTS)
            if self.keys(quantity, conditions, head=head, part=part, lateral=lateral)
        ]

    def _seen(self, keys: str) -> str:
        self.used += keys.split()
        return keys

    def note(self) -> str:
        """Footnote that spells out the keys found so far."""
        return footnote(self.limits, self.used)

    def hatched_note(self, what: str) -> str:
        """Footnote of a figure that hatches ``what`` a limit concerns, and not mere orders."""
        if not self.used:
            return ""
        if set(self.used) == set(self.own):
            return f"{self.note()} Such {what} are hatched."
        return (
            f"{self.note()} {what.capitalize()} are hatched where an activation itself is not "
            "supported, and not only its order."
        )


def footnote(limits: Limits, keys: Iterable[str]) -> str:
    """Explain in a sentence the keys of a figure, with the third they are about; empty without.

    Examples
    --------
    >>> from momentshare.limits import Limit, Limits
    >>> loads = Limit(key="L1", title="Loads", quantity="greatest_load", reason="r")
    >>> end = Limit(key="L2", title="End", quantity="contact", parts=("lock-out",), reason="r")
    >>> footnote(Limits((loads, end)), ["L1"])
    ' Not supported by the limb: Loads (L1).'
    >>> footnote(Limits((loads, end)), ["L2"])
    ' Not supported by the limb: End, in the last third of the bar height (L2).'
    >>> footnote(Limits((loads,)), [])
    ''
    """
    named = {key for text in keys for key in text.split()}
    told = [
        f"{limits.of(key)[0].title}{_third(limits, key)} ({key})"
        for key in limits.keys
        if key in named
    ]
    return f" Not supported by the limb: {'; '.join(told)}." if told else ""


def _third(limits: Limits, key: str) -> str:
    """Say which third of the bar height a limit is about, if all its rows are about the same."""
    third = limits.only_third(key)
    return f", in the {third} third of the bar height" if third else ""


def hatch(ax: Axes, left: float, bottom: float, width: float, height: float) -> None:
    """Hatch a cell or stretch of a panel, in data coordinates, without hiding it."""
    from matplotlib.patches import Rectangle

    ax.add_patch(
        Rectangle(
            (left, bottom),
            width,
            height,
            fill=False,
            hatch="////",
            edgecolor="#8a8a8a",
            linewidth=0.0,
            zorder=1.5,
        )
    )


def hatch_stretches(ax: Axes, lift: Sequence[float], limited: Sequence[bool]) -> None:
    """Hatch where points of a curve are marked: each from halfway to its neighbours, full height.

    ``lift`` rises; the limits of the panel must be final.
    """
    at = np.asarray(lift, dtype=float)
    if len(at) == 0:
        return
    edges = np.concatenate([at[:1], 0.5 * (at[1:] + at[:-1]), at[-1:]])
    flags = np.concatenate([[False], np.asarray(limited, dtype=bool), [False]])
    starts, ends = (
        np.flatnonzero(flags[1:] & ~flags[:-1]),
        np.flatnonzero(flags[:-1] & ~flags[1:]),
    )
    low, high = ax.get_ylim()
    for start, end in zip(starts, ends, strict=True):
        hatch(ax, edges[start], low, edges[end] - edges[start], high - low)
