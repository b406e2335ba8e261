"""Opening of a study of planned lifts, from its table of orders."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import pandas as pd

from momentshare import reading
from momentshare.limits import keys_text, lift_kinds, merged_keys, with_limits
from momentshare.reading.once import made_once
from momentshare.report.text.null_orders import null_text
from momentshare.report.text.opening import (
    Opening,
    beyond_limb,
    counted,
    everyone,
    foremost,
    head_volumes,
    joined,
    points,
    sentence,
    supported,
    widest,
)
from momentshare.report.text.verdicts import (
    FIRM_ORDER,
    LEVEL_PAIR,
    LIMITED,
    TURNING,
    spans_zero,
    verdict_on,
)
from momentshare.sharing import Status
from momentshare.study.factors import MOST_CROSSED
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from momentshare.limits import Limits
    from momentshare.study import StudyResult

__all__ = [
    "LEVEL",
    "MOST_MUSCLE",
    "POSTURE",
    "WORKING",
    "concerned_keys",
    "course_keys",
    "course_text",
    "lead_word",
    "most_muscle",
    "study_opening",
    "tried_text",
    "verdict_table",
]

WORKING = 0.05
"""Lift-mean activation that a head must reach in a condition of a pair; assumed."""

LEVEL = 0.01
"""Difference of lift-mean activation below which two conditions are level; assumed."""

MOST_MUSCLE = "the largest, weighted by muscle volume"
"""How a text says why an order is the one that it names."""


def lead_word(count: int, among: Sequence[str] = ()) -> str:
    """Say why an order is named out of so many; nothing where there is one.

    Parameters
    ----------
    count : int
    among : sequence of str
        What it is the largest among, if it is not of all.

    Examples
    --------
    >>> lead_word(1), lead_word(2)[:22]
    ('', 'the largest, weighted ')
    """
    return f"{most_muscle(among)}: " if count > 1 else ""


def most_muscle(among: Sequence[str] = ()) -> str:
    """Say that an order is the one of most muscle, of all or among some.

    Examples
    --------
    >>> most_muscle(["in heads that reach 10 %"])
    'the largest, weighted by muscle volume, in heads that reach 10 %'
    """
    return ", ".join((MOST_MUSCLE, *among))


_LATERAL, POSTURE, _PEOPLE = "lateral force", "posture rule", "people"
"""What may reverse an order."""


@made_once
def verdict_table(study: StudyResult) -> pd.DataFrame:
    """Judge the order of every two conditions within every working head.

    Returns
    -------
    DataFrame
        One row per head and pair. ``condition`` has the higher lift-mean activation, mean over
        people, with the lateral force treated as in ``lateral``, the first of the study;
        ``difference`` is how much, ``difference_low`` and ``difference_high`` the least and
        greatest over the treatments. ``verdict`` is ``firm`` where the order is the same for
        everyone, under every treatment and throughout the band of the posture rule, ``turns``
        where it is not, with ``turns_with`` naming what turns it, ``beyond the limb`` where a
        limit of the limb concerns it, and ``level`` where the difference nowhere reaches a
        percentage point. ``active_volume_cm3`` is ``difference`` times the volume of the head in
        the reference person, ``activation`` that of ``condition`` under ``lateral``; both decide
        which order the text leads with.
    """
    limits, kinds = study.model.limits, lift_kinds(study.study.file.condition)
    orders = with_limits(reading.ordering_table(study), limits, kinds, "activation")
    columns = [
        "head", "condition", "other", "lateral", "difference", "difference_low",
        "difference_high", "verdict", "turns_with", "limit",
    ]  # fmt: skip
    volumes = head_volumes(study.model)
    if orders.empty:
        return pd.DataFrame(columns=[*columns, "active_volume_cm3", "activation"])
    heads = reading.head_table(study)
    working = _working(heads)
    groups: dict[tuple[str, str, str], list[dict[Any, Any]]] = {}
    for order in orders.to_dict(orient="records"):
        one, two = sorted((str(order["condition"]), str(order["other"])))
        head = str(order["head"])
        if (head, one) in working or (head, two) in working:
            groups.setdefault((head, one, two), []).append(order)
    rows = [_judged(found) for found in groups.values()]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(
        active_volume_cm3=table["difference"] * table["head"].map(volumes),
        activation=_in_higher(table, heads),
    )


def _in_higher(table: pd.DataFrame, heads: pd.DataFrame) -> list[float]:
    """Mean activation in the higher condition; one without a bar has the treatment zero only."""
    means: dict[tuple[str, str], dict[str, float]] = {}
    for row in heads.to_dict(orient="records"):
        own = means.setdefault((str(row["head"]), str(row["condition"])), {})
        own[str(row["lateral"])] = float(row["mean_activation_mean"])
    found = []
    for head, condition, lateral in zip(
        table["head"], table["condition"], table["lateral"], strict=True
    ):
        own = means[head, condition]
        found.append(own.get(lateral, next(iter(own.values()))))
    return found


def _judged(orders: Sequence[Mapping[Any, Any]]) -> tuple[Any, ...]:
    """Judge the order of one pair within one head, one row per treatment."""
    first = orders[0]
    signed = [
        order["difference"] if order["condition"] == first["condition"] else -order["difference"]
        for order in orders
    ]
    turned = {
        _LATERAL: spans_zero(min(signed), max(signed)),
        POSTURE: any(order.get("turns_with_posture") is True for order in orders),
        _PEOPLE: any(1 < order["people"] > order["people_agreeing"] for order in orders),
    }
    limit = merged_keys(order["limit"] for order in orders)
    turns_with = "; ".join(name for name, it_turns in turned.items() if it_turns)
    level = all(order["difference"] < LEVEL for order in orders)
    verdict = verdict_on(limit, level=level, turns=bool(turns_with))
    return (
        first["head"], first["condition"], first["other"], first["lateral"], first["difference"],
        min(signed), max(signed), verdict, turns_with, limit,
    )  # fmt: skip


def _working(heads: pd.DataFrame) -> set[tuple[str, str]]:
    """Heads and conditions where a head works under some treatment."""
    mine = heads[heads["mean_activation_mean"] >= WORKING]
    return set(zip(mine["head"].astype(str), mine["condition"].astype(str), strict=True))


def study_opening(study: StudyResult, verdicts: pd.DataFrame) -> Opening:
    """Summarise the orders of the conditions.

    Parameters
    ----------
    study : StudyResult
    verdicts : DataFrame
        See :func:`verdict_table`.
    """
    if verdicts.empty:
        return Opening(
            firm=_busiest(study),
            turns="There is no order that anything could reverse.",
            unsaid=_unsaid(study, verdicts),
        )
    return Opening(
        firm=_firm(study, verdicts), turns=_turns(verdicts), unsaid=_unsaid(study, verdicts)
    )


def _busiest(study: StudyResult) -> str:
    """Name the head that pulls hardest of those that the limb supports, or of all."""
    kinds = lift_kinds(study.study.file.condition)
    table = with_limits(reading.head_table(study), study.model.limits, kinds, "force")
    known = table[table["limit"] == ""]
    top = widest(known if len(known) else table, "mean_force_n_mean")
    answered = dict.fromkeys(table.loc[table["mean_activation_mean"].notna(), "condition"])
    why = "With one condition there is nothing to compare"
    if len(study.study.file.condition) > 1:
        why = (
            f"Of {len(study.study.file.condition):,} conditions only '{next(iter(answered))}' has "
            "a lift mean, so there is nothing to compare"
            if len(answered) == 1
            else f"No head reaches {100 * WORKING:.0f} % in a condition, so there is no order"
        )
    return (
        f"{why}; the head that pulls hardest is "
        f"{head_phrase(str(top['head']))}, {100 * top['mean_activation_mean']:.0f} % active in the "
        f"mean of the lift (lateral force {top['lateral']})."
    )


def _order(row: pd.Series) -> str:
    head = head_phrase(str(row["head"]))
    return (
        f"'{row['condition']}' activates {head} {points(row['difference'])} more than "
        f"'{row['other']}' (lateral force {row['lateral']})"
    )


def tried_text(study: StudyResult) -> str:
    """Name the changes that an order had to survive to be firm; empty where none was tried."""
    people = len({case.person for case in study.cases})
    modes = len({result.lateral.mode for _, result in study.pairs()})
    parts = [everyone(people)] if people > 1 else []
    parts += [
        f"under {'both' if modes == 2 else f'all {modes}'} treatments of the lateral force"
    ] * (modes > 1)
    parts += ["throughout the band of the posture rule"] * (study.band is not None)
    return joined(parts)


def _firm(study: StudyResult, verdicts: pd.DataFrame) -> str:
    firm = verdicts[verdicts["verdict"] == FIRM_ORDER]
    start = f"{supported(len(firm), len(verdicts))} {tried_text(study) or 'as solved'}"
    if firm.empty:
        return f"{start}: nothing is firm."
    top, among = foremost(firm)
    course = course_text(study.model.limits, study.study.file.condition, list(firm["head"]))
    anyway = null_text(firm, study.model)
    return f"{start}; {lead_word(len(firm), among)}{_order(top)}.{course}{anyway}"


def concerned_keys(limits: Limits, conditions: Iterable[Any], verdicts: pd.DataFrame) -> list[str]:
    """Cells with the keys of limits that concern orders and the courses of their heads."""
    kinds = list(conditions)
    courses = (course_keys(limits, kinds, str(head)) for head in verdicts["head"].unique())
    return [*verdicts["limit"], *courses]


def course_keys(limits: Limits, conditions: Iterable[Any], head: str) -> str:
    """Keys of the limits on the course of a head's activation along any lift of a study."""
    kinds = list(lift_kinds(conditions).values())
    rows = limits.at("activation", head=head, kinds=kinds, claim="course")
    return keys_text(row for row in rows if row.claim == "course")


