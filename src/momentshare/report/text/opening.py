"""Opening of a report: what is firm, what is reversed and by what, what cannot be said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.explain.phrases import capital
from momentshare.limits import merged_keys

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd
    from rich.console import Console

    from momentshare.model import Model

__all__ = [
    "ANSWER",
    "FIRM",
    "HOW_SURE",
    "LEADS",
    "MOST_TOLD",
    "MOVES",
    "TURNS",
    "UNSAID",
    "Opening",
    "beyond_limb",
    "counted",
    "everyone",
    "foremost",
    "head_volumes",
    "joined",
    "listed",
    "points",
    "print_opening",
    "sentence",
    "supported",
    "widest",
]

FIRM, TURNS, UNSAID = "What is firm", "What turns", "What cannot be said"
"""Words before each of the three statements."""

HOW_SURE = "How sure it is"
"""Words before a second statement that gives the outcome of draws."""

MOVES = "What moves it"
"""Words before a second statement that gives the range of an answer."""

MOST_TOLD = 24
"""Conditions that a text names or a terminal shows; tables have all of them."""

ANSWER = "Answer"
"""Word before an answer that was not challenged by any change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Three statements on the whole of a result.

    Attributes
    ----------
    firm : str
        What holds under everything that was tried.
    turns : str
        What is reversed, and by what.
    unsaid : str
        What the result cannot say.
    word, second : str
        Precede the first two statements.
    """

    firm: str
    turns: str
    unsaid: str
    word: str = FIRM
    second: str = TURNS

    def labelled(self) -> tuple[tuple[str, str], ...]:
        """Return the statements with the word before each, in the order of a reader."""
        return (self.word, self.firm), (self.second, self.turns), (UNSAID, self.unsaid)


def counted(count: int, noun: str) -> str:
    """Count a thing.

    Examples
    --------
    >>> counted(1, "order"), counted(3, "order")
    ('1 order', '3 orders')
    """
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def everyone(people: int) -> str:
    """Say that something holds for all people.

    Examples
    --------
    >>> everyone(2), everyone(3)
    ('for both people', 'for all 3 people')
    """
    return "for both people" if people == 2 else f"for all {people:,} people"


def points(difference: float) -> str:
    """Percentage points of a difference in activation.

    Examples
    --------
    >>> points(0.012), points(0.3)
    ('1 point', '30 points')
    """
    return counted(round(100.0 * difference), "point")


def joined(parts: Iterable[str]) -> str:
    """Join parts as a sentence does.

    Examples
    --------
    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    texts: Sequence[str] = list(parts)
    return " and ".join(filter(None, (", ".join(texts[:-1]), *texts[-1:])))


def listed(parts: Iterable[str], separator: str = "; ") -> str:
    """List parts, of very many the first ones and how many more there are.

    Examples
    --------
    >>> listed(["a", "b"])
    'a; b'
    >>> listed((f"c{k}" for k in range(3000)), ", ")[-26:]
    'c22, c23, … and 2,976 more'
    """
    texts = list(parts)
    left = len(texts) - MOST_TOLD
    told = separator.join(texts[:MOST_TOLD])
    return f"{told}{separator}… and {left:,} more" if left > 0 else told


def beyond_limb(rows: Sequence[Mapping[Any, Any]], noun: str) -> str:
    """Count the rows beyond what the limb supports, with the keys of their limits in order.

    Examples
    --------
    >>> beyond_limb([{"limit": "L10 L5"}, {"limit": "L3"}], "order")
    '2 orders lie beyond what this limb supports (L3, L5, L10; see Limits)'
    """
    keys = sorted(
        merged_keys(row["limit"] for row in rows).split(), key=lambda key: (len(key), key)
    )
    verb = "lies" if len(rows) == 1 else "lie"
    told = f"{', '.join(keys)}; see Limits"
    return f"{counted(len(rows), noun)} {verb} beyond what this limb supports ({told})"


def supported(count: int, total: int, orders: str = "of two conditions within a head") -> str:
    """Begin a sentence on the orders that hold and that no limit of the limb concerns.

    Examples
    --------
    >>> supported(3, 15)
    '3 of 15 orders of two conditions within a head are supported by the limb and hold'
    >>> supported(1, 1, "of two heads")
    '1 of 1 order of two heads is supported by the limb and holds'
    """
    verbs = ("is", "holds") if count == 1 else ("are", "hold")
    return (
        f"{count:,} of {counted(total, 'order')} {orders} {verbs[0]} supported by the limb and "
        f"{verbs[1]}"
    )


def sentence(parts: Iterable[str]) -> str:
    """Join statements into a sentence.

    Examples
    --------
    >>> sentence(["one is open", "two turn"])
    'One is open; two turn.'
    """
    return f"{capital('; '.join(parts))}."


def widest(table: pd.DataFrame, column: str) -> pd.Series[Any]:
    """Return the row with the greatest value of a column; NaN is left out."""
    return table.iloc[int(np.nanargmax(table[column].to_numpy(dtype=float)))]


LEADS = 0.10
"""Lift-mean activation that a head must reach in one of two conditions for their order to lead a
report, if any head does; chosen here."""


def foremost(
    orders: pd.DataFrame, named: Sequence[str] = ()
) -> tuple[pd.Series[Any], tuple[str, ...]]:
    """Choose the order that a report names first.

    That of most muscle in heads that the study names, or in all if it names none of them; heads
    that nowhere reach :data:`LEADS` come last.

    Parameters
    ----------
    orders : DataFrame
        ``head``, ``activation`` (in the higher condition) and ``active_volume_cm3``.
    named : sequence of str
        Heads that the study names beforehand.

    Returns
    -------
    (Series, tuple of str)
        The row, and what it is the first among where a larger one was passed over.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"head": ["a/b", "c"], "activation": [0.08, 0.2],
    ...                       "active_volume_cm3": [9.0, 5.0]})
    >>> row, among = foremost(table)
    >>> row["head"], among
    ('c', ('in heads that reach 10 %',))
    """
    mine, passed = orders, {}
    for words, chosen in {
        "in heads named beforehand": orders["head"].isin(list(named)),
        f"in heads that reach {100.0 * LEADS:g} %": orders["activation"] >= LEADS,
    }.items():
        own = chosen[mine.index]
        if own.any():
            passed[words] = mine.loc[~own, "active_volume_cm3"].max()
            mine = mine[own]
    row = widest(mine, "active_volume_cm3")
    larger = [words for words, size in passed.items() if size > row["active_volume_cm3"]]
    return row, tuple(larger)


def head_volumes(model: Model) -> dict[str, float]:
    """Volumes of the heads of the reference person [cm³].

    An order that leads is the one of most muscle: its difference in activation times this volume.
    Otherwise heads that are hardly larger than a finger lead wherever they work hard.
    """
    return {head.name: 1e6 * head.volume.value for head in model.heads}


def print_opening(console: Console, opening: Opening) -> None:
    """Print the three statements."""
    from rich.markup import escape

    for word, text in opening.labelled():
        console.print(f"[bold]{word}.[/bold] {escape(text)}", highlight=False)
