"""Net joint moments: split by cause, linear in load and push, signs as named."""

import dataclasses

import numpy as np
import pytest

from momentshare.directions import ROWS
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.demand import demand
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import body_poses, build_skeleton
from momentshare.units import GRAVITY

DEG = np.pi / 180.0
ELBOW, PRONATION = ROWS.index("elbow_extension"), ROWS.index("forearm_pronation")


@pytest.fixture(scope="module")
def skeleton():
    model = load_model()
    return build_skeleton(Person(name="Una", sex="female", stature=1.70, body_mass=66.0), model)


def masses_of(skeleton):
    return {name: float(part.mass) for name, part in skeleton.segment.items()}


def lift(skeleton, **changes):
    base = {
        "load_mass": 60.0,
        "spacing": Profile.constant(0.56),
        "tuck": Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
        "tilt": Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
        "frames": 15,
    }
    return BenchPress(**(base | changes)).lift(skeleton)


def test_moments_add_up_from_limb_load_and_push(skeleton):
    need = demand(skeleton, lift(skeleton, duration=1.2))
    push = np.linspace(-30.0, 60.0, 15)
    wanted = need.limb_moments + 30.0 * need.load_moments + push[:, None] * need.lateral_moments
    np.testing.assert_allclose(need.moments(push), wanted, atol=1e-12)


def test_double_load_doubles_the_part_of_the_load_alone(skeleton):
    light, heavy = (demand(skeleton, lift(skeleton, load_mass=m)) for m in (40.0, 80.0))
    np.testing.assert_allclose(heavy.load_moments, light.load_moments, atol=1e-14)
    np.testing.assert_allclose(heavy.limb_moments, light.limb_moments, atol=1e-14)
    np.testing.assert_allclose(
        heavy.moments() - light.moments(), 20.0 * light.load_moments, atol=1e-12
    )


def test_weight_in_a_hand_inside_the_elbow_asks_for_extension_and_outside_for_flexion(skeleton):
    exercise = lift(skeleton, tilt=Profile.constant(0.0))
    extension = demand(skeleton, exercise).load_moments[:, ELBOW]
    inside = exercise.hand[:, 2] < exercise.elbow[:, 2]
    assert inside.any()
    assert not inside.all()
    np.testing.assert_array_equal(extension > 0.0, inside)


def test_gravity_arms_are_the_static_load_moments_over_the_weight(skeleton):
    need = demand(skeleton, lift(skeleton))
    np.testing.assert_allclose(need.load_moments, GRAVITY * need.gravity_arms, atol=1e-13)


def test_gravity_arms_do_not_change_with_tempo(skeleton):
    slow, fast = (demand(skeleton, lift(skeleton, duration=t)) for t in (3.0, 0.7))
    np.testing.assert_allclose(slow.gravity_arms, fast.gravity_arms, atol=1e-14)


def test_slow_lift_tends_to_the_quasi_static_one(skeleton):
    # Inertia falls with the square of the time: 100 s leaves below 1e-4 of a 1 s lift.
    fraction = lift(skeleton, duration=100.0)
    still = demand(skeleton, dataclasses.replace(fraction, motion=None)).moments()
    np.testing.assert_allclose(demand(skeleton, fraction).moments(), still, atol=0.01)
    assert np.abs(demand(skeleton, lift(skeleton, duration=0.7)).moments() - still).max() > 1.0


def test_static_hand_carries_half_the_weight_of_the_bar(skeleton):
    np.testing.assert_allclose(
        demand(skeleton, lift(skeleton)).hand_force(), 0.5 * 60.0 * GRAVITY, rtol=1e-14
    )


def test_elbow_row_is_the_distance_of_the_vertical_from_the_hinge(skeleton):
    # In a press with the forearm in the plane across the body the hinge is level, and the
    # arm of the weight is the horizontal offset of hand from elbow along that plane.
    level = lift(skeleton, tilt=Profile.constant(0.0), tuck=Profile.constant(90 * DEG))
    need = demand(skeleton, level)
    offset = level.elbow[:, 2] - level.hand[:, 2]
    np.testing.assert_allclose(need.gravity_arms[:, ELBOW], offset, atol=1e-12)


