"""Tables and figures of strength in a posture, written all or nothing."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cautions import CAUTIONS
from momentshare.directions import DIRECTIONS
from momentshare.limits import BIAS_CLAIMS, Limits, marked, merged_keys, strength_keys
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.limit_marks import footnote, hatch, hatch_stretches
from momentshare.report.figures.looks import Looks, shared_out
from momentshare.report.text.strength_opening import bias_table, bias_title
from momentshare.report.writing.record import versions
from momentshare.study.factors import Factors

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.schema import CohortStudy
    from momentshare.limits import LiftKind
    from momentshare.strength import StrengthReport, StrengthTest
    from momentshare.study import Study

__all__ = [
    "STRENGTH_RECORD_VERSION",
    "bias_figure",
    "corrected_figure",
    "curves_figure",
    "strength_record",
    "utilisation_figure",
]

STRENGTH_RECORD_VERSION = 2

_DEFINITION_STYLES: dict[str, dict[str, Any]] = {
    "braced": {"color": "#000000", "linestyle": "-", "marker": "o", "markerfacecolor": "#000000"},
    "balanced": {
        "color": "#0072B2",
        "linestyle": (0, (5, 1.6)),
        "marker": "s",
        "markerfacecolor": "#ffffff",
    },
}
_MEANING = {"braced": "others braced", "balanced": "others balanced at zero"}
_ONE: dict[str, Any] = {"color": style.FAINT, "linewidth": 0.8, "linestyle": (0, (1.2, 1.2))}

DEFINITIONS_TEXT = {
    "utilisation_here": (
        "net moment / greatest moment in that direction in the posture of the task; 1 is the "
        "most that the heads can supply"
    ),
    "utilisation_tested": (
        "net moment / greatest moment in that direction in the strength-test posture"
    ),
    "test_posture_bias": (
        "utilisation_tested / utilisation_here = greatest moment in the task posture / greatest "
        "moment in the test posture; above 1 the test makes the task look harder than it is"
    ),
    "braced": "the other rows are carried from outside and count for nothing",
    "balanced": "the heads keep the net moment of the other balanced rows at zero",
    "corrected_utilisation": (
        "(net moment / measured test result) / test_posture_bias; without a test result, "
        "utilisation_here"
    ),
}
"""What the columns mean, as written into ``strength.json``."""


def strength_record(
    study: Study | CohortStudy,
    test: StrengthTest,
    tables: Mapping[str, pd.DataFrame],
    **more: object,
) -> dict[str, Any]:
    """Build the record of a run as plain data, ready for JSON; holds no time or place."""
    return {
        "version": STRENGTH_RECORD_VERSION,
        "title": study.title,
        "study_digest": study.digest,
        "versions": versions(),
        "test": asdict(test),
        "definitions": DEFINITIONS_TEXT,
        **more,
        **{
            name: json.loads(table.to_json(orient="records", double_precision=9))
            for name, table in tables.items()
        },
        "cautions": list(CAUTIONS),
    }


class _Marks:
    """Limits of the strengths that a figure shows, by direction."""

    def __init__(self, limits: Limits | None, kinds: Mapping[str, LiftKind] | None) -> None:
        self.limits, self.kinds = limits or Limits(), kinds or {}
        self.used: list[str] = []

    def keys(self, directions: Iterable[str], *claims: str, condition: str = "") -> str:
        """Keys that concern any of the directions, as sizes or in a comparison of postures."""
        kind = self.kinds.get(condition)
        found = " ".join(
            strength_keys(self.limits, name, *claims, kind=kind) for name in directions
        )
        self.used += found.split()
        return " ".join(dict.fromkeys(found.split()))

    def note(self, hatched: str) -> str:
        """Spell out the keys found so far, and what is hatched; empty without any."""
        told = footnote(self.limits, self.used)
        return f"{told} {hatched} hatched." if told else ""


def _hatched(ax: Axes) -> None:
    """Hatch a whole panel."""
    (left, right), (low, high) = ax.get_xlim(), ax.get_ylim()
    hatch(ax, left, low, right - left, high - low)
    ax.set_xlim(left, right)
    ax.set_ylim(low, high)


def curves_figure(report: StrengthReport, limits: Limits | None = None) -> Figure:
    """Greatest moment against the angle of the joint; mean over people, band their range."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    from momentshare.strength import DEFINITIONS
    from momentshare.strength.curves import direction_sweep

    directions = list(DIRECTIONS)
    figure = Figure(figsize=(7.6, 10.6), layout="constrained")
    grid = figure.subplots(5, 2)
    marks = _Marks(limits, None)
    angles = {name: np.degrees(value) for name, value in report.test.angles().items()}
    for ax, direction in zip(grid.flat, directions, strict=True):
        sweep = direction_sweep(direction)
        part = report.curves[report.curves["direction"] == direction]
        for others in DEFINITIONS:
            # A pivot keeps angles without data, so that the line is broken there.
            wide = part[part["others"] == others].pivot(  # noqa: PD010
                index="angle_deg", columns="person", values="greatest_moment_nm"
            )
            look = _DEFINITION_STYLES[others]
            if others == "braced" and wide.shape[1] > 1:
                low, high = wide.min(axis=1), wide.max(axis=1)
                ax.fill_between(wide.index, low, high, color="#dddddd", linewidth=0)
            ax.plot(wide.index, wide.mean(axis=1), color=look["color"], linestyle=look["linestyle"])
        ax.axvline(angles[sweep.angle], **_ONE)
        # A curve is a size at every angle and compares the angles.
        keys = marks.keys([direction], "size")
        keys = keys or marks.keys([direction], "order")
        ax.set_title(marked(DIRECTIONS[direction].words, keys), loc="left")
        ax.set_xlabel(f"{sweep.label} [deg]")
        ax.set_ylabel("greatest moment [N·m]")
        ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]))
        if keys:
            _hatched(ax)
    handles = [_line_handle(name) for name in DEFINITIONS]
    handles.append(_handle("angle of the strength test", _ONE))
    if len(set(report.curves["person"])) > 1:
        handles.append(Patch(facecolor="#dddddd", label="range over people, others braced"))
    figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False)
    add_heading(
        figure,
        "Strength by angle of the joint",
        f"Greatest moment by the limb, other angles and speed as in the test: {report.test.text()}."
        f"{marks.note('Such panels are')}",
    )
    return figure


