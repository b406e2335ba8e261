"""Where numbers come from: the kinds of knowledge and the bibliography.

Each number of a model carries a source key and a kind. The kinds, from firm to loose:

``measured``
    read in a published table, text or data set;
``derived``
    arithmetic on other numbers, stated in the note;
``calibrated``
    found by fitting the model to published targets;
``assumed``
    chosen within described anatomy, no published value found;
``from memory``
    recalled from a publication that was not reopened.

Three fields of an entry are specific to this library. ``incomplete`` says what is missing from a
citation; such an entry is never exported. ``recalled`` names the fields that were not seen on any
page. ``keywords = {not a publication}`` marks entries that stand for choices made here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.errors import ModelError, UnknownNameError
from momentshare.inputs import BIBLIOGRAPHY, read_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

__all__ = [
    "KINDS",
    "Citations",
    "Reference",
    "cite",
    "read_bibliography",
    "scan_bibliography",
]

KINDS = ("measured", "derived", "calibrated", "assumed", "from memory")

_REQUIRED: dict[str, tuple[tuple[str, ...], ...]] = {
    "article": (("author",), ("title",), ("journal",), ("year",), ("pages", "doi")),
    "book": (("author",), ("title",), ("publisher",), ("year",)),
    "techreport": (("author",), ("title",), ("institution",), ("year",)),
    "inproceedings": (("author",), ("title",), ("booktitle",), ("year",)),
}
"""Fields that a citation needs by type of entry; one of each group."""

_MOST_FAULTS = 10
"""Faults after which reading goes on behind no malformed entry."""

_NOT_A_PUBLICATION = "not a publication"
_LINE = re.compile(r"\n[ \t]*@")
_HEAD = re.compile(r"@[ \t]*(\w+)\s*([{(])\s*")
_KEY = re.compile(r"[^\s,{}\"#%'()=@\\]+")
_NAME = re.compile(r"[A-Za-z][\w-]*")
_BARE = re.compile(r"[\w.:/+-]+")
_INITIALS = re.compile(r"[A-Z](?:[A-Zde]*[A-Z])?")
_SPACE = re.compile(r"\s*")
_BRACE = re.compile(r"[{}]")
_QUOTED = re.compile(r"[{}\"]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One entry of a bibliography."""

    key: str
    category: str
    fields: tuple[tuple[str, str], ...]

    def field(self, name: str) -> str:
        """Return a field, empty where the entry has none."""
        return dict(self.fields).get(name, "")

    @property
    def cited(self) -> str:
        """Authors and year, as a sentence cites it; the title where no author is known."""
        names = [" ".join(_surname(name)) for name in self.field("author").split(" and ") if name]
        known = [name for name in names if name != "others"]
        year = self.field("year")
        if not self.is_publication or not known:
            title = self.field("title") or self.field("booktitle") or self.field("journal")
            return ", ".join(filter(None, (title, year if self.is_publication else ""))) or self.key
        several = " et al." if len(names) > 2 or len(known) < len(names) else ""
        who = known[0] + several if several else " and ".join(known)
        return f"{who} {year}".rstrip()

    @property
    def incomplete(self) -> str:
        """What is missing from the citation, in words; empty if it is complete."""
        return self.field("incomplete")

    @property
    def is_publication(self) -> bool:
        """False for entries that stand for choices made here or for common practice."""
        return _NOT_A_PUBLICATION not in self.field("keywords")

    @property
    def bibtex(self) -> str:
        """The entry as BibTeX, one field per line, as a bibliography takes it.

        Surnames are parted from initials by a comma, and how the source is known goes into
        ``annote``, which no style prints.
        """
        known = {name: value for name, value in self.fields if name not in {"note", "recalled"}}
        if "author" in known:
            known["author"] = " and ".join(map(_parted, known["author"].split(" and ")))
        recalled = self.field("recalled")
        about = [self.field("note"), f"recalled: {recalled}" if recalled else ""]
        if told := "; ".join(filter(None, about)):
            known["annote"] = told
        lines = [f"  {name} = {{{value}}}" for name, value in known.items()]
        return f"@{self.category}{{{self.key},\n" + ",\n".join(lines) + "\n}"

    def text(self) -> str:
        """Return a one-line citation."""
        have = dict(self.fields)
        have["where"] = _where(have)
        parts = [have.get(name, "") for name in ("author", "title", "where", "year", "note")]
        return ". ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Citations:
    """The publications behind a result, separated into citable ones and incomplete ones."""

    complete: tuple[Reference, ...]
    incomplete: tuple[Reference, ...]

    def bibtex(self) -> str:
        """Return the complete entries as BibTeX; incomplete ones are named in a comment."""
        blocks = [reference.bibtex for reference in self.complete]
        if self.incomplete:
            blocks.append(
                "% Used, but not citable as it stands:\n"
                + "\n".join(f"% {r.key} (lacks {r.incomplete})" for r in self.incomplete)
            )
        return "\n\n".join(blocks) + ("\n" if blocks else "")

    def to_dict(self) -> dict[str, dict[str, str]]:
        """Return ``sources`` and ``incomplete_sources`` by key, ready for JSON."""
        return {
            "sources": {r.key: r.text() for r in self.complete},
            "incomplete_sources": {r.key: r.incomplete for r in self.incomplete},
        }


