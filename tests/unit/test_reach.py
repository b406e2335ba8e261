"""Limits of the shoulder that depend on each other.

Outside: ranges of motion of anatomy texts, from memory (abduction at the glenohumeral joint 90
to 120 degrees, external rotation 90 with the arm abducted, internal 60 to 70 with the scapula free
to tip and 40 to 50 with it held, as it is about this axis here, external 60 to 80 with the arm
hanging, horizontal abduction 30 to 45). The corners of the rule are our own.
"""

import numpy as np
import pytest

from momentshare.exercise import BenchPress, Profile, reachable
from momentshare.exercise.reach import axial_rotation, shoulder_limits, shoulder_twist
from momentshare.geometry.rotation import yxz_from_rotation
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

DEG = np.pi / 180.0
MODEL = load_model()
ULF = Person(name="Ulf", sex="male", stature=1.79, body_mass=80.0)
SKELETON = build_skeleton(ULF, MODEL)
PRESSING = build_skeleton(ULF, MODEL, scapula="pressing")


def arm(plane, elevation, axial):
    return posture_from_angles(
        plane=np.array([plane * DEG]), elevation=elevation * DEG, axial=axial * DEG
    )


@pytest.mark.parametrize(
    ("plane", "elevation", "axial"),
    [
        (0, 90, -90),  # abducted and turned out, as texts measure it
        (0, 90, 45),  # and turned in, the scapula held
        (0, 5, -60),  # hanging, turned out
        (-40, 60, 0),  # elbow behind the body on the bench
        (90, 90, -90),  # forward, forearm up
        (30, 135, -60),
    ],
)
def test_common_postures_are_within_reach(plane, elevation, axial):
    assert reachable(SKELETON, arm(plane, elevation, axial)).all()


@pytest.mark.parametrize(
    ("plane", "elevation", "axial"),
    [
        (-40, 110, 90),  # behind, high and turned in
        (0, 5, -110),
        (0, 90, 70),  # only with a scapula that tips forward
        (-60, 60, 0),
        (120, 90, 0),
        (100, 140, -60),  # high and across the chest
        (30, 152, -30),
    ],
)
def test_impossible_combinations_are_out_of_reach(plane, elevation, axial):
    assert not reachable(SKELETON, arm(plane, elevation, axial)).any()


def test_twist_of_a_hanging_arm_does_not_depend_on_how_its_angles_are_split():
    planes = np.array([-150.0, -40.0, 0.0, 70.0, 170.0]) * DEG
    posture = posture_from_angles(plane=planes, elevation=1e-4, axial=30 * DEG - planes)
    np.testing.assert_allclose(shoulder_twist(posture), 30 * DEG, atol=1e-6)


def test_twist_of_a_raised_arm_is_its_axial_rotation():
    posture = arm(70, 90, -40)
    np.testing.assert_allclose(shoulder_twist(posture), -40 * DEG, atol=1e-12)


def test_an_arm_has_the_twist_that_its_axial_rotation_was_chosen_for():
    plane, elevation, twist = (
        grid.ravel() * DEG for grid in np.meshgrid([-60, 20, 120], [10, 89, 91, 140], [-80, 30])
    )
    posture = posture_from_angles(
        plane=plane, elevation=elevation, axial=axial_rotation(twist, plane, elevation)
    )
    np.testing.assert_allclose(shoulder_twist(posture), twist, atol=1e-12)


def test_limits_narrow_with_elevation():
    elevation = np.linspace(0.0, 150.0, 151) * DEG
    for skeleton in (PRESSING, SKELETON):
        limits = shoulder_limits(skeleton, elevation)
        assert limits["plane"][0][-1] > limits["plane"][0][0]
        assert np.all(np.diff(limits["twist"][1]) <= 0.0)
    limits = shoulder_limits(PRESSING, elevation)
    assert np.all(np.diff(limits["plane"][0]) >= 0.0)
    # Corners as they stand in the table, with the scapula 30 degrees inward.
    np.testing.assert_allclose(limits["plane"][0][[60, 150]], [-45 * DEG, -15 * DEG])
    np.testing.assert_allclose(limits["twist"][0][[0, 90, 150]] / DEG, [-70, -90, -90])
    np.testing.assert_allclose(limits["twist"][1][[0, 90, 150]] / DEG, [80, 45, 0])
    np.testing.assert_allclose(limits["plane"][1][[0, 90, 120, 150]] / DEG, [105, 105, 90, 75])


def test_the_limit_behind_counts_from_where_the_scapula_is_in_that_posture():
    elevation = np.array([60.0, 100.0, 150.0]) * DEG
    behind = shoulder_limits(SKELETON, elevation)["plane"][0]
    posture = posture_from_angles(plane=behind, elevation=elevation)
    scapula = body_poses(SKELETON, posture).rotation["scapula"]
    inward = yxz_from_rotation(scapula)[0]
    held = shoulder_limits(PRESSING, elevation)["plane"][0]
    at_joint = held - MODEL.number("scapula_pressing_internal")
    np.testing.assert_allclose(behind - inward, at_joint, atol=1e-9)


def test_scapula_decides_how_high_and_how_far_back_the_arm_goes():
    resting = build_skeleton(ULF, MODEL, scapula="resting")
    moving = build_skeleton(ULF, MODEL, scapula="moving")
    heights = [s.highest_elevation / DEG for s in (resting, PRESSING, moving)]
    np.testing.assert_allclose(heights, [125.4, 140.0, 150.0])
    back = [shoulder_limits(s, np.array([1.0]))["plane"][0][0] for s in (resting, PRESSING)]
    assert back[0] > back[1]


def test_a_press_names_the_same_limits_as_the_rule():
    lift = BenchPress(
        load_mass=40.0,
        spacing=Profile.constant(0.7),
        tuck=Profile.constant(90 * DEG),
        tilt=Profile.constant(0.0),
        bench_angle=60 * DEG,
        frames=41,
    ).lift(SKELETON)
    shoulder = [b for b in lift.breaches if b.quantity.startswith("shoulder")]
    outside = np.flatnonzero(~reachable(SKELETON, lift.posture) & lift.reachable)
    assert outside.size > 0
    assert min(b.first_frame for b in shoulder) == outside[0]
    assert max(b.last_frame for b in shoulder) == outside[-1]
    for breach in shoulder:
        at = lift.posture.angles()["elevation"][[breach.frame]]
        ends = [float(x[0]) / DEG for pair in shoulder_limits(SKELETON, at).values() for x in pair]
        assert any(abs(breach.limit - end) < 1e-9 for end in ends)
