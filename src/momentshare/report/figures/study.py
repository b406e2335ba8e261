"""Figures of a study.

One function per figure returns a matplotlib ``Figure``; :func:`write_figures` saves them all.
Lines are means over people, thin bands the range over people. Sizes are laid out in inches
from measured text widths, so that nothing overlaps however long the names are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial, wraps
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.limits import Limits, kinds_of
from momentshare.report.figures import style
from momentshare.report.figures.layout import Handles, finish, lift_axis, sheet
from momentshare.report.figures.limit_marks import Marks, hatch
from momentshare.report.text.posture_band import band_note

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.files import Writer
    from momentshare.limits import LiftKind
    from momentshare.runs import Band, Case
    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = [
    "activation_along_lift",
    "activation_by_head",
    "fibre_length",
    "gravity_arms",
    "greatest_load",
    "lateral_force",
    "lateral_range",
    "moments_along_lift",
    "ordering",
    "write_figures",
]

P = ParamSpec("P")

_WORKING = 0.05
"""Lift-mean activation that a head must exceed in some condition to be shown."""

_SLIGHT = 0.01
"""Difference of lift-mean activation below which two conditions are called level."""

_MOMENT_ROWS = (
    "shoulder_horizontal_adduction",
    "shoulder_elevation",
    "shoulder_internal_rotation",
    "elbow_extension",
)

_LIFT_LABEL = "lift [% of bar height]"

# ------------------------------------------------------------------ gathering


@dataclass(frozen=True, slots=True)
class _Solved:
    """Results by condition and lateral mode, in the order of the study."""

    conditions: tuple[str, ...]
    modes: tuple[str, ...]
    people: int
    heads: tuple[str, ...]
    entries: dict[tuple[str, str], list[tuple[Case, LiftResult]]]
    bars: frozenset[str]
    all_reach: bool
    varied: Band | None = None
    limits: Limits = field(default_factory=Limits)
    kinds: Mapping[str, LiftKind] = field(default_factory=dict)

    def marks(self) -> Marks:
        """Return marks of what the limb cannot bear, for one figure."""
        return Marks(self.limits, self.kinds)

    def get(self, condition: str, mode: str) -> list[tuple[Case, LiftResult]]:
        """Results of a condition; one without a lateral force answers for every mode."""
        if condition not in self.bars:
            mode = "zero"
        return self.entries.get((condition, mode), [])

    def any(self, condition: str) -> list[tuple[Case, LiftResult]]:
        """Results of a condition where the lateral mode does not matter."""
        return next((self.get(condition, m) for m in self.modes if self.get(condition, m)), [])

    def label(self, condition: str) -> str:
        """Name of a condition, with the number of people where some are missing."""
        count = len({case.person for case, _ in self.any(condition)})
        if count < self.people:
            return f"{condition} ({count} of {self.people} people)"
        return condition

    @property
    def who(self) -> str:
        """How many people."""
        return "1 person" if self.people == 1 else f"mean of {self.people} people"

    @property
    def band(self) -> str:
        """What the band means, where there is one."""
        if self.people == 1:
            return ""
        tail = "" if self.all_reach else " Means stand where everyone reaches the bar."
        return f" Band: range over people.{tail}"

    def lateral(self, mode: str) -> str:
        """Name the treatment of the lateral force, and what stands beside it."""
        if not self.bars:
            return "no lateral force (dumbbells)"
        text = f"lateral force: {style.MODES[mode]}"
        return text + ("; dumbbells: none" if len(self.bars) < len(self.conditions) else "")

    def main_mode(self) -> str:
        """Return the mode that covers most conditions; the study's order breaks ties."""
        return max(self.modes, key=lambda m: sum(bool(self.get(c, m)) for c in self.conditions))

    def mean_activation(self, condition: str, mode: str) -> Floats:
        """Lift-mean activation of every head, the mean over people."""
        found = [_lift_mean(r.activation, c) for c, r in self.get(condition, mode)]
        return np.mean(found, axis=0) if found else np.full(len(self.heads), np.nan)

    def posture_band(self, condition: str, mode: str) -> tuple[Floats, Floats] | None:
        """Range of the mean activation of every head over the posture rule; None without one."""
        pairs = self.get(condition, mode)
        keys = [(case.person, case.condition, result.lateral.mode) for case, result in pairs]
        if self.varied is None or not keys or any(k not in self.varied.posture for k in keys):
            return None
        table = np.mean([self.varied.posture[key].activation for key in keys], axis=0)
        return np.nanmin(table, axis=0), np.nanmax(table, axis=0)

    def working(self) -> list[int]:
        """Heads that work in some condition; the busiest if none does."""
        table = np.array([self.mean_activation(c, m) for c in self.conditions for m in self.modes])
        top = np.max(np.where(np.isnan(table), 0.0, table), axis=0)
        return [int(i) for i in np.flatnonzero(top > _WORKING)] or [int(np.argmax(top))]


