"""Wrapping round a sphere: closed forms, limits and faults."""

import dataclasses

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.geometry import round_sphere

ORIGIN = np.zeros(3)


def test_quarter_turn_on_the_surface_is_a_quarter_circumference():
    path = round_sphere([0.02, 0, 0], [0, 0.02, 0], ORIGIN, 0.02)
    assert path.contact
    assert path.length == pytest.approx(0.02 * np.pi / 2, rel=1e-14)
    np.testing.assert_allclose(path.start_direction, [0, 1, 0], atol=1e-14)
    np.testing.assert_allclose(path.end_direction, [1, 0, 0], atol=1e-14)


def test_length_is_two_tangents_and_an_arc():
    # Points at distance 2r: tangents √3 r, each tangent point 60° away; ψ = 150°.
    r, psi = 0.03, np.radians(150)
    start, end = 2 * r * np.array([1, 0, 0]), 2 * r * np.array([np.cos(psi), np.sin(psi), 0])
    path = round_sphere(start, end, ORIGIN, r)
    assert path.angle == pytest.approx(np.radians(30), rel=1e-13)
    assert path.arc_length == pytest.approx(r * np.radians(30), rel=1e-13)
    assert path.length == pytest.approx(r * (2 * np.sqrt(3) + np.radians(30)), rel=1e-14)
    assert path.margin == pytest.approx(np.radians(30), rel=1e-13)
    enter = r * np.array([np.cos(np.pi / 3), np.sin(np.pi / 3), 0])
    np.testing.assert_allclose(path.enter, enter, atol=1e-16)


def test_segment_that_misses_is_straight_with_its_nearest_point():
    path = round_sphere([-1, 2, 0], [3, 2, 0], ORIGIN, 1.5)
    assert not path.contact
    assert path.length == 4.0
    assert path.angle == path.arc_length == 0.0
    np.testing.assert_array_equal(path.enter, [0, 2, 0])
    np.testing.assert_array_equal(path.leave, path.enter)
    np.testing.assert_array_equal(path.start_direction, [1, 0, 0])
    np.testing.assert_array_equal(path.end_direction, [-1, 0, 0])


def test_line_that_would_cut_the_sphere_beyond_the_segment_is_straight():
    path = round_sphere([2, 0.1, 0], [4, 0.1, 0], ORIGIN, 1.0)
    assert not path.contact
    assert path.length == 2.0
    np.testing.assert_array_equal(path.enter, [2, 0.1, 0])


def test_points_opposite_each_other_take_some_plane_without_nan():
    ends = np.array([[-2, 0, 0], [-2, 1e-300, 0], [-2, 0, 1e-14], [-2, 1e-9, 1e-9]])
    path = round_sphere([2.0, 0, 0], ends, ORIGIN, 1.0)
    assert path.contact.all()
    wanted = 2 * np.sqrt(3) + np.pi - 2 * np.arccos(0.5)
    np.testing.assert_allclose(path.length, wanted, rtol=1e-8)
    np.testing.assert_allclose(np.linalg.norm(path.enter, axis=-1), 1.0, rtol=1e-14)
    np.testing.assert_allclose(np.linalg.norm(path.leave, axis=-1), 1.0, rtol=1e-14)
    assert (path.margin < 1e-8).all()


def test_start_on_the_centre_is_flagged_and_straight():
    path = round_sphere(ORIGIN, [3, 0, 0], ORIGIN, 1.0)
    assert path.inside
    assert not path.contact
    assert path.length == 3.0


def test_only_points_within_the_sphere_are_flagged():
    path = round_sphere([[0.9, 0, 0], [1, 0, 0], [1.1, 0, 0]], [0, 2, 0], ORIGIN, 1.0)
    np.testing.assert_array_equal(path.inside, [True, False, False])
    np.testing.assert_array_equal(path.contact, [False, True, True])


def test_rounding_below_the_surface_is_not_inside():
    v = np.random.default_rng(5).normal(size=(200, 3))
    start = 0.02 * v / np.linalg.norm(v, axis=-1, keepdims=True)
    assert not round_sphere(start, [0.3, 0.2, 0.1], ORIGIN, 0.02).inside.any()


def test_nan_stays_in_its_row():
    path = round_sphere([[np.nan, 0, 0], [2, 0, 0]], [-2, 0.1, 0], ORIGIN, 1.0)
    assert np.isnan(path.length[0])
    assert path.contact[1]
    assert np.isfinite(path.length[1])


def test_coincident_points_have_length_zero():
    path = round_sphere([2.0, 0, 0], [2.0, 0, 0], ORIGIN, 1.0)
    assert path.length == 0.0
    np.testing.assert_array_equal(path.start_direction, 0.0)


def test_empty_batch_keeps_its_shape():
    path = round_sphere(np.zeros((0, 4, 3)), np.ones(3), ORIGIN, np.ones(4))
    assert path.length.shape == (0, 4)
    assert path.enter.shape == (0, 4, 3)


def test_result_cannot_be_changed():
    path = round_sphere([[2.0, 0, 0]], [-2, 0.1, 0], ORIGIN, 1.0)
    with pytest.raises(ValueError, match="read-only"):
        path.length[0] = 0.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        path.length = np.zeros(1)
    assert repr(path) == "Wrap(shape=(1,), contact=1, inside=0)"


@pytest.mark.parametrize("radius", [0.0, -0.1, np.nan])
def test_radius_must_be_positive(radius):
    with pytest.raises(ShapeError, match="radius: must be positive lengths") as caught:
        round_sphere([2, 0, 0], [0, 2, 0], ORIGIN, radius)
    assert caught.value.argument == "radius"


def test_batch_axes_that_do_not_match_are_shown():
    with pytest.raises(ShapeError, match=r"start \(2,\), end \(3,\)"):
        round_sphere(np.ones((2, 3)), np.ones((3, 3)), ORIGIN, 0.1)
