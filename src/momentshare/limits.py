"""What a limb does not support, and which numbers and claims depend on it.

A :class:`Limit` is one row of a model's ``limits.csv``: heads × quantity × exercise × part of the
lift × claim, under a condition, with the reason and the published rows behind it. Rows of one key
share a title. :meth:`Limits.at` looks up the limits that apply to a cell of a table or figure, and
:func:`with_limits` adds the keys to the rows of a table.

A limit of the claim ``size`` applies to numbers as they are, one of ``order`` to comparisons
between conditions, one of ``any`` to both, and one of ``course`` to numbers at a height of the lift
alone. It also applies to what is computed from an unsupported
quantity: to a force through its activation. A limit that names neither head, exercise, part nor
condition and is about heads holds for a whole column; it is stated once with the column and not in
every cell.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from momentshare.directions import DIRECTIONS
from momentshare.errors import UnknownNameError
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

__all__ = [
    "BIAS_CLAIMS",
    "CLAIMS",
    "CONDITIONS",
    "EXERCISES",
    "EXERCISE_GROUPS",
    "HEAD_QUANTITIES",
    "LIFT_QUANTITIES",
    "PARTS",
    "PART_WORDS",
    "QUANTITIES",
    "STRENGTH_QUANTITIES",
    "LiftKind",
    "Limit",
    "Limits",
    "height_third",
    "keys_text",
    "lift_kinds",
    "marked",
    "merged_keys",
    "strength_keys",
    "with_limits",
    "with_strength_limits",
    "with_what_it_rests_on",
]

HEAD_QUANTITIES = {
    "activation": "activation",
    "force": "force",
    "moment_share": "part of a joint moment",
    "fibre_length": "fibre length",
    "passive_force": "passive force",
    "rotation_arm": "moment arm about the humeral axis",
    "elevation_arm": "moment arm in the plane of elevation",
    "horizontal_arm": "moment arm of horizontal adduction",
    "elbow_arm": "moment arm at the elbow",
}
"""Quantities of a head, in words."""

LIFT_QUANTITIES = {
    "greatest_load": "greatest load",
    "weak_height": "height of the weak zone",
    "lateral_ratio": "lateral ratio",
    "contact": "load of the glenoid",
    "scapula_turn": "what a turn of the scapula changes",
}
"""Quantities of a lift as a whole, in words."""

STRENGTH_QUANTITIES = {
    f"strength_{name}": f"strength of {direction.words}" for name, direction in DIRECTIONS.items()
}
"""Greatest moments by direction, in words. A size is a moment or a utilisation, an order a
comparison of postures, such as the bias of a strength test."""

QUANTITIES = HEAD_QUANTITIES | LIFT_QUANTITIES | STRENGTH_QUANTITIES

_RESTS_ON = {
    "force": ("activation",),
    "moment_share": ("activation", "force"),
    "weak_height": ("greatest_load",),
}
"""Quantity → those it is computed from."""

EXERCISES = (
    "bar_press",
    "dumbbell_press",
    "push_up",
    "overhead_press",
    "overhead_dumbbell_press",
    "lying_elbow_extension",
    "overhead_elbow_extension",
    "straight_arm_pull_down",
)
"""Exercises of a study file."""

EXERCISE_GROUPS = {
    "press": ("bar_press", "dumbbell_press", "push_up"),
    "overhead": ("overhead_press", "overhead_dumbbell_press", "overhead_elbow_extension"),
}
"""A word for several exercises."""

PARTS = ("chest", "middle", "lock-out")
"""Thirds of the bar height."""

PART_WORDS = dict(zip(PARTS, ("first", "middle", "last"), strict=True))
"""Third of the bar height → its place in words."""

CLAIMS = ("size", "order", "any", "course")

BIAS_CLAIMS = ("size", "order")
"""What is claimed where a difference or ratio is told as a number of its own: both."""

CONDITIONS = {
    "spacing_at_least": "value",
    "spacing_at_most": "value",
    "spacing_differs": "",
    "exercise_differs": "",
    "lateral_free": "",
}
"""Condition → the field it needs. Spacings are in biacromial breadths; ``spacing_differs`` is
met by two conditions of different spacing, ``exercise_differs`` by two of different exercises,
both among those of the limit. What is not known of a lift counts as met."""

EVERY = "*"


@dataclass(frozen=True, slots=True)
class LiftKind:
    """What a limit may depend on in a lift: its exercise and hand spacing [biacromial breadths]."""

    exercise: str = ""
    spacing: float | None = None


class _Condition(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def lift_kind(self) -> LiftKind: ...


def lift_kinds(conditions: Iterable[_Condition]) -> dict[str, LiftKind]:
    """Condition → what kind of lift it is, for the conditions of a study of any kind."""
    return {condition.name: condition.lift_kind for condition in conditions}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One row of ``limits.csv``; ``heads``, ``exercises`` and ``parts`` are empty for all."""

    key: str
    title: str
    heads: tuple[str, ...] = ()
    quantity: str
    exercises: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    claim: str = "any"
    condition: str = ""
    value: float | None = None
    reason: str
    targets: tuple[str, ...] = ()

    @property
    def of_a_column(self) -> bool:
        """Whether the limit holds for every cell of a column of heads."""
        named = self.heads or self.exercises or self.parts or self.condition
        return self.quantity in HEAD_QUANTITIES and not named

    def names(self, head: str) -> bool:
        """Whether the limit is about a head, by its own name or by its muscle's."""
        return not self.heads or head in self.heads or head.partition("/")[0] in self.heads

    def is_claimed(self, claim: str, part: str) -> bool:
        """Whether the limit is about a claim; the course of a lift is told height by height."""
        return self.claim in {claim, "any"} or (self.claim == "course" and part != "")

    def holds_for(self, kinds: Sequence[LiftKind], lateral: str) -> bool:
        """Whether exercise and condition match the limit; unknown ones do."""
        if self.exercises and not any(
            not kind.exercise or kind.exercise in self.exercises for kind in kinds
        ):
            return False
        if self.condition == "exercise_differs":
            return self._bridges([kind.exercise for kind in kinds])
        spacings = [kind.spacing for kind in kinds]
        known = [s for s in spacings if s is not None]
        if self.condition == "lateral_free":
            return lateral in {"", "free"}
        if self.condition == "spacing_differs":
            return len(known) < 2 or max(known) > min(known)
        if self.value is None or len(known) < len(spacings):
            return True
        if self.condition == "spacing_at_least":
            return max(known) >= self.value
        return min(known) <= self.value

    def _bridges(self, names: Sequence[str]) -> bool:
        """Whether lifts are of several exercises of the limit; an unknown one may be another."""
        known = {name for name in names if name}
        if len(names) < 2 or (self.exercises and not known <= set(self.exercises)):
            return False
        return len(known) > 1 or "" in names


