"""The bench press: the chain closes in every frame, limits are named, refusals say why."""

import re

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline

from momentshare.errors import InputError, PostureError
from momentshare.exercise import BenchPress, Profile
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import body_poses, build_skeleton

DEG = np.pi / 180.0
SPACINGS = (1.0, 1.4, 1.7)


@pytest.fixture(scope="module")
def skeleton():
    model = load_model()
    return build_skeleton(Person(name="Una", sex="female", stature=1.70, body_mass=66.0), model)


def press(skeleton, times=1.4, **changes):
    base = {
        "load_mass": 60.0,
        "spacing": Profile.constant(times * skeleton.sizes.biacromial_breadth),
        "tuck": Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
        "tilt": Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
        "frames": 21,
    }
    return BenchPress(**(base | changes))


@pytest.mark.parametrize("bench", [-20.0, 0.0, 30.0, 45.0])
@pytest.mark.parametrize("spacing", SPACINGS)
def test_chain_closes_in_every_frame(skeleton, spacing, bench):
    exercise = press(skeleton, spacing, bench_angle=bench * DEG)
    lift = exercise.lift(skeleton)
    assert lift.reachable.all()
    upper = lift.elbow - lift.shoulder
    fore = lift.hand - lift.elbow
    size = skeleton.sizes
    # Newton's method ends at rounding of lengths below 1 m.
    np.testing.assert_allclose(np.linalg.norm(upper, axis=1), size.humerus_length, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(fore, axis=1), size.grip_length, atol=1e-12)
    np.testing.assert_allclose(lift.hand[:, 2], 0.5 * spacing * size.biacromial_breadth, atol=1e-12)
    np.testing.assert_allclose(
        (lift.hand - skeleton.joint_centre) @ lift.up, lift.height, atol=1e-12
    )
    tuck = np.arccos(-upper[:, 1] / size.humerus_length)
    np.testing.assert_allclose(tuck, exercise.tuck(lift.fraction), atol=1e-12)
    lean = np.arcsin(fore @ exercise.headward / size.grip_length)
    np.testing.assert_allclose(lean, exercise.tilt(lift.fraction), atol=1e-12)


@pytest.mark.parametrize("grip", ["pronated", "neutral"])
def test_posture_puts_elbow_and_hand_where_the_chain_says(skeleton, grip):
    lift = press(skeleton, grip=grip).lift(skeleton)
    poses = body_poses(skeleton, lift.posture)
    np.testing.assert_allclose(poses.origin["ulna"], lift.elbow, atol=1e-12)
    hand = poses.point("ulna", np.array([0.0, -skeleton.sizes.grip_length, 0.0]))
    np.testing.assert_allclose(hand, lift.hand, atol=1e-12)


@pytest.mark.parametrize(("grip", "thumb"), [("pronated", [0, 0, -1]), ("neutral", [0, 1, 0])])
def test_forearm_turns_the_thumb_to_the_grip(skeleton, grip, thumb):
    # The thumb is on the lateral side, z of the radius; it points as near to the grip's
    # direction as turning about the forearm allows: square to forearm × direction.
    lift = press(skeleton, grip=grip).lift(skeleton)
    ulna = body_poses(skeleton, lift.posture).rotation["ulna"]
    angle = lift.posture.forearm_rotation[:, None]
    side = np.cos(angle) * ulna[..., :, 2] + np.sin(angle) * ulna[..., :, 0]
    fore = (lift.hand - lift.elbow) / skeleton.sizes.grip_length
    np.testing.assert_allclose(np.sum(side * np.cross(fore, thumb), axis=1), 0.0, atol=1e-12)
    assert np.all(side @ np.array(thumb) > 0.0)


def test_elbow_is_on_the_outer_side_of_the_line_from_shoulder_to_hand(skeleton):
    for spacing in SPACINGS:
        lift = press(skeleton, spacing).lift(skeleton)
        joint = lift.shoulder
        share = ((lift.elbow - joint) @ lift.up) / ((lift.hand - joint) @ lift.up)
        line = joint[:, 2] + share * (lift.hand - joint)[:, 2]
        low = lift.fraction < 0.95
        assert np.all(lift.elbow[low, 2] > line[low])


def test_elbow_is_below_the_hand_and_flexion_falls_through_the_ascent(skeleton):
    lift = press(skeleton).lift(skeleton)
    assert np.all((lift.hand - lift.elbow) @ lift.up > 0.0)
    assert np.all(np.diff(lift.posture.elbow_flexion) < 0.0)


def test_lift_runs_from_chest_to_the_stated_lockout_flexion(skeleton):
    lift = press(skeleton, lockout_flexion=15 * DEG).lift(skeleton)
    assert lift.height[0] == pytest.approx(skeleton.chest_height, abs=1e-12)
    # Eight divisions by 32 of a grid of about 3 mm: far below a nanoradian.
    assert lift.posture.elbow_flexion[-1] == pytest.approx(15 * DEG, abs=1e-6)
    assert lift.notes == ()


