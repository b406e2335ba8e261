"""Shared by commands: the console, options, and the folder for results."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.text import for_terminal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from rich.console import Console
    from rich.text import Text

    from momentshare.files import RunFolder

__all__ = ["Conditions", "People", "console", "echo", "folder_for"]

People = Annotated[
    list[str] | None,
    typer.Option("--person", help="A person; may be repeated; all if left out."),
]
Conditions = Annotated[
    list[str] | None,
    typer.Option("--condition", help="A condition; may be repeated; all if left out."),
]
"""People and conditions of the study for which a command is run."""

_WIDE = 160
"""Width in columns when the output is not a terminal, so that tables in a file are not cut."""


def console(*, quiet: bool = False, stderr: bool = False) -> Console:
    """Return a console; wide if the output goes to a file or a pipe."""
    from rich.console import Console
    from rich.segment import Segment

    class Safe(Console):
        """Makes control characters visible; all printed text passes through here."""

        def render_str(self, text: str, **options: Any) -> Text:
            return super().render_str(for_terminal(text), **options)

        def render(self, *given: Any, **options: Any) -> Iterator[Segment]:
            for part in super().render(*given, **options):
                # What moves the cursor is the library's own.
                yield part if part.control else Segment(for_terminal(part.text), part.style)

    if stderr:
        return Safe(quiet=quiet, stderr=True)
    return Safe(quiet=quiet, width=None if sys.stdout.isatty() else _WIDE)


def echo(text: str, *, err: bool = False) -> None:
    """Print a line as it is, with control characters made visible."""
    typer.echo(for_terminal(text), err=err)


@contextmanager
def folder_for(out: Path | None, command: str, **options: Any) -> Iterator[RunFolder | None]:
    """Hold the folder of ``--out`` while a command runs; nothing if none was requested.

    Options are those of :func:`momentshare.files.run_folder`.
    """
    if out is None:
        yield None
        return
    from momentshare.files import run_folder

    with run_folder(out, command, **options) as run:
        yield run
