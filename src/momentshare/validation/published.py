"""Every published row that was considered: the targets made of it, or why there are none.

``published_rows.csv`` names each row of the tables that were collected for the limb, so that a
reader sees what it was not compared with, and why.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.errors import ModelError
from momentshare.inputs import TABLE, csv_rows, read_text

if TYPE_CHECKING:
    from collections.abc import Collection

    from momentshare.model import Model

__all__ = ["PublishedRow", "load_published_rows"]

_COLUMNS = (
    "table",
    "row",
    "subject",
    "quantity",
    "condition",
    "value",
    "known",
    "targets",
    "reason",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedRow:
    """One row of a collected table.

    Attributes
    ----------
    table, row : str
        Topic of the table and row in it.
    subject, quantity, condition, value, known : str
        As published.
    targets : tuple of str
        Targets made of it.
    reason : str
        Why there are none; empty if there are targets.
    """

    table: str
    row: str
    subject: str
    quantity: str
    condition: str
    value: str
    known: str
    targets: tuple[str, ...]
    reason: str


def load_published_rows(model: Model, targets: Collection[str]) -> tuple[PublishedRow, ...]:
    """Read ``published_rows.csv`` of a model; a model without one has none.

    Parameters
    ----------
    model : Model
    targets : collection of str
        Names of the targets that exist.

    Raises
    ------
    ModelError
        A row has neither targets nor a reason, or both, or names a target that does not exist.
    """
    path = Path(model.path) / "published_rows.csv"
    if not os.path.lexists(path):
        return ()
    found: list[PublishedRow] = []
    faults: list[str] = []
    rows = csv_rows(read_text(path, TABLE, ModelError), "published_rows.csv", ModelError)
    if not rows or tuple(rows[0][1]) != _COLUMNS:
        raise ModelError(f"{path}: must have the columns {', '.join(_COLUMNS)}")
    for number, cells in rows[1:]:
        place = f"published_rows.csv row {number}"
        if len(cells) != len(_COLUMNS):
            faults.append(f"{place}: has another number of columns than the header")
            continue
        row = dict(zip(_COLUMNS, cells, strict=True))
        made = tuple(filter(None, row["targets"].split("+")))
        if bool(made) == bool(row["reason"]):
            faults.append(f"{place}: needs either targets or a reason")
        faults += [
            f"{place}: field 'targets': {name!r} is not in targets.csv"
            for name in made
            if name not in targets
        ]
        found.append(
            PublishedRow(
                table=row["table"],
                row=row["row"],
                subject=row["subject"],
                quantity=row["quantity"],
                condition=row["condition"],
                value=row["value"],
                known=row["known"],
                targets=made,
                reason=row["reason"],
            )
        )
    if faults:
        raise ModelError(f"model {model.name!r}: published_rows.csv cannot be used:", faults)
    return tuple(found)