def utilisation_figure(
    report: StrengthReport,
    factors: Factors | None = None,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Utilisation of strength here along the lift, by condition; mean over people."""
    from matplotlib.figure import Figure

    table = report.frames
    mode = str(table["lateral"].iloc[0])
    shown = table[(table["lateral"] == mode) | _without_choice(table)]
    rows, conditions = list(dict.fromkeys(shown["row"])), list(dict.fromkeys(shown["condition"]))
    looks = Looks(conditions, factors or Factors())
    groups = looks.groups(conditions)
    panels = [(others, group) for others in ("braced", "balanced") for group in groups]
    marks = _Marks(limits, kinds)
    wide = 7.6 if len(groups) == 1 else 2.5 * len(panels)
    figure = Figure(figsize=(wide, 1.9 * len(rows) + 1.4), layout="constrained")
    grid = figure.subplots(len(rows), len(panels), sharex=True, sharey="row", squeeze=False)
    limited: dict[Axes, list[str]] = {}
    for line, row in zip(grid, rows, strict=True):
        for ax, (others, group) in zip(line, panels, strict=True):
            part = shown[(shown["row"] == row) & (shown["others"] == others)]
            for condition in group.conditions:
                mean = (
                    part[part["condition"] == condition]
                    .groupby("height_fraction")["utilisation_here"]
                    .mean()
                )
                ax.plot(
                    100 * mean.index.to_numpy(), 100 * mean,
                    markevery=max(len(mean) // 5, 1), **looks.of(condition),
                )  # fmt: skip
            ax.axhline(100.0, **_ONE)
            limited[ax] = [d for d in _loaded(part) if marks.keys([d], "size")]
            told = marked(_directions(part), marks.keys(_loaded(part), "size"))
            title = style.fit(f"{told}, {_MEANING[others]}", wide / len(panels) - 0.5)
            ax.set_title(f"{title}\n{group.title}".strip(), loc="left")
            if ax is line[0]:
                ax.set_ylabel("utilisation here [%]")
            if row == rows[-1]:
                ax.set_xlabel("lift [% of bar height]")
    handles = [_handle(style.fit(name, 3.0), look) for name, look in looks.handles(conditions)]
    figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False)
    for line, row in zip(grid, rows, strict=True):
        line[0].set_ylim(bottom=0.0)
        for ax, (others, group) in zip(line, panels, strict=True):
            part = shown[(shown["row"] == row) & (shown["others"] == others)]
            part = part[part["condition"].isin(group.conditions)]
            beyond = part["direction"].isin(limited[ax]) & (part["utilisation_here"] > 0.0)
            where = beyond.groupby(part["height_fraction"]).any()
            hatch_stretches(ax, (100 * where.index.to_numpy()).tolist(), where.tolist())
    add_heading(
        figure,
        "Net moment over the greatest one in the same posture",
        f"Along the lift, mean over people; lateral force {mode}.{shared_out(groups)}"
        f"{marks.note('Such stretches are')}",
    )
    return figure


def bias_figure(
    report: StrengthReport,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Test-posture bias where each row is used most: people as small marks, mean as large."""
    from matplotlib.figure import Figure

    table = report.utilisation.dropna(subset=["test_posture_bias"])
    mode = str(report.frames["lateral"].iloc[0])
    table = table[(table["lateral"] == mode) | _without_choice(table)]
    conditions = list(dict.fromkeys(report.frames["condition"]))
    rows = list(dict.fromkeys(table["row"]))
    marks = _Marks(limits, kinds)
    figure = Figure(figsize=(8.6, 0.42 * len(conditions) + 1.9), layout="constrained")
    grid = figure.subplots(1, len(rows), sharex=True, sharey=True, squeeze=False)[0]
    beyond: dict[Axes, list[int]] = {}
    for ax, row in zip(grid, rows, strict=True):
        part = table[table["row"] == row]
        for others, shift in (("braced", -0.14), ("balanced", 0.14)):
            look = _DEFINITION_STYLES[others]
            here = part[part["others"] == others]
            for index, condition in enumerate(conditions):
                bias = here[here["condition"] == condition]["test_posture_bias"]
                if bias.empty:
                    continue
                at = np.full(len(bias), index + shift)
                ax.plot(bias, at, linestyle="", marker=look["marker"], markersize=2.0,
                        color=style.FAINT)  # fmt: skip
                ax.plot([bias.mean()], [index + shift], **{**look, "linestyle": ""}, markersize=5)
        ax.axvline(1.0, **_ONE)
        keys = [
            marks.keys(_loaded(part[part["condition"] == name]), *BIAS_CLAIMS, condition=name)
            for name in conditions
        ]
        beyond[ax] = [index for index, own in enumerate(keys) if own]
        told = merged_keys(keys)
        ax.set_title(style.fit(marked(_directions(part), told), 1.5), loc="left")
        ax.set_xlabel("test-posture bias [1]")
    _names(grid[0], conditions)
    grid[0].margins(x=0.1)
    left, right = grid[0].get_xlim()
    people = "; small marks are people" if len(set(table["person"])) > 1 else ""
    for ax, places in beyond.items():
        for place in places:
            hatch(ax, left, place - 0.5, right - left, 1.0)
    grid[0].set_xlim(left, right)
    handles = [
        _handle(f"{_MEANING[n]}, mean", {**look, "linestyle": ""})
        for n, look in _DEFINITION_STYLES.items()
    ]
    handles.append(_handle("no bias", _ONE))
    figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False)
    add_heading(
        figure,
        bias_title(bias_table(report.utilisation, limits, kinds))
        or "Greatest moment in the posture of the task over that in the test",
        "Test-posture bias: greatest moment in the posture of the task over that in the test. "
        f"At the greatest utilisation of each row; lateral force {mode}{people}."
        f"{marks.note('Such rows are')}",
    )
    return figure


