"""Sharing cases with an answer in closed form.

Sources, as each test names them: an open problem set on indeterminate muscle systems
(problems 4.3.2 and 4.3.3, inputs read, answers computed here in closed form); textbook
statics of elbow and shoulder with one muscle (data from memory, arithmetic computed); a
college-physics text, section 9.6 (read); and small systems solved by hand. For one joint
and no bound in force, Lagrange's condition gives F_i ∝ r_i^(1/(p−1)) F_max,i^(p/(p−1)).
"""

import math

import numpy as np
import pytest

from momentshare.sharing import share


def by_hand(arms, capacity, moment, exponent):
    ratio = arms ** (1 / (exponent - 1)) * capacity ** (exponent / (exponent - 1))
    return ratio * moment / (arms @ ratio)


@pytest.mark.parametrize(
    ("exponent", "forces"),
    [
        (2.0, [431.034483, 86.206897]),
        (3.0, [399.047963, 126.190046]),
        (math.inf, [357.142857, 178.571429]),
    ],
)
def test_two_muscles_one_joint(exponent, forces):
    """Problem 4.3.3: 1000 and 500 N at 50 and 40 mm carry 25 N·m."""
    answer = share([[0.05, 0.04]], [1000.0, 500.0], [25.0], exponent=exponent)
    np.testing.assert_allclose(answer.force, forces, atol=5e-7)


@pytest.mark.parametrize("exponent", [1.1, 1.5, 2.0, 2.5, 3.0, 4.0, 7.0])
def test_two_muscles_share_by_the_power_law(exponent):
    """Problem 4.3.2, any exponent: F_i ∝ r_i^(1/(p−1)) F_max,i^(p/(p−1))."""
    arms, capacity = np.array([0.05, 0.04]), np.array([1000.0, 500.0])
    answer = share([arms], capacity, [25.0], exponent=exponent)
    np.testing.assert_allclose(answer.force, by_hand(arms, capacity, 25.0, exponent), rtol=1e-12)


def test_near_one_only_the_longest_arm_works():
    """Problem 4.3.3 with p → 1 and Σ F: 500 and 0 N; here F_max alike, so that Σ a is Σ F."""
    answer = share([[0.05, 0.04]], [1000.0, 1000.0], [25.0], exponent=1.01)
    np.testing.assert_allclose(answer.force, [500.0, 0.0], atol=1e-4)


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_a_saturated_muscle_leaves_the_rest_to_the_other(exponent):
    """Closed form: 1000 N at 50 mm gives 50 of 57 N·m, 350 N at 20 mm the rest."""
    answer = share([[0.05, 0.02]], [1000.0, 500.0], [57.0], exponent=exponent)
    np.testing.assert_allclose(answer.force, [1000.0, 350.0], rtol=1e-12)
    # λ belongs to the muscle between its bounds.
    inner = exponent * 0.7 ** (exponent - 1)
    np.testing.assert_allclose(answer.multipliers, [inner / (500.0 * 0.02)], rtol=1e-10)


@pytest.mark.parametrize(
    ("exponent", "forces"),
    [
        (2.0, [641.711230, 360.962567, 360.962567]),
        (3.0, [593.133433, 385.251465, 385.251465]),
    ],
)
def test_three_parallel_heads(exponent, forces):
    """Closed form: F ∝ s^(p/(p−1)) for equal arms of 22 mm under 30 N·m."""
    answer = share([[0.022] * 3], [800.0, 600.0, 600.0], [30.0], exponent=exponent)
    np.testing.assert_allclose(answer.force, forces, atol=5e-7)


TWO_JOINTS = [[0.022, 0.022, 0.0], [-0.020, 0.0, 0.035]]


@pytest.mark.parametrize(
    ("exponent", "forces", "cost"),
    [
        (2.0, [203.9808, 705.1101, 973.7033], 1.2205945),
        (3.0, [243.1126, 665.9783, 996.0644], 0.8953414),
    ],
)
def test_a_two_joint_head_couples_two_rows(exponent, forces, cost):
    """Closed form, one unknown left: elbow 20, shoulder 30 N·m; answers to the digits kept."""
    answer = share(TWO_JOINTS, [800.0, 1000.0, 1200.0], [20.0, 30.0], exponent=exponent)
    np.testing.assert_allclose(answer.force, forces, atol=6e-5)
    assert (answer.activation**exponent).sum() == pytest.approx(cost, abs=6e-8)


@pytest.mark.parametrize(
    ("exponent", "forces"),
    [(2.0, [354.767184, 554.323725]), (3.0, [379.176142, 529.914768])],
)
def test_without_the_second_arm_the_coupling_is_gone(exponent, forces):
    """Closed form: the same system with the shoulder arm of the two-joint head at zero."""
    arms = [[0.022, 0.022, 0.0], [0.0, 0.0, 0.035]]
    answer = share(arms, [800.0, 1000.0, 1200.0], [20.0, 30.0], exponent=exponent)
    np.testing.assert_allclose(answer.force[:2], forces, atol=5e-7)


@pytest.mark.parametrize(
    ("moment", "arm", "force"),
    [
        # Elbow flexor at 4 cm, forearm 20 N at 15 cm, load 80 N at 35 cm; statics text,
        # from memory.
        (20.0 * 0.15 + 80.0 * 0.35, 0.04, 775.0),
        # Forearm 2.50 kg at 16.0 cm, load 4.00 kg at 38.0 cm, g 9.80; college physics, read.
        (9.8 * (2.5 * 0.16 + 4.0 * 0.38), 0.04, 470.4),
        # Deltoid at 15 cm and 15°, arm 40 N at 30 cm, load 60 N at 60 cm; from memory.
        (40.0 * 0.3 + 60.0 * 0.6, 0.15 * math.sin(math.radians(15.0)), 1236.385),
        # Arm 3.3 kg at 24 cm, deltoid at 12 cm and 15°, g 9.8; physics problem, read.
        (3.3 * 9.8 * 0.24, 0.12 * math.sin(math.radians(15.0)), 249.904),
    ],
)
def test_one_muscle_carries_the_whole_moment(moment, arm, force):
    """Textbook statics; the tolerance is half of the last digit printed there."""
    for exponent in (1.5, 2.0, 3.0, math.inf):
        answer = share([[arm]], [2000.0], [moment], exponent=exponent)
        assert float(answer.force[0]) == pytest.approx(force, abs=6e-4)
