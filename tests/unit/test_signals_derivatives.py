"""Derivatives: analytic cases, their order, gaps; rotations that turn in known ways."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.errors import InputError, ShapeError
from momentshare.signals import (
    angular_acceleration,
    angular_velocity,
    derivative,
    low_pass,
    second_derivative,
)

NAN = float("nan")


def about(axis, angle):
    """Rotation matrices by Rodrigues' formula, axis a unit vector, angles (n,)."""
    x, y, z = axis
    K = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]], dtype=float)
    s, c = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.eye(3) + s * K + (1 - c) * (K @ K)


def gyrating(t):
    """A frame that tips while it turns, with its angular velocity and acceleration."""
    psi, dpsi, ddpsi = 0.8 * t + 0.3 * np.sin(t), 0.8 + 0.3 * np.cos(t), -0.3 * np.sin(t)
    tip, dtip, ddtip = np.cos(1.7 * t), -1.7 * np.sin(1.7 * t), -(1.7**2) * np.cos(1.7 * t)
    R = about([0, 0, 1], psi) @ about([1, 0, 0], tip)
    zero, one = np.zeros_like(t), np.ones_like(t)
    node = np.stack([np.cos(psi), np.sin(psi), zero], axis=1)
    across = np.stack([-np.sin(psi), np.cos(psi), zero], axis=1)
    up = np.stack([zero, zero, one], axis=1)
    omega = dpsi[:, None] * up + dtip[:, None] * node
    alpha = ddpsi[:, None] * up + ddtip[:, None] * node + (dtip * dpsi)[:, None] * across
    return R, omega, alpha


@given(*[st.floats(-5, 5)] * 3)
@settings(deadline=None)
def test_a_parabola_is_exact_to_its_ends(a, b, c):
    t = np.arange(12) / 50.0
    x = a + b * t + c * t**2
    np.testing.assert_allclose(derivative(x, 50.0), b + 2 * c * t, atol=1e-10)
    np.testing.assert_allclose(second_derivative(x, 50.0), 2 * c, atol=1e-9)


@pytest.mark.parametrize("end", [slice(None), slice(0, 1), slice(-1, None)])
def test_errors_fall_with_the_square_of_the_step_at_the_ends_too(end):
    errors = []
    for rate in (100.0, 200.0):
        t = np.linspace(0.0, 2.0, int(2.0 * rate) + 1)
        first = derivative(np.sin(3 * t + 1.0), rate) - 3 * np.cos(3 * t + 1.0)
        second = second_derivative(np.sin(3 * t + 1.0), rate) + 9 * np.sin(3 * t + 1.0)
        R, omega, alpha = gyrating(t)
        errors.append(
            [
                abs(off[end]).max()
                for off in (
                    first,
                    second,
                    angular_velocity(R, rate) - omega,
                    angular_acceleration(R, rate) - alpha,
                )
            ]
        )
    np.testing.assert_allclose(np.divide(*errors), 4.0, atol=0.5)


def test_a_gap_spreads_no_further_than_itself():
    t = np.arange(40) / 100.0
    x = np.stack([t**2, t], axis=1)
    x[15:18, 0] = NAN
    for function, truth in ((derivative, 2 * t), (second_derivative, np.full(40, 2.0))):
        got = function(x, 100.0)
        assert np.isnan(got[:, 0]).tolist() == np.isnan(x[:, 0]).tolist()
        assert np.isfinite(got[:, 1]).all()
        known = ~np.isnan(x[:, 0])
        np.testing.assert_allclose(got[known, 0], truth[known], atol=1e-9)


def test_one_missing_sample_is_not_bridged():
    x = np.arange(20.0)
    x[8] = NAN
    assert np.flatnonzero(np.isnan(derivative(x, 1.0))).tolist() == [8]


def test_stretches_that_are_too_short_stay_missing():
    x = np.array([0.0, 1.0, NAN, 3.0, 4.0, 5.0, NAN, 7.0, 8.0, 9.0, 10.0])
    assert np.isnan(derivative(x, 1.0)).tolist() == [True] * 3 + [False] * 3 + [True] + [False] * 4
    assert np.isnan(second_derivative(x, 1.0)).tolist() == [True] * 7 + [False] * 4


def test_wholly_missing_stays_so():
    assert np.isnan(derivative(np.full((5, 2), NAN), 1.0)).all()
    assert np.isnan(angular_velocity(np.full((5, 3, 3), NAN), 1.0)).all()


