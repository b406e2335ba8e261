"""Measured beside predicted activation in a cohort: within a muscle, never across muscles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.cohort_lines import conditions_of
from momentshare.report.figures.layout import LIFT_SHORT, Room, Texts, finish, panel_grid, settle
from momentshare.report.figures.looks import Looks
from momentshare.study.factors import Factors
from momentshare.text import head_label

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = ["emg_agreement_figure", "emg_curves_figure"]

_WITHIN = (
    "Compare conditions within a muscle only: amplitude ranks neither muscles by force nor growth."
)


def emg_curves_figure(table: pd.DataFrame, mode: str) -> Figure:
    """Draw EMG and activation along the lift: a row of panels per muscle, a column per condition.

    Parameters
    ----------
    table : DataFrame
        ``emg_curves_by_person`` of a cohort.
    mode : str
        Treatment of the lateral force behind the activations.
    """
    heads = list(dict.fromkeys(table["head"].astype(str)))
    conditions = conditions_of(table)
    looks: dict[str, dict[str, Any]] = {
        "emg": {"color": "#000000", "linestyle": "-"},
        "activation": {"color": "#0072B2", "linestyle": (0, (5, 1.6))},
    }
    words = {"emg": "EMG over the maximal contraction", "activation": "predicted activation"}
    if table["pulled_activation"].notna().any():
        looks["pulled_activation"] = {"color": "#D55E00", "linestyle": (0, (1.2, 1.2))}
        words["pulled_activation"] = "activation pulled toward EMG"
    people = table["person"].nunique()
    figure, axes = panel_grid(
        len(heads) * len(conditions),
        len(conditions),
        (1.75, 1.2),
        Texts(
            title=f"EMG beside predicted activation within each muscle, lateral force {mode}",
            note=f"{_WITHIN} Mean over people ({people}); each row of panels is one muscle "
            "with its own scale.",
            panels=[f"{head_label(h)}\n{c}" for h in heads for c in conditions],
            legend=[(words[name], look) for name, look in looks.items()],
        ),
        Room(gap=(0.3, 0.2)),
    )
    pairs = [(h, c) for h in heads for c in conditions]
    for ax, (head, condition) in zip(axes, pairs, strict=True):
        part = table[(table["head"] == head) & (table["condition"] == condition)]
        mean = 100.0 * part.groupby("lift_percent")[list(looks)].mean()
        for name, look in looks.items():
            ax.plot(mean.index.to_numpy(), mean[name].to_numpy(), **look)
        ax.set_ylim(bottom=0.0)
    for row in range(len(heads)):
        group = axes[row * len(conditions) : (row + 1) * len(conditions)]
        top = max(ax.get_ylim()[1] for ax in group)
        for ax in group:
            ax.set_ylim(0.0, top)
    finish(axes, len(conditions), "share of maximum [%]", LIFT_SHORT)
    settle(figure)
    return figure


def emg_agreement_figure(table: pd.DataFrame, mode: str, factors: Factors | None = None) -> Figure:
    """Draw lift means of activation against EMG: one panel per muscle, one line per person.

    Parameters
    ----------
    table : DataFrame
        ``emg_curves_by_person`` of a cohort.
    mode : str
        Treatment of the lateral force behind the activations.
    factors : Factors, optional
        Of the conditions; they decide colour, marker and filling.
    """
    by = table.groupby(["head", "person", "condition"], sort=False, observed=True)
    means = (100.0 * by[["emg", "activation"]].mean()).reset_index()
    heads = list(dict.fromkeys(means["head"].astype(str)))
    conditions = conditions_of(means)
    looks = Looks(conditions, factors or Factors())
    dot = {"linestyle": "none"}
    handles = [(name, look | dot) for name, look in looks.handles(conditions)]
    figure, axes = panel_grid(
        len(heads),
        4,
        (1.6, 1.6),
        Texts(
            title=f"Agreement with EMG within each muscle, lateral force {mode}",
            note=f"{_WITHIN} Lift means; a line joins the conditions of a person. The diagonal is "
            "equality, which normalised amplitude need not reach; the order along a line is what "
            "counts. Every panel has its own scale, the same on both axes.",
            panels=[head_label(head) for head in heads],
            legend=handles,
        ),
        Room(gap=(0.45, 0.48)),
    )
    for ax, head in zip(axes, heads, strict=True):
        mine = means[means["head"] == head]
        for person, own in mine.groupby("person", sort=False, observed=True):
            ax.plot(own["emg"], own["activation"], color=style.FAINT, linewidth=0.6, zorder=0)
            end = own[["emg", "activation"]].to_numpy()[-1]
            ax.annotate(
                str(person), end, (3, 0), textcoords="offset points", fontsize=6.0,
                va="center", color=style.INK,
            )  # fmt: skip
        for condition in conditions:
            part = mine[mine["condition"] == condition]
            ax.plot(part["emg"], part["activation"], **(looks.of(condition) | dot))
        values = mine[["emg", "activation"]].to_numpy(dtype=float)
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        room = max(0.12 * (high - low), 1.0)
        ends = max(low - room, 0.0), high + 2.0 * room
        ax.plot(ends, ends, color=style.FAINT, linewidth=0.7, linestyle=(0, (2, 2)))
        ax.set_xlim(*ends)
        ax.set_ylim(*ends)
        ax.set_xlabel("EMG [%]")
    for index, ax in enumerate(axes):
        if index % 4 == 0:
            ax.set_ylabel("activation [%]")
    settle(figure)
    return figure
