"""One HTML page that holds a whole report: text, tables, figures, verdicts, sources.

The page is complete in itself. Style and images stand inside it, a content policy forbids every
request and script, and the same page prints on A4. What goes on it is put together from the
types below; :func:`render` turns it into text. Nothing here knows a study.

All text is plain: it is escaped, and characters that would reorder or hide other text (control
characters and explicit bidirectional formatting) are shown as a replacement mark.
"""

from __future__ import annotations

import math
import re
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from numbers import Real
from typing import TYPE_CHECKING, Any, ClassVar

from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.report.style import head_label, row_label

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.model import Model

__all__ = [
    "UNITS",
    "VERDICTS",
    "Block",
    "Bullets",
    "Code",
    "Heading",
    "Page",
    "Paragraph",
    "Picture",
    "Section",
    "Table",
    "Verdict",
    "Verdicts",
    "bibtex_of",
    "render",
]

VERDICTS = {"pass": "pass", "warn": "warning", "fail": "fail", "not possible": "not possible"}
"""Verdict → the word shown beside its symbol."""

UNITS = {
    "per_nm": "1/(N·m)",
    "percent": "%",
    "mps": "m/s",
    "nm": "N·m",
    "ns": "N·s",
    "deg": "deg",
    "kg": "kg",
    "hz": "Hz",
    "mm": "mm",
    "cm": "cm",
    "ms": "ms",
    "n": "N",
    "m": "m",
    "s": "s",
}
"""Ending of a column name → unit in its header; the longer endings first."""

Format = str | Callable[[Any], str]

