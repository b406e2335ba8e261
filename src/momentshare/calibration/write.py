"""Write the outcome of a fit as ``calibrated.csv`` and as a report."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.calibration.fit import misfit
from momentshare.reading.once import made_once

if TYPE_CHECKING:
    from momentshare.calibration.fit import Calibration
    from momentshare.files import Writer

__all__ = ["CALIBRATED", "calibrated_csv", "number_table", "target_table", "write_calibration"]

CALIBRATED = "calibrated.csv"

_COLUMNS = ("table", "name", "field", "value", "unit", "spread", "source", "kind", "note")


def calibrated_csv(fit: Calibration) -> str:
    """Return the text of ``calibrated.csv``."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for n in fit.numbers:
        fitted = (f"{n.after:g}", n.unit, f"{n.spread:g}", "ownfit", "calibrated")
        writer.writerow((n.table, n.name, n.field, *fitted, f"from {n.before:g}"))
    return out.getvalue()


@made_once
def target_table(fit: Calibration) -> pd.DataFrame:
    """Every target before and after the fit, those used for fitting marked.

    ``misfit_{before,after}`` of those used: distance of the limb from the row in the spreads of the
    fit (:func:`momentshare.calibration.fit.misfit`).
    """
    rows = []
    for target, before, after in zip(fit.targets, fit.before, fit.after, strict=True):
        rows.append(
            {
                "id": target.id,
                "use": target.use,
                "published": target.published,
                "low": target.low,
                "high": target.high,
                "unit": target.unit,
                "before": before,
                "after": after,
                "in_band_before": target.is_right(before),
                "in_band_after": target.is_right(after),
                "source": target.source,
                "known": target.known,
            }
        )
    table = pd.DataFrame(rows)
    used = [k for k, target in enumerate(fit.targets) if target.use == "calibration"]
    for name, values in (("misfit_before", fit.before), ("misfit_after", fit.after)):
        table[name] = np.nan
        table.loc[used, name] = misfit([fit.targets[k] for k in used], values[used])
    return table


def number_table(fit: Calibration) -> pd.DataFrame:
    """Every fitted number before and after, in the unit of its table, and how far it moved."""
    columns = ["table", "name", "field", "unit", "before", "after", "moved", "at_bound"]
    table = pd.DataFrame([asdict(number) for number in fit.numbers], columns=columns)
    return table.rename(columns={"moved": "moved_spreads"})


def write_calibration(fit: Calibration, writer: Writer) -> list[str]:
    """Write ``calibrated.csv``, ``calibration_report.csv`` and ``calibration_numbers.csv``.

    Returns the names of the files.
    """
    writer.text(CALIBRATED, calibrated_csv(fit))
    writer.csv("calibration_report.csv", target_table(fit), "%.6g")
    writer.csv("calibration_numbers.csv", number_table(fit), "%.6g")
    return sorted(writer.names)
