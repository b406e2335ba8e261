"""Checks of trials: each passes a clean invented trial and catches the fault it is made for.

Sources of the ranges: Mier 2014 (abstract read: static shares of body weight in push-ups, 65 to
75 %); Larsen 2021 (abstract read: mean lateral over vertical force -10 to +16 %, maximal loads).
All other limits are ours (common practice, no source).
"""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile, PushUp
from momentshare.exercise.demand import demand
from momentshare.geometry.rotation import rotation_about
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton
from momentshare.trial.checks.trial import LIMITS
from momentshare.trial.invent import Imperfections, Tempo, invent_press, recorded
from momentshare.trial.motion.kinematics import track_arm, trunk_rotation
from momentshare.trial.motion.others import net_moments
from momentshare.trial.process import Processing, process_trial
from momentshare.trial.recording import Channel, Recording, mirrored
from momentshare.units import GRAVITY

BEFORE_MUSCLES = set(LIMITS) - {"moments met"}  # which needs the solved heads
LOAD = 80.0
BODY = 80.0
HANDS = ("right_hand_force", "left_hand_force")
UP = np.array([0.0, 1.0, 0.0])


@pytest.fixture(scope="module")
def skeleton():
    person = Person(name="A", sex="male", stature=1.80, body_mass=BODY)
    return build_skeleton(person, load_model("reference_limb"))


def press_with(skeleton, ratio=lambda f: 0.02 + 0.1 * f, spacing=0.60, **tempo):
    press = BenchPress(
        load_mass=LOAD,
        spacing=Profile.constant(spacing),
        tuck=Profile(((0.0, 0.95), (1.0, 1.25))),
        tilt=Profile(((0.0, 0.12), (1.0, -0.1))),
    )
    return invent_press(press, skeleton, Tempo(**({"repetitions": 2} | tempo)), ratio=ratio)


@pytest.fixture(scope="module")
def truth(skeleton):
    return press_with(skeleton)


@pytest.fixture(scope="module")
def clean(truth):
    return recorded(truth, Imperfections(marker_noise=0.0005, force_noise=2.0))


def run(recording, skeleton, settings=None, **options):
    return process_trial(recording, skeleton, settings, **({"load": LOAD} | options))


def check(trial, name):
    return next(c for c in trial.checks if c.name == name)


def changed(recording, **values):
    """Replace values of channels; callables take the old ones."""
    channels = dict(recording.channels)
    for role, new in values.items():
        old = channels[role]
        channels[role] = replace(old, values=new(old.values.copy()) if callable(new) else new)
    return replace(recording, channels=channels)


def without(recording, *roles):
    kept = {r: c for r, c in recording.channels.items() if r not in roles}
    return replace(recording, channels=kept)


def swapped(recording, *pairs):
    channels = dict(recording.channels)
    for one, two in pairs:
        channels[one], channels[two] = recording.channels[two], recording.channels[one]
    return replace(recording, channels=channels)


def on_both(one, two):
    return [(f"{side}_{one}", f"{side}_{two}") for side in ("right", "left")]


# ------------------------------------------------------------------ clean trials


@pytest.mark.parametrize("spacing", [0.42, 0.60, 0.80])
def test_a_clean_bar_press_passes_every_check_that_is_possible(skeleton, spacing):
    faults = Imperfections(marker_noise=0.0005, force_noise=2.0)
    trial = run(recorded(press_with(skeleton, spacing=spacing), faults), skeleton)
    wrong = [c for c in trial.checks if c.verdict not in {"pass", "not possible"}]
    assert wrong == []
    # What belongs to hands on the ground is all that is left out.
    assert [c.name for c in trial.checks if c.verdict == "not possible"] == ["share of body weight"]
    assert trial.possible == (len(BEFORE_MUSCLES) - 1, len(BEFORE_MUSCLES))


def test_every_limit_is_checked_once_and_warns_before_it_fails(clean, skeleton):
    trial = run(clean, skeleton)
    assert sorted(c.name for c in trial.checks) == sorted(BEFORE_MUSCLES)
    assert all(limit < worst for limit, worst, _ in LIMITS.values())


