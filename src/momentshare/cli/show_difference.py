"""The difference between two conditions on the terminal, in files and on the page."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from momentshare.cli.explain_difference import explain_conditions
from momentshare.cli.explain_more import (
    EQUAL_CAPTION,
    draw_equal_moments,
    named_limits,
    show_paragraphs,
    told_text,
)
from momentshare.cli.output import Written
from momentshare.text import head_label, head_phrase, signed_number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from momentshare.cli.explain_difference import Asked, Explained
    from momentshare.cli.output import Output
    from momentshare.cohort.schema import CohortStudy
    from momentshare.explain.mixtures import Member
    from momentshare.report.page.answer import Answer
    from momentshare.study import Study

__all__ = ["show_conditions"]


def show_conditions(source: Study | CohortStudy, asked: Asked, output: Output) -> Written:
    """Explain the difference between two conditions; print it, and collect what is written."""
    from momentshare.report.figures import explain as report
    from momentshare.report.figures.difference import difference_figure

    said = explain_conditions(source, asked)
    first, *rest = said.paragraphs()
    texts = [first, *said.sums(), *rest]
    record = report.explain_record(
        source,
        who=said.title,
        difference=said.record(),
        heads=[report.head_record(item) for item in said.heads],
        text=texts,
    )
    if not output.as_json:
        _print_conditions(said)
    drawing = partial(
        difference_figure, said.found, said.head, said.along, said.drawn, asked.person,
        limits=said.pair[0].prepared.limb.model.limits, kinds=said.kinds,
    )  # fmt: skip
    equal = draw_equal_moments(
        said.equal, dict(zip(asked.conditions, said.pair, strict=True)), said.title, said.kinds
    )
    return Written(
        record=record,
        tables=said.tables(),
        texts={"explanation.txt": told_text(texts)},
        figures={"difference": drawing, "arms": _arms(said, source.file.note), **equal}
        if output.figures
        else {},
        shown=list(asked.conditions),
        answer=_answer(source, said, texts[1:]),
    )


def _answer(source: Study | CohortStudy, said: Explained, texts: list[str]) -> Answer:
    """Collect what the report holds besides tables and figures."""
    from momentshare.explain import difference_sentences as say
    from momentshare.report.page.answer import Answer
    from momentshare.report.text.explain_opening import explain_opening
    from momentshare.report.text.opening import HOW_SURE
    from momentshare.validation.bearing import rows_table

    sure = say.sure_sentence(said.found, said.head, said.drawn, said.asked.draws)
    on_page = dict(zip(said.bearing.texts, said.bearing.brief, strict=True)) | {sure: ""}
    return Answer(
        study=source,
        title=said.title,
        opening=explain_opening(
            " ".join(say.answer_sentences(said.found, said.head, said.drawn)),
            sure,
            rows_table(said.bearing.rows),
            said.bearing.keys,
            second=HOW_SURE,
            short=said.short(),
        ),
        figures={
            "difference": "What the difference is made of, and how it changes along the lift.",
            "arms": "The arm in both conditions at the height that is explained, with the force of "
            "the hand and its distances from elbow and shoulder.",
            "equal_moments": EQUAL_CAPTION,
        },
        tables={
            "difference.csv": "Difference of every head that works, by factor",
            "what_if.csv": f"What would become of {head_phrase(said.head)}",
            "greatest_load_by_strength.csv": "Which strength limits the load",
        },
        texts=[left for text in texts if (left := on_page.get(text, text))],
        shown=_on_the_page(said),
    )


def _on_the_page(said: Explained) -> dict[str, pd.DataFrame]:
    """Tables without what the title says; what would change the difference, for the head named."""
    from momentshare.explain.phrases import NOTHING, case_label

    whole, changes = said.found.to_dataframe(), said.changes.to_dataframe()
    works = whole[["activation_first", "activation_second"]].max(axis=1) >= NOTHING
    sizes = [name for name in map(str, whole.columns) if name.startswith("activation_")]
    own = changes[changes["head"] == said.head].drop(columns=["head", "kind"])
    return {
        "difference.csv": whole.loc[works, ["head", *sizes, "force_difference_n"]],
        "what_if.csv": own.assign(case=[case_label(case) for case in own["case"]]),
    }


def _arms(said: Explained, note: str) -> partial[Figure]:
    """Draw both conditions side by side, in the frames that are compared."""
    from momentshare.report import draw_arms

    names = said.found.names
    return partial(
        draw_arms,
        dict(zip(names, said.pair, strict=True)),
        dict(zip(names, said.found.frames, strict=True)),
        title=said.title,
        note=note,
        kinds=said.kinds,
    )


def _print_conditions(explained: Explained) -> None:
    """Print the answer, the sum with its components, the sums to check, then everything else."""
    from rich.table import Table

    from momentshare.cli.tables import console
    from momentshare.directions import ROWS, moment_direction
    from momentshare.explain.difference_sentences import FACTOR_WORDS
    from momentshare.explain.limited_heights import limit_words
    from momentshare.explain.mixtures import FACTORS, Member, member_words
    from momentshare.explain.phrases import NOTHING, capital, percent
    from momentshare.report.text.terminal import print_cautions, print_limits

    screen, found, head = console(), explained.found, explained.head
    first, *rest = explained.paragraphs()
    screen.print(explained.title, highlight=False, markup=False)
    show_paragraphs(screen, [first], bold=True)
    index = found.head_names.index(head)
    heights = " and ".join(dict.fromkeys(percent(h) for h in found.heights))
    table = Table(
        title=f"{capital(head_phrase(head))}{limit_words(explained.keys(head))}: part of "
        "activation \\[1] by factor and component, at "
        f"{heights} of the bar height, lateral force {' and '.join(dict.fromkeys(found.lateral))}",
        title_justify="left",
    )
    table.add_column("factor, component")
    for name in found.names:
        table.add_column(name.replace("[", "\\["), justify="right")
    table.add_column("part", justify="right")
    table.add_column("same sign in", justify="right")
    factors = found.factors(head)
    known = explained.drawn if explained.drawn is not None and explained.drawn.draws else None

    def numbers(member: Member) -> list[str]:
        if member.name not in ROWS:
            return ["", ""]
        row = found.row_names.index(member.name)
        if member.factor == "arms":
            arms = found.arms[:, row, index].tolist()
            return [
                f"{signed_number(v, 4)} m" if abs(v) >= _NO_ARM else "no own moment arm"
                for v in arms
            ]
        values = found.moments if member.factor == "moments" else found.lateral_moments
        return [
            f"{moment_direction(member.name, v).noun} {abs(v):.1f} N·m"
            for v in values[:, row].tolist()
        ]

    for factor in FACTORS:
        share = ""
        if known is not None and abs(factors[factor]) >= NOTHING:
            share = str(known.part_sign(head, factor, factors[factor]))
        own = [f"{v:.0f} N" for v in found.capacity[:, index]] if factor == "capacity" else ["", ""]
        table.add_row(
            f"[bold]{FACTOR_WORDS[factor].removeprefix('the ')}[/bold]", *own,
            f"[bold]{signed_number(factors[factor], 4)}[/bold]", share.removeprefix("in "),
        )  # fmt: skip
        parts = found.components(head, factor)
        for name in parts:
            if abs(parts[name]) >= NOTHING:
                member = Member(factor, name)
                table.add_row(
                    f"  {member_words(member)}", *numbers(member), signed_number(parts[name], 4), ""
                )
        table.add_section()
    gap = float(found.gap[index])
    share = "" if known is None else str(known.same_sign(head, gap)).removeprefix("in ")
    table.add_row(
        "activation, difference", *(f"{v:.4f}" for v in found.activation[:, index]),
        signed_number(gap, 4), share,
    )  # fmt: skip
    screen.print(table)
    show_paragraphs(screen, [*explained.sums(), *rest])
    limits = explained.pair[0].prepared.limb.model.limits
    named = _print_heads(explained)
    print_limits(screen, limits, [*named, *named_limits([first, *rest], limits)])
    print_cautions(screen)


_NO_ARM = 5e-5
"""Moment arm [m] below which a head is said to have none."""

_SHOWN_HEADS = 8


def _print_heads(explained: Explained) -> list[str]:
    """Print the heads that differ most, with what accounts for it; return the limits that mark."""
    from rich.table import Table

    from momentshare.cli.tables import console
    from momentshare.explain.difference_sentences import FACTOR_LABELS
    from momentshare.limits import marked

    found = explained.found
    table = Table(title="Heads that differ most; all in difference.csv", title_justify="left")
    table.add_column("head")
    for name in (*found.names, "difference", *FACTOR_LABELS.values()):
        table.add_column(name.replace("[", "\\["), justify="right")
    keys = []
    for index in abs(found.gap).argsort()[::-1][:_SHOWN_HEADS]:
        head = found.head_names[index]
        keys.append(explained.keys(head))
        a, b = found.activation[:, index]
        table.add_row(
            marked(head_label(head), keys[-1]),
            f"{a:.3f}",
            f"{b:.3f}",
            signed_number(a - b, 3),
            *(signed_number(part, 3) for part in found.factors(head).values()),
        )  # fmt: skip
    console().print(table)
    return keys