_NAMED: dict[str, Callable[[Any], str]] = {"head": head_label, "row": row_label}
_DIGITS = 3  # significant digits of the largest number of a column: common practice, no source
_MOST_DECIMALS = 4  # beyond, a power of ten is easier to read: common practice, no source
_MISSING = "–"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_ANCHOR = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_OWN_ANCHORS = re.compile(r"start|contents|cautions|sources|made-by|(figure|table|code)-\d+")
_NUMBER_LIKE = re.compile(r"[-−+<>≤≥≈~ ]*\d")
# C0 and C1 controls but tab and newline, bidirectional embeddings, overrides and isolates,
# surrogates, and the two code points that no text may hold.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
_PNG_START, _PNG_END = b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"
# Width of a character and of the space between columns [em], for the size of print that lets a
# table keep its words whole. A digit of DejaVu Sans, one of the widest common fonts, is 0.636 em
# (measured with matplotlib's copy); bold headers are a little wider.
_EM_CHARACTER, _EM_GAP = 0.65, 1.2
_PORTRAIT_MM, _LANDSCAPE_MM = 174.0, 261.0  # A4 less margins of 18 mm
_PRINT_PT = (5.5, 8.5)  # smallest and greatest type of a printed table: common practice
_TURN_PT = 6.5  # a table that would need smaller type goes on a page turned sideways
_WIDEST_TEXT = 26  # characters beyond which the text of a cell is left to wrap
_LONGEST_WORD = 18  # characters beyond which a word may be broken
_SHORT_ROWS = 15  # a table of so few rows is not parted between printed pages
_FIGURE_DPI = 130.0  # dots an inch of our PNGs: drawings are shown as large as these
_SVG_SIZE = re.compile(
    r"<svg\b[^>]*?\s(width|height)=\"([\d.]+)pt\"[^>]*?\s(?:width|height)=\"([\d.]+)pt\""
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text."""

    kind: ClassVar[str] = "paragraph"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading inside a section."""

    kind: ClassVar[str] = "heading"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of short texts."""

    kind: ClassVar[str] = "bullets"
    items: Sequence[str]

    def __post_init__(self) -> None:
        object.__setattr__(self, "items", _texts("Bullets.items", self.items))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A table, one row of the frame a row.

    Parameters
    ----------
    frame : DataFrame
        The index is shown only when it has a name. A column name such as ``peak_force_n``
        becomes the header "peak force [N]"; the endings are those of :data:`UNITS`.
    caption : str
        What the rows are; the number of the table is put before it.
    note : str
        Small print below, such as what a highlighted cell means.
    formats : mapping
        Column → a format specification such as ``".1f"``, ``"p"`` for probabilities (three
        decimals, "< 0.001" below), or a function from value to text. Otherwise numbers get as
        many decimals as give the largest of their column three significant digits, and columns
        named ``head`` and ``row`` are spelled out.
    labels : mapping
        Column → header to use instead of its name.
    highlight : mapping
        Column → one truth value a row; true cells are bold and tinted.
    """

    kind: ClassVar[str] = "table"
    frame: pd.DataFrame
    caption: str
    note: str = ""
    formats: Mapping[Any, Format] = field(default_factory=dict)
    labels: Mapping[Any, str] = field(default_factory=dict)
    highlight: Mapping[Any, Sequence[bool]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        frame = self.frame
        if any(name is not None for name in frame.index.names):
            taken = {str(c) for c in frame.columns} & {str(n) for n in frame.index.names}
            if taken:
                raise InputError(
                    f"table {self.caption!r}: {sorted(taken)} name both an index and a column; "
                    "rename one of them"
                )
            frame = frame.reset_index()
        if not frame.columns.is_unique:
            twice = frame.columns[frame.columns.duplicated()].tolist()
            raise InputError(f"table {self.caption!r}: columns {twice} stand twice; rename one")
        object.__setattr__(self, "frame", frame.copy())
        known = {str(name) for name in frame.columns}
        for what in ("formats", "labels", "highlight"):
            for name in getattr(self, what):
                if name not in frame.columns:
                    raise UnknownNameError(
                        "column", str(name), known, f"table {self.caption!r}, {what}"
                    )
        for name, marks in self.highlight.items():
            if len(marks) != len(frame):
                raise ShapeError(
                    f"highlight of column {name!r}",
                    f"{len(frame)} truth values, one a row",
                    str(len(marks)),
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure: the bytes of a PNG or the text of an SVG.

    ``alt`` says in words what is to be seen, for readers who cannot see it.
    """

    kind: ClassVar[str] = "picture"
    image: bytes | str = field(repr=False)
    alt: str
    caption: str

    def __post_init__(self) -> None:
        if isinstance(self.image, bytes):
            good = self.image.startswith(_PNG_START) and self.image.rstrip().endswith(_PNG_END)
        else:
            good = "<svg" in self.image and "http://www.w3.org/2000/svg" in self.image
        if not good:
            raise InputError(
                f"picture {self.caption!r}: wanted the bytes of a whole PNG or the text of an SVG "
                f"with its namespace, got {type(self.image).__name__} of length "
                f"{len(self.image)}; save the figure again"
            )
        if not self.alt.strip():
            raise InputError(f"picture {self.caption!r}: alt is empty; say what is to be seen")

    def uri(self) -> str:
        """Return the image as a data URI."""
        image = self.image
        if isinstance(image, bytes):
            return "data:image/png;base64," + b64encode(image).decode("ascii")
        # The text is written as UTF-8 whatever its declaration says.
        text = re.sub(r"^\ufeff?\s*<\?xml.*?\?>\s*", "", image, flags=re.DOTALL)
        return "data:image/svg+xml;base64," + b64encode(_clean(text).encode()).decode("ascii")

    def size(self) -> tuple[int, int] | None:
        """Width and height [px] to show it at, so that the page does not jump while it loads."""
        if isinstance(self.image, str):
            found = _SVG_SIZE.search(self.image)
            if found is None:
                return None
            one, two = (round(float(g) * _FIGURE_DPI / 72.0) for g in found.group(2, 3))
            return (one, two) if found.group(1) == "width" else (two, one)
        return int.from_bytes(self.image[16:20], "big"), int.from_bytes(self.image[20:24], "big")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One check: what was found, what was asked, and how it came out.

    ``verdict`` is a key of :data:`VERDICTS`.
    """

    name: str
    value: str
    limit: str
    verdict: str
    note: str = ""

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise UnknownNameError("verdict", self.verdict, VERDICTS, f"check {self.name!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdicts:
    """A table of checks; every verdict is shown by word and shape, not by colour alone."""

    kind: ClassVar[str] = "verdicts"
    rows: Sequence[Verdict]
    caption: str = "Checks"

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", tuple(self.rows))

    def counts(self) -> str:
        """Return in words how many checks came out how."""
        verdicts = [row.verdict for row in self.rows]
        parts = [f"{verdicts.count(v)} {word}" for v, word in VERDICTS.items() if v in verdicts]
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """Text to be copied as it stands, such as BibTeX; one click selects all of it."""

    kind: ClassVar[str] = "code"
    text: str
    label: str


Block = Paragraph | Heading | Bullets | Table | Picture | Verdicts | Code
"""What a section may hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the page with its own entry in the contents.

    Parameters
    ----------
    title : str
    anchor : str
        Name for links: lower-case letters, digits and single hyphens, once on a page.
    blocks : sequence of Block
    lead : str
        One or two sentences that say what the section shows.
    """

    title: str
    anchor: str
    blocks: Sequence[Block] = ()
    lead: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "blocks", tuple(self.blocks))
        for block in self.blocks:
            if not isinstance(block, Block):
                raise InputError(
                    f"section {self.title!r}: {type(block).__name__} is no block; wrap texts in "
                    "Paragraph and frames in Table"
                )
        if not _ANCHOR.fullmatch(self.anchor) or _OWN_ANCHORS.fullmatch(self.anchor):
            raise InputError(
                f"section {self.title!r}: anchor {self.anchor!r} cannot be used; take lower-case "
                "letters, digits and single hyphens, and none of start, contents, cautions, "
                "sources, made-by, figure-1, table-1, code-1"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A whole report.

    Parameters
    ----------
    title, subtitle : str
    sections : sequence of Section
    sources_bibtex : str
        BibTeX of the sources used, as :func:`bibtex_of` gives it; no part of the page if empty.
    cautions : sequence of str
        What the numbers can bear; the head of the page points to them.
    made_by : str
        Program, version, model and study digests: one a line. No time or place, so that the same
        study gives the same page.
    """

    title: str
    subtitle: str = ""
    sections: Sequence[Section]
    sources_bibtex: str = ""
    cautions: Sequence[str] = ()
    made_by: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "sections", tuple(self.sections))
        object.__setattr__(self, "cautions", _texts("Page.cautions", self.cautions))
        anchors = [section.anchor for section in self.sections]
        for anchor in anchors:
            if anchors.count(anchor) > 1:
                raise InputError(
                    f"page {self.title!r}: anchor {anchor!r} stands twice; rename one of them"
                )


def render(page: Page) -> str:
    """Return the page as one complete HTML document.

    Returns
    -------
    str
        To be written as UTF-8. The same page gives the same text.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    here = resources.files("momentshare.report")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: _clean(value) if type(value) is str else value,
    )
    template = environment.from_string((here / "page.html.jinja").read_text("utf-8"))
    style = Markup((here / "page_style.css").read_text("utf-8"))  # noqa: S704 - our own file
    counters = {"figure": 0, "table": 0, "code": 0}
    return template.render(
        page=page,
        style=style,
        sections=[
            (section, [_view(block, counters) for block in section.blocks])
            for section in page.sections
        ],
        words=VERDICTS,
    )


def bibtex_of(model: Model, keys: Iterable[str]) -> str:
    """Return the BibTeX entries of these source keys, each once, in the order of their keys.

    Parameters
    ----------
    model : Model
    keys : iterable of str
        For instance the ``sources`` of a run's record.

    Raises
    ------
    UnknownNameError
        A key is not in the bibliography of the model.
    """
    wanted = sorted(set(keys))
    for key in wanted:
        if key not in model.references:
            raise UnknownNameError("source key", key, model.references, "references.bib")
    return "\n\n".join(model.references[key].bibtex for key in wanted) + ("\n" if wanted else "")


def _texts(what: str, items: Sequence[str]) -> tuple[str, ...]:
    if isinstance(items, str):
        raise InputError(f"{what}: wanted several texts, got one text {items!r}; put it in a list")
    return tuple(items)


def _clean(text: str) -> str:
    """Show characters that would hide or reorder their neighbours as a mark."""
    return _UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", text.replace("\r\n", "\n"))


def _view(block: Block, counters: dict[str, int]) -> dict[str, Any]:
    """Give the block its number and the template what it shows."""
    counted = {"picture": "figure", "table": "table", "verdicts": "table", "code": "code"}
    view: dict[str, Any] = {"kind": block.kind, "block": block}
    if isinstance(block, Verdicts):
        view["short"] = len(block.rows) <= _SHORT_ROWS
    if block.kind in counted:
        counters[counted[block.kind]] += 1
        view["number"] = counters[counted[block.kind]]
    if isinstance(block, Table):
        view |= _table_view(block)
    return view


def _table_view(table: Table) -> dict[str, Any]:
    frame = table.frame
    columns: list[dict[str, Any]] = []
    texts, widths = [], []
    for place, name in enumerate(frame.columns):
        values = frame.iloc[:, place].tolist()
        cells, numeric = _cells(table, name, values)
        words, unit = _heading(table.labels.get(name, name))
        like = [
            len(c) <= _WIDEST_TEXT and bool(_NUMBER_LIKE.match(c)) for c in cells if c != _MISSING
        ]
        right = numeric or (place > 0 and bool(like) and all(like))
        marks = list(table.highlight.get(name, [False] * len(cells)))
        texts.append(list(zip(cells, marks, strict=True)))
        head = [*words.split(), f"[{unit}]" if unit else ""]
        wanted = _longest(cells) if right else min(_longest(cells), _WIDEST_TEXT)
        widths.append(max(min(_longest(head), _WIDEST_TEXT), wanted))
        columns.append(
            {
                "words": words,
                "unit": unit,
                "right": right,
                "least": wanted,
                "breaks": _longest([*head, *("" if right else " ".join(cells)).split()])
                > _LONGEST_WORD,
            }
        )
    size, turned, tight = _print_size(sum(widths), len(widths))
    rows = [list(row) for row in zip(*texts, strict=True)]
    return {
        "columns": columns,
        "rows": list(zip(rows, _groups([row[0][0] for row in rows]), strict=True)),
        "titled": bool(columns) and not columns[0]["right"],
        "print_pt": f"{size:.1f}",
        "turned": turned,
        "tight": tight,
        "short": len(rows) <= _SHORT_ROWS,
    }


def _longest(texts: Iterable[str]) -> int:
    return max(map(len, texts), default=0)


def _groups(names: list[str]) -> list[bool]:
    """Rows that start a new run of names, where the runs part the table into groups."""
    starts = [i > 0 and names[i] != names[i - 1] for i in range(len(names))]
    runs = sum(starts) + 1
    return starts if runs == len(set(names)) < len(names) else [False] * len(names)


def _print_size(characters: int, columns: int) -> tuple[float, bool, bool]:
    """Size of type [pt] of a printed table; if it lies on its side; if words have to break."""
    width = _EM_CHARACTER * characters + _EM_GAP * columns
    size = _PORTRAIT_MM / max(width, 1.0) / 25.4 * 72.0
    turned = size < _TURN_PT
    if turned:
        size *= _LANDSCAPE_MM / _PORTRAIT_MM
    return min(max(size, _PRINT_PT[0]), _PRINT_PT[1]), turned, size < _PRINT_PT[0]


def _heading(name: object) -> tuple[str, str]:
    """Split the name of a column into words and unit."""
    text = ", ".join(map(str, name)) if isinstance(name, tuple) else str(name)
    given = re.fullmatch(r"(.*\S)\s*\[([^\[\]]+)\]", text, re.DOTALL)
    if given:
        return given.group(1), given.group(2)
    for ending, unit in UNITS.items():
        if text.endswith("_" + ending) and " " not in text:
            return text.removesuffix("_" + ending).replace("_", " "), unit
    return (text if " " in text else text.replace("_", " ")), ""


def _cells(table: Table, name: object, values: list[Any]) -> tuple[list[str], bool]:
    """Text of every cell of a column, and whether they are numbers."""
    import numpy as np
    import pandas as pd

    missing = [bool(pd.api.types.is_scalar(v) and pd.isna(v)) for v in values]
    present = [v for v, gone in zip(values, missing, strict=True) if not gone]
    truth = (bool, np.bool_)
    numeric = bool(present) and all(
        isinstance(v, Real) and not isinstance(v, truth) for v in present
    )
    form = table.formats.get(name)
    if form is None and isinstance(name, str):
        form = _NAMED.get(name)
        if numeric and (name in {"p", "p_value"} or name.endswith("_p")):
            form = "p"
    decimals = _decimals(present) if numeric else 0

    def show(value: Any) -> str:
        if callable(form):
            return form(value)
        if form == "p":
            return _probability(value)
        if form is not None:
            return _minus(format(value, form))
        if isinstance(value, truth):
            return "yes" if value else "no"
        return _number(float(value), decimals) if numeric else str(value)

    cells = []
    for row, (value, gone) in enumerate(zip(values, missing, strict=True)):
        try:
            cells.append(_MISSING if gone else str(show(value)))
        except (TypeError, ValueError) as err:
            raise InputError(
                f"table {table.caption!r}, row {row + 1}, column {name!r}: {value!r} cannot be "
                f"shown with format {form!r} ({err}); give the column another format"
            ) from err
    return cells, numeric


def _decimals(values: list[Any]) -> int:
    """Decimals that give the largest number of a column three significant digits."""
    sizes = [abs(float(v)) for v in values if math.isfinite(v)]
    largest = max(sizes, default=0.0)
    if largest == 0.0 or all(size.is_integer() for size in sizes):
        return 0
    return min(max(_DIGITS - 1 - math.floor(math.log10(largest)), 0), _MOST_DECIMALS)


def _number(value: float, decimals: int) -> str:
    if not math.isfinite(value):
        return "∞" if value > 0 else "−∞"
    if value and abs(value) < 0.5 * 10.0**-decimals:  # all digits would be lost
        if abs(value) >= 10.0**-_MOST_DECIMALS:
            return _minus(f"{value:.2g}")
        mantissa, power = f"{value:.1e}".split("e")
        return _minus(mantissa) + " × 10" + str(int(power)).translate(_SUPERSCRIPT)
    return _minus(f"{value + 0.0:.{decimals}f}")  # adding nothing takes the sign off −0


def _minus(text: str) -> str:
    return text.replace("-", "−")


def _probability(value: float) -> str:
    if not 0.0 <= value <= 1.0:
        raise ValueError("wanted a probability from 0 to 1")
    return "< 0.001" if value < 0.001 else f"{value:.3f}"