def test_curves_have_the_length_of_their_time(clean, skeleton):
    for found in run(clean, skeleton).checks:
        if found.verdict == "not possible":
            continue
        assert found.curves, found.name
        assert found.axis, found.name
        assert all(len(values) == len(found.time) for values in found.curves.values()), found.name


# ------------------------------------------------------------------ swapped landmarks


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (on_both("el", "em"), "elbow flexion"),
        (on_both("rs", "us"), "forearm rotation"),
        ([("ij", "c7")], "plane of elevation"),
    ],
)
def test_swapped_landmarks_put_a_joint_beyond_its_limit(clean, skeleton, pairs, words):
    found = check(run(swapped(clean, *pairs), skeleton), "joint limits")
    assert found.verdict == "fail"
    assert found.value > 60.0
    assert words in found.note
    assert "repetition 1" in found.note


def test_the_share_of_frames_beyond_a_limit_is_counted_frame_by_frame(truth, skeleton):
    # Elbow angles with 70 degrees taken off are below zero where the true one is below 70;
    # 5 degrees beyond a limit do not count yet.
    angles = truth.lift.posture.angles()
    angles["elbow_flexion"] = angles["elbow_flexion"] - np.radians(70.0)
    channels = {
        f"right_{name}": Channel(label=name, values=values.copy(), rate=truth.rate, unit="rad")
        for name, values in angles.items()
    }
    trial = run(Recording(source="angles.csv", digest="", channels=channels), skeleton)
    found = check(trial, "joint limits")
    flexion = [np.degrees(item.measured.lift.posture.elbow_flexion) for item in trial.repetitions]
    assert found.value == pytest.approx(100.0 * np.mean(np.concatenate(flexion) < -5.0))
    assert 5.0 < found.value < 50.0
    worst = max(-part.min() for part in flexion)
    assert np.nanmax(found.curves["worst joint"]) == pytest.approx(worst)


def test_a_little_past_straight_is_within_the_limits(truth, skeleton):
    angles = truth.lift.posture.angles()
    angles["elbow_flexion"] = angles["elbow_flexion"] - np.radians(33.0)
    channels = {
        f"right_{name}": Channel(label=name, values=values.copy(), rate=truth.rate, unit="rad")
        for name, values in angles.items()
    }
    trial = run(Recording(source="angles.csv", digest="", channels=channels), skeleton)
    found = check(trial, "joint limits")
    assert found.value == 0.0
    assert 1.0 < np.nanmax(found.curves["worst joint"]) < 5.0


def test_labels_of_the_two_arms_swapped(clean, skeleton):
    pairs = [(f"right_{n}", f"left_{n}") for n in ("gh", "el", "em", "rs", "us", "grip")]
    with pytest.raises(InputError, match="of the two arms"):
        run(swapped(clean, *pairs), skeleton)
    bare = without(without(clean, "bar_right"), "bar_left")
    found = check(run(swapped(bare, *pairs), skeleton), "side of the arm")
    assert found.verdict == "fail"
    assert found.value > 10.0
    assert "right and left labels" in found.note


def test_front_and_back_of_the_trunk_swapped_turn_its_sides(clean, skeleton):
    trial = run(swapped(clean, ("ij", "c7")), skeleton)
    assert check(trial, "side of the arm").verdict == "fail"
    assert check(trial, "trunk posture").value == pytest.approx(180.0, abs=5.0)


def test_the_side_of_the_arm_is_the_distance_from_the_midline(clean, truth, skeleton):
    found = check(run(clean, skeleton), "side of the arm")
    aside = 100.0 * np.mean(truth.lift.shoulder[:, 2])
    assert found.value == pytest.approx(-aside, abs=0.3)
    less = without(clean, "t8", "px")
    assert check(run(less, skeleton), "side of the arm").verdict == "not possible"


def test_ends_of_the_bar_swapped_are_refused(clean, skeleton):
    with pytest.raises(InputError, match="bar_right is farther"):
        run(swapped(clean, ("bar_right", "bar_left")), skeleton)


