"""Figures of a run of draws."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.limits import marked
from momentshare.report.figures import style
from momentshare.report.figures.limit_marks import footnote
from momentshare.uncertainty.layout import FAMILIES
from momentshare.uncertainty.summary import EVERYONE, QUANTILES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.uncertainty import Summary

__all__ = [
    "DRAWN",
    "condition_order_figure",
    "head_order_figure",
    "intervals_figure",
    "main_treatment",
    "shown_activation",
    "tornado_figure",
    "who_of",
]

_WORKING = 0.05
"""Median lift-mean activation that a head must reach in some condition to be drawn."""

_MOST = 9
"""Heads in an ordering figure."""


def who_of(found: Summary) -> str:
    """Return whose rows are shown: the mean over people, or a single person."""
    people = found.plan.people_drawn
    return EVERYONE if len(people) > 1 else str(people[0])


def main_treatment(found: Summary) -> tuple[str, str]:
    """Criterion and lateral mode that figures show: the first of each."""
    table = found.intervals
    several = table[table["lateral"] != "zero"]
    source = several if len(several) else table
    return str(table["criterion"].iloc[0]), str(source["lateral"].iloc[0])


def shown_activation(found: Summary) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Lines of lift-mean activation to draw, conditions, and working heads by activation."""
    criterion, mode = main_treatment(found)
    table = found.intervals
    part = table[
        (table["measure"] == "mean_activation")
        & (table["person"] == who_of(found))
        & (table["criterion"] == criterion)
    ]
    own = part.groupby("condition", sort=False)["lateral"].transform(lambda m: mode in set(m))
    part = part[(part["lateral"] == mode) | ~own.astype(bool)]
    part = part.drop_duplicates(["condition", "head"])
    top = part.groupby("head", sort=False)["median"].max()
    order = top[top >= _WORKING].sort_values(ascending=False, kind="stable")
    known = top.dropna()
    heads = [str(h) for h in order.index] or [str(known.idxmax() if len(known) else top.index[0])]
    names = list(found.plan.conditions)
    return part, [n for n in names if n in set(part["condition"])], heads


def _title(found: Summary, text: str) -> str:
    criterion, mode = main_treatment(found)
    exponent = found.plan.exponent(criterion)
    kind = "min-max" if np.isinf(exponent) else f"p = {exponent:g}"
    people = len(found.plan.people_drawn)
    who = "mean over people" if people > 1 else "one person"
    return f"{text}\n{found.plan.draws} draws, {who}; lateral force {mode}, {kind}"


