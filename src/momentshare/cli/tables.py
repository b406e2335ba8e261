"""The console that commands print to."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["console"]

_WIDE = 160
"""Columns when the output is not a terminal, so that tables in a file are not cut."""


def console(*, quiet: bool = False) -> Console:
    """Return a console; wide where the output goes to a file or a pipe."""
    from rich.console import Console

    return Console(quiet=quiet, width=None if sys.stdout.isatty() else _WIDE)
