"""A difference drawn: factors and components at one height, factors along the lift."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.explain.difference_sentences import FACTOR_LABELS
from momentshare.explain.mixtures import FACTORS, Member, member_words
from momentshare.explain.phrases import NOTHING, capital, percent
from momentshare.limits import Limits, marked
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.limit_marks import Marks, footnote, hatch
from momentshare.text import head_phrase, signed_number, with_minus

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.explain.difference import Difference
    from momentshare.explain.drawn import DrawnDifferences
    from momentshare.limits import LiftKind

__all__ = ["difference_figure"]

# Fill and pattern, dash and marker distinguish the factors, so that grey print works as well;
# slanted lines mark what a limit concerns.
_BARS: dict[str, dict[str, Any]] = {
    "moments": {"facecolor": "#9ecae8", "hatch": "++++"},
    "lateral force": {"facecolor": "#f0c05a", "hatch": "...."},
    "arms": {"facecolor": "#0b3c5d", "hatch": ""},
    "capacity": {"facecolor": "#ffffff", "hatch": "xxxx"},
}
_LINES: dict[str, dict[str, Any]] = {
    "moments": {"color": "#3182bd", "linestyle": (0, (5, 1.6)), "marker": "s"},
    "lateral force": {"color": "#8c5a00", "linestyle": (0, (3, 1, 1, 1)), "marker": "P"},
    "arms": {"color": "#0b3c5d", "linestyle": "-", "marker": "o"},
    "capacity": {"color": "#767676", "linestyle": (0, (1.2, 1.2)), "marker": "D"},
}
_SUM: dict[str, Any] = {"facecolor": "#777777", "hatch": ""}
_TOTAL: dict[str, Any] = {"color": "#000000", "linestyle": "-", "linewidth": 2.0}
_LEAST = 0.03
"""Part of the largest factor below which a component gets no bar of its own."""

_SHOWN = 3
"""Components of a factor that get a bar of their own."""


def difference_figure(
    found: Difference,
    head: str,
    along: pd.DataFrame,
    drawn: DrawnDifferences | None = None,
    title: str = "",
    *,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Bars of factors and their main components at one height; lines of factors along the lift.

    Parameters
    ----------
    found : Difference
    head : str
    along : DataFrame
        From :func:`momentshare.explain.difference.factor_parts_along`.
    drawn : DrawnDifferences, optional
        Gives the bars of the factors the middle four fifths of their draws.
    title : str
    limits : Limits, optional
    kinds : mapping, optional
        Condition → kind of lift, by which what the limb cannot bear is marked and hatched.
    """
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    bars = _list_bars(found, head)
    # Long names of components would stand at the very edge.
    layout = ConstrainedLayoutEngine(rect=(0.02, 0.0, 0.98, 1.0))
    figure = Figure(figsize=(7.6, 0.24 * len(bars) + 5.6), layout=layout)
    ratios = (0.24 * len(bars) + 0.6, 2.4, 1.2)
    top, bottom, whole = figure.subplots(3, 1, height_ratios=ratios)
    _draw_bars(top, bars, found, head, drawn)
    _draw_along(bottom, whole, along[along["head"] == head], found)
    place = " and ".join(dict.fromkeys(percent(h) for h in found.heights))
    index = found.head_names.index(head)
    marks = Marks(limits or Limits(), kinds or {})
    # Dumbbells have no lateral force beside a bar whose force is free.
    lateral = "free" if "free" in found.lateral else found.lateral[0]
    own = marks.pair_keys(found.names, head, lateral)
    heading = (
        f"{capital(marked(head_phrase(head), own))}: {found.activation[0, index]:.3f} in "
        f"'{found.names[0]}', {found.activation[1, index]:.3f} in '{found.names[1]}' at {place} of "
        "the bar height"
    )
    figure.legend(handles=_handles(drawn), loc="outside lower center", ncols=3, frameon=False)
    for ax in (bottom, whole):
        low, high = ax.get_ylim()
        for third in marks.order_parts(found.names, head, lateral):
            hatch(ax, 100.0 * third / 3.0, low, 100.0 / 3.0, high - low)
        ax.set_ylim(low, high)
    told = footnote(marks.limits, marks.used)
    shaded = f"{told} Such stretches are hatched." if told else ""
    note = "Above: parts of the difference at this height. Below: along the lift, and their sum."
    add_heading(figure, heading, f"{title + '. ' if title else ''}{note}{shaded}")
    return figure


