"""Figures, sentences and record of maximal lifts."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cautions import CAUTIONS
from momentshare.limits import Limits, keys_text, marked
from momentshare.maximal import MAXIMAL
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.layout import WIDEST, legend_below
from momentshare.report.figures.limit_marks import footnote
from momentshare.report.figures.looks import Looks, shared_out
from momentshare.report.text.maximal_opening import load_title
from momentshare.report.writing.record import versions
from momentshare.study.factors import MOST_LINES, Factors
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.limits import LiftKind
    from momentshare.maximal import MaximalReport
    from momentshare.study import Study

__all__ = [
    "CANNOT_SHOW",
    "FINDINGS",
    "findings_table",
    "lift_figure",
    "loads_figure",
    "maximal_record",
    "sentences",
]

_EVEN = np.linspace(0.0, 1.0, 101)
_KEYS = ["condition", "lateral"]
_LEVEL = 0.01
"""Relative difference from which one of two loads is called greater."""

CANNOT_SHOW = (
    "The hands push with all they have until the weight of the load can just bring it to rest at "
    "lock-out, the latest moment at which they can let off; lifters let off sooner. Every head is "
    "at once fully active where it helps: no delay, no boost from lowering the load first, no "
    "fatigue. Speeds, above all with light loads, are therefore upper bounds."
)
"""What a reader must know about these motions."""


def maximal_record(study: Study, report: MaximalReport) -> dict[str, Any]:
    """Build the record of a run as plain data, ready for JSON; holds no time or place."""

    def rows(table: pd.DataFrame) -> Any:
        return json.loads(table.to_json(orient="records", double_precision=9))

    return {
        "version": 1,
        "title": study.title,
        "study_digest": study.digest,
        "versions": versions(),
        "loads": rows(report.loads),
        "lifts": rows(report.lifts),
        "sentences": sentences(report),
        "refusals": list(report.refusals),
        "cannot_show": CANNOT_SHOW,
        "cautions": list(CAUTIONS),
    }


def sentences(report: MaximalReport) -> list[str]:
    """State what passes, where it sticks, and how that changes between conditions."""
    found = []
    for condition, lateral, part, mine in _each(report):
        load, held = part["greatest_load_kg"].mean(), part["held_load_kg"].mean()
        if not load > 0.0:
            found.append(f"{condition}, lateral force {lateral}: no load passes.")
            continue
        weak = 100 * part["weak_height_fraction"].mean()
        text = (
            f"{condition}, lateral force {lateral}: at most {in_kg(load)} kg pass; the load that "
            f"can be held is least at {weak:.0f} % of the lift, {in_kg(held)} kg"
        )
        found.append(f"{text}. {_dip(mine)}")
    for mode, part in report.loads.groupby("lateral", sort=False):
        loads = part.groupby("condition", sort=False)["greatest_load_kg"].mean().dropna()
        if len(loads) < 2 or not loads.max() > loads.min() * (1.0 + _LEVEL):
            continue
        order = loads.sort_values(ascending=False)
        listed = ", ".join(f"{name} {in_kg(value)} kg" for name, value in order.items())
        found.append(f"Greatest loads with the lateral force {mode}: {listed}.")
    return found


def _each(report: MaximalReport) -> Iterator[tuple[str, str, pd.DataFrame, pd.DataFrame]]:
    """Each condition and treatment, with its loads and its maximal lifts."""
    top = report.lifts[report.lifts["lift"] == MAXIMAL] if len(report.lifts) else report.lifts
    for key, part in report.loads.groupby(_KEYS, sort=False):
        condition, lateral = (str(name) for name in key)
        mine = top[(top["condition"] == condition) & (top["lateral"] == lateral)]
        yield condition, lateral, part, mine


FINDINGS = (
    "Greatest loads that pass, least loads that can be held, and the maximal lift, just below the "
    "greatest load: where it slows, it sticks; means over people"
)
"""Caption of :func:`findings_table`."""


def findings_table(report: MaximalReport) -> pd.DataFrame:
    """State what :func:`sentences` state, a row for each condition and treatment, as text."""
    import pandas as pd

    rows = []
    for condition, lateral, part, mine in _each(report):
        load, held = part["greatest_load_kg"].mean(), part["held_load_kg"].mean()
        passes = load > 0.0
        told = passes and len(mine) > 0
        weak = f"{in_kg(held)} at {100 * part['weak_height_fraction'].mean():.0f} % of the lift"
        rows.append(
            {
                "condition": condition,
                "lateral force": lateral,
                "greatest load [kg]": in_kg(load) if passes else "none",
                "least load held [kg]": weak if passes else "–",
                "mean speed [m/s]": f"{mine['mean_speed_mps'].mean():.2f}" if told else "–",
                "slows [m/s]": _slowing(mine) if told else "–",
            }
        )
    return pd.DataFrame(rows)


def _slowing(lifts: pd.DataFrame) -> str:
    """Write the speeds and heights between which the maximal lifts of one condition stick."""
    dips = lifts[lifts["dip"]]
    if dips.empty:
        return "nowhere"
    first, low = 100 * dips["first_peak_fraction"].mean(), 100 * dips["minimum_fraction"].mean()
    count = "" if len(dips) == len(lifts) else f" ({len(dips)} of {len(lifts)} people)"
    return (
        f"from {dips['first_peak_mps'].mean():.2f} at {first:.0f} % to "
        f"{dips['minimum_mps'].mean():.2f} at {low:.0f} %{count}"
    )


_SIDE_BY_SIDE = 3
"""Pairs of panels from which two stand side by side, so that the figure stays on one page."""

_PASSES = 8
"""Marker of the greatest load that passes: a triangle that points to the left."""


def _dip(lifts: pd.DataFrame) -> str:
    """State where the speed of the maximal lifts of one condition dips."""
    dips = lifts[lifts["dip"]]
    mean = lifts["mean_speed_mps"].mean()
    if dips.empty:
        return (
            "The maximal lift, just below the greatest load, never slows on the way, so there is "
            f"no sticking region; its mean speed is {mean:.2f} m/s."
        )
    count = "" if len(dips) == len(lifts) else f" in {len(dips)} of {len(lifts)} people"
    first, low = 100 * dips["first_peak_fraction"].mean(), 100 * dips["minimum_fraction"].mean()
    return (
        f"The maximal lift, just below the greatest load, slows{count} from "
        f"{dips['first_peak_mps'].mean():.2f} m/s at {first:.0f} % of the lift to "
        f"{dips['minimum_mps'].mean():.2f} m/s at {low:.0f} %, the sticking region; its mean speed "
        f"is {mean:.2f} m/s."
    )


def lift_figure(
    report: MaximalReport,
    factors: Factors | None = None,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Speed of the maximal lift, and the load that can be held, by height; means over people."""
    from matplotlib.figure import Figure

    modes = list(dict.fromkeys(report.loads["lateral"]))
    names = list(dict.fromkeys(report.loads["condition"]))
    looks = Looks(names, factors or Factors())
    groups = looks.groups(names)
    lines = [(mode, group) for mode in modes for group in groups]
    beside = 1 if len(lines) < _SIDE_BY_SIDE else 2
    deep = -(-len(lines) // beside)
    size = (7.6, 2.5 * deep) if beside == 1 else (WIDEST - 0.2, 2.2 * deep)
    figure = Figure(figsize=(size[0], size[1] + 0.9), layout="constrained")
    grid = figure.subplots(deep, 2 * beside, squeeze=False, sharex=True)
    pairs, gap = grid.reshape(-1, 2), " " if beside == 1 else "\n"
    for ax in pairs[len(lines) :].flat:
        ax.set_visible(False)
    top = report.curves[report.curves["lift"] == MAXIMAL] if len(report.curves) else report.curves
    rows = (limits or Limits()).at("greatest_load", "weak_height")
    keys = keys_text(rows)
    for (left, right), (mode, group) in zip(pairs, lines, strict=False):
        for place, name in enumerate(group.conditions):
            look = looks.of(name) | {"markevery": (8 * place, 33)}
            speed = _mean(top, name, mode, "speed_mps")
            if speed is not None:
                left.plot(100 * _EVEN, speed, **look)
                _mark_dip(left, report, name, mode, look["color"])
            held = _mean(report.held, name, mode, "held_load_kg")
            if held is not None:
                right.plot(100 * _EVEN, held, **look)
                _mark_load(right, report, name, mode, look)
        for ax, what in ((left, "Speed"), (right, marked("Greatest load held", keys))):
            words = f"{what},{gap}lateral force {mode}\n{group.title}"
            ax.set_title(words.strip(), loc="left")
        left.set_ylabel("speed [m/s]")
        right.set_ylabel("load, both hands [kg]")
        left.set_ylim(bottom=0.0)
        right.set_ylim(0.0, _load_scale(report, mode))
    for ax in pairs[max(len(lines) - beside, 0) : len(lines)].flat:
        ax.set_xlabel("height, chest to lock-out [%]")
        ax.tick_params(labelbottom=True)
    legend_below(figure, looks.handles(names), 4)
    add_heading(
        figure,
        load_title(report.loads, limits, kinds)
        or "Speed of the maximal lift, and the load that can be held",
        "The maximal lift, means over people. Speed: triangles mark the first peak and the "
        "minimum, between which the lift sticks. Load: marks at the edge, the greatest that passes."
        f"{shared_out(groups)}{footnote(limits or Limits(), [keys])}",
    )
    return figure


def loads_figure(report: MaximalReport) -> Figure:
    """Speed by height for every load driven, one panel per condition, first lateral treatment."""
    from matplotlib.figure import Figure

    names = list(dict.fromkeys(report.curves["condition"]))
    every = list(dict.fromkeys(report.curves["lift"]))
    at = np.unique(np.linspace(0, len(every) - 1, MOST_LINES).round().astype(int))
    lifts = [every[k] for k in at]
    columns = min(3, len(names))
    rows = -(-len(names) // columns)
    figure = Figure(figsize=(2.6 * columns, 2.3 * rows + 0.9), layout="constrained")
    grid = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    for ax in grid.flat[len(names) :]:
        ax.set_visible(False)
    for ax, name in zip(grid.flat, names, strict=False):
        mine = report.curves[report.curves["condition"] == name]
        mode = str(mine["lateral"].iloc[0])
        for index, lift in enumerate(lifts):
            speed = _mean(mine[mine["lift"] == lift], name, mode, "speed_mps")
            if speed is not None:
                ax.plot(100 * _EVEN, speed, **(style.condition_style(index) | {"marker": ""}))
        ax.set_title(style.fit(f"{name}, lateral force {mode}", 2.3), loc="left")
    grid[0, 0].set_ylim(bottom=0.0)  # shared by all, so not before the last line is drawn
    for ax in grid[:, 0]:
        ax.set_ylabel("speed [m/s]")
    for ax in grid[-1]:
        ax.set_xlabel("height, chest to lock-out [%]")
    left = " Loads between are in maximal_curves.csv." if len(lifts) < len(every) else ""
    labels = [f"{lift} of the greatest load" if "%" in lift else lift for lift in lifts]
    entries = [(n, style.condition_style(k) | {"marker": ""}) for k, n in enumerate(labels)]
    legend_below(figure, entries, 4)
    add_heading(figure, "Speed by height and load", f"Means over people.{left}")
    return figure


def _mean(table: pd.DataFrame, condition: str, lateral: str, value: str) -> np.ndarray | None:
    """Mean over people at even heights; up to where the first of them stops."""
    if table.empty:
        return None
    part = table[(table["condition"] == condition) & (table["lateral"] == lateral)]
    if part.empty:
        return None
    each = [
        np.interp(_EVEN, own["height_fraction"], own[value], right=np.nan)
        for _, own in part.groupby("person", sort=False)
    ]
    return np.asarray(np.mean(each, axis=0))


def _mark_dip(ax: Axes, report: MaximalReport, name: str, mode: str, colour: str) -> None:
    lifts = report.lifts
    mine = lifts[
        (lifts["condition"] == name) & (lifts["lateral"] == mode) & (lifts["lift"] == MAXIMAL)
    ]
    mine = mine[mine["dip"]]
    if mine.empty:
        return
    for place, speed, marker in (
        ("first_peak_fraction", "first_peak_mps", "^"),
        ("minimum_fraction", "minimum_mps", "v"),
    ):
        ax.plot(
            [100 * mine[place].mean()], [mine[speed].mean()], linestyle="", marker=marker,
            markersize=7, color=colour, markerfacecolor="#ffffff",
        )  # fmt: skip


def _mark_load(ax: Axes, report: MaximalReport, name: str, mode: str, look: dict[str, Any]) -> None:
    loads = report.loads
    value = loads[(loads["condition"] == name) & (loads["lateral"] == mode)]["greatest_load_kg"]
    if value.mean() > 0.0:
        # At the right edge of the panel, pointing into it.
        ax.plot(
            [1.0], [value.mean()], transform=ax.get_yaxis_transform(), clip_on=False,
            linestyle="", marker=_PASSES, markersize=6, color=look["color"],
            markerfacecolor=look.get("markerfacecolor", look["color"]),
        )  # fmt: skip


def _load_scale(report: MaximalReport, mode: str) -> float:
    """Twice the greatest load: the load that can be held grows without end near lock-out."""
    loads = report.loads[report.loads["lateral"] == mode]["greatest_load_kg"]
    return 2.2 * float(loads.max()) if loads.max() > 0.0 else 1.0
