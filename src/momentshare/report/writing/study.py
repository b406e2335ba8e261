"""Write the results of a study into a run folder."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

from momentshare import reading
from momentshare.files import FIGURES, RunFolder, as_run_folder
from momentshare.files.manifest import MANIFEST
from momentshare.limits import HEAD_QUANTITIES, lift_kinds, with_limits
from momentshare.report.page.document import render
from momentshare.report.page.study import PICTURED, study_page
from momentshare.report.text.factor_statements import factor_verdicts
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.writing.citations import citations, run_keys
from momentshare.report.writing.record import run_record
from momentshare.report.writing.study_figures import figures_ahead
from momentshare.runs.block import FRAMES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pandas as pd

    from momentshare.cohort.schema import CohortStudy
    from momentshare.files import Writer
    from momentshare.model import Model
    from momentshare.report.writing.study_figures import StudyFigures
    from momentshare.study import Study, StudyResult

__all__ = [
    "COMPARE",
    "EFFECTS",
    "RESULTS",
    "folder_options",
    "is_long",
    "study_identity",
    "write_results",
]

COMPARE = "compare"
"""Command whose folders hold the results of a study."""

_RECORD = "run.json"
_SOURCES = "sources.bib"

_TABLES: dict[str, Callable[[StudyResult], pd.DataFrame]] = {
    "heads.csv": reading.head_table,
    "heads_by_person.csv": reading.head_table_by_person,
    "moments.csv": reading.moment_table,
    "loads.csv": reading.load_table,
    "conditions.csv": reading.condition_table,
    "certificates.csv": reading.certificate_table,
    "postures.csv": reading.posture_table,
    "ratios.csv": reading.ratio_table,
    "ordering.csv": reading.ordering_table,
    "glenoid.csv": reading.glenoid_table,
}

_LONG = {"moments.csv", "loads.csv", "certificates.csv", "postures.csv", "glenoid.csv"}
"""Tables with rows for every frame, written case by case."""

_HEADS = ("activation", "force", "moment_share", "fibre_length")
_LIFT = ("greatest_load", "weak_height", "lateral_ratio", "contact")

_SHOWN: dict[str, tuple[str, ...]] = {
    "heads.csv": _HEADS,
    "heads_by_person.csv": _HEADS,
    "moments.csv": ("lateral_ratio",),
    "loads.csv": _LIFT[:2],
    "conditions.csv": _LIFT,
    "certificates.csv": ("contact",),
    "ratios.csv": _HEADS[:2],
    "ordering.csv": _HEADS[:1],
    "glenoid.csv": ("contact",),
    "glenoid_heads.csv": _HEADS[:1],
    "effects_heads.csv": _HEADS[:2],
    "effects_conditions.csv": _LIFT,
    "frames.parquet": tuple(HEAD_QUANTITIES),
}
"""File → the quantities in it that a limb may not support; such tables get the column ``limit``."""

EFFECTS = ("effects_heads.csv", "effects_conditions.csv")
"""Files of the effects of modelling choices."""

VERDICTS = "verdicts.csv"
"""Orders of two conditions, with verdicts."""

FACTOR_VERDICTS = "factor_verdicts.csv"
"""Levels of the factors, judged; of studies that state factors."""

REPORT = "report.html"
"""The main page."""

RESULTS = (*_TABLES, VERDICTS, "frames.parquet", REPORT, _SOURCES, _RECORD)
"""Files that every study yields."""


def study_identity(study: Study | CohortStudy, model: Model | None = None) -> dict[str, Any]:
    """Identify a study, or part of one, for the manifest of its folder."""
    found = {
        "title": study.title,
        "digest": study.digest,
        "people": [p.name for p in study.file.person],
        "conditions": [c.name for c in study.file.condition],
        "model": study.file.model,
    }
    return found if model is None else found | {"model_digest": model.digest}


_ROW_BYTES = 160
"""Bytes of all results over the rows of ``frames.parquet`` (the demo: 24 MB and 151,164 rows)."""

_FIGURES = 5_000_000
"""Bytes that a small study writes (one person in two conditions: 4.4 MB)."""


_SHELF_BYTES = (230, 110)
"""Bytes of all that is solved, a frame and head: once, and for each treatment of the lateral force
(two treatments within the glenoid's limit: 380)."""


def is_long(study: Study) -> bool:
    """Whether what is solved of a study is better laid aside than held in memory."""
    return _frames(study) > FRAMES


def _frames(study: Study) -> int:
    return len(study.file.person) * len(study.file.condition) * study.file.settings.frames


def folder_options(study: Study, model: Model) -> dict[str, Any]:
    """Arguments for the folder of a study's results; see :func:`momentshare.files.run_folder`."""
    rows, ways = _frames(study) * len(model.heads), len(study.file.settings.lateral)
    once, each = _SHELF_BYTES if is_long(study) else (0, 0)
    return {
        "study": study_identity(study, model),
        "names": RESULTS,
        "room": (once + (each + _ROW_BYTES) * ways) * rows + _FIGURES,
    }


def write_results(
    study: StudyResult,
    folder: Path | RunFolder,
    *,
    figures: bool = True,
    effects: tuple[pd.DataFrame, pd.DataFrame] | None = None,
    begun: StudyFigures | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[str]:
    """Write tables, figures and the record of a run, all or nothing.

    Parameters
    ----------
    study : StudyResult
    folder : Path or RunFolder
    figures : bool
        If false, figures written by an earlier run of the same study stay.
    effects : pair of DataFrame, optional
        Effect of each modelling choice, from :func:`momentshare.reading.effects.effect_tables`.
    begun : StudyFigures, optional
        What draws the figures, if it is at work already.
    progress : callable, optional
        Called with what is written next.

    Returns
    -------
    list of str
        Names of the files written.
    """
    with (
        as_run_folder(folder, COMPARE, **folder_options(study.study, study.model)) as run,
        run.results(leave=() if figures else FIGURES) as writer,
    ):
        _write_all(study, writer, figures=figures, effects=effects, begun=begun, progress=progress)
    return sorted(writer.names)


def _write_all(
    study: StudyResult,
    writer: Writer,
    *,
    figures: bool,
    effects: tuple[pd.DataFrame, pd.DataFrame] | None,
    begun: StudyFigures | None,
    progress: Callable[[str], None] | None,
) -> None:
    def say(what: str) -> None:
        if progress is not None:
            progress(what)

    kinds = lift_kinds(study.study.file.condition)

    def limited(name: str, table: pd.DataFrame) -> pd.DataFrame:
        shown = _SHOWN.get(name)
        return with_limits(table, study.model.limits, kinds, *shown) if shown else table

    verdicts = verdict_table(study)

    def write_tables() -> None:
        say("tables")
        makers = dict(_TABLES)
        if study.study.file.settings.glenoid_constraint:
            makers["glenoid_heads.csv"] = reading.glenoid_head_table
        for name, make in makers.items():
            if name in _LONG:
                blocks = (limited(name, make(one)) for one in study.parts())
                writer.csv_blocks(name, blocks)
            else:
                writer.csv(name, limited(name, make(study)))
            study.release()
        for name, table in zip(EFFECTS, effects or (), strict=False):
            writer.csv(name, limited(name, table))
        writer.csv(VERDICTS, verdicts)
        if study.study.factors.names:
            writer.csv(FACTOR_VERDICTS, factor_verdicts(study.study.factors, verdicts))
        frames = reading.frame_blocks(study)
        writer.parquet_blocks("frames.parquet", (limited("frames.parquet", t) for t in frames))

    if figures:
        with nullcontext(begun) if begun else figures_ahead() as drawings:
            drawings.begin(study)
            write_tables()
            say("figures")
            drawings.write(writer)
    else:
        write_tables()
    say("report")
    pictures = {
        name: (writer.folder / place).read_bytes()
        for name in PICTURED
        if (place := f"figures/{name}.png") in writer.names
    }
    writer.text(REPORT, render(study_page(study, verdicts, pictures)))
    cited = citations(study.model, run_keys(study.model, study.study.file.settings.curves))
    writer.text(_SOURCES, cited.bibtex())
    writer.json(_RECORD, run_record(study, [*writer.names, _RECORD, MANIFEST]))
