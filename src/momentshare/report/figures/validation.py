"""What a limb gets right of published rows, beside its null limbs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.figures import style
from momentshare.report.figures.layout import Handles, Room, Texts, panel_grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from momentshare.validation.scores import Score

__all__ = ["scores_figure"]


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
        ax.set_xlim(0.0, 100.0)
        ax.set_ylim(len(names) - 0.5, -0.5)
        ax.set_yticks(range(len(names)), [] if telling else names)
        ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        ax.set_axisbelow(True)
        ax.set_xlabel("right [%]")
    return figure
