"""The summary that the command line prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.markup import escape
from rich.table import Table

from momentshare import reading
from momentshare.cautions import CAUTIONS
from momentshare.directions import direction_of, row_named
from momentshare.limits import keys_text, kinds_of, marked, with_limits
from momentshare.report.text.bar_path import default_path_sentences
from momentshare.report.text.posture_band import band_sentences
from momentshare.sharing import Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd
    from rich.console import Console

    from momentshare.limits import Limits
    from momentshare.runs import CaseSet
    from momentshare.study import StudyResult

__all__ = ["bound_sentences", "print_cautions", "print_limits", "print_study"]

_SHOWN = 0.05
"""Heads whose lift-mean activation stays below this everywhere are left out of the summary."""

_MAIN_ROWS = ("shoulder_horizontal_adduction", "elbow_extension")
"""Moments that the summary shows."""


def print_study(console: Console, study: StudyResult) -> None:
    """Print conditions, activation per head, findings and cautions."""
    people = len(study.study.file.person)
    word = "person" if people == 1 else "people"
    console.print(f"[bold]{escape(study.study.title)}[/bold] – {people} {word}")
    _print_conditions(console, study)
    _print_heads(console, study)
    _print_findings(console, study)
    print_cautions(console)


def _print_conditions(console: Console, study: StudyResult) -> None:
    table = Table(
        title="Conditions: greatest moments along the lift, means over people",
        title_justify="left",
    )
    for name, justify in (
        ("condition", "left"),
        ("lateral force", "left"),
        ("ratio out/vertical", "right"),
        *((f"{row_named(name).positive.words} [N·m]", "right") for name in _MAIN_ROWS),
        ("greatest load [kg]", "right"),
        ("weakest at [% of lift]", "right"),
    ):
        table.add_column(escape(name), justify=justify)  # type: ignore[arg-type]
    limits, kinds = study.model.limits, kinds_of(study.study.file.condition)
    data = reading.condition_table(study)
    seen = []
    for (condition, lateral), part in data.groupby(["condition", "lateral"], sort=False):
        marks = [
            keys_text(limits.at(name, kinds=[kinds[str(condition)]], lateral=str(lateral)))
            for name in ("lateral_ratio", "greatest_load", "weak_height")
        ]
        low, high = part["least_lateral_ratio"].min(), part["greatest_lateral_ratio"].max()
        ratio = f"{part['mean_lateral_ratio'].mean():+.2f}"
        if lateral == "free":
            ratio += f" ({low:+.2f} to {high:+.2f})"
        has_load = "greatest_load_kg" in part and part["greatest_load_kg"].notna().all()
        table.add_row(
            escape(str(condition)),
            str(lateral),
            marked(ratio, marks[0]),
            *(f"{part[f'greatest_{name}_nm'].mean():.0f}" for name in _MAIN_ROWS),
            marked(f"{part['greatest_load_kg'].mean():.0f}", marks[1]) if has_load else "none",
            marked(_span(100 * part["weak_height_fraction"]), marks[2]) if has_load else "–",
        )
        seen += marks if has_load else marks[:1]
    console.print(table)
    print_limits(console, limits, seen)


def _span(values: pd.Series) -> str:
    """Median, with the range where people differ."""
    low, middle, high = values.min(), values.median(), values.max()
    return f"{middle:.0f}" if high - low < 1.0 else f"{middle:.0f} ({low:.0f} to {high:.0f})"


def print_limits(console: Console, limits: Limits, keys: Iterable[str]) -> None:
    """Say below a table what the keys in it stand for."""
    for line in limits.notes(keys):
        console.print(f"  {escape(line)}", highlight=False)


def _print_heads(console: Console, study: StudyResult) -> None:
    kinds = kinds_of(study.study.file.condition)
    data = with_limits(reading.head_table(study), study.model.limits, kinds, "activation")
    for mode in dict.fromkeys(data["lateral"]):
        part = data[data["lateral"] == mode]
        wide = part.pivot_table(
            index="head", columns="condition", values="mean_activation_mean", sort=False
        )
        wide = wide[wide.max(axis=1) >= _SHOWN]
        table = Table(
            title=f"Activation, lift mean [%], lateral force {mode}", title_justify="left"
        )
        table.add_column("head")
        for condition in wide.columns:
            table.add_column(escape(str(condition)), justify="right")
        keys = part.pivot_table(
            index="head", columns="condition", values="limit", sort=False, aggfunc="first"
        ).reindex(index=wide.index, columns=wide.columns, fill_value="")
        for head, row in wide.iterrows():
            marks = keys.loc[head].fillna("")
            cells = zip(row, marks, strict=True)
            table.add_row(str(head), *(marked(f"{100 * v:.0f}", k) for v, k in cells))
        console.print(table)
        print_limits(console, study.model.limits, np.unique(keys.fillna("").to_numpy(dtype=str)))


def _print_findings(console: Console, study: StudyResult) -> None:
    for refusal in study.refusals:
        who = escape(f"{refusal.person}, {refusal.condition}")
        console.print(f"[bold]Not reachable[/bold] {who}: {escape(refusal.reason)}")
    for case, result in study.pairs():
        reached = case.prepared.lift.reachable
        lost = 0
        if result.greatest is not None:
            lost = int(np.isnan(result.greatest.factor[reached]).sum())
        if lost:
            who = escape(f"{case.person}, {case.condition}")
            console.print(
                f"[bold]No load[/bold] {who}, lateral force {result.lateral.mode}: in {lost} "
                "frames the limb cannot hold its own weight in this posture"
            )
        short = np.flatnonzero(result.sharing.status == Status.SHORTFALL)
        if short.size:
            unmet = np.nan_to_num(np.abs(result.sharing.unmet))
            frame, row = np.unravel_index(int(np.argmax(unmet)), unmet.shape)
            short_of = direction_of(
                result.criterion.rows[row], result.sharing.unmet[frame, row]
            ).words
            fraction = case.prepared.lift.fraction[frame]
            who = escape(f"{case.person}, {case.condition}")
            frames = "1 frame" if short.size == 1 else f"{short.size} frames"
            console.print(
                f"[bold]Too heavy[/bold] {who}, lateral force {result.lateral.mode}: "
                f"in {frames} a moment falls short, worst {short_of} by "
                f"{_amount(unmet[frame, row])} N·m at {100 * fraction:.0f} % of the lift"
            )
    for line in [*default_path_sentences(study), *band_sentences(study)]:
        console.print(f"[bold]Posture[/bold] {escape(line)}")
    for line in bound_sentences(study):
        console.print(f"[bold]Bound[/bold] {escape(line)}")
    for case in study.cases:
        who = escape(f"{case.person}, {case.condition}")
        for breach in case.prepared.lift.breaches:
            console.print(f"[bold]Limit[/bold] {who}: {breach.text()}")
        found, good = case.prepared.paths, case.prepared.lift.reachable
        doubtful = reading.doubtful_heads(found, good)
        if doubtful:
            console.print(
                f"[bold]Path[/bold] {who}: near or beyond the range of its surfaces: "
                f"{', '.join(doubtful)}"
            )
        for note in case.prepared.lift.notes:
            console.print(f"[bold]Note[/bold] {who}: {note}")
    _print_glenoid(console, study)
    uncertified = sum(
        int(np.count_nonzero(r.sharing.status == Status.UNCERTIFIED)) for _, r in study.pairs()
    )
    if uncertified:
        console.print(
            f"[bold]Uncertified[/bold] {uncertified} frames; see certificates.csv before use"
        )


_BOUNDS = {
    "frames_at_lateral_bound": "the lateral force is at its bound (friction or lateral_bounds)",
    "frames_at_couple_bound": "a couple of the hands is at the limit of what a hand can hold",
}
"""Column of the condition table → what its frames have in common."""


def bound_sentences(cases: CaseSet) -> list[str]:
    """Say where a lateral force or a couple of the hands is at its bound."""
    table = reading.condition_table(cases)
    found = []
    for column, what in _BOUNDS.items():
        places = []
        for (condition, lateral), part in table.groupby(["condition", "lateral"], sort=False):
            frames = int((part["frames"] - part["frames_out_of_reach"]).sum())
            if met := int(part[column].sum()):
                places.append(f"{condition}, {lateral}: {met} of {frames} frames")
        if places:
            found.append(f"{what} ({'; '.join(places)})")
    return found


def _amount(value: float) -> str:
    return f"{value:.1f}" if value >= 0.05 else "less than 0.1"


def _print_glenoid(console: Console, study: StudyResult) -> None:
    """Say where the humeral head would pass the stability limits, and what keeping it costs."""
    table = reading.glenoid_table(study)
    free = table[~table["within_limits"]]
    beyond = free[free["share_of_limit"] > 1.0]
    if beyond.empty:
        return
    share = 100.0 * len(beyond) / len(free)
    where = ", ".join(escape(str(c)) for c in dict.fromkeys(beyond["condition"]))
    kept = study.study.file.settings.glenoid_constraint
    console.print(
        f"[bold]Glenoid[/bold] in {share:.0f} % of frames ({where}) the shear would pass the "
        "stability limit"
        + (
            " if nothing held it; every answer keeps within the limit, which changes most:"
            if kept
            else "; a real shoulder would stiffen there; set glenoid_constraint = true under "
            "\\[settings] to see both answers"
        )
    )
    if kept:
        heads = reading.glenoid_head_table(study)
        order = heads["difference"].abs().sort_values(ascending=False).index[:5]
        for row in heads.loc[order].to_dict(orient="records"):
            console.print(
                f"  within the limits: {row['head']}, {escape(row['condition'])}, lateral force "
                f"{row['lateral']}: activation {100 * row['mean_activation']:.0f} → "
                f"{100 * row['mean_activation_within_limits']:.0f} %"
            )


def print_cautions(console: Console) -> None:
    """Print the cautions that end every report."""
    console.print("[bold]Cautions[/bold]")
    for line in CAUTIONS:
        console.print(f"• {line}", highlight=False)
