"""Opening of draws: which orders survive, and what contributes most to the spread."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from momentshare.report.text.draw_verdicts import (
    judged_pairs,
    judged_rows,
    main_treatment,
    named_heads,
    shown_activation,
)
from momentshare.report.text.null_orders import null_text
from momentshare.report.text.opening import (
    MOVES,
    TURNS,
    Opening,
    beyond_limb,
    counted,
    foremost,
    head_volumes,
    joined,
    points,
    sentence,
    supported,
    widest,
)
from momentshare.report.text.study_opening import course_text, lead_word
from momentshare.report.text.verdicts import (
    FIRM_ORDER,
    LIMITED,
    OPEN_ORDER,
    SHORT_ORDER,
    TURNING,
    rests_on_short,
)
from momentshare.text import head_phrase
from momentshare.uncertainty.layout import FAMILIES
from momentshare.uncertainty.people import both_clear
from momentshare.uncertainty.plan import SURE

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.uncertainty import Summary

__all__ = ["ASSUMPTIONS", "SURE", "judged_pairs", "people_text", "uncertainty_opening"]

_NAMED = 3
"""Number of inputs that the second statement names."""

_ENOUGH = math.ceil(round(1.0 / (1.0 - SURE), 9))
"""Draws from which on one may be against an order that is sure."""

ASSUMPTIONS = (
    (
        "A draw changes all inputs together; it is the same for all conditions, so orders "
        "are between paired values."
    ),
    (
        "Numbers of one kind and source share a common part of their variance (spreads.shared); "
        "their published spreads do not say how much."
    ),
    (
        "Positive numbers are lognormal about the model's value, angles, coordinates and ratios "
        "normal; draws are cut at three standard deviations."
    ),
    (
        "A length estimated from stature spreads by the residual of its fit, a measured one by the "
        "error of measurement. Stature, body mass, training factor, pennation and measured "
        "strengths are taken as exact."
    ),
    (
        "For a measured lift the draws vary the rotation of the trunk about its three axes and of "
        "the upper arm about its own, the size of the force, and the lateral ratio, each constant "
        "along the lift; conditions of a person share half of the variance. Where no static trial "
        "shows the slope of the sternum, its spread turns the trunk further, alike in all lifts of "
        "a person, and in part in those of all people where their sternums were compared. A value "
        "of a person and condition is the mean over the repetitions."
    ),
    (
        "A published table is drawn in its moments and angles by its own spreads; the points of a "
        "condition count as the frames of a lift and move together. Its lateral force is shown as "
        "zero: the moments contain whatever force along the bar there was."
    ),
    (
        "Where a drawn fibre would be longer than its path in the reference posture it is "
        "shortened to leave a millimetre of tendon."
    ),
    (
        "Means over people leave out draws in which one person could not be solved (failures.csv "
        "counts them) or has a frame without forces within the limit of the glenoid; the column "
        "draws counts those that are left. Frames out of reach are left out of the means of their "
        "lift and counted; frames in shortfall stay in, with the heads supplying what they can."
    ),
)
"""Assumptions behind the numbers, as written into ``summary.json``."""


def uncertainty_opening(found: Summary, pairs: pd.DataFrame) -> Opening:
    """Summarise the draws.

    Parameters
    ----------
    found : Summary
    pairs : DataFrame
        See :func:`judged_pairs`.
    """
    turns, moved = _turning(found, pairs), _moved(found)
    return Opening(
        firm=" ".join(filter(None, (_firm(found, pairs), _met(found, pairs)))),
        turns=sentence(filter(None, (turns, moved))),
        unsaid=_unsaid(found, pairs),
        second=TURNS if turns else MOVES,
    )


def _mine(pairs: pd.DataFrame, verdict: str) -> pd.DataFrame:
    return pairs[pairs["verdict"] == verdict]


def _firm(found: Summary, pairs: pd.DataFrame) -> str:
    if pairs.empty:
        return _busiest(found)
    firm = _mine(pairs, FIRM_ORDER)
    start = (
        f"{supported(len(firm), len(pairs))} in at least {100 * SURE:.0f} % of the "
        f"{_used(found)} draws, {_tried(found)}"
    )
    if firm.empty:
        return f"{start}: nothing is firm."
    row, among = foremost(firm, named_heads(found))
    return (
        f"{start}; {lead_word(len(firm), among)}in {head_phrase(str(row['head']))} "
        f"'{row['condition']}' is above '{row['other']}' by {points(row['difference'])} on "
        "average over the draws."
        f"{course_text(found.model.limits, found.plan.study.file.condition, list(firm['head']))}"
        f"{null_text(firm, found.model)}"
    )


def _used(found: Summary) -> str:
    """Count the draws that orders rest on: those that gave both conditions a mean."""
    draws = judged_rows(found)["draws"]
    low, high = int(draws.min()), int(draws.max())
    return f"{low:,}" if low == high else f"{low:,} to {high:,}"


def _tried(found: Summary) -> str:
    """Say under which treatments and by how many criteria the draws were solved."""
    rows = judged_rows(found)
    modes, criteria = (list(dict.fromkeys(rows[name])) for name in ("lateral", "criterion"))
    said = f"lateral force {modes[0]}"
    if len(modes) > 1:
        said = f"under every treatment of the lateral force ({joined(modes)})"
    return f"{said}, by each of {len(criteria)} criteria" if len(criteria) > 1 else said


def _busiest(found: Summary) -> str:
    """Give the interval of the head with most active muscle, if there is nothing to compare."""
    part, _, _ = shown_activation(found)
    known = part[part["mean"].notna()]
    if known.empty:
        return "No draw could be solved."
    volumes = known["head"].map(head_volumes(found.model))
    row = widest(known.assign(active=known["mean"] * volumes), "active")
    return (
        "With one condition there is nothing to compare; most active muscle is in "
        f"{head_phrase(str(row['head']))}, at {100 * row['mean']:.0f} % on average (90 % of draws: "
        f"{100 * row['low']:.0f} to {100 * row['high']:.0f} %)."
    )


def _met(found: Summary, pairs: pd.DataFrame) -> str:
    """Say how firm orders read without the draws in which somebody falls short of a moment."""
    if pairs.empty:
        return ""
    draws = int(judged_rows(found)["draws"].max())
    left = pairs["draws_met"]
    if left.min() >= draws:
        return ""
    low, high = draws - int(left.max()), draws - int(left.min())
    fallen = f"{low:,}" if low == high else f"{low:,} to {high:,}"
    by = "" if low == high else ", by pair of conditions,"
    start = (
        f"In {fallen} of {counted(draws, 'draw')}{by} somebody's limb is too weak for a moment, "
        "and the heads supply what they can"
    )
    firm = _mine(pairs, FIRM_ORDER)
    known = firm[firm["draws_met"] >= _ENOUGH]
    if firm.empty:
        return f"{start}."
    if known.empty:
        return f"{start}; without these draws too few are left to call an order firm."
    hold = int((known["probability_met"] >= SURE).sum())
    few = len(firm) - len(known)
    rest = f"; for {few:,} fewer than {_ENOUGH} draws are left" if few else ""
    return f"{start}; without these draws {hold:,} of {len(firm):,} stay firm{rest}."


def _turning(found: Summary, pairs: pd.DataFrame) -> str:
    """Count the orders that a treatment or a criterion turns; empty where there is one of each."""
    turning = _mine(pairs, TURNING)
    rows = judged_rows(found)
    if len(turning):
        return (
            f"{counted(len(turning), 'order')} {'is' if len(turning) == 1 else 'are'} sure under "
            "one treatment of the lateral force or criterion and not under another"
        )
    several = any(len(set(rows[name])) > 1 for name in ("lateral", "criterion"))
    return "No order is sure under one treatment and open under another" if several else ""


def _moved(found: Summary) -> str:
    """Name the inputs that move activations most."""
    if found.sensitivity is None:
        return "inputs were not ranked"
    ranked = found.sensitivity.overall.head(_NAMED)
    names = [FAMILIES[str(row.family)] for row in ranked.itertuples(index=False)]
    shares = [
        f"{100 * float(str(row.relative_mu_star)):.0f}" for row in ranked.itertuples(index=False)
    ]
    return (
        f"activations depend most on {joined(names)}: {joined(shares)} % of the effect of the "
        "strongest input, on average over heads and conditions"
    )


def _unsaid(found: Summary, pairs: pd.DataFrame) -> str:
    parts = []
    unsure, limited, fallen = (_mine(pairs, name) for name in (OPEN_ORDER, LIMITED, SHORT_ORDER))
    if len(unsure):
        parts.append(
            f"{counted(len(unsure), 'order')} {'is' if len(unsure) == 1 else 'are'} open: neither "
            f"condition is above in {100 * SURE:.0f} % of draws"
        )
    if len(fallen):
        parts.append(rests_on_short(len(fallen), "a condition with a point"))
    if len(limited):
        parts.append(beyond_limb(limited.to_dict(orient="records"), "order"))
    draws = found.plan.draws
    if len(pairs) and math.ceil(round(SURE * draws, 9)) == draws:
        parts.append(
            f"with {counted(draws, 'draw')} {100 * SURE:.0f} % can only mean {draws} of {draws}, "
            f"which chance gives too; take {_ENOUGH} or more"
        )
    if len(pairs) and _used(found) != f"{draws:,}":
        parts.append(
            f"orders rest on {_used(found)} of {counted(draws, 'draw')}, those that could be "
            "solved at every height within the limit of the glenoid"
        )
    lost: Any = found.failures[["draws", "failed", "with_shortfall"]].sum()
    total = counted(int(lost["draws"]), "drawn lift")
    if lost["failed"]:
        parts.append(f"{int(lost['failed']):,} of {total} could not be solved")
    if lost["with_shortfall"]:
        several = len(set(found.intervals["lateral"])) > 1
        under = " under some treatment of the lateral force" if several else ""
        parts.append(
            f"in {int(lost['with_shortfall']):,} of {total} a moment falls short{under} (they "
            "count, with what the heads can supply)"
        )
    parts.append("spreads are partly assumed, and errors that all draws share are not in them")
    return sentence(parts)


def people_text(found: Summary) -> str:
    """Compare the intervals over people and over draws; empty where they were not made."""
    table = found.people_and_model
    if table.empty:
        return ""
    criterion, mode = main_treatment(found)
    pairs = table[
        (table["other"] != "") & (table["criterion"] == criterion) & (table["lateral"] == mode)
    ]
    judged = judged_pairs(found)
    mine = {
        (row.head, frozenset((row.condition, row.other))) for row in judged.itertuples(index=False)
    }
    pairs = pairs[pairs["mean"].notna()]
    known = [
        (row.head, frozenset((row.condition, row.other))) in mine
        for row in pairs.itertuples(index=False)
    ]
    pairs = pairs[known]
    if pairs.empty:
        return ""
    of_people, of_model = (pairs[f"{x}_high"] - pairs[f"{x}_low"] for x in ("people", "model"))
    return (
        f"Of {counted(len(pairs), 'difference')} between two conditions (lateral force {mode}), "
        f"{int(both_clear(pairs).sum())} are clear of zero in both intervals, over people and over "
        f"draws of the model; the model's is the wider one in {int((of_model > of_people).sum())}."
    )
