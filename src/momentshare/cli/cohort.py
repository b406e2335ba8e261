"""``momentshare cohort``: from a laboratory's files to the tables and figures of a paper."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import Conditions, People, echo, progress_bar

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from rich.console import Console

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.summary import CohortSummary
    from momentshare.files import RunFolder
    from momentshare.published import PublishedResult, PublishedTable
    from momentshare.published.table import PublishedLine

__all__ = ["cohort", "run_and_write"]


def cohort(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="Cohort study file (TOML).")],
    out: Annotated[Path, typer.Option("--out", help="Folder for trials and results.")],
    person: People = None,
    condition: Conditions = None,
    workers: Annotated[
        int | None, typer.Option(help="Number of processes; one per core by default.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="Address of a Dask scheduler, tcp://host:port; its workers see the same files."
        ),
    ] = None,
    effects: Annotated[
        bool,
        typer.Option(
            "--effects",
            help="Also show the effects of passive force, elastic tendon, curves and scapula.",
        ),
    ] = False,
    no_figures: Annotated[
        bool, typer.Option("--no-figures", help="Write tables and the page without figures.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Run a cohort STUDY: trials, checks, heads, statistics, EMG and one HTML page.

    Trials that an earlier run solved and that have not changed are reused. Tables give
    activation as 0 to 1, figures and this summary in per cent.
    """
    run_and_write(
        study, out, chosen=(person or (), condition or ()), workers=workers,
        scheduler=scheduler, effects=effects, figures=not no_figures, quiet=quiet,
    )  # fmt: skip


def run_and_write(
    path: Path,
    out: Path,
    *,
    chosen: tuple[Sequence[str], Sequence[str]] = ((), ()),
    workers: int | None = None,
    scheduler: str | None = None,
    effects: bool = False,
    figures: bool,
    quiet: bool,
) -> None:
    """Run a cohort study file, or the trials of chosen people and conditions, and write it."""
    from momentshare.cli.tables import console, held_folder
    from momentshare.cohort.load import load_cohort
    from momentshare.cohort.run import COMMAND, folder_options
    from momentshare.cohort.summary import summarise_cohort
    from momentshare.report.text.effects import print_effects
    from momentshare.report.writing.cohort import write_cohort

    study = load_cohort(path).only(*chosen)
    screen = console(quiet=quiet)
    read = _read_published(study)  # faults in them show before any trial is solved
    with held_folder(out, COMMAND, **folder_options(study, out)) as run:
        try:
            result = _run(study, run, screen, workers=workers, scheduler=scheduler)
        except KeyboardInterrupt as err:
            echo(str(err) or "stopped", err=True)
            raise typer.Exit(130) from None
        turned: dict[str, pd.DataFrame] = {}
        if effects:
            with screen.status("effects") as status:
                turned = _effects(study, workers, status.update)
        with screen.status("summing up") as status:
            summary = summarise_cohort(
                result,
                workers=workers,
                progress=lambda done, total: status.update(f"summing up {done}/{total}"),
            )
            published = _published(study, result, read)
            files = write_cohort(
                result,
                summary,
                published,
                folder=run,
                figures=figures,
                more=turned,
                progress=lambda what: status.update(f"writing {what}"),
            )
    for front in ("", "published_"):
        if f"{front}effects_heads" in turned:
            heads, lifts = (turned[f"{front}effects_{name}"] for name in ("heads", "conditions"))
            print_effects(screen, (heads, lifts), of="published tables" if front else "")
    _print(screen, result, summary, published)
    if quiet:
        for outcome in result.outcomes:
            if outcome.fault:
                echo(f"skipped {outcome.file}: {outcome.fault}", err=True)
    if not quiet:
        reused = sum(o.reused for o in result.outcomes)
        again = f"; {reused} trials were reused from an earlier run" if reused else ""
        echo(f"Wrote {len(files)} files to {out}{again}. Open {out / 'report.html'}")


def _run(
    study: CohortStudy,
    run: RunFolder,
    screen: Console,
    *,
    workers: int | None,
    scheduler: str | None,
) -> CohortResult:
    from momentshare.cohort.run import run_cohort

    with progress_bar(screen, left=True) as show:
        show(0, len(study.numbers), "trials")
        return run_cohort(study, run, workers=workers, scheduler=scheduler, progress=show)


def _effects(
    study: CohortStudy, workers: int | None, say: Callable[[str], None]
) -> dict[str, pd.DataFrame]:
    """Solve all lifts that count, and published tables, with each modelling choice turned over."""
    from momentshare.cohort.setup import measured_lifts, published_lifts
    from momentshare.reading.effects import effect_tables

    setups = {}
    if study.numbers:
        setups["effects"] = measured_lifts(study, workers=workers).setup
    if study.file.published:
        setups["published_effects"] = published_lifts(study).setup
    found: dict[str, pd.DataFrame] = {}
    for name, setup in setups.items():
        heads, lifts = effect_tables(
            setup, progress=lambda done, total, what: say(f"{done}/{total} {what}")
        )
        found |= {f"{name}_heads": heads, f"{name}_conditions": lifts}
    return found