def _list_bars(found: Difference, head: str) -> list[tuple[str, str, float, bool]]:
    """Label, factor, value of every bar, and whether it is a factor's own."""
    out = []
    least = max(NOTHING, _LEAST * max(abs(value) for value in found.factors(head).values()))
    for factor, value in found.factors(head).items():
        parts = found.components(head, factor)
        out.append((FACTOR_LABELS[factor], factor, value, True))
        named = [n for n in sorted(parts, key=lambda n: -abs(parts[n])) if abs(parts[n]) >= least]
        if len(parts) > 1:
            out += [
                (f"– {member_words(Member(factor, n))}", factor, parts[n], False)
                for n in named[:_SHOWN]
            ]
    index = found.head_names.index(head)
    out.append(("difference", "", float(found.gap[index]), True))
    return out


def _draw_bars(
    ax: Axes,
    bars: list[tuple[str, str, float, bool]],
    found: Difference,
    head: str,
    drawn: DrawnDifferences | None,
) -> None:
    at = np.arange(len(bars), dtype=float)
    at[-1] += 0.5
    for place, (_, factor, value, own) in zip(at, bars, strict=True):
        look = _BARS.get(factor, _SUM)
        ax.barh(
            place, value, height=0.72 if own else 0.4, edgecolor=style.INK, linewidth=0.7, **look
        )
        ax.annotate(
            with_minus(signed_number(value, 3)),
            (1.0, place), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=7.0,
        )  # fmt: skip
    if drawn is not None and drawn.draws:
        index = drawn.head_names.index(head)
        for place, (_, factor, _, own) in zip(at, bars, strict=True):
            if not own:
                continue
            values = drawn.parts[:, FACTORS.index(factor), index] if factor else drawn.gap(head)
            low, high = np.percentile(values, (10.0, 90.0))
            # A pale line behind it separates it from dark bars.
            ax.plot([low, high], [place + 0.2] * 2, color="#ffffff", linewidth=3.2)
            ax.plot([low, high], [place + 0.2] * 2, color=style.INK, linewidth=1.4)
    ax.axvline(0.0, color=style.INK, linewidth=0.7)
    ax.set_yticks(at, [style.fit(label, 2.0) for label, *_ in bars])
    ax.set_ylim(at[-1] + 0.6, -0.6)
    ax.margins(x=0.08)
    less = f"'{found.names[0]}' less '{found.names[1]}'"
    ax.set_xlabel(style.fit(f"part of activation [1], {less}", 5.0))


def _draw_along(ax: Axes, whole: Axes, table: pd.DataFrame, found: Difference) -> None:
    """Draw the factors along the lift, and below them the difference that they add up to."""
    height = 100.0 * table["height_fraction"].to_numpy()
    every = max(len(height) // 6, 1)
    whole.plot(height, table["difference"].to_numpy(), **_TOTAL)
    for factor, look in _LINES.items():
        values = table[f"by_{factor.replace(' ', '_')}"].to_numpy()
        ax.plot(height, values, markevery=every, markersize=3.2, **look)
    for each in (ax, whole):
        each.axhline(0.0, color=style.INK, linewidth=0.7)
        each.axvline(100.0 * found.heights[0], color=style.FAINT, linewidth=0.9)
    whole.sharex(ax)
    ax.tick_params(labelbottom=False)
    whole.set_xlabel("lift [% of bar height]")
    ax.set_ylabel("part of activation [1]")
    whole.set_ylabel("difference [1]")


def _handles(drawn: DrawnDifferences | None) -> list[Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    out: list[Any] = [
        Patch(
            label=f"{FACTOR_LABELS[name]}, at this height",
            edgecolor=style.INK,
            linewidth=0.7,
            **look,
        )
        for name, look in _BARS.items()
    ]
    out += [Line2D([], [], label=f"{FACTOR_LABELS[name]}, along the lift", **look)
            for name, look in _LINES.items()]  # fmt: skip
    out += [
        Line2D([], [], label="difference", **_TOTAL),
        Line2D([], [], label="height of the bars", color=style.FAINT, linewidth=0.9),
    ]
    if drawn is not None and drawn.draws:
        out.append(Line2D([], [], label="middle 80 % of the draws", color=style.INK, linewidth=1.4))
    return out
