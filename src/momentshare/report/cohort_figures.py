"""Figures of a cohort, as papers show them.

Lines are means over people of their own means; bands are one standard deviation between people.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report import style
from momentshare.report.sheet import LIFT_SHORT, Handles, finish, sheet

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.summary import CohortSummary

__all__ = ["cohort_figures", "trial_checks_figure"]

_WORKING = 0.05
"""Lift-mean effort that a head must exceed in some condition to be shown."""

_ROWS = (
    "shoulder_horizontal_adduction",
    "shoulder_elevation",
    "shoulder_internal_rotation",
    "elbow_extension",
)

_REGIONS = (
    ("pre-sticking", 0.10),
    ("sticking", 0.30),
    ("post-sticking", 0.18),
    ("to lock-out", 0.04),
)
"""Regions of a lift and how dark they are shaded."""

_BAND = "band: one SD between people"


def cohort_figures(summary: CohortSummary) -> dict[str, Callable[[], Figure]]:
    """Name → function that draws it, for the figures that have something to show."""
    tables = summary.tables
    found: dict[str, Callable[[], Figure]] = {}

    def offer(name: str, needs: str, make: Callable[[CohortSummary], Figure]) -> None:
        if needs in tables:
            found[name] = lambda: make(summary)

    offer("speed", "curves_speed", _speed)
    offer("moments", "curves_moments", _moments)
    offer("head_forces", "curves_heads", lambda s: _heads(s, "force_n"))
    offer("head_effort", "curves_heads", lambda s: _heads(s, "effort"))
    offer("lateral_ratio", "curves_hand", _ratio)
    offer("effort_by_head", "heads", _effort_by_head)
    offer("emg_curves", "emg_curves_by_person", _emg_curves)
    offer("emg_agreement", "emg_by_person", _emg_agreement)
    offer("sensitivity", "sensitivity", _sensitivity)
    offer("checks", "checks", _checks)
    return found


def _conditions(table: pd.DataFrame) -> list[str]:
    return list(dict.fromkeys(table["condition"].astype(str)))


def _handles(conditions: Sequence[str]) -> Handles:
    return [(name, style.condition_style(i)) for i, name in enumerate(conditions)]


def _line(ax: Axes, part: pd.DataFrame, look: dict[str, Any], place: float) -> None:
    """Draw one mean with its band."""
    x = part["lift_percent"].to_numpy()
    mean, spread = part["mean"].to_numpy(), np.nan_to_num(part["sd"].to_numpy())
    step = max(1, (len(x) - 1) // 4)
    ax.plot(x, mean, markevery=(int(place * step) % step, step), **look)
    ax.fill_between(x, mean - spread, mean + spread, color=look["color"], alpha=0.13, lw=0)


def _people(table: pd.DataFrame) -> str:
    count = table["people"]
    low, high = int(count.min()), int(count.max())
    return f"{high} people" if low == high else f"{low} to {high} people"


def _panels(
    table: pd.DataFrame,
    split: str,
    items: Sequence[str],
    *,
    label: Callable[[str], str],
    title: str,
    note: str,
    y_label: str,
    columns: int,
) -> Figure:
    """One panel an item, one line a condition."""
    conditions = _conditions(table)
    figure, axes = sheet(
        len(items),
        columns,
        panel=(1.75, 1.35),
        title=title,
        note=f"{note} {_people(table)}; {_BAND}.",
        panel_titles=[label(item) for item in items],
        legend=_handles(conditions),
        gap=(0.3, 0.2),
    )
    for ax, item in zip(axes, items, strict=True):
        for index, condition in enumerate(conditions):
            part = table[(table[split] == item) & (table["condition"] == condition)]
            _line(ax, part, style.condition_style(index), index / max(len(conditions), 1))
        ax.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    low = min(ax.get_ylim()[0] for ax in axes)
    high = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(low, high)
    finish(axes, min(columns, len(items)), y_label, LIFT_SHORT)
    return figure


def _speed(summary: CohortSummary) -> Figure:
    table, events = summary.tables["curves_speed"], summary.tables["events"]
    conditions = _conditions(table)
    figure, axes = sheet(
        len(conditions),
        3,
        panel=(1.95, 1.6),
        title="Speed of the load",
        note=f"Shaded: regions of the lift at the mean of its events. {_people(table)}; {_BAND}.",
        panel_titles=conditions,
        gap=(0.3, 0.2),
        legend=[
            (name, {"facecolor": style.FAINT, "alpha": dark, "edgecolor": style.FAINT})
            for name, dark in _REGIONS
        ],
    )
    for index, (ax, condition) in enumerate(zip(axes, conditions, strict=True)):
        _line(ax, table[table["condition"] == condition], style.condition_style(index), 0.0)
        mine = events[(events["condition"] == condition) & events["sticking_region"]]
        if not mine.empty:
            marks = ["first_peak_percent", "minimum_percent", "second_peak_percent"]
            edges = [0.0, *mine[marks].mean(), 100.0]
            for (_, dark), a, b in zip(_REGIONS, edges[:-1], edges[1:], strict=True):
                ax.axvspan(a, b, color=style.FAINT, alpha=dark, lw=0)
        without = int(
            np.count_nonzero(
                ~events.loc[events["condition"] == condition, "sticking_region"].to_numpy(
                    dtype=bool
                )
            )
        )
        if without:
            ax.annotate(
                f"{without} without sticking region", (0.03, 0.03), xycoords="axes fraction",
                fontsize=7.0,
            )  # fmt: skip
    top = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(0.0, top)
    finish(axes, min(3, len(conditions)), "speed [m/s]", LIFT_SHORT)
    return figure


def _moments(summary: CohortSummary) -> Figure:
    table = summary.tables["curves_moments"]
    part = table[(table["quantity"] == "moment_nm") & (table["lateral"] == summary.mode)]
    return _panels(
        part,
        "row",
        [row for row in _ROWS if row in set(part["row"])],
        label=style.row_label,
        title="Net joint moments",
        note=f"Lateral force {summary.mode}.",
        y_label="net moment [N·m]",
        columns=4,
    )


def _working_heads(summary: CohortSummary) -> list[str]:
    """Heads that work in some condition, in the order of the limb."""
    means = summary.tables["heads"]
    mine = means[means["lateral"] == summary.mode]
    top = mine.groupby("head", sort=False, observed=True)["mean_effort_mean"].max()
    return [str(head) for head in top.index[top > _WORKING]]


def _heads(summary: CohortSummary, quantity: str) -> Figure:
    table = summary.tables["curves_heads"]
    heads = _working_heads(summary)
    part = table[
        (table["quantity"] == quantity)
        & (table["lateral"] == summary.mode)
        & table["head"].isin(heads)
    ]
    force = quantity == "force_n"
    return _panels(
        part,
        "head",
        heads,
        label=style.head_label,
        title="Force of each head" if force else "Relative effort of each head",
        note=f"Lateral force {summary.mode}. Heads with a lift-mean effort above "
        f"{100 * _WORKING:.0f} % in some condition.",
        y_label="force [N]" if force else "effort [1]",
        columns=4,
    )


def _ratio(summary: CohortSummary) -> Figure:
    table = summary.tables["curves_hand"]
    table = table[table["quantity"] == "lateral_ratio"]
    modes = [m for m in ("measured", "zero", "free") if m in set(table["lateral"])]
    conditions = _conditions(table)
    figure, axes = sheet(
        len(modes),
        3,
        panel=(1.95, 1.6),
        title="Lateral over vertical hand force",
        note=f"Outward push positive. {_people(table)}; {_BAND}.",
        panel_titles=[style.MODES[m] for m in modes],
        legend=_handles(conditions),
        gap=(0.3, 0.2),
    )
    for ax, mode in zip(axes, modes, strict=True):
        for index, condition in enumerate(conditions):
            part = table[(table["lateral"] == mode) & (table["condition"] == condition)]
            _line(ax, part, style.condition_style(index), index / len(conditions))
        ax.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    low, high = min(a.get_ylim()[0] for a in axes), max(a.get_ylim()[1] for a in axes)
    for ax in axes:
        ax.set_ylim(low, high)
    finish(axes, min(3, len(modes)), "ratio [1]", LIFT_SHORT)
    return figure


def _effort_by_head(summary: CohortSummary) -> Figure:
    means = summary.tables["heads"]
    own = summary.tables["heads_by_person"]
    heads = _working_heads(summary)
    conditions = _conditions(means)
    figure, axes = sheet(
        1,
        1,
        panel=(4.6, 0.32 * len(heads) + 0.3),
        title="Lift-mean effort of each head",
        note=f"Lateral force {summary.mode}. Marker: mean over people; bar: one SD; small dots: "
        "people.",
        legend=_handles(conditions),
        left=2.0,
    )
    ax = axes[0]
    for index, condition in enumerate(conditions):
        look = style.condition_style(index) | {"linestyle": "none"}
        shift = 0.22 * (index - 0.5 * (len(conditions) - 1)) * min(1.0, 3.0 / len(conditions))
        for row, head in enumerate(heads):
            mine = (means["head"] == head) & (means["lateral"] == summary.mode)
            line = means[mine & (means["condition"] == condition)]
            if line.empty:
                continue
            value, spread = line["mean_effort_mean"].iloc[0], line["mean_effort_std"].iloc[0]
            ax.errorbar(
                value, row + shift, xerr=0.0 if np.isnan(spread) else spread, elinewidth=1.0,
                **look,
            )  # fmt: skip
            people = own[
                (own["head"] == head)
                & (own["lateral"] == summary.mode)
                & (own["condition"] == condition)
            ]["mean_effort"].to_numpy()
            ax.plot(
                people, np.full(len(people), row + shift), ".", markersize=2.2, alpha=0.6,
                color=look["color"],
            )  # fmt: skip
    ax.set_yticks(range(len(heads)), [style.head_label(head) for head in heads])
    ax.set_ylim(len(heads) - 0.5, -0.5)
    ax.set_xlim(left=0.0)
    ax.set_xlabel("lift-mean effort [1]")
    return figure


def _emg_curves(summary: CohortSummary) -> Figure:
    table = summary.tables["emg_curves_by_person"]
    heads = list(dict.fromkeys(table["head"].astype(str)))
    conditions = _conditions(table)
    pulled = bool(table["pulled_activation"].notna().any())
    looks: dict[str, dict[str, Any]] = {
        "emg": {"color": "#000000", "linestyle": "-"},
        "activation": {"color": "#0072B2", "linestyle": (0, (5, 1.6))},
    }
    words = {"emg": "EMG over the maximal contraction", "activation": "predicted activation"}
    if pulled:
        looks["pulled_activation"] = {"color": "#D55E00", "linestyle": (0, (1.2, 1.2))}
        words["pulled_activation"] = "activation pulled toward EMG"
    figure, axes = sheet(
        len(heads) * len(conditions),
        len(conditions),
        panel=(1.75, 1.2),
        title="EMG beside predicted activation, muscle by muscle",
        note="Compare within a muscle across conditions only: amplitude ranks neither muscles by "
        f"force nor growth. Lateral force {summary.mode}; mean over people.",
        panel_titles=[f"{style.head_label(h)} – {c}" for h in heads for c in conditions],
        legend=[(words[name], look) for name, look in looks.items()],
        gap=(0.3, 0.2),
    )
    pairs = [(h, c) for h in heads for c in conditions]
    for ax, (head, condition) in zip(axes, pairs, strict=True):
        part = table[(table["head"] == head) & (table["condition"] == condition)]
        mean = part.groupby("lift_percent")[list(looks)].mean()
        for name, look in looks.items():
            ax.plot(mean.index.to_numpy(), mean[name].to_numpy(), **look)
        ax.set_ylim(bottom=0.0)
    for row in range(len(heads)):
        group = axes[row * len(conditions) : (row + 1) * len(conditions)]
        top = max(ax.get_ylim()[1] for ax in group)
        for ax in group:
            ax.set_ylim(0.0, top)
    finish(axes, len(conditions), "share of maximum [1]", LIFT_SHORT)
    return figure


def _emg_agreement(summary: CohortSummary) -> Figure:
    """Lift means of prediction against EMG, one panel a muscle, one line a person."""
    table = summary.tables["emg_curves_by_person"]
    means = (
        table.groupby(["head", "person", "condition"], sort=False, observed=True)[
            ["emg", "activation"]
        ]
        .mean()
        .reset_index()
    )
    heads = list(dict.fromkeys(means["head"].astype(str)))
    conditions = _conditions(means)
    looks = [style.condition_style(i) | {"linestyle": "none"} for i in range(len(conditions))]
    figure, axes = sheet(
        len(heads),
        4,
        panel=(1.6, 1.6),
        title="Agreement with EMG within each muscle",
        note="Lift means; a line joins the conditions of a person. The diagonal is equality, "
        "which normalised amplitude need not reach; the order along a line is what counts.",
        panel_titles=[style.head_label(head) for head in heads],
        legend=list(zip(conditions, looks, strict=True)),
        gap=(0.45, 0.35),
    )
    for ax, head in zip(axes, heads, strict=True):
        mine = means[means["head"] == head]
        for _, own in mine.groupby("person", sort=False, observed=True):
            ax.plot(own["emg"], own["activation"], color=style.FAINT, linewidth=0.6, zorder=0)
        for condition, look in zip(conditions, looks, strict=True):
            part = mine[mine["condition"] == condition]
            ax.plot(part["emg"], part["activation"], **look)
        top = 1.08 * float(max(mine["emg"].max(), mine["activation"].max(), 1e-3))
        ax.plot([0.0, top], [0.0, top], color=style.FAINT, linewidth=0.7, linestyle=(0, (2, 2)))
        ax.set_xlim(0.0, top)
        ax.set_ylim(0.0, top)
        ax.set_xlabel("EMG [1]")
    for index, ax in enumerate(axes):
        if index % 4 == 0:
            ax.set_ylabel("activation [1]")
    return figure


def _sensitivity(summary: CohortSummary) -> Figure:
    """Change of lift-mean effort by change of input and head; a dot where orders turn."""
    table = summary.tables["sensitivity"]
    table = table[table["lateral"] == summary.mode]
    orders = summary.tables.get("sensitivity_orders")
    heads = [h for h in _working_heads(summary) if h in set(table["head"])]
    changes = list(dict.fromkeys(table["change"]))
    grid = table.pivot_table(
        index="head", columns="change", values="difference", aggfunc="mean", observed=True
    ).reindex(index=heads, columns=changes)
    figure, axes = sheet(
        1,
        1,
        panel=(0.72 * len(changes) + 0.3, 0.26 * len(heads)),
        title="What moves the answer",
        note="Change of lift-mean effort in % points, mean over people and conditions. A circle: "
        f"the order of two conditions turns for this head. Lateral force {summary.mode}.",
        left=2.4,
        bottom=1.35,
    )
    ax = axes[0]
    values = 100.0 * grid.to_numpy()
    size = max(float(np.nanmax(np.abs(values))), 0.1)
    ax.imshow(values, cmap="PuOr", vmin=-size, vmax=size, aspect="auto")
    for (row, column), value in np.ndenumerate(values):
        dark = abs(value) > 0.6 * size
        ax.text(
            column, row, f"{value:+.1f}".replace("-", "\N{MINUS SIGN}"), ha="center",
            va="center", fontsize=7.0, color="white" if dark else style.INK,
        )  # fmt: skip
    if orders is not None and not orders.empty:
        turned = orders[(orders["lateral"] == summary.mode) & ~orders["order_holds"]]
        for row, head in enumerate(heads):
            for column, change in enumerate(changes):
                hit = (turned["head"] == head) & (turned["change"] == change)
                if hit.any():
                    ax.plot(
                        column + 0.36, row - 0.28, "o", markersize=3.4, markerfacecolor="none",
                        color=style.INK,
                    )  # fmt: skip
    ax.set_yticks(range(len(heads)), [style.head_label(head) for head in heads])
    ax.set_xticks(
        range(len(changes)),
        [style.fit(c, 1.15, 7.0) for c in changes],
        rotation=40,
        ha="right",
        fontsize=7.0,
    )
    return figure


def _checks(summary: CohortSummary) -> Figure:
    """Every trial against every check: value over its limit, with the verdict as a sign."""
    table = summary.tables["checks"]
    names = list(dict.fromkeys(table["check"]))
    trials = list(dict.fromkeys(table["trial"]))
    signs = {"pass": "·", "warn": "!", "fail": "×", "not possible": "–"}
    shades = {"pass": "#e8eef2", "warn": "#f0c674", "fail": "#b5472f", "not possible": "#ffffff"}
    figure, axes = sheet(
        1,
        1,
        panel=(0.55 * len(names), 0.19 * len(trials) + 0.1),
        title="Residual checks",
        note="· passes, ! warns, × fails, – not possible with what was recorded. Limits stand in "
        "checks.csv.",
        left=1.9,
        bottom=1.45,
    )
    ax = axes[0]
    labels = []
    for row, trial in enumerate(trials):
        mine = table[table["trial"] == trial]
        labels.append(f"{mine['person'].iloc[0]}, {mine['condition'].iloc[0]} ({trial})")
        for column, name in enumerate(names):
            verdict = str(mine.loc[mine["check"] == name, "verdict"].iloc[0])
            ax.add_patch(_cell(column, row, shades[verdict]))
            ax.text(
                column, row, signs[verdict], ha="center", va="center", fontsize=8.0,
                color="white" if verdict == "fail" else style.INK,
            )  # fmt: skip
    ax.set_xlim(-0.5, len(names) - 0.5)
    ax.set_ylim(len(trials) - 0.5, -0.5)
    ax.set_yticks(range(len(trials)), [style.fit(text, 1.75, 7.0) for text in labels], fontsize=7.0)
    ax.set_xticks(range(len(names)), names, rotation=40, ha="right", fontsize=7.0)
    return figure


def _cell(column: int, row: int, shade: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((column - 0.5, row - 0.5), 1.0, 1.0, facecolor=shade, edgecolor="white")


def trial_checks_figure(curves: pd.DataFrame, checks: pd.DataFrame, title: str) -> Figure:
    """Curves behind the checks of one trial, each with its value, limit and verdict.

    Parameters
    ----------
    curves, checks : DataFrame
        Rows of the trial in the tables of these names.
    title : str
    """
    names = [name for name in dict.fromkeys(checks["check"]) if (curves["check"] == name).any()]
    verdicts = checks.set_index("check")
    titles = []
    for name in names:
        row = verdicts.loc[name]
        unit = str(row["unit"]).split(" ", maxsplit=1)[0]
        titles.append(f"{name}, {row['verdict']}: {row['value']:.3g} {unit} of {row['limit']:g}")
    figure, axes = sheet(
        len(names),
        3,
        panel=(2.4, 1.35),
        title=title,
        note="Measured curves behind each residual check, and its value beside the limit.",
        panel_titles=titles,
        left=0.8,
        gap=(0.8, 0.42),
    )
    looks: tuple[dict[str, Any], ...] = (
        {"color": "#000000", "linestyle": "-"},
        {"color": "#D55E00", "linestyle": (0, (5, 1.6))},
    )
    for ax, name in zip(axes, names, strict=True):
        part = curves[curves["check"] == name]
        lines = part.groupby("curve", sort=False, observed=True)
        for (label, line), look in zip(lines, looks, strict=False):
            ax.plot(line["time_s"], line["value"], label=label, **look)
        ax.set_ylabel(style.fit(str(part["axis"].iloc[0]), 1.3, 7.0), fontsize=7.0)
        ax.set_xlabel("time [s]", fontsize=7.0)
        if len(set(part["curve"])) > 1:
            ax.legend(fontsize=6.5, framealpha=0.8, edgecolor="none", loc="best")
    return figure
