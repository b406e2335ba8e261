"""The public call: shapes, meaning of the fields, errors."""

import math
import subprocess
import sys
import threading

import numpy as np
import pytest
from tests import naive

from momentshare.errors import InputError, MissingExtraError, ShapeError
from momentshare.sharing import Status, share

METHODS = ["compiled", "numpy"]


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("batch", [(), (1,), (3,), (2, 3), (0,), (2, 0, 3)])
def test_every_batch_shape_comes_back(batch, method):
    arms, capacity, moments = naive.limb_like(1, heads=6, rows=2)
    answer = share(
        np.broadcast_to(arms[0], (*batch, 2, 6)),
        capacity[0],
        np.broadcast_to(moments[0], (*batch, 2)),
        free_columns=[[1.0], [0.5]],
        method=method,
    )
    assert answer.activation.shape == answer.force.shape == (*batch, 6)
    assert answer.active_force.shape == (*batch, 6)
    assert answer.multipliers.shape == answer.unmet.shape == (*batch, 2)
    assert answer.free_values.shape == (*batch, 1)
    assert answer.status.shape == answer.certificate.stationarity.shape == batch
    assert (answer.status == Status.SOLVED).all()


@pytest.mark.parametrize("method", METHODS)
def test_arguments_broadcast_against_each_other(method):
    arms, capacity, moments = naive.limb_like(6, heads=8, rows=3)
    grid = share(arms[:2, None], capacity[0], moments[:3], method=method)
    assert grid.activation.shape == (2, 3, 8)
    for i in range(2):
        for j in range(3):
            single = share(arms[i], capacity[0], moments[j], method=method)
            np.testing.assert_allclose(grid.activation[i, j], single.activation, atol=1e-11)


@pytest.mark.parametrize("exponent", [1.2, 1.5, 2.0, 3.0, 4.0])
def test_agrees_with_the_slow_twin(exponent):
    arms, capacity, moments = naive.limb_like(3, heads=9, rows=3, seed=4)
    weights = np.random.default_rng(1).uniform(0.2, 3.0, 9)
    answer = share(arms, capacity, moments, exponent=exponent, weights=weights)
    for f in range(3):
        slow = naive.share(arms[f], capacity[f], moments[f], exponent, weights)
        # The twin stops at 1e-15 of the effort, hence about 1e-6 in activation.
        assert naive.effort(answer.activation[f], exponent, weights) == pytest.approx(
            naive.effort(slow, exponent, weights), rel=1e-6
        )


@pytest.mark.parametrize("exponent", [1.3, 2.0, 3.0, 6.0])
def test_drive_equals_marginal_effort_between_the_bounds(exponent):
    arms, capacity, moments = naive.limb_like(40, seed=2)
    weights = np.random.default_rng(0).uniform(0.5, 2.0, 28)
    answer = share(arms, capacity, moments, exponent=exponent, weights=weights)
    a = answer.activation
    drive = capacity * np.einsum("fji,fj->fi", arms, answer.multipliers)
    marginal = exponent * weights * a ** (exponent - 1.0)
    greatest = marginal.max(axis=1, keepdims=True)
    inside = (a > 0.0) & (a < 1.0)
    assert inside.any(axis=1).all()
    assert (np.abs(drive - marginal) / greatest)[inside].max() < 1e-9
    assert (drive / greatest)[a == 0.0].max() <= 1e-12
    np.testing.assert_array_less(-1e-12, (drive - marginal)[a == 1.0])


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, math.inf])
def test_multipliers_are_the_price_of_moment(exponent):
    arms, capacity, moments = naive.limb_like(1, heads=10, rows=3, seed=8)
    weights = np.random.default_rng(3).uniform(0.5, 2.0, 10)

    def cost(m):
        answer = share(arms, capacity, m, exponent=exponent, weights=weights)
        assert (answer.status == Status.SOLVED).all()
        return naive.effort(answer.activation, exponent, weights)

    price = share(arms, capacity, moments, exponent=exponent, weights=weights).multipliers
    step = 1e-4
    for row in range(3):
        ahead, behind = moments.copy(), moments.copy()
        ahead[:, row] += step
        behind[:, row] -= step
        slope = (cost(ahead) - cost(behind)) / (2 * step)
        np.testing.assert_allclose(price[:, row], slope, rtol=1e-5, atol=1e-9)


