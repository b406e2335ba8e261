"""What stands around the explanation of heads: answer and sums before, load and rows after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.cli.explain_more import (
    bearing,
    equal_tables,
    limiting,
    limiting_table,
    shares_of_limiting,
    solve_drawn_lifts,
    touched,
)
from momentshare.text import head_label, head_phrase, signed_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.cli.explain_lifts import HeadsAsked
    from momentshare.cli.explain_more import Bearing
    from momentshare.explain import HeadExplanation
    from momentshare.explain.frame_pairs import EqualMoments

__all__ = ["Around", "around_heads", "of_themselves", "of_two_heads"]

_ELSEWHERE = 2
"""Heads besides the changed one that a table names, those that change most."""


def of_themselves(table: pd.DataFrame) -> pd.DataFrame:
    """Counterfactuals of each head in the head itself, and what becomes of others most."""
    from momentshare.explain.phrases import NOTHING, case_label

    mine = table["head"] == table["changed_head"]
    own, others = table[mine], table[~mine]
    told = []
    for changed, case in zip(own["changed_head"], own["case"], strict=True):
        part = others[(others["changed_head"] == changed) & (others["case"] == case)]
        part = part[part["activation_change"].abs() >= NOTHING]
        part = part.sort_values("activation_change", key=abs, ascending=False, kind="stable")
        changes = zip(part["head"], part["activation_change"], strict=True)
        told.append(
            "; ".join(f"{head_label(str(h))} {signed_number(c, 3)}" for h, c in changes
                      if h in set(part["head"][:_ELSEWHERE]))
        )  # fmt: skip
    own = own.drop(columns="changed_head")
    labels = [case_label(case) for case in own["case"]]
    return own.assign(case=labels, greatest_changes_elsewhere=told)


def of_two_heads(table: pd.DataFrame, head: str, other: str) -> pd.DataFrame:
    """Cases of ``what_if.csv`` in two heads of one frame, and the difference between them."""
    from momentshare.explain.difference_sentences import change_words
    from momentshare.explain.group_changes import AS_IT_IS
    from momentshare.explain.phrases import case_label

    mine, yours = (table[table["head"] == name].reset_index(drop=True) for name in (head, other))
    labels = [case_label(c) if c == AS_IT_IS else change_words(c) for c in mine["case"]]
    gap = mine["activation"] - yours["activation"]
    return mine[[]].assign(
        case=labels,
        **{head_label(head): mine["activation"], head_label(other): yours["activation"]},
        difference=gap,
        difference_change=gap - gap[0],
        greatest_unmet_nm=mine["greatest_unmet_nm"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What comes before and after an explanation, with its tables.

    Before: the answer, what its readings are, and the sums to check. After: what limits the load,
    equal moments with different efforts, and published rows.
    """

    answer: str
    readings: list[str]
    sums: list[str]
    load: list[str]
    about: Bearing
    pairs: tuple[EqualMoments, ...]
    tables: dict[str, pd.DataFrame]

    def rest(self, *, on_page: bool = False) -> list[str]:
        """Return what comes after; a page lists the published rows in a table."""
        return [*self.load, *(self.about.brief if on_page else self.about.texts)]


def around_heads(asked: HeadsAsked, found: Sequence[HeadExplanation]) -> Around:
    """Gather what comes before and after an explanation."""
    from momentshare.explain import explain_head, frame_at
    from momentshare.explain.difference_sentences import what_if_sentence
    from momentshare.explain.drawn_heads import drawn_heads
    from momentshare.explain.frame_pairs import equal_moments
    from momentshare.explain.group_changes import what_if
    from momentshare.explain.head_sentences import (
        READINGS,
        apart_sentences,
        equal_sentences,
        head_sentences,
        limiting_sentence,
    )
    from momentshare.explain.heads_apart import explain_heads_apart
    from momentshare.explain.limited_heights import head_keys
    from momentshare.explain.phrases import capital
    from momentshare.explain.sums import sum_lines
    from momentshare.validation.bearing import rows_table

    result, heads = asked.result, asked.heads
    drawn = [
        own[0]
        for own in solve_drawn_lifts(asked.lifts, [asked.condition], [asked.mode], asked.draws)
    ]
    model = asked.lifts.setup.limbs.model
    height = found[0].height_fraction

    def keys(head: str, at: float) -> str:
        return head_keys(model.limits, head, at, [asked.kind], asked.mode)

    tables: dict[str, pd.DataFrame] = {}
    readings = []
    rest: list[str] = []
    if len(heads) > 1:
        apart = explain_heads_apart(result, heads[0], heads[1], frame=asked.frame)
        split = drawn_heads(drawn, (heads[0], heads[1]), height)
        answer = " ".join(apart_sentences(apart, split, {h: keys(h, height) for h in heads}))
        changes = what_if([(asked.condition, result, asked.frame)])
        again = [what_if([(asked.condition, own, frame_at(own, height))]) for own in drawn]
        rest.append(what_if_sentence(changes, heads[0], heads[1], again))
        readings = [READINGS]
        tables["heads_apart.csv"] = apart.to_dataframe()
        tables["what_if.csv"] = changes.to_dataframe()
        if split is not None:
            tables["heads_apart_draws.csv"] = split.to_dataframe()
    else:
        many = [explain_head(own, heads[0], frame=frame_at(own, height)) for own in drawn]
        answer = " ".join(head_sentences(found[0], many, keys(heads[0], height)))
    sums: list[str] = []
    for item in found:
        sums += sum_lines(item, capital(head_phrase(item.head)) if len(heads) > 1 else "")
    marks = touched(model, [asked.kind], [asked.mode])
    load = limiting(result)
    if load is not None:
        rest.append(limiting_sentence(load, "", shares_of_limiting(drawn, load), marks))
        tables["greatest_load_by_strength.csv"] = limiting_table([(asked.condition, load)], marks)
    limited = [name for name in marks if marks[name]]
    pairs = equal_moments([(asked.condition, result)], limited, heads)
    rest += equal_sentences(pairs, lambda pair, k: keys(pair.head, pair.heights[k]))
    tables |= equal_tables(
        pairs, {asked.condition: result}, model.limits, {asked.condition: asked.kind}
    )
    about = bearing(model, heads)
    tables["published_rows.csv"] = rows_table(about.rows)
    return Around(
        answer=answer,
        readings=readings,
        sums=sums,
        load=rest,
        about=about,
        pairs=pairs,
        tables=tables,
    )
