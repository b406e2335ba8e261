"""Turn the rows of ``limits.csv`` into limits; every name in them must be known."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.errors import ModelError, nearest_name
from momentshare.inputs import TABLE, csv_rows, read_text, shown
from momentshare.limits import (
    CLAIMS,
    CONDITIONS,
    EVERY,
    EXERCISE_GROUPS,
    EXERCISES,
    HEAD_QUANTITIES,
    PARTS,
    QUANTITIES,
    Limit,
    Limits,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence
    from pathlib import Path

    from momentshare.model.schema import LimitRow

__all__ = ["assemble_limits", "target_ids"]


def assemble_limits(
    rows: Sequence[tuple[str, LimitRow]],
    heads: Sequence[str],
    targets: Collection[str],
    fault: Callable[[str, str], None],
) -> Limits:
    """Check rows against the names of the model and assemble the limits.

    Parameters
    ----------
    rows : sequence of (place, LimitRow)
    heads : sequence of str
        Heads of the model.
    targets : collection of str
        Ids of ``targets.csv``.
    fault : callable
        Called with place and fault; a row at fault is left out.
    """
    parts = {*heads, *(name.split("/")[0] for name in heads)}
    reader = _Reader(parts, targets, fault)
    titles: dict[str, str] = {}
    reasons: dict[str, str] = {}
    found = []
    for place, row in rows:
        if row.key not in titles:
            titles[row.key] = row.title
            if not row.title:
                fault(place, f"field 'title': the first row of {row.key!r} needs a title")
        elif row.title:
            fault(
                place,
                f"field 'title': {row.key!r} has its title in an earlier row; leave it blank here",
            )
        reason = row.reason or reasons.get(row.key, "")
        reasons.setdefault(row.key, reason)
        if not reason:
            fault(place, "field 'reason': is blank; say why the limb does not support it")
        limit = reader.limit(place, row, titles[row.key], reason)
        if limit is not None:
            found.append(limit)
    return Limits(tuple(found))


def target_ids(folder: Path, fault: Callable[[str, str], None]) -> set[str]:
    """Ids of the published rows; their other fields are read when a limb is validated."""
    path = folder / "targets.csv"
    if not os.path.lexists(path):
        return set()
    try:
        rows = csv_rows(read_text(path, TABLE, ModelError), "targets.csv", ModelError)
    except ModelError as err:
        fault("targets.csv", str(err).removeprefix(f"{shown(path)}: "))
        return set()
    return {cells[0] for _, cells in rows[1:] if cells}


@dataclass(slots=True)
class _Reader:
    """Knows the names that a row may hold, and records those that it may not."""

    heads: Collection[str]
    targets: Collection[str]
    fault: Callable[[str, str], None]
    sound: bool = True

    def wrong(self, place: str, what: str) -> None:
        self.fault(place, what)
        self.sound = False

    def several(self, place: str, field: str, text: str, known: Collection[str]) -> tuple[str, ...]:
        """Read names with + between; none for *."""
        if text == EVERY:
            return ()
        names = tuple(part.strip() for part in text.split("+"))
        for name in names:
            if name not in known:
                self.wrong(
                    place,
                    f"field {field!r}: {name!r} is unknown; "
                    f"{nearest_name(name, known)} (or {EVERY} for all)",
                )
        return names

    def limit(self, place: str, row: LimitRow, title: str, reason: str) -> Limit | None:
        self.sound = True
        heads = self.several(place, "head", row.head, self.heads)
        exercises = self.several(place, "exercise", row.exercise, {*EXERCISES, *EXERCISE_GROUPS})
        parts = () if row.part == "all" else self.several(place, "part", row.part, PARTS)
        for field, name, known in (
            ("quantity", row.quantity, QUANTITIES),
            ("claim", row.claim, CLAIMS),
        ):
            if name not in known:
                self.wrong(
                    place, f"field {field!r}: {name!r} is unknown; {nearest_name(name, known)}"
                )
        if heads and row.quantity not in HEAD_QUANTITIES and row.quantity in QUANTITIES:
            self.wrong(
                place, f"field 'head': {row.quantity!r} belongs to no head; write {EVERY} here"
            )
        self.condition(place, row)
        targets = tuple(name.strip() for name in row.targets.split("+") if name.strip())
        for name in targets:
            if name not in self.targets:
                self.wrong(
                    place,
                    f"field 'targets': {name!r} is not an id of targets.csv; "
                    + nearest_name(name, self.targets),
                )
        if not self.sound:
            return None
        return Limit(
            key=row.key,
            title=title,
            heads=heads,
            quantity=row.quantity,
            exercises=tuple(e for name in exercises for e in EXERCISE_GROUPS.get(name, (name,))),
            parts=parts,
            claim=row.claim,
            condition=row.condition,
            value=row.value,
            reason=reason,
            targets=targets,
        )

    def condition(self, place: str, row: LimitRow) -> None:
        if row.condition and row.condition not in CONDITIONS:
            self.wrong(
                place,
                f"field 'condition': {row.condition!r} is unknown; "
                + nearest_name(row.condition, CONDITIONS),
            )
            return
        needs = bool(CONDITIONS.get(row.condition, ""))
        if needs != (row.value is not None):
            self.wrong(
                place,
                f"field 'value': {row.condition or 'a row without condition'} "
                + ("needs a hand spacing in biacromial breadths" if needs else "takes none")
                + f"; got {row.value}",
            )
        if needs and row.unit != "1":
            self.wrong(
                place,
                f"field 'unit': hand spacings are in biacromial breadths, unit 1; got {row.unit!r}",
            )