def test_grips_labelled_with_the_ends_of_the_bar(clean, skeleton):
    channels = dict(clean.channels)
    for side in ("right", "left"):
        channels[f"{side}_grip"] = channels.pop(f"bar_{side}")
    trial = run(replace(clean, channels=channels), skeleton)
    assert check(trial, "grip against the person").verdict in {"warn", "fail"}
    assert check(run(clean, skeleton), "grip against the person").verdict == "pass"


def test_grip_and_styloid_swapped(clean, skeleton):
    # The force acts on the bar whatever the hand's landmark is, so the swap costs little.
    right, wrong = run(clean, skeleton), run(swapped(clean, ("right_us", "right_grip")), skeleton)
    assert check(wrong, "grip off the bar").value > 3.0
    for a, b in zip(right.repetitions, wrong.repetitions, strict=True):
        off = net_moments(skeleton, b.measured) - net_moments(skeleton, a.measured)
        assert np.sqrt(np.mean(off**2, axis=0)).max() < 4.0
    no_bar = without(clean, "bar_right", "bar_left")
    found = check(
        run(swapped(no_bar, ("right_us", "right_grip")), skeleton), "grip against the person"
    )
    assert found.verdict in {"warn", "fail"}
    assert "label of the grip" in found.note


def test_a_fore_and_aft_force_that_was_not_measured_counts_as_none_and_is_said(clean, skeleton):
    def without_x(values):
        cut = values.copy()
        cut[:, 0] = np.nan
        return cut

    trial = run(changed(clean, **dict.fromkeys(HANDS, without_x)), skeleton)
    assert trial.refused == ()
    notes = trial.repetitions[0].measured.lift.notes
    assert any("along the body was not measured" in note for note in notes)
    assert trial.repetitions[0].measured.lateral is not None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"side": "Left"}, "side"),
        ({"load": -5.0}, "load"),
        ({"load": "50"}, "load"),
        ({"trunk_angle": 45.0}, "deg"),
        ({"repetitions": []}, "repetitions"),
        ({"repetitions": [1.5]}, "repetitions"),
        ({"repetitions": "1"}, "repetitions"),
    ],
)
def test_wrong_options_are_named(clean, skeleton, options, words):
    with pytest.raises(InputError, match=words):
        run(clean, skeleton, **options)


@pytest.mark.parametrize(
    "settings", [{"hinge": "Forearm"}, {"fill_gaps": -1.0}, {"cutoff": "Residual"}, {"frames": 2}]
)
def test_wrong_settings_are_named(settings):
    with pytest.raises(InputError, match=next(iter(settings))):
        Processing(**settings)


# ------------------------------------------------------------------ the trunk


@pytest.mark.parametrize(
    ("angle", "verdict"), [(0.0, "pass"), (20.0, "pass"), (35.0, "warn"), (90.0, "fail")]
)
def test_the_trunk_lies_as_the_condition_says_or_not(clean, skeleton, angle, verdict):
    found = check(run(clean, skeleton, trunk_angle=np.radians(angle)), "trunk posture")
    assert found.value == pytest.approx(angle, abs=0.2)
    assert found.verdict == verdict
    assert ("trunk_angle_deg" in found.note) == (verdict != "pass")


def test_without_trunk_landmarks_its_posture_cannot_be_checked(clean, skeleton):
    found = check(run(without(clean, "px"), skeleton), "trunk posture")
    assert found.verdict == "not possible"


# ------------------------------------------------------------------ forces


def test_force_plates_turned_by_a_quarter_show_in_the_yaw_balance(truth, clean, skeleton):
    quarter = rotation_about(UP, np.pi / 2)
    turned = changed(clean, **{role: lambda v: v @ quarter.T for role in HANDS})
    found = check(run(turned, skeleton), "yaw balance of the bar")
    # The hands are 60 cm apart, so the mean ratio becomes an arm of 30 cm times itself.
    ratio = np.mean(
        [np.mean(item.measured.lateral.ratio) for item in run(clean, skeleton).repetitions]
    )
    assert found.value == pytest.approx(30.0 * ratio, rel=0.05)
    assert found.verdict == "warn"
    assert "90 degrees" in found.note
    assert check(run(clean, skeleton), "yaw balance of the bar").value < 0.1


