"""A lift drawn towards measured electromyograms."""

from dataclasses import replace

import numpy as np
import pytest
from tests import naive

from momentshare.analysis import Criterion, Lateral, prepare, solve_lift
from momentshare.emg import draw_activation, pull_to_emg
from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.sharing import Status

DEGREE = np.pi / 180


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ada", sex="female", stature=1.68, body_mass=63.0, training_factor=1.4)
    return build_limb(person, load_model())


def press(limb, load=25.0, **options):
    lift = BenchPress(
        load_mass=load,
        spacing=Profile.constant(0.5),
        tuck=Profile(((0.0, 60 * DEGREE), (1.0, 82 * DEGREE))),
        tilt=Profile(((0.0, 6 * DEGREE), (1.0, -6 * DEGREE))),
        frames=9,
    )
    return prepare(limb, replace(lift, **options).lift(limb.skeleton))


@pytest.fixture(scope="module")
def result(limb):
    return solve_lift(press(limb), Lateral(mode="zero"), greatest_load=False)


@pytest.fixture(scope="module")
def emg(result):
    """Some heads measured, somewhat off the prediction, some beyond 1."""
    rng = np.random.default_rng(0)
    values = np.abs(result.activation + rng.normal(0.0, 0.2, result.activation.shape))
    values[:, rng.random(values.shape[1]) < 0.6] = np.nan
    values[2] = np.nan
    return values


def force_of(result, pulled):
    state = result.prepared.state
    return state.active_capacity * pulled.activation + state.passive_force


def balance(result, force):
    arms = result.prepared.paths.moment_arms[:, :4]
    return np.einsum("frh,fh->fr", arms, force)


def test_weight_zero_is_the_pure_optimum(result, emg):
    pulled = pull_to_emg(result, emg, 0.0)
    np.testing.assert_allclose(pulled.activation, result.activation, atol=1e-10)
    np.testing.assert_allclose(force_of(result, pulled), result.force, atol=1e-7)
    assert pulled.certified.all()


@pytest.mark.parametrize("mode", ["zero", "free", "measured"])
def test_weight_zero_is_the_pure_optimum_whatever_the_lateral_force(limb, emg, mode):
    lateral = Lateral(mode=mode, ratio=0.1 if mode == "measured" else 0.0)
    pure = solve_lift(press(limb), lateral, greatest_load=False)
    pulled = pull_to_emg(pure, emg, 0.0)
    np.testing.assert_allclose(pulled.activation, pure.activation, atol=1e-8)


def test_weighted_effort_is_kept(limb, emg):
    chosen = Criterion(weights="volume")
    pure = solve_lift(press(limb), Lateral(mode="zero"), chosen, greatest_load=False)
    pulled = pull_to_emg(pure, emg, 0.0)
    np.testing.assert_allclose(pulled.activation, pure.activation, atol=1e-10)


def test_the_forearm_row_is_kept_where_it_was_balanced(limb, emg):
    chosen = Criterion(balance_forearm=True)
    pure = solve_lift(press(limb), Lateral(mode="zero"), chosen, greatest_load=False)
    pulled = pull_to_emg(pure, emg, 5.0)
    arms = pure.prepared.paths.moment_arms
    moved = np.einsum("frh,fh->fr", arms, force_of(pure, pulled) - pure.force)
    assert np.abs(moved).max() < 1e-7


def test_the_moments_stay_and_the_bounds_hold(result, emg):
    pulled = pull_to_emg(result, emg, 5.0)
    assert np.abs(pulled.activation - result.activation).max() > 0.05
    np.testing.assert_allclose(
        balance(result, force_of(result, pulled)), balance(result, result.force), atol=1e-7
    )
    assert pulled.activation.min() >= -1e-12
    assert pulled.activation.max() <= 1.0 + 1e-12
    assert pulled.moment_residual.max() < 1e-7
    assert pulled.certified.all()


def test_effort_rises_misfit_falls_and_the_sum_is_least(result, emg):
    sizes = (0.0, 0.1, 1.0, 10.0, 1e3, 1e6)
    pulls = [pull_to_emg(result, emg, weight).activation for weight in sizes]
    weights = result.criterion.weights_of(result.prepared.limb)
    efforts = np.array([(weights * pulled**2).sum(axis=1) for pulled in pulls])
    misfits = np.array([misfit(pulled, emg) for pulled in pulls])
    assert (np.diff(efforts, axis=0) >= -1e-9).all()
    assert (np.diff(misfits, axis=0) <= 1e-9).all()
    for place, weight in enumerate(sizes):
        # No other pull, the pure optimum among them, is better by this one's own measure.
        rivals = efforts + weight * misfits
        assert (rivals[place] <= rivals.min(axis=0) * (1.0 + 1e-9) + 1e-9).all()


def misfit(activation, emg):
    return np.nansum((activation - emg.clip(0.0, 1.0)) ** 2, axis=1)


def test_a_frame_without_measurement_stays(result, emg):
    assert np.isnan(emg[2]).all()
    pulled = pull_to_emg(result, emg, 10.0)
    np.testing.assert_allclose(pulled.activation[2], result.activation[2], atol=1e-10)


def test_emg_equal_to_the_prediction_moves_nothing(result):
    pulled = pull_to_emg(result, result.activation, 3.0)
    np.testing.assert_allclose(pulled.activation, result.activation, atol=1e-9)


