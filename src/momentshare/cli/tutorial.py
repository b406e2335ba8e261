"""``momentshare tutorial``: write a tutorial and its files, and explain how to begin."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import echo

__all__ = ["tutorial"]


def tutorial(
    name: Annotated[str, typer.Argument(metavar="NAME", help="student, researcher or developer.")],
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder for the tutorial and its files.")
    ],
) -> None:
    """Write the tutorial NAME with its files into FOLDER."""
    from momentshare.tutorials import TUTORIALS, write_tutorial

    names = write_tutorial(name, folder)
    echo(f"{name}: {TUTORIALS[name]}")
    echo(f"Wrote {', '.join(names)} to {folder}")
    echo(f"Next: open {folder / names[0]}, change to that folder and run its commands")
