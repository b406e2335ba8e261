"""Layout shared by figures: title, note, panels in rows, titles above them, a legend below.

All sizes are in inches, from measured text widths, so that nothing overlaps however long the
names are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "DPI",
    "EDGE",
    "HEADING",
    "LIFT_HEIGHT",
    "LIFT_TIME",
    "LINE",
    "NOTE",
    "WIDEST",
    "Handles",
    "Key",
    "Room",
    "Texts",
    "filling",
    "finish",
    "label_room",
    "legend_below",
    "lift_axis",
    "outer_labels",
    "panel_grid",
    "row_names",
    "settle",
]

DPI = 130

LINE = 0.145
"""Height of a line of 8-point text [inch]."""

EDGE = 0.15
"""Distance of texts from the left edge [inch]."""

WIDEST = 11.0
"""Width of a figure [inch] up to which a page of 1,200 pixels shows it with readable texts."""

HEADING, NOTE = "heading", "note"
"""Names under which the title of a figure and the words below it are found."""

LIFT_HEIGHT = "lift [% of bar height]"
LIFT_TIME = "lift [% of duration]"
"""Names of the axis of a lift from the chest (0) to lock-out (100): planned, and measured."""

Handles = list[tuple[str, dict[str, Any]]]
"""Entries of a legend: text and look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Texts:
    """What is written on a figure around its panels; panel titles may have several lines."""

    title: str
    note: str
    panels: Sequence[str] = ()
    legend: Handles = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Room round the panels of a figure and between them [inch].

    ``gap`` is horizontal and vertical. ``keys`` is the height that each panel needs between its
    title and itself, for a legend of its own.
    """

    left: float = 0.62
    right: float = 0.22
    bottom: float = 0.5
    gap: tuple[float, float] = (0.22, 0.2)
    least_width: float = 5.6
    keys: Sequence[float] = ()


def filling(columns: int, panel: float, room: Room) -> float:
    """Width of panels that are no narrower than given and leave no part of a figure empty [inch].

    Examples
    --------
    >>> filling(7, 1.2, Room()) == 1.2, filling(1, 1.2, Room()) > 4.0
    (True, True)
    """
    inner = room.least_width - room.left - room.right - (columns - 1) * room.gap[0]
    return max(panel, inner / columns)


def panel_grid(
    count: int, columns: int, panel: tuple[float, float], texts: Texts, room: Room | None = None
) -> tuple[Figure, list[Axes]]:
    """Lay out a title, panels row by row and a legend below them.

    ``panel`` is the width and height of a panel [inch].
    """
    from matplotlib.figure import Figure

    room = room or Room()
    left, right, bottom, gap, keys = room.left, room.right, room.bottom, room.gap, room.keys
    columns = max(1, min(columns, count))
    rows = -(-count // columns)
    titles = [_two_lines(t, panel[0] + gap[0] - 0.08) for t in texts.panels]
    crowns = [
        _crown(titles[r * columns : (r + 1) * columns])
        + max(keys[r * columns : (r + 1) * columns], default=0.0)
        for r in range(rows)
    ]
    width = max(left + columns * panel[0] + (columns - 1) * gap[0] + right, room.least_width)
    title = style.fit(texts.title, width - 0.4, 11.0, "bold")
    note = style.fit(texts.note, width - 0.4)
    title_height = 0.19 * (title.count("\n") + 1) + 0.06
    top = 0.12 + title_height + LINE * (note.count("\n") + 1) + 0.14
    key = Key.plan(texts.legend, width - 0.3)
    tall = sum(crowns) + rows * panel[1] + max(rows - 1, 0) * gap[1]
    height = top + tall + bottom + key.height + 0.08
    figure = Figure(figsize=(width, height), dpi=DPI)
    x, under = EDGE / width, 1 - (0.12 + title_height) / height
    bold: dict[str, Any] = {"fontsize": 11.0, "fontweight": "bold"}
    figure.text(x, 1 - 0.12 / height, title, **bold, va="top", gid=HEADING)
    figure.text(x, under, note, va="top", gid=NOTE)
    axes = []
    for index in range(count):
        row, column = divmod(index, columns)
        x = left + column * (panel[0] + gap[0])
        y = height - top - sum(crowns[: row + 1]) - (row + 1) * panel[1] - row * gap[1]
        ax = figure.add_axes((x / width, y / height, panel[0] / width, panel[1] / height))
        if titles:
            pad = 3.0 + 72.0 * (keys[index] if keys else 0.0)
            ax.set_title(titles[index], loc="left", pad=pad)
        axes.append(ax)
    key.draw(figure)
    return figure, axes


def _two_lines(text: str, width: float) -> str:
    """Break a panel title that is too wide, after its comma if that is enough."""
    if "\n" in text:
        return "\n".join(_two_lines(line, width) for line in text.split("\n"))
    if style.text_width(text) > width and ", " in text:
        broken = text.replace(", ", ",\n", 1)
        if style.text_width(broken) <= width:
            return broken
    return style.fit(text, width)


def _crown(titles: Sequence[str]) -> float:
    """Height above a row of panels for its titles [inch]."""
    lines = max((t.count("\n") + 1 for t in titles if t), default=0)
    return lines * LINE + 0.08 if lines else 0.0


@dataclass(frozen=True, slots=True)
class Key:
    """A legend in a strip of its own at the foot of the figure."""

    handles: Handles
    columns: int
    height: float

    @classmethod
    def plan(cls, handles: Handles, width: float) -> Key:
        """Arrange entries in as many columns as fit."""
        if not handles:
            return cls(handles=[], columns=1, height=0.0)
        wrapped = [(style.fit(label, min(width - 0.7, 3.2)), kw) for label, kw in handles]
        widest = max(style.text_width(label) for label, _ in wrapped) + 0.62
        columns = int(np.clip(width // widest, 1, len(wrapped)))
        columns = -(-len(wrapped) // -(-len(wrapped) // columns))  # no more than are filled
        tall = np.array([(t.count("\n") + 1) * LINE + 0.05 for t, _ in wrapped])
        height = max(float(part.sum()) for part in np.array_split(tall, columns)) + 0.12
        return cls(handles=wrapped, columns=columns, height=height)

    def draw(self, figure: Figure) -> None:
        """Put the legend at the foot of a figure."""
        from matplotlib.lines import Line2D
        from matplotlib.patches import Patch

        if not self.handles:
            return
        width, height = figure.get_size_inches()
        artists = [
            Patch(**kw) if "facecolor" in kw else Line2D([], [], **kw) for _, kw in self.handles
        ]
        figure.legend(
            artists,
            [label for label, _ in self.handles],
            loc="lower left",
            bbox_to_anchor=(EDGE / width, 0.08 / height),
            ncols=self.columns,
            frameon=False,
            borderaxespad=0.0,
            borderpad=0.0,
            handlelength=3.2,
            labelspacing=0.45,
            columnspacing=1.4,
        )


def legend_below(figure: Figure, entries: Handles, most: int) -> None:
    """Put a legend below a figure that is laid out by constraints, in columns that hold its names.

    Parameters
    ----------
    figure : Figure
    entries : Handles
    most : int
        Greatest number of columns; long names are wrapped, and need fewer.
    """
    from matplotlib.lines import Line2D

    key = Key.plan(entries, float(figure.get_size_inches()[0]))
    handles = [Line2D([], [], label=name, **look) for name, look in key.handles]
    columns = min(most, key.columns)
    figure.legend(handles=handles, loc="outside lower center", ncols=columns, frameon=False)


def row_names(ax: Axes, names: Sequence[str]) -> None:
    """Name rows 0, 1, 2 … at the y axis of a panel, from top to bottom.

    Rows have no tick marks, so a panel without names beside another gets no ticks at all: each is
    made of five parts, which take longer to make and draw than the rest of the panel.
    """
    ax.set_yticks(range(len(names)), names)
    ax.tick_params(axis="y", length=0)


def lift_axis(ax: Axes, *, labelled: bool, label: str = LIFT_HEIGHT) -> None:
    """Give a panel the axis of the lift, 0 to 100 %."""
    ax.set_xlim(0.0, 100.0)
    ax.set_xticks([0, 50, 100])
    ax.margins(x=0.0)
    if labelled:
        ax.set_xlabel(label)
    else:
        ax.tick_params(labelbottom=False)


def outer_labels(axes: list[Axes], columns: int, y_label: str, x_label: str) -> None:
    """Name the axes of the outer panels; the others keep their ticks, and x its labels below."""
    for index, ax in enumerate(axes):
        if index + columns >= len(axes):
            ax.set_xlabel(x_label)
        else:
            ax.tick_params(labelbottom=False)
        if index % columns == 0:
            ax.set_ylabel(y_label)


def finish(axes: list[Axes], columns: int, y_label: str, x_label: str = LIFT_HEIGHT) -> None:
    """Put lift axes on all panels, tick labels on the outer ones only."""
    for index, ax in enumerate(axes):
        lift_axis(ax, labelled=index + columns >= len(axes), label=x_label)
        if index % columns:
            ax.tick_params(labelleft=False)
        else:
            ax.set_ylabel(y_label)


def label_room(labels: Sequence[str], size: float = 7.5) -> float:
    """Room that tick labels need left of a panel, with the edge of the figure [inch]."""
    return max((style.text_width(label, size) for label in labels), default=0.0) + EDGE + 0.1


def settle(figure: Figure) -> None:
    """Widen a figure until everything beside its panels lies on it.

    Tick labels are known only once everything is drawn, so this comes last. Nothing changes size;
    panels move to the right, title, note and legend keep their distance from the edge.
    """
    figure.draw_without_rendering()
    width, height = (float(v) for v in figure.get_size_inches())
    boxes = [ax.get_tightbbox() for ax in figure.axes if ax.get_visible()]
    left = min((b.x0 / figure.dpi for b in boxes if b is not None), default=EDGE)
    right = max((b.x1 / figure.dpi for b in boxes if b is not None), default=0.0)
    shift = max(0.8 * EDGE - left, 0.0)
    wider = max(width + shift, right + shift + 0.5 * EDGE)
    if wider <= width:
        return
    figure.set_size_inches(wider, height)
    for ax in figure.axes:
        x, y, w, h = ax.get_position().bounds
        ax.set_position(((x * width + shift) / wider, y, w * width / wider, h))
    for text in figure.texts:
        text.set_x(text.get_position()[0] * width / wider)
    for legend in figure.legends:
        legend.set_bbox_to_anchor((EDGE / wider, 0.08 / height), figure.transFigure)
