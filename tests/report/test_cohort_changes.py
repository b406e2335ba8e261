"""Reversed orders: text, table and figure count the same ones, and say which they leave out."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import SHOWN, planted, spelled

from momentshare.report.figures.cohort import cohort_figures
from momentshare.report.page.cohort_comparison import sensitivity_section
from momentshare.report.text.cohort_changes import changed_orders, left_out_text
from momentshare.report.text.cohort_opening import cohort_opening

pytest.importorskip("statsmodels")

CHANGE = next(iter(plan.CHANGES))


def reversing(*places):
    """The planted summary in which more orders are reversed by a change: head, pair."""
    given = planted().summary
    orders = given.tables["sensitivity_orders"].copy()
    for head, pair in places:
        chosen = (
            (orders["lateral"] == SHOWN)
            & (orders["change"] == CHANGE)
            & (orders["head"] == head)
            & orders["condition"].isin(pair)
            & orders["other"].isin(pair)
        )
        assert chosen.sum() == 1
        orders.loc[chosen, "order_holds"] = False
    return replace(given, tables={**given.tables, "sensitivity_orders": orders})


IDLE, FULL = (plan.IDLE, ("narrow", "wide")), (plan.SIDE, ("narrow", "wide"))


def circles(summary):
    ax = cohort_figures(summary)["sensitivity"]().axes[0]
    return [line for line in ax.lines if line.get_gid() == "order-turns"]


@pytest.mark.parametrize("places", [(), (IDLE,), (FULL,), (IDLE, FULL)])
def test_a_reversed_order_that_is_left_out_is_counted_nowhere_and_named(places):
    before, summary = planted().summary, reversing(*places)
    (table,) = [b for b in sensitivity_section(summary, {}).blocks if b.kind == "table"]
    (old,) = [b for b in sensitivity_section(before, {}).blocks if b.kind == "table"]
    assert table.frame.equals(old.frame)
    assert len(circles(summary)) == len(circles(before))
    said = cohort_opening(planted().result, summary, []).turns
    without = cohort_opening(planted().result, before, []).turns
    assert "Not counted" not in without
    assert said == " ".join(filter(None, (without, table.note)))
    wanted = {
        "below 5 % in both conditions": spelled(plan.IDLE) if IDLE in places else "",
        "at full activation": spelled(plan.SIDE) if FULL in places else "",
    }
    for where, head in wanted.items():
        assert (f"1 reversed order of heads {where} ({head})" in said) == bool(head)


def test_a_reversed_order_of_a_head_that_works_is_counted_everywhere():
    place = (plan.UPPER, ("narrow", "wide"))
    before, summary = planted().summary, reversing(place)
    held = [
        sum(b.frame["orders_that_hold"].sum() for b in sensitivity_section(s, {}).blocks)
        for s in (before, summary)
    ]
    assert held[1] == held[0] - 1
    assert len(circles(summary)) == len(circles(before)) + 1
    counts = [
        sum(map(int, re.findall(r"(\d+) (?:other )?orders? ?(?:that|,)", text)))
        for text in (cohort_opening(planted().result, s, []).turns for s in (before, summary))
    ]
    assert counts[1] == counts[0] + 1


def test_every_order_of_the_table_is_in_one_of_the_three_parts():
    found = changed_orders(planted().summary)
    orders = planted().tables["sensitivity_orders"]
    mine = orders[orders["lateral"] == SHOWN]
    parts = (found.counted, found.weak, found.full)
    assert sorted(i for part in parts for i in part.index) == sorted(mine.index)
    assert set(found.weak["head"]) == {plan.IDLE}
    assert set(found.full["head"]) == {plan.SIDE}
    assert left_out_text(found) == ""


def test_the_figure_names_heads_whose_conditions_are_level():
    given = planted().summary
    orders = given.tables["sensitivity_orders"]
    level = orders[orders["head"] != plan.FRONT]
    summary = replace(given, tables={**given.tables, "sensitivity_orders": level})
    for one, told in ((given, False), (summary, True)):
        figure = cohort_figures(one)["sensitivity"]()
        note = " ".join(figure.texts[1].get_text().split())
        assert "differ by a percentage point or more is reversed for this head" in note
        said = f"Without such an order, so without circles: {spelled(plan.FRONT)}."
        assert (said in note) == told
