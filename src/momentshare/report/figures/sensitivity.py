"""What changes the answer of a cohort: changes of activation by changed input and head."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, label_room, panel_grid, settle
from momentshare.report.text.opening import listed
from momentshare.text import head_label, with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

__all__ = ["sensitivity_figure"]

_CELL = (0.86, 0.28)
_WHOLE = 7.4
"""Greatest width, and height of a cell; desired total width [inch]."""

_USUAL = 95.0
"""Percentile of the sizes of the cells at which colours end, if some cells are far beyond."""

_SMALL = 6.5
_LINE = 0.112
"""Size [pt] and height of a line [inch] of the names of the changes."""


def sensitivity_figure(
    table: pd.DataFrame, orders: pd.DataFrame | None, heads: Sequence[str], mode: str
) -> Figure:
    """Draw the change of lift-mean activation by change of input and head.

    Parameters
    ----------
    table : DataFrame
        ``sensitivity`` of a cohort.
    orders : DataFrame or None
        Rows of ``sensitivity_orders`` that count; a circle marks a cell where the order of two
        conditions is reversed.
    heads : sequence of str
        Heads to show, from top to bottom.
    mode : str
        Treatment of the lateral force to show.
    """
    from matplotlib import colormaps

    table = table[table["lateral"] == mode]
    heads = [head for head in heads if head in set(table["head"])]
    changes = list(dict.fromkeys(table["change"].astype(str)))
    pair = list(dict.fromkeys(table["condition"].astype(str)))
    two = len(pair) == 2
    if two:  # what is asked is their difference: what a change adds to one and not to the other
        sign = np.where(table["condition"] == pair[0], 1.0, -1.0)
        table = table.assign(difference=sign * table["difference"])
    grid = table.pivot_table(
        index="head", columns="change", values="difference", aggfunc="sum" if two else "mean",
        observed=True,
    ).reindex(index=heads, columns=changes)  # fmt: skip
    what = f"the difference '{pair[0]}' − '{pair[1]}'" if two else "lift-mean activation"
    mean = (
        "mean over people"
        if two
        else "mean over people and conditions; changes of opposite sign in two conditions "
        "cancel in such a mean"
    )
    values = 100.0 * grid.to_numpy(dtype=float)
    size, cut = _colour_end(values)
    labels = [head_label(head) for head in heads]
    word = max((style.text_width(w, _SMALL) for w in " ".join(changes).split()), default=0.0)
    cell = max(min(_WHOLE / max(len(changes), 1), _CELL[0]), word + 0.05, 0.5)
    names = [with_minus(style.fit(change, cell - 0.04, _SMALL)) for change in changes]
    foot = _LINE * max((name.count("\n") + 1 for name in names), default=1) + 0.14
    left, bottom = label_room(labels), foot + 0.62
    figure, axes = panel_grid(
        1,
        1,
        (cell * len(changes), _CELL[1] * len(heads)),
        Texts(
            title=_title(values, changes, "the difference" if two else "the answer"),
            note=f"Change of {what} in % points, {mean} (sensitivity.csv holds each condition). A "
            "circle: the order of two conditions that differ by a percentage point or more is "
            f"reversed for this head.{_without_order(orders, heads, mode)} Lateral force {mode}."
            + (f" Colours end at {size:g} points, so that no single cell sets them." * cut),
        ),
        Room(left=left, bottom=bottom),
    )
    ax = axes[0]
    image = ax.pcolormesh(
        np.arange(len(changes) + 1) - 0.5, np.arange(len(heads) + 1) - 0.5, values,
        cmap="PuOr", vmin=-size, vmax=size, edgecolors="#ffffff", linewidth=1.0,
    )  # fmt: skip
    ax.set_ylim(len(heads) - 0.5, -0.5)
    turned = _turned(orders, mode)
    for (row, column), value in np.ndenumerate(values):
        if not np.isfinite(value):
            continue
        red, green, blue, _ = colormaps["PuOr"](0.5 + 0.5 * value / size)
        dark = 0.2126 * red + 0.7152 * green + 0.0722 * blue < 0.5
        ink = "#ffffff" if dark else style.INK
        text = with_minus(f"{value:+.1f}") if round(value, 1) else "0.0"
        ax.text(column - 0.06, row, text, ha="center", va="center_baseline", fontsize=7.0,
                color=ink)  # fmt: skip
        if (heads[row], changes[column]) in turned:
            ax.plot(
                column + 0.36, row, "o", markersize=5.0, markerfacecolor="none",
                markeredgewidth=1.2, color=ink, gid="order-turns",
            )  # fmt: skip
    ax.set_yticks(range(len(heads)), labels)
    ax.set_xticks(range(len(changes)), names, fontsize=_SMALL)
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    width, height = figure.get_size_inches()
    scale = figure.add_axes((left / width, 0.45 / height, 2.4 / width, 0.1 / height))
    bar = figure.colorbar(image, cax=scale, orientation="horizontal",
                          extend="both" if cut else "neither")  # fmt: skip
    bar.outline.set_visible(False)
    bar.set_label(f"change of {what} [% points]", fontsize=7.0)
    scale.tick_params(labelsize=7.0)
    settle(figure)
    return figure


def _colour_end(values: NDArray[np.float64]) -> tuple[float, bool]:
    """Change at which colours end [points], and whether a cell is beyond it."""
    sizes = np.abs(values[np.isfinite(values)])
    if not sizes.size:
        return 0.1, False
    most = max(float(sizes.max()), 0.1)
    usual = float(np.ceil(np.percentile(sizes, _USUAL)))
    return (usual, True) if 0.0 < usual < 0.75 * most else (most, False)


def _title(values: NDArray[np.float64], changes: Sequence[str], what: str) -> str:
    """Name the change that moves the heads most on average."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    means = np.where(known, np.abs(values), 0.0).sum(axis=0) / np.maximum(count, 1)
    if not means.size or not means.max() >= 0.5:
        return f"What moves {what}"
    top = int(means.argmax())
    return (
        f"What moves {what} most: {with_minus(changes[top])}, by {means[top]:.0f} "
        f"{'point' if round(means[top]) == 1 else 'points'} a head on average"
    )


def _without_order(orders: pd.DataFrame | None, heads: Sequence[str], mode: str) -> str:
    """Name the heads that cannot have a circle, since no two conditions differ enough."""
    if orders is None:
        return ""
    ordered = set(orders.loc[orders["lateral"] == mode, "head"].astype(str))
    without = [head_label(head) for head in heads if head not in ordered]
    return f" Without such an order, so without circles: {listed(without)}." if without else ""


def _turned(orders: pd.DataFrame | None, mode: str) -> set[tuple[str, str]]:
    """Head and change of the cells in which some order of two conditions is reversed."""
    if orders is None or orders.empty:
        return set()
    turned = orders[(orders["lateral"] == mode) & ~orders["order_holds"].astype(bool)]
    return set(zip(turned["head"].astype(str), turned["change"].astype(str), strict=True))