def _lift_mean(values: Floats, case: Case) -> Floats:
    return np.asarray(values[case.prepared.lift.reachable].mean(axis=0))


def _solved(study: StudyResult) -> _Solved:
    entries: dict[tuple[str, str], list[tuple[Case, LiftResult]]] = {}
    bars = set()
    for case, result in study.pairs():
        entries.setdefault((case.condition, result.lateral.mode), []).append((case, result))
        if case.prepared.lift.lateral_free:
            bars.add(case.condition)
    present = {condition for condition, _ in entries}
    names = tuple(c.name for c in study.study.file.condition if c.name in present)
    modes = tuple(
        m for m in study.study.file.settings.lateral if any((b, m) in entries for b in bars)
    )
    return _Solved(
        conditions=names,
        modes=modes or ("zero",),
        people=len({case.person for case in study.cases}),
        heads=tuple(study.model.head_names),
        entries=entries,
        bars=frozenset(bars),
        all_reach=all(case.prepared.lift.reachable.all() for case in study.cases),
        varied=study.band,
        limits=study.model.limits,
        kinds=kinds_of(study.study.file.condition),
    )


@dataclass(frozen=True, slots=True)
class _Curve:
    """A quantity along the lift: mean, least and greatest over people."""

    lift: Floats
    mean: Floats
    low: Floats
    high: Floats


def _curve(pairs: list[tuple[Case, LiftResult]], values: list[Floats]) -> _Curve:
    """Gather people; trailing axes are kept.

    The mean stands where everyone has a value, so that it does not jump where one person
    drops out; where no frame has everyone it is the mean of those who have one.
    """
    table = np.array(values, dtype=float)
    table[~np.isfinite(table)] = np.nan
    known = np.isfinite(table)
    count = known.sum(axis=0)
    filled = np.where(known, table, 0.0)
    everyone = count == len(table)
    shown = everyone if everyone.any() else count > 0
    mean = np.where(shown, filled.sum(axis=0) / np.maximum(count, 1), np.nan)
    some = count > 0
    low = np.where(some, np.where(known, table, np.inf).min(axis=0), np.nan)
    high = np.where(some, np.where(known, table, -np.inf).max(axis=0), np.nan)
    fractions = np.array([case.prepared.lift.fraction for case, _ in pairs])
    return _Curve(lift=100.0 * fractions.mean(axis=0), mean=mean, low=low, high=high)


# ------------------------------------------------------------------ laying out


def _styled(
    make: Callable[Concatenate[StudyResult, P], Figure],
) -> Callable[Concatenate[StudyResult, P], Figure]:
    """Run a figure function under the settings of this package, without touching others."""

    @wraps(make)
    def inside(study: StudyResult, /, *args: P.args, **kwargs: P.kwargs) -> Figure:
        import matplotlib as mpl

        names = [c.name for c in study.study.file.condition]
        with mpl.rc_context(style.settings(names)), style.quiet():
            return make(study, *args, **kwargs)

    return inside


def _condition_handles(solved: _Solved, shown: Sequence[str], *, letters: bool = False) -> Handles:
    return [
        ((f"{_letter(i)} = " if letters else "") + solved.label(c), style.condition_style(i))
        for i, c in enumerate(solved.conditions)
        if c in shown
    ]


def _draw_curve(
    ax: Axes,
    curve: _Curve,
    look: dict[str, Any],
    *,
    place: float,
    band: bool,
    marks: int = 4,
    among: int = 3,
) -> None:
    """Draw a curve with its band.

    ``place`` in 0–1 staggers the markers of several curves; bands grow paler with the number
    of curves that they lie ``among``.
    """
    frames = len(curve.lift)
    step = max(1, round((frames - 1) / marks))
    start = int(place * step) % step
    ax.plot(curve.lift, curve.mean, markevery=(start, step), **look)
    if band:
        pale = min(0.13, 0.45 / among)
        ax.fill_between(curve.lift, curve.low, curve.high, color=look["color"], alpha=pale, lw=0)


def _limits(ax: Axes, values: Sequence[Floats], *, zero: bool = True, pad: float = 0.06) -> None:
    """Set y limits from the values; NaN is left out."""
    known = np.concatenate([np.ravel(v) for v in values] or [np.zeros(1)])
    known = known[np.isfinite(known)]
    low = float(known.min()) if known.size else 0.0
    high = float(known.max()) if known.size else 1.0
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    span = (high - low) or 1.0
    ax.set_ylim(low - (pad * span if low < 0 or not zero else 0.0), high + pad * span)


def _letter(index: int) -> str:
    return chr(ord("A") + index) if index < 26 else str(index + 1)


