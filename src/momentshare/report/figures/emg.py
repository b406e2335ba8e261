"""Measured beside predicted activation in a cohort: within a muscle, never across muscles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.limits import Limits, marked, merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.cohort_lines import listed_conditions
from momentshare.report.figures.layout import (
    LIFT_TIME,
    Room,
    Texts,
    filling,
    finish,
    panel_grid,
    settle,
)
from momentshare.report.figures.limit_marks import footnote, hatch_stretches
from momentshare.report.figures.looks import Looks
from momentshare.study.factors import Factors
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["emg_agreement_figure", "emg_curves_figure"]

_WITHIN = (
    "Compare conditions within a muscle only: amplitude ranks neither muscles by force nor growth."
)


_SQUARE = 1.6
"""Side of a panel of agreement [inch]."""

_NAME = 6.0
"""Size of the name of a person [pt]."""

_DOT, _BESIDE = 2.6, 3.5
"""Half the size of a dot, and the distance of a name from the middle of its own [pt]."""

_STEPS = 12
"""Places above and below a dot that are tried for its name, half a line each."""


def emg_curves_figure(
    table: pd.DataFrame,
    mode: str,
    curves: pd.DataFrame | None = None,
    limits: Limits | None = None,
) -> Figure:
    """Draw EMG and activation along the lift: a row of panels per muscle, a column per condition.

    Parameters
    ----------
    table : DataFrame
        ``emg_curves_by_person`` of a cohort.
    mode : str
        Treatment of the lateral force behind the activations.
    curves : DataFrame, optional
        ``curves_heads``, whose ``limit_here`` says where a predicted course is not supported.
    limits : Limits, optional
        Of the limb; spell out the keys there.
    """
    heads = list(dict.fromkeys(table["head"].astype(str)))
    conditions = listed_conditions(table)
    looks: dict[str, dict[str, Any]] = {
        "emg": {"color": "#000000", "linestyle": "-"},
        "activation": {"color": "#0072B2", "linestyle": (0, (5, 1.6))},
    }
    words = {"emg": "EMG over the maximal contraction", "activation": "predicted activation"}
    if table["pulled_activation"].notna().any():
        looks["pulled_activation"] = {"color": "#D55E00", "linestyle": (0, (1.2, 1.2))}
        words["pulled_activation"] = "activation pulled towards EMG"
    people = table["person"].nunique()
    here = _limited(curves, mode)
    keys = {(h, c): merged_keys(here.get((h, c), ())) for h in heads for c in conditions}
    told = footnote(limits or Limits(), keys.values())
    told += " Hatched: there the predicted course is not supported." if told else ""
    pulled = (
        " Pulled: a second answer that weighs the distance from EMG, too."
        if "pulled_activation" in looks
        else ""
    )
    room = Room(gap=(0.3, 0.2))
    figure, axes = panel_grid(
        len(heads) * len(conditions),
        len(conditions),
        (filling(len(conditions), 1.75, room), 1.2),
        Texts(
            title=f"EMG beside predicted activation within each muscle, lateral force {mode}",
            note=f"{_WITHIN} Mean over people ({people}); each row of panels is one muscle "
            f"with its own scale.{pulled}{told}",
            panels=[marked(f"{head_label(h)}\n{c}", keys[h, c]) for h in heads for c in conditions],
            legend=[(words[name], look) for name, look in looks.items()],
        ),
        room,
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
    for ax, pair in zip(axes, pairs, strict=True):
        if (mine := here.get(pair)) is not None:
            hatch_stretches(ax, mine.index.to_list(), (mine != "").to_list())
    finish(axes, len(conditions), "level [% of maximum]", LIFT_TIME)
    settle(figure)
    return figure


def _limited(curves: pd.DataFrame | None, mode: str) -> dict[tuple[str, str], pd.Series[str]]:
    """Head and condition → keys of limits by the point of the lift."""
    if curves is None or "limit_here" not in curves:
        return {}
    mine = curves[(curves["quantity"] == "activation") & (curves["lateral"] == mode)]
    return {
        (str(head), str(condition)): part.set_index("lift_percent")["limit_here"]
        for (head, condition), part in mine.groupby(["head", "condition"], observed=True)
    }


def emg_agreement_figure(
    table: pd.DataFrame,
    mode: str,
    factors: Factors | None = None,
    keys: Mapping[str, str] | None = None,
    limits: Limits | None = None,
) -> Figure:
    """Draw lift means of activation against EMG: one panel per muscle, one line per person.

    Parameters
    ----------
    table : DataFrame
        ``emg_curves_by_person`` of a cohort.
    mode : str
        Treatment of the lateral force behind the activations.
    factors : Factors, optional
        Of the conditions; they decide colour, marker and filling.
    keys : mapping, optional
        Head → keys of the limits on how its activation changes between conditions.
    limits : Limits, optional
        Of the limb; spell out these keys.
    """
    keys = keys or {}
    by = table.groupby(["head", "person", "condition"], sort=False, observed=True)
    means = (100.0 * by[["emg", "activation"]].mean()).reset_index()
    heads = list(dict.fromkeys(means["head"].astype(str)))
    conditions = listed_conditions(means)
    looks = Looks(conditions, factors or Factors())
    dot = {"linestyle": "none"}
    handles = [(name, look | dot) for name, look in looks.handles(conditions)]
    figure, axes = panel_grid(
        len(heads),
        4,
        (_SQUARE, _SQUARE),
        Texts(
            title=f"Agreement with EMG within each muscle, lateral force {mode}",
            note=f"{_WITHIN} Lift means; a line joins the conditions of a person. The diagonal is "
            "equality, which normalised amplitude need not reach; the order along a line is what "
            "counts. Every panel has its own scale, the same on both axes."
            f"{footnote(limits or Limits(), [keys.get(head, '') for head in heads])}",
            panels=[marked(head_label(head), keys.get(head, "")) for head in heads],
            legend=handles,
        ),
        Room(gap=(0.45, 0.48)),
    )
    for ax, head in zip(axes, heads, strict=True):
        mine = means[means["head"] == head]
        ends_of: dict[str, tuple[float, float]] = {}
        for person, own in mine.groupby("person", sort=False, observed=True):
            ax.plot(own["emg"], own["activation"], color=style.FAINT, linewidth=0.6, zorder=0)
            ends_of[str(person)] = tuple(own[["emg", "activation"]].to_numpy()[-1])
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
        known = values[np.isfinite(values).all(axis=1)]
        _name_people(ax, ends_of, known, ends)
        ax.set_xlabel("EMG [%]")
    for index, ax in enumerate(axes):
        if index % 4 == 0:
            ax.set_ylabel("activation [%]")
    settle(figure)
    return figure


def _name_people(
    ax: Axes, ends: Mapping[str, tuple[float, float]], dots: Floats, scale: tuple[float, float]
) -> None:
    """Name people beside a dot of theirs, clear of all dots, of each other and of the axes.

    ``dots`` are all dots of the panel, shape (dots, 2); ``scale`` has the ends of both axes.
    """
    points = 72.0 * _SQUARE / (scale[1] - scale[0])  # of one per cent
    low, far = points * scale[0], 1e3
    taken: list[tuple[float, float, float, float]] = [
        (x - _DOT, x + _DOT, y - _DOT, y + _DOT) for x, y in (points * dots).tolist()
    ]
    taken += [(low - far, low, -far, far), (low - far, low + far, low - far, low)]
    for person, (x, y) in sorted(ends.items(), key=lambda item: item[1][1]):
        wide = 72.0 * style.text_width(person, _NAME)
        places = [
            (side, up)
            for up in sorted(np.arange(-_STEPS, _STEPS + 1) * 0.5 * _NAME, key=abs)
            for side in (_BESIDE, -_BESIDE - wide)
        ]
        boxes = [
            (
                x * points + side,
                x * points + side + wide,
                y * points + up - 0.5 * _NAME,
                y * points + up + 0.5 * _NAME,
            )
            for side, up in places
        ]
        covered = [sum(_shared(box, other) for other in taken) for box in boxes]
        best = int(np.argmin(covered))  # the nearest of those that cover least
        taken.append(boxes[best])
        side, up = places[best]
        line = {"arrowstyle": "-", "color": style.FAINT, "linewidth": 0.4, "shrinkB": 2.0}
        ax.annotate(
            person, (x, y), (side, up), textcoords="offset points", fontsize=_NAME,
            va="center", color=style.INK, arrowprops=line if abs(up) > 1.5 * _NAME else None,
        )  # fmt: skip


def _shared(box: tuple[float, ...], other: tuple[float, ...]) -> float:
    """Area that two boxes (left, right, bottom, top) share."""
    wide = min(box[1], other[1]) - max(box[0], other[0])
    tall = min(box[3], other[3]) - max(box[2], other[2])
    return max(wide, 0.0) * max(tall, 0.0)
