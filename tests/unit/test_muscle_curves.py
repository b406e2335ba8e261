"""Force curves: landmarks, slopes, limits, and what a changed constant does."""

import dataclasses

import numpy as np
import pytest

from momentshare.errors import InputError, UnknownNameError
from momentshare.muscle import CURVE_SETS, DeGrooteCurves, ThelenCurves, curve_set

SETS = [DeGrooteCurves(), ThelenCurves()]
each_set = pytest.mark.parametrize("curves", SETS, ids=lambda curves: curves.name)
LENGTH_CURVES = {
    "active_force_length": np.linspace(0.25, 1.9, 400),
    "passive_force_length": np.linspace(1.001, 1.8, 400),
    "tendon_force_length": np.linspace(1.002, 1.06, 400),
}


@each_set
@pytest.mark.parametrize("curve", LENGTH_CURVES)
def test_slope_is_the_derivative(curves, curve):
    x, h = LENGTH_CURVES[curve], 1e-6
    if isinstance(curves, ThelenCurves) and curve == "tendon_force_length":
        # The stencil must not straddle the kink between toe and line.
        kink = 1.0 + curves.tendon_toe_share * curves.tendon_strain
        x = x[np.abs(x - kink) > h]
    force, slope = getattr(curves, curve), getattr(curves, f"{curve}_slope")
    numeric = (force(x + h) - force(x - h)) / (2 * h)
    np.testing.assert_allclose(slope(x), numeric, rtol=1e-7, atol=1e-7)


@each_set
def test_nothing_pushes(curves):
    x = np.linspace(0.2, 0.99, 50)
    for curve in ("passive_force_length", "tendon_force_length"):
        np.testing.assert_array_equal(getattr(curves, curve)(x), 0.0)
        np.testing.assert_array_equal(getattr(curves, f"{curve}_slope")(x), 0.0)
    assert curves.force_velocity(-1.5) == 0.0


@each_set
def test_force_grows_with_stretch_and_with_lengthening_speed(curves):
    assert (np.diff(curves.passive_force_length(np.linspace(1.0, 1.8, 500))) > 0).all()
    assert (np.diff(curves.tendon_force_length(np.linspace(1.002, 1.08, 500))) > 0).all()
    assert (np.diff(curves.force_velocity(np.linspace(-1.0, 2.0, 500))) > 0).all()


@each_set
def test_active_force_rises_to_one_peak_and_falls(curves):
    x = np.linspace(0.46, 1.8, 2000)
    rising = np.diff(curves.active_force_length(x)) > 0
    assert rising[0]
    assert not rising[-1]
    assert np.count_nonzero(np.diff(rising.astype(int))) == 1
    peak = x[np.argmax(curves.active_force_length(x))]
    assert 0.95 < peak < 1.05
    assert (curves.active_force_length(np.linspace(0.0, 3.0, 500)) >= 0).all()


@each_set
def test_passive_force_is_zero_at_optimum_and_one_at_its_strain(curves):
    assert curves.passive_force_length(1.0) == 0.0
    assert curves.passive_force_length(1.0 + curves.passive_strain) == pytest.approx(1.0)


def test_degroote_landmarks():
    """Closed form from the constants (De Groote et al. 2016 as coded in SymPy 1.14)."""
    curves = DeGrooteCurves()
    zero = curves.tendon_shift + np.log(1.25) / curves.tendon_stiffness
    assert curves.tendon_force_length(zero + 1e-9) > 0.0
    assert curves.tendon_force_length(zero - 1e-9) == 0.0
    assert curves.tendon_force_length(1.049) == pytest.approx(1.0, abs=1e-12)
    assert curves.force_velocity(-1.045) == 0.0 < curves.force_velocity(-1.035)


def test_degroote_active_curve_is_held_below_its_shortest_length():
    curves = DeGrooteCurves()
    x = np.array([-1.0, 0.0, 0.1, 0.1495, 0.19999])
    np.testing.assert_array_equal(curves.active_force_length(x), curves.active_force_length(0.2))
    np.testing.assert_array_equal(curves.active_force_length_slope(x), 0.0)


def test_thelen_landmarks():
    """Thelen 2003, from memory: one at rest and optimum, plateau 1.4, toe at 0.33."""
    curves = ThelenCurves()
    assert curves.active_force_length(1.0) == 1.0
    assert curves.force_velocity(0.0) == 1.0
    assert curves.force_velocity(-1.0) == 0.0
    assert curves.force_velocity(1e9) == pytest.approx(1.4, rel=1e-9)
    toe = 1.0 + 0.609 * 0.033
    assert curves.tendon_force_length(toe) == pytest.approx(0.33, rel=1e-12)
    # 0.33 + 1.712 (1 - 0.609), from the constants.
    assert curves.tendon_force_length(1.033) == pytest.approx(0.999392, rel=1e-12)


def test_thelen_slope_of_the_velocity_curve_doubles_at_rest():
    """Closed form: 1 + 1/a when shortening, 2 + 2/a when lengthening, a = 0.25."""
    curves, h = ThelenCurves(), 1e-8
    assert (1.0 - curves.force_velocity(-h)) / h == pytest.approx(5.0, rel=1e-6)
    assert (curves.force_velocity(h) - 1.0) / h == pytest.approx(10.0, rel=1e-6)


def test_one_constant_can_be_changed():
    stiff = dataclasses.replace(DeGrooteCurves(), passive_strain=0.5)
    assert stiff.passive_force_length(1.5) == pytest.approx(1.0)
    assert DeGrooteCurves().passive_force_length(1.5) < 0.6


@each_set
def test_shape_is_kept_and_empty_arrays_work(curves):
    x = np.full((2, 0, 3), 1.1)
    for name in ("active_force_length", "passive_force_length", "tendon_force_length"):
        assert getattr(curves, name)(x).shape == (2, 0, 3)
    assert curves.force_velocity(np.zeros((4, 1))).shape == (4, 1)


@pytest.mark.parametrize("name", sorted(CURVE_SETS))
def test_sets_are_found_by_their_own_name(name):
    assert curve_set(name).name == name
    assert curve_set(name).source


def test_unknown_set_is_refused_with_the_nearest_name():
    with pytest.raises(UnknownNameError, match="did you mean 'degroote2016'") as caught:
        curve_set("DeGrote2016")
    assert caught.value.kind == "curve set"
    assert isinstance(caught.value, InputError)


def test_memory_is_admitted_in_the_source():
    assert "from memory" in ThelenCurves().source
    assert "SymPy 1.14.0" in DeGrooteCurves().source
