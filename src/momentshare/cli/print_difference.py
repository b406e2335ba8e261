"""Print the difference between two conditions: the answer, its tables and sums, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.cli.explain_more import named_limits, show_paragraphs
from momentshare.text import head_label, head_phrase, signed_number

if TYPE_CHECKING:
    from momentshare.cli.explain_difference import Explained
    from momentshare.explain.mixtures import Member

__all__ = ["print_conditions"]


def print_conditions(explained: Explained) -> None:
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
    for index in abs(found.gap).argsort()[::-1][:_SHOWN_HEADS]:
        head = found.head_names[index]
        a, b = found.activation[:, index]
        table.add_row(
            marked(head_label(head), explained.keys(head)),
            f"{a:.3f}",
            f"{b:.3f}",
            signed_number(a - b, 3),
            *(signed_number(part, 3) for part in found.factors(head).values()),
        )  # fmt: skip
    console().print(table)
    shown = abs(found.gap).argsort()[::-1][:_SHOWN_HEADS]
    return [explained.keys(found.head_names[index]) for index in shown]
