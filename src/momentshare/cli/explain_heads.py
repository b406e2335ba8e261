"""``momentshare explain``: every head in short, one head, or two side by side."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from momentshare.cli.explain_around import around_heads, of_themselves, of_two_heads
from momentshare.cli.explain_more import (
    EQUAL_CAPTION,
    draw_equal_moments,
    named_limits,
    print_table,
    show_paragraphs,
    told_text,
)
from momentshare.cli.output import Written
from momentshare.limits import marked
from momentshare.text import head_label, head_phrase, signed_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from rich.console import Console

    from momentshare.cli.explain_lifts import HeadsAsked
    from momentshare.cli.output import Output
    from momentshare.cohort.schema import CohortStudy
    from momentshare.explain import Counterfactuals, HeadExplanation, WorkedExample
    from momentshare.report.page.answer import Answer
    from momentshare.study import Study

__all__ = ["explain_all", "explain_heads"]


_ARM_CAPTION = (
    "The arm at this height, with the force of the hand and its distances from elbow and shoulder."
)


def explain_all(source: Study | CohortStudy, asked: HeadsAsked, output: Output) -> Written:
    """Drive of every head in short."""
    from momentshare.explain import drive_table, explain_head, short_text
    from momentshare.limits import with_limits
    from momentshare.report.figures import explain as report
    from momentshare.report.page.answer import Answer
    from momentshare.report.text.explain_opening import heads_opening

    result = asked.result
    first = explain_head(result, result.prepared.limb.head_names[0], frame=asked.frame)
    limits = result.prepared.limb.model.limits
    table = drive_table(first.problem, first.sharing).assign(
        condition=asked.title, lateral=first.lateral_mode, height_fraction=first.height_fraction
    )
    table = with_limits(table, limits, {asked.title: asked.kind}, "activation", "force")
    table = table.drop(columns=["condition", "lateral", "height_fraction"])
    record = report.explain_record(
        source,
        who=asked.title,
        lateral=first.lateral_mode,
        lateral_force_n=first.lateral_force,
        height_fraction=first.height_fraction,
        status=str(first.sharing.status_text),
        heads=table.to_dict(orient="records"),
    )
    opening = heads_opening(table, short_text(first))
    if not output.as_json:
        from momentshare.cli.tables import console
        from momentshare.report.text.opening import print_opening
        from momentshare.report.text.terminal import print_cautions, print_limits

        screen = console()
        _heading(screen, asked.title, first)
        print_opening(screen, opening)
        title = "Drive of every head; name one with --head to explain it"
        labels = [
            marked(head_label(str(line.head)), str(line.limit)) for line in table.itertuples()
        ]
        print_table(screen, table.assign(head=labels).drop(columns="limit"), title)
        print_limits(screen, limits, table["limit"])
        print_cautions(screen)
    answer = Answer(
        study=source,
        title=f"{asked.title}: every head",
        opening=opening,
        figures={"arm": _ARM_CAPTION},
        tables={"drive_by_head.csv": "Drive of every head"},
        texts=[f"Lateral force {first.lateral_mode}; {asked.note}"],
    )
    drawings: dict[str, Any] = {}
    if output.figures:
        from momentshare.report import draw_arm

        drawings["arm"] = partial(
            draw_arm, result, asked.frame, title=asked.title, note=source.file.note, kind=asked.kind
        )
    return Written(
        record=record,
        tables={"drive_by_head.csv": table},
        figures=drawings,
        shown=[asked.title],
        answer=answer,
    )


def explain_heads(source: Study | CohortStudy, asked: HeadsAsked, output: Output) -> Written:
    """Explain one head, or two side by side."""
    import pandas as pd

    from momentshare.explain import (
        case_from_frame,
        counterfactuals,
        explain_along,
        explain_head,
        limit_texts,
        short_sentences,
        work,
    )
    from momentshare.explain.limited_heights import limited_heights_texts
    from momentshare.explain.paragraphs import explanation_parts
    from momentshare.report.figures import explain as report

    result, heads = asked.result, asked.heads
    found = [explain_head(result, name, frame=asked.frame) for name in heads]
    changes = [counterfactuals(item.problem, item.head) for item in found]
    alongs = [
        {mode: explain_along(own, name) for mode, own in asked.results.items()} for name in heads
    ]
    second = len(heads) > 1
    around = around_heads(asked, found)
    parts = explanation_parts(
        found[0],
        changes[0],
        title=asked.title,
        note=asked.note,
        other=found[1] if second else None,
        other_changes=changes[1] if second else None,
        alongs=alongs[0],
        other_alongs=alongs[1] if second else None,
    )
    limits = result.prepared.limb.model.limits
    leaning = [text for item in found for text in limit_texts(item, limits, asked.kind)]
    heights = sorted({h for own in alongs[0].values() for h in own["height_fraction"].tolist()})
    leaning += limited_heights_texts(limits, heads, heights, [asked.kind], list(alongs[0]))
    start = [around.answer, *around.readings, *short_sentences(found[0]), *around.sums]
    paragraphs = (*start, *(p.text for p in parts if p.text), *leaning, *around.rest())
    beside = [*(p.beside_tables for p in parts if p.beside_tables), *leaning]
    example: WorkedExample | None = None
    if asked.worked:
        example = work(case_from_frame(found[0], found[1] if second else None))
    record = report.explain_record(
        source,
        who=asked.title,
        heads=[report.head_record(item) for item in found],
        counterfactuals=[report.changes_record(item) for item in changes],
        text=list(paragraphs),
        worked=None if example is None else report.worked_record(example),
    )
    if not output.as_json:
        _print(asked, found, changes, (start, [*beside, *around.rest()]), example)
    tables = {
        "drive.csv": pd.concat(
            [i.split.to_dataframe().assign(capacity_n=i.factors.capacity) for i in found],
            ignore_index=True,
        ),
        "drive_along_lift.csv": pd.concat(
            [table for group in alongs for table in group.values()], ignore_index=True
        ),
        "counterfactuals.csv": pd.concat([c.to_dataframe() for c in changes], ignore_index=True),
        "counterfactual_cases.csv": pd.concat([c.to_cases() for c in changes], ignore_index=True),
        **around.tables,
    }
    texts = {"explanation.txt": told_text(paragraphs)}
    if example is not None:
        texts |= {"worked.txt": example.text(), "worked.tex": example.latex()}
    drawings: dict[str, Any] = {}
    if output.figures:
        from momentshare.report import draw_arm, draw_arm_strip

        title, remark = asked.title, source.file.note
        drawings["drive"] = partial(
            report.drive_figure, found, [group[asked.mode] for group in alongs], title,
            result.prepared.limb.model.limits, asked.kind,
        )  # fmt: skip
        drawings["arm"] = partial(
            draw_arm, result, asked.frame, title=title, note=remark, kind=asked.kind
        )
        drawings["arm_along_lift"] = partial(
            draw_arm_strip,
            result,
            title=f"{title}, along the lift",
            note=remark,
            kind=asked.kind,
        )
        drawings |= draw_equal_moments(
            around.pairs, {asked.condition: result}, title, {asked.condition: asked.kind}
        )
    return Written(
        record=record,
        tables=tables,
        texts=texts,
        figures=drawings,
        shown=[asked.title, *heads],
        answer=_answer(source, asked, found, [*start, *beside, *around.rest(on_page=True)], tables),
    )


def _answer(
    source: Study | CohortStudy,
    asked: HeadsAsked,
    found: Sequence[HeadExplanation],
    paragraphs: Sequence[str],
    tables: dict[str, pd.DataFrame],
) -> Answer:
    """Collect what the report holds besides tables and figures."""
    from momentshare.explain import short_text
    from momentshare.explain.leaning import limit_keys
    from momentshare.report.page.answer import Answer
    from momentshare.report.text.explain_opening import explain_opening, heads_moves

    height, limits = found[0].height_fraction, asked.result.prepared.limb.model.limits
    touching = [key for item in found for key in limit_keys(item, limits, asked.kind)]
    along = tables["drive_along_lift.csv"]
    shown = {"counterfactuals.csv": of_themselves(tables["counterfactuals.csv"])}
    if "what_if.csv" in tables:
        heads = [item.head for item in found]
        shown["what_if.csv"] = of_two_heads(tables["what_if.csv"], heads[0], heads[1])
    moves = heads_moves(along, [item.head for item in found], height)
    return Answer(
        study=source,
        title=f"{asked.title}: {' and '.join(head_phrase(item.head) for item in found)}",
        opening=explain_opening(
            paragraphs[0],
            moves,
            tables["published_rows.csv"],
            list(dict.fromkeys(touching)),
            short=[short_text(found[0])],
        ),
        figures={
            "drive": "What the activation is made of, and how it changes along the lift.",
            "arm": _ARM_CAPTION,
            "arm_along_lift": "The arm along the lift.",
            "equal_moments": EQUAL_CAPTION,
        },
        tables={
            "drive.csv": "Parts of the drive",
            "counterfactuals.csv": "If one thing were different: what becomes of the head",
            "what_if.csv": "What would become of the difference",
            "greatest_load_by_strength.csv": "Which strength limits the load",
        },
        texts=paragraphs[1:],
        shown=shown,
    )


def _heading(screen: Console, title: str, found: HeadExplanation) -> None:
    from rich.markup import escape

    screen.print(
        f"[bold]{escape(title)}[/bold], lateral force {found.lateral_mode} "
        f"({signed_number(found.lateral_force, 0)} N), {100.0 * found.height_fraction:.0f} % of "
        f"the bar height: {found.sharing.status_text}",
        highlight=False,
    )


def _print(
    asked: HeadsAsked,
    found: Sequence[HeadExplanation],
    changes: Sequence[Counterfactuals],
    paragraphs: tuple[Sequence[str], Sequence[str]],
    example: WorkedExample | None,
) -> None:
    """Print the answer with its sums, the tables, then the rest."""
    from momentshare.cli.tables import console
    from momentshare.report.text.terminal import print_cautions, print_limits

    screen = console()
    _heading(screen, asked.title, found[0])
    start, rest = paragraphs
    show_paragraphs(screen, start[:1], bold=True)
    show_paragraphs(screen, start[1:])
    marks = _head_marks(asked, found[0])
    _print_drive(screen, found, marks)
    seen = [marks[item.head] for item in found]
    for item in changes:
        seen += _print_changes(screen, item, found, marks)
    show_paragraphs(screen, rest)
    if example is not None:
        screen.print("[bold]Worked case[/bold]")
        # Equations are drawn over several lines and must not be wrapped.
        screen.print(example.text(), highlight=False, markup=False, soft_wrap=True)
    limits = asked.result.prepared.limb.model.limits
    print_limits(screen, limits, [*seen, *named_limits([*start, *rest], limits)])
    print_cautions(screen)


def _head_marks(asked: HeadsAsked, found: HeadExplanation) -> dict[str, str]:
    """Head → keys of the limits that concern it at the height that is explained."""
    from momentshare.explain.limited_heights import head_keys

    limb = asked.result.prepared.limb
    return {
        head: head_keys(
            limb.model.limits, head, found.height_fraction, [asked.kind], found.lateral_mode
        )
        for head in limb.head_names
    }


def _print_drive(
    screen: Console, found: Sequence[HeadExplanation], marks: Mapping[str, str]
) -> None:
    from rich.table import Table

    from momentshare.directions import row_named
    from momentshare.explain.phrases import facet_phrase
    from momentshare.report.figures.explain import part_label

    table = Table(title=f"Drive by row: {part_label(found[0].split.exponent)}",
                  title_justify="left")  # fmt: skip
    table.add_column("moment, positive in the\ndirection named")
    table.add_column("multiplier [1/(N·m)]", justify="right")
    for item in found:
        name = marked(head_label(item.head).replace(", ", ",\n"), marks[item.head])
        table.add_column(f"{name}\nmoment arm \\[m]", justify="right")
        table.add_column("\n\npart [1]", justify="right")
    for j, row in enumerate(found[0].split.row_names):
        cells = [row_named(row).positive.words, signed_number(found[0].split.multiplier[j], 5)]
        for item in found:
            arm = float(item.split.moment_arm[j])
            cells += (
                [signed_number(arm, 5), signed_number(item.split.part[j], 3)] if arm else ["–", "–"]
            )
        table.add_row(*cells, end_section=j + 1 == len(found[0].split.row_names))
    for k in found[0].split.facets:
        name = found[0].split.facet_names[k]
        cells = [
            f"glenoid, {facet_phrase(name)}:\nprice \\[1/N], shift \\[N/N]",
            f"{found[0].split.price[k]:.5f}",
        ]
        for item in found:
            cells += [
                signed_number(item.split.slope[k], 3),
                signed_number(item.split.facet_part[k], 3),
            ]
        table.add_row(*cells, end_section=k == found[0].split.facets[-1])
    lines = {
        "sum of the parts": [signed_number(i.split.total, 3) for i in found],
        "activation before the bounds": [signed_number(i.split.before_bounds, 3) for i in found],
        "bound that holds it": [
            {"none": "none", "zero": "0", "one": "1"}[i.split.bound] for i in found
        ],
        "activation": [f"{i.split.activation:.3f}" for i in found],
        "capacity here [N]": [f"{i.factors.capacity:.1f}" for i in found],
        "weight in the effort": [f"{i.split.weight:.4g}" for i in found],
        "force, passive included [N]": [f"{i.force:.0f}" for i in found],
    }
    for label, values in lines.items():
        table.add_row(label, "", *(cell for value in values for cell in ("", value)))
    screen.print(table)


def _print_changes(
    screen: Console,
    changes: Counterfactuals,
    found: Sequence[HeadExplanation],
    marks: Mapping[str, str],
) -> list[str]:
    """Print what one change would do; return the limits that mark heads."""
    import numpy as np
    from rich.table import Table

    from momentshare.explain.phrases import case_label

    shown = [changes.index, *(i.index for i in found if i.index != changes.index)]
    names = changes.problems[0].head_names
    title = f"If one thing about {head_phrase(changes.head)} were different"
    table = Table(title=title, title_justify="left")
    table.add_column("change")
    for index in shown:
        name = marked(head_label(names[index]).replace(", ", ",\n"), marks[names[index]])
        table.add_column(f"{name}\nactivation", justify="right")
        table.add_column("\n\nforce [N]", justify="right")
    table.add_column("greatest changes elsewhere")
    table.add_column("total\neffort", justify="right")
    table.add_column("unmet\n[N·m]", justify="right")
    seen: list[str] = []
    for case in changes.told:
        k = changes.place(case)
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
            "\n".join(
                f"{marked(head_label(names[i]), marks[names[i]])} {signed_number(difference[i], 3)}"
                for i in rest
            )
            if k
            else "",
            f"{changes.effort[k]:.3f}",
            f"{np.abs(changes.sharing.unmet[k]).max():.1f}",
        )
        seen += [marks[names[i]] for i in rest if k]
    screen.print(table)
    return seen
