"""The line at the foot of every figure: its nature, the study's note, the version."""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING

from momentshare.report.figures import style
from momentshare.report.figures.layout import EDGE, LINE

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["ESTIMATE", "FOOTER", "add_footer", "footer_text", "version_text"]

ESTIMATE = "Model estimate."
"""What every figure says about its numbers."""

_SIZE = 7.0
FOOTER = "footer"
"""Name under which the text is found."""

_SIDE = 0.08
"""Spare room at either side of a figure that is laid out by constraints [inch]."""


def version_text() -> str:
    """Return program and version."""
    return f"momentshare {metadata.version('momentshare')}"


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
    side = 0.0 if figure.get_layout_engine() is None else _SIDE
    figure.draw_without_rendering()  # constraints are settled, and legends are placed
    figure.set_layout_engine("none")
    width, height = (float(v) for v in figure.get_size_inches())
    wide = width + 2.0 * side
    text = style.fit(footer_text(note), wide - 2.0 * EDGE, _SIZE)
    room = LINE * (text.count("\n") + 1) + 0.08
    tall = height + room
    legends = [(legend, legend.get_window_extent()) for legend in figure.legends]
    places = [(ax, ax.get_position(original=True).bounds) for ax in figure.axes]
    figure.set_size_inches(wide, tall)

    def moved(x: float, y: float) -> tuple[float, float]:
        return (x * width + side) / wide, (y * height + room) / tall

    for ax, (x, y, across, up) in places:
        ax.set_position((*moved(x, y), across * width / wide, up * height / tall))
    for line in figure.texts:
        line.set_position(moved(*line.get_position()))
    for legend, box in legends:
        corner = moved(box.x0 / figure.dpi / width, box.y0 / figure.dpi / height)
        legend.borderaxespad = 0.0
        legend.set_loc("lower left")
        legend.set_bbox_to_anchor(corner, transform=figure.transFigure)
    figure.text(
        EDGE / wide, 0.06 / tall, text, fontsize=_SIZE, color=style.INK, va="bottom", gid=FOOTER
    )
