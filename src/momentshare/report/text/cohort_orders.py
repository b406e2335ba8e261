"""Orders of conditions within a head that a cohort shows, and what reverses them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from momentshare.cohort.adjusted import ADJUSTED, WORTH_SAYING, load_gap
from momentshare.cohort.outcomes.over_people import MEAN
from momentshare.cohort.schema import LOAD
from momentshare.limits import merged_keys
from momentshare.report.text.factor_statements import factor_statements, factor_verdicts
from momentshare.report.text.opening import counted, foremost, joined
from momentshare.report.text.verdicts import LEVEL_PAIR, spans_zero, verdict_on
from momentshare.text import head_phrase, with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.cohort.summary import CohortSummary

__all__ = [
    "ALPHA",
    "EXACT",
    "WORKING",
    "CohortOrders",
    "activation_by_person",
    "choose_foremost",
    "cohort_factor_statements",
    "cohort_factor_verdicts",
    "course_keys",
    "course_note",
    "judged_orders",
    "level_text",
    "load_text",
    "of_named",
    "order_keys",
    "order_size",
    "order_text",
    "order_title",
    "pair_activation",
    "part_text",
]

WORKING = 0.05
"""Activation that a head must exceed in some condition to appear on the page."""

_LEAST_DIFFERENCE = 0.01
"""Difference of lift-mean activation that is worth mentioning; assumed."""

UNSHOWN = "people"
"""What an order turns with that no test shows: the people, who differ by more than conditions."""

UNHELD = "covariates"
"""What an order turns with that a test shows, but not once the covariates are held."""

_NAMED_GAPS = 3
"""Pairs of conditions whose loads a text names; chosen here."""

EXACT = ("highest", "apart")
"""Keys of what stands rounded in the texts of an order: lift-mean activation in its higher
condition, and the size of the difference."""

ALPHA = 0.05
"""Adjusted p below which a contrast is named in the text; convention."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CohortOrders:
    """Orders that a test showed, by outcome.

    Attributes
    ----------
    firm, turning, leaning, unheld : list of dict
        Hold under every change of one input; reversed by one; rest on what the limb does not
        support; are not shown once the covariates of the study are held.
    judged : list of dict
        Every order of a working head, shown by a test or not: ``head``, ``condition``, ``other``,
        ``difference``, ``difference_low``, ``difference_high`` (as a fraction), ``verdict``,
        ``turns_with`` and ``limit``, as for the orders of planned lifts; ``reversed_by`` lists the
        changes that reverse it, whether a test shows it or not.
    tests, heads_tested : int
        Tests that Holm's adjustment is over, and the heads they are of.
    named : bool
        Whether these are the tests of what the study named beforehand alone.
    people : int
        The most people behind a test.
    people_untested : int
        People with several conditions where they were too few for a test.
    """

    firm: list[dict[str, Any]] = field(default_factory=list)
    turning: list[dict[str, Any]] = field(default_factory=list)
    leaning: list[dict[str, Any]] = field(default_factory=list)
    unheld: list[dict[str, Any]] = field(default_factory=list)
    judged: list[dict[str, Any]] = field(default_factory=list)
    tests: int = 0
    heads_tested: int = 0
    named: bool = False
    people: int = 0
    people_untested: int = 0

    @property
    def tested(self) -> bool:
        """Whether there was a test."""
        return self.tests > 0

    @property
    def shown(self) -> list[dict[str, Any]]:
        """Orders that a test shows, whatever becomes of them."""
        return [*self.firm, *self.turning, *self.leaning, *self.unheld]


def judged_orders(summary: CohortSummary) -> CohortOrders:
    """Sort the orders of conditions within a head by whether anything reverses them.

    p is adjusted over all heads; see :func:`of_named` for those that the study named beforehand.
    """
    return _judged_orders(summary, "p_paired_holm_over_item", None)


def of_named(summary: CohortSummary) -> CohortOrders:
    """Judge the orders of the heads named beforehand by their own p; all heads where none is."""
    named, p = summary.tables.get("named_contrasts"), "p_named"
    if not summary.named_heads or named is None or p not in named:
        return judged_orders(summary)
    found = _judged_orders(summary, p, named)
    return replace(found, named=True, tests=int(named[p].notna().sum()))


