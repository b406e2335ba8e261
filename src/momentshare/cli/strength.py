"""``momentshare strength``: greatest moments in the postures of the task and of the test."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.cli.output import Output, Written
from momentshare.cli.tables import Conditions, People, console, folder_for, progress_bar

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.schema import CohortStudy
    from momentshare.limits import Limits
    from momentshare.report.page.answer import Answer
    from momentshare.report.text.opening import Opening
    from momentshare.strength import StrengthTest
    from momentshare.study import Study
    from momentshare.validation.bearing import BearingRow

__all__ = ["strength"]

_SHOWN = ("person", "condition", "lateral", "direction", "others")


def strength(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY.toml", help="Study file or cohort study file (TOML).")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
    person: People = None,
    condition: Conditions = None,
    moments: Annotated[
        Path | None,
        typer.Option(
            help="CSV of net moments: condition, row, moment_nm; optional sd_nm, measured_nm, "
            "elbow_flexion_deg, elevation_deg, plane_deg, axial_deg, forearm_rotation_deg or "
            "height_fraction."
        ),
    ] = None,
    test_elbow_deg: Annotated[float, typer.Option(help="Elbow flexion in the test [deg].")] = 90.0,
    test_elevation_deg: Annotated[
        float, typer.Option(help="Upper arm from the trunk in the test [deg].")
    ] = 10.0,
    test_plane_deg: Annotated[
        float, typer.Option(help="Plane of elevation, 0 side, 90 front [deg].")
    ] = 0.0,
    test_axial_deg: Annotated[
        float, typer.Option(help="Axial rotation, internal positive [deg].")
    ] = 0.0,
    test_forearm_deg: Annotated[
        float, typer.Option(help="Forearm rotation from full supination [deg].")
    ] = 90.0,
    test_mode: Annotated[
        str, typer.Option(help="isometric, concentric or eccentric.")
    ] = "isometric",
    test_speed_deg_s: Annotated[
        float, typer.Option(help="Speed of the tested joint [deg/s].")
    ] = 0.0,
    task_mode: Annotated[
        str, typer.Option(help="Capacity along the lift: isometric, or lift for its own speed.")
    ] = "isometric",
    frames: Annotated[int, typer.Option(min=5, max=501, help="Frames along each lift.")] = 21,
    repetition: Annotated[
        int, typer.Option(min=1, help="Repetition of each person and condition of a cohort.")
    ] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
    no_figures: Annotated[bool, typer.Option("--no-figures", help="Write tables only.")] = False,
) -> None:
    """Strength by direction in the task's and a test's posture, and the bias between them."""
    from momentshare.cohort.load import load_any
    from momentshare.cohort.schema import CohortStudy
    from momentshare.errors import InputError
    from momentshare.report.writing.study_folder import study_identity
    from momentshare.strength import StrengthTest

    if task_mode not in {"isometric", "lift"}:
        raise InputError(f"--task-mode: must be isometric or lift; got {task_mode!r}")
    source = load_any(study)
    test = StrengthTest(
        plane_deg=test_plane_deg,
        elevation_deg=test_elevation_deg,
        axial_deg=test_axial_deg,
        elbow_flexion_deg=test_elbow_deg,
        forearm_rotation_deg=test_forearm_deg,
        mode=test_mode,  # type: ignore[arg-type]  # the class refuses what it does not know
        speed_deg_s=test_speed_deg_s,
    )
    people, tasks = tuple(person or ()), tuple(condition or ())
    if moments is not None:
        if tasks:
            raise InputError("--condition: not used with --moments; the file names conditions")
        if task_mode == "lift":
            raise InputError("--task-mode lift: not known for --moments; use isometric")
        if isinstance(source, CohortStudy):
            raise InputError(
                f"--moments: {study} holds measured trials, which state their own moments; name a "
                "planned study"
            )
    about = study_identity(source.only(people, tasks))
    with folder_for(out, "strength", study=about, names=["strength.json"]) as run:
        output = Output(run=run, as_json=as_json, figures=not no_figures)
        if moments is not None and not isinstance(source, CohortStudy):
            _moments(source, moments, test, people, output)
            return
        _lifts(source, test, people, tasks, task_mode, frames, repetition, output)


def _moments(
    source: Study,
    path: Path,
    test: StrengthTest,
    people: tuple[str, ...],
    output: Output,
) -> None:
    from momentshare.limits import with_strength_limits
    from momentshare.model import load_model
    from momentshare.report.figures import strength as report
    from momentshare.report.text.opening import print_opening
    from momentshare.report.text.strength_opening import strength_opening
    from momentshare.strength import read_moments
    from momentshare.strength.study import moments_report
    from momentshare.validation.bearing import rows_table

    limits = load_model(source.file.model).limits
    found = moments_report(source, read_moments(path), test, people=people)
    table = with_strength_limits(found, limits, {})
    rows = _bearing(source, table)
    record = report.strength_record(
        source, test, {"corrected_utilisation": table, "published_rows": rows_table(rows)}
    )
    drawings = {"corrected_utilisation": partial(report.corrected_figure, table, limits)}
    opening = strength_opening(table, rows_table(rows), limits=limits)
    if not output.as_json:
        print_opening(console(), opening)
        # A direction is named beside every moment, so its size needs no sign.
        shown = table.assign(moment_nm=table["moment_nm"].abs())
        _show(
            shown[[*(n for n in _SHOWN if n in shown), "moment_nm", "utilisation_tested",
                   "test_posture_bias", "corrected_utilisation", "note", "limit"]],
            test, rows, limits,
        )  # fmt: skip
    output.print_json(record)
    output.write(
        "strength.json",
        Written(
            record=record,
            tables={"corrected_utilisation.csv": table, "published_rows.csv": rows_table(rows)},
            figures=drawings if output.figures else {},
            shown=[source.title, *table["condition"]],
            answer=_answer(source, test, opening, {"corrected_utilisation.csv": table}),
        ),
    )


_LEFT_OUT = ("row", "height_fraction", "mean_utilisation_here", "mean_utilisation_tested")
"""Columns that are left to the file; a row's sign is that of the direction named."""


