"""The line at the foot of every figure: its nature, the study's note, the version."""

from __future__ import annotations

import re
from importlib import metadata
from typing import TYPE_CHECKING

from momentshare.report.figures import style
from momentshare.report.figures.layout import EDGE, HEADING, LINE, NOTE

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "ESTIMATE",
    "FOOTER",
    "add_footer",
    "add_heading",
    "footer_text",
    "heading_texts",
    "version_text",
    "without_emg",
]

ESTIMATE = "Model estimate."
"""What every figure says about its numbers."""

_SIZE = 7.0
_TITLE = 11.0
_LEADING = 1.2  # line spacing of matplotlib's texts, in sizes
FOOTER = "footer"
"""Name under which the text is found."""

_SIDE = 0.08
"""Spare room at either side of a figure that is laid out by constraints [inch]."""


def version_text() -> str:
    """Return program and version."""
    return f"momentshare {metadata.version('momentshare')}"


def without_emg(note: str) -> str:
    """Leave out what a study's note says of EMG, for a figure that shows none.

    Examples
    --------
    >>> without_emg("Invented people. The EMG is noise.")
    'Invented people.'
    """
    parts = re.split(r"(?<=[.!?])\s+", note.strip())
    return " ".join(part for part in parts if not re.search("EMG|[Ee]lectromyo", part))


def footer_text(note: str = "") -> str:
    """Return the text of a footer.

    Parameters
    ----------
    note : str
        Of the study, such as "Invented people and numbers."
    """
    return " ".join(part for part in (ESTIMATE, note.strip(), version_text()) if part)


def add_footer(figure: Figure, note: str = "") -> None:
    """Make a figure taller by a line or two and write the footer there; nothing else moves.

    A figure that is laid out by constraints keeps the layout that it has when this is called. One
    that has a footer of its own, by the name :data:`FOOTER`, keeps it.
    """
    if any(text.get_gid() == FOOTER for text in figure.texts):
        return
    wide = _settled_width(figure)
    # Drawn in whole pixels, small letters are up to a twentieth wider than they are measured.
    text = style.fit(footer_text(note), 0.95 * (wide - 2.0 * EDGE), _SIZE)
    _grow(figure, wide, below=LINE * (text.count("\n") + 1) + 0.08)
    tall = float(figure.get_size_inches()[1])
    heads = [line.get_position()[0] for line in figure.texts if line.get_gid() == HEADING]
    figure.text(
        min(heads, default=EDGE / wide),
        0.06 / tall,
        text,
        fontsize=_SIZE,
        color=style.INK,
        va="bottom",
        gid=FOOTER,
    )


def add_heading(figure: Figure, title: str, note: str = "") -> None:
    """Make a figure taller and write a title and a note above all else, as on every figure.

    A figure that is laid out by constraints keeps the layout that it has when this is called.
    """
    wide = _settled_width(figure)
    title = style.fit(title, wide - 0.4, _TITLE, "bold")
    note = style.fit(note, wide - 0.4)
    title_height = 0.19 * (title.count("\n") + 1) + 0.06
    note_height = LINE * (note.count("\n") + 1) + 0.04 if note else 0.0
    _grow(figure, wide, above=0.12 + title_height + note_height + 0.06)
    tall = float(figure.get_size_inches()[1])
    x = EDGE / wide
    figure.text(
        x, 1 - 0.12 / tall, title, fontsize=_TITLE, fontweight="bold", va="top", gid=HEADING
    )
    if note:
        figure.text(x, 1 - (0.12 + title_height) / tall, note, va="top", gid=NOTE)


def heading_texts(figure: Figure) -> dict[str, str]:
    """Title of a figure, the words below it and the share of its height that both take.

    A PNG keeps them as texts, so that a page can write them where a narrow screen would cut them
    off; none for a figure without a title.
    """
    found = {name: t for t in figure.texts if (name := t.get_gid()) in {HEADING, NOTE}}
    if HEADING not in found:
        return {}
    tall = float(figure.get_size_inches()[1])
    ends = [
        (1.0 - text.get_position()[1]) * tall + _LEADING * float(text.get_fontsize()) / 72.0 * lines
        for text in found.values()
        if (lines := text.get_text().count("\n") + 1)
    ]
    words = {name: " ".join(text.get_text().split()) for name, text in found.items()}
    share = (max(ends) + 0.05) / tall
    return {
        "Title": words[HEADING],
        "Description": words.get(NOTE, ""),
        "HeadingShare": f"{share:.4f}",
    }


def _settled_width(figure: Figure) -> float:
    """Width that a figure has once its constraints are settled [inch]."""
    side = 0.0 if figure.get_layout_engine() is None else _SIDE
    return float(figure.get_size_inches()[0]) + 2.0 * side


def _grow(figure: Figure, wide: float, *, above: float = 0.0, below: float = 0.0) -> None:
    """Make a figure so wide, and taller; all that is on it keeps its size and distances."""
    if figure.get_layout_engine() is not None:
        figure.draw_without_rendering()
    figure.set_layout_engine("none")
    width, height = (float(v) for v in figure.get_size_inches())
    side, tall = 0.5 * (wide - width), height + above + below
    legends = [(legend, legend.get_window_extent()) for legend in figure.legends]
    places = [(ax, ax.get_position(original=True).bounds) for ax in figure.axes]
    figure.set_size_inches(wide, tall)

    def moved(x: float, y: float) -> tuple[float, float]:
        return (x * width + side) / wide, (y * height + below) / tall

    for ax, (x, y, across, up) in places:
        ax.set_position((*moved(x, y), across * width / wide, up * height / tall))
    for line in figure.texts:
        line.set_position(moved(*line.get_position()))
    for legend, box in legends:
        corner = moved(box.x0 / figure.dpi / width, box.y0 / figure.dpi / height)
        legend.borderaxespad = 0.0
        legend.set_loc("lower left")
        legend.set_bbox_to_anchor(corner, transform=figure.transFigure)
