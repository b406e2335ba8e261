"""The console that commands print to."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.text import for_terminal

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = ["Conditions", "People", "console", "echo"]

People = Annotated[
    list[str] | None,
    typer.Option("--person", help="A person; may be repeated; all if left out."),
]
Conditions = Annotated[
    list[str] | None,
    typer.Option("--condition", help="A condition; may be repeated; all if left out."),
]
"""Which people and conditions of the study a command is run for."""

_WIDE = 160
"""Columns when the output is not a terminal, so that tables in a file are not cut."""


def console(*, quiet: bool = False) -> Console:
    """Return a console; wide where the output goes to a file or a pipe."""
    from rich.console import Console

    class Safe(Console):
        """Shows what a terminal would obey; every text that is printed passes here."""

        def render_str(self, text: str, **options: Any) -> Text:
            return super().render_str(for_terminal(text), **options)

    return Safe(quiet=quiet, width=None if sys.stdout.isatty() else _WIDE)


def echo(text: str, *, err: bool = False) -> None:
    """Print a line as it is, without what a terminal would obey."""
    typer.echo(for_terminal(text), err=err)