def _told(table: pd.DataFrame) -> pd.DataFrame:
    """Keep what a reader wants of utilisation: directions with sizes, and what differs."""
    alike = [
        name
        for name in _SHOWN
        if name not in {"condition", "direction"} and name in table and len(set(table[name])) == 1
    ]
    if "frames_without_strength" in table and not table["frames_without_strength"].any():
        alike.append("frames_without_strength")
    shown = table.assign(moment_nm=table["moment_nm"].abs())
    shown = shown.drop(columns=[name for name in (*alike, *_LEFT_OUT) if name in shown])
    first = [name for name in _SHOWN if name in shown]
    return shown[[*first, *(name for name in map(str, shown.columns) if name not in first)]]


def _answer(
    source: Study | CohortStudy,
    test: StrengthTest,
    opening: Opening,
    tables: Mapping[str, pd.DataFrame],
) -> Answer:
    """Collect what the report holds besides figures and other tables than these."""
    from momentshare.report.page.answer import Answer

    return Answer(
        study=source,
        title="Strength in the task and in its test",
        opening=opening,
        figures={
            "test_posture_bias": "Greatest moment in the posture of the task over that in the "
            "test's, where utilisation is greatest.",
            "utilisation_along_lift": "Net moment over the greatest moment, along the lift.",
            "strength_curves": "Greatest moment against the angle of the joint.",
            "corrected_utilisation": "Utilisation by the test's posture, and corrected to the "
            "task's.",
        },
        tables={
            "utilisation.csv": "Utilisation where it is greatest",
            "corrected_utilisation.csv": "Utilisation by the test's posture, and corrected",
            "strength_test.csv": "Greatest moments in the posture of the test",
        },
        texts=[
            (
                "Test-posture bias: greatest moment in the task's posture over that in the test's; "
                "above 1 the test makes the task look harder than it is. Braced: other moments are "
                "carried from outside; balanced: the heads keep them at zero."
            )
        ],
        options={"strength test": test.text()},
        shown={name: _told(table) for name, table in tables.items()},
    )


def _bearing(source: Study | CohortStudy, table: pd.DataFrame) -> tuple[BearingRow, ...]:
    """Compute the published rows on strength in the directions of a table."""
    from momentshare.model import load_model
    from momentshare.validation.bearing import rows_on_strength

    return rows_on_strength(load_model(source.file.model), dict.fromkeys(table["direction"]))


