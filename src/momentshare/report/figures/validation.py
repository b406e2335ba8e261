"""What a limb gets right of published rows, beside its null limbs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.figures import style
from momentshare.report.figures.layout import Handles, Room, Texts, panel_grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.validation.agreement import Agreement
    from momentshare.validation.scores import Score

__all__ = ["agreement_figure", "scores_figure"]


def scores_figure(found: Sequence[Score]) -> Figure:
    """Share of rows that a limb gets right, a row per kind and group of sources.

    Full dots are the limb, open ones the mean of its null limbs; the left panel has all rows, the
    right one those that fewer than nine of ten null limbs get right.
    """
    names = [f"{score.kind}, {score.group}" for score in found]
    legend: Handles = [("the limb", style.FIRM), ("null limbs, mean", style.OPEN)]
    numbers = "; ".join(
        f"{score.right} of {score.rows} {score.kind}"
        for score in found
        if score.group == found[0].group
    )
    figure, axes = panel_grid(
        2,
        2,
        (2.3, 0.3 * len(names) + 0.1),
        Texts(
            title=f"Right, from {found[0].group}: {numbers}",
            note="Published rows that no fit has used. A null limb has its attachments displaced "
            "at random and its fibre lengths shuffled; what it gets right as well says nothing "
            "about the muscles.",
            panels=["all rows", "rows that tell a limb from its null"],
            legend=legend,
        ),
        Room(left=max(style.text_width(name, 7.5) for name in names) + 0.35, gap=(0.3, 0.0)),
    )
    for ax, telling in zip(axes, (False, True), strict=True):
        for place, score in enumerate(found):
            rows, right, null = (
                (score.telling, score.telling_right, score.telling_null)
                if telling
                else (score.rows, score.right, score.null)
            )
            if rows:
                ax.plot([100.0 * null], [place], clip_on=False, **style.OPEN)
                ax.plot([100.0 * right / rows], [place], clip_on=False, **style.FIRM)
        ax.set_ylim(len(names) - 0.5, -0.5)
        ax.set_yticks(range(len(names)), [] if telling else names)
        _share_axis(ax)
    return figure


def agreement_figure(found: Sequence[Agreement]) -> Figure:
    """Share of orders and senses that are right, a row per share of drawn limbs that agree.

    Full dots are rows on which null limbs take the same side, open ones the others, lines their
    95 % intervals (Wilson 1927), all for the first group of sources.
    """
    from scipy.stats import binomtest

    from momentshare.validation.agreement import split

    group = found[0].group
    own = [a for a in found if a.group == group]
    kinds = list(dict.fromkeys(a.kind for a in own))
    bands = list(dict.fromkeys(a.words for a in own))
    first = own[0]
    figure, axes = panel_grid(
        len(kinds),
        2,
        (2.5, 0.62 * len(bands) + 0.1),
        Texts(
            title=f"Drawn limbs agree on {first.rows} {first.kind}: {first.alike_right} of "
            f"{first.alike} are right where null limbs agree too, {split(first)}",
            note=f"Published rows from {group} that no fit has used, by the share of limbs drawn "
            f"within the model's spreads that agree (title: {first.words}). Above each dot: how "
            "many are right of how many.",
            panels=kinds,
            legend=[
                ("at least nine of ten null limbs agree too", style.FIRM),
                ("the others", style.OPEN),
                ("95 % interval", style.RANGE),
            ],
        ),
        Room(
            left=max(style.text_width(words, 7.5) for words in bands) + 0.45,
            gap=(0.3, 0.0),
        ),
    )
    for ax, kind in zip(axes, kinds, strict=True):
        for a in (a for a in own if a.kind == kind):
            for shift, look, right, rows in (
                (-0.17, style.FIRM, a.alike_right, a.alike),
                (0.25, style.OPEN, a.right - a.alike_right, a.rows - a.alike),
            ):
                if not rows:
                    continue
                place, share = bands.index(a.words) + shift, 100.0 * right / rows
                span = binomtest(right, rows).proportion_ci(method="wilson")
                ax.plot([100.0 * span.low, 100.0 * span.high], [place, place], **style.RANGE)
                ax.plot([share], [place], clip_on=False, **look)
                ax.annotate(
                    f"{right} of {rows}",
                    (share, place),
                    xytext=(0.0, 4.0),
                    textcoords="offset points",
                    ha="center",
                    fontsize=7.0,
                )
        ax.set_ylim(len(bands) - 0.5, -0.6)
        ax.set_yticks(range(len(bands)), bands if ax is axes[0] else [])
        _share_axis(ax)
    axes[0].set_ylabel("drawn limbs that agree")
    return figure


def _share_axis(ax: Axes) -> None:
    ax.set_xlim(0.0, 100.0)
    ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_xlabel("right [%]")