@dataclass(frozen=True, slots=True)
class _Names:
    """Names of conditions at an axis: short ones as they are, long ones by letter and key."""

    ticks: list[str]
    key: str

    @classmethod
    def of(cls, solved: _Solved, width: float = 1.35) -> _Names:
        labels = [solved.label(c) for c in solved.conditions]
        if all(style.text_width(label, 7.5) <= width for label in labels):
            return cls(ticks=labels, key="")
        letters = [_letter(i) for i in range(len(labels))]
        key = ";  ".join(f"{a} = {b}" for a, b in zip(letters, labels, strict=True))
        return cls(ticks=letters, key=f" Conditions: {key}.")

    @property
    def reach(self) -> float:
        """Height that the names take when they stand at 45° [inch]."""
        return max(style.text_width(t, 7.5) for t in self.ticks) * 0.72 + 0.2

    def on_x(self, ax: Axes) -> None:
        ax.set_xticks(range(len(self.ticks)))
        if max(map(len, self.ticks)) <= 2:
            ax.set_xticklabels(self.ticks)
        else:
            ax.set_xticklabels(self.ticks, rotation=45, ha="right", rotation_mode="anchor")


def _muscle_breaks(heads: Sequence[str]) -> list[int]:
    """Positions between heads of different muscles."""
    muscles = [h.split("/")[0] for h in heads]
    return [i + 1 for i, (a, b) in enumerate(pairwise(muscles)) if a != b]


def _cells(ax: Axes, table: Floats, top: float) -> Any:
    """Draw a table as coloured cells; a missing value is hatched."""
    import matplotlib as mpl

    scale = mpl.colormaps[style.SEQUENTIAL]
    image = ax.imshow(np.ma.masked_invalid(table), cmap=scale, vmin=0.0, vmax=top, aspect="auto")
    ax.set_facecolor("#ededed")
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    return image


def _on_cell(share: float) -> str:
    """Ink that is readable on a cell at this share of the colour scale."""
    return "#ffffff" if share < 0.55 else "#111111"


# ------------------------------------------------------------------ figures


@_styled
def activation_by_head(study: StudyResult) -> Figure:
    """Heat map of lift-mean activation: heads × conditions, a panel per lateral mode."""
    solved = _solved(study)
    names = _Names.of(solved)
    marks = solved.marks()
    labels = [
        marks.label(h, marks.keys("activation", solved.conditions, head=h)) for h in solved.heads
    ]
    left = max(style.text_width(t, 7.5) for t in labels) + 0.42
    count = len(solved.conditions)
    column, line = 0.4 if count <= 8 else 0.31, 0.185
    note = f"Cells in %; empty below 0.5 %; grey: not computed.{names.key}"
    note += f"{marks.note()} Such cells are hatched." if marks.used else ""
    wide = max(count * column, 1.5)
    figure, axes = sheet(
        len(solved.modes),
        len(solved.modes),
        panel=(wide, line * len(labels)),
        title=f"Activation by muscle head, lift mean, {solved.who}",
        note=note,
        panel_titles=[_mode_title(solved, m) for m in solved.modes],
        left=left,
        right=0.85,
        bottom=names.reach + 0.25,
        gap=(0.2, 0.2),
    )
    image = None
    for index, (ax, mode) in enumerate(zip(axes, solved.modes, strict=True)):
        table = 100.0 * np.array([solved.mean_activation(c, mode) for c in solved.conditions]).T
        image = _cells(ax, table, 100.0)
        for (row, col), value in np.ndenumerate(table):
            if marks.keys("activation", [solved.conditions[col]], head=solved.heads[row]):
                hatch(ax, col - 0.5, row - 0.5, 1.0, 1.0)
            if value >= 0.5:
                ink = _on_cell(value / 100.0)
                ax.text(col, row, f"{value:.0f}", ha="center", va="center", color=ink, fontsize=7.5)
        for place in _muscle_breaks(solved.heads):
            ax.axhline(place - 0.5, color="#ffffff", linewidth=2.0)
        names.on_x(ax)
        ax.set_xlabel("condition")
        ax.set_yticks(range(len(labels)), labels if index == 0 else [])
        if index == 0:
            ax.set_ylabel("muscle head")
    _colour_bar(figure, axes[-1], image, "activation [%]")
    return figure


def _mode_title(solved: _Solved, mode: str) -> str:
    return f"lateral force: {style.MODES[mode]}" if solved.bars else "no lateral force (dumbbells)"


def _colour_bar(figure: Figure, ax: Axes, image: Any, label: str) -> None:
    from matplotlib.ticker import MaxNLocator

    width, height = figure.get_size_inches()
    box = ax.get_position()
    tall = min(box.height, 2.2 / height)
    place = figure.add_axes((box.x1 + 0.14 / width, box.y1 - tall, 0.12 / width, tall))
    bar = figure.colorbar(image, cax=place, ticks=MaxNLocator(6, integer=True))
    bar.set_label(label)
    bar.outline.set_visible(False)


