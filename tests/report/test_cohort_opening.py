"""What the report of a cohort opens with is what its tables of orders say."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from tests.report.cohort_planted import CONDITIONS, MINOR, SHOWN, page, planted, published, spelled
from tests.report.page_reader import PageReader

from momentshare.cohort.summary import summarise_cohort
from momentshare.report.page.cohort import cohort_page
from momentshare.report.page.document import render
from momentshare.report.text.cohort_findings import findings
from momentshare.report.text.cohort_opening import cohort_opening
from momentshare.report.text.cohort_orders import choose_foremost
from momentshare.text import head_phrase

pytest.importorskip("statsmodels")

FIRM, TURNING = "that hold under every change", "that reverse when the input"
LEANING = "that rest on what this limb does not support"
DIFFERENCE = "difference [% points] (interval)"


def opening():
    found = planted()
    return cohort_opening(found.result, found.summary, [])


LEAD = "the largest, weighted by muscle volume"
ACTIVATION = "activation, higher / lower [%]"


def foremost(rows):
    """The order in which most volume of muscle is active in addition."""
    volume = {spelled(head.name): head.volume.value for head in planted().result.model.heads}
    strong = [r for r in rows if float(r[ACTIVATION].split(" / ")[0]) >= 10.0] or rows
    row = max(strong, key=lambda r: float(r[DIFFERENCE].split(" ")[0]) * volume[r["head"]])
    size = row[DIFFERENCE].split(" ")[0]
    head = next(h.name for h in planted().result.model.heads if spelled(h.name) == row["head"])
    high, low = row["order"].split(" above ")
    more, less = row[ACTIVATION].split(" / ")
    return (
        f"n {head_phrase(head)} activation is higher in '{high}' than in '{low}', {more} against "
        f"{less} % ({size} percentage points, in {row['people']} people)"
    )


def test_firm_orders_are_counted_and_that_of_most_muscle_is_named():
    rows = {name: page().table(name).records() for name in (FIRM, TURNING, LEANING)}
    total, firm = sum(map(len, rows.values())), len(rows[FIRM])
    said = opening().firm
    assert said.startswith(f"I{foremost(rows[FIRM])}. That is {LEAD}. Of {total} orders of two ")
    assert f"{firm} are firm" in said
    contrasts = planted().tables["contrasts"]
    tested = contrasts[
        (contrasts["lateral"] == SHOWN)
        & (contrasts["outcome"] == "mean_activation")
        & contrasts["p_paired_t"].notna()
    ]
    assert (
        f"(p below 0.05, paired t, Holm over {len(tested)} tests of {tested['item'].nunique()} "
        f"heads; {tested['n_people'].max()} people, lateral force {SHOWN})" in said
    )
    tried = page().table(FIRM).column("changes tried")[0]
    assert f"keeps its sign under {tried} changes of one input" in said


def test_a_head_that_hardly_works_leads_only_if_no_other_is_left():
    """Heads named beforehand come before others, and heads below 10 % after them."""
    summary = replace(planted().summary, volumes={"a/b": 400.0, "c": 40.0, "d": 30.0})
    lines = [
        {"head": "a/b", "highest": 0.096, "apart": 0.08},  # 10 % once rounded
        {"head": "c", "highest": 0.3, "apart": 0.1},
        {"head": "d", "highest": 0.4, "apart": 0.05},
    ]
    reach, told = "in heads that reach 10 %", "in heads named beforehand"
    for named, shown, first, among in (
        ((), lines, "c", (reach,)),
        ((), lines[1:], "c", ()),
        ((), lines[:1], "a/b", ()),
        (("d",), lines, "d", (told,)),
        (("a/b", "d"), lines, "d", (told, reach)),
        (("a/b",), lines, "a/b", ()),
    ):
        mine = replace(summary, named_heads=named)
        assert choose_foremost(shown, mine) == (next(x for x in lines if x["head"] == first), among)


def test_loads_of_firm_orders_that_differ_are_told_beside_them():
    heavy = {name: 30.0 + 2.0 * k for k, name in enumerate(CONDITIONS)}
    given = planted().result
    result = replace(
        given,
        outcomes=tuple(
            replace(o, record={**o.record, "load_kg": heavy[o.condition] + len(o.person)})
            for o in given.outcomes
        ),
    )
    summary = summarise_cohort(result)
    said = cohort_opening(result, summary, []).firm
    assert said.count("Loads differ, and no test takes that into account") == 1
    rows = page().table(FIRM).records()
    told = re.findall(r"'(\w+)' (\S+), '(\w+)' (\S+) kg \((\d+) % apart\)", said)
    assert told
    loads = result.counted
    for high, one, low, two, apart in told:
        assert any(row["order"] == f"{high} above {low}" for row in rows)
        own = {
            name: {
                person: np.mean([o.record["load_kg"] for o in loads
                                 if (o.person, o.condition) == (person, name)])
                for person in {o.person for o in loads if o.condition == name}
            }
            for name in (high, low)
        }  # fmt: skip
        both = set(own[high]) & set(own[low])
        means = [np.mean([own[name][person] for person in both]) for name in (high, low)]
        assert [float(one), float(two)] == pytest.approx(means, abs=0.051)
        assert float(apart) == pytest.approx(100 * (max(means) / min(means) - 1), abs=0.51)
        assert max(means) / min(means) - 1 >= 0.05
    assert len(told) == 3
    # The table of findings says it, too; where loads hardly differ nothing is said.
    (table,) = [b for b in findings(result, summary).blocks if b.kind == "table"]
    assert "Loads differ" in table.note
    assert "Loads differ" not in opening().firm


def test_what_reverses_orders_is_counted():
    rows = page().table(TURNING).records()
    causes = Counter(cause for row in rows for cause in row["turns with"].split("; "))
    said = opening().turns
    assert int(said.split(" ")[0]) == len(rows) > 1
    listed = re.search(r"most often by (.*?);", said)[1]
    shown = re.findall(r"(?:^|, | and )(.*?) \((\d+)\)", listed)
    assert shown
    assert all(causes[cause] == int(count) for cause, count in shown)
    assert [int(count) for _, count in shown] == sorted(causes.values(), reverse=True)[: len(shown)]
    assert foremost(rows) in said
    orders = planted().tables["sensitivity_orders"]
    reversed_ = orders[(orders["lateral"] == SHOWN) & ~orders["order_holds"]]
    pairs = {(r.head, frozenset((r.condition, r.other))) for r in reversed_.itertuples()}
    told = {
        (next(h.name for h in planted().result.model.heads if spelled(h.name) == row["head"]),
         frozenset(row["order"].split(" above ")))
        for row in rows
    }  # fmt: skip
    contrasts = planted().tables["contrasts"]
    judged = {
        (r.item, frozenset((r.condition, r.other)))
        for r in contrasts[
            (contrasts["lateral"] == SHOWN) & (contrasts["outcome"] == "mean_activation")
        ].itertuples()
    }
    others = (pairs & judged) - told
    assert f"{len(others)} other order" in said if others else "other order" not in said


def test_what_cannot_be_said_counts_limits_tests_trials_and_shortfalls():
    found, said = planted(), opening().unsaid
    heads = found.tables["heads"]
    top = heads[heads["lateral"] == SHOWN].groupby("head")["mean_activation_mean"].max()
    contrasts = found.tables["contrasts"]
    mine = contrasts[
        (contrasts["lateral"] == SHOWN)
        & (contrasts["outcome"] == "mean_activation")
        & contrasts["item"].isin(top.index[top > 0.05])
        & (contrasts["difference_mean"].abs() >= 0.01)
    ]
    limited = mine[mine["limit"].str.contains("L1")]
    count, keys, named = re.search(
        r"(\d+) orders lie beyond what this limb supports \((.*?); see Limits\): in (.*?);", said
    ).groups()
    assert int(count) == len(limited)
    assert keys == "L1"
    assert named == spelled(MINOR)
    rest = mine[~mine["limit"].str.contains("L1")]
    weak = rest[rest["p_paired_holm_over_item"] >= 0.05]
    assert len(weak)
    (unshown,) = re.findall(r"no test shows (\d+) order", said)
    assert int(unshown) == len(weak)
    lost = len(found.result.outcomes) - len(found.result.counted)
    verb = "does" if lost == 1 else "do"
    assert (f"{lost} of {len(found.result.outcomes)} trials {verb} not count" in said) == (lost > 0)
    table = found.summary.tables["shortfalls"]
    mine = table[table["lateral"] == SHOWN]
    short, frames = mine["frames_short"].sum(), mine["frames"].sum()
    assert (f"in {short:,} of {frames:,} frames" in said.lower()) == (short > 0)


def test_the_statements_open_the_page_with_the_first_muscle_figure():
    text = page().text("In short").split("\n")
    for (word, statement), shown in zip(opening().labelled(), text[1:4], strict=True):
        assert shown == f"{word}. {' '.join(statement.split())}"
    caption, _, _ = page().pictures[0]
    assert "Lift-mean activation of each head by condition" in caption


def test_few_people_are_not_called_firm():
    given = planted().result
    kept = tuple(o for o in given.outcomes if o.person in {"Ama", "Fay"})
    result = replace(given, outcomes=kept)
    said = cohort_opening(result, summarise_cohort(result), [])
    assert "a test needs at least three" in said.firm
    assert "there is no order" in said.turns


def test_published_conditions_lead_where_there_is_no_trial():
    found = published()
    result = replace(planted().result, outcomes=())
    summary = summarise_cohort(result)
    said = cohort_opening(result, summary, [found])
    table = found.orderings
    top = found.heads.groupby("head")["activation"].max()
    table = table[table["head"].isin(top.index[top > 0.05])]
    one, two = table["probability"], table["probability_independent"]
    above, below = (one >= 0.95) & (two >= 0.95), (one <= 0.05) & (two <= 0.05)
    some = (one >= 0.95) | (one <= 0.05) | (two >= 0.95) | (two <= 0.05)
    assert (found.shortfalls["share_short"] <= 0.1).all()
    firm = table[above | below]
    assert said.firm.startswith(f"{len(firm)} of {len(table)} order")
    assert int(said.turns.split(" ")[0]) == (some & ~(above | below)).sum()
    unsure = (~some).sum()
    assert (f"{unsure} order" in said.unsaid) == (unsure > 0)
    if len(firm):
        row = firm.loc[firm["activation_difference"].abs().idxmax()]
        assert f"in {head_phrase(row['head'])} " in said.firm
        assert f"by {100 * abs(row['activation_difference']):.0f} points" in said.firm
    shown = PageReader(render(cohort_page(result, summary, [found], {}, {})))
    assert said.firm in shown.text("In short")


@pytest.mark.parametrize(("share", "which"), [(1.0, "all"), (0.11, "some"), (0.1, "")])
def test_a_published_point_that_falls_short_gives_no_firm_order(share, which):
    given = published()
    result = replace(planted().result, outcomes=())
    summary = summarise_cohort(result)

    def opening_of(value, probability, limit):
        return cohort_opening(
            result,
            summary,
            [
                replace(
                    given,
                    shortfalls=given.shortfalls.assign(share_short=value),
                    orderings=given.orderings.assign(
                        probability=probability, probability_independent=probability, limit=limit
                    ),
                )
            ],
        )

    sure, said = opening_of(0.0, 1.0, ""), opening_of(share, 1.0, "")
    total = int(re.match(r"([\d,]+) of ", sure.firm)[1].replace(",", ""))
    assert total
    assert sure.firm.startswith(f"{total} of {total} order")
    assert "draws demand" not in sure.unsaid
    if not which:
        assert said.firm == sure.firm
        return
    assert said.firm.startswith(f"0 of {total} order")
    assert said.firm.endswith(": nothing is firm.")
    assert f"{total} order" in said.unsaid
    assert "on a point where more than 10 % of draws demand more than the limb has" in said.unsaid
    lines = len(given.shortfalls)
    assert f"in {lines} point{'s' if lines > 1 else ''} of the tables {which} draws" in said.unsaid
    for probability in (0.5, 0.0):
        assert opening_of(share, probability, "").firm == said.firm
    # What a limit concerns is told with the limit.
    beyond = opening_of(share, 1.0, "L3").unsaid
    assert "beyond what this limb supports (L3" in beyond
    assert "on a point where" not in beyond