@dataclass(frozen=True, slots=True)
class Limits:
    """All limits of a model, in the order of its file."""

    rows: tuple[Limit, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.keys)

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys without duplicates."""
        return tuple(dict.fromkeys(row.key for row in self.rows))

    @property
    def titles(self) -> tuple[str, ...]:
        """One line per key: the key and what is not supported."""
        return tuple(self.said(key) for key in self.keys)

    def of(self, key: str) -> tuple[Limit, ...]:
        """Rows of a key.

        Raises
        ------
        UnknownNameError
            No row has that key.
        """
        found = tuple(row for row in self.rows if row.key == key)
        if not found:
            raise UnknownNameError("limit", key, self.keys)
        return found

    def said(self, key: str) -> str:
        """Return the key followed by its title."""
        return f"{key}: {self.of(key)[0].title}"

    def notes(self, keys: Iterable[str]) -> list[str]:
        """Title and reasons of each key named, in file order, for the notes below a table."""
        named = {key for text in keys for key in text.split()}
        return [f"{self.said(k)} ({self.reasons(k)})" for k in self.keys if k in named]

    def is_of_course(self, key: str, head: str) -> bool:
        """Whether all that a key says of a head is about its course along the lift."""
        return all(row.claim == "course" for row in self.of(key) if row.names(head))

    def only_third(self, key: str) -> str:
        """Third of the bar height that all rows of a key are about, in words; else empty."""
        parts = {row.parts for row in self.of(key)}
        only = parts.pop() if len(parts) == 1 else ()
        return PART_WORDS[only[0]] if len(only) == 1 else ""

    def reasons(self, key: str) -> str:
        """Return the reasons of a key's rows, each once; several after what they are about."""
        about: dict[str, list[str]] = {}
        for row in self.of(key):
            words = [head_phrase(name) for name in row.heads] or [QUANTITIES[row.quantity]]
            about.setdefault(row.reason, []).extend(words)
        if len(about) == 1:
            return next(iter(about))
        return "; ".join(f"{', '.join(words)}: {reason}" for reason, words in about.items())

    def at(
        self,
        *quantities: str,
        head: str = "",
        kinds: Sequence[LiftKind] = (LiftKind(),),
        part: str = "",
        claim: str = "size",
        lateral: str = "",
    ) -> tuple[Limit, ...]:
        """Limits that apply to a cell.

        Parameters
        ----------
        *quantities : str
            Quantities in the cell; several where one mark serves a row of a table.
        head : str
            Empty where the cell is about no head; limits of heads then do not apply.
        kinds : sequence of LiftKind
            The lift, or the two that are compared.
        part : str
            One of :data:`PARTS`; empty for the whole lift, to which every part applies.
        claim : {"size", "order"}
            Whether the cell is a number as it is or compares conditions.
        lateral : str
            Treatment of the lateral force; empty where it is not known.

        Returns
        -------
        tuple of Limit
            Without those that hold for a whole column.

        Examples
        --------
        >>> cuff = Limit(key="L1", title="t", heads=("teres_minor",), quantity="activation",
        ...              reason="r")
        >>> [row.key for row in Limits((cuff,)).at("force", head="teres_minor")]
        ['L1']
        >>> Limits((cuff,)).at("force", head="anconeus")
        ()
        """
        asked = {name for quantity in quantities for name in with_what_it_rests_on(quantity)}
        return tuple(
            row
            for row in self.rows
            if row.quantity in asked
            and not row.of_a_column
            and row.is_claimed(claim, part)
            and (row.names(head) if head else row.quantity not in HEAD_QUANTITIES)
            and (not row.parts or not part or part in row.parts)
            and row.holds_for(kinds, lateral)
        )