def course_text(limits: Limits, conditions: Iterable[Any], heads: Sequence[str]) -> str:
    """Say in how many firm orders, one per head given, the course is not supported, if in any."""
    own = {head: course_keys(limits, conditions, head).split() for head in set(heads)}
    counts = Counter(key for head in heads for key in own[head])
    parts = []
    for key, count in counts.items():
        third = limits.only_third(key)
        where = f"in the {third} third of the bar height" if third else "along the lift"
        parts.append(f"{where} in {count:,} of them ({key})")
    return f" The course of activation is not supported {joined(parts)}." if parts else ""


def _turns(verdicts: pd.DataFrame) -> str:
    turning = verdicts[verdicts["verdict"] == TURNING]
    if turning.empty:
        return (
            f"No order that this limb supports was reversed by anything tried{_beyond(verdicts)}."
        )
    top, among = foremost(turning)
    return (
        f"{_turning(turning)}; {lead_word(len(turning), among)}{_order(top)}, which turns with "
        f"{joined(_worded(top['turns_with']))}."
    )


def _turning(turning: pd.DataFrame) -> str:
    """Count orders that turn, by what turns them."""
    shares = [
        f"{turning['turns_with'].str.contains(name).sum():,} with {words}"
        for name, words in (
            (_LATERAL, "the treatment of the lateral force"),
            (POSTURE, "the posture rule"),
            (_PEOPLE, "the person"),
        )
        if turning["turns_with"].str.contains(name).any()
    ]
    more = " (some with several)" if len(shares) > 1 else ""
    return (
        f"{counted(len(turning), 'order')} {'turns' if len(turning) == 1 else 'turn'}: "
        f"{joined(shares)}{more}"
    )


