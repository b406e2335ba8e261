"""``momentshare uncertainty``: how sure the answers of a study are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, cast

import typer

from momentshare.cli.tables import (
    Conditions,
    NullLimbs,
    People,
    bars,
    console,
    echo,
    held_folder,
    solve_null_limbs,
)

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from momentshare.files import RunFolder
    from momentshare.uncertainty import Summary, UncertaintyPlan
    from momentshare.uncertainty.plan import CriterionName

__all__ = ["uncertainty"]

_STAGES = {
    "draws": "random draws",
    "screening": "screening of inputs",
    "indices": "shares of variance",
}
_SHOWN = 8


def uncertainty(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY.toml", help="Study file or cohort study file (TOML).")
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder for chunks and results.")],
    draws: Annotated[int, typer.Option(help="Random draws.")] = 200,
    seed: Annotated[int, typer.Option(help="Seed of the draws.")] = 1,
    workers: Annotated[
        int | None, typer.Option(help="Number of processes; one per core by default.")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler, tcp://host:port.")
    ] = None,
    published: Annotated[
        bool,
        typer.Option("--published", help="The published tables of a cohort, not its trials."),
    ] = False,
    person: People = None,
    condition: Conditions = None,
    frames: Annotated[int, typer.Option(help="Frames along each lift.")] = 21,
    criterion: Annotated[
        list[str] | None,
        typer.Option(help="study, p2, p3 or minmax (slow); may be repeated."),
    ] = None,
    trajectories: Annotated[
        int, typer.Option(help="Trajectories of the screening; 0 leaves out the ranking.")
    ] = 8,
    sobol: Annotated[
        int, typer.Option(help="Base sample of the variance shares, a power of two; 0: none.")
    ] = 32,
    few: Annotated[int, typer.Option(help="Families kept for the variance shares.")] = 4,
    spread_scale: Annotated[float, typer.Option(help="Factor on every spread.")] = 1.0,
    shared: Annotated[
        float, typer.Option(help="Shared part of the variance within a kind and source, 0 to 1.")
    ] = 0.5,
    posture_spread_deg: Annotated[
        float, typer.Option(help="Spread of tuck, tilt and similar angles [deg].")
    ] = 5.0,
    measured_spread_deg: Annotated[
        float, typer.Option(help="Spread of a measured posture, each of three rotations [deg].")
    ] = 3.0,
    load_spread: Annotated[
        float, typer.Option(help="Relative spread of the load on the hand.")
    ] = 0.02,
    ratio_spread: Annotated[
        float,
        typer.Option(help="Spread of a given lateral ratio; 0.15 where it was never measured."),
    ] = 0.05,
    null_limbs: NullLimbs = 0,
    no_figures: Annotated[bool, typer.Option("--no-figures", help="Write tables only.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Draw everything that is uncertain in a STUDY, solve, and report intervals and orders.

    A STUDY holds planned lifts, the trials of a laboratory or published tables; the last two
    make a cohort study. The points of a published condition count as the frames of a lift.

    A run that was stopped continues where it left off when started again.
    """
    from momentshare.cohort.load import load_any
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.setup import measured_lifts, published_lifts
    from momentshare.errors import InputError, PostureError
    from momentshare.files.place import check_place
    from momentshare.report.writing.uncertainty import write_summary
    from momentshare.study.run import study_model
    from momentshare.uncertainty import UncertaintyPlan
    from momentshare.uncertainty.run import COMMAND, folder_options
    from momentshare.uncertainty.spreads import Spreads

    source = load_any(study)
    if published and not isinstance(source, CohortStudy):
        raise InputError(f"--published: {study} holds no published table; leave it out")
    tables = isinstance(source, CohortStudy) and (published or not source.file.trial)
    source = source.only(person or (), () if tables else condition or ())
    plan = UncertaintyPlan(
        study=source,
        draws=draws,
        seed=seed,
        frames=frames,
        criteria=cast("tuple[CriterionName, ...]", tuple(criterion or ("study",))),
        spreads=Spreads(
            scale=spread_scale,
            shared=shared,
            posture_deg=posture_spread_deg,
            load=load_spread,
            lateral_ratio=ratio_spread,
            measured_deg=measured_spread_deg,
        ),
        trajectories=trajectories,
        sobol=sobol if trajectories else 0,
        few=few,
    )
    screen = console(quiet=quiet)
    if isinstance(source, CohortStudy) and tables:
        lifts = published_lifts(source, condition or ())
        plan = replace(plan, measured=lifts.setup, inputs=lifts.inputs)
    elif isinstance(source, CohortStudy):
        check_place(out)
        with console(stderr=True, quiet=quiet).status("reading trials") as status:
            lifts = measured_lifts(
                source,
                frames=frames,
                workers=workers,
                progress=lambda done, total, what: status.update(f"{done}/{total} {what}"),
            )
        for line in lifts.skipped:
            screen.print(f"skipped {line}", markup=False)
        plan = replace(plan, measured=lifts.setup, inputs=lifts.inputs)
    model = study_model(plan.study.file.model, plan.study.source)
    with held_folder(out, COMMAND, **folder_options(plan, model)) as run:
        try:
            found = _run(plan, run, workers, scheduler, console(stderr=True, quiet=quiet))
        except KeyboardInterrupt:
            echo(f"stopped; finished chunks are in {out}, run again to continue", err=True)
            raise typer.Exit(130) from None
        if null_limbs:
            found = _with_null_limbs(found, null_limbs, console(stderr=True, quiet=quiet))
        names = write_summary(found, run, figures=not no_figures)
    lost = found.failures
    if (lost["failed"] == lost["draws"]).all():
        reasons = [f"{r.person}, {r.condition}: {r.reasons}" for r in lost.itertuples()]
        raise PostureError(
            f"{study}: no condition can be performed in any draw (tables are in {out}):", reasons
        )
    _print(screen, found)
    if not quiet:
        echo(f"Wrote {len(names)} files to {out}. Open {out / 'report.html'}")


