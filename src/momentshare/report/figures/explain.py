"""Figure, record and files of an explanation, written all or nothing."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cautions import CAUTIONS
from momentshare.directions import moment_direction
from momentshare.explain.glenoid import GLENOID
from momentshare.limits import Limits, height_third, marked
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.limit_marks import Marks, footnote, hatch
from momentshare.report.writing.record import versions
from momentshare.study.factors import MOST_LINES
from momentshare.text import head_label, head_phrase, signed_number, with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.schema import CohortStudy
    from momentshare.explain import Counterfactuals, HeadExplanation, WorkedExample
    from momentshare.limits import LiftKind
    from momentshare.study import Study

__all__ = [
    "EXPLAIN_RECORD_VERSION",
    "changes_record",
    "drive_figure",
    "explain_record",
    "head_record",
    "part_label",
    "worked_record",
]

EXPLAIN_RECORD_VERSION = 1

# Fill and pattern both distinguish the joints, so that grey print works as well; slanted lines mark
# what a limit concerns.
_JOINTS: dict[str, dict[str, Any]] = {
    "shoulder": {"facecolor": "#9ecae8", "hatch": "...."},
    "elbow": {"facecolor": "#0b3c5d", "hatch": ""},
    "forearm": {"facecolor": "#ffffff", "hatch": "++++"},
    "glenoid": {"facecolor": "#f0c05a", "hatch": "xxxx"},
}
_OTHER_JOINT: dict[str, Any] = {"facecolor": "#dddddd", "hatch": "oo"}
_SUM: dict[str, Any] = {"facecolor": "#ffffff", "hatch": ""}
_WORKING: dict[str, Any] = {"facecolor": "#777777", "hatch": ""}
_LINES: dict[str, dict[str, Any]] = {
    "shoulder": {"color": "#3182bd", "linestyle": (0, (5, 1.6)), "marker": "s"},
    "elbow": {"color": "#0b3c5d", "linestyle": "-", "marker": "o"},
    "forearm": {"color": "#8a8a8a", "linestyle": (0, (6, 1.5, 1.2, 1.5)), "marker": "D"},
    "glenoid": {"color": "#8c5a00", "linestyle": (0, (3, 1, 1, 1)), "marker": "P"},
}
_ACTIVATION: dict[str, Any] = {"color": "#D55E00", "linestyle": (0, (1.2, 1.2)), "marker": "^"}


def part_label(exponent: float) -> str:
    """Name what the parts add up to, with its unit."""
    if exponent == 2.0:
        return "part of activation before the bounds [1]"
    if math.isinf(exponent):
        return "part of the price of the greatest level [1]"
    return f"part of activation to the power {exponent - 1.0:g} [1]"


def drive_figure(
    found: Sequence[HeadExplanation],
    alongs: Sequence[pd.DataFrame],
    title: str = "",
    limits: Limits | None = None,
    kind: LiftKind | None = None,
) -> Figure:
    """Drive of one or two heads: bars by row at one height, lines by joint along the lift.

    Parameters
    ----------
    found : sequence of HeadExplanation
        One head, or two of the same frame.
    alongs : sequence of DataFrame
        Table of :func:`momentshare.explain.explain_along` of each.
    title : str
    limits : Limits, optional
    kind : LiftKind, optional
        Kind of lift; what the limb cannot bear in it is marked and hatched.
    """
    from matplotlib.figure import Figure

    marks = Marks(limits or Limits(), {} if kind is None else {title: kind})
    count = len(found)
    rows = len(found[0].split.row_names) + bool(found[0].split.facet_names)
    # A head that crosses every joint has a line for each and for the glenoid; its activation then
    # has a panel of its own.
    lines = max(
        len(_crossed_joints(item, table)) for item, table in zip(found, alongs, strict=True)
    )
    apart = lines >= MOST_LINES
    figure = Figure(figsize=(7.6, 0.3 * rows + (6.1 if apart else 4.9)), layout="constrained")
    grid = figure.subplots(
        2 + apart,
        count,
        squeeze=False,
        sharex="row",
        sharey="row",
        height_ratios=(0.3 * rows + 1.0, 2.6, *((1.3,) if apart else ())),
    )
    for ax, item in zip(grid[0], found, strict=True):
        _bars(ax, item, first=ax is grid[0, 0])
    _margin(grid[0])
    for column, (item, table) in enumerate(zip(found, alongs, strict=True)):
        _along(list(grid[1:, column]), item, table, first=column == 0)
        for ax in grid[1:, column]:
            _beyond(ax, marks.parts("activation", [title], item.head, item.lateral_mode))
    keys = [
        marks.keys(
            "activation", [title], head=item.head, part=height_third(item.height_fraction),
            lateral=item.lateral_mode,
        )
        for item in found
    ]  # fmt: skip
    figure.legend(handles=_handles(found[0]), loc="outside lower center", ncols=3, frameon=False)
    for ax, item, own in zip(grid[0], found, keys, strict=True):
        ax.set_title(_title(item, own), loc="left")
    said = "; ".join(
        f"{head_phrase(item.head)} at {100.0 * item.split.activation:.0f} %" for item in found
    )
    place = f"{100.0 * found[0].height_fraction:.0f} % of the bar height"
    note = (
        f"{title + ', ' if title else ''}lateral force {found[0].lateral_mode}; bars at {place}. "
        "Rows are named for the moment that is called for; a part is positive where the head "
        "supplies it."
        f"{footnote(marks.limits, marks.used)}"
    )
    note += " Such stretches are hatched." if marks.used else ""
    add_heading(figure, f"Activation at {place}: {said}", note)
    return figure


def _title(item: HeadExplanation, keys: str) -> str:
    """Name a head with the limits that touch it, and say at which bound it is held."""
    bound = {"zero": "; held at 0", "one": "; held at 1", "none": ""}[item.split.bound]
    return style.fit(f"{marked(head_label(item.head), keys)}{bound}", 2.6)


def _beyond(ax: Axes, thirds: Sequence[int]) -> None:
    """Hatch the thirds of the lift that the limb cannot bear."""
    low, high = ax.get_ylim()
    for third in thirds:
        hatch(ax, 100.0 * third / 3.0, low, 100.0 / 3.0, high - low)
    ax.set_ylim(low, high)


def _bars(ax: Axes, item: HeadExplanation, *, first: bool) -> None:
    split = item.split
    labels = [
        moment_direction(row, price).label
        for row, price in zip(split.row_names, split.multiplier.tolist(), strict=True)
    ]
    values = [float(part) for part in split.part]
    looks = [_look(row) for row in split.row_names]
    if split.facet_names:
        labels.append("limit of the glenoid")
        values.append(split.by_joint()[GLENOID])
        looks.append(_look(GLENOID))
    labels += ["sum", "activation"]
    values += [split.total, split.activation]
    looks += [_SUM, _WORKING]
    at = np.arange(len(values), dtype=float)
    at[-2:] += 0.4
    notes = [
        signed_number(value, 3) if arm != 0.0 else "no moment arm"
        for value, arm in zip(split.part, split.moment_arm, strict=True)
    ]
    notes += [signed_number(values[len(notes)], 3)] if split.facet_names else []
    notes += [signed_number(split.total, 3), f"{split.activation:.3f}"]
    for place, value, look, note in zip(at, values, looks, notes, strict=True):
        ax.barh(place, value, height=0.72, edgecolor=style.INK, linewidth=0.7, **look)
        ax.annotate(
            with_minus(note),
            (max(value, 0.0), place), xytext=(3, 0), textcoords="offset points",
            va="center", fontsize=7.0,
        )  # fmt: skip
    ax.axvline(0.0, color=style.INK, linewidth=0.7)
    if first:
        ax.set_yticks(at, labels)
        ax.set_ylim(at[-1] + 0.6, -0.6)
    ax.set_xlabel(style.fit(part_label(split.exponent), 3.0))


def _margin(axes: Sequence[Axes]) -> None:
    """Leave room for the numbers at the ends of the bars."""
    low, high = axes[0].get_xlim()
    axes[0].set_xlim(low, high + 0.22 * (high - low))


def _crossed_joints(item: HeadExplanation, table: pd.DataFrame) -> tuple[str, ...]:
    """Joints that a head crosses, and the glenoid where its limit was kept: a line for each."""
    joints = tuple(item.problem.crosses(item.index))
    return (*joints, GLENOID) if f"part_{GLENOID}" in table else joints


def _along(
    axes: Sequence[Axes], item: HeadExplanation, table: pd.DataFrame, *, first: bool
) -> None:
    """Draw parts and activation along the lift: in one panel, or each in its own."""
    height = 100.0 * table["height_fraction"].to_numpy()
    mark: dict[str, Any] = {"markevery": max(len(height) // 6, 1), "markersize": 3.2}
    solved = (table["status"] == "solved").to_numpy()
    parts, whole = axes[0], axes[-1]
    for joint in _crossed_joints(item, table):
        values = np.where(solved, table[f"part_{joint}"].to_numpy(), np.nan)
        parts.plot(height, values, **mark, **_line(joint))
    whole.plot(height, table["activation"], **mark, **_ACTIVATION)
    for ax in axes:
        ax.axhline(0.0, color=style.INK, linewidth=0.7)
        ax.axvline(100.0 * item.height_fraction, color=style.FAINT, linewidth=0.9)
    whole.set_xlabel("lift [% of bar height]")
    if parts is not whole:
        parts.tick_params(labelbottom=False)
    if first:
        label = part_label(item.split.exponent)
        together = parts is whole
        parts.set_ylabel(style.fit(f"{label}; activation [1]" if together else label, 2.4))
        if not together:
            whole.set_ylabel("activation [1]")
    reachable = table["status"] != "out of reach"
    if not solved[reachable.to_numpy()].all():
        parts.set_title("parts left out where a moment falls short", loc="left", fontsize=7.5)


def _look(row: str) -> dict[str, Any]:
    return _JOINTS.get(row.split("_", maxsplit=1)[0], _OTHER_JOINT)


def _line(joint: str) -> dict[str, Any]:
    return _LINES.get(joint, {"color": style.FAINT, "linestyle": "-", "marker": "v"})


def _handles(item: HeadExplanation) -> list[Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    joints = list(item.split.by_joint())
    bars = [
        Patch(
            label=joint if joint == GLENOID else f"{joint}, by row",
            edgecolor=style.INK,
            linewidth=0.7,
            **_look(joint),
        )
        for joint in joints
    ]
    lines = [
        Line2D(
            [], [], label=f"{joint}, all {'facets' if joint == GLENOID else 'rows'}", **_line(joint)
        )
        for joint in joints
    ]
    return [
        *bars,
        *lines,
        Line2D([], [], label="activation", **_ACTIVATION),
        Line2D([], [], label="height of the bars", color=style.FAINT, linewidth=0.9),
    ]


def head_record(found: HeadExplanation) -> dict[str, Any]:
    """One head as plain data."""
    split = found.split
    return {
        "head": found.head,
        "frame": found.frame,
        "height_fraction": found.height_fraction,
        "lateral": found.lateral_mode,
        "lateral_force_n": found.lateral_force,
        "lateral_ratio": found.lateral_ratio,
        "capacity_si": asdict(found.factors),
        "exponent": split.exponent,
        "drive": _rows(split.to_dataframe().drop(columns="head")),
        "parts_by_joint": split.by_joint(),
        "sum_of_parts": split.total,
        "activation_before_bounds": split.before_bounds,
        "bound": split.bound,
        "activation": split.activation,
        "force_n": found.force,
        "active_force_n": found.active_force,
        "moments": [asdict(item) for item in found.moments],
        "status": str(found.sharing.status_text),
    }


def worked_record(example: WorkedExample) -> dict[str, Any]:
    """Worked case as plain data."""
    return {
        "case": asdict(example.case),
        "answers": [
            {**asdict(answer), "difference": answer.difference} for answer in example.answers
        ],
        "text": example.text(),
        "latex": example.latex(),
    }


def explain_record(study: Study | CohortStudy, **content: object) -> dict[str, Any]:
    """Build the record of an explanation as plain data; holds no time or place."""
    record: dict[str, Any] = {
        "version": EXPLAIN_RECORD_VERSION,
        "title": study.title,
        "study_digest": study.digest,
        "versions": versions(),
        "definitions": {
            "part": (
                "capacity here x multiplier x moment arm / (p x weight), for a facet of the "
                "glenoid -capacity here x price x slope / (p x weight); the parts sum to "
                "activation^(p-1), for p = 2 to the activation, before the bounds 0 and 1"
            ),
            "multiplier": "change of total effort for one more N*m of a net joint moment",
            "total_effort": "sum of weight x activation^p, or the greatest level for min-max",
        },
        **content,
        "cautions": list(CAUTIONS),
    }
    clean: dict[str, Any] = _finite(record)
    return clean


def changes_record(changes: Counterfactuals) -> dict[str, Any]:
    """Counterfactuals of one head as plain data."""
    return {"cases": _rows(changes.to_cases()), "heads": _rows(changes.to_dataframe())}


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): value for key, value in line.items()} for line in table.to_dict(orient="records")
    ]


def _finite(value: Any) -> Any:
    """Plain data with null for numbers that JSON cannot hold."""
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return "infinity" if value == math.inf else None
    return value