def with_what_it_rests_on(quantity: str) -> tuple[str, ...]:
    """Return a quantity with those that it is computed from."""
    if quantity not in QUANTITIES:
        raise UnknownNameError("quantity", quantity, QUANTITIES)
    return (quantity, *_RESTS_ON.get(quantity, ()))


def height_third(fraction: float) -> str:
    """Return the third of the bar height in which a height fraction lies.

    Examples
    --------
    >>> [height_third(f) for f in (0.0, 0.4, 1.0)]
    ['chest', 'middle', 'lock-out']
    """
    return PARTS[min(max(int(3.0 * fraction), 0), 2)]


def keys_text(rows: Iterable[Limit]) -> str:
    """Keys of limits joined by spaces, without duplicates."""
    return " ".join(dict.fromkeys(row.key for row in rows))


def merged_keys(cells: Iterable[str]) -> str:
    """Keys of several cells joined by spaces, without duplicates."""
    return " ".join(dict.fromkeys(" ".join(cells).split()))


def marked(text: str, keys: str) -> str:
    """Append the keys of limits to a text, if there are any."""
    return f"{text} {keys}".strip() if keys else text


def with_limits(
    table: pd.DataFrame,
    limits: Limits,
    kinds: Mapping[str, LiftKind],
    *quantities: str,
    head: str = "head",
) -> pd.DataFrame:
    """Add the column ``limit``: the keys of the limits that apply to a row, or nothing.

    Parameters
    ----------
    table : DataFrame
        With ``condition``; ``other``, where a row compares two conditions; ``lateral`` and
        ``height_fraction``, where they are known.
    limits : Limits
    kinds : mapping
        Condition → what kind of lift it is; one that is not named counts as unknown.
    *quantities : str
        Quantities in a row.
    head : str
        Column of the head.

    Returns
    -------
    DataFrame
        A copy with the column last.
    """
    import pandas as pd

    names = [c for c in (head, "condition", "other", "lateral") if c in table]
    if table.empty or not names:
        return table.assign(limit="")
    columns: dict[str, tuple[np.ndarray, list[Any]]] = {}
    for name in names:
        codes, values = pd.factorize(table[name], use_na_sentinel=False)
        told: list[Any] = [str(value) for value in values]
        if name in {"condition", "other"}:
            told = [kinds.get(value, LiftKind()) for value in told]
        columns[name] = _coded(codes, told)
    if "height_fraction" in table:
        heights, codes = np.unique(table["height_fraction"].to_numpy(float), return_inverse=True)
        thirds = ["" if np.isnan(f) else height_third(f) for f in heights]
        columns["part"] = _coded(codes, thirds)
    sizes = tuple(len(values) for _, values in columns.values())
    cells = np.ravel_multi_index(tuple(codes for codes, _ in columns.values()), sizes)
    once, place = np.unique(cells, return_inverse=True)
    marks = []
    for row in zip(*np.unravel_index(once, sizes), strict=True):
        key = {name: columns[name][1][k] for name, k in zip(columns, row, strict=True)}
        marks.append(_mark(key, limits, quantities, head))
    return table.assign(limit=np.array(marks, dtype=object)[place])