def _beyond(verdicts: pd.DataFrame) -> str:
    """Count the orders beyond the limb that turn; empty without any."""
    limited = verdicts[(verdicts["verdict"] == LIMITED) & (verdicts["turns_with"] != "")]
    return f"; of those beyond it, {_turning(limited)}" if len(limited) else ""


def _worded(turns_with: str) -> list[str]:
    words = {_LATERAL: "the lateral force", POSTURE: "the posture rule", _PEOPLE: "the person"}
    return [words[name] for name in turns_with.split("; ")]


def _unsaid(study: StudyResult, verdicts: pd.DataFrame) -> str:
    parts = []
    if len(verdicts):
        limited = verdicts[verdicts["verdict"] == LIMITED]
        level = int((verdicts["verdict"] == LEVEL_PAIR).sum())
        conditions = study.study.file.condition
        if len(conditions) > MOST_CROSSED:
            also = ", and with the first level of each factor," if study.study.factors.names else ""
            parts.append(
                f"each of {len(conditions):,} conditions was compared with "
                f"'{conditions[0].name}'{also} and not with every other"
            )
        if len(limited):
            parts.append(beyond_limb(limited.to_dict(orient="records"), "order"))
        if level:
            parts.append(
                f"{counted(level, 'pair')} {'is' if level == 1 else 'are'} level within a point "
                "under every treatment"
            )
    short = sum(
        int((result.sharing.status == Status.SHORTFALL).sum()) for _, result in study.pairs()
    )
    if short:
        parts.append(
            f"{counted(short, 'frame')} {'is' if short == 1 else 'are'} too heavy for the limb"
        )
    parts += _without_forces(study)
    parts.append("no muscle force is known to better than tens of percent, and none was measured")
    return sentence(parts)


def _without_forces(study: StudyResult) -> list[str]:
    """Name the conditions with frames that no forces within the glenoid's limit can hold."""
    lost: Counter[str] = Counter()
    for case, result in study.pairs():
        lost[case.condition] += int((result.sharing.status == Status.INFEASIBLE).sum())
    return [
        f"in {counted(count, 'frame')} of '{name}' no forces keep within the limit of the glenoid, "
        "so that this lift has no mean"
        for name, count in lost.items()
        if count
    ]