def test_emg_outside_its_range_is_clipped_for_the_pull_only(result):
    given = np.full(result.activation.shape, np.nan)
    given[:, 4], given[:, 7] = 1.4, -0.1
    inside = given.clip(0.0, 1.0)
    wild, tame = pull_to_emg(result, given, 2.0), pull_to_emg(result, inside, 2.0)
    np.testing.assert_array_equal(wild.activation, tame.activation)


def test_what_is_unmet_stays_unmet(limb):
    pure = solve_lift(press(limb, load=250.0), Lateral(mode="zero"), greatest_load=False)
    short = pure.sharing.status == Status.SHORTFALL
    assert short.any()
    measured = np.full(pure.activation.shape, np.nan)
    measured[:, ::2] = 0.3
    pulled = pull_to_emg(pure, measured, 1.0)
    np.testing.assert_allclose(
        balance(pure, force_of(pure, pulled)), balance(pure, pure.force), atol=1e-5
    )
    same = pull_to_emg(pure, measured, 0.0)
    np.testing.assert_allclose(same.activation, pure.activation, atol=1e-6)


def test_frames_out_of_reach_are_empty(limb):
    wide = Profile(((0.0, 0.5), (0.4, 0.5), (0.5, 2.4), (0.6, 0.5), (1.0, 0.5)))
    ready = press(limb, spacing=wide, implement="dumbbells")
    assert 0 < ready.lift.reachable.sum() < 9
    pure = solve_lift(ready, Lateral(mode="zero"), greatest_load=False)
    measured = np.full(pure.activation.shape, np.nan)
    measured[:, 3] = 0.4
    pulled = pull_to_emg(pure, measured, 1.0)
    lost = ~ready.lift.reachable
    for name in ("activation", "multipliers", "moment_residual", "mismatch"):
        values = getattr(pulled, name).reshape(9, -1)
        assert np.isnan(values[lost]).all()
        assert np.isfinite(values[~lost]).all()
    assert not pulled.certified[lost].any()
    assert pulled.certified[~lost].all()


def test_results_cannot_be_written(result, emg):
    pulled = pull_to_emg(result, emg, 1.0)
    with pytest.raises(ValueError, match="read-only"):
        pulled.activation[0, 0] = 1.0


def test_another_exponent_or_the_glenoid_constraint_is_refused(limb, emg):
    ready = press(limb)
    for exponent in (3.0, np.inf):
        other = solve_lift(
            ready, Lateral(mode="zero"), Criterion(exponent=exponent), greatest_load=False
        )
        with pytest.raises(InputError, match="must have exponent 2"):
            pull_to_emg(other, emg, 1.0)
    pytest.importorskip("cvxpy")
    held = solve_lift(ready, Lateral(mode="zero"), greatest_load=False, glenoid=True)
    with pytest.raises(InputError, match="glenoid"):
        pull_to_emg(held, emg, 1.0)


@pytest.mark.parametrize("level", [0.3, 3.0])
@pytest.mark.parametrize("weight", [1e-9, 1e-4, 1.0, 100.0])
def test_the_certificate_is_the_optimality_condition(level, weight):
    """Residual, bounds and stationarity computed here again, in frames met and unmet."""
    arms, capacity, moments = naive.limb_like(40, level=level, seed=2)
    from momentshare.sharing import share

    pure = share(arms, capacity, moments)
    target = moments - pure.unmet
    emg = np.random.default_rng(1).uniform(0.0, 1.0, capacity.shape)
    emg[:, ::3] = np.nan
    emg[0] = 1e-8
    drawn = draw_activation(arms, capacity, target, emg, weight)
    loads = arms * capacity[:, None]
    a = drawn.activation
    missed = np.abs(np.einsum("frh,fh->fr", loads, a) - target).max(axis=1)
    np.testing.assert_allclose(drawn.moment_residual, missed, atol=1e-12)
    assert missed.max() < 1e-6
    # The slope of the objective less the drive: zero inside, inwards at the bounds.
    slope = 2.0 * a + 2.0 * weight * np.where(np.isnan(emg), 0.0, a - emg)
    left = slope - np.einsum("frh,fr->fh", loads, drawn.multipliers)
    scale = 1e-6 * (1.0 + weight + np.abs(slope))
    inside = (a > 1e-7) & (a < 1.0 - 1e-7)
    assert (np.abs(left) <= scale)[inside].all()
    assert (left >= -scale)[a <= 1e-7].all()
    assert (left <= scale)[a >= 1.0 - 1e-7].all()
    assert drawn.certified.all()


def test_moments_beyond_the_heads_are_not_certified():
    arms, capacity = np.array([[[0.04, 0.04]]]), np.array([[500.0, 500.0]])
    drawn = draw_activation(arms, capacity, [[60.0]], [[0.5, np.nan]], 1.0)
    np.testing.assert_allclose(drawn.activation, 1.0)
    assert drawn.moment_residual[0] == pytest.approx(20.0)
    assert not drawn.certified[0]


def test_a_head_without_capacity_follows_its_emg_alone():
    arms, capacity = np.array([[[0.04, 0.04]]]), np.array([[500.0, 0.0]])
    drawn = draw_activation(arms, capacity, [[10.0]], [[np.nan, 0.6]], 2.0)
    np.testing.assert_allclose(drawn.activation, [[0.5, 0.4]])
    assert drawn.certified[0]
