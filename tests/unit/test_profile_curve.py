"""Monotone curves through points are those of SciPy, to the last digit."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from momentshare.exercise import Profile
from momentshare.exercise.profile import curves_through, values_along


@pytest.mark.parametrize("points", [2, 3, 4, 7])
@pytest.mark.parametrize("whole", [False, True])
def test_curves_are_those_of_scipy(points, whole):
    rng = np.random.default_rng(points)
    for _ in range(50):
        x = np.sort(rng.uniform(size=points))
        y = rng.normal(size=(3, points))
        y = np.round(y) if whole else y  # whole numbers: level stretches and turns at points
        at = np.concatenate([rng.uniform(-0.1, 1.1, 40), x])
        wanted = PchipInterpolator(x, y, axis=1)(np.clip(at, x[0], x[-1]))
        np.testing.assert_array_equal(curves_through(x, y, at), wanted)


def test_profiles_with_other_points_stand_side_by_side():
    at = np.linspace(0.0, 1.0, 11)
    profiles = [
        Profile(((0.0, 1.0), (1.0, 2.0))),
        Profile.constant(3.0),
        Profile(((0.0, 1.0), (0.4, 5.0), (1.0, 2.0))),
        Profile(((0.0, 4.0), (1.0, 2.0))),
    ]
    together = values_along(profiles, at)
    for row, profile in zip(together, profiles, strict=True):
        np.testing.assert_array_equal(row, profile(at))
    np.testing.assert_allclose(together[0], 1.0 + at, atol=1e-15)
    assert np.all(together[1] == 3.0)