def cite(references: Mapping[str, Reference], keys: Iterable[str]) -> Citations:
    """Sort the publications among these source keys, without duplicates, by key.

    Entries that are not publications, such as choices made here, are left out.

    Raises
    ------
    UnknownNameError
        A key is not in the bibliography.
    """
    found: list[Reference] = []
    for key in sorted(set(keys)):
        if key not in references:
            raise UnknownNameError("source key", key, references, "references.bib")
        if references[key].is_publication:
            found.append(references[key])
    return Citations(
        complete=tuple(r for r in found if not r.incomplete),
        incomplete=tuple(r for r in found if r.incomplete),
    )


def read_bibliography(path: Path) -> dict[str, Reference]:
    """Read a BibTeX file, whatever its layout, in one pass.

    Values stand in braces, in quotes or bare, and may be joined with #; entries stand in braces
    or parentheses. Abbreviations (``@string``) are written out; ``@comment`` and ``@preamble``
    entries, lines that begin with % and text between entries are skipped.

    Raises
    ------
    ModelError
        The file cannot be read, an entry is malformed (with its line), a key is duplicated, or
        an entry lacks a field without saying so in ``incomplete``; all of them together.
    """
    found, faults = scan_bibliography(path)
    if len(faults) == 1:
        raise ModelError(faults[0])
    if faults:
        raise ModelError(f"{path}: the bibliography does not load:", faults)
    return found


def scan_bibliography(path: Path) -> tuple[dict[str, Reference], tuple[str, ...]]:
    """Read a BibTeX file as :func:`read_bibliography` does, and return what is wrong with it.

    After a malformed entry reading goes on at the next line that begins with @, unless a brace
    or quote was left open.

    Raises
    ------
    ModelError
        The file cannot be read.
    """
    text = read_text(path, BIBLIOGRAPHY, ModelError)
    found: dict[str, Reference] = {}
    faults: list[str] = []
    scanner = _Scanner(path, text)
    while True:
        try:
            for reference in scanner.entries():
                if reference.key in found:
                    faults.append(
                        f"{path}: source key {reference.key!r} is duplicated; rename one of the "
                        "entries"
                    )
                    continue
                if lack := _lack(path, reference):
                    faults.append(lack)
                found[reference.key] = reference
        except ModelError as err:
            faults.append(str(err))
            if len(faults) < _MOST_FAULTS and scanner.skip():
                continue
        return found, tuple(faults)


def _surname(name: str) -> list[str]:
    """Leave the initials out of an author's name; a name in braces is taken as it is."""
    if name.startswith("{"):
        return [name.strip("{}")]
    if "," in name:
        return [name.partition(",")[0]]
    words = name.split()
    return [word for word in words if not _INITIALS.fullmatch(word)] or words


def _parted(name: str) -> str:
    """Part the surname of an author from the initials, as bibliographies want it.

    Examples
    --------
    >>> _parted("An KN"), _parted("van der Helm FCT"), _parted("others"), _parted("{WHO}")
    ('An, K. N.', 'van der Helm, F. C. T.', 'others', '{WHO}')
    """
    surname = _surname(name)
    initials = [word for word in name.split() if word not in surname]
    if name.startswith("{") or "," in name or not initials:
        return name
    letters = " ".join(f"{letter}." for word in initials for letter in word if letter.isalpha())
    return f"{' '.join(surname)}, {letters}"


def _where(have: Mapping[str, str]) -> str:
    """Journal, volume and pages, or what takes their place."""
    names = ("journal", "booktitle", "institution", "publisher")
    place = next((have[name] for name in names if name in have), "")
    numbers = ":".join(have[name] for name in ("volume", "pages") if name in have)
    return " ".join(part for part in (place, numbers) if part)


def _lack(path: Path, reference: Reference) -> str:
    """Say what an entry lacks; empty where it lacks nothing, or says so itself."""
    names = {name for name, value in reference.fields if value}
    if "incomplete" in dict(reference.fields):
        if not reference.incomplete:
            return (
                f"{path}: entry {reference.key!r}: field 'incomplete' is empty; say what the "
                "citation lacks, or remove the field"
            )
        return ""
    groups = _REQUIRED.get(reference.category, (("title",), ("year",)))
    missing = [" or ".join(group) for group in groups if not names.intersection(group)]
    if not missing:
        return ""
    return (
        f"{path}: entry {reference.key!r} lacks {', '.join(missing)}; add what is missing, or "
        "say so in a field such as incomplete = {pages}"
    )


