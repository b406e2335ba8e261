"""Codes in place of people's names.

A study that asks for them (``[people] pseudonyms = true``) has its people renamed as it is read,
before anything is computed, so no later step knows a name: ``P1``, ``P2`` and so on in the
order of the study file, or the ``code`` of the person. A title, a note, the name of a condition or
of a file may hold a name too, and so may what a measured file says about itself; there, whole
words are replaced. The key is stored nowhere.
"""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from momentshare.errors import MomentshareError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

__all__ = ["NO_PSEUDONYMS", "Pseudonyms", "make_pseudonyms", "renamed"]

_CODE = re.compile(r"P\d+", re.IGNORECASE)

_SHORTEST = 3
"""Length of a part of a name that is replaced on its own, so that particles are left."""

_LABELS = {"layout": ("name",)}
"""Tables of a study of which only some fields are the user's own text: a layout also holds the
labels of signals in measured files."""

_JOIN = r"[\s._-]*"


@dataclass(frozen=True)
class Pseudonyms:
    """Names of people and their codes.

    Attributes
    ----------
    codes : mapping
        Name → code, in the order of the study; empty if nobody is renamed.
    words : mapping
        Further words that stand for a person, such as the label in file names → code.

    Examples
    --------
    >>> coded = Pseudonyms({"Edda Holm": "P1"})
    >>> coded.text("Edda Holm, wide: Holm turned"), coded.file("lab/edda_holm_2.c3d")
    ('P1, wide: P1 turned', 'lab/P1_2.c3d')
    """

    codes: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.codes)

    @cached_property
    def _known(self) -> dict[str, str]:
        """What is replaced, in lower case without the joining characters → code."""
        whole = {**self.codes, **self.words}
        found = {_plain(name): code for name, code in whole.items()}
        for name, code in whole.items():
            for part in re.split(r"[\W_]+", name):
                if len(part) >= _SHORTEST and part[:1].isupper() and not _CODE.fullmatch(part):
                    # A part that two people share stands for neither.
                    same = found.get(_plain(part), code)
                    found[_plain(part)] = code if same == code else "P"
        return found

    @cached_property
    def _patterns(self) -> tuple[re.Pattern[str], re.Pattern[str]]:
        """Patterns for texts, where capitals count, and for names of files."""
        shapes = []
        given = [*self.codes, *self.words]
        parts_of = [p for name in given for p in re.split(r"[\W_]+", name)]
        given += [p for p in parts_of if _plain(p) in self._known]
        for name in sorted(dict.fromkeys(given), key=len, reverse=True):
            parts = [re.escape(p) for p in re.split(r"[\s._-]+", name) if p]
            if parts:
                shapes.append(_bounded(_JOIN.join(parts), name))
        every = "|".join(shapes)
        return re.compile(every), re.compile(every, re.IGNORECASE)

    def _replaced(self, match: re.Match[str]) -> str:
        return self._known.get(_plain(match[0]), "P")

    def code(self, name: str) -> str:
        """Code of a person; any other name as it is."""
        return self.codes.get(name, name)

    def label(self, code: str) -> str | None:
        """Return the name of the person with this code in measured files, if known."""
        for known in (self.words, self.codes):
            for name, other in known.items():
                if other == code:
                    return name
        return None

    def text(self, text: str) -> str:
        """Put codes in place of the names in a text."""
        return self._patterns[0].sub(self._replaced, text) if self else text

    def file(self, name: str) -> str:
        """Put codes in place of the names in the name of a file, whatever their case."""
        return self._patterns[1].sub(self._replaced, name) if self else name

    def data(self, value: Any) -> Any:
        """Put codes in place of the names in all texts of a record."""
        if not self:
            return value
        if isinstance(value, str):
            return self.told(value)
        if isinstance(value, dict):
            return {self.data(k): self.data(v) for k, v in value.items()}
        if isinstance(value, (list, tuple)):
            return type(value)(self.data(v) for v in value)
        return value

    def table(self, table: pd.DataFrame) -> pd.DataFrame:
        """Put codes in place of the names in the texts of a table."""
        if not self or table.empty:
            return table
        table = table.rename(columns=self.data)
        for name in table.columns[[not _is_number(kind) for kind in table.dtypes]]:
            column = table[name]
            if hasattr(column, "cat"):
                table[name] = column.cat.rename_categories(self.data)
            else:
                table[name] = column.map(self.data)
        return table

    @contextmanager
    def in_faults(self) -> Iterator[None]:
        """Put codes in place of the names in what is raised."""
        try:
            yield
        except MomentshareError as err:
            if self:
                err.faults = tuple(self.told(fault) for fault in err.faults)
                err.args = tuple(self.told(a) if isinstance(a, str) else a for a in err.args)
            raise

    def told(self, text: str) -> str:
        """Put codes in place of the names in a message, the names of files in it included."""
        if not self:
            return text
        # Text with a slash or a file extension is the name of a file, whatever its case.
        parts = re.split(r"(\s+)", text)
        return self.text("".join(self.file(p) if _FILE.search(p) else p for p in parts))