def intervals_figure(found: Summary) -> Figure:
    """Lift-mean activation of each working head by condition, with its intervals."""
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    part, names, heads = shown_activation(found)
    columns = min(3, len(heads))
    rows = -(-len(heads) // columns)
    height = rows * (0.2 * len(names) + 0.6) + 1.3
    figure = Figure(figsize=(8.6, height), layout="constrained")
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    used: list[str] = []
    for ax, head in zip(grid.flat, heads, strict=False):
        for index, name in enumerate(names):
            line = part[(part["head"] == head) & (part["condition"] == name)]
            if line.empty or not np.isfinite(line["median"].iloc[0]):
                continue
            q = 100 * line[list(QUANTILES)].to_numpy(dtype=float)[0]
            ax.plot(q[[0, 4]], [index, index], color=style.FAINT, linewidth=1.0)
            ax.plot(q[[1, 3]], [index, index], color=style.INK, linewidth=3.0)
            ax.plot([q[2]], [index], marker="o", markersize=4, color="#000000",
                    markerfacecolor="#ffffff")  # fmt: skip
        keys = _keys(part[part["head"] == head])
        ax.set_title(marked(style.fit(style.head_label(head), 1.8), keys), loc="left")
        used.append(keys)
    for ax in list(grid.flat)[len(heads) :]:
        ax.set_visible(False)
    for ax in grid[:, 0]:
        _names(ax, names)
    for column in range(columns):
        last = grid[(len(heads) - 1 - column) // columns, column]
        last.set_xlabel("activation, lift mean [%]")
        last.tick_params(labelbottom=True)
    grid[0, 0].set_xlim(0, None)
    handles = [
        Line2D([], [], color=style.FAINT, linewidth=1.0, label="5 to 95 % of draws"),
        Line2D([], [], color=style.INK, linewidth=3.0, label="25 to 75 %"),
        Line2D([], [], linestyle="", marker="o", color="#000000", markerfacecolor="#ffffff",
               label="median"),
    ]  # fmt: skip
    figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False)
    told = fill(footnote(found.model.limits, used).strip(), 110)
    title = _title(found, "How sure each activation is")
    figure.suptitle(f"{title}\n{told}".strip(), fontsize=8.5)
    return figure


def condition_order_figure(found: Summary) -> Figure:
    """Probability that the row's condition demands more of a head than the column's."""
    _, names, heads = shown_activation(found)
    criterion, mode = main_treatment(found)
    table = found.condition_order
    table = table[(table["criterion"] == criterion) & (table["lateral"] == mode)]
    heads = heads[:_MOST]
    keys = {head: _keys(table[table["head"] == head]) for head in heads}
    panels = {
        marked(style.head_label(head), keys[head]): _matrix(
            table[table["head"] == head], "condition", names
        )
        for head in heads
    }
    return _matrices(
        found, panels, names, "Probability [%] that the row's condition activates the head more "
        "than the column's", footnote(found.model.limits, keys.values()),
    )  # fmt: skip


def _keys(table: pd.DataFrame) -> str:
    """Keys of the limits of some rows, without duplicates."""
    return " ".join(dict.fromkeys(" ".join(table["limit"]).split())) if "limit" in table else ""


def head_order_figure(found: Summary) -> Figure:
    """Probability that the row's head works harder than the column's, in the first condition."""
    _, names, heads = shown_activation(found)
    criterion, mode = main_treatment(found)
    table = found.head_order
    table = table[(table["criterion"] == criterion) & (table["condition"] == names[0])]
    own = set(table["lateral"])
    table = table[table["lateral"] == (mode if mode in own else next(iter(sorted(own))))]
    heads = heads[:_MOST]
    labels = [style.head_label(h) for h in heads]
    return _matrices(
        found, {names[0]: _matrix(table, "head", heads)}, labels,
        "Probability [%] that the row's head works harder than the column's",
    )  # fmt: skip


def _matrix(table: pd.DataFrame, of: str, names: Sequence[str]) -> Any:
    """Square matrix of probabilities that one is above another; NaN where unknown."""
    at = {name: k for k, name in enumerate(names)}
    out = np.full((len(names), len(names)), np.nan)
    for line in table.itertuples(index=False):
        one, other = str(getattr(line, of)), str(line.other)
        if one in at and other in at:
            a, b = at[one], at[other]
            out[a, b] = line.probability
            out[b, a] = 1.0 - float(str(line.probability))
    return out


def _matrices(
    found: Summary, panels: Mapping[str, Any], names: Sequence[str], title: str, note: str = ""
) -> Figure:
    from matplotlib.figure import Figure

    columns = min(3, len(panels))
    rows = -(-len(panels) // columns)
    side = max(0.34 * len(names), 1.2)
    label = min(max(style.text_width(n) for n in names), 1.5) + 0.2
    width = max(columns * (side + 0.35) + label + 0.4, 5.2)
    figure = Figure(figsize=(width, rows * (side + 0.35) + label + 0.9), layout="constrained")
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for ax, (name, values) in zip(grid.flat, panels.items(), strict=False):
        ax.imshow(100 * values, cmap=style.SEQUENTIAL, vmin=0, vmax=100, aspect="equal")
        for a, b in zip(*np.nonzero(~np.isnan(values)), strict=True):
            share = values[a, b]
            ax.text(b, a, f"{100 * share:.0f}", ha="center", va="center", fontsize=6.5,
                    color="#ffffff" if share < 0.5 else "#000000")  # fmt: skip
        ax.set_title(style.fit(name, side + 0.2), loc="left")
        ax.tick_params(length=0)
        ax.spines[:].set_visible(False)
    for ax in list(grid.flat)[len(panels) :]:
        ax.set_visible(False)
    for ax in grid[:, 0]:
        _names(ax, names, width=1.5)
    for column in range(columns):
        last = grid[(len(panels) - 1 - column) // columns, column]
        ticks = [style.fit(n, 1.5) for n in names]
        last.set_xticks(range(len(names)), ticks, rotation=90)
        last.tick_params(labelbottom=True)
    lines = [style.fit(title, width - 0.4), _title(found, "").strip()]
    lines += [fill(note.strip(), int(13 * width))] if note else []
    figure.suptitle("\n".join(lines), fontsize=8.5)
    return figure


def tornado_figure(found: Summary) -> Figure:
    """Mean size of the change that each family of inputs brings about, hardest heads first."""
    from matplotlib.figure import Figure

    assert found.sensitivity is not None  # noqa: S101 - the caller has looked
    table = found.sensitivity.screening
    families = list(found.sensitivity.overall["family"])
    _, names, heads = shown_activation(found)
    table = table[(table["measure"] == "mean_activation") & (table["condition"] == names[0])]
    heads = [h for h in heads if h in set(table["head"])][:4]
    figure = Figure(figsize=(8.6, 0.2 * len(families) * 2 + 1.9), layout="constrained")
    columns = min(2, max(len(heads), 1))
    rows = max(-(-len(heads) // columns), 1)
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for ax, head in zip(grid.flat, heads, strict=False):
        part = table[table["head"] == head].set_index("family").reindex(families)
        size = 100 * part["mu_star"].to_numpy()
        spread = 100 * part["mu_star_confidence"].to_numpy()
        ax.barh(range(len(families)), size, color="#6f87a8", height=0.7)
        ax.errorbar(size, range(len(families)), xerr=np.minimum(spread, size), linestyle="",
                    color=style.INK, elinewidth=0.9)  # fmt: skip
        ax.set_title(style.fit(style.head_label(head), 2.8), loc="left")
    for ax in list(grid.flat)[len(heads) :]:
        ax.set_visible(False)
    for ax in grid[:, 0]:
        _names(ax, [FAMILIES[f] for f in families], width=2.6)
    for column in range(columns):
        last = grid[(len(heads) - 1 - column) // columns, column]
        last.set_xlabel("effect on lift-mean activation [percentage points]")
        last.tick_params(labelbottom=True)
    text = f"Which inputs matter: mean elementary effect, {names[0]}"
    note = (
        f"scaled to the whole range of the input, 2 to 98 % of draws; "
        f"{found.plan.trajectories} trajectories; whiskers: 95 % of resampled means"
    )
    figure.suptitle(style.fit(text, 8.0) + "\n" + note, fontsize=8.5)
    return figure


def _names(ax: Axes, names: Sequence[str], width: float = 1.7) -> None:
    ax.set_yticks(range(len(names)), [style.fit(name, width) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)


DRAWN: dict[str, Callable[[Summary], Figure]] = {
    "intervals": intervals_figure,
    "condition_order": condition_order_figure,
    "head_order": head_order_figure,
    "tornado": tornado_figure,
}
"""Name of a figure → function that makes it."""