def _read_published(study: CohortStudy) -> list[PublishedTable]:
    if not study.file.published:
        return []
    from momentshare.cohort.setup import published_table

    tables = [published_table(study, entry.file) for entry in study.file.published]
    out = set(study.conditions_left_out)
    return [
        replace(table, lines=kept) if (kept := _asked_lines(table, out)) else table
        for table in tables
    ]


def _asked_lines(table: PublishedTable, left_out: set[str]) -> tuple[PublishedLine, ...]:
    """Lines of a published table without those of conditions that were not asked for."""
    return tuple(line for line in table.lines if line.condition not in left_out)


def _published(
    study: CohortStudy, result: CohortResult, tables: list[PublishedTable]
) -> list[PublishedResult]:
    if not tables:
        return []
    from momentshare.published import heads_of_published
    from momentshare.study.run import person_limb

    settings = study.file.settings
    return [
        heads_of_published(
            table,
            person_limb(study.person(entry.person), settings, result.model),
            criterion=settings.criterion(),
            draws=entry.draws,
            seed=entry.seed,
            spread=entry.spread,
        )
        for entry, table in zip(study.file.published, tables, strict=True)
    ]


def _mean_and_sd(row: pd.DataFrame) -> str:
    if row.empty:
        return "–"
    mean, people = 100.0 * row["mean_activation_mean"].iloc[0], row["people"].iloc[0]
    if people < 2:
        return f"{mean:.0f} (1 person)"
    return f"{mean:.0f} ± {100.0 * row['mean_activation_sd'].iloc[0]:.0f}"


def _print(
    screen: Console,
    result: CohortResult,
    summary: CohortSummary,
    published: list[PublishedResult],
) -> None:
    """Print what counted, what not and why, and activation by head."""
    from momentshare.cautions import CAUTIONS
    from momentshare.report.text.cohort_findings import left_out, short_texts
    from momentshare.report.text.cohort_messages import account_lines
    from momentshare.report.text.cohort_opening import cohort_opening
    from momentshare.report.text.cohort_peers import (
        peer_texts,
        people_texts,
        weighed_people,
    )
    from momentshare.report.text.opening import print_opening

    for line in account_lines(result, summary):
        screen.print(line, markup=False)
    screen.print()
    if "heads" in summary.tables:
        _print_heads(screen, summary.tables["heads"], summary.mode)
    people = people_texts(result.study.file.person, weighed_people(result.solved))
    told = [*people, *peer_texts(summary), *short_texts(summary), *left_out(result, summary)]
    for text in told:
        screen.print(f"- {text}", markup=False)
    for found in published:
        if result.outcomes:
            screen.print(
                f"- {found.table.source}: published moments of {len(found.balanced)} postures were "
                "solved, too (Published tables in the report).",
                markup=False,
            )
        else:
            _print_published(screen, found)
    for text in CAUTIONS:
        screen.print(f"- {text}", markup=False)
    screen.print()
    print_opening(screen, cohort_opening(result, summary, published))


def _print_heads(screen: Console, heads: pd.DataFrame, mode: str) -> None:
    """Print lift-mean activation, a line per head and a column a condition."""
    from rich.markup import escape
    from rich.table import Table

    from momentshare.text import head_label

    mine = heads[heads["lateral"] == mode]
    conditions = list(dict.fromkeys(mine["condition"]))
    table = Table(
        title=f"Lift-mean activation [%], mean ± SD over people; lateral force {mode}",
        title_justify="left",
    )
    table.add_column("head")
    for condition in conditions:
        table.add_column(escape(str(condition)), justify="right")
    for head, part in mine.groupby("head", sort=False, observed=True):
        cells = [_mean_and_sd(part[part["condition"] == condition]) for condition in conditions]
        table.add_row(head_label(str(head)), *cells)
    screen.print(table)


def _print_published(screen: Console, found: PublishedResult) -> None:
    """Print the activations that follow from the moments of a published table."""
    from rich.markup import escape
    from rich.table import Table

    from momentshare.text import head_label

    title = f"Activation [%] from the moments of {found.table.source}, with 95 % interval"
    table = Table(title=escape(title), title_justify="left")
    heads = found.heads
    table.add_column("head")
    for condition, point in dict.fromkeys(zip(heads["condition"], heads["point"], strict=True)):
        table.add_column(escape(f"{condition}, {point}"), justify="right")
    for head, part in heads.groupby("head", sort=False):
        values = 100.0 * part[["activation", "activation_low", "activation_high"]].to_numpy()
        cells = [f"{mid:.0f} ({low:.0f} to {high:.0f})" for mid, low, high in values]
        table.add_row(head_label(str(head)), *cells)
    screen.print(table)