def test_the_yaw_balance_does_not_ask_how_the_bar_lies_in_the_room(clean, skeleton):
    turn = rotation_about(UP, 0.5)
    turned = changed(
        clean, **{r: lambda v: v @ turn.T for r, c in clean.channels.items() if c.values.ndim == 2}
    )
    assert check(run(turned, skeleton), "yaw balance of the bar").value < 0.1


def test_the_yaw_balance_needs_both_hands_and_all_components(clean, skeleton):
    name = "yaw balance of the bar"
    one = without(clean, "left_hand_force")
    assert check(run(one, skeleton), name).verdict == "not possible"

    def upright(values):
        values[:, [0, 2]] = np.nan
        return values

    vertical = changed(clean, **dict.fromkeys(HANDS, upright))
    found = check(run(vertical, skeleton), name)
    assert found.verdict == "not possible"
    assert "not measured" in found.note
    assert check(run(vertical, skeleton), "missing samples").verdict == "pass"


@pytest.mark.parametrize(
    ("ratio", "verdict"), [(0.16, "pass"), (-0.10, "pass"), (0.4, "warn"), (0.7, "fail")]
)
def test_the_lateral_ratio_against_what_is_known(skeleton, ratio, verdict):
    full = recorded(press_with(skeleton, ratio=lambda f: np.full_like(f, ratio)))
    found = check(run(full, skeleton), "lateral ratio")
    assert found.value == pytest.approx(100.0 * abs(ratio), rel=1e-3)
    assert found.verdict == verdict


def test_swapped_hands_change_the_sign_of_the_ratio_and_the_note_says_that_only_it_tells(
    clean, skeleton
):
    right, wrong = run(clean, skeleton), run(swapped(clean, HANDS), skeleton)
    before, after = (check(trial, "lateral ratio") for trial in (right, wrong))
    assert before.value == pytest.approx(after.value, rel=0.01)
    assert "the mean is +" in before.note
    assert "the mean is -" in after.note
    assert "only the sign of the ratio shows them" in after.note
    assert wrong.verdict == "pass"


@pytest.mark.parametrize(("share", "verdict"), [(0.0, "pass"), (0.03, "warn"), (0.07, "fail")])
def test_pushes_along_the_bar_that_do_not_cancel(clean, skeleton, share, verdict):
    def pushed(values):
        values[:, 2] += share * values[:, 1]
        return values

    found = check(run(changed(clean, right_hand_force=pushed), skeleton), "lateral forces cancel")
    # The share of one hand is half of it for both.
    assert found.value == pytest.approx(50.0 * share, abs=0.15)
    assert found.verdict == verdict


def test_synchrony_is_the_median_over_the_repetitions(truth, skeleton):
    # Of three repetitions the last one has a clock that jumped by 120 ms.
    three = press_with(skeleton, repetitions=3)
    full = recorded(three)
    jump = 0.5 * (three.marks[1, 1] + three.marks[2, 0])

    def jumped(values):
        rate = full.channels["right_hand_force"].rate
        at, late = round(jump * rate), round(0.12 * rate)
        values[at + late :] = values[at:-late].copy()
        return values

    found = check(run(changed(full, **dict.fromkeys(HANDS, jumped)), skeleton), "synchrony")
    assert found.verdict == "pass"
    alone = run(changed(full, **dict.fromkeys(HANDS, jumped)), skeleton, repetitions=[3])
    assert check(alone, "synchrony").value == pytest.approx(120.0, abs=5.0)


def test_forces_of_nothing_are_refused_without_a_warning(clean, skeleton):
    nothing = changed(clean, **dict.fromkeys(HANDS, np.zeros_like))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        trial = run(nothing, skeleton)
    assert trial.repetitions == ()
    assert check(trial, "left against right").verdict == "not possible"
    assert check(trial, "force balance").verdict == "fail"


# ------------------------------------------------------------------ the hinge


def turned_hinge(angle):
    """Turn the line of the epicondyles about the vertical through their middle."""

    def landmarks(recording):
        channels = recording.channels
        lateral, medial = channels["right_el"].values, channels["right_em"].values
        middle, half = 0.5 * (lateral + medial), 0.5 * (lateral - medial)
        shaft = middle - channels["right_gh"].values
        shaft = shaft / np.linalg.norm(shaft, axis=1, keepdims=True)
        half = half * np.cos(angle) + np.cross(shaft, half) * np.sin(angle)
        return changed(recording, right_el=middle + half, right_em=middle - half)

    return landmarks


