"""Write the results of draws: tables, figures, report and ``summary.json``, all or nothing."""

from __future__ import annotations

import json
from functools import partial
from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS
from momentshare.files import FIGURES, as_run_folder
from momentshare.report.figures.uncertainty import DRAWN, leading_heads
from momentshare.report.page.document import render
from momentshare.report.page.uncertainty import uncertainty_page
from momentshare.report.text.draw_verdicts import describe_people, judged_pairs
from momentshare.report.text.uncertainty_opening import ASSUMPTIONS
from momentshare.report.writing.drawings import write_drawings
from momentshare.report.writing.record import versions
from momentshare.uncertainty.layout import FAMILIES
from momentshare.uncertainty.run import COMMAND, folder_options
from momentshare.uncertainty.summary import QUANTILES

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from momentshare.files import RunFolder, Writer
    from momentshare.uncertainty import Summary

__all__ = ["SUMMARY_VERSION", "summary_record", "write_summary"]

SUMMARY_VERSION = 2


def summary_record(found: Summary) -> dict[str, Any]:
    """Build the summary as plain data, ready for JSON; holds no time or place."""
    table = found.intervals
    activation = table[
        (table["measure"] == "mean_activation") & (table["person"] == describe_people(found))
    ]
    record: dict[str, Any] = {
        "version": SUMMARY_VERSION,
        "run": found.plan.manifest(found.model),
        "versions": versions(),
        "families": {name: FAMILIES[name] for name in FAMILIES},
        "assumptions": list(ASSUMPTIONS),
        "quantiles": QUANTILES,
        "failures": _rows(found.failures),
        "mean_activation": _rows(activation.drop(columns="measure")),
        "condition_order": _rows(found.condition_order),
    }
    if found.sensitivity is not None:
        record["ranking"] = _rows(found.sensitivity.overall)
        record["designed_draws_failed"] = found.sensitivity.failed
    record["cautions"] = list(CAUTIONS)
    return record


def _rows(table: pd.DataFrame) -> Any:
    return json.loads(table.to_json(orient="records", double_precision=9))


def write_summary(found: Summary, folder: Path | RunFolder, *, figures: bool = True) -> list[str]:
    """Write tables, ``summary.json`` and figures beside the chunks, all or nothing.

    Parameters
    ----------
    found : Summary
    folder : Path or RunFolder
    figures : bool
        If false, figures written by an earlier run of the same plan stay.

    Returns
    -------
    list of str
        Names of the files written.
    """
    with (
        as_run_folder(folder, COMMAND, **folder_options(found.plan, found.model)) as run,
        run.results(leave=() if figures else FIGURES) as writer,
    ):
        _write_all(found, writer, figures=figures)
    return list(writer.names)


def _write_all(found: Summary, writer: Writer, *, figures: bool) -> None:
    _write_tables(found, writer)
    pictures = _draw(found, writer) if figures else {}
    writer.text("report.html", render(uncertainty_page(found, pictures)))
    writer.json("summary.json", summary_record(found))


def _write_tables(found: Summary, writer: Writer) -> None:
    tables = {
        "intervals.csv": found.intervals,
        "condition_order.csv": found.condition_order,
        "head_order.csv": found.head_order,
        "failures.csv": found.failures,
        "verdicts.csv": judged_pairs(found),
    }
    if len(found.people_and_model):
        tables["people_and_model.csv"] = found.people_and_model
    if found.sensitivity is not None:
        tables["screening.csv"] = found.sensitivity.screening
        tables["ranking.csv"] = found.sensitivity.overall
        if len(found.sensitivity.indices):
            tables["indices.csv"] = found.sensitivity.indices
    for name, table in tables.items():
        writer.csv(name, table)


def _draw(found: Summary, writer: Writer) -> dict[str, bytes]:
    """Draw and write the figures; return name → bytes of the PNG."""
    if not found.intervals["median"].notna().any():
        return {}
    wanted = {"intervals", "head_order"}
    if leading_heads(found):
        wanted.add("leading_heads")
    if found.condition_order["probability"].notna().any():
        wanted.add("condition_order")
    if found.sensitivity is not None and len(found.sensitivity.screening):
        wanted.add("tornado")
    drawings = {name: partial(make, found) for name, make in DRAWN.items() if name in wanted}
    note = found.plan.study.file.note
    return write_drawings(writer, drawings, list(found.plan.conditions), dpi=130, note=note)
