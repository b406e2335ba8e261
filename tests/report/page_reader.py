"""What a reader of a report sees: tables of a page by their headers, texts, printed numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

import numpy as np

_MINUS = "\N{MINUS SIGN}"
_SUPERSCRIPT = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")
_NUMBER = re.compile(r"[-+]?\d+(?:\.(\d+))?(?: × 10(-?\d+))?")


@dataclass
class ShownTable:
    """One table as shown: its section, caption, headers, rows of cells."""

    section: str
    caption: str = ""
    headers: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    marked: list[list[bool]] = field(default_factory=list)

    def column(self, header: str) -> list[str]:
        """Cells below a header."""
        (place,) = [i for i, name in enumerate(self.headers) if name == header]
        return [row[place] for row in self.rows]

    def records(self) -> list[dict[str, str]]:
        """Rows as header → cell."""
        assert len(set(self.headers)) == len(self.headers)
        return [dict(zip(self.headers, row, strict=True)) for row in self.rows]

    def row(self, **wanted: str) -> dict[str, str]:
        """Give the one row whose cells are these; underscores of a name stand for spaces."""
        named = {key.replace("_", " "): value for key, value in wanted.items()}
        (found,) = [r for r in self.records() if all(r[k] == v for k, v in named.items())]
        return found


class PageReader(HTMLParser):
    """Read a page of :mod:`momentshare.report.page.document` the way a reader does."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[ShownTable] = []
        self.texts: dict[str, list[str]] = {}
        self.pictures: list[tuple[str, str, str]] = []
        self._section = ""
        self._caption = ""
        self._source = ""
        self._alt = ""
        self._parts: list[str] | None = None
        self._skip = 0
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "figure":
            self._caption = self._source = ""
        if tag == "table":
            self.tables.append(ShownTable(self._section, self._caption))
        if tag == "tr" and self.tables:
            self.tables[-1].rows.append([])
            self.tables[-1].marked.append([])
        if tag in {"h1", "h2", "h3", "p", "li", "figcaption", "th", "td"}:
            self._parts = []
            if tag in {"th", "td"}:
                self.tables[-1].marked[-1].append("marked" in given.get("class", "").split())
        if tag == "img":
            self._source, self._alt = given["src"], given["alt"]

    def handle_endtag(self, tag):
        if tag in {"h1", "h2", "h3", "p", "li", "figcaption", "th", "td"}:
            text = " ".join("".join(self._parts or ()).split())
            self._take(tag, text)
            self._parts = None
        if tag == "thead":
            table = self.tables[-1]
            (table.headers,) = table.rows
            table.rows, table.marked = [], []

    def handle_data(self, data):
        if self._parts is not None:
            self._parts.append(data)

    def _take(self, tag, text):
        if tag in {"th", "td"}:
            self.tables[-1].rows[-1].append(text)
            return
        if tag == "figcaption":
            self._caption = text
            if self._source:
                self.pictures.append((text, self._alt, self._source))
        if tag == "h2":
            self._section = text
        self.texts.setdefault(self._section, []).append(text)

    def table(self, words: str) -> ShownTable:
        """Give the one table whose caption holds these words."""
        (found,) = [table for table in self.tables if words in table.caption]
        return found

    def text(self, section: str) -> str:
        """All texts of a section outside its tables."""
        return "\n".join(self.texts[section])


def value_of(text: str) -> tuple[float, float]:
    """Read a printed number with half a unit of its last digit, by which rounding may move it."""
    plain = text.replace(_MINUS, "-").translate(_SUPERSCRIPT)
    found = _NUMBER.fullmatch(plain)
    assert found, f"{text!r} is no number"
    power = 10.0 ** int(found.group(2) or 0)
    mantissa = float(plain.split(" × ", maxsplit=1)[0])
    return mantissa * power, 0.5 * power * 10.0 ** -len(found.group(1) or "")


def assert_shows(text: str, value: float) -> None:
    """Fail unless a printed number is this value to its last digit, or a dash for none."""
    if np.isnan(value):
        assert text == "–", (text, value)
        return
    shown, half = value_of(text)
    assert abs(shown - value) <= half * (1.0 + 1e-6) + 1e-12, (text, value)


def assert_probability(text: str, value: float) -> None:
    """Fail unless a printed probability is this one."""
    if np.isnan(value):
        assert text == "–"
    elif value < 0.001:
        assert text == "< 0.001", (text, value)
    else:
        assert len(text) == 5
        assert_shows(text, value)
