"""Least strength that a task requires: against closed forms, an independent solver and Farkas."""

import numpy as np
import pytest

from momentshare.strength.needed import TaskFrames, least_raise, nearest_above, needed_strength


def frames(pull, asked, groups, columns=None, bounds=(0.0, 0.0)):
    pull = np.asarray(pull, dtype=float)
    count, rows, _ = pull.shape
    columns = np.zeros((count, rows, 0)) if columns is None else np.asarray(columns, dtype=float)
    shape = (count, columns.shape[2])
    return TaskFrames(
        pull=pull,
        asked=np.asarray(asked, dtype=float),
        groups=np.asarray(groups),
        columns=columns,
        low=np.full(shape, bounds[0]),
        high=np.full(shape, bounds[1]),
    )


def random_task(rng, count=5, rows=3, heads=9, groups=4, free=1):
    own = np.concatenate([np.arange(groups), rng.integers(0, groups, heads - groups)])
    pull = rng.normal(0.0, 20.0, (count, rows, heads))
    columns = rng.normal(0.0, 1.0, (count, rows, free))
    task = frames(pull, np.zeros((count, rows)), own, columns, (-5.0, 8.0))
    strong = rng.uniform(1.2, 2.5, groups)
    use = rng.uniform(0.3, 1.0, (count, heads)) * strong[own]
    asked = np.einsum("frh,fh->fr", pull, use)
    return frames(pull, asked, own, columns, (-5.0, 8.0)), task


def by_quadratic_program(task, spreads):
    """Factors by one program over the forces of all frames at once."""
    cvxpy = pytest.importorskip("cvxpy")
    factors = cvxpy.Variable(len(spreads))
    held = []
    for frame in range(len(task.asked)):
        force = cvxpy.Variable(task.pull.shape[2], nonneg=True)
        added = cvxpy.Variable(task.columns.shape[2])
        held += [
            task.pull[frame] @ force + task.columns[frame] @ added == task.asked[frame],
            force <= factors[task.groups],
            added >= task.low[frame],
            added <= task.high[frame],
        ]
    problem = cvxpy.Problem(cvxpy.Minimize(cvxpy.sum_squares((factors - 1.0) / spreads)), held)
    problem.solve(solver="CLARABEL")
    return factors.value


def test_two_groups_about_one_joint_share_by_strength_times_variance():
    """Closed form: with strengths s, spreads σ and a lack d, f = 1 + σ² s d / Σ σ² s²."""
    strength, spread, lack = np.array([30.0, 20.0]), np.array([0.25, 0.5]), 10.0
    task = frames(strength[None, None, :], [[strength.sum() + lack]], [0, 1])
    found = needed_strength(task, spread)
    wanted = 1.0 + spread**2 * strength * lack / np.sum((spread * strength) ** 2)
    assert found.factors == pytest.approx(wanted, abs=1e-8)
    assert found.common == pytest.approx(1.0 + lack / strength.sum(), abs=1e-8)
    assert found.alone == pytest.approx(1.0 + lack / strength, abs=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_the_least_change_equals_one_program_over_all_frames(seed):
    rng = np.random.default_rng(seed)
    task, _ = random_task(rng)
    spreads = rng.uniform(0.05, 0.5, 4)
    found = needed_strength(task, spreads)
    wanted = by_quadratic_program(task, spreads)
    assert found.possible
    assert found.factors == pytest.approx(wanted, abs=2e-5)


@pytest.mark.parametrize("seed", range(4))
def test_the_common_factor_is_the_edge_of_what_can_be_met(seed):
    task, _ = random_task(np.random.default_rng(seed))
    common = needed_strength(task, np.full(4, 0.5)).common

    def greatest_short(factor):
        return max(task.short(k, np.full(4, factor))[0] for k in range(len(task.asked)))

    assert greatest_short(common * 1.0001) < 1e-3
    if common > 1.0:
        assert greatest_short(common * 0.999) > 1e-3


def test_nothing_is_raised_where_nothing_lacks():
    task = frames([[[30.0, 20.0]]], [[40.0]], [0, 1])
    found = needed_strength(task, np.array([0.1, 0.1]))
    assert found.factors.tolist() == [1.0, 1.0]
    assert found.common == 1.0
    assert found.alone.tolist() == [1.0, 1.0]


def test_a_moment_that_no_head_turns_cannot_be_explained():
    task = frames([[[30.0, 20.0], [0.0, 0.0]]], [[10.0, 5.0]], [0, 1])
    found = needed_strength(task, np.array([0.1, 0.1]))
    assert not found.possible
    assert np.isnan(found.common)
    assert np.isnan(found.alone).all()


def test_a_group_that_cannot_do_it_alone_has_no_factor():
    task = frames([[[30.0, 0.0], [0.0, 20.0]]], [[45.0, 30.0]], [0, 1])
    found = needed_strength(task, np.array([0.1, 0.1]))
    assert found.factors == pytest.approx([1.5, 1.5])
    assert np.isnan(found.alone).all()


def test_what_the_hand_may_add_within_its_bounds_lowers_the_need():
    """3 N of push at 2 m·N per newton take 6 off 60 N·m."""
    plain = frames([[[40.0]]], [[60.0]], [0])
    helped = frames([[[40.0]]], [[60.0]], [0], [[[2.0]]], (-1.0, 3.0))
    assert needed_strength(plain, np.ones(1)).common == pytest.approx(1.5)
    assert needed_strength(helped, np.ones(1)).common == pytest.approx(54.0 / 40.0)


def test_the_shortest_step_over_cuts():
    """Distance of the origin to a half plane, to a corner, and to cuts that exclude each other."""
    assert nearest_above(np.array([[3.0, 4.0]]), np.array([10.0])) == pytest.approx([1.2, 1.6])
    corner = nearest_above(np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([2.0, 3.0]))
    assert corner == pytest.approx([2.0, 3.0])
    assert nearest_above(np.array([[1.0], [-1.0]]), np.array([1.0, 0.0])) is None
    assert nearest_above(np.array([[0.0]]), np.array([1.0])) is None


def test_more_strength_is_never_asked_than_the_ways_allow():
    task = frames([[[1e-6]]], [[60.0]], [0])
    assert np.isnan(least_raise(task, np.ones((1, 1)))).all()