def test_turned_in_time_velocity_changes_sign_and_acceleration_does_not():
    x = np.random.default_rng(3).normal(size=(50, 2))
    np.testing.assert_allclose(derivative(x[::-1], 9.0)[::-1], -derivative(x, 9.0), atol=1e-12)
    np.testing.assert_allclose(
        second_derivative(x[::-1], 9.0)[::-1], second_derivative(x, 9.0), atol=1e-11
    )


def test_filtered_noise_leaves_the_analytic_velocity():
    rate = 200.0
    t = np.arange(0.0, 6.0, 1.0 / rate)
    x = 0.2 * np.sin(4.0 * t) + np.random.default_rng(1).normal(0.0, 5e-4, t.size)
    off = derivative(low_pass(x, rate, 6.0), rate) - 0.8 * np.cos(4.0 * t)
    assert np.sqrt(np.mean(off[40:-40] ** 2)) < 0.01


# Rotations


@pytest.mark.parametrize("axis", [[1, 0, 0], [0, 0, -1], [0.6, 0.0, 0.8]])
@pytest.mark.parametrize("speed", [0.0, 2.0, -30.0])
def test_steady_turning_is_exact(axis, speed):
    t = np.arange(30) / 100.0
    start = about([0, 1, 0], np.array([0.4]))
    R = about(axis, 0.3 + speed * t) @ start
    want = np.broadcast_to(speed * np.array(axis, dtype=float), (30, 3))
    np.testing.assert_allclose(angular_velocity(R, 100.0), want, atol=1e-11)
    np.testing.assert_allclose(angular_acceleration(R, 100.0), 0.0, atol=1e-8)


def test_angular_velocity_is_in_the_fixed_frame():
    t = np.arange(30) / 100.0
    # The moving frame was tipped first, so that its own axes differ from the fixed ones.
    R = about([0, 0, 1], 2.0 * t) @ about([1, 0, 0], np.array([np.pi / 2]))
    np.testing.assert_allclose(angular_velocity(R, 100.0)[10], [0.0, 0.0, 2.0], atol=1e-12)
    # A change of the fixed frame turns the vector with it.
    Q = about([0.6, 0.0, 0.8], np.array([1.1]))[0]
    np.testing.assert_allclose(angular_velocity(Q @ R, 100.0)[10], Q @ [0.0, 0.0, 2.0], atol=1e-12)


def test_rotations_that_are_missing_stay_so_and_neighbours_do_not():
    R, omega, _ = gyrating(np.arange(60) / 200.0)
    R[20:22, 0, 0] = NAN
    got = angular_velocity(R, 200.0)
    assert np.isnan(got).all(axis=1).nonzero()[0].tolist() == [20, 21]
    known = ~np.isnan(got[:, 0])
    np.testing.assert_allclose(got[known], omega[known], atol=1e-3)


@pytest.mark.parametrize("function", [angular_velocity, angular_acceleration])
def test_what_is_no_rotation_is_refused_with_its_sample(function):
    R = np.broadcast_to(np.eye(3), (10, 3, 3)).copy()
    R[6] *= 1.01
    with pytest.raises(InputError, match="sample 6 is no rotation"):
        function(R, 100.0)
    R[6] = np.diag([1.0, 1.0, -1.0])
    with pytest.raises(InputError, match=r"determinant -1\); must be right-handed"):
        function(R, 100.0)
    R[6] = np.inf
    with pytest.raises(InputError, match="sample 6 is inf"):
        function(R, 100.0)
    with pytest.raises(ShapeError, match=r"shape \(samples, 3, 3\)"):
        function(np.zeros((10, 9)), 100.0)
    with pytest.raises(ShapeError, match="at least"):
        function(np.broadcast_to(np.eye(3), (2, 3, 3)), 100.0)
    with pytest.raises(InputError, match="rate: must be"):
        function(np.broadcast_to(np.eye(3), (9, 3, 3)), -1.0)


@pytest.mark.parametrize(("function", "fewest"), [(derivative, 3), (second_derivative, 4)])
def test_signals_that_cannot_be_differenced_are_refused(function, fewest):
    with pytest.raises(ShapeError, match=f"at least {fewest} samples"):
        function(np.zeros(fewest - 1), 1.0)
    function(np.zeros(fewest), 1.0)
    with pytest.raises(ShapeError, match="at least one sample"):
        function([], 1.0)
    with pytest.raises(InputError, match="sample 3 is inf"):
        function([0.0, 0.0, 0.0, np.inf, 0.0], 1.0)
    with pytest.raises(ShapeError, match="time on the first axis"):
        function(np.zeros((4, 4, 4)), 1.0)
    for rate in (0.0, -5.0, NAN):
        with pytest.raises(InputError, match="rate: must be"):
            function(np.zeros(9), rate)