@_styled
def activation_along_lift(study: StudyResult, *, lateral: str | None = None) -> Figure:
    """Activation along the lift, a panel per working head and a line per condition."""
    solved = _solved(study)
    mode = lateral or solved.main_mode()
    heads = solved.working()
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    columns = min(5, len(heads))
    marks = solved.marks()
    titles = [
        marks.label(h, marks.keys("activation", shown, head=h))
        for h in (solved.heads[k] for k in heads)
    ]
    limited = f"{marks.note()} Such stretches are hatched." if marks.used else ""
    figure, axes = sheet(
        len(heads),
        columns,
        panel=(1.72, 1.05),
        title=f"Activation along the lift, {solved.who}, {solved.lateral(mode)}",
        note=(
            f"Heads whose lift-mean activation exceeds {100 * _WORKING:.0f} % in some condition."
            f"{solved.band}{limited}"
        ),
        panel_titles=titles,
        legend=_condition_handles(solved, shown),
        gap=(0.26, 0.16),
    )
    for condition in shown:
        number = solved.conditions.index(condition)
        pairs = solved.get(condition, mode)
        whole = _curve(pairs, [100.0 * r.activation for _, r in pairs])
        for ax, head in zip(axes, heads, strict=True):
            part = _Curve(
                lift=whole.lift,
                mean=whole.mean[:, head],
                low=whole.low[:, head],
                high=whole.high[:, head],
            )
            place = number / len(solved.conditions)
            look = style.condition_style(number)
            _draw_curve(
                ax,
                part,
                look,
                place=place,
                band=len(pairs) > 1,
                among=len(solved.conditions),
                marks=3,
            )
    for ax, head in zip(axes, heads, strict=True):
        ax.set_ylim(0.0, 103.0)
        ax.set_yticks([0, 50, 100])
        for third in marks.parts("activation", shown, solved.heads[head]):
            hatch(ax, 100.0 * third / 3.0, 0.0, 100.0 / 3.0, 103.0)
    finish(axes, columns, "activation [%]")
    return figure


