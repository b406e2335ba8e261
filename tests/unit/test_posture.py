"""Postures: anatomical meaning of the angles, and axes that stay put where angles fail."""

import numpy as np
import pytest

from momentshare.geometry import rotation_about
from momentshare.posture import Posture, arm_frame, posture_from_angles

DEG = np.pi / 180.0
FORWARD, UP, RIGHT = np.eye(3)


def shaft(posture):
    """Direction from shoulder to elbow."""
    return -posture.humerus[..., :, 1]


def random_postures(count=50, seed=3):
    rng = np.random.default_rng(seed)
    return posture_from_angles(
        plane=rng.uniform(-1.0, 2.0, count),
        elevation=rng.uniform(0.05, 2.5, count),
        axial=rng.uniform(-1.5, 1.5, count),
        elbow_flexion=rng.uniform(0.0, 2.4, count),
        forearm_rotation=rng.uniform(0.0, 2.6, count),
    )


@pytest.mark.parametrize(
    ("plane", "elevation", "direction"),
    [(0, 0, -UP), (0, 90, RIGHT), (90, 90, FORWARD), (0, 180, UP), (-90, 90, -FORWARD)],
)
def test_plane_and_elevation_point_the_upper_arm(plane, elevation, direction):
    posture = posture_from_angles(plane=plane * DEG, elevation=elevation * DEG)
    np.testing.assert_allclose(shaft(posture), direction, atol=1e-15)


def test_elbow_flexion_of_the_hanging_arm_brings_the_hand_forward():
    hanging = posture_from_angles()
    forearm = hanging.humerus @ rotation_about(RIGHT, 90 * DEG) @ -UP
    np.testing.assert_allclose(forearm, FORWARD, atol=1e-15)


def test_internal_rotation_turns_the_bent_forearm_of_a_hanging_arm_inward():
    turned = posture_from_angles(axial=90 * DEG)
    np.testing.assert_allclose(turned.humerus @ FORWARD, -RIGHT, atol=1e-15)


def test_angles_come_back():
    posture = random_postures()
    again = posture_from_angles(**posture.angles())
    np.testing.assert_allclose(again.humerus, posture.humerus, atol=1e-14)


def test_angles_broadcast_to_one_batch_shape():
    posture = posture_from_angles(elevation=np.zeros((4, 1)), elbow_flexion=np.zeros(3))
    assert posture.shape == (4, 3)
    assert posture.humerus.shape == (4, 3, 3, 3)
    assert posture.forearm_rotation.shape == (4, 3)


def test_empty_batch_is_a_posture():
    posture = posture_from_angles(elevation=np.zeros(0))
    assert posture.shape == (0,)
    assert arm_frame(posture.humerus).shape == (0, 3, 3)
    assert posture.angles()["plane"].shape == (0,)


@pytest.mark.parametrize("count", [1, 50])
def test_arm_frame_is_orthonormal_and_right_handed(count):
    frame = arm_frame(random_postures(count).humerus)
    np.testing.assert_allclose(
        frame @ np.swapaxes(frame, -1, -2), np.broadcast_to(np.eye(3), frame.shape), atol=1e-14
    )
    np.testing.assert_allclose(np.linalg.det(frame), 1.0, atol=1e-14)


@pytest.mark.parametrize("elevation", [0.0, 1e-13, 1e-8, np.pi])
def test_arm_frame_is_orthonormal_along_the_trunk(elevation):
    # Below 1e-9 rad the sagittal axis stands in, which is off square by that elevation.
    frame = arm_frame(posture_from_angles(plane=0.4, elevation=elevation).humerus)
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-9)


def test_first_axis_turns_the_humerus_inward():
    posture = posture_from_angles(plane=0.3, elevation=0.9, axial=0.2)
    turned = rotation_about(arm_frame(posture.humerus)[0], 0.1) @ posture.humerus
    angles = Posture(
        humerus=turned, elbow_flexion=np.zeros(()), forearm_rotation=np.zeros(())
    ).angles()
    assert angles["axial"] == pytest.approx(0.3, abs=1e-14)
    assert angles["elevation"] == pytest.approx(0.9, abs=1e-14)


def test_second_axis_raises_the_arm_in_its_plane():
    posture = posture_from_angles(plane=0.3, elevation=0.9, axial=0.2)
    turned = rotation_about(arm_frame(posture.humerus)[1], 0.1) @ posture.humerus
    angles = Posture(
        humerus=turned, elbow_flexion=np.zeros(()), forearm_rotation=np.zeros(())
    ).angles()
    assert angles["elevation"] == pytest.approx(1.0, abs=1e-14)
    assert angles["plane"] == pytest.approx(0.3, abs=1e-14)


def test_third_axis_carries_the_raised_arm_across_the_chest():
    posture = posture_from_angles(elevation=90 * DEG)
    turned = rotation_about(arm_frame(posture.humerus)[2], 90 * DEG) @ posture.humerus
    np.testing.assert_allclose(-turned[:, 1], FORWARD, atol=1e-15)


def test_missing_posture_does_not_disturb_the_others():
    angles = np.array([0.4, np.nan, 0.9])
    with np.errstate(invalid="ignore"):
        frame = arm_frame(posture_from_angles(elevation=angles).humerus)
    assert np.isnan(frame[1]).any()
    for k in (0, 2):
        one = arm_frame(posture_from_angles(elevation=angles[k]).humerus)
        np.testing.assert_allclose(frame[k], one, atol=1e-15)
