"""Files beside the targets of a model that hold what takes long to compute."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare.errors import ModelError
from momentshare.inputs import TABLE, csv_rows, read_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.model import Model

__all__ = ["rows_under", "stored_text"]


def stored_text(model: Model, name: str) -> tuple[str, str] | None:
    """Return the text of a file of a model and its place; None where there is no such file."""
    path = Path(model.path) / name
    if not os.path.lexists(path):
        return None
    return read_text(path, TABLE, ModelError), str(path)


def rows_under(text: str, where: str, columns: Sequence[str]) -> list[tuple[int, list[str]]]:
    """Return the numbered rows of a table with these columns.

    Raises
    ------
    ModelError
        The table has other columns.
    """
    every = csv_rows(text, where, ModelError)
    if not every or every[0][1] != list(columns):
        raise ModelError(f"{where}: must have the columns {', '.join(columns)}")
    return every[1:]