@_styled
def moments_along_lift(study: StudyResult) -> Figure:
    """Net joint moments: a row per moment, a column per condition, a line per lateral mode.

    More than seven conditions go on in a further block of rows.
    """
    solved = _solved(study)
    count, lines = len(solved.conditions), len(_MOMENT_ROWS)
    columns = min(count, 7)
    blocks = -(-count // columns)
    blanks = blocks * columns - count
    names = [*(solved.label(c) for c in solved.conditions), *[""] * blanks]
    titles: list[str] = []
    for block in range(blocks):
        titles += names[block * columns : (block + 1) * columns] + [""] * (lines - 1) * columns
    figure, axes = sheet(
        blocks * lines * columns,
        columns,
        panel=(1.2, 1.1),
        title=f"Net joint moments along the lift, {solved.who}",
        note=(
            "Line style: treatment of the lateral hand force. A moment is positive in the "
            f"direction that names it.{solved.band}"
        ),
        panel_titles=titles,
        legend=[(_mode_title(solved, m), style.MODE_STYLES[m]) for m in solved.modes],
        left=0.95,
        gap=(0.26, 0.18),
    )
    for line, row in enumerate(_MOMENT_ROWS):
        at = ROWS.index(row)
        ranges: list[Floats] = []
        strip: list[Axes] = []
        for number, condition in enumerate(solved.conditions):
            block, column = divmod(number, columns)
            ax = axes[(block * lines + line) * columns + column]
            strip.append(ax)
            for place, mode in enumerate(solved.modes if condition in solved.bars else ("zero",)):
                pairs = solved.get(condition, mode)
                if not pairs:
                    continue
                curve = _curve(pairs, [r.moments[:, at] for _, r in pairs])
                look = style.MODE_STYLES[mode]
                _draw_curve(ax, curve, look, place=place / 3, band=len(pairs) > 1, marks=2)
                ranges += [curve.low, curve.high]
        for number, ax in enumerate(strip):
            ax.axhline(0.0, color=style.FAINT, linewidth=0.6)
            _limits(ax, ranges)
            ax.locator_params(axis="y", nbins=4)
            lowest = line == lines - 1 and number + columns >= count
            lift_axis(ax, labelled=lowest)
            if number % columns:
                ax.tick_params(labelleft=False)
            else:
                ax.set_ylabel(style.fit(row_named(row).label, 1.15) + "\n[N·m]")
    for block_line in range((blocks - 1) * lines, blocks * lines):
        for ax in axes[(block_line + 1) * columns - blanks : (block_line + 1) * columns]:
            ax.remove()
    return figure


@_styled
def gravity_arms(study: StudyResult) -> Figure:
    """Moment arms of a weight in the hand, gravity alone, a panel per moment row."""
    solved = _solved(study)
    figure, axes = sheet(
        4,
        4,
        panel=(2.0, 1.9),
        title=f"Gravity-only moment arms of the load in one hand, {solved.who}",
        note=(
            "Moment for each newton of weight, without segments, inertia and lateral force; "
            f"positive where the named moment is needed.{solved.band}"
        ),
        panel_titles=[row_named(r).label for r in _MOMENT_ROWS],
        legend=_condition_handles(solved, solved.conditions),
        gap=(0.28, 0.0),
    )
    ranges: list[Floats] = []
    for number, condition in enumerate(solved.conditions):
        pairs = solved.any(condition)
        for ax, row in zip(axes, _MOMENT_ROWS, strict=True):
            at = ROWS.index(row)
            values = [
                np.where(
                    c.prepared.lift.reachable, 100.0 * c.prepared.demand.gravity_arms[:, at], np.nan
                )
                for c, _ in pairs
            ]
            curve = _curve(pairs, values)
            place = number / len(solved.conditions)
            _draw_curve(
                ax,
                curve,
                style.condition_style(number),
                place=place,
                band=len(pairs) > 1,
                among=len(solved.conditions),
            )
            ranges += [curve.low, curve.high]
    for ax in axes:
        ax.axhline(0.0, color=style.FAINT, linewidth=0.6)
        _limits(ax, ranges)
    finish(axes, 4, "moment arm [cm]", _LIFT_LABEL)
    return figure


@_styled
def lateral_force(study: StudyResult) -> Figure:
    """Lateral over vertical hand force: along the lift where free, and beside the measured."""
    solved = _solved(study)
    names = _Names.of(solved)
    mode = next((m for m in ("free", "measured", "zero") if m in solved.modes), "zero")
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    handles = _condition_handles(solved, shown, letters=bool(names.key))
    if any(solved.get(c, "measured") for c in solved.bars):
        dash = {"linestyle": "none", "marker": "_", "markersize": 11.0, "color": style.INK}
        handles.append(("measured ratio", dash))
    marks = solved.marks()
    marks.keys("lateral_ratio", shown, lateral=mode)
    figure, axes = sheet(
        2,
        2,
        panel=(max(2.9, 0.36 * len(solved.conditions)), 2.7),
        title=f"Lateral hand force, {solved.who}",
        note=(
            "Outward push of one hand along the bar over its vertical force; positive outward."
            f"{solved.band} Bars on the right: range along the lift.{marks.note()}"
        ),
        panel_titles=[_mode_title(solved, mode), "lift mean, and measured value"],
        legend=handles,
        bottom=max(0.5, names.reach + 0.25),
        gap=(0.35, 0.2),
    )
    ranges: list[Floats] = []
    for number, condition in enumerate(solved.conditions):
        look = style.condition_style(number)
        pairs = solved.get(condition, mode)
        if pairs:
            curve = _curve(pairs, [r.lateral_ratio for _, r in pairs])
            place = number / len(solved.conditions)
            _draw_curve(
                axes[0], curve, look, place=place, band=len(pairs) > 1, among=len(solved.conditions)
            )
            ranges += [curve.low, curve.high]
            known = curve.mean[np.isfinite(curve.mean)]
            if known.size:
                middle = float(known.mean())
                axes[1].errorbar(
                    number,
                    middle,
                    yerr=[[middle - known.min()], [known.max() - middle]],
                    fmt=look["marker"],
                    color=look["color"],
                    elinewidth=1.2,
                    markersize=5.0,
                )
        given = solved.get(condition, "measured") if condition in solved.bars else []
        if given:
            ratio = np.array([given[0][1].lateral.mean_ratio])
            axes[1].plot(number, ratio, linestyle="none", marker="_", markersize=15, color="k")
            ranges.append(ratio)
    for ax in axes:
        ax.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=0)
        _limits(ax, ranges, zero=True)
    lift_axis(axes[0], labelled=True, label=_LIFT_LABEL)
    axes[0].set_ylabel("lateral / vertical force [1]")
    axes[1].tick_params(labelleft=False)
    axes[1].set_xlim(-0.6, len(solved.conditions) - 0.4)
    names.on_x(axes[1])
    axes[1].set_xlabel("condition")
    return figure


_POINT: dict[str, Any] = {"linestyle": "none"}