def test_forces_add_up():
    arms, capacity, moments = naive.limb_like(5, seed=1)
    passive = np.linspace(0.0, 40.0, 28)
    answer = share(arms, capacity, moments, passive_force=passive)
    np.testing.assert_array_equal(answer.active_force, capacity * answer.activation)
    np.testing.assert_array_equal(answer.force, answer.active_force + passive)
    left = moments - np.einsum("fji,fi->fj", arms, answer.force)
    np.testing.assert_allclose(answer.unmet, left, atol=1e-10)
    assert np.abs(left).max() < 1e-9


def test_passive_force_alone_can_carry_the_moment():
    answer = share([[0.05, 0.04]], [1000.0, 500.0], [5.0], passive_force=[100.0, 0.0])
    np.testing.assert_array_equal(answer.activation, [0.0, 0.0])
    np.testing.assert_array_equal(answer.force, [100.0, 0.0])


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_free_values_carry_what_they_can_at_no_effort(method, exponent):
    arms, capacity, moments = naive.limb_like(20, seed=5)
    columns = np.random.default_rng(9).normal(size=(20, 4, 2))
    answer = share(arms, capacity, moments, exponent=exponent, free_columns=columns, method=method)
    carried = np.einsum("fjk,fk->fj", columns, answer.free_values)
    left = moments - np.einsum("fji,fi->fj", arms, answer.force) - carried
    assert np.abs(left).max() < 1e-8
    # A free unknown costs nothing: the multipliers see no gain in moving it.
    gain = np.einsum("fjk,fj->fk", columns, answer.multipliers)
    assert np.abs(gain).max() < 1e-10 * np.abs(answer.multipliers).max()
    fixed = share(arms, capacity, moments - carried, exponent=exponent, method=method)
    np.testing.assert_allclose(fixed.activation, answer.activation, atol=1e-7)
    held = share(arms, capacity, moments, exponent=exponent, method=method)
    assert (
        naive.effort(answer.activation, exponent)
        <= naive.effort(held.activation, exponent) * (1 + 1e-12)
    ).all()


@pytest.mark.parametrize("method", METHODS)
def test_a_free_column_that_repeats_another_gets_nothing(method):
    arms, capacity, moments = naive.limb_like(4, seed=5)
    one = np.array([[1.0], [0.5], [-0.2], [0.3]])
    single = share(arms, capacity, moments, free_columns=one, method=method)
    double = share(arms, capacity, moments, free_columns=np.hstack([one, 2 * one]), method=method)
    np.testing.assert_allclose(double.activation, single.activation, atol=1e-12)
    np.testing.assert_allclose(double.free_values[:, 0], single.free_values[:, 0], rtol=1e-9)
    np.testing.assert_array_equal(double.free_values[:, 1], 0.0)


def test_a_bounded_free_value_stays_inside_and_pushes_the_right_way():
    arms, capacity, moments = naive.limb_like(60, seed=6)
    column = np.array([[1.0], [0.5], [-0.2], [0.3]])
    free = share(arms, capacity, moments, free_columns=column)
    bounded = share(arms, capacity, moments, free_columns=column, free_bounds=([-4.0], [3.0]))
    before, after = free.free_values[:, 0], bounded.free_values[:, 0]
    np.testing.assert_array_equal(after[before > 3.0], 3.0)
    np.testing.assert_array_equal(after[before < -4.0], -4.0)
    inside = (before >= -4.0) & (before <= 3.0)
    assert 0 < inside.sum() < 60
    np.testing.assert_array_equal(after[inside], before[inside])
    np.testing.assert_array_equal(bounded.activation[inside], free.activation[inside])
    assert (bounded.status == Status.SOLVED).all()
    gain = np.einsum("jk,fj->f", column, bounded.multipliers)
    assert (gain[before > 3.0] > 0.0).all()
    assert (gain[before < -4.0] < 0.0).all()
    for f in np.flatnonzero(~inside)[:3]:
        held = share(arms[f], capacity[f], moments[f] - column[:, 0] * after[f])
        np.testing.assert_allclose(bounded.activation[f], held.activation, atol=1e-12)


