"""Figures of a run of draws."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.limits import marked, merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.layout import (
    Handles,
    Room,
    Texts,
    legend_below,
    panel_grid,
    row_names,
)
from momentshare.report.figures.limit_marks import footnote, hatch
from momentshare.report.figures.looks import Looks
from momentshare.report.text.draw_verdicts import (
    judged_pairs,
    judged_rows,
    main_treatment,
    named_heads,
    shown_activation,
)
from momentshare.report.text.opening import LEADS, counted, foremost, sentence
from momentshare.report.text.titles import firm_count_title, firm_title
from momentshare.report.text.verdicts import FIRM_ORDER
from momentshare.text import head_label
from momentshare.uncertainty.layout import FAMILIES
from momentshare.uncertainty.plan import SURE
from momentshare.uncertainty.summary import QUANTILES

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.report.figures.looks import Comparison
    from momentshare.uncertainty import Summary

__all__ = [
    "DRAWN",
    "condition_order_figure",
    "head_order_figure",
    "intervals_figure",
    "leading_figure",
    "leading_heads",
    "tornado_figure",
]

_MEAN: dict[str, Any] = {
    "linestyle": "none", "marker": "o", "markersize": 4, "color": "#000000",
    "markerfacecolor": "#ffffff",
}  # fmt: skip

_MOST = 9
"""Heads in an ordering figure."""

_LEADING = 4
"""Heads in the figure that opens the report."""

_EACH = 4
"""Conditions up to which the figure of orders compares each with each."""


def _drawn_words(found: Summary) -> str:
    """Draws, people, treatment and criterion of what a figure shows."""
    criterion, mode = main_treatment(found)
    exponent = found.plan.exponent(criterion)
    kind = "min–max" if np.isinf(exponent) else f"exponent of the effort {exponent:g}"
    people = len(found.plan.people_drawn)
    who = "mean over people" if people > 1 else "one person"
    return f"{found.plan.draws} draws, {who}; lateral force {mode}, {kind}."


def leading_heads(found: Summary) -> list[str]:
    """Name the heads that open the report; empty where all may.

    First those with a firm order and :data:`LEADS` or more in a condition, heads named beforehand
    before others and then by the muscle volume that it moves; then the most active.
    """
    _, _, heads = shown_activation(found)
    if len(heads) <= _LEADING:
        return []
    pairs = judged_pairs(found)
    firm = pairs[(pairs["verdict"] == FIRM_ORDER) & (pairs["activation"] >= LEADS)]
    sizes = firm.groupby("head")["active_volume_cm3"].max()
    sizes = sizes.sort_values(ascending=False, kind="stable")
    named = named_heads(found)
    ranked = sorted(map(str, sizes.index), key=lambda head: head not in named)
    return list(dict.fromkeys([*ranked, *heads]))[:_LEADING]


def leading_figure(found: Summary) -> Figure:
    """Intervals of the heads that carry what the report says first."""
    _, _, every = shown_activation(found)
    heads = leading_heads(found) or every
    which = f" {len(heads)} of {len(every)} heads that work"
    why = (
        f"first those with a firm order that reach {100.0 * LEADS:g} % in a condition, then the "
        "most active"
    )
    return _intervals(found, heads, min(2, len(heads)), f"{which}: {why}.")


def intervals_figure(found: Summary) -> Figure:
    """Lift-mean activation of each working head by condition, with its intervals."""
    _, _, heads = shown_activation(found)
    return _intervals(found, heads, min(3, len(heads)))


def _intervals(found: Summary, heads: Sequence[str], columns: int, which: str = "") -> Figure:
    """Draw a panel for each of these heads, a row for each condition."""
    from matplotlib.figure import Figure

    part, names, _ = shown_activation(found)
    looks = Looks(names, found.plan.study.factors)
    rows = -(-len(heads) // columns)
    height = rows * (0.2 * len(names) + 0.6) + 1.3
    figure = Figure(figsize=(8.6, height), layout="constrained")
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    used: list[str] = []
    tables = (part, found.condition_order)  # a panel shows sizes, and how conditions differ
    for ax, head in zip(grid.flat, heads, strict=False):
        for index, name in enumerate(names):
            line = part[(part["head"] == head) & (part["condition"] == name)]
            if line.empty or not np.isfinite(line["mean"].iloc[0]):
                continue
            mean = 100 * float(line["mean"].iloc[0])
            q = 100 * line[list(QUANTILES)].to_numpy(dtype=float)[0]
            ax.plot(q[[0, 4]], [index, index], color=style.FAINT, linewidth=1.0)
            ax.plot(q[[1, 3]], [index, index], color=style.INK, linewidth=3.0)
            ax.plot([mean], [index], **(looks.dot(name) if looks.factors.names else _MEAN))
        keys = merged_keys(_keys(table[table["head"] == head]) for table in tables)
        ax.set_title(marked(style.fit(head_label(head), 5.4 / columns), keys), loc="left")
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
    handles: Handles = [
        ("5 to 95 % of draws", {"color": style.FAINT, "linewidth": 1.0}),
        ("25 to 75 %", {"color": style.INK, "linewidth": 3.0}),
        ("mean of the draws", _MEAN),
        *looks.dot_handles(names),
    ]
    legend_below(figure, handles, 3)
    firm = firm_title(judged_pairs(found), named_heads(found))
    add_heading(
        figure,
        f"{firm} on average" if firm else "How sure each activation is",
        f"Lift-mean activation: {_drawn_words(found)}{which}{_mean_words(found) if firm else ''}"
        f"{footnote(found.model.limits, used)}",
    )
    return figure


def _mean_words(found: Summary) -> str:
    """Say what the difference in the title is the mean over, beside the dots."""
    pairs = judged_pairs(found)
    row, _ = foremost(pairs[pairs["verdict"] == FIRM_ORDER], named_heads(found))
    part, _, _ = shown_activation(found)
    names = row["condition"], row["other"]
    own = part[(part["head"] == row["head"]) & part["condition"].isin(names)]
    criterion, mode = main_treatment(found)
    table = judged_rows(found)
    rows = _chances(table[table["head"] == row["head"]], *names)
    main = rows[(rows["criterion"] == criterion) & (rows["lateral"] == mode)]
    both = int((main if len(main) else rows)["draws"].iloc[0])
    if set(own["draws"]) == {both}:
        return " The difference in the title is that of two dots."
    return (
        f" The difference in the title is the mean over the {both:,} draws that gave both "
        "conditions; each dot is the mean over all draws that gave its condition."
    )


@dataclass(frozen=True, slots=True)
class _Order:
    """An order as drawn: its row, probabilities [%], and how it is marked."""

    place: int
    main: float
    low: float
    high: float
    firm: bool
    limited: bool


def condition_order_figure(found: Summary) -> Figure:
    """How sure the order of two conditions is within each head: dots, full where it is firm.

    A bar goes from the least to the greatest probability over treatments and criteria.
    """
    _, names, every = shown_activation(found)
    pairs = judged_pairs(found)
    firm = pairs[pairs["verdict"] == FIRM_ORDER]
    leading = set(sorted(every, key=lambda head: head not in set(firm["head"]))[:_MOST])
    heads = [head for head in every if head in leading]
    rows = Looks(names, found.plan.study.factors).comparisons(names, "above", most=_EACH)
    words = [style.fit(row.words, 2.3, 7.5) for row in rows]
    lines = max(sum(text.count("\n") + 1 for text in words), 1)
    table = found.condition_order
    keys = {head: _keys(table[table["head"] == head]) for head in heads}
    orders = {head: _orders(found, head, rows, firm) for head in heads}
    note = footnote(found.model.limits, keys.values())
    left_out = _left_out(len(names), len(rows), len(heads), len(every))
    neutral = "How sure the order of two conditions is, within each head"
    columns = min(4, len(heads))
    figure, axes = panel_grid(
        len(heads),
        columns,
        (1.45, 0.155 * lines + 0.12),
        Texts(
            title=firm_count_title(pairs) or neutral,
            note="Probability that the condition named first activates the head more (near 0 % the "
            f"other one does); {_drawn_words(found)} Grey lines: {100 - 100 * SURE:.0f}, 50 and "
            f"{100 * SURE:.0f} %."
            f"{left_out}{note}{' Such rows are hatched.' if note else ''}",
            panels=[marked(head_label(head), keys[head]) for head in heads],
            legend=_order_key(found, [order for mine in orders.values() for order in mine]),
        ),
        Room(
            left=max((style.text_width(t, 7.5) for t in words), default=0.5) + 0.35,
            gap=(0.26, 0.14),
        ),
    )
    for index, (ax, head) in enumerate(zip(axes, heads, strict=True)):
        for order in orders[head]:
            at = order.place
            if order.limited:
                hatch(ax, -5.0, at - 0.5, 110.0, 1.0)
            ax.plot([order.low, order.high], [at, at], zorder=2, **style.RANGE)
            look = style.FIRM if order.firm else style.OPEN
            ax.plot([order.main], [at], zorder=3, clip_on=False, **look)
        _chance_axis(ax, words, first=index % columns == 0, last=index + columns >= len(axes))
    return figure


def _orders(
    found: Summary, head: str, rows: Sequence[Comparison], firm: pd.DataFrame
) -> list[_Order]:
    """Orders of a head that were drawn, row by row."""
    criterion, mode = main_treatment(found)
    table = judged_rows(found)
    mine = table[table["head"] == head]
    sure = {
        frozenset((row.condition, row.other))
        for row in firm[firm["head"] == head].itertuples(index=False)
    }
    orders = []
    for place, row in enumerate(rows):
        chances = _chances(mine, row.condition, row.other)
        if chances.empty:
            continue
        values = 100.0 * chances["chance"].to_numpy(dtype=float)
        shown = chances[(chances["criterion"] == criterion) & (chances["lateral"] == mode)]
        main = 100.0 * float((shown if len(shown) else chances)["chance"].iloc[0])
        orders.append(
            _Order(
                place,
                main,
                float(values.min()),
                float(values.max()),
                frozenset((row.condition, row.other)) in sure,
                bool(_keys(chances)),
            )
        )
    return orders


def _left_out(conditions: int, rows: int, heads: int, working: int) -> str:
    """State which orders are not drawn."""
    parts = []
    if rows < conditions * (conditions - 1) // 2:
        parts.append("not every two conditions are drawn against each other")
    if heads < working:
        parts.append(
            f"{heads} of {working} heads that work are drawn: those with a firm order and the most "
            "active of the others"
        )
    return f" {sentence([*parts, 'all orders are in condition_order.csv'])}" if parts else ""


def _order_key(found: Summary, orders: Sequence[_Order]) -> Handles:
    """Entries of the legend that the figure uses."""
    table = judged_rows(found)
    over = {"lateral": "treatments of the lateral force", "criterion": "criteria"}
    varied = " and ".join(words for name, words in over.items() if len(set(table[name])) > 1)
    used: Handles = [("firm", style.FIRM)] if any(o.firm for o in orders) else []
    if not all(o.firm for o in orders):
        used.append(("not firm", style.OPEN))
    if varied and any(o.low < o.high for o in orders):
        used.append((f"range over {varied}", style.RANGE))
    return used


def _chances(table: pd.DataFrame, condition: str, other: str) -> pd.DataFrame:
    """Rows of a pair with the ``chance`` that ``condition`` is above ``other``."""
    there = (table["condition"] == condition) & (table["other"] == other)
    back = (table["condition"] == other) & (table["other"] == condition)
    part = table[there | back]
    own = part["probability"].where(part["condition"] == condition, 1.0 - part["probability"])
    return part.assign(chance=own).dropna(subset=["chance"])


def _keys(table: pd.DataFrame) -> str:
    """Keys of the limits of some rows, without duplicates."""
    return merged_keys(table["limit"]) if "limit" in table else ""


def head_order_figure(found: Summary) -> Figure:
    """How sure each head stands above the next one, in the first condition."""
    part, names, heads = shown_activation(found)
    criterion, mode = main_treatment(found)
    table = found.head_order
    table = table[(table["criterion"] == criterion) & (table["condition"] == names[0])]
    own = set(table["lateral"])
    table = table[table["lateral"] == (mode if mode in own else next(iter(sorted(own))))]
    medians = part[part["condition"] == names[0]].set_index("head")["median"]
    ranked = [str(h) for h in medians.reindex(heads).sort_values(ascending=False).index]
    pairs = list(pairwise(ranked))[: _MOST + _MOST]
    words = [f"{head_label(a)} above {head_label(b)}" for a, b in pairs]
    table = table.rename(columns={"head": "condition", "condition": "in"})
    chances = np.full(len(pairs), np.nan)
    for place, (one, other) in enumerate(pairs):
        if len(drawn := _chances(table, one, other)):
            chances[place] = drawn["chance"].iloc[0]
    looks: Handles = []
    if (chances >= SURE).any():
        looks.append((f"at least {100 * SURE:.0f} % of draws", style.FIRM))
    if (chances < SURE).any():
        looks.append(("fewer", style.OPEN))
    figure, (ax,) = panel_grid(
        1,
        1,
        (3.0, 0.19 * max(len(words), 1) + 0.12),
        Texts(
            title=f"How sure the order of the heads is in '{names[0]}'",
            note="Heads in the order of their medians: probability that each works harder than "
            f"the next; {_drawn_words(found)} Grey lines: {100 - 100 * SURE:.0f}, 50 and "
            f"{100 * SURE:.0f} %.",
            legend=looks,
        ),
        Room(left=max((style.text_width(text, 7.5) for text in words), default=0.5) + 0.35),
    )
    for place, value in enumerate(chances):
        if not np.isnan(value):
            look = style.FIRM if value >= SURE else style.OPEN
            ax.plot([100 * value], [place], zorder=3, clip_on=False, **look)
    _chance_axis(ax, words, first=True, last=True)
    return figure


def _chance_axis(ax: Axes, names: Sequence[str], *, first: bool, last: bool) -> None:
    """Rows by name, probability from 0 to 100 %."""
    row_names(ax, names if first else [])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.spines["left"].set_visible(False)
    for at in (100.0 * (1.0 - SURE), 50.0, 100.0 * SURE):
        ax.axvline(at, color=style.FAINT, linewidth=0.7, zorder=1)
    ax.set_xlim(-5.0, 105.0)  # a dot at an end stays clear of the names
    ax.set_xticks([0, 50, 100])
    if last:
        ax.set_xlabel("probability [%]")
    else:
        ax.tick_params(labelbottom=False)


def tornado_figure(found: Summary) -> Figure:
    """Mean size of the change that each family of inputs brings about, hardest heads first."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    assert found.sensitivity is not None  # noqa: S101 - the caller has looked
    table = found.sensitivity.screening
    families = list(found.sensitivity.overall["family"])
    _, names, heads = shown_activation(found)
    table = table[(table["measure"] == "mean_activation") & (table["condition"] == names[0])]
    heads = [h for h in leading_heads(found) or heads if h in set(table["head"])][:4]
    # Long names in two rows of panels would stand at the very edge.
    layout = ConstrainedLayoutEngine(rect=(0.02, 0.0, 0.98, 1.0))
    figure = Figure(figsize=(8.6, 0.2 * len(families) * 2 + 1.9), layout=layout)
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
        ax.set_title(style.fit(head_label(head), 2.8), loc="left")
    for ax in list(grid.flat)[len(heads) :]:
        ax.set_visible(False)
    for ax in grid[:, 0]:
        _names(ax, [FAMILIES[f] for f in families], width=2.6)
    for column in range(columns):
        last = grid[(len(heads) - 1 - column) // columns, column]
        last.set_xlabel("change of activation [% points]")
        last.tick_params(labelbottom=True)
    text = f"How far each group of inputs moves activation, in '{names[0]}'"
    note = (
        "Bar: mean size of the change of lift-mean activation as one group goes from end to end of "
        f"its range (2 to 98 % of draws), at {counted(found.plan.trajectories, 'random place')} "
        "among the other inputs; whisker: 95 % interval of that mean. Inputs in the order of their "
        "effect over all heads and conditions."
    )
    add_heading(figure, text, note)
    return figure


def _names(ax: Axes, names: Sequence[str], width: float = 1.7) -> None:
    ax.set_yticks(range(len(names)), [style.fit(name, width) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)


DRAWN: dict[str, Callable[[Summary], Figure]] = {
    "leading_heads": leading_figure,
    "intervals": intervals_figure,
    "condition_order": condition_order_figure,
    "head_order": head_order_figure,
    "tornado": tornado_figure,
}
"""Name of a figure → function that makes it."""
