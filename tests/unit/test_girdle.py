"""The girdle that moves with the arm: lengths, course, chains that close about it, velocities."""

from dataclasses import replace

import numpy as np
import pytest
from tests.held import held_at

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.analysis.speeds import path_velocity
from momentshare.exercise import BenchPress, OverheadPress, Profile, PushUp, make_lifts, reachable
from momentshare.exercise.chain import minimum_jerk
from momentshare.geometry.rotation import rotation_about
from momentshare.girdle import girdle_pose, upward_rotation
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton, build_skeletons

DEGREE = np.pi / 180
MODEL = load_model()
PERSON = Person(name="Liv", sex="female", stature=1.70, body_mass=66.0, training_factor=1.3)
ANGLES = ("clavicle", "scapula", "corner", "joint")


@pytest.fixture(scope="module")
def limb():
    return build_limb(PERSON, MODEL)


@pytest.fixture(scope="module")
def skeleton(limb):
    return limb.skeleton


def overhead(frames, **changes):
    base = {
        "load_mass": 6.0,
        "spacing": Profile.constant(0.5),
        "plane": Profile.constant(50 * DEGREE),
        "tilt": Profile.constant(0.0),
        "duration": 1.4,
        "frames": frames,
        "lockout_flexion": 32 * DEGREE,  # beyond, the arm is above its highest elevation
    }
    return OverheadPress(**(base | changes))


def bench(frames=21, **changes):
    base = {"load_mass": 30.0, "spacing": Profile.constant(0.55), "frames": frames}
    return BenchPress(**(base | changes))


@pytest.fixture(scope="module")
def lift(skeleton):
    return overhead(21).lift(skeleton)


def within_reach(skeleton, count=300, seed=3):
    """Postures within reach, with protraction and shrug of a task on top."""
    rng = np.random.default_rng(seed)
    posture = posture_from_angles(
        plane=rng.uniform(-60.0, 130.0, count) * DEGREE,
        elevation=np.arccos(rng.uniform(-0.75, 1.0, count)),
        axial=rng.uniform(-90.0, 90.0, count) * DEGREE,
    )
    posture = posture[reachable(skeleton, posture)]
    add = rng.uniform([-20.0, -15.0], [25.0, 30.0], (len(posture.elbow_flexion), 2)) * DEGREE
    return replace(posture, girdle=add)


# ------------------------------------------------------------------ the bones


@pytest.mark.parametrize("scapula", MODEL.scapula_policies)
def test_clavicle_has_one_length_in_every_posture_and_under_every_policy(scapula):
    skeleton = build_skeleton(PERSON, MODEL, scapula=scapula)
    posture = within_reach(skeleton)
    poses = body_poses(skeleton, posture)
    end = poses.point("scapula", skeleton.girdle.corner)
    length = np.linalg.norm(end - poses.origin["clavicle"], axis=-1)
    np.testing.assert_allclose(length, skeleton.girdle.length, rtol=1e-13)
    own = build_skeleton(PERSON, MODEL)
    assert skeleton.girdle.length == own.girdle.length  # of the person, not of the policy


def test_corner_of_clavicle_and_scapula_is_one_point(skeleton):
    posture = within_reach(skeleton)
    pose = girdle_pose(skeleton.girdle, posture)
    poses = body_poses(skeleton, posture)
    own = poses.point("scapula", skeleton.girdle.corner)
    np.testing.assert_allclose(pose.corner, own, atol=1e-15)
    np.testing.assert_array_equal(pose.joint, poses.origin["humerus"])


def test_the_hanging_arm_has_the_joint_centre_of_the_skeleton(skeleton):
    hanging = posture_from_angles(plane=[0.0, 1.0], axial=[0.3, -0.5])
    joint = girdle_pose(skeleton.girdle, hanging).joint
    np.testing.assert_allclose(joint, np.tile(skeleton.joint_centre, (2, 1)), atol=1e-12)


def test_the_girdle_does_not_ask_how_the_arm_is_turned_about_itself(skeleton):
    one, two = (
        girdle_pose(skeleton.girdle, posture_from_angles(plane=0.6, elevation=1.1, axial=a))
        for a in (-1.0, 0.8)
    )
    for name in ANGLES:
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), atol=1e-15)


# ------------------------------------------------------------------ the course


def turned(posture, axis, angle):
    return replace(posture, humerus=rotation_about(axis, angle) @ posture.humerus)


@pytest.mark.parametrize("step", [1e-2, 1e-3, 1e-4])
def test_course_is_smooth_through_the_hanging_arm(skeleton, step):
    # The second difference of a smooth course is bounded; a kink would make it grow as 1 / step.
    hanging = posture_from_angles(axial=0.2)
    for axis in ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.6, 0.0, 0.8]):
        back, mid, ahead = (
            girdle_pose(skeleton.girdle, turned(hanging, np.array(axis), s * step))
            for s in (-1, 0, 1)
        )
        for name in ANGLES:
            p, m, n = (getattr(pose, name) for pose in (back, mid, ahead))
            # Rises over the setting phase bend an angle by at most 0.33 / 0.52 rad per rad².
            assert np.abs(p - 2 * m + n).max() / step**2 < 2.0, name


