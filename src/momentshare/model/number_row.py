"""What every row of a table has that gives a number."""

from __future__ import annotations

from typing import Protocol


class NumberRow(Protocol):
    """A row of any table with a number of known origin."""

    @property
    def value(self) -> float:
        """In ``unit``."""

    @property
    def spread(self) -> float:
        """One standard deviation, in ``unit``."""

    @property
    def unit(self) -> str:
        """Unit of the file."""

    @property
    def source(self) -> str:
        """Key of a reference."""

    @property
    def kind(self) -> str:
        """How the number is known."""

    @property
    def note(self) -> str:
        """Remark, may be empty."""
