"""One HTML page that holds a whole report: text, tables, figures, verdicts, sources.

The page is self-contained. Style and images are embedded, a content policy forbids every request
and script, and the same page prints on A4. Its content is assembled from the types below;
:func:`render` turns it into text. This module knows nothing about studies.

All text is plain: it is escaped, and characters that would reorder or hide other text (control
characters and explicit bidirectional formatting) are shown as a replacement mark.
"""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any, ClassVar

from momentshare.errors import InputError, UnknownNameError
from momentshare.report.page.cells import UNITS, soft_breaks, table_view
from momentshare.report.page.png import png_texts
from momentshare.report.page.table import Table, several_texts
from momentshare.text import with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence


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
    "render",
]

VERDICTS = {"pass": "pass", "warn": "warning", "fail": "fail", "not possible": "not possible"}
"""Verdict → the word shown beside its symbol."""

_ANCHOR = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_OWN_ANCHORS = re.compile(
    r"start|in-short|contents|cautions|sources|made-by|(figure|table|code)-\d+"
)
# C0 and C1 controls but tab and newline, bidirectional embeddings, overrides and isolates,
# surrogates, and the two code points that no text may hold.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
# A space between a number and its unit, at which no line is to end.
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|N·m|kg|cm|mm|points?|N|deg|W|s|m)(?![\w·]))")
_PNG_START, _PNG_END = b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"
_COLUMNS_FROM, _COLUMNS_TO = 8, 130  # lines, and letters of a line, of a list printed in columns
_PRINTED_SCALE = 0.8  # of figures on paper: their 8-point texts become 6.4, and alike on all
_SHORT_ROWS = 15  # a table with this few rows is not split between printed pages
_FIGURE_DPI = 130.0  # dots per inch of the PNGs: drawings are shown at that size
_OPENING_LETTERS = 2400  # leave half a printed page for the picture
_LEAST_SCALE = 0.68  # of a figure: its 7.5-point texts stay above 9 px; common practice, no source
_PHONE_PX = 350  # width that a phone leaves for a figure
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
        object.__setattr__(self, "items", several_texts("Bullets.items", self.items))


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure: the bytes of a PNG or the text of an SVG.

    ``alt`` describes the picture in words, for readers who cannot see it.
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
                f"picture {self.caption!r}: must be the bytes of a whole PNG or the text of an SVG "
                f"with its namespace; got {type(self.image).__name__} of length "
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

    def printed_width(self) -> int | None:
        """Width on paper [mm]; the page may be narrower."""
        size = self.size()
        return None if size is None else round(_PRINTED_SCALE * size[0] / _FIGURE_DPI * 25.4)

    def least_width(self) -> int | None:
        """Width [px] below which its texts cannot be read; on a narrow screen it is scrolled."""
        size = self.size()
        return None if size is None else round(_LEAST_SCALE * size[0])

    def texts(self) -> dict[str, str]:
        """Return what a PNG says about itself, such as its ``Title``."""
        return png_texts(self.image) if isinstance(self.image, bytes) else {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One check: value found, value required, and verdict.

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
        """Count the checks by verdict, in words."""
        verdicts = [row.verdict for row in self.rows]
        parts = [f"{verdicts.count(v)} {word}" for v, word in VERDICTS.items() if v in verdicts]
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """Text to be copied as it is, such as BibTeX; one click selects all of it."""

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
        One or two sentences on what the section shows.
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
                    f"section {self.title!r}: {type(block).__name__} is not a block; wrap texts in "
                    "Paragraph and frames in Table"
                )
        if not _ANCHOR.fullmatch(self.anchor) or _OWN_ANCHORS.fullmatch(self.anchor):
            raise InputError(
                f"section {self.title!r}: anchor {self.anchor!r} cannot be used; take lower-case "
                "letters, digits and single hyphens, and none of start, in-short, contents, "
                "cautions, sources, made-by, figure-1, table-1, code-1"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A whole report.

    Parameters
    ----------
    title, subtitle : str
    opening : sequence of (str, str)
        Statements that come before everything else, each with the word that precedes it.
    picture : Picture, optional
        The single figure that accompanies them.
    sections : sequence of Section
    appendix : str
        Anchor of the section with which the appendix begins; no appendix if empty.
    sources_bibtex : str
        BibTeX of the sources used; no part of the page if empty.
    cautions : sequence of str
        Cautions about the numbers; the head of the page links to them.
    made_by : str
        Program, version, model and study digests: one per line. No time or place, so that the same
        study gives the same page.
    """

    title: str
    subtitle: str = ""
    opening: Sequence[tuple[str, str]] = ()
    picture: Picture | None = None
    sections: Sequence[Section]
    appendix: str = ""
    sources_bibtex: str = ""
    cautions: Sequence[str] = ()
    made_by: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "sections", tuple(self.sections))
        object.__setattr__(self, "opening", tuple(self.opening))
        object.__setattr__(self, "cautions", several_texts("Page.cautions", self.cautions))
        anchors = [section.anchor for section in self.sections]
        if self.appendix and self.appendix not in anchors:
            raise InputError(
                f"page {self.title!r}: appendix: no section has the anchor {self.appendix!r}"
            )
        for anchor in anchors:
            if anchors.count(anchor) > 1:
                raise InputError(
                    f"page {self.title!r}: anchor {anchor!r} is duplicated; rename one of them"
                )

    def one_page(self) -> bool:
        """Whether head, statements and picture are printed on one page."""
        texts = [self.title, self.subtitle, *(text for _, text in self.opening)]
        return self.picture is not None and sum(map(len, texts)) <= _OPENING_LETTERS


def render(page: Page) -> str:
    """Return the page as one complete HTML document.

    Returns
    -------
    str
        To be written as UTF-8. The same page gives the same text.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    here = resources.files("momentshare.report.page")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: _clean(value) if type(value) is str else value,
    )
    environment.filters["joined"] = lambda value: with_minus(
        _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", _clean(value))
    )
    environment.filters["soft"] = lambda value: soft_breaks(with_minus(_clean(value)))
    template = environment.from_string((here / "page.html.jinja").read_text("utf-8"))
    style = Markup((here / "style.css").read_text("utf-8"))  # noqa: S704 - our own file
    counters = {"figure": 0, "table": 0, "code": 0}
    first = [] if page.picture is None else [_view(page.picture, counters)]
    return template.render(
        page=page,
        style=style,
        first=first,
        sections=[
            (section, [_view(block, counters) for block in section.blocks])
            for section in page.sections
        ],
        words=VERDICTS,
    )


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
    if isinstance(block, Picture):
        least, texts = block.least_width(), block.texts()
        moves = least is not None and least > _PHONE_PX
        view |= {"least": least, "moves": moves, "title": texts.get("Title", "") if moves else ""}
        view |= {"words": texts.get("Description", ""), "cut": 0.0}
        view["printed"] = block.printed_width()
        if view["title"] and (size := block.size()):
            view["cut"] = round(float(texts.get("HeadingShare", 0.0)) * size[1] / size[0], 4)
    if isinstance(block, Bullets):
        longest = max(map(len, block.items), default=0)
        view["columns"] = len(block.items) >= _COLUMNS_FROM and longest <= _COLUMNS_TO
    if isinstance(block, Table):
        view |= table_view(block) | {"short": len(block.frame) <= _SHORT_ROWS}
    return view
