"""Names that have changed since the tables were stored; the stored data keep the old ones.

Each mapping goes from a table, or ``"*"`` for all, to its names. Tables are called as in
``specs.TABLES``, such as ``"demo/heads"``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Duplicate:
    """A stored column that is gone because another one held exactly the same.

    Parameters
    ----------
    of : str
        Old name of the column that remains; the test compares the two in the stored table.
    reason : str
        Why one of them was enough.
    """

    of: str
    reason: str


COLUMNS: dict[str, dict[str, str | Duplicate]] = {}
"""Table → old column → new column, or the column that it was a duplicate of."""

VALUES: dict[str, dict[str, dict[str, str]]] = {}
"""Table → old column → old value → new value: names of rows, modes, heads, states."""
