"""The worked algebra: its written forms, its numbers, and the cut out of a study."""

from dataclasses import replace

import numpy as np
import pytest
import sympy as sp
from tests.absent import hide

from momentshare.errors import InputError, MissingExtraError, ShapeError
from momentshare.explain import WorkedCase, case_from_frame, explain_head, work
from momentshare.explain.worked import algebra as module
from momentshare.sharing import share
from momentshare.study import parse_study, run_study

LONG, LATERAL = "triceps_brachii/long", "triceps_brachii/lateral"

STUDY = """
title = "One press, worked"
[settings]
frames = 5
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 65], [1, 82]]
load_kg = 30
lateral_ratio = 0.1
"""

CASE = WorkedCase(
    capacity=(800.0, 1000.0, 1200.0),
    two_joint_arms=(0.022, -0.020),
    elbow_arm=0.022,
    shoulder_arm=0.035,
    moments=(20.0, 30.0),
)


@pytest.mark.parametrize("equal", [True, False])
def test_written_forms_equal_what_was_solved(equal):
    algebra = module.derive(equal_weights=equal)
    written = (algebra.elbow_term + algebra.shoulder_term) / algebra.below
    assert sp.simplify(written - algebra.closed) == 0
    gain = module.arm_effect(algebra)
    assert sp.simplify(algebra.closed - algebra.alone - gain) == 0
    assert sp.simplify(gain) != 0


def test_conditions_are_the_gradient_of_the_lagrangian_at_the_answer():
    algebra = module.derive(equal_weights=True)
    s = module.symbols()
    answer = work(CASE).answers[0]
    numbers = {s[n]: v for n, v in CASE.numbers().items()}
    numbers |= {s[n]: v for n, v in zip(("a_L", "a_E", "a_S"), answer.activation, strict=True)}
    prices = {
        s["lambda_e"]: algebra.prices[0].subs(numbers),
        s["lambda_s"]: algebra.prices[1].subs(numbers),
    }
    for name in ("a_L", "a_E", "a_S"):
        slope = sp.diff(algebra.lagrangian, s[name]).subs(prices).subs(numbers)
        assert abs(float(slope)) < 1e-12
    solved = share(CASE.arms, CASE.capacity, CASE.moments)
    np.testing.assert_allclose([float(v) for v in prices.values()], solved.multipliers, rtol=1e-9)


@pytest.mark.parametrize("exponent", [1.3, 2.5, 6.0])
def test_answer_equals_the_solver_inside_and_on_the_bounds(exponent):
    draw = np.random.default_rng(11)
    held = inside = 0
    for _ in range(15):
        capacity = draw.uniform(300.0, 1500.0, 3)
        arms = draw.uniform(-0.04, 0.04, 2)
        own = draw.choice([-1.0, 1.0], 2) * draw.uniform(0.01, 0.05, 2)
        case = WorkedCase(
            capacity=tuple(capacity),
            two_joint_arms=tuple(arms),
            elbow_arm=own[0],
            shoulder_arm=own[1],
            moments=(0.0, 0.0),
            weights=tuple(draw.uniform(0.5, 2.0, 3)),
            exponent=exponent,
        )
        # Moments that some activations from 0 to 1 supply, so that an answer exists.
        moments = case.arms @ (capacity * draw.uniform(0.0, 1.0, 3))
        answers = work(replace(case, moments=tuple(moments))).answers
        for answer in answers:
            assert answer.difference < 1e-9
        clipped = answers[0].unbounded != answers[0].activation[0]
        held, inside = held + clipped, inside + (not clipped)
    assert held > 2
    assert inside > 2


def test_both_renderings_hold_every_step_and_the_numbers():
    example = work(CASE)
    text, latex = example.text(), example.latex()
    for number in range(1, len(example.steps) + 1):
        assert f"\n{number}. " in f"\n{text}"
    assert latex.count(r"\item") == len(example.steps)
    assert latex.count(r"\[") == sum(len(step.equations) for step in example.steps)
    for rendered in (text, latex):
        assert "0.2549759574" in rendered
        assert "{a_L}" not in rendered
    assert latex.count("{") == latex.count("}")


@pytest.mark.parametrize(("arm", "word"), [(-0.020, "less"), (0.020, "more")])
def test_the_effect_of_the_shoulder_arm_is_said_from_its_sign(arm, word):
    text = work(replace(CASE, two_joint_arms=(0.022, arm))).text()
    assert f"makes it contribute {word} (before the bounds)" in text


def test_a_case_beyond_the_bounds_says_so():
    example = work(replace(CASE, two_joint_arms=(0.022, -0.060), moments=(20.0, 30.0)))
    assert example.answers[0].unbounded < 0.0
    assert example.answers[0].activation[0] == 0.0
    assert "lies outside" in example.text()
    assert "lies within" not in example.text()
    assert "lies within" in work(CASE).text()


def test_one_joint_heads_at_their_limit_set_the_ends_for_the_two_joint_head():
    """By hand: E full at 22 of 35 N·m leaves 13 of 17.6 to L; S, 30 of 42 N·m, contributes 0.25 of
    48."""
    arms = (0.022, -0.060)
    needed = work(replace(CASE, two_joint_arms=arms, moments=(35.0, 6.0))).answers[0]
    assert needed.unbounded < needed.activation[0] == pytest.approx(13.0 / 17.6, rel=1e-12)
    # S costs next to nothing, so that L would like to pull more than S can make up for.
    cheap = replace(CASE, two_joint_arms=arms, weights=(1.0, 1.0, 0.01))
    for answer in work(cheap).answers:
        assert answer.activation[0] == pytest.approx(12.0 / 48.0, rel=1e-12)
        assert answer.difference < 1e-9
    assert work(cheap).answers[0].unbounded > 0.25


def test_moments_out_of_reach_are_refused():
    with pytest.raises(InputError, match="cannot supply"):
        work(replace(CASE, moments=(200.0, 30.0)))


def test_cases_without_pull_or_arm_are_refused():
    with pytest.raises(ShapeError, match="capacity"):
        replace(CASE, capacity=(0.0, 1000.0, 1200.0))
    with pytest.raises(ShapeError, match="shoulder_arm"):
        replace(CASE, shoulder_arm=0.0)
    with pytest.raises(ShapeError, match="finite"):
        replace(CASE, moments=(float("nan"), 1.0))


def test_missing_sympy_names_the_extra(monkeypatch):
    hide(monkeypatch, "sympy")
    with pytest.raises(MissingExtraError, match=r"momentshare\[worked\]"):
        work(CASE)


def test_a_frame_of_a_study_becomes_a_case_that_the_solver_confirms():
    (case,) = run_study(parse_study(STUDY)).cases
    for result in case.results:
        for frame in range(5):
            long, lateral = (explain_head(result, h, frame=frame) for h in (LONG, LATERAL))
            small = case_from_frame(long, lateral)
            assert small.heads[:2] == (LONG, LATERAL)
            assert small.rows[0] == "elbow_extension"
            assert max(a.difference for a in work(small).answers) < 1e-9
            # A one-joint head alone finds a two-joint partner.
            other = case_from_frame(lateral)
            index = long.problem.head_names.index(other.heads[0])
            assert set(long.problem.crosses(index)) >= {"elbow", "shoulder"}
            assert other.heads[1] == LATERAL