def test_course_is_differentiable_over_the_reach(skeleton):
    posture = within_reach(skeleton)
    axis = np.random.default_rng(1).normal(size=(len(posture.elbow_flexion), 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)

    def slope(name, step):
        ahead, back = (
            girdle_pose(skeleton.girdle, turned(posture, axis, s * step)) for s in (1, -1)
        )
        return (getattr(ahead, name) - getattr(back, name)) / (2 * step)

    for name in ANGLES:
        coarse, fine = slope(name, 1e-3), slope(name, 1e-4)
        # Truncation is of second order: third derivatives of order ten, times 1e-6 / 6.
        np.testing.assert_allclose(coarse, fine, atol=2e-5, err_msg=name)
    # The joint rides on a clavicle of 0.15 m that turns by less than half a radian for each
    # radian of the arm, and on a scapula with a lever of 4 cm.
    assert np.linalg.norm(slope("joint", 1e-4), axis=-1).max() < 0.12


def test_what_a_task_adds_is_protraction_and_elevation_of_the_clavicle(skeleton):
    still = posture_from_angles(plane=0.5, elevation=1.0)

    def along(add):
        found = girdle_pose(skeleton.girdle, replace(still, girdle=np.array(add)))
        return found.clavicle[:, 2]

    plain, forward, raised = along([0.0, 0.0]), along([0.1, 0.0]), along([0.0, 0.1])
    np.testing.assert_allclose(np.arcsin(raised[1]) - np.arcsin(plain[1]), 0.1, atol=1e-12)
    azimuth = [np.arctan2(v[0], v[2]) for v in (plain, forward)]
    assert azimuth[1] - azimuth[0] == pytest.approx(0.1, abs=1e-12)
    assert raised[1] > plain[1]


# ------------------------------------------------------------------ chains


EXERCISES = {
    "flat": bench(),
    "incline": bench(bench_angle=40 * DEGREE),
    "tuck": bench(tuck=Profile(((0.0, 1.0), (1.0, 1.4)))),
    "decline with a tuck": bench(tuck=Profile.constant(1.0), bench_angle=-20 * DEGREE),
    "protracted": bench(protraction=Profile(((0.0, -0.15), (1.0, 0.25)))),
    "shrugged": bench(shrug=Profile.constant(0.3)),
    "overhead": overhead(21, duration=None),
    "push-up": PushUp(
        spacing=Profile.constant(0.55),
        tuck=Profile.constant(1.1),
        tilt=Profile.constant(0.0),
        protraction=Profile(((0.0, -0.1), (1.0, 0.2))),
        frames=21,
    ),
}


@pytest.mark.parametrize("name", EXERCISES)
def test_the_joint_of_a_lift_is_where_the_girdle_has_it(skeleton, name):
    lift = EXERCISES[name].lift(skeleton)
    assert lift.reachable.all()
    wanted = girdle_pose(skeleton.girdle, lift.posture).joint
    np.testing.assert_allclose(lift.shoulder, wanted, atol=1e-12, rtol=0.0)
    size = skeleton.sizes
    for a, b, length in (
        (lift.shoulder, lift.elbow, size.humerus_length),
        (lift.elbow, lift.hand, size.grip_length),
    ):
        np.testing.assert_allclose(np.linalg.norm(b - a, axis=1), length, atol=1e-12, rtol=0.0)
    assert np.ptp(lift.shoulder, axis=0).max() > 5e-3  # it moves


@pytest.mark.parametrize("scapula", ["resting", "pressing"])
def test_a_girdle_that_is_held_keeps_the_joint_where_it_is(scapula):
    skeleton = build_skeleton(PERSON, MODEL, scapula=scapula)
    for name in ("flat", "protracted", "overhead", "push-up"):
        lift = EXERCISES[name].lift(skeleton)
        wanted = np.tile(skeleton.joint_centre, (21, 1))
        np.testing.assert_allclose(lift.shoulder, wanted, atol=1e-13)
    timed = bench(duration=1.2).lift(skeleton)
    np.testing.assert_allclose(timed.motion.shoulder_acceleration, 0.0, atol=1e-6)


def test_a_press_adds_the_protraction_asked_for(skeleton):
    asked = Profile(((0.0, -0.15), (1.0, 0.25)))
    lift = bench(protraction=asked, shrug=Profile.constant(0.1)).lift(skeleton)
    np.testing.assert_array_equal(lift.posture.girdle[:, 0], asked(lift.fraction))
    np.testing.assert_array_equal(lift.posture.girdle[:, 1], 0.1)
    own = bench().lift(skeleton).posture.girdle[:, 0]
    number = MODEL.number
    assert own[0] == pytest.approx(number("press_protraction_chest"))
    assert own[-1] == pytest.approx(number("press_protraction_lockout"))


@pytest.mark.parametrize("duration", [None, 1.3])
def test_lifts_closed_together_are_the_lifts_alone_digit_for_digit(duration):
    people = [PERSON, Person(name="Bram", sex="male", stature=1.83, body_mass=88.0)]
    bones = build_skeletons(people, MODEL)
    exercises = [
        bench(duration=duration, spacing=Profile.constant(w), protraction=p)
        for w in (0.5, 0.6, 0.7)
        for p in (None, Profile.constant(0.1))
    ]
    rows = [0, 1] * 3
    for exercise, row, lift in zip(
        exercises, rows, make_lifts(exercises, bones, rows), strict=True
    ):
        alone = exercise.lift(bones.take(row))
        for name in ("height", "shoulder", "elbow", "hand"):
            np.testing.assert_array_equal(getattr(lift, name), getattr(alone, name), name)
        np.testing.assert_array_equal(lift.posture.humerus, alone.posture.humerus)
        np.testing.assert_array_equal(lift.posture.girdle, alone.posture.girdle)


# ------------------------------------------------------------------ motion


def test_accelerations_of_the_joint_are_those_of_its_positions(skeleton):
    lift = bench(401, duration=1.4).lift(skeleton)
    step = lift.time[1]
    between = (lift.shoulder[2:] - 2 * lift.shoulder[1:-1] + lift.shoulder[:-2]) / step**2
    found = lift.motion.shoulder_acceleration
    assert np.abs(found).max() > 0.1
    # Second differences over 3.5 ms: fourth derivatives of order 1e3 m/s⁴ times step² / 12.
    np.testing.assert_allclose(found[1:-1], between, atol=2e-3)
    rate = np.gradient(lift.posture.girdle, step, axis=0, edge_order=2)
    np.testing.assert_allclose(lift.motion.girdle_velocity, rate, atol=1e-3)


def test_arms_hold_the_girdle_and_velocities_do_not(limb, lift):
    """Arms balance the arm as a free body; dL/dt also has what the girdle's motion adds."""
    full = path_velocity(limb.skeleton, lift)
    middle = lift.posture[10:11]
    held = held_at(limb.skeleton, middle)
    moving = paths(limb.skeleton, middle)
    still = paths(held, middle, limb=np.zeros(1, dtype=int))
    np.testing.assert_allclose(moving.moment_arms, still.moment_arms, atol=1e-12)
    names = limb.head_names
    arm = moving.shoulder_moment[0] @ lift.motion.humerus_angular_velocity[10]
    elbow = moving.moment_arms[0, 3] * -lift.motion.elbow_flexion_velocity[10]
    spin = moving.moment_arms[0, 4] * lift.motion.forearm_rotation_velocity[10]
    without = -(arm + elbow + spin)
    # Heads below the shoulder do not feel the girdle; those from it lengthen less as it follows.
    for head in ("brachialis", "triceps_brachii/medial"):
        assert full[10, names.index(head)] == pytest.approx(without[names.index(head)], abs=1e-7)
    middle_deltoid = names.index("deltoid/acromial")
    assert abs(full[10, middle_deltoid]) < 0.9 * abs(without[middle_deltoid])


@pytest.mark.parametrize("name", ["press", "overhead"])
def test_velocities_are_the_rate_of_change_of_length_along_the_lift(limb, name):
    skeleton = limb.skeleton
    if name == "press":
        exercise = bench(31, duration=1.4, protraction=Profile(((0.0, -0.15), (1.0, 0.2))))
        lift = exercise.lift(skeleton)
        _, _, _, solve = exercise.course(skeleton)
        fraction, timed = minimum_jerk(31, 1.4)
        step = 1e-5
        base = np.clip(fraction, step, 1.0 - step)
        ahead, back = (paths(skeleton, solve(base + s * step).posture).length for s in (1, -1))
        between = (ahead - back) / (2 * step) * timed[1][:, None]
        # Frames where a path comes off its surface within the step are of first order in it.
        np.testing.assert_allclose(path_velocity(skeleton, lift), between, atol=1e-6)
        return

    def error(frames):
        lift = overhead(frames).lift(skeleton)
        length = paths(skeleton, lift.posture).length
        found = path_velocity(skeleton, lift)
        between = (length[2:] - length[:-2]) / (2 * (lift.time[1] - lift.time[0]))
        return np.abs(found[1:-1] - between).max() / np.abs(found).max()

    # What differs is the difference quotient of the lengths: of second order in the step, of
    # first order where a path comes off a surface and the curvature jumps, somewhere between two
    # frames; eight times as many leave room for where.
    coarse, fine = error(101), error(801)
    assert fine < coarse / 3.0
    assert fine < 0.005


# ------------------------------------------------------------------ answers


def test_a_study_with_a_moving_girdle_solves_and_certifies(limb, lift):
    result = solve_lift(prepare(limb, lift), Lateral(mode="free"), greatest_load=False)
    assert np.all(result.sharing.certificate.bound_violation < 1e-9)
    assert set(result.sharing.status_text) <= {"solved", "shortfall"}


def test_limbs_whose_girdles_move_are_traced_together_by_both_routes(limb, lift):
    tall = replace(limb.skeleton.person, stature=1.9)
    both = build_skeletons(
        [limb.skeleton.person, tall], limb.model, scapula=limb.skeleton.scapula_policy
    )
    posture = lift.posture
    rows = np.arange(len(posture.elbow_flexion)) % 2
    for method in ("compiled", "numpy"):
        found = paths(both, posture, limb=rows, method=method)
        for k in range(2):
            alone = paths(both.take(k), posture, method="numpy")
            mine = rows == k
            np.testing.assert_allclose(found.length[mine], alone.length[mine], atol=1e-12)
            np.testing.assert_allclose(found.moment_arms[mine], alone.moment_arms[mine], atol=1e-12)


def test_what_a_task_adds_reaches_the_paths(skeleton):
    still = posture_from_angles(plane=0.5, elevation=1.0)
    added = Posture(
        humerus=still.humerus,
        elbow_flexion=still.elbow_flexion,
        forearm_rotation=still.forearm_rotation,
        girdle=np.array([0.2, 0.0]),
    )
    change = paths(skeleton, added).length - paths(skeleton, still).length
    names = MODEL.head_names
    # Protraction brings the joint away from the spine, and turns the glenoid forward under an arm
    # that keeps its direction, so that the joint opens in front and closes behind.
    assert change[names.index("subscapularis/upper")] > 0.001
    assert change[names.index("infraspinatus/upper")] < -0.001
    assert change[names.index("latissimus_dorsi/lower")] > 0.005
    assert change[names.index("brachialis")] == pytest.approx(0.0, abs=1e-15)


def highest_by_trying_all(skeleton):
    """Slow twin: every hundredth of a degree."""
    found = 0.0
    for elevation in np.linspace(0.0, np.pi, 18001):
        at_joint = elevation - upward_rotation(skeleton.girdle, np.array(elevation))
        if at_joint > MODEL.number("limit_glenohumeral_elevation_max"):
            break
        found = elevation
    return min(found, MODEL.number("limit_elevation_max"))


@pytest.mark.parametrize("scapula", MODEL.scapula_policies)
def test_highest_elevation_is_the_last_one_before_the_joint_s_limit(scapula):
    skeleton = build_skeleton(PERSON, MODEL, scapula=scapula)
    assert float(skeleton.highest_elevation) == highest_by_trying_all(skeleton)


def test_each_of_several_limbs_has_its_own_highest_elevation():
    rng = np.random.default_rng(8)
    drawn = Numbers(
        quantities={
            "girdle_scapula_upward_rise": rng.uniform(0.1, 0.5, 12),
            "girdle_scapula_upward_reach": rng.uniform(-20, 20, 12) * DEGREE,
            "scapula_moving_upward": rng.uniform(-25, 20, 12) * DEGREE,
        }
    )
    limbs = build_skeletons([PERSON] * 12, MODEL, numbers=drawn)
    assert limbs.highest_elevation.shape == (12,)
    assert len(set(limbs.highest_elevation.tolist())) > 6
    for row in range(12):
        one = limbs.take(row)
        assert float(one.highest_elevation) == highest_by_trying_all(one)


@pytest.mark.parametrize("together", [False, True])
def test_the_protraction_that_a_lifter_adds_by_default_is_the_limb_s_own(together):
    ends = {"press_protraction_chest": -12 * DEGREE, "press_protraction_lockout": 4 * DEGREE}
    changed = Numbers(quantities={k: np.array([MODEL.number(k), v]) for k, v in ends.items()})
    limbs = build_skeletons([PERSON] * 2, MODEL, numbers=changed)
    press = bench(frames=9)
    if together:
        plain, own = make_lifts([press, press], limbs, [0, 1])
    else:
        plain, own = (press.lift(limbs.take(row)) for row in range(2))
    np.testing.assert_allclose(own.posture.girdle[[0, -1], 0], list(ends.values()), atol=1e-15)
    np.testing.assert_allclose(
        plain.posture.girdle[[0, -1], 0], [MODEL.number(k) for k in ends], atol=1e-15
    )
    assert np.abs(own.shoulder - plain.shoulder).max() > 5e-3
