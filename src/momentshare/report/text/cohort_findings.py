"""Findings of a cohort in words: what it shows, what is missing, and what reverses it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

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
    EXACT,
    WORKING,
    cohort_factor_statements,
    course_note,
    judged_orders,
    level_text,
    load_text,
    of_named,
    order_size,
)
from momentshare.report.text.cohort_peers import (
    peer_texts,
    people_texts,
    weighed_people,
)
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.report.text.opening import joined
from momentshare.report.text.verdicts import ANOTHER_RULE, FIRM_ASKS
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.report.text.cohort_orders import CohortOrders

__all__ = ["WORKING", "every_order", "findings", "left_out", "short_texts", "untested_text"]

_SHOWN_TRIALS = 10
"""Trials that a text names (common practice, no source)."""

_NAMED_FULL = 4
"""Heads at full activation that a text names; chosen here."""

_REVERSE, _REST, _ARE = ("reverses", "reverse"), ("rests", "rest"), ("is", "are")

_SHOWN_ORDERS = 12
"""Rows of the table of findings in the first part; chosen here, so that it takes half a page."""


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
        people = result.study.file.person
        items += [*selection_texts(result), *people_texts(people, weighed_people(result.solved))]
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
        "people share. An order (which of two conditions is the higher in a head) is a finding, or "
        f"firm, if {FIRM_ASKS['cohort']}, and no limit of the limb concerns its lift "
        f"means as a whole (see Limits). {ANOTHER_RULE}",
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
                    f"With the lateral force {mode}, the hands are at their limit in {met} of "
                    f"{int(part['frames'].sum())} frames: neither the lateral force nor the "
                    "couples of the hands can exceed what a hand can hold; the moments table of "
                    "the trial says which (bound_met)."
                )
    heads = summary.tables.get("heads")
    if heads is not None:
        mine = heads[
            (heads["lateral"] == summary.mode) & (heads["saturated_share_mean"] > OFTEN_FULL)
        ]
        if len(mine):
            texts.append(_full_text(mine))
    return texts


def _full_text(mine: pd.DataFrame) -> str:
    """State which heads are at full activation; of many, how many and which most."""
    share = 100.0 * mine["saturated_share_mean"]
    shares = mine.assign(share=share).groupby("head", sort=False, observed=True)
    ceiling = "Such values are a ceiling, so they are left out of the tests."
    if len(shares) <= _NAMED_FULL:
        full = [
            f"{head_label(str(head))} ("
            + ", ".join(f"{r['condition']} {r['share']:.0f}" for r in part.to_dict("records"))
            + ")"
            for head, part in shares
        ]
        return f"Heads at full activation [% of frames]: {'; '.join(full)}. {ceiling}"
    most = shares["share"].max().sort_values(ascending=False, kind="stable").head(_NAMED_FULL)
    named = ", ".join(f"{head_label(str(head))} {value:.0f}" for head, value in most.items())
    return (
        f"{len(shares)} heads are at full activation in more than {100.0 * OFTEN_FULL:.0f} % of "
        f"frames of a condition, most of all [% of frames]: {named}. {ceiling} All are in "
        "heads.csv (saturated_share_mean)."
    )


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


_LABELS = {
    "activation": "activation, higher / lower [%]",
    "difference": "difference [% points] (interval)",
    "adjusted": "difference with covariates held [% points]",
    "in_part": "limit, in part of the lift",
}


def _orders(summary: CohortSummary) -> list[Block]:
    """Show the orders that are findings, of heads named beforehand if there are any."""
    import pandas as pd

    found = of_named(summary)
    if not found.tested:
        return [Paragraph(text=text)] if (text := untested_text(found)) else []
    level = level_text(found, summary)
    if not found.shown:
        return [Paragraph(text=f"For no head was a difference between conditions shown ({level}).")]
    wide = sorted(found.firm, key=order_size, reverse=True)[:_SHOWN_ORDERS]
    lines = [line for line in found.firm if line in wide]
    which = " in the heads named beforehand" if found.named else ""
    if len(lines) < len(found.firm):
        which = f"{which} (the {len(lines)} widest of {len(found.firm)})"
    held = f", with {joined(summary.covariates)} held or not" if summary.covariates else ""
    blocks: list[Block] = []
    if lines:
        columns = ["head", "order", "activation", "difference", "people"]
        columns += ["adjusted"] if summary.covariates else []
        columns += ["in_part"] if any(line["in_part"] for line in lines) else []
        notes = summary.limits.notes(str(line["in_part"]) for line in lines)
        blocks.append(
            Table(
                frame=pd.DataFrame(lines)[columns],
                caption=f"Findings{which}: orders of two conditions in lift-mean activation "
                f"({level}), that no change of one input reverses{held}. Intervals are of single "
                f"differences, {100 * summary.confidence:g} %, not adjusted for the number of "
                "tests.",
                labels={n: v for n, v in _LABELS.items() if n in columns},
                note=" ".join(
                    filter(None, (_noted(notes, lines, summary), load_text(found, summary)))
                ),
            )
        )
    rest = [
        f"{_several(len(part), 'order')} {one if len(part) == 1 else several}"
        for part, one, several in (
            (found.turning, *(f"{verb} when one input is changed" for verb in _REVERSE)),
            (found.leaning, *(f"{verb} on what this limb does not support" for verb in _REST)),
            (found.unheld, *(f"{verb} not shown with covariates held" for verb in _ARE)),
            (
                _unnamed(summary) if found.named else [],
                *(f"{verb} of another head" for verb in _ARE),
            ),
        )
        if part
    ]
    if rest:
        blocks.append(Paragraph(text=f"Not in this table: {'; '.join(rest)} (see All orders)."))
    return blocks


def _noted(notes: Sequence[str], lines: Sequence[dict[str, Any]], summary: CohortSummary) -> str:
    """Limits on part of the lift, and why an order stays firm where one is on its course."""
    told = "; ".join(notes)
    why = course_note(lines, summary)
    return f"{told}. {why}" if why else told


def _unnamed(summary: CohortSummary) -> list[dict[str, Any]]:
    """Firm orders of heads that the study did not name, by the p over all heads."""
    return [line for line in judged_orders(summary).firm if line["head"] not in summary.named_heads]


def every_order(summary: CohortSummary) -> Section | None:
    """Show every order that a test shows, and what reverses it; nothing where there is none."""
    import pandas as pd

    found = judged_orders(summary)
    level = level_text(found, summary)
    told = {
        f"Orders in lift-mean activation ({level}) that hold under every change of one input "
        "that was tried.": found.firm,
        f"Not findings: orders in lift-mean activation ({level}) that reverse when the input "
        "named is changed.": found.turning,
        f"Not findings: orders in lift-mean activation ({level}) that rest on what this limb "
        "does not support.": found.leaning,
        f"Not findings: orders in lift-mean activation ({level}) that are not shown once "
        f"{joined(summary.covariates)} is held.": found.unheld,
    }
    blocks = [
        Table(
            frame=pd.DataFrame(lines).drop(columns=list(EXACT)),
            caption=caption,
            labels={name: label for name, label in _LABELS.items() if name in lines[0]},
            note="; ".join(
                summary.limits.notes(str(line.get("limit", line.get("in_part"))) for line in lines)
            ),
        )
        for caption, lines in told.items()
        if lines
    ]
    return Section(title="All orders", anchor="all-orders", blocks=blocks) if blocks else None


def untested_text(found: CohortOrders) -> str:
    """Explain why there was no test; empty if there is nothing to compare."""
    count = found.people_untested
    if found.tested or not count:
        return ""
    have = "1 person has" if count == 1 else f"{count} people have"
    return f"Conditions were not tested: {have} several of them, and a test needs at least three."