@_styled
def greatest_load(study: StudyResult) -> Figure:
    """Greatest load along the lift, a panel per lateral mode; the weakest height is marked."""
    solved = _solved(study)
    loads = [2.0 * c.prepared.lift.load_mass for c in study.cases]
    several = bool(solved.people > 1 and min(loads) > 0.0)
    label = "greatest load [study load = 1]" if several else "greatest load, both hands [kg]"
    weak: dict[str, Any] = _POINT | {
        "marker": "o",
        "markersize": 8.0,
        "markerfacecolor": "none",
        "color": style.INK,
    }
    note = "Ring: weakest height of the line."
    if several:
        note += " Dotted: the load of the study."
    curves = {
        (mode, condition): _load_curve(solved.get(condition, mode), per_load=several)
        for mode in solved.modes
        for condition in solved.conditions
    }
    marks = solved.marks()
    marks.keys("greatest_load", solved.conditions)
    low, high, cut = _load_limits([c.mean for c in curves.values() if c is not None])
    if cut:
        note += " Lines are cut off at the top to keep the weak zones readable."
    figure, axes = sheet(
        len(solved.modes),
        len(solved.modes),
        panel=(2.6, 2.7),
        title=f"Greatest load that the limb can hold, {solved.who}",
        note=note + solved.band + marks.note(),
        panel_titles=[_mode_title(solved, m) for m in solved.modes],
        legend=[*_condition_handles(solved, solved.conditions), ("weakest height", weak)],
        gap=(0.25, 0.0),
    )
    for ax, mode in zip(axes, solved.modes, strict=True):
        for number, condition in enumerate(solved.conditions):
            look = style.condition_style(number)
            curve = curves[mode, condition]
            if curve is None:
                continue
            place = number / len(solved.conditions)
            _draw_curve(
                ax, curve, look, place=place, band=solved.people > 1, among=len(solved.conditions)
            )
            if np.isfinite(curve.mean).any():
                at = int(np.nanargmin(curve.mean))
                ring = weak | {"color": look["color"]}
                ax.plot(curve.lift[at], curve.mean[at], clip_on=False, **ring)
        if several:
            ax.axhline(1.0, color=style.FAINT, linewidth=0.9, linestyle=":")
        ax.set_ylim(low, high)
    finish(axes, len(axes), label, _LIFT_LABEL)
    return figure


def _load_curve(pairs: list[tuple[Case, LiftResult]], *, per_load: bool) -> _Curve | None:
    """Greatest load [kg, or study load = 1] along the lift."""
    used, values = [], []
    for case, result in pairs:
        if result.greatest is None:
            continue
        line = result.greatest.factor
        values.append(line / (2.0 * case.prepared.lift.load_mass) if per_load else line)
        used.append((case, result))
    return _curve(used, values) if used else None


def _load_limits(means: list[Floats]) -> tuple[float, float, bool]:
    """Limits that show every weak zone, and whether lines are cut at the top."""
    lines = [m[np.isfinite(m)] for m in means if np.isfinite(m).any()]
    if not lines:
        return 0.0, 1.0, False
    weak = np.array([m.min() for m in lines])
    top = max(float(m.max()) for m in lines)
    high = min(1.05 * top, 1.7 * float(weak.max()))
    return min(0.0, 1.1 * float(weak.min())), max(high, 1e-3), high < top


def _head_panels(
    solved: _Solved, heads: Sequence[int], *, title: str, note: str, legend: Handles, pitch: float
) -> tuple[Figure, list[Axes]]:
    """Lay out a panel per condition with the heads from top to bottom."""
    labels = [style.head_label(solved.heads[h]) for h in heads]
    count = len(solved.conditions)
    columns = min(count, 7)
    figure, axes = sheet(
        count,
        columns,
        panel=(1.15, pitch * len(heads) + 0.1),
        title=title,
        note=note,
        panel_titles=[solved.label(c) for c in solved.conditions],
        legend=legend,
        left=max(style.text_width(t, 7.5) for t in labels) + 0.42,
        gap=(0.22, 0.5),
    )
    breaks = _muscle_breaks([solved.heads[h] for h in heads])
    for index, ax in enumerate(axes):
        first = index % columns == 0
        ax.set_yticks(range(len(heads)), labels if first else [])
        ax.set_ylim(len(heads) - 0.4, -0.6)
        ax.tick_params(axis="y", length=0)
        ax.spines["left"].set_visible(False)
        ax.hlines(
            [b - 0.5 for b in breaks],
            0,
            1,
            colors="#d4d4d4",
            lw=0.6,
            transform=ax.get_yaxis_transform(),
        )
        if first:
            ax.set_ylabel("muscle head")
    return figure, axes


_DOTS: dict[str, dict[str, Any]] = {
    mode: look | extra
    for (mode, look), extra in zip(
        style.MODE_STYLES.items(),
        (
            {"linestyle": "none", "markersize": 2.8, "zorder": 5},
            {"linestyle": "none", "markersize": 5.6, "zorder": 4, "markerfacecolor": "none"},
            {"linestyle": "none", "markersize": 5.0, "zorder": 3},
        ),
        strict=True,
    )
}
"""Dots that can still be told apart where they fall together: small and full on top."""


