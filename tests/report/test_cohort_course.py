"""A limit on the course along the lift stands beside the firm orders that it leaves standing."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import planted

from momentshare.cohort.summary import summarise_cohort
from momentshare.limits import Limit, Limits
from momentshare.report.page.cohort import cohort_page
from momentshare.report.text.cohort_findings import findings
from momentshare.report.text.cohort_opening import cohort_opening
from momentshare.report.text.cohort_orders import judged_orders

pytest.importorskip("statsmodels")

COURSE = Limit(
    key="L9",
    title="Course of the upper pectoralis along the lift",
    heads=(plan.UPPER,),
    quantity="activation",
    parts=("lock-out",),
    claim="course",
    reason="planted along the lift",
)


@cache
def with_course(*more: Limit):
    """The planted cohort, whose limb has no limit but a course, and those given."""
    given = planted().result
    result = replace(given, model=replace(given.model, limits=Limits((COURSE, *more))))
    return result, summarise_cohort(result)


def limits_of_page(result, summary):
    page = cohort_page(result, summary, [], {}, {})
    (section,) = [s for s in page.sections if s.anchor == "limits"]
    found = {}
    for heading, bullets in zip(section.blocks[1::2], section.blocks[2::2], strict=True):
        found[heading.text] = [item.split(":")[0] for item in bullets.items]
    return found


def test_a_limit_on_the_course_is_named_and_takes_no_order_from_the_findings():
    result, summary = with_course()
    before, after = judged_orders(planted().summary), judged_orders(summary)
    of_head = [[x["order"] for x in f.firm if x["head"] == plan.UPPER] for f in (before, after)]
    assert of_head[0] == of_head[1] != []
    assert all(line["in_part"] == ("L9" if line["head"] == plan.UPPER else "")
               for line in after.firm)  # fmt: skip
    (table,) = [b for b in findings(result, summary).blocks if b.kind == "table"]
    shown = table.frame
    for head, keys in zip(shown["head"], shown["in_part"], strict=True):
        assert keys == ("L9" if head == plan.UPPER else ""), head
    assert table.labels["in_part"] == "limit, in part of the lift"
    assert "L9: Course of the upper pectoralis along the lift (planted along the lift)." in (
        table.note
    )
    assert "L9 concerns how activation rises or falls along the lift and not which" in table.note


def test_the_opening_counts_the_firm_orders_whose_course_is_not_supported():
    result, summary = with_course()
    firm = judged_orders(summary).firm
    count = sum(line["head"] == plan.UPPER for line in firm)
    assert 1 < count < len(firm)
    said = cohort_opening(result, summary, []).firm
    assert "are firm: no limit of the limb concerns their lift means as a whole, and" in said
    assert (
        f"; the course in the last third of the bar height is not supported in {count} of them (L9)"
        in said
    )
    without = cohort_opening(planted().result, planted().summary, []).firm
    count = sum(line["head"] == plan.FRONT for line in judged_orders(planted().summary).firm)
    assert "the course" not in without
    # A limit on all that is said of a part is told as such, and explains nothing away.
    assert f"; the last third of the bar height is not supported in {count} of them (L2)" in without
    (table,) = [
        b for b in findings(planted().result, planted().summary).blocks if b.kind == "table"
    ]
    assert "concerns how" not in table.note


def test_the_limits_list_a_course_among_those_that_the_report_concerns():
    idle = replace(COURSE, key="L10", heads=(plan.IDLE,), title="Course of a head that rests")
    first, rest = "and this report concerns", "What else"
    for keys, words in (({"L9"}, first), ({"L10"}, rest)):
        found = limits_of_page(*with_course(idle))
        (mine,) = [items for heading, items in found.items() if words in heading]
        assert set(mine) == keys