def _judged_orders(summary: CohortSummary, column: str, named: pd.DataFrame | None) -> CohortOrders:
    """Judge the orders by one column of p, of contrasts or of what was named beforehand."""
    table, heads = summary.tables.get("contrasts"), summary.tables.get("heads")
    own = activation_by_person(summary)
    if table is None or heads is None or own is None:
        return CohortOrders()
    mine = table[(table["lateral"] == summary.mode) & (table["outcome"] == MEAN)]
    if named is not None:
        keys = ["outcome", "item", "condition", "other"]
        mine = mine.merge(named[[*keys, column]], on=keys)
    if mine.empty:  # every head is at full activation
        return CohortOrders()
    if mine[column].isna().all():
        return CohortOrders(people_untested=int(mine["n_people"].max()))
    tested = mine[mine[column].notna()]
    found = CohortOrders(
        tests=len(tested),
        heads_tested=tested["item"].nunique(),
        people=int(tested["n_people"].max()),
    )
    courses = course_keys(summary)
    for _, row in mine.iterrows():
        head, pair = row["item"], (row["condition"], row["other"])
        both = pair_activation(own, head, pair)
        if max(both) >= WORKING:
            course = merged_keys(courses.get((head, name), "") for name in pair)
            _sorted_in(found, summary, row, both, column, course)
    return found


def activation_by_person(summary: CohortSummary) -> pd.DataFrame | None:
    """Lift-mean activation: a row per person, a column per head and condition."""
    people = summary.tables.get("heads_by_person")
    if people is None:
        return None
    return people[people["lateral"] == summary.mode].pivot_table(
        index="person", columns=["head", "condition"], values="mean_activation", observed=True
    )


def pair_activation(own: pd.DataFrame, head: str, pair: tuple[str, str]) -> pd.Series[Any]:
    """Mean activation of a head in two conditions, over the people who have both."""
    return own[[(head, condition) for condition in pair]].dropna().mean()


def _sorted_in(
    found: CohortOrders,
    summary: CohortSummary,
    row: pd.Series[Any],
    both: Any,
    column: str,
    course: str,
) -> None:
    """Put one order where it belongs; ``course`` has the keys of limits on its course."""
    head, pair = str(row["item"]), (row["condition"], row["other"])
    turned, tried = _turned_by(summary, head, pair)
    whole, in_part = _order_limits(summary, row)
    ends = row["difference_low"], row["difference_high"]
    shown = row[column] < ALPHA and not spans_zero(*ends)
    adjusted = _adjusted(summary, row)
    held = not summary.covariates or _is_held(adjusted, row["difference_mean"])
    causes = [UNSHOWN] if not shown else turned if held else [UNHELD]
    judged = _judged(row, whole, causes) | {"reversed_by": "; ".join(turned)}
    found.judged.append(judged)
    if not shown or judged["verdict"] == LEVEL_PAIR:
        return
    high, low = pair if row["difference_mean"] > 0.0 else pair[::-1]
    line = {
        "head": head,
        "order": f"{high} above {low}",
        "activation": f"{100 * both[head, high]:.0f} / {100 * both[head, low]:.0f}",
        "difference": f"{100 * abs(row['difference_mean']):.1f} ({_interval(row)})",
        "people": f"{row['n_same_direction']:.0f} of {row['n_people']:.0f}",
    }
    line |= dict(zip(EXACT, (both[head, high], abs(row["difference_mean"])), strict=True))
    if summary.covariates:
        line["adjusted"] = _adjusted_text(adjusted, row["difference_mean"])
    if whole:
        found.leaning.append(line | {"limit": whole, "turns_with": "; ".join(turned)})
    elif not held:
        found.unheld.append(line | {"turns_with": "; ".join(turned)})
    elif turned:
        found.turning.append(line | {"turns_with": "; ".join(turned)})
    else:
        found.firm.append(
            line | {"changes_tried": tried, "in_part": merged_keys([in_part, course])}
        )


def _adjusted(summary: CohortSummary, row: pd.Series[Any]) -> pd.Series[Any] | None:
    """Row of ``factors.csv`` with the difference of a contrast, the covariates held."""
    table = summary.tables.get("factors")
    if table is None or "difference" not in table:
        return None
    mine = table[
        (table["term"] == ADJUSTED)
        & (table["outcome"] == MEAN)
        & (table["item"] == row["item"])
        & (table["condition"] == row["condition"])
        & (table["other"] == row["other"])
    ]
    return None if mine.empty or mine["difference"].isna().all() else mine.iloc[0]


def _is_held(adjusted: pd.Series[Any] | None, difference: float) -> bool:
    """Whether a difference keeps its sign, clear of zero, with the covariates held."""
    return (
        adjusted is not None
        and adjusted["difference"] * difference > 0.0
        and not spans_zero(adjusted["difference_low"], adjusted["difference_high"])
    )


