"""Write a cohort into its folder: tables, figures, page, sources, record; all or nothing."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.cohort.run import COMMAND, folder_options
from momentshare.cohort.trials import read_table
from momentshare.cohort.typical import typical_lifts
from momentshare.files import FIGURES, as_run_folder
from momentshare.files.manifest import MANIFEST
from momentshare.limits import HEAD_QUANTITIES, lift_kinds, with_limits
from momentshare.report.figures.checks import doubtful
from momentshare.report.figures.cohort import cohort_figures, trial_checks_figure
from momentshare.report.figures.cohort_arm import arm_caption, cohort_arm
from momentshare.report.figures.footer import without_emg
from momentshare.report.page.cohort import cohort_page
from momentshare.report.page.document import Block, Paragraph, Picture, render
from momentshare.report.text.cohort_methods import cohort_citations, methods_text, people_rows
from momentshare.report.text.cohort_orders import cohort_factor_verdicts
from momentshare.report.writing.drawings import write_drawings
from momentshare.report.writing.record import RECORD_VERSION, versions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.files import RunFolder, Writer
    from momentshare.published import PublishedResult

__all__ = ["RECORD", "write_cohort"]

RECORD = "run.json"

_LONG = ("frames", "moments", "motion", "emg", "glenoid")
"""Long tables, kept as Parquet."""

_SHOWN_TRIALS = 6
"""Trials whose doubtful checks are drawn on the page, the worst first."""

_DRAWN_TRIALS = 100
"""Trials whose doubtful checks are drawn into figures/, the worst first; a figure takes a third of
a second, and the checks of all trials are in checks.csv."""


def write_cohort(
    result: CohortResult,
    summary: CohortSummary,
    published: Sequence[PublishedResult],
    *,
    folder: RunFolder | None = None,
    figures: bool = True,
    more: Mapping[str, pd.DataFrame] | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[str]:
    """Write what a cohort found into its folder, all or nothing.

    Parameters
    ----------
    result : CohortResult
    summary : CohortSummary
    published : sequence of PublishedResult
    folder : RunFolder, optional
        The folder of the result, if it is already held.
    figures : bool
        If false, figures written by an earlier run of the same study stay; the page has none.
    more : mapping, optional
        Further tables by name, such as those of :func:`momentshare.reading.effects.effect_tables`.
    progress : callable, optional
        Called with the name of what is written next.

    Returns
    -------
    list of str
        Names of the files written.
    """

    def say(what: str) -> None:
        if progress is not None:
            progress(what)

    place = result.folder if folder is None else folder
    with (
        as_run_folder(place, COMMAND, **folder_options(result.study, place)) as run,
        run.results(leave=() if figures else FIGURES) as writer,
    ):
        say("tables")
        for name, table in summary.tables.items():
            writer.csv(f"{name}.csv", table)
        by_factor = cohort_factor_verdicts(summary)
        if len(by_factor):
            writer.csv("factor_verdicts.csv", by_factor)
        for name, table in (more or {}).items():
            writer.csv(f"{name}.csv", table)
        for name in _LONG:
            writer.parquet_parts(f"{name}.parquet", partial(_long_parts, result, name))
        for index, found in enumerate(published, start=1):
            for part in ("heads", "orderings", "shortfalls"):
                writer.csv(f"published_{index}_{part}.csv", getattr(found, part))
        typical = typical_lifts(result, summary)
        writer.csv("typical_lifts.csv", typical)
        pictures: dict[str, bytes] = {}
        trial_pictures: dict[int, bytes] = {}
        arm = None
        if figures:
            pictures, trial_pictures = _draw(result, summary, writer, say)
            say("arm")
            arm = _draw_arm(result, summary, typical, writer)
        say("page")
        page = cohort_page(result, summary, published, pictures, trial_pictures, arm)
        writer.text("report.html", render(page))
        writer.text("sources.bib", cohort_citations(result).bibtex())
        record = _record(result, summary, [*writer.names, RECORD, MANIFEST])
        writer.json(RECORD, record, allow_nan=True)
    return sorted([*writer.names, MANIFEST])


def _long_parts(result: CohortResult, name: str) -> Iterator[pd.DataFrame]:
    """Rows of a long table trial by trial, those of heads with the limits that they meet."""
    kinds = lift_kinds(result.study.file.condition)
    for part in result.table_parts(name):
        if name == "frames":
            yield with_limits(part, result.model.limits, kinds, *HEAD_QUANTITIES)
        else:
            yield part


def _draw(
    result: CohortResult, summary: CohortSummary, writer: Writer, say: Callable[[str], None]
) -> tuple[dict[str, bytes], dict[int, bytes]]:
    """Draw and write all figures; the pictures of the page by name and by trial."""
    file = result.study.file
    shown = [*(c.name for c in file.condition), *(p.name for p in file.person)]
    made = cohort_figures(summary)
    pictures: dict[str, bytes] = {}
    for note, names in _by_note(file.note, made).items():
        pictures |= write_drawings(
            writer, {f"figures/{name}": made[name] for name in names}, shown, dpi=130, note=note,
            progress=lambda name: say(name.removeprefix("figures/")),
        )  # fmt: skip
    pictures = {name: pictures[name] for name in made}
    checks = summary.tables.get("checks")
    drawn: dict[int, bytes] = {}
    if checks is None:
        return pictures, {}
    warned = doubtful(checks)
    order = sorted(result.solved, key=lambda o: (o.verdict != "fail", o.number))
    for outcome in order:
        doubted = warned[warned["trial"] == outcome.number]
        curves = read_table(result.folder, outcome.number, "check_curves")
        if curves.empty or not curves["check"].isin(doubted["check"]).any():
            continue
        say(f"checks of trial {outcome.number}")
        name = f"checks_trial_{outcome.number:04d}"
        make = partial(
            trial_checks_figure,
            curves,
            checks[checks["trial"] == outcome.number],
            f"Trial {outcome.number}: {outcome.person}, {outcome.condition}",
        )
        (picture,) = write_drawings(
            writer,
            {f"figures/{name}": make},
            shown,
            formats=("png",),
            dpi=130,
            note=next(iter(_by_note(file.note, [name]))),
        ).values()
        drawn[outcome.number] = picture
        if len(drawn) == _DRAWN_TRIALS:
            break
    return pictures, dict(list(drawn.items())[:_SHOWN_TRIALS])


def _by_note(note: str, names: Iterable[str]) -> dict[str, list[str]]:
    """Note of the study → figures at whose foot it stands; remarks on EMG stay off the others."""
    plain = without_emg(note)
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(note if name.startswith("emg") else plain, []).append(name)
    return found


def _draw_arm(
    result: CohortResult, summary: CohortSummary, typical: pd.DataFrame, writer: Writer
) -> Block:
    """Draw the arm; where that is not possible, say why."""
    found = cohort_arm(result, summary, typical)
    if isinstance(found, str):
        return Paragraph(text=f"The arm is not drawn: {found}.")
    shown = [*typical["condition"], *typical["person"]]
    (note,) = _by_note(result.study.file.note, ["arm"])
    picture = write_drawings(writer, {"figures/arm": found}, shown, dpi=130, note=note)["arm"]
    caption = arm_caption(typical, summary)
    return Picture(image=picture, alt=caption, caption=caption)


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
        "methods": methods_text(result, summary),
        "trials": [
            {"trial": o.number, "person": o.person, "condition": o.condition, "file": o.file}
            | {"fault": o.fault}
            | {k: v for k, v in o.record.items() if k not in {"tables", "trial", "file", "fault"}}
            for o in result.outcomes
        ],
        **cohort_citations(result).to_dict(),
        "files": sorted(files),
        "limits": [*LIMITS, *model.limits.titles],
        "cautions": list(CAUTIONS),
    }
