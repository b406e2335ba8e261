"""``momentshare explain``: why a head works as much as it does, and what would change it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.cli.output import Output, Written
from momentshare.cli.tables import folder_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from rich.console import Console

    from momentshare.analysis import LiftResult
    from momentshare.cohort.schema import CohortStudy
    from momentshare.explain import Counterfactuals, HeadExplanation, WorkedExample
    from momentshare.limits import LiftKind, Limits
    from momentshare.study import Study

__all__ = ["explain"]

_WEAKEST = "that is where the greatest load that can be held is least"
_HARDEST = "that is where the heads work hardest together"


def explain(
    study: Annotated[Path, typer.Argument(help="Study file or cohort study file (TOML).")],
    person: Annotated[
        str | None, typer.Option(help="Name of a person; the first of the study if left out.")
    ] = None,
    condition: Annotated[
        str | None, typer.Option(help="Name of a condition; the first of the study if left out.")
    ] = None,
    head: Annotated[
        str | None,
        typer.Option(help="Head to explain, as muscle/head; all heads in short if left out."),
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="Second head to set beside the first.")
    ] = None,
    height: Annotated[
        float | None,
        typer.Option(
            help="Height of the bar, 0 chest to 1 lock-out; where the greatest load is least if "
            "left out."
        ),
    ] = None,
    lateral: Annotated[
        str | None,
        typer.Option(
            help="Lateral force: measured, zero or free; the first of the study if left out."
        ),
    ] = None,
    repetition: Annotated[
        int, typer.Option(min=1, help="Repetition of a measured condition, counted from 1.")
    ] = 1,
    worked: Annotated[
        bool, typer.Option("--worked", help="Also derive a small case line by line.")
    ] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
    no_figures: Annotated[bool, typer.Option("--no-figures", help="Write no figure.")] = False,
) -> None:
    """Explain a head in one person, condition and bar height: drive by joint, and what if."""
    from rich.console import Console

    from momentshare.cohort.load import load_any
    from momentshare.errors import InputError
    from momentshare.explain import frame_at, weakest_frame
    from momentshare.limits import LiftKind, kinds_of
    from momentshare.report.writing.study import study_identity

    if head is None and (against is not None or worked):
        raise InputError("--head: is missing, but --against or --worked needs it; name a head")
    if head is not None and head == against:
        raise InputError(f"--against: {against!r} is the head itself; name another")
    source = load_any(study)
    with folder_for(out, "explain", study=study_identity(source), names=["explain.json"]) as run:
        with Console(stderr=True).status("solving"):
            who, task, results = _results(source, person, condition, repetition)
            chosen = _pick(results, lateral, task)
            result = results[chosen]
            frame = weakest_frame(result) if height is None else frame_at(result, height)
        asked = _Asked(
            source=source,
            title=f"{who}, {task}",
            kind=kinds_of(source.file.condition).get(task, LiftKind()),
            results=results,
            lateral=chosen,
            frame=frame,
            note="" if height is not None else _WEAKEST if result.greatest else _HARDEST,
        )
        output = Output(run=run, as_json=as_json, figures=not no_figures)
        if head is None:
            _all_heads(asked, output)
            return
        heads = [head] if against is None else [head, against]
        _some_heads(asked, heads, output, worked=worked)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Asked:
    """What is explained: a lift for every treatment of the lateral force, and the frame."""

    source: Study | CohortStudy
    title: str
    kind: LiftKind
    results: dict[str, LiftResult]
    lateral: str
    frame: int
    note: str

    @property
    def result(self) -> LiftResult:
        """The lift with the treatment asked for."""
        return self.results[self.lateral]

    @property
    def limits(self) -> Limits:
        """Limits of the model."""
        return self.result.prepared.limb.model.limits


def _results(
    source: Study | CohortStudy, person: str | None, condition: str | None, repetition: int
) -> tuple[str, str, dict[str, LiftResult]]:
    """Solve one person in one condition, for every treatment of the lateral force."""
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.setup import one_repetition
    from momentshare.errors import StudyError
    from momentshare.study import plan_study

    file = source.file
    if isinstance(source, CohortStudy) and not source.file.trial:
        raise StudyError(
            f"{source.source}: trial: there is none; explain takes a planned study or measured "
            "trials, no published table"
        )
    who = file.person[0].name if person is None else person
    task = file.condition[0].name if condition is None else condition
    if isinstance(source, CohortStudy):
        (case,) = one_repetition(source.only([who], [task]), repetition).cases
    else:
        (case,) = plan_study(source, people=[who], conditions=[task]).solve().cases
    found = {result.lateral.mode: result for result in case.results}
    if not found:
        raise StudyError(
            f"{source.source}: condition {task!r} has no treatment of the lateral force; "
            "give lateral_ratio, or another mode in settings → lateral"
        )
    return who, task, {str(mode): result for mode, result in found.items()}


def _pick(results: dict[str, LiftResult], lateral: str | None, task: str) -> str:
    from momentshare.errors import UnknownNameError

    if lateral is None:
        return next(iter(results))
    if lateral not in results:
        raise UnknownNameError("lateral mode", lateral, results, f"condition {task!r}")
    return lateral


def _all_heads(asked: _Asked, output: Output) -> None:
    """Drive of every head in short."""
    from momentshare.explain import drive_table, explain_head
    from momentshare.limits import with_limits
    from momentshare.report.figures import explain as report

    title, result, limits = asked.title, asked.result, asked.limits
    first = explain_head(result, result.prepared.limb.head_names[0], frame=asked.frame)
    table = drive_table(first.problem, first.sharing).assign(
        condition=title, lateral=first.lateral_mode, height_fraction=first.height_fraction
    )
    table = with_limits(table, limits, {title: asked.kind}, "activation", "force")
    table = table.drop(columns=["condition", "lateral", "height_fraction"])
    record = report.explain_record(
        asked.source,
        who=title,
        lateral=first.lateral_mode,
        lateral_force_n=first.lateral_force,
        height_fraction=first.height_fraction,
        status=str(first.sharing.status_text),
        heads=table.to_dict(orient="records"),
    )
    if not output.as_json:
        from momentshare.cli.tables import console
        from momentshare.report.text.terminal import print_cautions, print_limits

        screen = console()
        _heading(screen, title, first)
        title = "Drive of every head; name one with --head to explain it"
        _print_table(screen, table.drop(columns="limit"), title)
        for line in table[table["limit"] != ""].itertuples():
            screen.print(f"  {line.head}: limit {line.limit}", highlight=False)
        print_limits(screen, limits, table["limit"])
        print_cautions(screen)
    output.print_json(record)
    output.write("explain.json", Written(record=record, tables={"drive_by_head.csv": table}))


def _some_heads(asked: _Asked, heads: Sequence[str], output: Output, *, worked: bool) -> None:
    """Explain one head, or two side by side."""
    import pandas as pd

    from momentshare.cautions import CAUTIONS
    from momentshare.explain import (
        case_from_frame,
        counterfactuals,
        explain_along,
        explain_head,
        explanation_text,
        limit_texts,
        work,
    )
    from momentshare.report.figures import explain as report

    title, lateral = asked.title, asked.lateral
    found = [explain_head(asked.result, name, frame=asked.frame) for name in heads]
    changes = [counterfactuals(item.problem, item.head) for item in found]
    alongs = [
        {mode: explain_along(result, name) for mode, result in asked.results.items()}
        for name in heads
    ]
    second = len(heads) > 1
    paragraphs = explanation_text(
        found[0],
        changes[0],
        title=title,
        note=asked.note,
        other=found[1] if second else None,
        other_changes=changes[1] if second else None,
        alongs=alongs[0],
        other_alongs=alongs[1] if second else None,
    )
    paragraphs += tuple(
        text for item in found for text in limit_texts(item, asked.limits, asked.kind)
    )
    example: WorkedExample | None = None
    if worked:
        example = work(case_from_frame(found[0], found[1] if second else None))
    record = report.explain_record(
        asked.source,
        who=title,
        heads=[report.head_record(item) for item in found],
        counterfactuals=[report.changes_record(item) for item in changes],
        text=list(paragraphs),
        worked=None if example is None else report.worked_record(example),
    )
    if not output.as_json:
        _print(title, found, changes, paragraphs, example)
    tables = {
        "drive.csv": pd.concat([i.split.to_dataframe() for i in found], ignore_index=True),
        "drive_along_lift.csv": pd.concat(
            [table for group in alongs for table in group.values()], ignore_index=True
        ),
        "counterfactuals.csv": pd.concat([c.to_dataframe() for c in changes], ignore_index=True),
        "counterfactual_cases.csv": pd.concat([c.to_cases() for c in changes], ignore_index=True),
    }
    texts = {"explanation.txt": "\n\n".join([*paragraphs, "Cautions", *CAUTIONS]) + "\n"}
    if example is not None:
        texts |= {"worked.txt": example.text(), "worked.tex": example.latex()}
    drawings: dict[str, Any] = {}
    if output.figures:
        from momentshare.report import draw_arm, draw_arm_strip

        remark = asked.source.file.note
        drawings["drive"] = partial(
            report.drive_figure, found, [group[lateral] for group in alongs], title
        )
        drawings["arm"] = partial(draw_arm, asked.result, asked.frame, title=title, note=remark)
        drawings["arm_along_lift"] = partial(
            draw_arm_strip, asked.result, title=f"{title}, along the lift", note=remark
        )
    output.print_json(record)
    output.write(
        "explain.json",
        Written(record=record, tables=tables, texts=texts, figures=drawings, shown=[title, *heads]),
    )


def _heading(screen: Console, title: str, found: HeadExplanation) -> None:
    from rich.markup import escape

    screen.print(
        f"[bold]{escape(title)}[/bold], lateral force {found.lateral_mode} "
        f"({found.lateral_force:+.0f} N), {100.0 * found.height_fraction:.0f} % of the bar "
        f"height: {found.sharing.status_text}",
        highlight=False,
    )


def _print(
    title: str,
    found: Sequence[HeadExplanation],
    changes: Sequence[Counterfactuals],
    paragraphs: Sequence[str],
    example: WorkedExample | None,
) -> None:
    from momentshare.cli.tables import console
    from momentshare.report.text.terminal import print_cautions

    screen = console()
    _heading(screen, title, found[0])
    _print_drive(screen, found)
    for item in changes:
        _print_changes(screen, item, found)
    for text in paragraphs:
        screen.print(text, highlight=False, markup=False)
        screen.print()
    if example is not None:
        screen.print("[bold]Worked case[/bold]")
        # Equations are drawn over several lines and must not be wrapped.
        screen.print(example.text(), highlight=False, markup=False, soft_wrap=True)
    print_cautions(screen)


def _print_drive(screen: Console, found: Sequence[HeadExplanation]) -> None:
    from rich.table import Table

    from momentshare.directions import row_named
    from momentshare.explain.phrases import facet_phrase
    from momentshare.report.figures.explain import part_label

    table = Table(title=f"Drive by row: {part_label(found[0].split.exponent)}",
                  title_justify="left")  # fmt: skip
    table.add_column("moment, positive in the\ndirection named")
    table.add_column("multiplier [1/(N·m)]", justify="right")
    for item in found:
        name = item.head.replace("/", "/\n")
        table.add_column(f"{name}\narm \\[mm]", justify="right")
        table.add_column("\n\npart [1]", justify="right")
    for j, row in enumerate(found[0].split.row_names):
        cells = [row_named(row).positive.words, f"{found[0].split.multiplier[j]:+.4f}"]
        for item in found:
            arm = float(item.split.moment_arm[j])
            cells += [f"{1000 * arm:+.1f}", f"{item.split.part[j]:+.3f}"] if arm else ["–", "–"]
        table.add_row(*cells, end_section=j + 1 == len(found[0].split.row_names))
    for k in found[0].split.facets:
        name = found[0].split.facet_names[k]
        cells = [
            f"glenoid, {facet_phrase(name)}:\nprice \\[1/N], shift \\[N/N]",
            f"{found[0].split.price[k]:.5f}",
        ]
        for item in found:
            cells += [f"{item.split.slope[k]:+.3f}", f"{item.split.facet_part[k]:+.3f}"]
        table.add_row(*cells, end_section=k == found[0].split.facets[-1])
    lines = {
        "sum of the parts": [f"{i.split.total:+.3f}" for i in found],
        "activation before the bounds": [f"{i.split.before_bounds:+.3f}" for i in found],
        "bound that holds it": [
            {"none": "none", "zero": "0", "one": "1"}[i.split.bound] for i in found
        ],
        "activation": [f"{i.split.activation:.3f}" for i in found],
        "capacity here [N]": [f"{i.factors.capacity:.0f}" for i in found],
        "force, passive included [N]": [f"{i.force:.0f}" for i in found],
    }
    for label, values in lines.items():
        table.add_row(label, "", *(cell for value in values for cell in ("", value)))
    screen.print(table)


def _print_changes(
    screen: Console, changes: Counterfactuals, found: Sequence[HeadExplanation]
) -> None:
    import numpy as np
    from rich.table import Table

    from momentshare.explain.phrases import case_label

    shown = [changes.index, *(i.index for i in found if i.index != changes.index)]
    names = changes.problems[0].head_names
    table = Table(title=f"If one thing about {changes.head} were different", title_justify="left")
    table.add_column("change")
    for index in shown:
        name = names[index].replace("/", "/\n")
        table.add_column(f"{name}\nactivation", justify="right")
        table.add_column("\n\nforce [N]", justify="right")
    table.add_column("greatest changes elsewhere")
    table.add_column("total\neffort", justify="right")
    table.add_column("unmet\n[N·m]", justify="right")
    for k, case in enumerate(changes.cases):
        difference = changes.activation_change(case)
        rest = [i for i in np.argsort(-np.abs(difference)) if i not in shown][:2]
        cells = [case_label(case, changes.twin_of)]
        for index in shown:
            cells += [
                f"{changes.sharing.activation[k, index]:.3f}",
                f"{changes.sharing.force[k, index]:.0f}",
            ]
        table.add_row(
            *cells,
            "\n".join(f"{names[i]} {difference[i]:+.3f}" for i in rest) if k else "",
            f"{changes.effort[k]:.3f}",
            f"{np.abs(changes.sharing.unmet[k]).max():.1f}",
        )
    screen.print(table)


def _print_table(screen: Console, data: pd.DataFrame, title: str) -> None:
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left")
    for name in data.columns:
        numeric = data[name].dtype.kind == "f"
        table.add_column(name.replace("_", " "), justify="right" if numeric else "left")
    for line in data.itertuples(index=False):
        cells = zip(data.columns, line, strict=True)
        table.add_row(
            *(
                escape(str(v)) if isinstance(v, str)
                else f"{v:.0f}" if str(n).endswith("_n") else f"{v:+.3f}"
                for n, v in cells
            )
        )  # fmt: skip
    screen.print(table)
