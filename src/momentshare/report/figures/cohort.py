"""Figures of a cohort, as papers show them.

Lines are means over people of their own means; bands are one standard deviation between people.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import row_named
from momentshare.limits import marked, merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.checks import checks_figure, doubtful, trial_checks_figure
from momentshare.report.figures.cohort_lines import (
    BAND,
    NO_LIMITS,
    band,
    counted_people,
    listed_conditions,
    zero_line,
)
from momentshare.report.figures.differences import difference_figures
from momentshare.report.figures.emg import emg_agreement_figure, emg_curves_figure
from momentshare.report.figures.layout import (
    LIFT_TIME,
    Room,
    Texts,
    finish,
    label_room,
    panel_grid,
    settle,
)
from momentshare.report.figures.limit_marks import footnote, hatch, hatch_stretches
from momentshare.report.figures.looks import Looks, panel_titles, shared_out
from momentshare.report.figures.outcomes import outcome_figures
from momentshare.report.figures.sensitivity import sensitivity_figure
from momentshare.report.text.cohort_changes import changed_orders
from momentshare.report.text.cohort_orders import (
    choose_foremost,
    of_named,
    order_keys,
    order_title,
)
from momentshare.report.text.cohort_titles import moment_title, ratio_title
from momentshare.report.text.opening import joined
from momentshare.text import head_label, with_minus

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.summary import CohortSummary
    from momentshare.study.factors import Factors

__all__ = ["cohort_figures", "trial_checks_figure", "working_heads"]

_WORKING = 0.05
"""Lift-mean activation that a head must exceed in some condition to be shown."""

_POSSIBLE = {"activation": (0.0, 100.0), "force_n": (0.0, np.inf)}
"""Quantity of a head → values that it can take as drawn; bands are cut there."""

_USUAL_RATIO = (-0.4, 0.5)
"""Lateral over vertical force beyond which a free ratio is noted; assumed."""

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


def cohort_figures(summary: CohortSummary) -> dict[str, Callable[[], Figure]]:
    """Name → function that draws it, for the figures that have something to show."""
    tables, mode = summary.tables, summary.mode
    found: dict[str, Callable[[], Figure]] = {}

    def offer(name: str, needs: str, make: Callable[[], Figure]) -> None:
        if needs in tables:
            found[name] = make

    offer("speed", "curves_speed", lambda: _speed(summary))
    offer("moments", "curves_moments", lambda: _moments(summary))
    offer("head_forces", "curves_heads", lambda: _heads(summary, "force_n"))
    offer("head_activation", "curves_heads", lambda: _heads(summary, "activation"))
    if summary.named_heads:
        offer(
            "head_activation_named",
            "curves_heads",
            lambda: _heads(summary, "activation", summary.named_heads),
        )
    offer("lateral_ratio", "curves_hand", lambda: _ratio(summary))
    offer("activation_by_head", "heads", lambda: _activation_by_head(summary))
    found |= outcome_figures(summary) | difference_figures(summary)
    emg = "emg_curves_by_person"
    curves, limits = tables.get("curves_heads"), summary.limits
    offer("emg_curves", emg, lambda: emg_curves_figure(tables[emg], mode, curves, limits))
    keys = order_keys(summary)
    offer(
        "emg_agreement",
        emg,
        lambda: emg_agreement_figure(tables[emg], mode, summary.factors, keys, limits),
    )
    offer(
        "sensitivity",
        "sensitivity",
        lambda: sensitivity_figure(
            tables["sensitivity"], _counted_orders(summary), working_heads(summary), mode
        ),
    )
    if "checks" in tables and len(doubtful(tables["checks"])):
        found["checks"] = lambda: checks_figure(tables["checks"])
    return found


def _counted_orders(summary: CohortSummary) -> pd.DataFrame | None:
    orders = changed_orders(summary)
    return None if orders is None else orders.counted


def working_heads(summary: CohortSummary) -> list[str]:
    """Heads that work in some condition, in the order of the limb."""
    means = summary.tables["heads"]
    mine = means[means["lateral"] == summary.mode]
    top = mine.groupby("head", sort=False, observed=True)["mean_activation_mean"].max()
    return [str(head) for head in top.index[top > _WORKING]]


def _one_scale(axes: Sequence[Axes]) -> None:
    """Give panels the same scale."""
    low, high = min(a.get_ylim()[0] for a in axes), max(a.get_ylim()[1] for a in axes)
    for ax in axes:
        ax.set_ylim(low, high)


def _panels(
    table: pd.DataFrame,
    split: str,
    items: Sequence[str],
    *,
    factors: Factors,
    texts: Texts,
    y_label: str,
    limits: tuple[float, float] = NO_LIMITS,
    by_row: bool = False,
) -> Figure:
    """Panels for an item, one line per condition; one scale for all, or for each row of panels."""
    conditions = listed_conditions(table)
    looks = Looks(conditions, factors)
    groups = looks.groups(conditions)
    each = len(groups)
    columns = min(4 if each == 1 else each * max(4 // each, 1), each * len(items))
    figure, axes = panel_grid(
        each * len(items),
        columns,
        (1.75, 1.35),
        replace(
            texts,
            note=f"{texts.note} {counted_people(table)}; {BAND}.{shared_out(groups)}",
            panels=panel_titles(texts.panels, groups),
            legend=looks.handles(conditions),
        ),
        Room(gap=(0.3, 0.2)),
    )
    for number, ax in enumerate(axes):
        item, group = items[number // each], groups[number % each]
        for index, condition in enumerate(group.conditions):
            part = table[(table[split] == item) & (table["condition"] == condition)]
            band(ax, part, looks.of(condition), index / len(group.conditions), limits)
        zero_line(ax)
        if limits[0] == 0.0:
            ax.set_ylim(bottom=0.0)
        if np.isfinite(limits[1]):
            ax.set_ylim(top=1.03 * limits[1])
    step = columns if by_row else len(axes)
    for start in range(0, len(axes), step):
        _one_scale(axes[start : start + step])
    for number, ax in enumerate(axes):
        _hatch(ax, table[table[split] == items[number // each]], groups[number % each].conditions)
    finish(axes, columns, y_label, LIFT_TIME)
    settle(figure)
    return figure


def _hatch(ax: Axes, part: pd.DataFrame, conditions: Sequence[str]) -> None:
    """Hatch where the limb does not bear the curve of one of the conditions of a panel."""
    if "limit_here" not in part:
        return
    part = part[part["condition"].isin(conditions)]
    here = (part["limit_here"] != "").groupby(part["lift_percent"]).any()
    hatch_stretches(ax, here.index.to_list(), here.to_list())


def _speed(summary: CohortSummary) -> Figure:
    table, events = summary.tables["curves_speed"], summary.tables["events"]
    if "trials" in summary.tables:  # the curves show the trials that count
        trials = summary.tables["trials"]
        counted = set(trials.loc[trials["counted"].astype(bool), "trial"])
        events = events[events["trial"].isin(counted)]
    conditions = listed_conditions(table)
    found = {c: events[events["condition"] == c] for c in conditions}
    sticking = {c: t[t["sticking_region"].to_numpy(dtype=bool)] for c, t in found.items()}
    titles = []
    for name in conditions:
        without = len(found[name]) - len(sticking[name])
        words = f"\n{without} of {len(found[name])} lifts without sticking region"
        titles.append(name + (words if without else ""))
    figure, axes = panel_grid(
        len(conditions),
        3,
        (2.0, 1.6),
        Texts(
            title="Speed of the lift",
            note="Upward speed of the hands. Shaded: regions at the mean of the events of those "
            f"lifts that have a sticking region. {counted_people(table)}; {BAND}.",
            panels=titles,
            legend=[
                (name, {"facecolor": style.FAINT, "alpha": dark, "edgecolor": style.FAINT})
                for name, dark in _REGIONS
            ],
        ),
        Room(gap=(0.3, 0.2)),
    )
    looks = Looks(conditions, summary.factors)
    for ax, condition in zip(axes, conditions, strict=True):
        band(ax, table[table["condition"] == condition], looks.of(condition), 0.0)
        mine = sticking[condition]
        if not mine.empty:
            marks = ["first_peak_percent", "minimum_percent", "second_peak_percent"]
            edges = [0.0, *mine[marks].mean(), 100.0]
            for (_, dark), a, b in zip(_REGIONS, edges[:-1], edges[1:], strict=True):
                ax.axvspan(a, b, color=style.FAINT, alpha=dark, lw=0)
        ax.set_ylim(bottom=0.0)
    _one_scale(axes)
    finish(axes, min(3, len(conditions)), "speed [m/s]", LIFT_TIME)
    settle(figure)
    return figure


def _moments(summary: CohortSummary) -> Figure:
    table = summary.tables["curves_moments"]
    part = table[(table["quantity"] == "moment_nm") & (table["lateral"] == summary.mode)]
    rows = [row for row in _ROWS if row in set(part["row"])]
    return _panels(
        part,
        "row",
        rows,
        texts=Texts(
            title=moment_title(summary) or "Net joint moments",
            note=f"Net joint moments along the lift. Lateral force {summary.mode}.",
            panels=[_both_ways(row, part[part["row"] == row]) for row in rows],
        ),
        y_label="net moment [N·m]",
        factors=summary.factors,
    )


def _both_ways(row: str, curves: pd.DataFrame) -> str:
    """Name a signed row, and what it is below zero where a mean curve goes there."""
    label = row_named(row).label
    if not (curves["mean"] < 0.0).any():
        return label
    return f"{label}\n(below zero: {row_named(row).negative.label})"


def _heads(summary: CohortSummary, quantity: str, named: Sequence[str] = ()) -> Figure:
    table = summary.tables["curves_heads"]
    heads = [h for h in named if h in set(table["head"])] or working_heads(summary)
    which = (
        "Heads named beforehand."
        if named
        else f"Heads with a lift-mean activation above {100 * _WORKING:.0f} % in some condition."
    )
    part = table[
        (table["quantity"] == quantity)
        & (table["lateral"] == summary.mode)
        & table["head"].isin(heads)
    ]
    force = quantity == "force_n"
    if not force:
        part = part.assign(**{name: 100.0 * part[name] for name in ("mean", "sd")})
    cut = (
        "Each row of panels has its own scale: compare heights within a row. Bands are cut at "
        "0, since heads only pull."
        if force
        else "Bands are cut at 0 and 100 %, beyond which no activation lies."
    )
    here = _keys(part, column="limit_here")
    compared = {} if force else order_keys(summary)
    keys = {h: merged_keys([here.get(h, ""), compared.get(h, "")]) for h in heads}
    told = footnote(summary.limits, keys.values())
    if told and force:
        told += " Such stretches are hatched."
    elif told and any(here.values()):
        told += (
            " Hatched: the part of the lift in which not even the course of one condition is "
            "supported."
        )
    return _panels(
        part,
        "head",
        heads,
        texts=Texts(
            title="Force of each head" if force else "Activation of each head",
            note=f"Lateral force {summary.mode}. {which} {cut}{told}",
            panels=[marked(head_label(head), keys[head]) for head in heads],
        ),
        y_label="force [N]" if force else "activation [%]",
        factors=summary.factors,
        limits=_POSSIBLE[quantity],
        by_row=force,
    )


def _hatched(note: str, what: str) -> str:
    """Add to the note on limits that what they concern is hatched."""
    return f"{note} Such {what} are hatched." if note else ""


def _keys(table: pd.DataFrame, split: str = "head", column: str = "limit") -> dict[str, str]:
    """Head, or what else splits a table → keys of the limits of its rows."""
    if column not in table:
        return {}
    parts = table.groupby(split, sort=False, observed=True)[column]
    return {str(name): merged_keys(keys) for name, keys in parts}


def _ratio(summary: CohortSummary) -> Figure:
    table = summary.tables["curves_hand"]
    table = table[table["quantity"] == "lateral_ratio"]
    there = [m for m in ("measured", "zero", "free") if m in set(table["lateral"])]
    modes = [m for m in there if m != "zero"] or there  # without a push the ratio is zero
    table = table[table["lateral"].isin(modes)]
    conditions = listed_conditions(table)
    keys = _keys(table, "lateral", "limit_here")
    looks = Looks(conditions, summary.factors)
    groups = looks.groups(conditions)
    each = len(groups)
    columns = min(3, len(modes)) if each == 1 else each
    figure, axes = panel_grid(
        each * len(modes),
        columns,
        (1.95, 1.6),
        Texts(
            title=ratio_title(summary) or "Lateral over vertical hand force",
            note="Lateral over vertical hand force, outward push positive. "
            f"{counted_people(table)}; {BAND}.{shared_out(groups)}"
            f"{_beyond(table, conditions)}"
            + _hatched(footnote(summary.limits, keys.values()), "stretches"),
            panels=panel_titles([marked(style.MODES[m], keys.get(m, "")) for m in modes], groups),
            legend=looks.handles(conditions),
        ),
        Room(gap=(0.3, 0.2)),
    )
    for number, ax in enumerate(axes):
        mode, group = modes[number // each], groups[number % each]
        for index, condition in enumerate(group.conditions):
            part = table[(table["lateral"] == mode) & (table["condition"] == condition)]
            band(ax, part, looks.of(condition), index / len(group.conditions))
        zero_line(ax)
    _one_scale(axes)
    for number, ax in enumerate(axes):
        part = table[table["lateral"] == modes[number // each]]
        _hatch(ax, part, groups[number % each].conditions)
    finish(axes, columns, "ratio [1]", LIFT_TIME)
    settle(figure)
    return figure


def _beyond(table: pd.DataFrame, conditions: Sequence[str]) -> str:
    """Name the conditions in which the mean free ratio is large, and in part of the lift."""
    low, high = _USUAL_RATIO
    free = table[table["lateral"] == "free"]
    far = free[(free["mean"] < low) | (free["mean"] > high)]
    names = [c for c in conditions if c in set(far["condition"].astype(str))]
    if not names:
        return ""
    quoted = joined(f"'{name}'" for name in names)
    reach = with_minus(f"{free['mean'].min():.2f} to {free['mean'].max():.2f}")
    return (
        f" In {quoted} the free ratio (means {reach}) lies outside −{-low:g} to {high:g} in part "
        "of the lift: hands may not be able to push that hard along the bar."
    )


def _firm_title(summary: CohortSummary) -> str:
    """State the order of most muscle that a test shows and no changed input reverses."""
    firm = of_named(summary).firm
    if not firm or summary.tables.get("sensitivity_orders") is None:
        return ""
    return f"Firm: {order_title(choose_foremost(firm, summary)[0])}"


_FIRM_MARKS = {True: ("a firm order", style.FIRM), False: ("no firm order", style.OPEN)}
"""Whether an order of a head is firm → words and look of the mark beside its row."""


def _firm_heads(summary: CohortSummary) -> dict[str, bool]:
    """Head → whether one of its orders is firm; empty where nothing was tested or changed."""
    found = of_named(summary)
    if not found.tested or summary.tables.get("sensitivity_orders") is None:
        return {}
    firm = {str(line["head"]) for line in found.firm}
    return {str(row["head"]): str(row["head"]) in firm for row in found.judged}


def _activation_by_head(summary: CohortSummary) -> Figure:
    means, own = (summary.tables[n] for n in ("heads", "heads_by_person"))
    means, own = (t[t["lateral"] == summary.mode] for t in (means, own))
    heads = working_heads(summary)
    conditions = listed_conditions(means)
    looks = Looks(conditions, summary.factors)
    keys = _keys(means)
    compared = order_keys(summary)
    keys = {head: merged_keys([keys.get(head, ""), compared.get(head, "")]) for head in heads}
    labels = [marked(head_label(head), keys[head]) for head in heads]
    firm = {head: it_is for head, it_is in _firm_heads(summary).items() if head in heads}
    marks = [_FIRM_MARKS[is_firm] for is_firm in (True, False) if is_firm in firm.values()]
    figure, axes = panel_grid(
        1,
        1,
        (4.6, (0.2 + 0.05 * max(len(conditions), 3)) * len(heads) + 0.3),
        Texts(
            title=_firm_title(summary) or "Lift-mean activation of each head",
            note=f"Lift-mean activation of each head. Lateral force {summary.mode}. Marker: mean "
            "over people; bar: one SD, cut at 0 and 100 %; small dots: people."
            + " Dot at the right end of a row: whether an order of the head is firm." * bool(firm)
            + _hatched(footnote(summary.limits, keys.values()), "rows"),
            legend=[*looks.bar_handles(conditions), *marks],
        ),
        Room(left=label_room(labels)),
    )
    ax = axes[0]
    low, high = _POSSIBLE["activation"]
    for index, condition in enumerate(conditions):
        look: dict[str, Any] = looks.of(condition) | {"linestyle": "none"}
        shift = 0.22 * (index - 0.5 * (len(conditions) - 1)) * min(1.0, 3.0 / len(conditions))
        for row, head in enumerate(heads):
            line = means[(means["head"] == head) & (means["condition"] == condition)]
            if line.empty:
                continue
            value = 100.0 * float(line["mean_activation_mean"].iloc[0])
            spread = 100.0 * float(np.nan_to_num(line["mean_activation_sd"].iloc[0]))
            bar = np.clip([value - spread, value + spread], low, high)
            reach = np.abs(bar - value)[:, None]
            ax.errorbar(value, row + shift, xerr=reach, elinewidth=1.0, clip_on=False, **look)
            people = own[(own["head"] == head) & (own["condition"] == condition)]
            dots = 100.0 * people["mean_activation"].to_numpy()
            ax.plot(
                dots, np.full(len(dots), row + shift), ".", markersize=2.2, alpha=0.6,
                color=look["color"], clip_on=False,
            )  # fmt: skip
    ax.set_yticks(range(len(heads)), labels)
    ax.set_ylim(len(heads) - 0.5, -0.5)
    ax.set_xlim(left=0.0)
    for row, head in enumerate(heads):
        if keys.get(head):
            hatch(ax, 0.0, row - 0.5, ax.get_xlim()[1], 1.0)
        if head in firm:
            ax.plot(
                [1.02], [row], transform=ax.get_yaxis_transform(), clip_on=False,
                gid="firm" if firm[head] else "not-firm", **_FIRM_MARKS[firm[head]][1],
            )  # fmt: skip
    ax.set_xlabel("lift-mean activation [%]")
    settle(figure)
    return figure