def _lifts(
    source: Study | CohortStudy,
    test: StrengthTest,
    people: tuple[str, ...],
    tasks: tuple[str, ...],
    task_mode: str,
    frames: int,
    repetition: int,
    output: Output,
) -> None:
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.setup import one_repetition
    from momentshare.limits import lift_kinds, with_strength_limits
    from momentshare.model import load_model
    from momentshare.report.figures import strength as report
    from momentshare.report.text.opening import print_opening
    from momentshare.report.text.strength_opening import strength_opening
    from momentshare.strength import study_strength
    from momentshare.strength.study import cases_strength
    from momentshare.validation.bearing import rows_table

    with progress_bar(console(stderr=True)) as show:
        mode: Any = task_mode  # checked by the caller
        if isinstance(source, CohortStudy):
            chosen = source.only(people, tasks)
            solved = one_repetition(chosen, repetition, frames=frames)
            found = cases_strength(solved, test, task_mode=mode, progress=show)
        else:
            found = study_strength(
                source, test, people=people, conditions=tasks, task_mode=mode, frames=frames,
                progress=show,
            )  # fmt: skip
    limits, kinds = load_model(source.file.model).limits, lift_kinds(source.file.condition)
    marked = partial(with_strength_limits, limits=limits, kinds=kinds)
    found = replace(
        found,
        utilisation=marked(found.utilisation),
        tests=marked(found.tests),
        curves=marked(found.curves),
    )
    means = marked(_means(found.utilisation))
    rows = _bearing(source, means)
    record = report.strength_record(
        source,
        test,
        {
            "tests": found.tests,
            "utilisation": found.utilisation,
            "published_rows": rows_table(rows),
        },
        task_mode=found.task_mode,
        refusals=list(found.refusals),
    )
    opening = strength_opening(found.utilisation, rows_table(rows), found.refusals, limits, kinds)
    if not output.as_json:
        print_opening(console(), opening)
        _show(means, test, rows, limits)
    output.print_json(record)
    tables = {
        "strength_along_lift.csv": found.along,
        "utilisation_along_lift.csv": found.frames,
        "utilisation.csv": found.utilisation,
        "strength_test.csv": found.tests,
        "strength_curves.csv": found.curves,
        "published_rows.csv": rows_table(rows),
    }
    drawings = {
        "strength_curves": partial(report.curves_figure, found, limits),
        "utilisation_along_lift": partial(
            report.utilisation_figure, found, source.factors, limits, kinds
        ),
        "test_posture_bias": partial(report.bias_figure, found, limits, kinds),
    }
    output.write(
        "strength.json",
        Written(
            record=record,
            tables=tables,
            figures=drawings if output.figures else {},
            shown=[source.title, *dict.fromkeys(found.frames["condition"])],
            answer=_answer(source, test, opening, {"utilisation.csv": found.utilisation}),
        ),
    )


def _means(table: pd.DataFrame) -> pd.DataFrame:
    """Means over people, first treatment of the lateral force, by condition and direction."""
    first = table.groupby("condition", sort=False)["lateral"].transform("first")
    keys = ["condition", "lateral", "direction", "others"]
    values = ["utilisation_tested", "test_posture_bias", "utilisation_here"]
    return table[table["lateral"] == first].groupby(keys, sort=False)[values].mean().reset_index()


def _show(
    table: pd.DataFrame, test: StrengthTest, rows: Sequence[BearingRow], limits: Limits
) -> None:
    from rich.markup import escape
    from rich.table import Table

    from momentshare.directions import DIRECTIONS
    from momentshare.report.text.terminal import print_cautions, print_limits

    screen = console()
    screen.print(f"Strength test: {test.text()}")
    title = "Utilisation where it is greatest, means over people"
    if "person" in table:
        title = "Utilisation by the test's posture, and corrected to the task's"
    table = table.assign(direction=[DIRECTIONS[name].words for name in table["direction"]])
    view = Table(title=title, title_justify="left")
    for name in table.columns:
        view.add_column(name.replace("_", " "))
    for line in table.itertuples(index=False):
        view.add_row(*(f"{v:.2f}" if isinstance(v, float) else escape(str(v)) for v in line))
    screen.print(view)
    screen.print(
        "Test-posture bias: greatest moment in the task's posture over that in the test's; above "
        "1 the test makes the task look harder than it is. braced: other rows carried from "
        "outside; balanced: the heads keep them at zero.",
        highlight=False,
    )
    print_limits(screen, limits, table["limit"])
    for said in _missed(rows):
        screen.print(said, highlight=False, markup=False)
    print_cautions(screen)


_SHOWN_ROWS = 8


def _missed(rows: Sequence[BearingRow]) -> list[str]:
    """State which published rows that bear on the bias are missed, those on a ratio first."""
    from momentshare.validation.bearing import misses

    missed = misses(rows)
    if not rows:
        return ["No published row concerns the strength in these directions."]
    if not missed:
        return [f"The limb meets all {len(rows)} published rows on strength in these directions."]
    ratio = sum(row.compares for row in missed)
    first = (
        f"Of {len(rows)} published rows on strength in these directions the limb misses "
        f"{len(missed)}; {ratio} of them compare postures or speeds in one direction, so that they "
        "bear on the bias itself:"
    )
    lines = [first, *(f"  {row.text}" for row in missed[:_SHOWN_ROWS])]
    left = len(missed) - _SHOWN_ROWS
    return [*lines, f"  and {left} more, in published_rows.csv"] if left > 0 else lines