def test_outward_push_unloads_the_shoulder_across_and_loads_the_elbow(skeleton):
    need = demand(skeleton, lift(skeleton))
    assert np.all(need.lateral_moments[:, ROWS.index("shoulder_horizontal_adduction")] < 0.0)
    assert np.all(need.lateral_moments[:, ELBOW] > 0.0)


def test_pronation_row_is_the_moment_about_the_axis_of_forearm_rotation(skeleton):
    level = lift(skeleton)
    poses = body_poses(skeleton, level.posture)
    lever = level.hand - poses.forearm_axis_point
    wanted = np.sum(poses.forearm_axis * np.cross(lever, level.up), axis=-1)
    got = demand(skeleton, level).gravity_arms[:, PRONATION]
    np.testing.assert_allclose(got, wanted, atol=1e-12)


def test_segment_masses_are_the_shares_of_body_mass(skeleton):
    masses = masses_of(skeleton)
    inertia = skeleton.model.inertia
    for name, mass in masses.items():
        assert mass == pytest.approx(66.0 * inertia["female", name, "mass_fraction"].value)
    # One arm is about a twentieth of the body (common practice, no source).
    assert 0.035 < sum(masses.values()) / 66.0 < 0.06


def test_joint_force_carries_the_weights_of_arm_and_load(skeleton):
    exercise = lift(skeleton, bench_angle=30 * DEG)
    need = demand(skeleton, exercise)
    arm = sum(masses_of(skeleton).values())
    np.testing.assert_allclose(
        need.joint_force_limb, np.tile(arm * GRAVITY * exercise.up, (15, 1)), atol=1e-12
    )
    np.testing.assert_allclose(
        need.joint_force_load, np.tile(GRAVITY * exercise.up, (15, 1)), atol=1e-13
    )


def test_frames_out_of_reach_have_no_moments(skeleton):
    exercise = lift(skeleton, lockout_height=0.7)
    lost = ~exercise.reachable
    assert lost.any()
    assert not lost.all()
    need = demand(skeleton, exercise)
    for name in ("limb_moments", "load_moments", "lateral_moments", "gravity_arms"):
        values = getattr(need, name)
        assert np.isnan(values[lost]).all(), name
        assert np.isfinite(values[~lost]).all(), name
    assert np.isnan(need.vertical_force[lost]).all()


def test_frames_out_of_reach_have_no_joint_force(skeleton):
    exercise = lift(skeleton, lockout_height=0.7, duration=1.0)
    lost = ~exercise.reachable
    need = demand(skeleton, exercise)
    for values in (need.joint_force_limb, need.joint_force_load):
        assert np.isnan(np.broadcast_to(values, (15, 3))[lost]).all()


def test_demand_of_one_frame_is_that_of_the_frame_in_the_lift(skeleton):
    whole = lift(skeleton)
    every = demand(skeleton, whole)
    for k in (0, 7, 14):
        one = dataclasses.replace(
            whole,
            posture=whole.posture[k : k + 1],
            shoulder=whole.shoulder[k : k + 1],
            hand=whole.hand[k : k + 1],
            elbow=whole.elbow[k : k + 1],
            reachable=whole.reachable[k : k + 1],
            gap=whole.gap[k : k + 1],
            fraction=whole.fraction[k : k + 1],
            height=whole.height[k : k + 1],
        )
        np.testing.assert_allclose(
            demand(skeleton, one).moments()[0], every.moments()[k], atol=1e-13
        )


def test_arrays_of_a_demand_are_read_only(skeleton):
    need = demand(skeleton, lift(skeleton))
    with pytest.raises(ValueError, match="read-only"):
        need.limb_moments[0, 0] = 1.0
