"""Tables about a limb: what a fit changed, and published values beside the model's."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
from rich.markup import escape
from rich.table import Table

from momentshare.calibration.write import target_table
from momentshare.report.terminal import print_cautions
from momentshare.validation.table import validation_record

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from rich.console import Console

    from momentshare.calibration import Calibration
    from momentshare.model import Model

__all__ = ["print_calibration", "print_validation", "write_validation"]


def print_calibration(console: Console, fit: Calibration) -> None:
    """Every target before and after, then how many lie in their band."""
    data = target_table(fit)
    table = Table(title="Targets before and after the fit", title_justify="left")
    for name in ("target", "use", "published", "band", "before", "after", "in band"):
        table.add_column(name, justify="left" if name in {"target", "use"} else "right")
    for row in data.to_dict(orient="records"):
        table.add_row(
            escape(row["id"]),
            row["use"],
            f"{row['published']} {row['unit']}",
            f"{row['low']:.4g} to {row['high']:.4g}",
            f"{row['before']:.3g}",
            f"{row['after']:.3g}",
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
    """Misses first, then the rest; calibration rows marked."""
    table = Table(
        title=f"Published values beside {model.name} {model.version}: misses first",
        title_justify="left",
    )
    for name, justify in (
        ("quantity", "left"),
        ("posture", "left"),
        ("published", "right"),
        ("band", "right"),
        ("model", "right"),
        ("in band", "left"),
        ("known", "left"),
        ("used for", "left"),
        ("source", "left"),
    ):
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    for row in data.to_dict(orient="records"):
        table.add_row(
            escape(row["quantity"]),
            row["posture"],
            row["published"],
            f"{row['low']:.3g} to {row['high']:.3g} {row['unit']}",
            f"{row['model']:.3g}",
            "yes" if row["in_band"] else "MISS",
            row["known"],
            row["use"],
            row["source"],
        )
    console.print(table)
    judged = data[data["use"] == "validation"]
    for known, part in judged.groupby("known", sort=False):
        sense = ~np.isfinite(part["high"]) | part["published"].isin(["sense"])
        console.print(
            f"validation, {known}: {int(part['in_band'].sum())} of {len(part)} in band "
            f"({int(sense.sum())} of them judge a sense or order only)"
        )
    for use, word in (("comparison", "compared, no validation"), ("calibration", "fitted")):
        part = data[data["use"] == use]
        console.print(f"{word}: {int(part['in_band'].sum())} of {len(part)} in band")
    print_cautions(console)


def write_validation(model: Model, data: pd.DataFrame, folder: Path) -> list[str]:
    """Write ``validation.csv`` and ``validation.json``."""
    folder.mkdir(parents=True, exist_ok=True)
    data.to_csv(folder / "validation.csv", index=False, float_format="%.6g", lineterminator="\n")
    text = json.dumps(validation_record(model, data), indent=2, ensure_ascii=False)
    (folder / "validation.json").write_text(text + "\n", encoding="utf-8")
    return ["validation.csv", "validation.json"]