def test_stated_heights_are_kept(skeleton):
    lift = press(skeleton, chest_height=0.22, lockout_height=0.42).lift(skeleton)
    np.testing.assert_allclose(lift.height[[0, -1]], [0.22, 0.42], atol=1e-15)


def test_lockout_below_the_chest_is_refused(skeleton):
    with pytest.raises(PostureError, match="not above the chest"):
        press(skeleton, chest_height=0.3, lockout_height=0.2).lift(skeleton)


def test_each_hand_carries_half_the_load(skeleton):
    assert press(skeleton, load_mass=80.0).lift(skeleton).load_mass == 40.0


@pytest.mark.parametrize(("implement", "free"), [("bar", True), ("dumbbells", False)])
def test_only_a_bar_carries_a_lateral_force(skeleton, implement, free):
    assert press(skeleton, implement=implement).lift(skeleton).lateral_free is free


@pytest.mark.parametrize("bench", [-20.0, 0.0, 45.0])
def test_bench_angle_turns_gravity_in_the_sagittal_plane(skeleton, bench):
    lift = press(skeleton, bench_angle=bench * DEG).lift(skeleton)
    np.testing.assert_allclose(lift.up, [np.cos(bench * DEG), np.sin(bench * DEG), 0.0], atol=1e-15)
    assert lift.lateral_axis @ lift.up == 0.0


def test_hands_wider_than_the_arms_reach_are_refused_with_distance_and_remedy(skeleton):
    with pytest.raises(PostureError) as caught:
        press(skeleton, times=5.0).lift(skeleton)
    text = str(caught.value)
    assert "cannot be reached at any height" in text
    assert re.search(r"0\.\d+ m", text)
    assert "bring the hands closer" in text


def test_frames_out_of_reach_are_an_answer_with_frame_and_distance(skeleton):
    reach = skeleton.sizes.humerus_length + skeleton.sizes.grip_length
    exercise = press(skeleton, lockout_height=1.15 * reach)
    lift = exercise.lift(skeleton)
    assert lift.reachable[0]
    assert not lift.reachable[-1]
    assert np.all((lift.gap > 0.0) == ~lift.reachable)
    breach = next(b for b in lift.breaches if b.quantity == "reach of the hand")
    assert breach.last_frame == len(lift.fraction) - 1
    assert breach.first_frame == int(np.argmin(lift.reachable))
    assert breach.value == pytest.approx(lift.gap.max())
    assert "m" in breach.text()
    assert f"frames {breach.first_frame} to {breach.last_frame}" in breach.text()


def test_bar_on_the_trunk_bends_the_elbow_past_its_limit_and_is_named(skeleton):
    lift = press(skeleton, times=1.0, chest_height=0.07).lift(skeleton)
    limit = np.degrees(skeleton.model.number("limit_elbow_flexion_max"))
    flexion = np.degrees(lift.posture.elbow_flexion)
    assert flexion.max() > limit
    breach = next(b for b in lift.breaches if b.quantity == "elbow flexion")
    assert breach.limit == pytest.approx(limit)
    assert breach.value == pytest.approx(flexion.max())
    assert breach.frame == int(np.argmax(flexion))
    assert breach.excess == pytest.approx(flexion.max() - limit)


def test_hands_far_outside_the_elbows_break_the_wrist_limit_on_a_bar_only(skeleton):
    wide = press(skeleton, times=3.0).lift(skeleton)
    fore = (wide.hand - wide.elbow) / skeleton.sizes.grip_length
    wrist = np.degrees(np.arcsin(fore[:, 2]))
    limit = np.degrees(skeleton.model.number("limit_wrist_radial"))
    assert wrist[wide.reachable].max() > limit
    name = "radial deviation of the wrist"
    breach = next(b for b in wide.breaches if b.quantity == name)
    assert breach.value == pytest.approx(wrist[breach.frame], abs=1e-9)
    assert breach.limit == pytest.approx(limit)
    free = press(skeleton, times=3.0, implement="dumbbells").lift(skeleton)
    assert not any("wrist" in b.quantity for b in free.breaches)


def test_narrow_hands_lay_the_bar_obliquely_before_the_wrist_breaks_its_ulnar_limit(skeleton):
    number = skeleton.model.number
    ulnar, most = (np.degrees(number(n)) for n in ("limit_wrist_ulnar", "grip_oblique_max"))
    seen = set()
    for times in np.arange(0.5, 1.6, 0.05):
        lift = press(skeleton, times=float(times)).lift(skeleton)
        fore = (lift.hand - lift.elbow) / skeleton.sizes.grip_length
        lean = np.degrees(np.arcsin(-fore[:, 2]))[lift.reachable].max()
        found = [b for b in lift.breaches if b.quantity == "ulnar deviation of the wrist"]
        assert bool(found) == (lean > ulnar + most + 1e-9)
        if found:
            assert found[0].value == pytest.approx(lean - most)
        seen.add((lean > ulnar, bool(found)))
    assert seen >= {(False, False), (True, False)}


def test_quasi_static_lift_has_neither_time_nor_motion(skeleton):
    lift = press(skeleton).lift(skeleton)
    assert lift.time is None
    assert lift.motion is None
    np.testing.assert_allclose(np.diff(lift.fraction), 1.0 / 20.0, atol=1e-15)


