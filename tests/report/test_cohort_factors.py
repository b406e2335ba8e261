"""Factors in the report of a cohort: what is said of each, and how its levels are drawn."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.colors import to_hex
from tests.drawn import plain
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import BARS, page, picture, planted, spelled
from tests.report.page_reader import PageReader

from momentshare.report.figures import style
from momentshare.report.figures.emg import emg_agreement_figure
from momentshare.report.page.cohort import cohort_page
from momentshare.report.page.document import render
from momentshare.report.text.cohort_orders import (
    cohort_factor_statements,
    cohort_factor_verdicts,
    judged_orders,
)
from momentshare.study.factors import Factors
from momentshare.text import head_phrase

pytest.importorskip("statsmodels")

LEVELS = {
    BARS[0]: {"spacing": "near", "tuck": "in"},
    BARS[1]: {"spacing": "far", "tuck": "in"},
    BARS[2]: {"spacing": "far", "tuck": "out"},
    plan.FREE_HANDS: {},
}
STEPS = {"spacing": (BARS[1], BARS[0]), "tuck": (BARS[2], BARS[1])}
"""Factor → the two conditions that differ in it alone, the later level first."""


@cache
def summary():
    return replace(planted().summary, factors=Factors(LEVELS))


def shown_orders():
    """Head and pair → verdict and sign, as the tables of findings on the page have them."""
    found = {}
    for caption, verdict in (
        ("that hold under every change", "firm"),
        ("that reverse when the input", "turns"),
        ("that rest on what this limb does not support", "beyond the limb"),
    ):
        for row in page().table(caption).records():
            high, low = row["order"].split(" above ")
            found[row["head"], frozenset((high, low))] = verdict, high
    return found


@pytest.mark.parametrize("factor", STEPS)
def test_verdicts_on_a_factor_are_those_of_the_findings(factor):
    later, earlier = STEPS[factor]
    table = cohort_factor_verdicts(summary())
    mine = table[table["factor"] == factor]
    assert len(mine)
    seen = set()
    for row in mine.itertuples():
        shown = shown_orders().get((spelled(row.head), frozenset((later, earlier))))
        if shown is None:  # no test shows it, or it is level
            assert row.verdict in {"turns", "level", "beyond the limb"}
            assert row.verdict != "turns" or row.turns_with == "people"
        else:
            assert (row.verdict, row.difference > 0.0) == (shown[0], shown[1] == earlier)
        assert row.difference_low <= row.difference <= row.difference_high
        seen.add(row.verdict)
    assert "firm" in seen


def test_a_sentence_per_factor_counts_and_names_what_the_table_holds():
    table, told = cohort_factor_verdicts(summary()), cohort_factor_statements(summary())
    assert list(told) == list(STEPS)
    for factor, said in told.items():
        mine = table[table["factor"] == factor]
        firm = mine[mine["verdict"] == "firm"]
        assert f"the order is firm in {len(firm)} of {len(mine)} working heads" in said
        top = firm.loc[firm["difference"].abs().idxmax()]
        size = f"{-100 * top['difference']:+.0f}".replace("-", "\N{MINUS SIGN}")
        assert f"{head_phrase(top['head'])} ({size})" in said
        open_ = int((mine["verdict"] == "turns").sum())
        words = re.search(r"(\d+) are shown by no test or turn", said)
        assert (int(words[1]) if words else 0) == open_


def test_the_page_says_it_and_is_silent_without_factors():
    found = planted()
    made = cohort_page(found.result, summary(), [], {"activation_by_head": picture(1)}, {})
    text = plain(PageReader(render(made)).text("Findings"))
    assert "Factor by factor" in text
    for factor, said in cohort_factor_statements(summary()).items():
        assert plain(f"{factor}: {said}") in text
    assert "Factor by factor" not in plain(page().text("Findings"))
    assert cohort_factor_statements(found.summary) == {}
    assert judged_orders(found.summary).firm == judged_orders(summary()).firm


def test_levels_decide_the_look_of_the_agreement_with_emg():
    table = planted().summary.tables["emg_curves_by_person"]
    with mpl.rc_context(style.settings()):
        figure = emg_agreement_figure(table, plan.SHOWN, Factors(LEVELS))
    looks = {}
    means = table.groupby(["head", "condition"], observed=True)["emg"].mean()
    for line in figure.axes[0].lines:
        if line.get_marker() == "None":
            continue
        across = float(np.mean(line.get_xdata()))
        head = table["head"].iloc[0]
        (name,) = [c for c in BARS if np.isclose(across, 100 * means[head, c], atol=1e-6)]
        face = to_hex(line.get_markerfacecolor())
        looks[name] = to_hex(line.get_color()), line.get_marker(), face == to_hex("#ffffff")
    one, two, three = (looks[name] for name in BARS)
    assert one[:2] != two[:2] == three[:2]  # spacing: colour and marker
    assert one[2] == two[2] != three[2]  # tuck: filling
    words = [plain(text.get_text()) for text in figure.legends[0].get_texts()]
    assert words == ["spacing: near", "spacing: far", "tuck: in", "tuck: out"]