@pytest.mark.parametrize(("angle", "verdict"), [(3.0, "pass"), (16.0, "warn"), (30.0, "fail")])
def test_epicondyles_off_the_hinge(clean, skeleton, angle, verdict):
    trial = run(turned_hinge(np.radians(angle))(clean), skeleton)
    found = check(trial, "hinge")
    # The forearm leaves the plane by asin(sin angle × sin flexion).
    flexion = np.concatenate([i.measured.lift.posture.elbow_flexion for i in trial.repetitions])
    true = np.concatenate(
        [i.measured.lift.posture.elbow_flexion for i in run(clean, skeleton).repetitions]
    )
    assert len(flexion) == len(true)
    want = np.degrees(np.arcsin(np.sin(np.radians(angle)) * np.sin(true)))
    assert found.value == pytest.approx(np.sqrt(np.mean(want**2)), rel=0.03)
    assert found.verdict == verdict
    assert ("forearm" in found.note) == (verdict != "pass")


# ------------------------------------------------------------------ gaps


def test_a_refused_repetition_does_not_blind_the_checks(truth, skeleton):
    gap = (2.9, 2.95)
    trial = run(recorded(truth, Imperfections(gap=gap)), skeleton, Processing(fill_gaps=0.0))
    assert [item.number for item in trial.repetitions] == [2]
    assert trial.possible == (len(BEFORE_MUSCLES) - 1, len(BEFORE_MUSCLES))
    assert check(trial, "upper arm constant").verdict == "pass"


