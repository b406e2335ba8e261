"""Write the results of a study into a run folder."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

from momentshare import reading
from momentshare.files import FIGURES, RunFolder, as_run_folder
from momentshare.files.manifest import MANIFEST
from momentshare.limits import HEAD_QUANTITIES, lift_kinds, with_limits
from momentshare.report.page.document import render
from momentshare.report.page.study import PICTURED, study_page
from momentshare.report.text.factor_statements import factor_verdicts
from momentshare.report.text.null_orders import with_null_limbs
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.writing.citations import citations, run_keys
from momentshare.report.writing.record import run_record
from momentshare.report.writing.study_figures import figures_ahead
from momentshare.report.writing.study_folder import (
    COMPARE,
    FRAME_TABLE,
    RECORD,
    REPORT,
    SOURCES,
    TABLES,
    VERDICTS,
    folder_options,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    import pandas as pd

    from momentshare.files import Writer
    from momentshare.report.writing.study_figures import StudyFigures
    from momentshare.study import StudyResult

__all__ = ["EFFECTS", "write_results"]

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
    FRAME_TABLE: tuple(HEAD_QUANTITIES),
}
"""File → the quantities in it that a limb may not support; such tables get the column ``limit``."""

EFFECTS = ("effects_heads.csv", "effects_conditions.csv")
"""Files of the effects of modelling choices."""

FACTOR_VERDICTS = "factor_verdicts.csv"
"""Levels of the factors, judged; of studies that state factors."""


def write_results(
    study: StudyResult,
    folder: Path | RunFolder,
    *,
    figures: bool = True,
    effects: tuple[pd.DataFrame, pd.DataFrame] | None = None,
    null: pd.DataFrame | None = None,
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
    null : DataFrame, optional
        What null limbs give of each order of ``verdicts.csv``, from
        :func:`momentshare.validation.null_orders.null_agreement`.
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
        verdicts = with_null_limbs(verdict_table(study), null)
        _write_all(
            study,
            writer,
            verdicts,
            figures=figures,
            effects=effects,
            begun=begun,
            progress=progress,
        )
    return sorted(writer.names)


def _write_all(
    study: StudyResult,
    writer: Writer,
    verdicts: pd.DataFrame,
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

    def write_tables() -> None:
        say("tables")
        makers: dict[str, Callable[[StudyResult], pd.DataFrame]]
        makers = {name: getattr(reading, maker) for name, maker in TABLES.items()}
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
        writer.parquet_blocks(FRAME_TABLE, (limited(FRAME_TABLE, t) for t in frames))

    def report(pictures: Mapping[str, bytes]) -> str:
        say("report")
        return render(study_page(study, verdicts, pictures))

    if figures:
        with nullcontext(begun) if begun else figures_ahead() as drawings:
            drawings.begin(study)
            write_tables()
            say("figures")
            page = report(drawings.pictures(PICTURED))
            say("figures")
            drawings.write(writer)
    else:
        write_tables()
        page = report({})
    writer.text(REPORT, page)
    cited = citations(study.model, run_keys(study.model, study.study.file.settings.curves))
    writer.text(SOURCES, cited.bibtex())
    writer.json(RECORD, run_record(study, [*writer.names, RECORD, MANIFEST]))
