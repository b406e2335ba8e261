"""Rotations: closed forms and the sign conventions stated in the docstrings."""

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.geometry import (
    cross,
    dot,
    norm,
    rotation_about,
    rotation_from_axes,
    rotation_from_yxy,
    rotation_from_yxz,
    unit,
    yxy_from_rotation,
    yxz_from_rotation,
)

FORWARD, UP, RIGHT = np.eye(3)
QUARTER = np.pi / 2


def close(got, wanted):
    np.testing.assert_allclose(got, wanted, rtol=0.0, atol=1e-14)


def test_rotation_about_follows_the_right_hand_rule():
    close(rotation_about(FORWARD, QUARTER) @ UP, RIGHT)
    close(rotation_about(UP, QUARTER) @ RIGHT, FORWARD)
    close(rotation_about(RIGHT, QUARTER) @ FORWARD, UP)


def test_rotation_about_keeps_its_axis_and_is_orthonormal():
    rng = np.random.default_rng(1)
    axis, angle = rng.normal(size=(50, 3)), rng.uniform(-7, 7, 50)
    R = rotation_about(axis, angle)
    close(R @ np.swapaxes(R, -1, -2), np.broadcast_to(np.eye(3), R.shape))
    np.testing.assert_allclose(np.einsum("nij,nj->ni", R, axis), axis, atol=1e-13)
    np.testing.assert_allclose(np.linalg.det(R), 1.0, atol=1e-13)
    np.testing.assert_allclose(np.trace(R, axis1=1, axis2=2), 1 + 2 * np.cos(angle), atol=1e-13)


def test_rotation_about_broadcasts_one_axis_over_many_angles():
    R = rotation_about(UP, np.zeros((4, 5)))
    assert R.shape == (4, 5, 3, 3)
    assert rotation_about(np.zeros((0, 3)), np.zeros(0)).shape == (0, 3, 3)


@pytest.mark.parametrize("axial", [0.0, 0.7])
def test_shaft_points_right_in_abduction_and_forward_in_flexion(axial):
    shaft = -UP
    close(rotation_from_yxy(0.0, QUARTER, axial) @ shaft, RIGHT)
    close(rotation_from_yxy(QUARTER, QUARTER, axial) @ shaft, FORWARD)
    close(rotation_from_yxy(0.3, 0.0, axial) @ shaft, -UP)


def test_positive_axial_rotation_is_internal():
    # Arm hanging, elbow bent: the right forearm points forward and turns to the left.
    forearm = rotation_from_yxy(0.0, 0.0, 0.1) @ FORWARD
    assert forearm @ RIGHT < 0.0
    close(rotation_from_yxy(0.0, 0.0, QUARTER) @ FORWARD, -RIGHT)


def test_yxy_angles_return_from_their_rotation():
    rng = np.random.default_rng(2)
    given = rng.uniform(-3, 3, 300), rng.uniform(0.01, 3.13, 300), rng.uniform(-3, 3, 300)
    for got, wanted in zip(yxy_from_rotation(rotation_from_yxy(*given)), given, strict=True):
        np.testing.assert_allclose(got, wanted, atol=1e-12)


@pytest.mark.parametrize("elevation", [0.0, np.pi])
def test_yxy_at_the_singular_elevations_still_gives_the_same_rotation(elevation):
    R = rotation_from_yxy(0.4, elevation, 0.5)
    plane, lift, axial = yxy_from_rotation(R)
    assert plane == 0.0
    close(rotation_from_yxy(plane, lift, axial), R)


def test_scapular_signs():
    lateral, top = RIGHT, UP
    assert (rotation_from_yxz(0.1, 0.0, 0.0) @ lateral)[0] > 0.0  # protraction
    assert (rotation_from_yxz(0.0, -0.1, 0.0) @ lateral)[1] > 0.0  # upward rotation
    assert (rotation_from_yxz(0.0, 0.0, 0.1) @ top)[0] < 0.0  # posterior tilt


def test_yxz_angles_return_from_their_rotation():
    rng = np.random.default_rng(3)
    given = rng.uniform(-3, 3, 300), rng.uniform(-1.5, 1.5, 300), rng.uniform(-3, 3, 300)
    for got, wanted in zip(yxz_from_rotation(rotation_from_yxz(*given)), given, strict=True):
        np.testing.assert_allclose(got, wanted, atol=1e-12)


@pytest.mark.parametrize("about_x", [QUARTER, -QUARTER])
def test_yxz_at_the_singular_angle_still_gives_the_same_rotation(about_x):
    R = rotation_from_yxz(0.4, about_x, 0.5)
    close(rotation_from_yxz(*yxz_from_rotation(R)), R)


def test_rotation_from_axes_has_them_as_columns():
    R = rotation_about([1.0, 2.0, 3.0], [0.4, 0.5])
    close(rotation_from_axes(R[..., 0], R[..., 1], R[..., 2]), R)


@pytest.mark.parametrize(
    "axes", [(FORWARD, UP, -RIGHT), (2 * FORWARD, UP, RIGHT), (FORWARD, unit(UP + FORWARD), RIGHT)]
)
def test_rotation_from_axes_refuses_what_is_no_rotation(axes):
    with pytest.raises(ShapeError, match="orthonormal right-handed"):
        rotation_from_axes(*axes)


def test_vector_helpers_agree_with_numpy():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(7, 1, 3)), rng.normal(size=(5, 3))
    np.testing.assert_allclose(cross(a, b), np.cross(a, b), atol=1e-15)
    np.testing.assert_allclose(dot(a, b), (a * b).sum(-1), atol=1e-15)
    np.testing.assert_allclose(norm(a), np.linalg.norm(a, axis=-1), rtol=1e-15)
    np.testing.assert_allclose(norm(unit(a)), 1.0, rtol=1e-15)


def test_zero_vector_has_no_direction():
    got = unit([[0.0, 0.0, 0.0], [0.0, 2.0, 0.0]])
    assert np.isnan(got[0]).all()
    close(got[1], UP)


def test_wrong_last_axis_is_named():
    with pytest.raises(ShapeError, match="last axis has length 3"):
        unit([1.0, 2.0])
    with pytest.raises(ShapeError, match=r"\(\.\.\., 3, 3\)"):
        yxy_from_rotation(np.zeros(3))
