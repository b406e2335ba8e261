"""Draws behind an explanation: paired, the same from the same seed, the answer without spread."""

import numpy as np
import pytest

from momentshare.explain.difference import explain_difference
from momentshare.explain.drawn import (
    Share,
    drawn_differences,
    drawn_results,
)
from momentshare.explain.drawn_heads import drawn_heads
from momentshare.explain.heads_apart import explain_heads_apart
from momentshare.explain.mixtures import FACTORS, Member
from momentshare.runs import solve_setup
from momentshare.study import parse_study, plan_study
from momentshare.uncertainty.spreads import Spreads

STUDY = """
title = "Two presses"
[settings]
frames = 5
lateral = ["measured", "free"]
glenoid_constraint = true
[[person]]
name = "Bo"
sex = "male"
stature_cm = 180
body_mass_kg = 80
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "wide"
exercise = "bar_press"
spacing_biacromial = 1.7
load_kg = 25
lateral_ratio = 0.12
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.2
load_kg = 25
lateral_ratio = 0.04
"""
HEAD = "pectoralis_major/sternocostal_lower"


@pytest.fixture(scope="module")
def setup():
    return plan_study(parse_study(STUDY)).setup


def wanted(setup, mode):
    tasks = {(t.person, t.condition): t for t in setup.tasks}
    return [(tasks["Edda", name], mode) for name in ("wide", "narrow")]


@pytest.mark.parametrize("mode", ["measured", "free"])
def test_without_spread_every_draw_is_the_answer_itself(setup, mode):
    drawn = drawn_results(setup, wanted(setup, mode), 2, spreads=Spreads(scale=0.0))
    assert len(drawn) == 2
    cases = {(c.person, c.condition): c for c in solve_setup(setup).cases}
    pair = [
        next(r for r in cases["Edda", name].results if r.lateral.mode == mode)
        for name in ("wide", "narrow")
    ]
    for results in drawn:
        for own, known in zip(results, pair, strict=True):
            np.testing.assert_allclose(own.activation, known.activation, atol=1e-7)
    found = explain_difference(*pair, frame=2)
    many = drawn_differences(drawn, found.heights)
    index = found.head_names.index(HEAD)
    assert many.draws == 2
    for k, factor in enumerate(FACTORS):
        assert many.parts[0, k, index] == pytest.approx(found.factors(HEAD)[factor], abs=1e-6)
    gap = float(found.gap[index])
    assert many.same_sign(HEAD, gap) == Share(2, 2)
    assert many.same_sign(HEAD, -gap) == Share(0, 2)
    top = max(FACTORS, key=lambda f: np.sign(gap) * found.factors(HEAD)[f])
    assert many.same_factor(HEAD, top) == Share(2, 2)


def test_draws_differ_are_paired_and_come_again_from_their_seed(setup):
    first, again, other = (
        drawn_results(setup, wanted(setup, "measured"), 4, seed=seed) for seed in (1, 1, 2)
    )
    for a, b in zip(first, again, strict=True):
        np.testing.assert_array_equal(a[0].activation, b[0].activation)
    assert not np.allclose(first[0][0].activation, first[1][0].activation)
    assert not np.allclose(first[0][0].activation, other[0][0].activation)
    for wide, narrow in first:
        limbs = wide.prepared.limb, narrow.prepared.limb
        np.testing.assert_array_equal(limbs[0].volume, limbs[1].volume)
        assert wide.prepared.limb.skeleton.person.name == "Edda"
    # Parts sum to the difference in every draw.
    many = drawn_differences(first, (0.5, 0.5))
    gaps = many.activation[:, 0] - many.activation[:, 1]
    np.testing.assert_allclose(many.parts.sum(axis=1), gaps, atol=1e-9)
    table = many.to_dataframe()
    np.testing.assert_allclose(table["difference"], gaps.ravel())


def test_a_share_counts_draws_of_one_sign(setup):
    drawn = [own[:1] for own in drawn_results(setup, wanted(setup, "measured"), 4)]
    lifts = [own[0] for own in drawn]
    heads = (HEAD, "brachialis")
    names = lifts[0].prepared.limb.head_names
    own = [r.activation[2][names.index(HEAD)] - r.activation[2][names.index("brachialis")]
           for r in lifts]  # fmt: skip
    drawn = drawn_heads(lifts, heads, 0.5)
    assert drawn.same_sign(1.0) == Share(int(np.sum(np.array(own) > 0.0)), 4)
    assert drawn_heads([], heads, 0.5) is None
    assert str(Share(3, 4)) == "in 3 of 4 draws"


def test_two_heads_are_split_in_every_draw_as_in_the_answer(setup):
    lifts = [own[0] for own in drawn_results(setup, wanted(setup, "free"), 3)]
    heads = (HEAD, "triceps_brachii/long")
    drawn = drawn_heads(lifts, heads, 0.5)
    assert drawn.draws == 3
    alone = [explain_heads_apart(lift, *heads, frame=2) for lift in lifts]
    arms = np.array([one.factors()["arms"] for one in alone])
    for sign in (-1.0, 1.0):
        held = int(np.sum(np.sign(arms) == sign))
        assert drawn.part_sign("arms", sign) == Share(held, 3)
    # Arms and capacity add up to the difference; the rest of the other reading is not a part.
    table = drawn.to_dataframe()
    mine = table[table["reading"] == "what the heads are"].groupby("draw")
    gap = drawn.activation[:, 0] - drawn.activation[:, 1]
    np.testing.assert_allclose(mine["activation_part"].sum(), gap, atol=1e-9)
    # The component that is largest in the first draw counts there, its opposite sign nowhere more.
    first = table[(table["draw"] == 0) & (table["reading"] == "what is asked")]
    best = first.loc[first["activation_part"].abs().idxmax()]
    component = Member(best["factor"], best["component"])
    agree = drawn.largest(component, best["activation_part"])
    against = drawn.largest(component, -best["activation_part"])
    assert agree.holds >= 1
    assert agree.holds + against.holds <= 3