@_styled
def lateral_range(study: StudyResult) -> Figure:
    """Lift-mean activation with the lateral force measured, zero and free, joined by a line.

    A thin bar shows what the posture rule changes.
    """
    solved = _solved(study)
    several = " and the lateral force" if len(solved.modes) > 1 else ""
    heads = solved.working()
    figure, axes = _head_panels(
        solved,
        heads,
        title=f"Lift-mean activation{several}, {solved.who}",
        note=(
            f"Heads whose lift-mean activation exceeds {100 * _WORKING:.0f} % in some condition. "
            "The line joins the treatments of the lateral force."
            + (
                f" Thin bar below: range over the posture rule ({what}), all treatments together."
                if (what := band_note(study))
                else ""
            )
        ),
        legend=[(_mode_title(solved, m), _DOTS[m]) for m in solved.modes],
        pitch=0.19,
    )
    places = np.arange(len(heads))
    for ax, condition in zip(axes, solved.conditions, strict=True):
        modes = solved.modes if condition in solved.bars else ("zero",)
        table = np.array([100.0 * solved.mean_activation(condition, m)[heads] for m in modes])
        known = np.isfinite(table).all(axis=1)
        if known.any():
            low, high = table[known].min(axis=0), table[known].max(axis=0)
            ax.hlines(places, low, high, colors=style.FAINT, lw=1.6, zorder=1)
        bands = [b for m in modes if (b := solved.posture_band(condition, m)) is not None]
        if bands:
            least = 100.0 * np.min([b[0][heads] for b in bands], axis=0)
            most = 100.0 * np.max([b[1][heads] for b in bands], axis=0)
            ax.hlines(places + 0.34, least, most, colors=style.INK, lw=0.7, zorder=1)
        for mode, line in zip(modes, table, strict=True):
            look = _DOTS[mode]
            ax.plot(line, places, clip_on=False, **look)
        ax.set_xlim(-5.0, 105.0)
        ax.set_xticks([0, 50, 100])
        ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        ax.set_xlabel("activation [%]")
    return figure


@_styled
def fibre_length(study: StudyResult) -> Figure:
    """Range of normalised fibre length over the lift, per head and condition."""
    solved = _solved(study)
    heads = range(len(solved.heads))
    legend: Handles = [("shortest to longest along the lift", {"facecolor": "#6f87a8"})]
    if solved.people > 1:
        legend.append(("range over people", {"color": style.INK, "linewidth": 0.9}))
    figure, axes = _head_panels(
        solved,
        heads,
        title=f"Range of fibre length over the lift, {solved.who}",
        note="Fibre length over peak fibre length; the line at 1 is the peak fibre length.",
        legend=legend,
        pitch=0.17,
    )
    places = np.arange(len(solved.heads))
    edges = []
    for ax, condition in zip(axes, solved.conditions, strict=True):
        found = []
        for case, _ in solved.any(condition):
            prepared = case.prepared
            fibre = prepared.state.fibre_length_normalised[prepared.lift.reachable]
            found.append((fibre.min(axis=0), fibre.max(axis=0)))
        table = np.array(found)
        low, high = table.mean(axis=0)
        ax.hlines(places, low, high, colors="#6f87a8", lw=6.5, capstyle="butt")
        least, most = table[:, 0].min(axis=0), table[:, 1].max(axis=0)
        if len(found) > 1:
            ax.hlines(places, least, most, colors=style.INK, lw=0.9)
        ax.axvline(1.0, color="k", linewidth=0.9, linestyle=(0, (3, 2)))
        edges += [least.min(), most.max()]
    low_edge = min(0.4, np.floor(10.0 * min(edges)) / 10.0)
    high_edge = max(1.6, np.ceil(10.0 * max(edges)) / 10.0)
    for ax in axes:
        ax.set_xlim(low_edge, high_edge)
        ax.set_xticks([0.5, 1.0, 1.5])
        ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        ax.set_axisbelow(True)
        ax.set_xlabel("fibre length [1]")
    return figure


