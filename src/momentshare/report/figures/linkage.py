"""Activation and net moments of a limb of one's own along its motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, outer_labels, panel_grid, settle
from momentshare.report.text.linkage_opening import WORKING
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.linkage import LinkageResult

__all__ = ["activation_figure", "moment_figure"]

_COLUMNS = 4
_FEW = 12
"""Frames up to which each has a marker."""

_SHORT = "shortfall"
_SHADE = "#e4e4e4"

_LEAST_UNMET = 0.01
"""Unmet moment [N·m] from which it is drawn."""


def activation_figure(result: LinkageResult, title: str = "") -> Figure:
    """Draw the activation [%] of every head that works, a panel each.

    Parameters
    ----------
    result : LinkageResult
    title : str
        What the figure shows; a neutral one if empty.
    """
    peak = np.nanmax(np.where(result.posed[:, None], result.activation, np.nan), axis=0)
    heads = [k for k in np.argsort(-peak, kind="stable") if peak[k] >= WORKING]
    figure, axes = _grid(
        [head_label(result.linkage.head_names[k]) for k in heads] or ["no head works"],
        title or "Activation of each head",
        f"{_what(result)} Heads that reach {100.0 * WORKING:.0f} %, the highest peak first; all "
        "are in limb_heads.csv.",
    )
    for ax, k in zip(axes, heads, strict=False):
        _line(ax, result, 100.0 * result.activation[:, k])
        _shade_short(ax, result)
    for ax in axes:
        ax.set_ylim(0.0, 103.0)
        ax.set_yticks([0, 50, 100])
    _finish(figure, axes, result, "activation [%]")
    return figure


def moment_figure(result: LinkageResult) -> Figure:
    """Draw the net moment [N·m] of every row, and what of it the heads cannot supply."""
    rows = range(len(result.linkage.row_names))
    unmet = np.nan_to_num(result.unmet)
    short = [k for k in rows if np.abs(unmet[:, k]).max() >= _LEAST_UNMET]
    titles = [
        name.replace("_", " ") + ("" if row.balanced else " (not balanced)")
        for name, row in zip(result.linkage.row_names, result.linkage.rows, strict=True)
    ]
    missing = style.condition_style(1)
    figure, axes = _grid(
        titles,
        "Net moments that the heads have to supply",
        _what(result),
        [("net moment", style.condition_style(0)), ("unmet", missing)] if short else [],
    )
    for k, ax in zip(rows, axes, strict=True):
        ax.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
        _line(ax, result, result.moments[:, k])
        _shade_short(ax, result)
        if k in short:
            _line(ax, result, unmet[:, k], 1)
    _finish(figure, axes, result, "net moment [N·m]")
    return figure


def _what(result: LinkageResult) -> str:
    held = "each held still" if result.time is None else "in motion"
    short = int((result.status == _SHORT).sum())
    told = f" In {short} of them, shaded, the heads cannot supply the moments." if short else ""
    return f"{head_label(result.linkage.name)}, {len(result.angles)} frames, {held}.{told}"


def _grid(
    titles: Sequence[str],
    title: str,
    note: str,
    legend: Sequence[tuple[str, dict[str, object]]] = (),
) -> tuple[Figure, list[Axes]]:
    return panel_grid(
        len(titles),
        _COLUMNS,
        (1.75, 1.15),
        Texts(title=title, note=note, panels=titles, legend=list(legend)),
        Room(gap=(0.55, 0.3)),
    )


def _shade_short(ax: Axes, result: LinkageResult) -> None:
    """Shade the frames whose moments are not met, which carry no order."""
    at = np.arange(len(result.angles)) if result.time is None else result.time
    half = 0.5 * float(at[1] - at[0]) if len(at) > 1 else 0.5
    short = np.concatenate([[False], result.status == _SHORT, [False]]).astype(int)
    for first, end in np.flatnonzero(np.diff(short)).reshape(-1, 2):
        ax.axvspan(at[first] - half, at[end - 1] + half, color=_SHADE, lw=0, zorder=0, gid=_SHORT)


def _line(ax: Axes, result: LinkageResult, values: NDArray[np.float64], number: int = 0) -> None:
    at = np.arange(len(values)) if result.time is None else result.time
    look = style.condition_style(number)
    every = 1 if len(values) <= _FEW else max(1, len(values) // 4)
    ax.plot(at, np.where(result.posed, values, np.nan), markevery=every, clip_on=False, **look)


def _finish(figure: Figure, axes: list[Axes], result: LinkageResult, label: str) -> None:
    outer_labels(axes, _COLUMNS, label, "frame" if result.time is None else "time [s]")
    settle(figure)
