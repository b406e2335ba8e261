"""Opening of a cohort: tested orders, published tables, or why there are neither."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from momentshare.cohort.adjusted import ADJUSTED
from momentshare.explain.phrases import capital
from momentshare.report.text.cohort_changes import changed_orders, left_out_text
from momentshare.report.text.cohort_findings import untested_text
from momentshare.report.text.cohort_orders import (
    UNSHOWN,
    WORKING,
    CohortOrders,
    choose_foremost,
    level_text,
    load_text,
    of_named,
    order_text,
    part_text,
)
from momentshare.report.text.cohort_selection import left_out_conditions
from momentshare.report.text.opening import (
    Opening,
    beyond_limb,
    counted,
    joined,
    listed,
    points,
    sentence,
    supported,
    widest,
)
from momentshare.report.text.study_opening import lead_word, most_muscle
from momentshare.report.text.verdicts import (
    FIRM_ORDER,
    LIMITED,
    MOST_SHORT,
    OPEN_ORDER,
    SHORT_ORDER,
    TURNING,
    rests_on_short,
    verdict_on,
)
from momentshare.text import head_label, head_phrase
from momentshare.uncertainty.plan import SURE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.published import PublishedResult

__all__ = ["cohort_opening"]

_SIZE = (
    "no muscle force is known to better than tens of percent, and all people share the model's own "
    "errors"
)


def cohort_opening(
    result: CohortResult, summary: CohortSummary, published: Sequence[PublishedResult]
) -> Opening:
    """Summarise a cohort.

    Parameters
    ----------
    result : CohortResult
    summary : CohortSummary
    published : sequence of PublishedResult
        They lead where there is no trial.
    """
    if not result.outcomes and published:
        return _published_opening(published)
    found = of_named(summary)
    return Opening(
        firm=_firm(found, summary),
        turns=_turns(found, summary),
        unsaid=_unsaid(result, found, summary),
    )


def _firm(found: CohortOrders, summary: CohortSummary) -> str:
    """Name the firm order of most muscle, then say how many there are and what was asked."""
    if not found.tested:
        return untested_text(found) or "There is one condition, so nothing was compared."
    level = level_text(found, summary)
    shown = len(found.shown)
    if not shown:
        return f"For no head was a difference between conditions shown ({level})."
    tried = max((int(line["changes_tried"]) for line in found.firm), default=0)
    held = f" and with {joined(summary.covariates)} held" if summary.covariates else ""
    under = f" under {counted(tried, 'change')} of one input{held}" if tried or held else ""
    counts = (
        f"Of {counted(shown, 'order')} of two conditions within a head that a test shows ({level}) "
        f"{len(found.firm):,} {_is(found.firm, 'is', 'are')} firm: no limit of the limb concerns "
        f"{_is(found.firm, 'its lift means', 'their lift means')} as a whole, and the mean "
        f"difference keeps its sign{under}"
    )
    if not found.firm:
        changes = f" under every change of one input{held}"
        return (
            f"Nothing is firm: of {counted(shown, 'order')} of two conditions within a head that a "
            f"test shows ({level}) none is supported by the limb and keeps its sign{changes}."
        )
    if in_part := part_text(found.firm, summary):
        counts = f"{counts}; {in_part}"
    top, among = choose_foremost(found.firm, summary)
    lead = capital(order_text(top))
    why = f" That is {most_muscle(among)}." if len(found.firm) > 1 else ""
    return " ".join(filter(None, (f"{lead}.{why} {counts}.", load_text(found, summary))))


def _turns(found: CohortOrders, summary: CohortSummary) -> str:
    """Count the orders that a test shows and an input reverses, then the others that reverse."""
    if not found.tested:
        return "Without tests there is no order that a changed input could reverse."
    changed = changed_orders(summary)
    if changed is None:
        return "No input was changed, so it is not known what would reverse an order."
    shown = {(line["head"], line["order"]) for line in found.turning}
    others = [
        row
        for row in found.judged
        if row["reversed_by"] and (row["head"], _above(row)) not in shown
    ]
    if found.turning:
        causes = _causes(line["turns_with"] for line in found.turning)
        top, among = choose_foremost(found.turning, summary)
        start = (
            f"{counted(len(found.turning), 'order')} that a test shows "
            f"{_is(found.turning, 'is', 'are')} reversed by a change of one input{causes}; "
            f"{lead_word(len(found.turning), among)}{order_text(top)}."
        )
    else:
        start = "No order that a test shows and the limb supports is reversed by a changed input."
    beside = ""
    if others:
        causes = _causes(row["reversed_by"] for row in others)
        beside = (
            f"{counted(len(others), 'other order')}, which no test shows or a limit concerns, "
            f"{_is(others, 'is', 'are')} reversed too{causes}: in {_heads(others)}."
        )
    return " ".join(filter(None, (start, beside, left_out_text(changed))))


def _above(row: Mapping[str, Any]) -> str:
    return f"{row['condition']} above {row['other']}"


def _causes(texts: Iterable[str]) -> str:
    """Say what reverses several orders, the most frequent first, or one."""
    told = list(texts)
    causes = Counter(cause for text in told for cause in text.split("; "))
    if len(told) == 1:
        return f" ({joined(causes)})"
    most = [f"{cause} ({count:,})" for cause, count in causes.most_common(3)]
    return f", most often by {joined(most)}"


def _freedom(summary: CohortSummary) -> str:
    """Degrees of freedom of the adjusted differences; empty where there is none."""
    table = summary.tables.get("factors")
    if table is None or "df_denominator" not in table:
        return ""
    mine = table[(table["term"] == ADJUSTED) & table["difference"].notna()]["df_denominator"]
    if mine.empty:
        return " (there are too few people)"
    low, high = int(mine.min()), int(mine.max())
    return f" (df {low})" if low == high else f" (df {low} to {high})"


def _heads(rows: Sequence[Mapping[str, Any]]) -> str:
    """Name the heads of several orders, each once, muscle by muscle."""
    muscles: dict[str, list[str]] = {}
    for head in dict.fromkeys(str(row["head"]) for row in rows):
        muscle, *part = head_label(head).split(", ", 1)
        muscles.setdefault(muscle, []).extend(part)
    return listed(
        (
            f"{muscle} ({', '.join(parts)})" if parts else muscle
            for muscle, parts in muscles.items()
        ),
        ", ",
    )


def _is(lines: Sequence[object], one: str, several: str) -> str:
    return one if len(lines) == 1 else several


def _unsaid(result: CohortResult, found: CohortOrders, summary: CohortSummary) -> str:
    parts = []
    limited = [row for row in found.judged if row["verdict"] == LIMITED]
    unshown = [
        row for row in found.judged if row["verdict"] == TURNING and row["turns_with"] == UNSHOWN
    ]
    if limited:
        parts.append(f"{beyond_limb(limited, 'order')}: in {_heads(limited)}")
    if found.unheld:
        few = _is(found.unheld, "order is", "orders are")
        parts.append(
            f"{len(found.unheld):,} {few} not shown once {joined(summary.covariates)} "
            f"{_is(summary.covariates, 'is', 'are')} held{_freedom(summary)}: in "
            f"{_heads(found.unheld)}"
        )
    if unshown:
        parts.append(
            f"no test shows {counted(len(unshown), 'order')} that differ by a percentage point or "
            f"more: in {_heads(unshown)}"
        )
    if out := left_out_conditions(result):
        parts.append(
            f"{joined(out)} {_is(out, 'was', 'were')} recorded and left out of this run, and "
            "p depends on how many conditions are compared"
        )
    lost = len(result.outcomes) - len(result.counted)
    if lost:
        parts.append(
            f"{lost:,} of {counted(len(result.outcomes), 'trial')} "
            f"{'does' if lost == 1 else 'do'} not count"
        )
    short = summary.tables.get("shortfalls")
    if short is not None:
        mine = short[short["lateral"] == summary.mode]
        frames = int(mine["frames_short"].sum())
        if frames:
            parts.append(
                f"in {frames:,} of {counted(int(mine['frames'].sum()), 'frame')} the limb is too "
                "weak for the moments"
            )
    return sentence([*parts, _SIZE])


def _published_opening(published: Sequence[PublishedResult]) -> Opening:
    """State which orders of published conditions survive the spread of their moments."""
    orders = [_working_orders(found) for found in published]
    total = sum(len(table) for table in orders)
    firm, turning, open_, beyond, short = (
        [table[table["verdict"] == verdict] for table in orders]
        for verdict in (FIRM_ORDER, TURNING, OPEN_ORDER, LIMITED, SHORT_ORDER)
    )
    count, turned, unsure, fallen = (sum(map(len, part)) for part in (firm, turning, open_, short))
    start = (
        f"{supported(count, total, 'of two published conditions within a head')} in at least "
        f"{100 * SURE:.0f} % of draws, whether or not a draw is shared by both conditions"
    )
    wide = max((t for t in firm if len(t)), key=lambda t: t["size"].max(), default=None)
    if wide is None:
        start += ": nothing is firm"
    else:
        row = widest(wide, "size")
        high, low = row["condition"], row["other"]
        if row["activation_difference"] < 0.0:
            high, low = low, high
        start += (
            f"; widest of all, in {head_phrase(str(row['head']))} '{high}' is above '{low}' by "
            f"{points(row['size'])} ({row['point']})"
        )
    limited = [row for table in beyond for row in table.to_dict(orient="records")]
    parts = [beyond_limb(limited, "order")] if limited else []
    if fallen:
        parts.append(rests_on_short(fallen, "a point"))
    parts += [f"{counted(unsure, 'order')} {'is' if unsure == 1 else 'are'} open"] if unsure else []
    parts += _short_points(published)
    return Opening(
        firm=f"{start}.",
        turns=(
            f"{counted(turned, 'order')} {'depends' if turned == 1 else 'depend'} on whether "
            "people who rank high in one condition rank high in the other."
        ),
        unsaid=sentence([*parts, _SIZE]),
    )


def _short_points(published: Sequence[PublishedResult]) -> list[str]:
    """Count the points of which all, or some, draws demand more than the limb has."""
    shares = [float(share) for found in published for share in found.shortfalls["share_short"]]
    counts = {
        "all": sum(share == 1.0 for share in shares),
        "some": sum(0.0 < share < 1.0 for share in shares),
    }
    return [
        f"in {counted(count, 'point')} of the tables {which} draws demand more than the limb has"
        for which, count in counts.items()
        if count
    ]


def _working_orders(found: PublishedResult) -> pd.DataFrame:
    """Orders of heads that work, with the verdict on the two probabilities of each.

    Where the limb falls short in many draws of either point, an order shows what the limb lacks and
    not how the conditions differ, so it has a verdict of its own.
    """
    top = found.heads.groupby("head", sort=False)["activation"].max()
    table = found.orderings
    table = table[table["head"].isin(top.index[top > WORKING])]
    both = table[["probability", "probability_independent"]]
    sides = (both - 0.5).abs()
    least = sides.min(axis=1).where((both.iloc[:, 0] - 0.5) * (both.iloc[:, 1] - 0.5) > 0.0, 0.0)
    both_sure, one_sure = 0.5 + least >= SURE, 0.5 + sides.max(axis=1) >= SURE
    fallen = found.shortfalls
    fallen = fallen[fallen["share_short"] > MOST_SHORT]
    places = set(zip(fallen["condition"], fallen["point"], strict=True))
    verdicts = [
        verdict_on(
            str(row.limit),
            turns=one and not all_,
            sure=all_,
            short=bool(places & {(row.condition, row.point), (row.other, row.point)}),
        )
        for row, all_, one in zip(table.itertuples(), both_sure, one_sure, strict=True)
    ]
    return table.assign(size=table["activation_difference"].abs(), verdict=verdicts)