@_styled
def ordering(study: StudyResult, *, lateral: str | None = None) -> Figure:
    """Which condition asks more of a head, and in how many people."""
    from momentshare.reading import ordering_table

    solved = _solved(study)
    mode = lateral or solved.main_mode()
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    heads = solved.working()
    names = _Names.of(solved, 1.15)
    ticks = [names.ticks[solved.conditions.index(c)] for c in shown]
    count = len(shown)
    letters = [_letter(i) for i in range(count)]
    if not names.key:
        ticks = [f"{tick}   {letter}" for tick, letter in zip(ticks, letters, strict=True)]
    else:
        letters = ticks
    size = max(0.19 * count, 1.1)
    columns = min(5, len(heads))
    left = max(style.text_width(t, 7.5) for t in ticks) + 0.4
    limited = solved.marks()
    titles = [
        limited.label(h, limited.order_keys(shown, head=h, lateral=mode))
        for h in (solved.heads[k] for k in heads)
    ]
    figure, axes = sheet(
        len(heads),
        columns,
        panel=(size, size),
        title=f"Order of the conditions by lift-mean activation, {solved.lateral(mode)}",
        note=(
            f"Colour: in how many of {solved.people} "
            f"{'person' if solved.people == 1 else 'people'} the condition of the row asks more of "
            "the head than the condition of the column; the number stands where people differ. "
            f"≈: mean difference below {100 * _SLIGHT:.0f} % activation.{names.key}"
            f"{limited.note()}"
        ),
        panel_titles=titles,
        left=left,
        right=0.85,
        gap=(0.2, 0.14),
    )
    table = ordering_table(study)
    table = table[table["lateral"] == mode] if len(table) else table
    index = {c: i for i, c in enumerate(shown)}
    position = {solved.heads[h]: i for i, h in enumerate(heads)}
    cells = np.full((len(heads), count, count), np.nan)
    marks: list[tuple[int, int, int, str]] = []
    for entry in table.itertuples(index=False):
        where = position.get(str(entry.head))
        if where is None or entry.other not in index or entry.condition not in index:
            continue
        up, down = index[str(entry.condition)], index[str(entry.other)]
        agree, people = int(entry.people_agreeing), int(entry.people)  # type: ignore[arg-type]
        cells[where, up, down] = agree
        cells[where, down, up] = people - agree
        if float(entry.difference) < _SLIGHT:  # type: ignore[arg-type]
            marks += [(where, up, down, "≈"), (where, down, up, "≈")]
        elif agree < people:
            marks.append((where, up, down, str(agree)))
            marks.append((where, down, up, str(people - agree)))
    image = None
    for ax, block in zip(axes, cells, strict=True):
        image = _cells(ax, block, float(solved.people))
    for where, row, col, text in marks:
        ink = _on_cell(cells[where, row, col] / solved.people)
        axes[where].text(col, row, text, ha="center", va="center", color=ink, fontsize=7)
    for number, ax in enumerate(axes):
        first, last = number % columns == 0, number + columns >= len(axes)
        ax.set_yticks(range(count), ticks if first else [])
        if last:
            ax.set_xticks(range(count), letters)
            ax.set_xlabel("asks less of the head")
        else:
            ax.set_xticks([])
        if first:
            ax.set_ylabel("asks more of the head")
    _colour_bar(figure, axes[columns - 1], image, "people [count]")
    return figure


_FIGURES: dict[str, Callable[[StudyResult], Figure]] = {
    "activation_by_head": activation_by_head,
    "activation_along_lift": activation_along_lift,
    "moments_along_lift": moments_along_lift,
    "gravity_arms": gravity_arms,
    "lateral_force": lateral_force,
    "greatest_load": greatest_load,
    "lateral_range": lateral_range,
    "fibre_length": fibre_length,
    "ordering": ordering,
}


def _empty(study: StudyResult) -> set[str]:
    """Names of figures that would have nothing to say."""
    solved = _solved(study)
    out = set()
    if len(solved.conditions) < 2:
        out.add("ordering")
    if not solved.bars:
        out.add("lateral_force")
    if len(solved.modes) < 2 and study.band is None:
        out.add("lateral_range")
    return out


def write_figures(
    study: StudyResult,
    writer: Writer,
    *,
    folder: str = "",
    formats: Sequence[str] = ("png", "svg"),
    progress: Callable[[str], None] | None = None,
) -> list[str]:
    """Write every figure of a study that has something to show.

    Parameters
    ----------
    study : StudyResult
    writer : Writer
    folder : str
        What their names begin with, such as ``figures/``.
    formats : sequence of str
        File endings that matplotlib knows; ``png`` and ``svg`` give the same bytes for the
        same study.
    progress : callable, optional
        Called with the name of each figure before it is drawn.

    Returns
    -------
    list of str
        Names of the files, in the order written.
    """
    from momentshare.report.figures.arm.selection import arm_drawings
    from momentshare.report.writing.drawings import write_drawings

    skipped, before = _empty(study), len(writer.names)
    wanted: dict[str, Callable[[], Figure]] = {
        name: partial(make, study) for name, make in _FIGURES.items() if name not in skipped
    }
    wanted |= arm_drawings(study)
    write_drawings(
        writer,
        {f"{folder}{name}": make for name, make in wanted.items()},
        [c.name for c in study.study.file.condition],
        formats=formats,
        progress=progress,
    )
    return list(writer.names[before:])
