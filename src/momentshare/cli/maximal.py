"""``momentshare maximal-lift``: the load driven along its path by all that the limb can give."""

from __future__ import annotations

from functools import partial
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.cli.output import Output, Written
from momentshare.cli.tables import Conditions, People, console, folder_for, progress_bar
from momentshare.units import in_kg

if TYPE_CHECKING:
    from momentshare.limits import Limits
    from momentshare.maximal import MaximalReport
    from momentshare.report.text.opening import Opening
    from momentshare.study import Study

__all__ = ["maximal_lift"]

_MOST_SHARES = 12


def maximal_lift(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="Study file (TOML).")],
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
    person: People = None,
    condition: Conditions = None,
    share: Annotated[
        list[float] | None,
        typer.Option(
            help="Part of the greatest load to drive as well, above 0 and below 1; may be "
            "repeated. "
            "0.5, 0.7, 0.8 and 0.9 if left out."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
    no_figures: Annotated[bool, typer.Option("--no-figures", help="Write tables only.")] = False,
) -> None:
    """Greatest load that passes, speed along the lift, and where it sticks.

    Loads and durations in the study are ignored: both are results.
    """
    from momentshare.errors import InputError
    from momentshare.limits import keys_text, lift_kinds
    from momentshare.maximal import SHARES, maximal_lifts
    from momentshare.model import load_model
    from momentshare.report.figures.maximal import maximal_record
    from momentshare.report.text.maximal_opening import maximal_opening
    from momentshare.report.writing.study_folder import study_identity
    from momentshare.study import load_study

    shares = sorted(set(share)) if share else list(SHARES)
    for value in shares:
        if not 0.0 < value < 1.0:
            raise InputError(f"--share: must be above 0 and below 1; got {value:g}")
    if len(shares) > _MOST_SHARES:
        raise InputError(f"--share: must be given at most {_MOST_SHARES} times; got {len(shares)}")
    source = load_study(study)
    about = study_identity(source.only(person or (), condition or ())) | {"shares": shares}
    with folder_for(out, "maximal-lift", study=about, names=["maximal_lift.json"]) as run:
        with progress_bar(console(stderr=True)) as show:
            found = maximal_lifts(
                source,
                people=person or (),
                conditions=condition or (),
                shares=shares,
                progress=show,
            )
        record = maximal_record(source, found)
        limits, kinds = load_model(source.file.model).limits, lift_kinds(source.file.condition)
        opening = maximal_opening(found, limits, kinds)
        output = Output(run=run, as_json=as_json, figures=not no_figures)
        output.print_json(record)
        if not as_json:
            keys = keys_text(limits.at("greatest_load", kinds=list(kinds.values())))
            _show(found, opening, limits, keys)
        output.write(
            "maximal_lift.json",
            _written(source, found, record, opening, limits, figures=output.figures),
        )


def _show(found: MaximalReport, opening: Opening, limits: Limits, keys: str) -> None:
    from rich.markup import escape
    from rich.table import Table

    from momentshare.limits import marked
    from momentshare.report.figures import maximal as report
    from momentshare.report.text.opening import print_opening
    from momentshare.report.text.terminal import print_cautions, print_limits

    screen = console()
    print_opening(screen, opening)
    view = Table(title="Loads driven from rest, means over people", title_justify="left")
    for name in (
        "condition", "lateral force", "lift", "load [kg]", "time [s]", "mean speed [m/s]",
        "peak speed [m/s]", "sticks in",
    ):  # fmt: skip
        view.add_column(escape(name))
    for key, part in found.lifts.groupby(["condition", "lateral", "lift"], sort=False):
        dips = int(part["dip"].sum())
        view.add_row(
            *(escape(str(name)) for name in key),
            marked(in_kg(part["load_kg"].mean()), keys), f"{part['duration_s'].mean():.2f}",
            f"{part['mean_speed_mps'].mean():.2f}", f"{part['peak_speed_mps'].mean():.2f}",
            f"{dips} of {len(part)}",
        )  # fmt: skip
    told = report.findings_table(found)
    findings = Table(title=report.FINDINGS, title_justify="left")
    for name in told.columns:
        findings.add_column(escape(name))
    for *cells, slows in told.itertuples(index=False, name=None):
        words = [escape(str(cell)) for cell in cells]
        words[2] = marked(words[2], keys)
        findings.add_row(*words, slows)
    screen.print(findings)
    screen.print(view)
    screen.print(escape(report.CANNOT_SHOW), highlight=False)
    print_limits(screen, limits, [keys])
    for line in found.refusals:
        screen.print(f"[bold]Not driven[/bold] {escape(line)}")
    print_cautions(screen)


def _written(
    source: Study,
    found: MaximalReport,
    record: dict[str, Any],
    opening: Opening,
    limits: Limits,
    *,
    figures: bool,
) -> Written:
    from momentshare.limits import lift_kinds
    from momentshare.report.figures import maximal as report
    from momentshare.report.page.answer import Answer
    from momentshare.report.page.table import Table

    kinds = lift_kinds(source.file.condition)
    drawings = {}
    if figures and len(found.curves):
        drawings = {
            "maximal_lift": partial(report.lift_figure, found, source.factors, limits, kinds),
            "speed_by_load": partial(report.loads_figure, found),
        }
    return Written(
        tables={
            "maximal_loads.csv": found.loads,
            "maximal_lifts.csv": found.lifts,
            "maximal_curves.csv": found.curves,
            "held_loads.csv": found.held,
        },
        record=record
        | {"files": ["maximal_loads.csv", "maximal_lifts.csv", "maximal_curves.csv",
                     "held_loads.csv", "report.html",
                     *(f"{n}.{e}" for n in drawings for e in ("png", "svg"))]},
        figures=drawings,
        shown=[source.title, *dict.fromkeys(found.loads["condition"])],
        answer=Answer(
            study=source,
            title="Maximal lifts",
            opening=opening,
            figures={
                "maximal_lift": "Speed of the maximal lift, and the greatest load that can be "
                "held, by height.",
                "speed_by_load": "Speed by height, for every load.",
            },
            tables={
                "maximal_loads.csv": "Greatest loads, in motion and held",
                "maximal_lifts.csv": "Lifts of each load",
            },
            leading=[Table(frame=report.findings_table(found), caption=f"{report.FINDINGS}.")],
            texts=[report.CANNOT_SHOW],
        ),
    )  # fmt: skip
