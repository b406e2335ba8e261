"""Where numbers come from: the kinds of knowledge and the bibliography.

Each number of a model carries a source key and a kind. The kinds, from firm to loose:

``measured``
    read in a published table, text or data set;
``derived``
    arithmetic on other numbers, stated in the note;
``calibrated``
    found by fitting the model to published targets;
``assumed``
    chosen by us within described anatomy, no published value found;
``from memory``
    recalled from a publication that was not reopened.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.errors import ModelError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["KINDS", "Reference", "read_bibliography"]

KINDS = ("measured", "derived", "calibrated", "assumed", "from memory")

_ENTRY = re.compile(r"@(\w+)\s*\{\s*([^,\s]+)\s*,(.*?)\n\}", re.DOTALL)
_FIELD = re.compile(r"(\w+)\s*=\s*\{((?:[^{}]|\{[^{}]*\})*)\}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One entry of a bibliography."""

    key: str
    category: str
    fields: tuple[tuple[str, str], ...]
    bibtex: str

    def text(self) -> str:
        """Return a one-line citation."""
        have = dict(self.fields)
        parts = [have.get(name, "") for name in ("author", "title", "journal", "year", "note")]
        return ". ".join(part for part in parts if part)


def read_bibliography(path: Path) -> dict[str, Reference]:
    """Read a ``.bib`` file whose entries end with a brace on a line of its own."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as err:
        raise ModelError(f"{path}: cannot be read ({err.strerror}); restore the file") from err
    except UnicodeDecodeError as err:
        raise ModelError(f"{path}: is not UTF-8 text ({err.reason}); save it as UTF-8") from err
    found: dict[str, Reference] = {}
    for match in _ENTRY.finditer(text):
        category, key, body = match.groups()
        if key in found:
            raise ModelError(f"{path}: source key {key!r} stands twice; rename one of the entries")
        fields = tuple((k.lower(), " ".join(v.split())) for k, v in _FIELD.findall(body))
        found[key] = Reference(key=key, category=category, fields=fields, bibtex=match.group(0))
    return found
