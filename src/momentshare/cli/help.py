"""``momentshare help``: the reference, topic by topic, or one field, column or file of it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import console, echo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.help import HelpEntry

__all__ = ["show_help"]


def show_help(
    topic: Annotated[
        str | None,
        typer.Argument(help="A topic, or a field, column or file that one explains."),
    ] = None,
) -> None:
    """Show the reference on a TOPIC; list the topics if none is named."""
    from momentshare.errors import UnknownNameError
    from momentshare.help import entries, entries_named, topics

    names = [t.name for t in topics()]
    if topic is None:
        _print(_listed())
        return
    text = next((t.text for t in topics() if t.name == topic), "")
    if not text and (found := entries_named(topic)):
        text = _explained(topic, found)
    if not text:
        known = {*names, *(name for entry in entries() for name in entry.names)}
        near = UnknownNameError("topic", topic, known)
        raise UnknownNameError(
            "topic", topic, names, remedy=f"{_offer(near)}topics: {', '.join(names)}"
        )
    _print(text)


def _offer(error: Exception) -> str:
    """Return the part of a message that suggests similar names; empty if there are none."""
    tail = str(error).rpartition("; ")[2]
    return f"{tail} " if tail.startswith("did you mean") else ""


def _listed() -> str:
    from momentshare.help import topics

    rows = "\n".join(f"| `{t.name}` | {t.summary} |" for t in topics())
    return f"""# Topics

`momentshare help TOPIC` shows one; a field, column or file in place of TOPIC shows its entry.

| topic | what it holds |
|---|---|
{rows}
"""


def _explained(name: str, found: Sequence[HelpEntry]) -> str:
    """Return the rows that explain a name, grouped under their headings."""
    lines = [f"# {name}", ""]
    last = ""
    for entry in found:
        if entry.section != last:
            lines += ["", f"**{entry.section}** (topic `{entry.topic}`)", ""]
            last = entry.section
        lines.append(f"- {entry.cells[0]}: {'; '.join(entry.cells[1:])}")
    return "\n".join([*lines, ""])


def _print(text: str) -> None:
    """Render on a terminal; print plain Markdown to a file or a pipe."""
    if not sys.stdout.isatty():
        echo(text.rstrip("\n"))
        return
    from rich.markdown import Markdown

    console().print(Markdown(text))
