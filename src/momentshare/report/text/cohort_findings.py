"""Findings of a cohort in words: what it shows, what is missing, and what reverses it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.cohort.best_lift import best_lift_texts
from momentshare.cohort.summary import OFTEN_FULL
from momentshare.report.page.document import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    Section,
    Table,
)
from momentshare.report.text.cohort_orders import (
    ALPHA,
    WORKING,
    cohort_factor_statements,
    judged_orders,
)
from momentshare.report.text.cohort_peers import peer_texts, people_texts
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.text import head_label

if TYPE_CHECKING:
    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.report.text.cohort_orders import CohortOrders

__all__ = ["WORKING", "findings", "left_out", "short_texts", "untested_text"]

_SHOWN_TRIALS = 10
"""Trials that a text names (common practice, no source)."""


def findings(result: CohortResult, summary: CohortSummary) -> Section:
    """State what the cohort shows, what is missing, and what reverses it."""
    skipped = [o for o in result.outcomes if o.fault and o.used]
    items = []
    if result.outcomes:
        repetitions = sum(len(o.record.get("repetitions", ())) for o in result.counted)
        items.append(
            f"{len(result.counted)} of {_several(len(result.outcomes), 'trial')} count, with "
            f"{_several(repetitions, 'repetition')}"
            + (f"; {len(skipped)} skipped (see Trials and checks)." if skipped else ".")
        )
        items += [*selection_texts(result), *people_texts(result.study.file.person)]
        items += peer_texts(summary)
        items += best_lift_texts(result.best_lifts)
    items += [*short_texts(summary), *left_out(result, summary)]
    blocks: list[Block] = [Bullets(items=items)] if items else []
    told = cohort_factor_statements(summary)
    if told:
        by_factor = [f"{name}: {text}" for name, text in told.items()]
        blocks += [Heading(text="Factor by factor"), Bullets(items=by_factor)]
    blocks += _orders(summary)
    return Section(
        title="Findings",
        anchor="findings",
        lead="Estimates of a model that is the same for every person: p values and intervals "
        "describe the spread between people and motions, not the model's own errors, which all "
        "people share. An order that reverses when one input is changed is not a finding, nor is "
        "anything that the limb does not support (see Limits).",
        blocks=blocks,
    )


def _several(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def short_texts(summary: CohortSummary) -> list[str]:
    """State where moments could not be met, and which heads are fully active."""
    texts = []
    table = summary.tables.get("shortfalls")
    if table is not None:
        mine = table[table["lateral"] == summary.mode]
        short, frames = int(mine["frames_short"].sum()), int(mine["frames"].sum())
        if short:
            where = mine.sort_values("greatest_unmet_nm").to_dict("records")[-1]
            texts.append(
                f"In {short} of {frames} frames (lateral force {summary.mode}) the limb falls "
                f"short of a moment, most in trial {where['trial']} ({where['person']}, "
                f"{where['condition']}): {where['short_of']}. Fully active heads carry the "
                "shortfall; the moments do not. shortfalls.csv names it for every trial."
            )
        else:
            texts.append(
                f"No frame falls short of a moment (lateral force {summary.mode}; other treatments "
                "in shortfalls.csv)."
            )
        for mode, part in table.groupby("lateral", sort=False, observed=True):
            if met := int(part["frames_at_hand_bound"].sum()):
                texts.append(
                    f"In {met} of {int(part['frames'].sum())} frames with the lateral force {mode} "
                    "it, or a couple of the hands, is at the bound of what a hand can hold; "
                    "the moments table of the trial says which (bound_met)."
                )
    heads = summary.tables.get("heads")
    if heads is not None:
        mine = heads[
            (heads["lateral"] == summary.mode) & (heads["saturated_share_mean"] > OFTEN_FULL)
        ]
        full = [
            f"{head_label(str(head))} ("
            + ", ".join(
                f"{row['condition']} {100 * row['saturated_share_mean']:.0f}"
                for row in part.to_dict("records")
            )
            + ")"
            for head, part in mine.groupby("head", sort=False, observed=True)
        ]
        if full:
            texts.append(
                f"Heads at full activation [% of frames]: {'; '.join(full)}. Such values are a "
                "ceiling, so they are left out of the tests."
            )
    return texts


def left_out(result: CohortResult, summary: CohortSummary) -> list[str]:
    """State what the shown treatment leaves out or repeats, and which answers are uncertified."""
    texts = _unproved(result)
    alone = [c.name for c in result.study.file.condition if not c.one_bar]
    if alone and summary.mode != "zero":
        texts.append(
            f"Without a common bar there is no lateral force, so {', '.join(alone)} appears under "
            "every treatment of the bar with the same numbers."
        )
    heads = summary.tables.get("heads_by_person")
    if heads is not None:
        pairs = {
            mode: set(zip(part["person"], part["condition"], strict=True))
            for mode, part in heads.groupby("lateral", sort=False, observed=True)
        }
        missing = sorted(set().union(*pairs.values()) - pairs.get(summary.mode, set()))
        if missing:
            named = "; ".join(f"{person}, {condition}" for person, condition in missing)
            texts.append(
                f"Left out of tables and figures with lateral force {summary.mode}, because the "
                f"force along the bar was not measured: {named}."
            )
    return texts


def _unproved(result: CohortResult) -> list[str]:
    """State how many frames that enter means have an uncertified answer."""
    texts = []
    counted = {o.number: o.record.get("frames_unproved", {}) for o in result.heads_counted}
    for mode in dict.fromkeys(mode for counts in counted.values() for mode in counts):
        trials = [number for number, counts in counted.items() if counts.get(mode)]
        frames = sum(counted[number][mode] for number in trials)
        more = ", …" if len(trials) > _SHOWN_TRIALS else ""
        what = "frame has" if frames == 1 else "frames have"
        texts.append(
            f"Lateral force {mode}: {frames} {what} an answer without proof (uncertified) that "
            f"counts in the means of heads, in trials {', '.join(map(str, trials[:_SHOWN_TRIALS]))}"
            f"{more}. An exponent nearer to 2 may prove them; frames_unproved of a trial's "
            "trial.json counts them."
        )
    return texts


def _orders(summary: CohortSummary) -> list[Block]:
    """Show the orders of conditions within a head, and what reverses them."""
    import pandas as pd

    found = judged_orders(summary)
    if not found.tested:
        return [Paragraph(text=text)] if (text := untested_text(found)) else []
    level = (
        f"p below {ALPHA:g} (paired t, Holm over {_several(found.tests, 'test')} of all heads; "
        f"lateral force {summary.mode})"
    )
    if not (found.firm or found.turning or found.leaning):
        return [Paragraph(text=f"For no head was a difference between conditions shown, {level}.")]
    labels = {
        "activation": "lift-mean activation [%]",
        "difference": "difference [% points] (interval)",
    }
    told = {
        f"Orders in lift-mean activation, {level}, that hold under every change of one input "
        "that was tried.": found.firm,
        f"Not findings: orders in lift-mean activation, {level}, that reverse when the input "
        "named is changed.": found.turning,
        f"Not findings: orders in lift-mean activation, {level}, that rest on what this limb "
        "does not support.": found.leaning,
    }
    return [
        Table(
            frame=pd.DataFrame(lines),
            caption=caption,
            labels=labels,
            note="; ".join(summary.limits.notes(str(line.get("limit", "")) for line in lines)),
        )
        for caption, lines in told.items()
        if lines
    ]


def untested_text(found: CohortOrders) -> str:
    """Explain why there was no test; empty if there is nothing to compare."""
    count = found.people_untested
    if found.tested or not count:
        return ""
    have = "1 person has" if count == 1 else f"{count} people have"
    return f"Conditions were not tested: {have} several of them, and a test needs at least three."