def test_results_cannot_be_written_to():
    answer = share([[0.05]], [1000.0], [25.0])
    for array in (answer.activation, answer.unmet, answer.certificate.duality_gap):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0.0
    with pytest.raises(AttributeError):
        answer.activation = None


def test_arguments_are_left_alone():
    arms, capacity, moments = naive.limb_like(3)
    kept = [x.copy() for x in (arms, capacity, moments)]
    share(arms, capacity, moments, free_columns=np.ones((3, 4, 1)))
    for now, then in zip((arms, capacity, moments), kept, strict=True):
        np.testing.assert_array_equal(now, then)
        assert now.flags.writeable


def test_table_names_heads_units_and_frames():
    answer = share(
        [[[0.05, 0.04]]] * 2, [1000.0, 500.0], [[25.0], [999.0]], head_names=["long", "short"]
    )
    table = answer.to_dataframe()
    assert list(table.columns) == [
        "axis 0", "head", "activation", "active force [N]", "force [N]", "status",
    ]  # fmt: skip
    assert list(table["head"]) == ["long", "short"] * 2
    assert list(table["status"]) == ["solved"] * 2 + ["shortfall"] * 2
    np.testing.assert_array_equal(table["force [N]"], answer.force.ravel())
    assert "solved': 1" in repr(answer)
    assert len(repr(answer)) < 200


def test_every_status_says_what_to_do():
    assert len({status.meaning for status in Status}) == len(Status)
    assert list(share([[0.05]], [10.0], [[25.0]]).status_text) == ["shortfall"]


FAULTS = [
    ({"moment_arms": [0.05, 0.04]}, "moment_arms"),
    ({"moment_arms": np.zeros((0, 2))}, "moment_arms"),
    ({"moment_arms": "long"}, "moment_arms"),
    ({"active_capacity": [1000.0]}, "active_capacity"),
    ({"active_capacity": [1000.0, -1.0]}, "active_capacity"),
    ({"active_capacity": [1000.0, math.inf]}, "active_capacity"),
    ({"joint_moments": [25.0, 0.0]}, "joint_moments"),
    ({"joint_moments": [math.nan]}, "joint_moments"),
    ({"moment_arms": [[math.nan, 0.04]]}, "moment_arms"),
    ({"passive_force": [1.0]}, "passive_force"),
    ({"passive_force": [1.0, math.nan]}, "passive_force"),
    ({"weights": [1.0, 0.0]}, "weights"),
    ({"weights": [1.0, math.nan]}, "weights"),
    ({"exponent": 1.0}, "exponent"),
    ({"exponent": 0.5}, "exponent"),
    ({"exponent": math.nan}, "exponent"),
    ({"exponent": "two"}, "exponent"),
    ({"free_columns": [[1.0], [1.0]]}, "free_columns"),
    ({"free_columns": [[math.inf]]}, "free_columns"),
    ({"free_columns": [[1.0]], "free_bounds": ([2.0], [1.0])}, "free_bounds"),
    ({"free_columns": [[1.0]], "free_bounds": ([math.nan], [1.0])}, "free_bounds"),
    ({"free_columns": [[1.0]], "free_bounds": 3.0}, "free_bounds"),
    ({"inequalities": ([[1.0]], [1.0])}, "inequalities"),
    ({"inequalities": 3.0}, "inequalities"),
    ({"start": [1.0, 2.0]}, "start"),
    ({"start": [math.nan]}, "start"),
    ({"head_names": ["one"]}, "head_names"),
    ({"method": "fastest"}, "method"),
    ({"on_invalid": "raze"}, "on_invalid"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "argument"), FAULTS)