def test_gaps_of_the_forces_count_as_missing(clean, skeleton):
    def broken(values):
        values[: len(values) // 5] = np.nan
        return values

    found = check(run(changed(clean, left_hand_force=broken), skeleton), "missing samples")
    assert found.value == pytest.approx(20.0, abs=0.1)
    assert found.verdict == "fail"
    assert "left_hand_force" in found.note
    assert found.time[-1] == pytest.approx(clean.channels["left_hand_force"].end)


def test_a_gap_of_the_force_within_a_repetition_is_named(clean, truth, skeleton):
    at = round(truth.marks[0].mean() * 1000.0)

    def broken(values):
        values[at : at + 20] = np.nan
        return values

    trial = run(changed(clean, right_hand_force=broken), skeleton)
    assert [item.number for item in trial.repetitions] == [2]
    assert "hand force: a gap" in trial.refused[0]


# ------------------------------------------------------------------ units and signs


@pytest.mark.parametrize(("factor", "cm"), [(10.0, "291"), (0.1, "2.91")])
def test_landmarks_in_the_wrong_unit_are_named_at_once(clean, skeleton, factor, cm):
    wrong = changed(
        clean, **{r: c.values * factor for r, c in clean.channels.items() if c.unit == "m"}
    )
    with pytest.raises(InputError, match=rf"invented: upper arm .* {cm} cm .* is the unit right"):
        run(wrong, skeleton)


@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_so_are_they_without_a_joint_centre(clean, skeleton, factor):
    wrong = changed(
        clean, **{r: c.values * factor for r, c in clean.channels.items() if c.unit == "m"}
    )
    with pytest.raises(InputError, match="is the unit right"):
        run(without(wrong, "right_gh"), skeleton)


def test_residual_analysis_of_landmarks_that_do_not_move_asks_for_the_unit(clean, skeleton):
    small = changed(
        clean, **{r: c.values * 0.01 for r, c in clean.channels.items() if c.unit == "m"}
    )
    with pytest.raises(InputError, match=r"invented: landmarks of the arm move by .* is the unit"):
        run(small, skeleton, Processing(cutoff="residual"))


def test_residual_analysis_of_landmarks_with_gaps_still_says_so(clean, skeleton):
    def broken(values):
        values[40:44] = np.nan
        return values

    gaps = changed(clean, **{r: broken for r, c in clean.channels.items() if c.unit == "m"})
    with pytest.raises(InputError, match=r"invented: cut-off .* every channel that moves has gaps"):
        run(gaps, skeleton, Processing(cutoff="residual", fill_gaps=0.0))


def test_elevation_with_the_sign_of_the_papers_is_refused(truth, skeleton):
    angles = truth.lift.posture.angles()
    angles["elevation"] = -angles["elevation"]
    channels = {
        f"right_{name}": Channel(label=name, values=values.copy(), rate=truth.rate, unit="rad")
        for name, values in angles.items()
    }
    wrong = Recording(source="angles.csv", digest="", channels=channels)
    with pytest.raises(InputError, match=r"angles\.csv: 'elevation': .* turn its sign"):
        run(wrong, skeleton)


def test_a_person_with_another_upper_arm_is_told_what_to_set(clean, truth):
    person = Person(name="B", sex="male", stature=1.80, body_mass=BODY, humerus_length=0.26)
    for who, words in ((person, "check landmarks"), (replace(person, stature=1.60), "muscle path")):
        skeleton = build_skeleton(who, load_model("reference_limb"))
        found = check(run(clean, skeleton), "upper arm against the person")
        length = 100.0 * np.mean(np.linalg.norm(truth.lift.elbow - truth.lift.shoulder, axis=1))
        assert found.verdict in {"warn", "fail"}
        assert f"set humerus_length_cm = {length:.1f} for this person" in found.note
        assert "moments use the landmarks and muscle paths the person's length" in found.note
        assert words in found.note


# ------------------------------------------------------------------ noise


def test_curve_and_value_of_the_noise_are_the_same_thing_and_leave_out_the_ends(truth, skeleton):
    full = recorded(truth, Imperfections(marker_noise=0.002))

    def drifting(values):  # still under way at both ends, where the filter bends
        t = np.arange(len(values)) / truth.rate
        return values + 0.05 * np.sin(1.3 * t)[:, None]

    trial = run(full, skeleton)
    found = check(trial, "marker noise")
    (curve,) = found.curves.values()
    assert np.sqrt(np.nanmean(curve**2)) == pytest.approx(found.value)
    period = round(truth.rate / 6.0)
    assert np.isnan(curve[:period]).all()
    assert np.isnan(curve[-period:]).all()
    assert np.isfinite(curve[period:-period]).all()
    moving = run(changed(full, right_us=drifting), skeleton)
    assert check(moving, "marker noise").value == pytest.approx(found.value, rel=0.1)


# ------------------------------------------------------------------ hinge from the forearm


def arm_at(flexion, skeleton, off=0.1):
    """Track of an arm whose elbow bends so far, with epicondyles turned off the hinge."""
    count = len(flexion)
    z = np.array([0.0, 0.0, 1.0])
    ulna = rotation_about(z, flexion)
    gh = np.tile([0.0, 1.0, 0.2], (count, 1))
    elbow = gh - np.array([0.0, 0.3, 0.0])
    wrist = elbow - 0.26 * ulna[..., :, 1]
    line = rotation_about(UP, off) @ z
    points = {
        "right_gh": gh,
        "right_el": elbow + 0.04 * line,
        "right_em": elbow - 0.04 * line,
        "right_rs": wrist + 0.03 * z,
        "right_us": wrist - 0.03 * z,
    }
    channels = {r: Channel(label=r, values=v, rate=100.0, unit="m") for r, v in points.items()}
    return track_arm(
        Recording(source="arm", digest="", channels=channels), skeleton, hinge="forearm"
    )


def axis_angle(track):
    """Turn of the hinge about the upper arm [rad], 0 along the true one."""
    z = (track.trunk @ track.posture.humerus)[..., :, 2]
    return np.arctan2(z[:, 0], z[:, 2])


def test_the_hinge_goes_smoothly_from_epicondyles_to_forearm(skeleton):
    flexion = np.radians(np.linspace(-30.0, 90.0, 12001))
    turn = axis_angle(arm_at(flexion, skeleton))
    assert turn[np.abs(flexion) < np.radians(5.0)] == pytest.approx(0.1)
    assert turn[np.abs(flexion) > np.radians(20.0)] == pytest.approx(0.0, abs=1e-9)
    # A smooth step over 15 degrees is steepest in its middle, 1.5 times the mean slope; the blend
    # of unit vectors this close together adds next to nothing.
    slope = np.diff(turn) / np.diff(flexion)
    assert np.abs(slope).max() < 1.01 * 1.5 * 0.1 / np.radians(15.0)
    assert np.abs(np.diff(slope)).max() < 0.01 * np.abs(slope).max()


@pytest.mark.parametrize("degrees", [-25.0, -12.0, -6.0, -2.0, 3.0, 12.0, 60.0])
def test_an_elbow_beyond_straight_keeps_its_sign(skeleton, degrees):
    track = arm_at(np.full(20, np.radians(degrees)), skeleton)
    assert np.degrees(track.posture.elbow_flexion) == pytest.approx(degrees, abs=0.2)
    assert np.abs(axis_angle(track)).max() <= 0.1 + 1e-9


# ------------------------------------------------------------------ nothing on the bar, the ground


def test_a_stated_load_of_nothing_takes_the_measured_force(clean, skeleton):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        none = run(clean, skeleton, load=0.0)
        unknown = run(clean, skeleton, load=None)
    stated = run(clean, skeleton)
    for a, b, c in zip(none.repetitions, unknown.repetitions, stated.repetitions, strict=True):
        assert a.measured.lift.load_mass == b.measured.lift.load_mass
        for other in (a, c):  # the moments come from the force, whatever the load is called
            need, same = demand(skeleton, other.measured.lift), demand(skeleton, b.measured.lift)
            assert need.moments() == pytest.approx(same.moments())
    assert check(none, "force balance").verdict == "not possible"


def test_a_hand_that_lets_go_is_refused_without_a_warning(clean, truth, skeleton):
    at = round(truth.marks[0].mean() * 1000.0)

    def let_go(values):
        values[at : at + 400] = 0.0
        return values

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        trial = run(changed(clean, right_hand_force=let_go), skeleton)
    assert [item.number for item in trial.repetitions] == [2]
    assert "vertical force falls to" in trial.refused[0]


@pytest.fixture(scope="module")
def push_up(skeleton):
    """A push-up with plates under the hands: by landmarks, and by joint angles."""
    exercise = PushUp(
        spacing=Profile.constant(0.6),
        tuck=Profile.constant(1.0),
        tilt=Profile.constant(0.0),
        body_angle=0.1,
        duration=1.2,
        frames=241,
    )
    lift = exercise.lift(skeleton)
    rate = 200.0
    room = trunk_rotation(0.1, face_down=True)

    def long(values):
        return np.concatenate(
            [np.repeat(values[:1], 100, 0), values, np.repeat(values[-1:], 100, 0)]
        )

    posture = lift.posture
    ulna = posture.humerus @ rotation_about(np.array([0.0, 0.0, 1.0]), posture.elbow_flexion)
    turn = posture.forearm_rotation[:, None]
    thumb = np.cos(turn) * ulna[..., :, 2] + np.sin(turn) * ulna[..., :, 0]
    wrist = lift.elbow - skeleton.sizes.forearm_length * ulna[..., :, 1]
    z = posture.humerus[..., :, 2]
    inside = {
        "ij": np.zeros_like(z),
        "c7": np.tile([-0.14, 0.06, 0.0], (len(z), 1)),
        "px": np.tile([0.04, -0.17, 0.0], (len(z), 1)),
        "t8": np.tile([-0.18, -0.165, 0.0], (len(z), 1)),
        "right_gh": lift.shoulder,
        "right_el": lift.elbow + 0.04 * z,
        "right_em": lift.elbow - 0.04 * z,
        "right_rs": wrist + 0.03 * thumb,
        "right_us": wrist - 0.03 * thumb,
        "right_grip": lift.hand,
    }
    force = Channel(
        label="plate", values=long(lift.load_mass * lift.load_force @ room.T), rate=rate, unit="N"
    )
    points = {
        role: Channel(label=role, values=long((p - lift.hand) @ room.T), rate=rate, unit="m")
        for role, p in inside.items()
    }
    angles = {
        f"right_{name}": Channel(label=name, values=long(v), rate=rate, unit="rad")
        for name, v in posture.angles().items()
    }
    return tuple(
        Recording(source="push_up", digest="", channels=kind | {"right_hand_force": force})
        for kind in (points, angles)
    )


def test_a_push_up_from_joint_angles_is_that_from_landmarks(push_up, skeleton):
    seen, told = (
        process_trial(r, skeleton, ground=True, trunk_angle=0.1, load=None).repetitions[0]
        for r in push_up
    )
    one, two = seen.measured.lift, told.measured.lift
    assert np.abs(one.motion.trunk_acceleration).max() > 1.0
    inner = slice(10, -10)
    off = np.abs(one.motion.trunk_acceleration - two.motion.trunk_acceleration)
    assert off[inner].max() < 0.15
    # Filtered angles are not the angles of filtered landmarks: a hundredth of the peaks.
    moments = [demand(skeleton, lift).moments() for lift in (one, two)]
    assert np.abs(moments[0] - moments[1])[inner].max() < 0.01 * np.abs(moments[0]).max()


def test_a_push_up_passes_and_its_share_of_body_weight_is_told(push_up, skeleton):
    trial = process_trial(push_up[0], skeleton, ground=True, trunk_angle=0.1)
    assert trial.verdict == "pass"
    found = check(trial, "share of body weight")
    assert found.value == 0.0
    assert "the hands carry 7" in found.note
    assert check(trial, "trunk posture").value < 1.0


@pytest.mark.parametrize(("factor", "verdict"), [(0.4, "warn"), (1.4, "warn"), (0.1, "fail")])
def test_hands_on_the_ground_that_carry_too_little_or_too_much(push_up, skeleton, factor, verdict):
    wrong = changed(push_up[0], right_hand_force=lambda v: v * factor)
    found = check(
        process_trial(wrong, skeleton, ground=True, trunk_angle=0.1), "share of body weight"
    )
    assert found.verdict == verdict
    assert "unit of the force" in found.note


def test_face_up_and_face_down_are_told_apart(push_up, skeleton):
    upside = check(
        process_trial(push_up[0], skeleton, ground=True, trunk_angle=2.5), "trunk posture"
    )
    assert upside.verdict == "fail"


def test_a_load_on_the_back_is_not_what_the_hands_carry(push_up, skeleton):
    bare = process_trial(push_up[0], skeleton, ground=True, trunk_angle=0.1)
    vest = process_trial(push_up[0], skeleton, ground=True, trunk_angle=0.1, load=10.0)
    empty = process_trial(push_up[0], skeleton, ground=True, trunk_angle=0.1, load=0.0)
    lifts = [trial.repetitions[0].measured.lift for trial in (bare, vest, empty)]
    mean = np.mean(push_up[0].channels["right_hand_force"].values[100:-100, 1]) / GRAVITY
    assert lifts[0].load_mass == lifts[1].load_mass == lifts[2].load_mass
    assert lifts[0].load_mass == pytest.approx(mean, rel=0.02)
    shares = [
        np.nanmean(check(trial, "share of body weight").curves["both hands"])
        for trial in (bare, vest)
    ]
    assert shares[0] - shares[1] == pytest.approx(100.0 * 10.0 / BODY)


def test_a_mirrored_trial_passes_as_the_left_arm(clean, skeleton):
    trial = run(mirrored(clean), skeleton, side="left")
    assert trial.verdict == "pass"
    assert check(trial, "side of the arm").value < -3.0


def test_a_force_of_one_hand_with_the_other_sign_is_named(clean, skeleton):
    wrong = changed(clean, left_hand_force=np.negative)
    found = check(run(wrong, skeleton), "left against right")
    assert found.verdict == "fail"
    assert found.note.startswith("the force on the left hand points the other way")
    found = check(run(mirrored(wrong), skeleton, side="left"), "left against right")
    assert found.note.startswith("the force on the right hand points the other way")


def test_epicondyles_of_the_two_arms_are_refused_at_once(clean, skeleton):
    with pytest.raises(InputError, match=r"elbow \(right_el to right_em\): the landmarks lie"):
        run(swapped(clean, ("right_el", "left_el")), skeleton)