_FILE = re.compile(r"[/\\]|\.[A-Za-z0-9]{1,8}\W*$")

NO_PSEUDONYMS = Pseudonyms()


def _plain(name: str) -> str:
    return re.sub(r"[\s._-]+", "", name).casefold()


def _bounded(shape: str, name: str) -> str:
    """Pattern that is no part of a longer word or number."""

    def kind(character: str) -> str:
        return r"\d" if character.isdigit() else r"[^\W\d_]"

    return rf"(?<!{kind(name[0])}){shape}(?!{kind(name[-1])})"


def _is_number(kind: Any) -> bool:
    return getattr(kind, "kind", "O") in "biufcmM"


def make_pseudonyms(people: Sequence[Any]) -> tuple[Pseudonyms, list[str]]:
    """Codes for people as they appear in a study file.

    Parameters
    ----------
    people : sequence
        Tables of people, as read; what is not a table or has no name is refused elsewhere.

    Returns
    -------
    pseudonyms : Pseudonyms
    faults : list of str
        Codes given twice, or names that are codes already.
    """
    codes: dict[str, str] = {}
    words: dict[str, str] = {}
    faults = []
    for number, person in enumerate(people, start=1):
        name = person.get("name") if isinstance(person, dict) else None
        if not isinstance(name, str) or not name.strip() or name.strip() in codes:
            continue
        code, name = person.get("code", f"P{number}"), name.strip()
        if _CODE.fullmatch(name):
            faults.append(
                f"person {name!r} → name: is a code already; remove pseudonyms, or give names"
            )
        if not isinstance(code, str) or not code.strip():
            continue
        if code in codes.values():
            faults.append(f"person[{number}] → code: {code!r} stands for somebody else; change it")
        codes[name] = code.strip()
        label = person.get("file_label")
        if isinstance(label, str) and label.strip():
            words[label.strip()] = code.strip()
    return Pseudonyms(codes, words), faults


def renamed(data: Mapping[str, Any], coded: Pseudonyms) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the data of a study with codes for names.

    Parameters
    ----------
    data : mapping
        As read from TOML, short forms written out.
    coded : Pseudonyms

    Returns
    -------
    data : dict
    files : dict
        Name of a file in ``data`` → the name that it has on the disk.
    """
    files: dict[str, str] = {}

    def file(name: str) -> str:
        shown, number = coded.file(name), 1
        while files.setdefault(shown, name) != name:  # two files must not become one
            number += 1
            place = PurePosixPath(coded.file(name))
            shown = str(place.with_name(f"{place.stem}-{number}{place.suffix}"))
        return shown

    def walk(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            kept = _LABELS.get(key)
            return {k: walk(v, k) if kept is None or k in kept else v for k, v in value.items()}
        if isinstance(value, list):
            return [walk(v, key) for v in value]
        if not isinstance(value, str) or key == "model":
            return value
        return file(value) if key in {"file", "files"} else coded.text(value)

    return {k: walk(v, k) for k, v in data.items()}, files
