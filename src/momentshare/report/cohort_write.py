"""Write a cohort into its folder: tables, figures, page, sources, record; all or nothing."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.report.cohort_figures import cohort_figures, trial_checks_figure
from momentshare.report.cohort_methods import cohort_citations, methods_text, people_rows
from momentshare.report.cohort_page import cohort_page
from momentshare.report.page import render
from momentshare.report.record import RECORD_VERSION, versions
from momentshare.report.write import staged
from momentshare.text import write_csv

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from matplotlib.figure import Figure

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.published import PublishedResult

__all__ = ["RECORD", "write_cohort"]

RECORD = "run.json"

_DIGITS = "%.7g"
_LONG = ("frames", "moments", "motion", "emg", "glenoid")
"""Tables that are kept as Parquet, being long."""

_SHOWN_TRIALS = 6
"""Trials whose checks are drawn on the page, the worst first; all are in figures/."""


def write_cohort(
    result: CohortResult,
    summary: CohortSummary,
    published: Sequence[PublishedResult],
    *,
    figures: bool = True,
    progress: Callable[[str], None] | None = None,
) -> list[str]:
    """Write what a cohort found into its folder.

    Returns
    -------
    list of str
        Names of the files written.
    """

    def say(what: str) -> None:
        if progress is not None:
            progress(what)

    with staged(result.folder, RECORD) as (partial, names):
        say("tables")
        for name, table in summary.tables.items():
            write_csv(table, partial / f"{name}.csv", _DIGITS)
        for name in _LONG:
            table = result.table(name)
            if not table.empty:
                table.to_parquet(partial / f"{name}.parquet", index=False)
        for index, found in enumerate(published, start=1):
            for part in ("heads", "orderings", "shortfalls"):
                place = partial / f"published_{index}_{part}.csv"
                write_csv(getattr(found, part), place, _DIGITS)
        pictures: dict[str, bytes] = {}
        trial_pictures: dict[int, bytes] = {}
        if figures:
            pictures, trial_pictures = _draw(result, summary, partial / "figures", say)
        say("page")
        page = cohort_page(result, summary, published, pictures, trial_pictures)
        (partial / "report.html").write_text(render(page), encoding="utf-8")
        sources = cohort_citations(result).bibtex()
        (partial / "sources.bib").write_text(sources, encoding="utf-8")
        files = [str(p.relative_to(partial)) for p in partial.rglob("*") if p.is_file()]
        record = _record(result, summary, [*files, RECORD])
        text = json.dumps(record, indent=2, ensure_ascii=False, default=float)
        (partial / RECORD).write_text(text + "\n", encoding="utf-8")
    return names


def _draw(
    result: CohortResult, summary: CohortSummary, folder: Path, say: Callable[[str], None]
) -> tuple[dict[str, bytes], dict[int, bytes]]:
    import matplotlib as mpl

    from momentshare.report import style

    folder.mkdir(parents=True)
    file = result.study.file
    shown = [*(c.name for c in file.condition), *(p.name for p in file.person)]
    pictures: dict[str, bytes] = {}
    trial_pictures: dict[int, bytes] = {}
    look: Any = style.settings(shown)
    with mpl.rc_context(look), style.quiet():
        for name, make in cohort_figures(summary).items():
            say(name)
            pictures[name] = _save(make(), folder, name)
        curves = result.table("check_curves", all_solved=True)
        checks = summary.tables.get("checks")
        worst = {"fail": 0, "warn": 1, "pass": 2, "not possible": 3}
        order = sorted(result.solved, key=lambda o: (worst[o.verdict], o.number))
        for place, outcome in enumerate(order):
            if checks is None or curves.empty:
                break
            mine = curves[curves["trial"] == outcome.number]
            if mine.empty:
                continue
            say(f"checks of trial {outcome.number}")
            figure = trial_checks_figure(
                mine,
                checks[checks["trial"] == outcome.number],
                f"Trial {outcome.number}: {outcome.person}, {outcome.condition}",
            )
            image = _save(figure, folder, f"checks_trial_{outcome.number:04d}", svg=False)
            if place < _SHOWN_TRIALS and (outcome.verdict in {"fail", "warn"} or place == 0):
                trial_pictures[outcome.number] = image
    return pictures, trial_pictures


def _save(figure: Figure, folder: Path, name: str, *, svg: bool = True) -> bytes:
    place = folder / f"{name}.png"
    figure.savefig(place, dpi=130, metadata={"Software": None})
    if svg:
        figure.savefig(folder / f"{name}.svg", metadata={"Date": None})
    return place.read_bytes()


def _record(result: CohortResult, summary: CohortSummary, files: list[str]) -> dict[str, Any]:
    model, file = result.model, result.study.file
    return {
        "record_version": RECORD_VERSION,
        "title": file.title,
        "note": file.note,
        "study_digest": result.study.digest,
        "versions": versions(),
        "model": {"name": model.name, "version": model.version, "digest": model.digest},
        "settings": file.settings.model_dump(mode="json"),
        "processing": file.processing.model_dump(mode="json"),
        "emg": file.emg.model_dump(mode="json"),
        "statistics": file.statistics.model_dump(mode="json"),
        "people": people_rows(result),
        "conditions": [c.model_dump(mode="json", exclude_none=True) for c in file.condition],
        "layouts": [x.model_dump(mode="json", exclude_none=True) for x in file.layout],
        "shown_lateral_mode": summary.mode,
        "methods": methods_text(result),
        "trials": [
            {"trial": o.number, "person": o.person, "condition": o.condition, "file": o.file}
            | {"fault": o.fault}
            | {k: v for k, v in o.record.items() if k not in {"tables", "trial", "file", "fault"}}
            for o in result.outcomes
        ],
        **cohort_citations(result).to_dict(),
        "files": sorted(files),
        "limits": [*LIMITS, *model.limits],
        "cautions": list(CAUTIONS),
    }
