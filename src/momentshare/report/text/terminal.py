"""The summary that the command line prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.markup import escape
from rich.table import Table

from momentshare import reading
from momentshare.cautions import CAUTIONS
from momentshare.directions import row_named
from momentshare.limits import keys_text, lift_kinds, marked, with_limits
from momentshare.report.text.messages import study_messages
from momentshare.report.text.null_orders import with_null_limbs
from momentshare.report.text.opening import MOST_TOLD, print_opening
from momentshare.report.text.study_opening import study_opening, verdict_table
from momentshare.report.text.verdicts import LIMITED
from momentshare.text import head_label, plain_number, signed_number
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd
    from rich.console import Console

    from momentshare.limits import Limits
    from momentshare.study import StudyResult

__all__ = ["print_cautions", "print_limits", "print_study"]

_SHOWN = 0.05
"""Heads whose lift-mean activation stays below this everywhere are left out of the summary."""

_MAIN_ROWS = ("shoulder_horizontal_adduction", "elbow_extension")
"""Moments that the summary shows."""


def print_study(console: Console, study: StudyResult, null: pd.DataFrame | None = None) -> None:
    """Print what is firm, conditions, activation per head, messages and cautions.

    ``null`` is what null limbs give of each order, if it is known.
    """
    people = len(study.study.file.person)
    word = "person" if people == 1 else "people"
    console.print(f"[bold]{escape(study.study.title)}[/bold] – {people} {word}")
    verdicts = with_null_limbs(verdict_table(study), null)
    print_opening(console, study_opening(study, verdicts))
    keys = [*_print_conditions(console, study), *_print_heads(console, study)]
    _print_findings(console, study)
    if len(verdicts):
        keys += list(verdicts.loc[verdicts["verdict"] == LIMITED, "limit"])
    print_limits(console, study.model.limits, keys)
    print_cautions(console)


def _print_conditions(console: Console, study: StudyResult) -> list[str]:
    """Print a row per condition; return the limits that mark them."""
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
    limits, kinds = study.model.limits, lift_kinds(study.study.file.condition)
    data = reading.condition_table(study)
    seen = []
    names = data["condition"].drop_duplicates()
    told = data[data["condition"].isin(names.iloc[:MOST_TOLD])]
    for (condition, lateral), part in told.groupby(["condition", "lateral"], sort=False):
        marks = [
            keys_text(limits.at(name, kinds=[kinds[str(condition)]], lateral=str(lateral)))
            for name in ("lateral_ratio", "greatest_load", "weak_height")
        ]
        low, high = part["least_lateral_ratio"].min(), part["greatest_lateral_ratio"].max()
        ratio = signed_number(part["mean_lateral_ratio"].mean(), 2)
        if lateral == "free":
            ratio += f" ({signed_number(low, 2)} to {signed_number(high, 2)})"
        has_load = "greatest_load_kg" in part and part["greatest_load_kg"].notna().all()
        table.add_row(
            escape(str(condition)),
            str(lateral),
            marked(ratio, marks[0]),
            *(plain_number(part[f"greatest_{name}_nm"].mean(), 0) for name in _MAIN_ROWS),
            marked(in_kg(part["greatest_load_kg"].mean()), marks[1]) if has_load else "none",
            marked(_span(100 * part["weak_height_fraction"]), marks[2]) if has_load else "–",
        )
        seen += marks if has_load else marks[:1]
    console.print(table)
    if len(names) > MOST_TOLD:
        console.print(f"… and {len(names) - MOST_TOLD:,} more conditions; all are in the tables")
    return seen


def _span(values: pd.Series) -> str:
    """Median, with the range if people differ."""
    low, middle, high = values.min(), values.median(), values.max()
    return f"{middle:.0f}" if high - low < 1.0 else f"{middle:.0f} ({low:.0f} to {high:.0f})"


def print_limits(console: Console, limits: Limits, keys: Iterable[str]) -> None:
    """Explain the keys, a line each."""
    notes = limits.notes(keys)
    if notes:
        console.print("[bold]Limits[/bold]")
    for line in notes:
        console.print(f"  {escape(line)}", highlight=False)


def _print_heads(console: Console, study: StudyResult) -> list[str]:
    """Print the activation of the heads that work; return the limits that mark it."""
    seen: list[str] = []
    kinds = lift_kinds(study.study.file.condition)
    data = with_limits(reading.head_table(study), study.model.limits, kinds, "activation")
    told = data["condition"].drop_duplicates().iloc[:MOST_TOLD]
    for mode in dict.fromkeys(data["lateral"]):
        part = data[(data["lateral"] == mode) & data["condition"].isin(told)]
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
            table.add_row(head_label(str(head)), *(marked(f"{100 * v:.0f}", k) for v, k in cells))
        console.print(table)
        seen += [str(key) for key in np.unique(keys.fillna("").to_numpy(dtype=str))]
    return seen


def _print_findings(console: Console, study: StudyResult) -> None:
    for message in study_messages(study):
        word = f"[bold]{message.word}:[/bold]" if message.word else " "
        console.print(f"{word} {escape(message.text)}")


def print_cautions(console: Console) -> None:
    """Print the cautions that end every report."""
    console.print("[bold]Cautions[/bold]")
    for line in CAUTIONS:
        console.print(f"• {line}", highlight=False)
