"""What is said of a factor follows from the verdicts on its orders, one by one."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from momentshare.report.text.factor_statements import (
    drawn_statements,
    factor_statements,
    factor_verdicts,
)
from momentshare.study.factors import Factors

DESIGN = Factors(
    {
        "near in": {"grip": "near", "tuck": "in"},
        "near out": {"grip": "near", "tuck": "out"},
        "far in": {"grip": "far", "tuck": "in"},
        "far out": {"grip": "far", "tuck": "out"},
        "dumbbells": {},
    }
)


def row(head, condition, other, difference, verdict="firm", **more):
    spread = {"difference_low": difference - 0.01, "difference_high": difference + 0.02}
    return {
        "head": head, "condition": condition, "other": other, "lateral": "zero",
        "difference": difference, **spread, "verdict": verdict, "turns_with": "", "limit": "",
        **more,
    }  # fmt: skip


VERDICTS = pd.DataFrame(
    [
        row("a", "far in", "near in", 0.10),
        row("a", "far out", "near out", 0.20),
        row("b", "near in", "far in", 0.30),
        row("b", "near out", "far out", 0.10),
        row("c", "far in", "near in", 0.10),
        row("c", "near out", "far out", 0.10),  # the other way round
        row("d", "far in", "near in", 0.10),
        row("d", "far out", "near out", 0.05, "turns", turns_with="people"),
        row("e", "far in", "near in", 0.10),  # does not work with the elbows out
        row("f", "far in", "near in", 0.10, "beyond the limb", limit="L1"),
        row("f", "far out", "near out", 0.10),
        row("g", "far in", "near in", 0.005, "level"),
        row("g", "far out", "near out", 0.001, "level"),
        row("a", "dumbbells", "near in", 0.4),  # no factor tells these apart
        row("a", "far out", "near in", 0.4),  # two factors do
    ]
)


@pytest.mark.parametrize(
    ("head", "verdict", "difference", "turns_with"),  # the step from near to far
    [
        ("a", "firm", 0.15, ""),
        ("b", "firm", -0.20, ""),
        ("c", "turns", 0.0, "other factors"),
        ("d", "turns", 0.075, "people"),
        ("e", "turns", 0.10, "other factors"),
        ("f", "beyond the limb", 0.10, ""),
        ("g", "level", 0.003, ""),
    ],
)
def test_a_factor_is_firm_only_where_every_setting_is(head, verdict, difference, turns_with):
    table = factor_verdicts(DESIGN, VERDICTS)
    (found,) = table[(table["factor"] == "grip") & (table["head"] == head)].itertuples()
    assert (found.level, found.other) == ("near", "far")
    assert (found.verdict, found.turns_with) == (verdict, turns_with)
    assert found.difference == pytest.approx(-difference)


def test_ends_are_those_of_all_settings():
    table = factor_verdicts(DESIGN, VERDICTS).set_index("head")
    assert table.loc["a", "difference_low"] == pytest.approx(-0.22)
    assert table.loc["a", "difference_high"] == pytest.approx(-0.09)
    assert table.loc["b", "difference_low"] == pytest.approx(0.09)
    assert table.loc["b", "difference_high"] == pytest.approx(0.32)


def test_a_statement_counts_and_names_what_the_table_holds():
    table = factor_verdicts(DESIGN, VERDICTS)
    told = factor_statements(DESIGN, table)
    assert list(told) == ["grip"]  # no pair of tucks was judged
    said = told["grip"]
    assert said.startswith("From near to far with tuck held, the order is firm in 2 of 7 working")
    assert "more activation in the a (+15)" in said
    assert "less activation in the b (\N{MINUS SIGN}20)" in said
    assert said.count("in points") == 1
    assert "(\N{MINUS SIGN}20), in points. Of the others" in said
    counts = {
        word: int(count) for count, word in re.findall(r"(\d) (turn|lies beyond|is level)", said)
    }
    assert counts == {"turn": 3, "lies beyond": 1, "is level": 1}


def test_nothing_is_said_without_factors():
    assert factor_verdicts(Factors(), VERDICTS).empty
    assert factor_statements(Factors(), factor_verdicts(Factors(), VERDICTS)) == {}


def test_draws_are_told_in_the_same_words():
    pairs = VERDICTS[["head", "condition", "other", "difference", "verdict", "limit"]]
    pairs = pairs.assign(verdict=pairs["verdict"].replace({"turns": "open"}))
    said = drawn_statements(DESIGN, pairs)["grip"]
    assert "the order is firm in 2 of 7 working heads" in said
    assert "3 are open or turn" in said
    assert drawn_statements(Factors(), pairs) == {}