def _adjusted_text(adjusted: pd.Series[Any] | None, difference: float) -> str:
    """Say a difference with the covariates held, in the direction of the order, with its df."""
    if adjusted is None:
        return "no test"
    sign = 100.0 if difference > 0.0 else -100.0
    value, *ends = (
        sign * adjusted[name] for name in ("difference", "difference_low", "difference_high")
    )
    low, high = sorted(ends)
    return with_minus(f"{value:.1f} ({low:.1f} to {high:.1f}; df {adjusted['df_denominator']:.0f})")


def _judged(row: pd.Series[Any], limit: str, turns_with: Sequence[str]) -> dict[str, Any]:
    """Judge one order as those of planned lifts are judged."""
    level = abs(row["difference_mean"]) < _LEAST_DIFFERENCE
    verdict = verdict_on(limit, level=level, turns=bool(turns_with))
    ends = row[["difference_mean", "difference_low", "difference_high"]].to_numpy(dtype=float)
    up = bool(ends[0] >= 0.0)
    ends = ends if up else -ends[[0, 2, 1]]
    return {
        "head": str(row["item"]),
        "condition": str(row["condition"] if up else row["other"]),
        "other": str(row["other"] if up else row["condition"]),
        **dict(zip(("difference", "difference_low", "difference_high"), ends, strict=True)),
        "verdict": verdict,
        "turns_with": "; ".join(turns_with),
        "limit": limit,
    }


def cohort_factor_verdicts(summary: CohortSummary) -> pd.DataFrame:
    """Judge every two levels of a factor; empty without factors or tests.

    Returns
    -------
    DataFrame
        See :func:`momentshare.report.text.factor_statements.factor_verdicts`; the ends of a
        difference are those of its intervals.
    """
    import pandas as pd

    found = judged_orders(summary)
    if not (summary.factors.names and found.judged):
        return pd.DataFrame()
    return factor_verdicts(summary.factors, pd.DataFrame(found.judged))


def cohort_factor_statements(summary: CohortSummary) -> dict[str, str]:
    """Say of each factor what a cohort shows of its step from the first level to the last."""
    table = cohort_factor_verdicts(summary)
    if table.empty:
        return {}
    return factor_statements(summary.factors, table, "are shown by no test or turn")


