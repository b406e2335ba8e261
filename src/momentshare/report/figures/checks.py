"""Residual checks of trials that warn or fail: verdicts at a glance, and the curves behind them.

The list of checks is read from the tables; only the name of the one that compares clocks is known
here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, label_room, panel_grid, settle
from momentshare.report.text.opening import counted
from momentshare.text import with_minus

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["checks_figure", "doubtful", "trial_checks_figure"]

_ORDER = ("fail", "warn", "pass", "not possible")
_DOUBTFUL = ("fail", "warn")
"""Verdicts from the worst on, and those that are drawn."""

_SIGNS = {"pass": "·", "warn": "!", "fail": "×", "not possible": "–"}
_SHADES = {"pass": "#e8eef2", "warn": "#f0c674", "fail": "#b5472f", "not possible": "#ffffff"}

_CLOCKS = "synchrony"
"""The check whose curves are shown enlarged, since a lag of hundredths of a second counts."""

_ZOOM = 1.5
_SLOPE = 0.2
"""Time shown of those curves, and time over which their largest change is looked for [s]; chosen
here."""

_PANEL = (2.1, 1.3)
_SMALL = 6.5
_KEY_LINE = 0.125
"""Size of a panel [inch]; size of small type [pt] and height of a line of it [inch]."""

_LOOKS: tuple[dict[str, Any], ...] = (
    {"color": "#000000", "linestyle": "-"},
    {"color": "#D55E00", "linestyle": (0, (5, 1.6))},
    {"color": "#0072B2", "linestyle": (0, (1.2, 1.2))},
    {"color": "#009E73", "linestyle": (0, (6, 1.5, 1.2, 1.5))},
)


def doubtful(checks: pd.DataFrame) -> pd.DataFrame:
    """Return the checks that warn or fail."""
    return checks[checks["verdict"].isin(_DOUBTFUL)]


def checks_figure(table: pd.DataFrame) -> Figure:
    """Draw the trials and checks in which something warns or fails, with verdicts as signs.

    Parameters
    ----------
    table : DataFrame
        ``checks`` of a cohort, one of which warns or fails. A trial need not have every check; such
        a cell stays empty.
    """
    shown = doubtful(table)
    rest = [table[name].nunique() - shown[name].nunique() for name in ("trial", "check")]
    table = table[table["trial"].isin(shown["trial"]) & table["check"].isin(shown["check"])]
    names = list(dict.fromkeys(table["check"].astype(str)))
    trials = list(dict.fromkeys(table["trial"]))
    rank = table["verdict"].astype(str).map(_ORDER.index)
    worst = table.assign(rank=rank).sort_values("rank", kind="stable")
    rows = worst.drop_duplicates(["trial", "check"]).to_dict("records")
    cells = {(row["trial"], str(row["check"])): row for row in rows}
    who = table.drop_duplicates("trial").set_index("trial")
    labels = [
        style.fit(f"{who.loc[t, 'person']}, {who.loc[t, 'condition']} ({t})", 2.6, 7.0)
        for t in trials
    ]
    cell, turn = 0.62, np.deg2rad(40.0)
    heads = [_column(name, shown) for name in names]
    widths = [style.text_width(name, 7.0) for name in heads]
    # The slanted names extend to the left of their column, and below the panel.
    reach = [w * np.cos(turn) - cell * (i + 0.5) for i, w in enumerate(widths)]
    row = 0.2 if all("\n" not in label for label in labels) else 0.3
    figure, axes = panel_grid(
        1,
        1,
        (cell * len(names), row * len(trials) + 0.1),
        Texts(
            title=_counts(shown),
            note="A number is the value of a check that warns or fails, with its unit and limit "
            f"below; numbers of trials are in brackets. {_left_out(*rest)}All are in checks.csv.",
            legend=[
                (f"{_SIGNS[v]} {words}", {"facecolor": _SHADES[v], "edgecolor": style.FAINT})
                for v, words in _WORDS.items()
                if any(str(row["verdict"]) == v for row in rows)
            ],
        ),
        Room(
            left=max(label_room(labels, 7.0), max(reach, default=0.0) + 0.2),
            bottom=float(max(widths, default=0.0) * np.sin(turn)) + 0.22,
        ),
    )
    ax = axes[0]
    for place, trial in enumerate(trials):
        for column, name in enumerate(names):
            if (found := cells.get((trial, name))) is not None:
                verdict = str(found["verdict"])
                ax.add_patch(_cell(column, place, _SHADES[verdict]))
                ax.text(
                    column, place, _SIGNS[verdict] + _value(found), ha="center", va="center",
                    fontsize=7.0, color="white" if verdict == "fail" else style.INK,
                )  # fmt: skip
    ax.set_xlim(-0.5, len(names) - 0.5)
    ax.set_ylim(len(trials) - 0.5, -0.5)
    ax.set_yticks(range(len(trials)), labels, fontsize=7.0)
    ax.set_xticks(
        range(len(names)), heads, rotation=40, ha="right", rotation_mode="anchor", fontsize=7.0
    )
    settle(figure)
    return figure


_WORDS = {
    "pass": "passes",
    "warn": "warns",
    "fail": "fails",
    "not possible": "not possible with what was recorded",
}
"""Verdicts in words."""


def _column(name: str, shown: pd.DataFrame) -> str:
    """Name of a check with the unit of the values that are written, and their limit if it is one.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"check": "synchrony", "unit": "ms", "value": 21.0, "limit": 10.0}
    >>> _column("synchrony", pd.DataFrame([row]))
    'synchrony [ms], limit 10'
    """
    mine = shown[shown["check"] == name]
    unit = next((text for text in map(_unit, mine["unit"]) if text), "")
    limits = mine["limit"].dropna().unique()
    limit = f", limit {limits[0]:g}" if len(limits) == 1 else ""
    return with_minus(f"{name}{f' [{unit}]' if unit else ''}{limit}")


def _value(row: Mapping[Hashable, Any]) -> str:
    """Value of a check that warns or fails, after its sign."""
    if str(row["verdict"]) not in _DOUBTFUL or not np.isfinite(row["value"]):
        return ""
    return f" {_number(row['value'])}"


def _number(value: float) -> str:
    return with_minus(f"{value:.0f}" if abs(value) >= 1000.0 else f"{value:.3g}")


def _unit(text: object) -> str:
    """Return the unit of a check without the words after it; nothing for a plain number."""
    words = str(text).split(" ", maxsplit=1)[0].rstrip(",;")
    return "" if words in {"1", "nan", "None", ""} else words


def _counts(shown: pd.DataFrame) -> str:
    """Say how many checks of how many trials warn and fail."""
    told: list[str] = []
    for verdict in _DOUBTFUL:
        count = int((shown["verdict"] == verdict).sum())
        if count:
            who = f"{count:,}" if told else counted(count, "check")
            told.append(f"{who} {verdict}{'s' if count == 1 else ''}")
    return f"{', '.join(told)}, in {counted(shown['trial'].nunique(), 'trial')}"


def _left_out(trials: int, checks: int) -> str:
    """Say what is not drawn since nothing of it warns."""
    left = [counted(n, what) for n, what in ((trials, "trial"), (checks, "check")) if n]
    return f"Not drawn, since nothing warns: {' and '.join(left)}. " if left else ""


def _cell(column: int, row: int, shade: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((column - 0.5, row - 0.5), 1.0, 1.0, facecolor=shade, edgecolor="white")


def trial_checks_figure(curves: pd.DataFrame, checks: pd.DataFrame, title: str) -> Figure:
    """Curves behind the checks of one trial that warn or fail, with value, limit and verdict.

    Such checks without curves are named in the note.

    Parameters
    ----------
    curves, checks : DataFrame
        Rows of the trial in the tables of these names.
    title : str
    """
    left = checks["check"].nunique()
    checks = doubtful(checks)
    left -= checks["check"].nunique()
    rank = checks["verdict"].astype(str).map(_ORDER.index)
    worst = checks.assign(rank=rank).sort_values("rank", kind="stable").drop_duplicates("check")
    found = {str(row["check"]): row for row in worst.to_dict("records")}
    order = list(dict.fromkeys(checks["check"].astype(str)))
    drawn = set(curves["check"].astype(str))
    names = [name for name in order if name in drawn]
    parts = [curves[curves["check"] == name] for name in names]
    keys = [_key_height(part) for part in parts]
    axis_names = [style.fit(str(part["axis"].iloc[0]), _PANEL[1], 7.0) for part in parts]
    lines = max((name.count("\n") + 1 for name in axis_names), default=1)
    beside = 0.12 * lines + 0.55  # name of the axis and numbers of five places
    figure, axes = panel_grid(
        len(names),
        3,
        _PANEL,
        Texts(
            title=title,
            note=_note([found[n] for n in order if n not in drawn], left, _CLOCKS in names),
            panels=[f"{name}\n{_finding(found[name])}" for name in names],
        ),
        Room(left=beside + 0.15, gap=(beside, 0.5), keys=keys),
    )
    for ax, name, part, label in zip(axes, names, parts, axis_names, strict=True):
        _draw_curves(ax, part, zoom=name == _CLOCKS)
        ax.set_ylabel(label, fontsize=7.0)
        ax.set_xlabel("time [s]", fontsize=7.0)
    settle(figure)
    return figure


def _note(others: Sequence[dict[Hashable, Any]], left: int, clocks: bool) -> str:
    """Describe the panels, and list what has none."""
    note = "Measured curves behind each residual check that warns or fails, and its value beside "
    note += "the limit."
    if clocks:
        note += f" {_CLOCKS.capitalize()}: {_ZOOM:g} s around the largest change."
    told = [f"{row['check']} ({_finding(row)})" for row in others]
    note += f" Without curves: {'; '.join(told)}." if told else ""
    return note + (f" {counted(left, 'other check')} in the table of checks." if left else "")


def _finding(row: dict[Hashable, Any]) -> str:
    """Verdict, value and limit of a check in words."""
    verdict = str(row["verdict"])
    if not np.isfinite(row["value"]):
        return verdict
    unit = f" {text}" if (text := _unit(row["unit"])) else ""
    limit = f" (limit {row['limit']:g})" if np.isfinite(row["limit"]) else ""
    return with_minus(f"{verdict}: {_number(row['value'])}{unit}{limit}")


def _key_columns(part: pd.DataFrame) -> int:
    """Entries of a panel's legend that stand side by side."""
    widths = [style.text_width(str(name), _SMALL) + 0.55 for name in part["curve"].unique()]
    return 2 if len(widths) > 1 and 2.0 * max(widths) <= _PANEL[0] else 1


