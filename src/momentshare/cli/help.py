"""``momentshare help``: the reference, topic by topic, or one field, column or file of it."""

from __future__ import annotations

import re
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
        typer.Argument(
            metavar="TOPIC",
            help="A topic, or a field, column, argument, file, term, public name or limit (L3).",
        ),
    ] = None,
) -> None:
    """Show the reference on a TOPIC; list the topics if none is named."""
    from momentshare.errors import UnknownNameError, nearest_name
    from momentshare.help import entries, entries_named, topics
    from momentshare.help.entries import entries_like, entries_sounding

    names = [t.name for t in topics()]
    if topic is None:
        _print(_listed())
        return
    text = next((t.text for t in topics() if t.name == topic), "")
    if not text and (found := entries_named(topic)):
        text = _explained(topic, found)
    if not text and topic:
        text = _public(topic)
    if not text and topic and (found := entries_sounding(topic)):
        text = _explained(topic, found)
    if not text and topic:
        like = entries_like(topic)
        text = _limit(topic) or (_explained(topic, like) if like else _mentioned(topic))
    if not text:
        known = {*names, *(name for entry in entries() for name in entry.names)}
        near = nearest_name(topic, known, _ALIKE)
        raise UnknownNameError(
            "topic", topic, names, remedy=f"{_offer(near)}topics: {', '.join(names)}"
        )
    _print(text)


_ALIKE = 0.65
"""How alike a known word must be to one that is not known; half alike is chance among so many."""


def _offer(near: str) -> str:
    """Return a suggestion of similar names, with room behind it; empty if there are none."""
    return f"{near} " if near.startswith("did you mean") else ""


def _listed() -> str:
    from momentshare.help import topics

    rows = "\n".join(f"| `{t.name}` | {t.summary} |" for t in topics())
    return f"""# Topics

`momentshare help TOPIC` shows one; a field, column, argument, file, public name, term of the
glossary or limit (L3) in place of TOPIC shows its entry.

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


def _public(name: str) -> str:
    """Return what a public name does, and the paragraphs that have it; empty for other names."""
    import inspect

    import momentshare
    import momentshare.sharing

    door = next((d for d in (momentshare, momentshare.sharing) if name in d.__all__), None)
    if door is None:
        return ""
    told = (inspect.getdoc(getattr(door, name)) or "").split("\n\n")[0]
    told = re.sub(r":\w+:`~?(?:[\w.]*\.)?(\w+)`", r"`\1`", told)
    place = f"{door.__name__}.{name}"
    lines = [f"# {name}", "", told, "", f"In Python, `help({place})` shows all of it."]
    return "\n".join(lines) + "\n" + _mentioned(name).removeprefix(f"# {name}\n")


def _limit(key: str) -> str:
    """Explain a limit of the reference limb; empty if there is none of that key."""
    from momentshare.limits import HEAD_QUANTITIES, QUANTITIES
    from momentshare.model import load_model

    limits = load_model().limits
    if key not in limits.keys:
        return ""
    lines = [f"# {limits.said(key)}", "", "| what | where | claim | why |", "|---|---|---|---|"]
    for row in limits.of(key):
        what = QUANTITIES[row.quantity]
        if row.quantity in HEAD_QUANTITIES:
            what += f" of {', '.join(row.heads) or 'every head'}"
        words = [", ".join(row.exercises) or "every exercise", ", ".join(row.parts)]
        words += [row.condition.replace("_", " ")]
        words += [] if row.value is None else [f"{row.value:g}"]
        where = "; ".join(filter(None, words)).replace("_", " ")
        claim = {"any": "size and order"}.get(row.claim, row.claim)
        lines.append(f"| {what} | {where} | {claim} | {row.reason} |")
    lines += ["", "`momentshare validate` compares the published rows behind a limit."]
    return "\n".join(lines) + "\n"


def _mentioned(name: str) -> str:
    """Return the paragraphs that have a name in code; empty without any."""
    from momentshare.help.entries import paragraphs_naming

    found = paragraphs_naming(name)
    if not found:
        return ""
    lines = [f"# {name}"]
    for topic, text in found:
        lines += ["", f"(topic `{topic}`)", "", text]
    return "\n".join(lines) + "\n"


def _print(text: str) -> None:
    """Render on a terminal; print plain Markdown to a file or a pipe."""
    if not sys.stdout.isatty():
        echo(text.rstrip("\n"))
        return
    from rich.markdown import Markdown

    console(copied=True).print(Markdown(text))