class _Scanner:
    """One pass over a BibTeX text; every step moves forward."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.text = text
        self.at = 0
        self._begun = 0
        self._open = False
        self.short: dict[str, str] = {}

    def skip(self) -> bool:
        """Go to the next line that begins with @, past the entry that was last begun.

        Where a brace or quote was left open nobody can say where the next entry begins.
        """
        if self._open:
            return False
        match = _LINE.search(self.text, max(self._begun + 1, 1))
        self.at = len(self.text) if match is None else match.end() - 1
        return match is not None

    def entries(self) -> Iterable[Reference]:
        """Yield the entries in the order of the file."""
        while self._next_entry():
            start = self._begun = self.at
            head = _HEAD.match(self.text, self.at)
            if head is None:
                raise self._fault(start, "an entry begins with a type and a brace, as @article{")
            category, end = head.group(1).lower(), "}" if head.group(2) == "{" else ")"
            self.at = head.end()
            if category == "comment":
                if end == "}":  # else whatever stands between entries
                    self._braced(start)
            elif category == "preamble":
                self._value(start)
                self._close(start, end, "the preamble")
            elif category == "string":
                name = self._take(_NAME, start, "the name of an abbreviation").lower()
                if not self._accept("="):
                    raise self._fault(start, f"abbreviation {name!r} needs an equals sign")
                self.short[name] = self._value(start)
                self._close(start, end, f"abbreviation {name!r}")
            else:
                yield self._entry(start, category, end)

    def _close(self, start: int, end: str, what: str) -> None:
        self._accept(",")
        if not self._accept(end):
            raise self._fault(start, f"{what} needs a closing {end!r} here")

    def _next_entry(self) -> bool:
        """Go to the next @ that is not in a line of comment."""
        while True:
            at = self.text.find("@", self.at)
            if at < 0:
                return False
            line = self.text.rfind("\n", self.at, at) + 1 or self.at
            if not self.text[line:at].lstrip().startswith("%"):
                self.at = at
                return True
            end = self.text.find("\n", at)
            if end < 0:
                return False
            self.at = end

    def _entry(self, start: int, category: str, end: str) -> Reference:
        key = self._take(_KEY, start, "a key")
        fields: dict[str, str] = {}
        while True:
            if self._accept(end):
                break
            if not self._accept(","):
                raise self._fault(start, f"entry {key!r} needs a comma or a closing brace here")
            if self._accept(end):
                break
            name = self._take(_NAME, start, f"the name of a field of {key!r}").lower()
            if not self._accept("="):
                raise self._fault(start, f"entry {key!r}, field {name!r} needs an equals sign")
            if name in fields:
                raise self._fault(start, f"entry {key!r} has the field {name!r} twice")
            fields[name] = " ".join(self._value(start).split())
        return Reference(key=key, category=category, fields=tuple(fields.items()))

    def _value(self, start: int) -> str:
        """Return a value, or several joined with #."""
        value = self._part(start)
        while self._accept("#"):
            value += self._part(start)
        return value

    def _part(self, start: int) -> str:
        if self._accept("{"):
            return self._braced(start)
        if self._accept('"'):
            return self._quoted(start)
        bare = self._take(_BARE, start, "a value in braces or quotes")
        return self.short.get(bare.lower(), bare)

    def _braced(self, start: int) -> str:
        """Return what stands up to the brace that closes the one just passed."""
        begin, depth = self.at, 1
        for match in _BRACE.finditer(self.text, self.at):
            depth += 1 if match.group() == "{" else -1
            if depth == 0:
                self.at = match.end()
                return self.text[begin : match.start()]
        self._open = True
        raise self._fault(start, "a brace is never closed in the entry that begins here")

    def _quoted(self, start: int) -> str:
        begin, depth = self.at, 0
        for match in _QUOTED.finditer(self.text, self.at):
            if match.group() == '"':
                if depth == 0:
                    self.at = match.end()
                    return self.text[begin : match.start()]
            else:
                depth += 1 if match.group() == "{" else -1
        self._open = True
        raise self._fault(start, "a quote is never closed in the entry that begins here")

    def _accept(self, mark: str) -> bool:
        match = _SPACE.match(self.text, self.at)
        at = self.at if match is None else match.end()
        self.at = at
        if self.text.startswith(mark, at):
            self.at = at + 1
            return True
        return False

    def _take(self, pattern: re.Pattern[str], start: int, what: str) -> str:
        space = _SPACE.match(self.text, self.at)
        match = pattern.match(self.text, self.at if space is None else space.end())
        if match is None:
            raise self._fault(start, f"{what} must come here")
        self.at = match.end()
        return match.group()

    def _fault(self, start: int, what: str) -> ModelError:
        line = self.text.count("\n", 0, start) + 1
        here = self.text.count("\n", 0, self.at) + 1
        place = f"line {here}" if here == line else f"line {here}, in the entry of line {line}"
        return ModelError(f"{self.path}: {place}: {what}; correct the entry")