def choose_foremost(
    lines: Sequence[dict[str, Any]], summary: CohortSummary
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return the order that leads the text, and what it is the first among.

    See :func:`momentshare.report.text.opening.foremost`.
    """
    import pandas as pd

    table = pd.DataFrame(
        {
            "head": [str(line["head"]) for line in lines],
            "activation": [line["highest"] for line in lines],
            "active_volume_cm3": [
                order_size(line) * summary.volumes.get(str(line["head"]), 1.0) for line in lines
            ],
        }
    )
    row, among = foremost(table, summary.named_heads)
    return lines[int(str(row.name))], among


def order_size(line: dict[str, Any]) -> float:
    """Difference of lift-mean activation of an order, as a fraction."""
    return float(line["apart"])


def order_keys(summary: CohortSummary) -> dict[str, str]:
    """Head → keys of the limits on how it changes between the conditions of the study."""
    table = summary.tables.get("contrasts")
    if table is None or "limit" not in table:
        return {}
    mine = table[(table["lateral"] == summary.mode) & (table["outcome"] == MEAN)]
    parts = mine.groupby("item", sort=False, observed=True)["limit"]
    return {str(head): keys for head, part in parts if (keys := merged_keys(part))}


def course_keys(summary: CohortSummary) -> dict[tuple[str, str], str]:
    """Head and condition → keys of the limits on the course of its activation along the lift.

    They concern how activation rises or falls, so that no number of a whole lift has them.
    """
    table = summary.tables.get("curves_heads")
    if table is None or "limit_here" not in table:
        return {}
    mine = table[(table["lateral"] == summary.mode) & (table["quantity"] == "activation")]
    found = {}
    for names, here in mine.groupby(["head", "condition"], sort=False, observed=True)["limit_here"]:
        head, condition = map(str, names)
        keys = merged_keys(here).split()
        found[head, condition] = " ".join(k for k in keys if summary.limits.is_of_course(k, head))
    return found


def part_text(lines: Sequence[dict[str, Any]], summary: CohortSummary) -> str:
    """Say in how many firm orders part of the lift is not supported; empty without any."""
    counts: Counter[tuple[str, str]] = Counter()
    for line in lines:
        for key in str(line["in_part"]).split():
            what = "the course" if summary.limits.is_of_course(key, str(line["head"])) else "part"
            counts[key, what] += 1
    parts = []
    for (key, what), count in counts.items():
        third = summary.limits.only_third(key)
        where = f"{what} in the {third} third of the bar height" if third else f"{what} of the lift"
        share = f" in {count:,} of them" if len(lines) > 1 else ""
        parts.append(f"{where.removeprefix('part in ')} is not supported{share} ({key})")
    return "; ".join(parts)


def course_note(lines: Sequence[dict[str, Any]], summary: CohortSummary) -> str:
    """Say why an order whose course is not supported is firm all the same; empty without one."""
    keys = [
        key
        for line in lines
        for key in str(line["in_part"]).split()
        if summary.limits.is_of_course(key, str(line["head"]))
    ]
    if not keys:
        return ""
    verb = "concerns" if len(set(keys)) == 1 else "concern"
    return (
        f"{joined(dict.fromkeys(keys))} {verb} how activation rises or falls along the lift and "
        "not which of two conditions is higher, so these orders of lift means stay firm, although "
        "the means include the part of the lift concerned."
    )


def level_text(found: CohortOrders, summary: CohortSummary) -> str:
    """Say by which test, over how many and of how many people an order is shown."""
    what = "what was named beforehand" if found.named else counted(found.heads_tested, "head")
    return (
        f"p below {ALPHA:g}, paired t, Holm over {counted(found.tests, 'test')} of {what}; "
        f"{found.people:,} people, lateral force {summary.mode}"
    )


def load_text(found: CohortOrders, summary: CohortSummary) -> str:
    """Say of firm orders by how much the loads of their conditions differ, if they do.

    Nothing where the load is a covariate, since firm orders hold with it held.
    """
    if LOAD in summary.covariates or summary.loads.empty:
        return ""
    gaps = {}
    for line in found.firm:
        high, low = line["order"].split(" above ")
        gap = load_gap(summary.loads, high, low)
        if gap and max(gap[:2]) / min(gap[:2]) - 1.0 >= WORTH_SAYING:
            gaps[high, low] = gap
    if not gaps:
        return ""
    told = [
        f"'{high}' {one:.1f}, '{low}' {two:.1f} kg ({100 * (max(one, two) / min(one, two) - 1):.0f}"
        " % apart)"
        for (high, low), (one, two, _) in list(gaps.items())[:_NAMED_GAPS]
    ]
    more = f"; and {len(gaps) - _NAMED_GAPS} more pairs" if len(gaps) > _NAMED_GAPS else ""
    return f"Loads differ, and no test takes that into account: {'; '.join(told)}{more}."


def order_text(line: dict[str, Any]) -> str:
    """Say an order with its size and in how many people it is found."""
    high, low = line["order"].split(" above ")
    more, less = line["activation"].split(" / ")
    return (
        f"in {head_phrase(str(line['head']))} activation is higher in '{high}' than in '{low}', "
        f"{more} against {less} % ({line['difference'].split(' ')[0]} percentage points, in "
        f"{line['people']} people)"
    )


def order_title(line: dict[str, Any]) -> str:
    """Say an order in a title."""
    high, low = line["order"].split(" above ")
    return (
        f"in {head_phrase(str(line['head']))}, '{high}' above '{low}' by "
        f"{line['difference'].split(' ')[0]} percentage points, in {line['people']} people"
    )


def _order_limits(summary: CohortSummary, row: pd.Series[Any]) -> tuple[str, str]:
    """Keys of the limits of an order: of the whole lift, and of a part of it only."""
    keys = str(row.get("limit", "")).split()
    found = {
        key: [r for r in summary.limits.of(key) if r.names(str(row["item"])) and r.claim != "size"]
        for key in keys
    }
    whole = [key for key, rows in found.items() if any(not r.parts for r in rows)]
    return " ".join(whole), " ".join(key for key in keys if key not in whole)


def _interval(row: pd.Series[Any]) -> str:
    low, high = sorted(abs(100.0 * row[name]) for name in ("difference_low", "difference_high"))
    if row["difference_low"] * row["difference_high"] < 0.0:
        low = -low
    return with_minus(f"{low:.1f} to {high:.1f}")


def _turned_by(summary: CohortSummary, head: str, pair: tuple[str, str]) -> tuple[list[str], int]:
    """Name the changes that reverse an order, and count the changes tried."""
    orders = summary.tables.get("sensitivity_orders")
    if orders is None:
        return [], 0
    mine = orders[
        (orders["lateral"] == summary.mode)
        & (orders["head"] == head)
        & orders["condition"].isin(pair)
        & orders["other"].isin(pair)
    ]
    return list(mine.loc[~mine["order_holds"], "change"]), len(mine)