def test_a_faulty_argument_is_named(change, argument):
    good = {
        "moment_arms": [[0.05, 0.04]], "active_capacity": [1000.0, 500.0], "joint_moments": [25.0],
    }  # fmt: skip
    with pytest.raises(ShapeError, match=argument) as caught:
        share(**{**good, **change})
    assert caught.value.argument.startswith(argument)
    assert isinstance(caught.value, InputError)


def test_the_error_names_frame_and_value():
    capacity = np.full((2, 3, 4), 100.0)
    capacity[1, 2, 3] = -7.5
    with pytest.raises(ShapeError) as caught:
        share(np.full((1, 4), 0.05), capacity, np.zeros(1))
    text = str(caught.value)
    assert "active_capacity" in text
    assert "-7.5" in text
    assert "frame (1, 2)" in text
    assert "(3,)" in text


def test_leading_axes_that_do_not_fit_are_named():
    with pytest.raises(ShapeError, match="joint_moments"):
        share(np.zeros((2, 1, 3)), np.ones(3), np.zeros((4, 1)))


def test_importing_the_package_loads_neither_numba_nor_cvxpy_nor_pandas():
    code = (
        "import sys, momentshare.sharing; "
        "print([m for m in ('numba', 'cvxpy', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_without_numba_the_same_answer_comes_from_numpy(monkeypatch):
    arms, capacity, moments = naive.limb_like(200)
    assert share(arms[0], capacity[0], moments[0]).method == "compiled"
    fast = share(arms, capacity, moments)
    assert fast.method == "compiled"
    monkeypatch.setattr("momentshare.sharing._share.is_available", lambda: False)
    monkeypatch.setattr("momentshare.sharing._backends.compiled.is_available", lambda: False)
    slow = share(arms, capacity, moments)
    assert slow.method == "numpy"
    np.testing.assert_allclose(slow.activation, fast.activation, atol=1e-12)
    with pytest.raises(MissingExtraError, match=r"momentshare\[fast\]"):
        share(arms, capacity, moments, method="compiled")


def test_calls_from_several_threads_do_not_mix():
    cases = [naive.limb_like(300, seed=seed) for seed in range(4)]
    alone = [share(*case).activation for case in cases]
    together = [None] * 4

    def run(k):
        together[k] = share(*cases[k]).activation

    threads = [threading.Thread(target=run, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_array_equal(one, other)


def test_chained_frames_are_the_same_with_any_number_of_threads():
    arms, capacity, moments = naive.limb_like(300, level=0.5, seed=15)
    given = [np.resize(x, (6500, *x.shape[1:])) for x in (arms, capacity, moments)]
    once = share(*given, exponent=1.5, threads=1)
    for threads in (2, 3):
        again = share(*given, exponent=1.5, threads=threads)
        np.testing.assert_array_equal(again.multipliers, once.multipliers)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("threads", [1, 2])
def test_unchained_frames_equal_a_loop_bit_for_bit(exponent, threads):
    arms, capacity, moments = naive.limb_like(1, level=0.7, seed=14)
    slow = 1.0 + 0.01 * np.sin(np.arange(50.0))[:, None]
    arms, capacity, moments = np.repeat(arms, 50, axis=0), capacity * slow, moments * slow**2
    given = {"exponent": exponent, "threads": threads, "chain": False, "method": "compiled"}
    batch = share(arms, capacity, moments, **given)
    for f in range(50):
        single = share(arms[f], capacity[f], moments[f], **given)
        np.testing.assert_array_equal(single.activation, batch.activation[f])
        np.testing.assert_array_equal(single.multipliers, batch.multipliers[f])
    chained = share(arms, capacity, moments, exponent=exponent, method="compiled")
    # At p = 2 and 3 frames run side by side and none needs another to start from.
    same = np.array_equal(chained.multipliers, batch.multipliers)
    assert same == (exponent in {2.0, 3.0})
    np.testing.assert_allclose(chained.activation, batch.activation, atol=1e-8)