def corrected_figure(table: pd.DataFrame, limits: Limits | None = None) -> Figure:
    """Utilisation by the test and corrected to the task's posture, by condition and row."""
    from matplotlib.figure import Figure

    table = table[table["others"] == "braced"]
    labels = list(dict.fromkeys(zip(table["condition"], table["direction"], strict=True)))
    figure = Figure(figsize=(7.6, 0.45 * len(labels) + 1.6), layout="constrained")
    ax = figure.subplots()
    looks: dict[str, dict[str, Any]] = {
        "by the test posture": {"color": style.FAINT, "marker": "D", "markerfacecolor": "#ffffff"},
        "corrected to the task": {"color": "#000000", "marker": "o"},
    }
    for index, (condition, direction) in enumerate(labels):
        part = table[(table["condition"] == condition) & (table["direction"] == direction)]
        measured = part["utilisation_of_measured"].fillna(part["utilisation_tested"])
        values = (measured, part["corrected_utilisation"])
        for (name, look), value, shift in zip(looks.items(), values, (-0.13, 0.13), strict=True):
            spread = part["corrected_utilisation_sd"] if name.startswith("corrected") else 0 * value
            ax.errorbar(
                100 * value, np.full(len(part), index + shift), xerr=100 * spread.fillna(0.0),
                linestyle="", elinewidth=0.9, **look,
            )  # fmt: skip
    marks = _Marks(limits, None)
    keys = [marks.keys([d], *BIAS_CLAIMS) for _, d in labels]
    names = [
        marked(f"{c}: {DIRECTIONS[d].words}", own) for (c, d), own in zip(labels, keys, strict=True)
    ]
    _names(ax, names, width=2.4)
    ax.axvline(100.0, **_ONE)
    ax.set_xlim(left=0.0)
    ax.set_xlabel("utilisation [%], other rows braced; bars: one standard deviation")
    handles = [_handle(n, {**look, "linestyle": ""}) for n, look in looks.items()]
    figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False)
    left, right = ax.get_xlim()
    for place, own in enumerate(keys):
        if own:
            hatch(ax, left, place - 0.5, right - left, 1.0)
    ax.set_xlim(left, right)
    note = f"By condition and direction.{marks.note('Such rows are')}"
    add_heading(figure, "Net moment over strength, before and after the correction", note)
    return figure


def _loaded(table: pd.DataFrame) -> list[str]:
    """Return the directions in which a row is loaded, the commonest first."""
    return list(table.loc[table["utilisation_here"] > 0.0, "direction"].value_counts().index)


def _directions(table: pd.DataFrame) -> str:
    """Name the directions in which a row is loaded."""
    return " or ".join(DIRECTIONS[name].label for name in _loaded(table))


def _without_choice(table: pd.DataFrame) -> pd.Series[bool]:
    """Lines of conditions that have a single treatment of the lateral force."""
    return table.groupby("condition")["lateral"].transform("nunique") == 1


def _names(ax: Axes, names: Sequence[str], width: float = 1.6) -> None:
    ax.set_yticks(range(len(names)), [style.fit(name, width) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)


def _line_handle(others: str) -> Any:
    look = {k: v for k, v in _DEFINITION_STYLES[others].items() if not k.startswith("marker")}
    return _handle(_MEANING[others], look)


def _handle(label: str, look: Mapping[str, Any]) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], label=label, **look)
