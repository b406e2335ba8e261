"""Read what a figure shows and what a terminal prints, by the labels beside it.

Nothing here knows the order in which something was drawn: a value is found by the title of
its panel, the legend entry of its look, the label of its tick or the head of its column.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from rich.console import Console

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

MINUS = "\N{MINUS SIGN}"


def plain(text: str) -> str:
    """One line, whatever the breaks."""
    return " ".join(text.split())


def spoken(head: str) -> str:
    """How a head or a moment row is written for a reader."""
    return head.replace("/", ", ").replace("_", " ")


def labelled(row: str) -> str:
    """How the panel of a moment row is called: by its positive direction, in short."""
    return {
        "shoulder_internal_rotation": "internal rotation",
        "shoulder_elevation": "elevation",
        "shoulder_horizontal_adduction": "horizontal adduction",
        "elbow_extension": "elbow extension",
        "forearm_pronation": "pronation",
    }[row]


def panels(figure: Figure) -> dict[str, Axes]:
    """Title, without keys of limits, → panel; a duplicated title is an error."""
    titled = [
        (unmarked(plain(ax.get_title(loc="left")))[0], ax) for ax in figure.axes if ax.get_visible()
    ]
    found = {title: ax for title, ax in titled if title}
    assert len(found) == sum(bool(title) for title, _ in titled)
    return found


def beside(figure: Figure, ax: Axes, name: str) -> str:
    """Return the labels of a panel: the title above its column, the label left of its row.

    ``name`` is ``title`` or ``ylabel``; the panel may hold it itself.
    """
    edge = 0 if name == "title" else 1
    place = ax.get_position().bounds[edge]
    said = [
        (other.get_title(loc="left") if name == "title" else other.get_ylabel())
        for other in figure.axes
        if abs(other.get_position().bounds[edge] - place) < 1e-6 and not hasattr(other, "_colorbar")
    ]
    (only,) = {plain(text) for text in said if text.strip()}
    return only


def legend(figure: Figure) -> dict[str, Line2D]:
    """Label → handle of the one legend of a figure."""
    (box,) = figure.legends
    labels = [plain(text.get_text()) for text in box.get_texts()]
    assert len(set(labels)) == len(labels)
    return dict(zip(labels, box.legend_handles, strict=True))


def look(line: Line2D) -> tuple[object, ...]:
    """Colour, dashes and marker."""
    hidden = line.get_linestyle() in {"None", "none", ""}
    dashes = "hidden" if hidden else line._unscaled_dash_pattern[1]
    marker = line.get_marker()
    return to_hex(line.get_color()), str(dashes), None if marker == "None" else marker


def lines_like(ax: Axes, handle: Line2D) -> list[Line2D]:
    """Lines of a panel that look like a legend entry."""
    return [line for line in ax.lines if look(line) == look(handle)]


def line_like(ax: Axes, handle: Line2D) -> Line2D:
    """Return the one line of a panel that looks like a legend entry."""
    (only,) = lines_like(ax, handle)
    return only


def points(line: Line2D) -> np.ndarray:
    """Points of a line, shape (points, 2)."""
    return np.column_stack([line.get_xdata(), line.get_ydata()]).astype(float)


def spans(ax: Axes, colour: str) -> dict[float, tuple[float, float]]:
    """Level strokes of one colour: height → left and right end."""
    found = {}
    for part in ax.collections:
        if isinstance(part, LineCollection) and to_hex(part.get_colors()[0]) == to_hex(colour):
            for (left, at), (right, _) in part.get_segments():
                assert at not in found
                found[float(at)] = (float(left), float(right))
    return found


def ticks(axis: Axis) -> dict[float, str]:
    """Place → label of the ticks of an axis, without keys of limits."""
    labels = [unmarked(plain(text.get_text()))[0] for text in axis.get_ticklabels()]
    locations = [float(v) for v in axis.get_ticklocs()]
    # An axis that shares the ticks of another without their labels has fewer of them.
    return dict(zip(locations, labels, strict=True)) if len(labels) == len(locations) else {}


def places(axis: Axis) -> dict[str, float]:
    """Label → place of the ticks of an axis."""
    found = {label: at for at, label in ticks(axis).items()}
    assert len(found) == len(axis.get_ticklocs())
    return found


def row_names(figure: Figure, ax: Axes) -> dict[str, float]:
    """Names at the left of a row of panels, read from the panel that carries them."""
    place = ax.get_position().bounds[1]
    for other in figure.axes:
        if abs(other.get_position().bounds[1] - place) < 1e-6 and any(ticks(other.yaxis).values()):
            return places(other.yaxis)
    raise AssertionError("no names beside this panel")


def written(ax: Axes) -> dict[tuple[float, float], str]:
    """Place → text of the texts of a panel."""
    return {tuple(map(float, t.get_position())): t.get_text() for t in ax.texts if t.get_text()}


def head_of_figure(figure: Figure) -> str:
    """Title, note and everything else outside the panels."""
    own = [figure.get_suptitle(), *(text.get_text() for text in figure.texts)]
    return plain(" ".join(dict.fromkeys(own)))


def with_sign(value: float, digits: int) -> str:
    """A number as it is told: with its sign, and without one where it rounds to nothing."""
    text = f"{value:+.{digits}f}"
    return text if text.strip("+-0.") else text[1:]


def printed(write: Callable[[Console], None], width: int = 300) -> str:
    """What a function prints to a console of this width."""
    out = io.StringIO()
    write(Console(file=out, width=width, color_system=None))
    return out.getvalue()


def unmarked(cell: str) -> tuple[str, str]:
    """Part a printed cell into its text and the keys of limits behind it."""
    text, keys = re.fullmatch(r"(.*?)((?: ?\b[A-Z]\d{1,3})*)", cell).groups()
    return text, keys.strip()


def with_hyphens(text: str) -> str:
    """Give a printed text the hyphens of files for machines in place of minus signs."""
    return text.replace("\N{MINUS SIGN}", "-")


def printed_tables(text: str, key: int = 0) -> dict[str, list[dict[str, str]]]:
    """Read tables back from printed text: title → rows, each column head → cell.

    A line whose cell ``key`` is empty continues the row above. Cells of several lines are
    joined by blanks; columns with the same head get ``#2``, ``#3``.
    """
    found: dict[str, list[dict[str, str]]] = {}
    lines = text.splitlines()
    for start, line in enumerate(lines):
        if not line.startswith("┏"):
            continue
        # A title is filled up to the width of its table, and broken if it is longer.
        above = start
        while above and len(lines[above - 1]) == len(line) and lines[above - 1][0] not in "└│":
            above -= 1
        title = plain(" ".join(lines[above:start]))
        stop = next(k for k in range(start, len(lines)) if lines[k].startswith("└"))
        columns: list[str] = []
        rows: list[list[str]] = []
        for each in lines[start + 1 : stop]:
            if each.startswith("┃"):
                cells = [c.strip() for c in each.strip("┃").split("┃")]
                columns = columns or [""] * len(cells)
                columns = [f"{a} {b}".strip() for a, b in zip(columns, cells, strict=True)]
            elif each.startswith("│"):
                cells = [c.strip() for c in each.strip("│").split("│")]
                if cells[key] or not rows:
                    rows.append(cells)
                else:
                    rows[-1] = [f"{a} {b}".strip() for a, b in zip(rows[-1], cells, strict=True)]
        names = [
            name if not columns[:k].count(name) else f"{name}#{columns[:k].count(name) + 1}"
            for k, name in enumerate(columns)
        ]
        assert title not in found
        found[title] = [dict(zip(names, row, strict=True)) for row in rows]
    return found