def test_timed_lift_starts_and_ends_at_rest_and_peaks_in_the_middle(skeleton):
    lift = press(skeleton, duration=1.6).lift(skeleton)
    assert lift.time[-1] == pytest.approx(1.6)
    speed = lift.motion.hand_velocity @ lift.up
    np.testing.assert_allclose(speed[[0, -1]], 0.0, atol=1e-12)
    # Minimum jerk (Flash and Hogan 1985, from memory): peak speed 15/8 of the mean.
    rise = lift.height[-1] - lift.height[0]
    assert speed[10] == pytest.approx(15.0 / 8.0 * rise / 1.6, rel=1e-6)


@pytest.mark.parametrize("implement", ["bar", "dumbbells"])
def test_motion_is_the_time_derivative_of_the_positions(skeleton, implement):
    spacing = Profile.constant(0.55)
    if implement == "dumbbells":
        spacing = Profile(((0.0, 0.62), (1.0, 0.42)))
    lift = press(skeleton, spacing=spacing, implement=implement, duration=1.5, frames=301).lift(
        skeleton
    )
    inner = slice(30, -30)
    flexion = make_interp_spline(lift.time, lift.posture.elbow_flexion, k=5)
    # Truncation of central differences (1e-4 of the lift) and of the splines (5 ms): 1e-5
    # relative to speeds near 1 m/s and accelerations near 10 m/s².
    for name in ("hand", "elbow"):
        curve = make_interp_spline(lift.time, getattr(lift, name), k=5)
        velocity = getattr(lift.motion, f"{name}_velocity")
        acceleration = getattr(lift.motion, f"{name}_acceleration")
        np.testing.assert_allclose(curve(lift.time, 1)[inner], velocity[inner], atol=1e-5)
        np.testing.assert_allclose(curve(lift.time, 2)[inner], acceleration[inner], atol=1e-3)
    np.testing.assert_allclose(
        flexion(lift.time, 1)[inner], lift.motion.elbow_flexion_velocity[inner], atol=1e-4
    )


def test_halving_the_time_doubles_speeds_and_quadruples_accelerations(skeleton):
    slow, fast = (press(skeleton, duration=t).lift(skeleton).motion for t in (2.0, 1.0))
    np.testing.assert_allclose(fast.elbow_velocity, 2 * slow.elbow_velocity, atol=1e-12)
    np.testing.assert_allclose(
        fast.humerus_angular_acceleration, 4 * slow.humerus_angular_acceleration, atol=1e-9
    )


def test_more_frames_pass_through_the_same_postures(skeleton):
    few, many = (press(skeleton, frames=n).lift(skeleton) for n in (11, 41))
    np.testing.assert_allclose(many.elbow[::4], few.elbow, atol=1e-12)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"load_mass": -1.0}, "load_mass"),
        ({"load_mass": float("nan")}, "load_mass"),
        ({"frames": 1}, "frames"),
        ({"duration": 0.0}, "duration"),
        ({"duration": float("nan")}, "duration"),
        ({"bench_angle": 100 * DEG}, "bench_angle"),
        ({"spacing": Profile(((0.0, 0.4), (1.0, 0.5)))}, "spacing"),
    ],
)
def test_impossible_press_is_refused_naming_the_field(skeleton, changes, field):
    with pytest.raises(InputError, match=field):
        press(skeleton, **changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"implement": "kettlebell"},
        {"grip": "hook"},
        {"bench_angle": float("nan")},
        {"lockout_flexion": float("nan")},
        {"chest_height": float("nan")},
        {"spacing": Profile.constant(-0.4)},
    ],
)
def test_press_with_a_field_that_means_nothing_is_refused(skeleton, changes):
    (field,) = changes
    with np.errstate(all="ignore"), pytest.raises(InputError, match=field):
        press(skeleton, **changes)


def test_profile_keeps_between_its_points_and_beyond_them_constant():
    profile = Profile(((0.2, 1.0), (0.5, 3.0), (0.8, 2.0)))
    fraction = np.linspace(0.0, 1.0, 101)
    value = profile(fraction)
    np.testing.assert_allclose(profile(np.array([0.2, 0.5, 0.8])), [1.0, 3.0, 2.0], atol=1e-15)
    assert value.min() == 1.0
    assert value.max() == pytest.approx(3.0, abs=1e-3)
    np.testing.assert_array_equal(value[fraction <= 0.2], 1.0)
    np.testing.assert_array_equal(value[fraction >= 0.8], 2.0)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ((), "finite pairs"),
        (((0.0, float("nan")),), "finite pairs"),
        (((0.5, 1.0), (0.5, 2.0)), "must rise"),
        (((-0.1, 1.0), (0.5, 2.0)), "0 to 1"),
        (((0.1, 1.0), (1.5, 2.0)), "0 to 1"),
    ],
)
def test_profile_that_is_no_curve_is_refused(points, words):
    with pytest.raises(InputError, match=words):
        Profile(points)
