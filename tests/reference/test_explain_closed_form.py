"""Explanation of a two-joint head against sharing cases with an answer in closed form.

Source: two rows and three heads, solved by hand as the one-unknown problem that is left after
the balance (computed here, not read): two-joint head L at +22 mm (elbow) and −20 mm
(shoulder) with 800 N, elbow head U at +22 mm with 1000 N, shoulder head D at +35 mm with
1200 N, under 20 N·m at the elbow and 30 N·m at the shoulder. Forces are given to four digits
after the point, without the shoulder arm of L to six; tolerances are half of the last digit.
"""

import numpy as np
import pytest

from momentshare.explain import FrameProblem, WorkedCase, counterfactuals, drive_split, work

# p: (F_L, F_U, F_D, effort) with the shoulder arm, (F_L, F_U) without it
PUBLISHED = {
    2.0: ((203.9808, 705.1101, 973.7033, 1.2205945), (354.767184, 554.323725)),
    3.0: ((243.1126, 665.9783, 996.0644, 0.8953414), (379.176142, 529.914768)),
}
SHARES = {2.0: (0.224, 0.390), 3.0: (0.267, 0.417)}


def problem(exponent):
    return FrameProblem(
        head_names=("L", "U", "D"),
        row_names=("elbow_extension", "shoulder_elevation"),
        moment_arms=np.array([[0.022, 0.022, 0.0], [-0.020, 0.0, 0.035]]),
        capacity=np.array([800.0, 1000.0, 1200.0]),
        passive_force=np.zeros(3),
        moments=np.array([20.0, 30.0]),
        exponent=exponent,
        weights=np.ones(3),
        free_columns=np.zeros((2, 0)),
    )


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_removing_the_coupling_gives_the_uncoupled_case(exponent):
    coupled, free = PUBLISHED[exponent]
    changes = counterfactuals(problem(exponent), "L")
    np.testing.assert_allclose(changes.sharing.force[0], coupled[:3], atol=6e-5)
    assert changes.effort[0] == pytest.approx(coupled[3], abs=6e-8)
    without = changes.sharing.force[changes.place("no_arm_shoulder")]
    np.testing.assert_allclose(without[:2], free, atol=6e-7)
    assert set(changes.sharing.status_text) == {"solved"}


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_share_of_the_two_joint_head_rises_when_the_coupling_goes(exponent):
    changes = counterfactuals(problem(exponent), "L")
    force = changes.sharing.force[[0, changes.place("no_arm_shoulder")]]
    share = force[:, 0] / force[:, :2].sum(axis=1)
    np.testing.assert_allclose(share, SHARES[exponent], atol=5e-4)


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_parts_of_the_drive_sum_to_the_published_activation(exponent):
    given = problem(exponent)
    answer = given.solve()
    for head, force, capacity in zip("LUD", PUBLISHED[exponent][0], given.capacity, strict=False):
        split = drive_split(given, answer, head)
        assert split.part.sum() ** (1.0 / (exponent - 1.0)) * capacity == pytest.approx(
            force, abs=6e-5
        )
    assert drive_split(given, answer, "L").by_joint()["shoulder"] < 0.0


def test_worked_algebra_gives_the_published_forces():
    example = work(
        WorkedCase(
            capacity=(800.0, 1000.0, 1200.0),
            two_joint_arms=(0.022, -0.020),
            elbow_arm=0.022,
            shoulder_arm=0.035,
            moments=(20.0, 30.0),
        )
    )
    assert [answer.exponent for answer in example.answers] == [2.0, 3.0]
    for answer in example.answers:
        np.testing.assert_allclose(answer.force, PUBLISHED[answer.exponent][0][:3], atol=6e-5)
        assert answer.difference < 1e-9
