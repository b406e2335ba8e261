"""What the figures of a study share: names of conditions, curves, cells, panels of heads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import wraps
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import WIDEST, Handles, Room, Texts, panel_grid, row_names
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.report.figures.study.results import Curve, Solved
    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = [
    "ConditionNames",
    "colour_bar",
    "coloured_cells",
    "draw_curve",
    "head_panels",
    "ink_on_cell",
    "letter",
    "mode_title",
    "muscle_breaks",
    "set_limits",
    "styled",
]

P = ParamSpec("P")


def styled(
    make: Callable[Concatenate[StudyResult, P], Figure],
) -> Callable[Concatenate[StudyResult, P], Figure]:
    """Run a figure function under the settings of this package, without touching others."""

    @wraps(make)
    def inside(study: StudyResult, /, *args: P.args, **kwargs: P.kwargs) -> Figure:
        import matplotlib as mpl

        names = [c.name for c in study.study.file.condition]
        with mpl.rc_context(style.settings(names)), style.quiet():
            return make(study, *args, **kwargs)

    return inside


def draw_curve(
    ax: Axes,
    curve: Curve,
    look: dict[str, Any],
    *,
    place: float,
    band: bool,
    marks: int = 4,
    among: int = 3,
) -> None:
    """Draw a curve with its band.

    ``place`` in 0–1 staggers the markers of several curves; bands grow paler with the number
    of curves that they lie ``among``.
    """
    frames = len(curve.lift)
    step = max(1, round((frames - 1) / marks))
    start = int(place * step) % step
    ax.plot(curve.lift, curve.mean, markevery=(start, step), **look)
    if band:
        pale = min(0.13, 0.45 / among)
        ax.fill_between(curve.lift, curve.low, curve.high, color=look["color"], alpha=pale, lw=0)


def set_limits(ax: Axes, values: Sequence[Floats], *, zero: bool = True) -> None:
    """Set y limits from the values; NaN is left out."""
    known = np.concatenate([np.ravel(v) for v in values] or [np.zeros(1)])
    known = known[np.isfinite(known)]
    low = float(known.min()) if known.size else 0.0
    high = float(known.max()) if known.size else 1.0
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    span = (high - low) or 1.0
    pad = 0.06 * span
    ax.set_ylim(low - (pad if low < 0 or not zero else 0.0), high + pad)


def letter(index: int) -> str:
    """Return the letter of a condition, or a number beyond Z."""
    return chr(ord("A") + index) if index < 26 else str(index + 1)


@dataclass(frozen=True, slots=True)
class ConditionNames:
    """Names of conditions at an axis: short ones as they are, long ones by letter and key."""

    ticks: list[str]
    key: str

    @classmethod
    def of(cls, solved: Solved, width: float = 1.35) -> ConditionNames:
        """Take letters where one of the names is wider than ``width`` [inch]."""
        labels = [solved.label(c) for c in solved.conditions]
        if all(style.text_width(label, 7.5) <= width for label in labels):
            return cls(ticks=labels, key="")
        letters = [letter(i) for i in range(len(labels))]
        key = ";  ".join(f"{a} = {b}" for a, b in zip(letters, labels, strict=True))
        return cls(ticks=letters, key=f" Conditions: {key}.")

    @property
    def reach(self) -> float:
        """Height that the names take when they stand at 45° [inch]."""
        return max(style.text_width(t, 7.5) for t in self.ticks) * 0.72 + 0.2

    def on_x(self, ax: Axes) -> None:
        """Put the names at the x axis."""
        ax.set_xticks(range(len(self.ticks)))
        if max(map(len, self.ticks)) <= 2:
            ax.set_xticklabels(self.ticks)
        else:
            ax.set_xticklabels(self.ticks, rotation=45, ha="right", rotation_mode="anchor")


def muscle_breaks(heads: Sequence[str]) -> list[int]:
    """Positions between heads of different muscles."""
    muscles = [h.split("/")[0] for h in heads]
    return [i + 1 for i, (a, b) in enumerate(pairwise(muscles)) if a != b]


def coloured_cells(ax: Axes, table: Floats) -> Any:
    """Draw a table of percentages as coloured cells; a missing value is hatched."""
    import matplotlib as mpl

    scale = mpl.colormaps[style.SEQUENTIAL]
    image = ax.imshow(np.ma.masked_invalid(table), cmap=scale, vmin=0.0, vmax=100.0, aspect="auto")
    ax.set_facecolor("#ededed")
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    return image


def ink_on_cell(share: float) -> str:
    """Ink that is readable on a cell at this share of the colour scale."""
    return "#ffffff" if share < 0.55 else "#111111"


def mode_title(solved: Solved, mode: str) -> str:
    """Return the title of a panel for one treatment of the lateral force."""
    return f"lateral force: {style.MODES[mode]}" if solved.bars else "no lateral force (dumbbells)"


def colour_bar(figure: Figure, ax: Axes, image: Any) -> None:
    """Put the colour bar of activations beside a panel."""
    from matplotlib.ticker import MaxNLocator

    width, height = figure.get_size_inches()
    box = ax.get_position()
    tall = min(box.height, 2.2 / height)
    place = figure.add_axes((box.x1 + 0.14 / width, box.y1 - tall, 0.12 / width, tall))
    bar = figure.colorbar(image, cax=place, ticks=MaxNLocator(6, integer=True))
    bar.set_label("activation [%]")
    bar.outline.set_visible(False)


def head_panels(
    solved: Solved,
    heads: Sequence[int],
    *,
    title: str,
    note: str,
    legend: Handles,
    pitch: float,
    labels: Sequence[str] = (),
) -> tuple[Figure, list[Axes]]:
    """Lay out a panel per condition with the heads from top to bottom.

    ``labels`` name the heads, where that is more than their names.
    """
    labels = labels or [head_label(solved.heads[h]) for h in heads]
    count = len(solved.conditions)
    left = max(style.text_width(t, 7.5) for t in labels) + 0.42
    columns = min(count, 7)
    wide = min(1.15, (WIDEST - left - 0.22) / columns - 0.22)
    figure, axes = panel_grid(
        count,
        columns,
        (wide, pitch * len(heads) + 0.1),
        Texts(
            title=title,
            note=note,
            panels=[solved.label(c) for c in solved.conditions],
            legend=legend,
        ),
        Room(left=left, gap=(0.22, 0.5)),
    )
    breaks = muscle_breaks([solved.heads[h] for h in heads])
    for index, ax in enumerate(axes):
        first = index % columns == 0
        row_names(ax, labels if first else [])
        ax.set_ylim(len(heads) - 0.4, -0.6)
        ax.spines["left"].set_visible(False)
        ax.hlines(
            [b - 0.5 for b in breaks],
            0,
            1,
            colors="#d4d4d4",
            lw=0.6,
            transform=ax.get_yaxis_transform(),
        )
        if first:
            ax.set_ylabel("muscle head")
    return figure, axes