def _coded(codes: np.ndarray, values: list[Any]) -> tuple[np.ndarray, list[Any]]:
    """Codes of distinct values: conditions of one kind and heights of a third have equal limits."""
    place = {value: k for k, value in enumerate(dict.fromkeys(values))}
    return np.array([place[value] for value in values], dtype=np.intp)[codes], list(place)


def _mark(
    row: Mapping[Any, Any],
    limits: Limits,
    quantities: Sequence[str],
    head: str,
) -> str:
    compared = [row[name] for name in ("condition", "other") if name in row]
    found = limits.at(
        *quantities,
        head=row.get(head, ""),
        kinds=compared or [LiftKind()],
        part=row.get("part", ""),
        claim="order" if "other" in row else "size",
        lateral=row.get("lateral", ""),
    )
    return keys_text(found)


def strength_keys(
    limits: Limits, direction: str, *claims: str, kind: LiftKind | None = None
) -> str:
    """Keys of the limits that concern the strength of a direction.

    Parameters
    ----------
    limits : Limits
    direction : str
        One of :data:`momentshare.directions.DIRECTIONS`.
    *claims : {"size", "order"}
        Whether a moment is meant as it is, or compared with that in another posture, or both.
    kind : LiftKind, optional
        The lift that it is compared with.
    """
    name, kinds = f"strength_{direction}", (kind or LiftKind(),)
    return keys_text(row for claim in claims for row in limits.at(name, kinds=kinds, claim=claim))


def with_strength_limits(
    table: pd.DataFrame, limits: Limits, kinds: Mapping[str, LiftKind]
) -> pd.DataFrame:
    """Add the column ``limit`` to a table of strength: keys that concern its direction.

    Parameters
    ----------
    table : DataFrame
        With ``direction``; ``condition``, where a lift is meant; ``test_posture_bias``, where
        postures are compared.
    limits : Limits
    kinds : mapping
        Condition → what kind of lift it is.

    Returns
    -------
    DataFrame
        A copy with the column last.
    """
    claims = BIAS_CLAIMS if "test_posture_bias" in table else ("size",)
    names = table["condition"] if "condition" in table else [""] * len(table)
    pairs = list(zip(table["direction"].astype(str), names, strict=True))
    found = {
        (direction, name): strength_keys(limits, direction, *claims, kind=kinds.get(name))
        for direction, name in dict.fromkeys(pairs)
    }
    return table.assign(limit=[found[pair] for pair in pairs])
