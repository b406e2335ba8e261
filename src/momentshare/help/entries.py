"""Names that the help explains: fields, columns, options, each a row of a Markdown table.

The first cell of a row holds one or more names in backticks, or terms of the glossary. Braces
stand for a choice: ``{low,high}`` for the words in them, ``{row}`` for every row of the joint
moment.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from momentshare.directions import ROWS
from momentshare.help.topics import topics

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "HelpEntry",
    "entries",
    "entries_like",
    "entries_named",
    "entries_sounding",
    "paragraphs_naming",
]

_NAME = re.compile(r"`([^`]+)`")
_CHOICE = re.compile(r"\{([^{}]+)\}")
_SETS = {"row": ROWS}

_TERM = "term"
"""Heading of the first column of the glossary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HelpEntry:
    """One row of a table of the help.

    Attributes
    ----------
    topic : str
    section : str
        Nearest heading above the table, without markup.
    kind : str
        Heading of the first column of the table, such as ``"column"`` or ``"field"``.
    names : tuple of str
        What the row explains, braces written out.
    cells : tuple of str
        The row as written, in Markdown.
    """

    topic: str
    section: str
    kind: str
    names: tuple[str, ...]
    cells: tuple[str, ...]

    @property
    def headings(self) -> frozenset[str]:
        """What the section names, such as each of several files that have the same columns."""
        return frozenset(n for part in self.section.split(", ") for n in _written_out(part))


def _written_out(name: str) -> Iterator[str]:
    """Yield every name that a name with braces stands for."""
    found = _CHOICE.search(name)
    if found is None:
        yield name
        return
    words = _SETS.get(found[1]) or found[1].split(",")
    for word in words:
        yield from _written_out(name[: found.start()] + word + name[found.end() :])


def _cells(line: str) -> tuple[str, ...]:
    parts = re.split(r"(?<!\\)\|", line.strip().strip("|"))
    return tuple(part.strip().replace("\\|", "|") for part in parts)


@cache
def entries() -> tuple[HelpEntry, ...]:
    """Return every row of every table of the help, topic by topic.

    Examples
    --------
    >>> {e.topic for e in entries() if "touch_point_cm" in e.names}
    {'exercises'}
    """
    return tuple(entry for topic in topics() for entry in _of_text(topic.name, topic.text))


def _of_text(name: str, text: str) -> Iterator[HelpEntry]:
    section, kind, code = "", "", False
    for line in text.splitlines():
        if line.startswith("```"):
            code = not code
        elif code:
            continue
        elif line.startswith("#"):
            section, kind = line.lstrip("# ").replace("`", ""), ""
        elif not line.startswith("|"):
            kind = ""
        elif not kind:
            kind = _cells(line)[0]
        elif not line.startswith("|-"):
            cells = _cells(line)
            raws = cells[0].split(", ") if kind == _TERM else _NAME.findall(cells[0])
            names = tuple(n for raw in raws for n in _written_out(raw))
            yield HelpEntry(topic=name, section=section, kind=kind, names=names, cells=cells)


def entries_named(name: str) -> tuple[HelpEntry, ...]:
    """Return the rows that explain a name, and those of the section of that name.

    Examples
    --------
    >>> [entry.kind for entry in entries_named("touch_point_cm")]
    ['field']
    >>> {entry.section for entry in entries_named("heads.csv")} > {"heads.csv"}
    True
    """
    return tuple(e for e in entries() if name in e.names or name in e.headings)


def entries_sounding(name: str) -> tuple[HelpEntry, ...]:
    """Return the rows that explain a name, whatever its capitals, spaces and dashes.

    Examples
    --------
    >>> {entry.names[0] for entry in entries_sounding("Min-Max")}
    {'min–max'}
    """
    wanted = _bare(name)
    return tuple(e for e in entries() if wanted in {_bare(n) for n in e.names})


def _bare(name: str) -> str:
    return re.sub(r"[-\u2010-\u2014 ]", "", name.casefold())


def entries_like(word: str) -> tuple[HelpEntry, ...]:
    """Return the rows of fields and terms that have a word in their name.

    Examples
    --------
    >>> {entry.names[0] for entry in entries_like("stature")}
    {'stature_cm'}
    """
    return tuple(
        e
        for e in entries()
        if e.kind in {"field", _TERM} and any(word in re.split(r"[_ ]", n) for n in e.names)
    )


def paragraphs_naming(name: str) -> tuple[tuple[str, str], ...]:
    """Return the paragraphs that have a name in code, each after its topic.

    Examples
    --------
    >>> "embedding" in {topic for topic, _ in paragraphs_naming("to_json")}
    True
    """
    return tuple(
        (topic.name, part.strip())
        for topic in topics()
        for part in re.split(r"\n\n|\n(?=- )", topic.text)
        if not part.lstrip().startswith(("|", "#", "```"))
        and any(re.search(rf"\b{re.escape(name)}\b", code) for code in _NAME.findall(part))
    )
