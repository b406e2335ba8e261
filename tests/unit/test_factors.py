"""Factors: what a file may state, which conditions a step compares, who shares a panel."""

from itertools import product

import numpy as np
import pytest

from momentshare.cohort.factors import _hypotheses
from momentshare.demo import demo_text
from momentshare.errors import StudyError
from momentshare.report.figures.looks import Looks
from momentshare.study import parse_study
from momentshare.study.factors import MOST_CROSSED, MOST_LINES, Factors, factor_faults


def crossed(**levels):
    """Conditions of a full design, named by their levels."""
    return Factors(
        {" ".join(cell): dict(zip(levels, cell, strict=True)) for cell in product(*levels.values())}
    )


def shared(factors, conditions=None):
    return [(g.title, list(g.conditions)) for g in factors.groups(conditions or list(factors.of))]


def test_four_conditions_share_a_panel_and_six_are_divided_by_the_second_factor():
    four = crossed(grip=["wide", "narrow"], load=["light", "heavy"])
    assert shared(four) == [("", list(four.of))]
    six = crossed(spacing=["1.1", "1.4", "1.7"], tuck=["in", "out"])
    assert shared(six) == [
        ("tuck: in", ["1.1 in", "1.4 in", "1.7 in"]),
        ("tuck: out", ["1.1 out", "1.4 out", "1.7 out"]),
    ]


def test_a_third_factor_always_has_panels_of_its_own():
    eight = crossed(a=["1", "2"], b=["x", "y"], c=["u", "v"])
    assert [title for title, _ in shared(eight)] == ["c: u", "c: v"]
    many = crossed(a=["1", "2", "3"], b=["x", "y"], c=["u", "v"])
    assert [title for title, _ in shared(many)] == [
        "c: u, b: x", "c: u, b: y", "c: v, b: x", "c: v, b: y",
    ]  # fmt: skip


def test_a_condition_beside_the_factors_joins_every_panel_that_has_room():
    six = crossed(spacing=["1.1", "1.4", "1.7"], tuck=["in", "out"])
    beside = Factors({**six.of, "dumbbells": {}})
    assert all(names[-1] == "dumbbells" for _, names in shared(beside))
    full = Factors({**crossed(a=list("1234")).of, "dumbbells": {}})
    assert shared(full)[-1] == ("", ["dumbbells"])


@pytest.mark.parametrize("count", range(1, 14))
def test_no_panel_has_more_than_four_lines_and_none_is_lost(count):
    names = [f"c{k}" for k in range(count)]
    groups = Factors().groups(names)
    assert [n for g in groups for n in g.conditions] == names
    assert max(len(g.conditions) for g in groups) <= MOST_LINES
    long = crossed(a=names, b=["x", "y"]).groups(list(crossed(a=names, b=["x", "y"]).of))
    assert max(len(g.conditions) for g in long) <= MOST_LINES


def test_steps_change_one_factor_and_hold_the_others():
    six = crossed(spacing=["1.1", "1.4", "1.7"], tuck=["in", "out"])
    steps = six.steps()
    assert len(steps) == 2 * 3 + 3  # three pairs of spacings at either tuck, one of tucks at three
    for step in steps:
        mine, other = six.of[step.condition], six.of[step.other]
        assert {n for n in mine if mine[n] != other[n]} == {step.factor}
        order = six.levels(step.factor)
        assert order.index(step.level) < order.index(step.other_level)
    assert {s.setting for s in steps if s.factor == "spacing"} == {"tuck: in", "tuck: out"}


def test_few_conditions_are_compared_two_by_two_and_many_with_a_first_one():
    names = [f"c{k}" for k in range(MOST_CROSSED)]
    assert len(Factors().compared(names)) == len(names) * (len(names) - 1) // 2
    many = [f"c{k}" for k in range(3000)]
    assert Factors().compared(many) == [(0, k) for k in range(1, 3000)]
    grid = crossed(a=[str(k) for k in range(50)], b=[str(k) for k in range(60)])
    names = [*grid.of, "beside"]
    pairs = {(names[i], names[j]) for i, j in grid.compared(names)}
    assert len(pairs) <= 4 * len(names)
    steps = {
        frozenset((s.condition, s.other))
        for s in grid.steps()
        if s.level == grid.levels(s.factor)[0]
    }
    with_first = {frozenset((names[0], name)) for name in names[1:]}
    assert {frozenset(pair) for pair in pairs} == steps | with_first


def test_looks_tell_levels_apart_by_more_than_colour():
    six = crossed(spacing=["1.1", "1.4", "1.7"], tuck=["in", "out"])
    looks = Looks(list(six.of), six)
    for step in six.steps():
        one, two = looks.of(step.condition), looks.of(step.other)
        kept, moved = (("linestyle",), ("color", "marker"))
        if step.factor == "tuck":
            kept, moved = moved, (*kept, "markerfacecolor")
        assert all(one[k] == two[k] for k in kept)
        assert all(one[k] != two[k] for k in moved)
    names = [name for name, _ in looks.handles(list(six.of))]
    assert names == ["spacing: 1.1", "spacing: 1.4", "spacing: 1.7", "tuck: in", "tuck: out"]


def test_the_demo_crosses_spacing_and_tuck_with_dumbbells_beside():
    factors = parse_study(demo_text(), "demo").factors
    assert factors.levels("spacing") == ("1.1", "1.4", "1.7")
    assert factors.levels("tuck") == ("tucked", "flared")
    assert factors.beside() == ("dumbbells",)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('factor.tuck = "tucked"\n', "", "factor: tuck is missing; state a level"),
        ('factor.tuck = "flared"', 'factor.tuck = "tucked"', "has one level only"),
        ('factor.spacing = "1.4"', 'factor.spacing = "1.1"', "has the levels of 'bar 1.1, tucked'"),
        ('factor.spacing = "1.4"', "factor.spacing = 1.4", "factor → spacing"),
    ],
)
def test_a_fault_of_factors_names_condition_and_remedy(old, new, told):
    text = demo_text()
    assert old in text
    with pytest.raises(StudyError) as caught:
        parse_study(text.replace(old, new), "demo.toml")
    assert told in str(caught.value)
    assert "condition" in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_fourth_factor_is_refused():
    entry = parse_study(demo_text(), "demo").file.condition[0]
    four = entry.model_copy(update={"factor": dict.fromkeys("abcd", "1")})
    assert "must be 3 at most" in factor_faults([four])[0]


def test_interactions_of_three_factors_average_over_the_third():
    factors = crossed(a=["1", "2"], b=["x", "y"], c=["u", "v"])
    names = list(factors.of)
    found = _hypotheses(names, factors.of)
    assert list(found) == ["a", "b", "c", "a × b", "a × c", "b × c"]
    rng = np.random.default_rng(3)
    means = dict(zip(names, rng.normal(size=8), strict=True))

    def mean(**levels):
        return np.mean([v for n, v in means.items() if levels.items() <= factors.of[n].items()])

    slow = mean(a="1", b="x") - mean(a="2", b="x") - mean(a="1", b="y") + mean(a="2", b="y")
    np.testing.assert_allclose(found["a × b"] @ np.array(list(means.values())), slow)
    np.testing.assert_allclose(
        found["c"] @ np.array(list(means.values())), mean(c="u") - mean(c="v")
    )
