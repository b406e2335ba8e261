"""Tables about a limb: what a fit changed, and published values beside the model's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.markup import escape
from rich.table import Table

from momentshare.calibration.write import target_table
from momentshare.report.text.terminal import print_cautions
from momentshare.text import percent_text
from momentshare.validation.agreement import (
    AGREEMENT_FILE,
    agreement_markdown,
    agreement_rows,
    agreement_table,
)
from momentshare.validation.limits import limit_outcomes, out_of_date
from momentshare.validation.scores import (
    KIND_NAMES,
    score_rows,
    scores,
    scores_by_source,
    scores_markdown,
)
from momentshare.validation.table import posture_words, quantity_words, told_rows, validation_record
from momentshare.validation.terms import published_words, unit_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from rich.console import Console

    from momentshare.calibration import Calibration
    from momentshare.files import Writer
    from momentshare.model import Model

__all__ = ["print_calibration", "print_validation", "write_validation"]


def print_calibration(console: Console, fit: Calibration) -> None:
    """Rows that come into band, fall out or are missed, then how many lie in their band."""
    data = target_table(fit)
    was, now = data["in_band_before"].astype(bool), data["in_band_after"].astype(bool)
    shown = (was != now) | ((data["use"] == "calibration") & ~now)
    title = (
        f"Rows that come into band or fall out, and rows of the fit that it misses: "
        f"{int(shown.sum())} of {len(data)}"
    )
    table = Table(title=title, title_justify="left")
    words = ("quantity", "posture", "use")
    for name in (*words, "published", "band", "before", "after", "unit", "in band"):
        left = name in {*words, "unit"}
        table.add_column(name, justify="left" if left else "right", overflow="fold")
    for row, target, told in zip(
        data.to_dict(orient="records"), fit.targets, shown.tolist(), strict=True
    ):
        if not told:
            continue
        table.add_row(
            escape(quantity_words(target)),
            escape(posture_words(target)),
            row["use"],
            published_words(row["published"]),
            f"{row['low']:.4g} to {row['high']:.4g}" if target.kind == "number" else "",
            f"{row['before']:.3g}",
            f"{row['after']:.3g}",
            unit_words(row["unit"]),
            " → ".join("yes" if row[f"in_band_{when}"] else "no" for when in ("before", "after")),
        )
    console.print(table)
    for use in ("calibration", "validation", "comparison"):
        part = data[data["use"] == use]
        console.print(
            f"{use}: {int(part['in_band_before'].sum())} → {int(part['in_band_after'].sum())} "
            f"of {len(part)} in band"
        )
    console.print(
        f"cost {fit.cost_before:.2f} → {fit.cost_after:.2f} in {fit.evaluations} evaluations; "
        "rows used for the fit never count as validation"
    )


def print_validation(console: Console, model: Model, data: pd.DataFrame) -> None:
    """Misses first, then the scores with those of the null limb, then uninformative rows."""
    judged = data[data["use"] == "validation"]
    misses = judged[~judged["right"]].sort_values("telling", kind="stable")
    title = f"Missed by {model.name} {model.version}: {len(misses)}"
    _print_misses(console, title, told_rows(misses, model.references))
    _print_rows(console, "Right, kind by kind", score_rows(scores(judged)))
    agreed = agreement_rows(data)
    if agreed:
        _print_rows(console, "Right, by how many drawn limbs agree", agreed)
    silent = judged[~judged["telling"]]
    right = silent[silent["right"]]
    if len(right):
        console.print(
            f"{len(right)} rows that are right prove nothing, since nine of ten null limbs get "
            f"them "
            "right too: "
            + ", ".join(
                f"{int((right['kind'] == k).sum())} {name}" for k, name in KIND_NAMES.items()
            )
            + "."
        )
    if len(silent) > len(right):
        console.print(
            f"{len(silent) - len(right)} rows are missed that nine of ten null limbs get right; "
            "they come first above."
        )
    without = int(judged["null_right"].isna().sum())
    if without:
        console.print(
            f"{without} rows have no null limb to compare with; --null-limbs 20 computes it."
        )
    for use, word in (
        ("comparison", "compared only (recalled, practice, or seen while a site was placed)"),
        ("calibration", "fitted"),
    ):
        part = data[data["use"] == use]
        console.print(f"{word}: {int(part['right'].sum())} of {len(part)} right")
    _print_limits(console, model, data)
    print_cautions(console)


def _print_limits(console: Console, model: Model, data: pd.DataFrame) -> None:
    """Print what the limb does not support, the published rows behind it, and their outcome."""
    outcomes = limit_outcomes(model.limits, data)
    if outcomes.empty:
        console.print("The limb states no limits.")
        return
    table = Table(title=f"What {model.name} does not support", title_justify="left")
    for name in ("limit", "what", "why", "published rows missed", "published rows right"):
        table.add_column(name, overflow="fold")
    for key, part in outcomes.groupby("limit", sort=False):
        known = part[part["target"] != ""]
        missed, right = (known.loc[known["right"] == side, "target"] for side in (False, True))
        table.add_row(
            str(key),
            escape(part["title"].iloc[0]),
            escape(part["reason"].iloc[0]),
            "\n".join(missed) if len(known) else "no published row",
            "\n".join(right),
        )
    console.print(table)
    for key in out_of_date(outcomes):
        console.print(
            f"[bold]Possibly out of date[/bold] limit {key}: every published row behind it is right"
        )


def _print_misses(console: Console, title: str, misses: pd.DataFrame) -> None:
    table = Table(title=title, title_justify="left")
    for name, justify in (
        ("kind", "left"),
        ("quantity", "left"),
        ("where", "left"),
        ("published", "right"),
        ("band", "right"),
        ("limb", "right"),
        ("null limb right", "right"),
        ("drawn limbs right", "right"),
        ("limit", "left"),
        ("known", "left"),
        ("source", "left"),
    ):
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    for row in misses.to_dict(orient="records"):
        number = row["kind"] == "number"
        table.add_row(
            row["kind"],
            escape(row["quantity"]),
            escape(row["posture"]),
            row["published"],
            f"{row['low']:.3g} to {row['high']:.3g} {row['unit']}".rstrip() if number else "",
            row["model"],
            percent_text(row["null_right"]),
            percent_text(row["drawn_right"]),
            row["limit"],
            row["known"],
            row["source"],
        )
    console.print(table)


def _print_rows(console: Console, title: str, rows: Sequence[Mapping[str, str]]) -> None:
    table = Table(title=title, title_justify="left")
    for name in rows[0] if rows else ():
        left = name in {"sources", "judged", "drawn limbs that agree"}
        table.add_column(name, justify="left" if left else "right", overflow="fold")
    for row in rows:
        table.add_row(*row.values())
    console.print(table)


def write_validation(model: Model, data: pd.DataFrame, writer: Writer) -> list[str]:
    """Write the table, its record, the scores, and the scores source by source."""
    before = len(writer.names)
    writer.csv("validation.csv", data, "%.6g")
    writer.json("validation.json", validation_record(model, data))
    writer.text("scores.md", scores_markdown(scores(data)))
    if agreed := agreement_markdown(data):
        writer.text("agreement.md", agreed)
        writer.csv(AGREEMENT_FILE, agreement_table(data))
    writer.csv("scores_by_source.csv", scores_by_source(data), "%.3g")
    writer.csv("limits.csv", limit_outcomes(model.limits, data), "%.6g")
    return list(writer.names[before:])