def _key_height(part: pd.DataFrame) -> float:
    """Height of a panel's legend [inch]; a single curve needs none."""
    count = len(part["curve"].unique())
    return _KEY_LINE * -(-count // _key_columns(part)) + 0.04 if count > 1 else 0.0


def _draw_curves(ax: Axes, part: pd.DataFrame, *, zoom: bool) -> None:
    """Draw the curves of a check, with a legend above the panel if there are several."""
    for index, (label, line) in enumerate(part.groupby("curve", sort=False, observed=True)):
        look = _LOOKS[index % len(_LOOKS)] | {"linewidth": 0.9}
        ax.plot(line["time_s"].to_numpy(), line["value"].to_numpy(), label=label, **look)
    values = part["value"].to_numpy(dtype=float)
    if zoom:
        _enlarge(ax, part)
    elif np.isin(values[np.isfinite(values)], (0.0, 1.0)).all():  # yes or no
        ax.set_ylim(-0.05, 1.05)
    if len(part["curve"].unique()) > 1:
        ax.legend(
            fontsize=_SMALL,
            frameon=False,
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=_key_columns(part),
            borderaxespad=0.15,
            borderpad=0.0,
            handlelength=2.4,
            labelspacing=0.25,
            columnspacing=1.0,
        )


def _enlarge(ax: Axes, part: pd.DataFrame) -> None:
    """Show the curves around the largest change of the first one."""
    first = part[part["curve"] == part["curve"].iloc[0]].dropna(subset=["value"])
    time, value = (first[n].to_numpy(dtype=float) for n in ("time_s", "value"))
    if len(time) < 2 or time[-1] - time[0] <= _ZOOM:
        return
    inner = time[(time >= time[0] + 0.5 * _SLOPE) & (time <= time[-1] - 0.5 * _SLOPE)]
    change = np.abs(
        np.interp(inner + 0.5 * _SLOPE, time, value) - np.interp(inner - 0.5 * _SLOPE, time, value)
    )
    middle = float(inner[np.argmax(change)])
    start = float(np.clip(middle - 0.5 * _ZOOM, time[0], time[-1] - _ZOOM))
    seen = part["time_s"].between(start, start + _ZOOM)
    low, high = part.loc[seen, "value"].min(), part.loc[seen, "value"].max()
    ax.set_xlim(start, start + _ZOOM)
    ax.locator_params(axis="x", nbins=4)
    if high > low:
        ax.set_ylim(low - 0.05 * (high - low), high + 0.05 * (high - low))