def _run(
    plan: UncertaintyPlan,
    run: RunFolder,
    workers: int | None,
    scheduler: str | None,
    screen: Console,
) -> Summary:
    from momentshare.uncertainty import run_uncertainty

    with bars(screen, left=True) as bar:
        tasks: dict[str, object] = {}

        def show(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(f"{_STAGES[stage]}, chunks", total=total)
            bar.update(tasks[stage], completed=done)  # type: ignore[arg-type]

        return run_uncertainty(plan, run, workers=workers, scheduler=scheduler, progress=show)


def _with_null_limbs(found: Summary, count: int, screen: Console) -> Summary:
    from momentshare.report.text.draw_verdicts import judged_pairs, main_treatment

    orders = judged_pairs(found).assign(lateral=main_treatment(found)[1])
    return replace(found, null=solve_null_limbs(found.plan.setup(), orders, count, screen))


def _print(screen: Console, found: Summary) -> None:
    from rich.markup import escape
    from rich.table import Table

    from momentshare.report.text.opening import print_opening
    from momentshare.report.text.terminal import print_cautions
    from momentshare.report.text.uncertainty_opening import (
        judged_pairs,
        people_text,
        uncertainty_opening,
    )
    from momentshare.uncertainty.layout import FAMILIES

    pairs = judged_pairs(found)
    print_opening(screen, uncertainty_opening(found, pairs))
    if len(pairs):
        _print_orders(screen, found, pairs)
    if text := people_text(found):
        screen.print(f"[bold]People and model.[/bold] {text} See people_and_model.csv.")
    if found.sensitivity is not None:
        table = Table(title="Inputs that matter most", title_justify="left")
        table.add_column("input")
        table.add_column("mean part of the greatest effect [%]", justify="right")
        for line in found.sensitivity.overall.head(_SHOWN).itertuples(index=False):
            share = 100 * float(str(line.relative_mu_star))
            table.add_row(FAMILIES[str(line.family)], f"{share:.0f}")
        screen.print(table)
        if found.sensitivity.failed:
            screen.print(
                f"[bold]Not solved[/bold] {found.sensitivity.failed} draws of the ranking; their "
                "values were taken from the mean"
            )
    for line in found.failures.itertuples(index=False):
        who = escape(f"{line.person!s}, {line.condition!s}")
        if line.failed:
            how_many = f"{int(str(line.failed))} of {int(str(line.draws))} draws"
            screen.print(f"[bold]Not solved[/bold] {who}: {how_many} ({escape(str(line.reasons))})")
    print_cautions(screen)


def _print_orders(screen: Console, found: Summary, pairs: pd.DataFrame) -> None:
    """Print how many orders are sure under each treatment, and which of these count."""
    from rich.table import Table

    from momentshare.report.text.draw_verdicts import judged_modes, sure_orders
    from momentshare.report.text.verdicts import SHORT_ORDER, TOO_OFTEN_SHORT
    from momentshare.uncertainty.plan import SURE

    table = Table(
        title="Orders of two conditions within a head: how many are sure",
        title_justify="left",
    )
    for name in ("lateral force", "criterion"):
        table.add_column(name)
    percent = f"{100 * SURE:.0f} %"
    limited = "beyond the limb"
    for name in (
        "orders", f"sure ({percent} and more)", f"sure, {limited}", "open", f"open, {limited}",
    ):  # fmt: skip
        table.add_column(name, justify="right")
    for row in sure_orders(found, pairs).itertuples(index=False):
        table.add_row(*map(str, row))
    screen.print(table)
    also = (
        f", nor rest on a point where {TOO_OFTEN_SHORT}"
        if (pairs["verdict"] == SHORT_ORDER).any()
        else ""
    )
    where = "in every line"
    if measured := set(judged_modes(found)) < set(found.condition_order["lateral"]):
        where = "with the lateral force as measured"
    more = " Zero and free, which it rules out, are shown beside it." if measured else ""
    screen.print(
        f"Firm are those that are sure {where} and not beyond what the limb supports{also}.{more}",
        highlight=False,
    )
