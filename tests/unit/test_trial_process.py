"""Trials with a known truth: motion, forces and moments come back; faults are named."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile, PushUp
from momentshare.exercise.demand import demand
from momentshare.geometry.rotation import rotation_about
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import build_skeleton
from momentshare.trial.checks.trial import LIMITS, worst_verdict
from momentshare.trial.invent import Imperfections, Tempo, invent_press, recorded
from momentshare.trial.motion.kinematics import track_arm, trunk_rotation
from momentshare.trial.process import Processing, process_trial
from momentshare.trial.recording import Channel, Recording, mirrored

LOAD = 80.0
BENCH = 0.2


@pytest.fixture(scope="module")
def skeleton():
    person = Person(name="A", sex="male", stature=1.80, body_mass=80.0)
    return build_skeleton(person, load_model("reference_limb"))


@pytest.fixture(scope="module")
def truth(skeleton):
    press = BenchPress(
        load_mass=LOAD,
        spacing=Profile.constant(0.60),
        tuck=Profile(((0.0, 0.95), (1.0, 1.25))),
        tilt=Profile(((0.0, 0.12), (1.0, -0.1))),
        bench_angle=BENCH,
    )
    return invent_press(press, skeleton, Tempo(repetitions=2), ratio=lambda f: 0.02 + 0.1 * f)


def processed(truth, skeleton, faults=None, settings=None, **options):
    options = {"load": LOAD, "trunk_angle": BENCH} | options
    return process_trial(recorded(truth, faults), skeleton, settings, **options)


def true_at(truth, trial, item, values):
    time = trial.track.start + item.positions / trial.track.rate
    own = np.arange(len(truth.ratio)) / truth.rate
    return np.stack([np.interp(time, own, column) for column in values.T], axis=-1)


def moments_of(skeleton, item):
    lift = item.measured.lift
    need = demand(skeleton, lift)
    return need.moments(np.array(item.measured.lateral.ratio) * need.hand_force())


def check(trial, name):
    return next(c for c in trial.checks if c.name == name)


@pytest.mark.parametrize("hinge", ["epicondyles", "forearm"])
def test_frames_of_perfect_landmarks_are_exact(truth, skeleton, hinge):
    track = track_arm(recorded(truth), skeleton, hinge=hinge)
    want = truth.lift
    assert np.abs(track.posture.humerus - want.posture.humerus).max() < 1e-12
    assert np.abs(track.posture.elbow_flexion - want.posture.elbow_flexion).max() < 1e-12
    assert np.abs(track.posture.forearm_rotation - want.posture.forearm_rotation).max() < 1e-12
    assert np.abs(track.hand + want.shoulder - want.hand).max() < 1e-12
    assert np.abs(track.elbow + want.shoulder - want.elbow).max() < 1e-12
    assert np.abs(track.up - want.up).max() < 1e-12
    assert track.notes == ()


def test_moments_of_a_perfect_trial(truth, skeleton):
    trial = processed(truth, skeleton)
    assert [item.number for item in trial.repetitions] == [1, 2]
    assert trial.verdict == "pass"
    for item in trial.repetitions:
        want = true_at(truth, trial, item, truth.moments)
        # The filter of 6 Hz is all that stands between truth and answer; peaks are 60 to 80 N·m.
        assert np.abs(moments_of(skeleton, item) - want).max() < 0.1
        ratio = true_at(truth, trial, item, truth.ratio[:, None])[:, 0]
        assert np.abs(np.array(item.measured.lateral.ratio) - ratio).max() < 1e-3


def test_moments_of_a_noisy_trial_stay_within_the_stated_error(truth, skeleton):
    faults = Imperfections(marker_noise=0.001, force_noise=5.0, seed=3)
    trial = processed(truth, skeleton, faults)
    for item in trial.repetitions:
        off = moments_of(skeleton, item) - true_at(truth, trial, item, truth.moments)
        # 1 mm and 5 N of noise: half a newton metre of RMS, under one per cent of the peaks.
        assert np.sqrt(np.mean(off**2, axis=0)).max() < 0.5
        assert np.abs(off).max() < 1.5


def test_a_mirrored_trial_gives_the_mirrored_answer(truth, skeleton):
    faults = Imperfections(marker_noise=0.0005, force_noise=2.0, seed=5)
    right = process_trial(recorded(truth, faults), skeleton, load=LOAD)
    left = process_trial(mirrored(recorded(truth, faults)), skeleton, load=LOAD, side="left")
    for a, b in zip(right.repetitions, left.repetitions, strict=True):
        assert np.array_equal(a.measured.lift.posture.humerus, b.measured.lift.posture.humerus)
        assert np.array_equal(moments_of(skeleton, a), moments_of(skeleton, b))
    assert [c.value for c in right.checks] == pytest.approx(
        [c.value for c in left.checks], nan_ok=True
    )


def test_a_left_arm_is_spoken_of_as_left(truth, skeleton):
    full = mirrored(recorded(truth))
    one = {r: c for r, c in full.channels.items() if r != "right_hand_force"}
    trial = process_trial(replace(full, channels=one), skeleton, load=LOAD, side="left")
    assert "only the left hand" in check(trial, "force balance").note
    assert "left_" in check(trial, "marker noise").note or trial.verdict == "pass"
    less = {r: c for r, c in full.channels.items() if r not in {"right_el", "left_em"}}
    with pytest.raises(InputError, match="missing left_em"):
        process_trial(replace(full, channels=less), skeleton, load=LOAD, side="left")
    only = {r: c for r, c in full.channels.items() if not r.startswith("right_")}
    with pytest.raises(InputError, match="those of the left arm are there"):
        process_trial(replace(full, channels=only), skeleton, load=LOAD)


def test_mirroring_twice_changes_nothing(truth):
    once = recorded(truth)
    twice = mirrored(mirrored(once))
    assert set(once.channels) == set(twice.channels)
    for role, channel in once.channels.items():
        assert np.array_equal(channel.values, twice.channels[role].values)


def test_events_are_those_of_the_tempo(truth, skeleton):
    trial = processed(truth, skeleton)
    time, _, speed, _, marks = Tempo(repetitions=2).course(truth.rate)
    for item, (begin, end) in zip(trial.repetitions, marks, strict=True):
        inside = (time >= begin) & (time <= end)
        moment, upward = time[inside], speed[inside]
        rising = (upward[1:-1] > upward[:-2]) & (upward[1:-1] >= upward[2:])
        peaks = moment[1:-1][rising]
        dip = moment[1:-1][(upward[1:-1] < upward[:-2]) & (upward[1:-1] <= upward[2:])]
        found = [
            trial.track.start + s / trial.track.rate
            for s in (item.events.first_peak, item.events.minimum, item.events.second_peak)
        ]
        assert found == pytest.approx([peaks[0], dip[0], peaks[1]], abs=0.02)
        assert begin <= trial.track.start + item.events.chest / trial.track.rate < begin + 0.15


def test_a_smooth_lift_has_no_sticking_region_and_says_so(skeleton, truth):
    press = BenchPress(
        load_mass=LOAD,
        spacing=Profile.constant(0.6),
        tuck=Profile.constant(1.1),
        tilt=Profile.constant(0.0),
    )
    smooth = invent_press(press, skeleton, Tempo(dip=0.0))
    trial = process_trial(recorded(smooth), skeleton, load=LOAD)
    events = trial.repetitions[0].events
    assert not events.has_sticking_region
    assert events.minimum is None
    assert "no sticking region" in events.note


def test_without_forces_the_load_counts(truth, skeleton):
    full = recorded(truth)
    channels = {r: c for r, c in full.channels.items() if not r.endswith("force")}
    trial = process_trial(replace(full, channels=channels), skeleton, load=LOAD, trunk_angle=BENCH)
    item = trial.repetitions[0]
    assert item.measured.lateral is None
    assert check(trial, "force balance").verdict == "not possible"
    need = demand(skeleton, item.measured.lift)
    want = true_at(truth, trial, item, truth.demand.moments(0.0))
    assert np.abs(need.moments() - want).max() < 0.1


def test_only_the_other_hand_measured_is_taken_in_the_mirror(truth, skeleton):
    full = recorded(truth)
    channels = {r: c for r, c in full.channels.items() if r != "right_hand_force"}
    trial = process_trial(replace(full, channels=channels), skeleton, load=LOAD, trunk_angle=BENCH)
    item = trial.repetitions[0]
    want = true_at(truth, trial, item, truth.moments)
    assert np.abs(moments_of(skeleton, item) - want).max() < 0.1


def test_a_vertical_force_alone_leaves_the_ratio_open(truth, skeleton):
    full = recorded(truth)
    channels = dict(full.channels)
    for side in ("right", "left"):
        values = channels[f"{side}_hand_force"].values.copy()
        values[:, [0, 2]] = np.nan
        channels[f"{side}_hand_force"] = replace(channels[f"{side}_hand_force"], values=values)
    trial = process_trial(replace(full, channels=channels), skeleton, load=LOAD, trunk_angle=BENCH)
    item = trial.repetitions[0]
    assert item.measured.lateral is None
    assert np.isnan(item.measured.push).all()
    assert check(trial, "lateral forces cancel").verdict == "not possible"


def angles_only(truth):
    angles = truth.lift.posture.angles()
    return Recording(
        source="angles.csv",
        digest="",
        channels={
            f"right_{name}": Channel(label=name, values=values.copy(), rate=truth.rate, unit="rad")
            for name, values in angles.items()
        },
    )


def test_joint_angles_serve_in_place_of_landmarks(truth, skeleton):
    trial = process_trial(angles_only(truth), skeleton, load=LOAD, trunk_angle=BENCH)
    item = trial.repetitions[0]
    want = true_at(truth, trial, item, truth.demand.moments(0.0))
    # Filtered angles bend most near lock-out, where the elbow opens fast for little height:
    # about one per cent of the peak there, less elsewhere.
    off = np.abs(demand(skeleton, item.measured.lift).moments() - want)
    assert off.max() < 1.0
    assert off[:80].max() < 0.2
    assert any("joint angles" in note for note in trial.record["notes"])


def test_fewer_landmarks_are_filled_in_from_the_person_and_said(truth, skeleton):
    full = recorded(truth)
    less = {
        r: c
        for r, c in full.channels.items()
        if r not in {"c7", "t8", "px", "right_gh", "right_grip", "bar_right", "bar_left"}
    }
    track = track_arm(replace(full, channels=less), skeleton, trunk_angle=BENCH)
    assert np.abs(track.hand + truth.lift.shoulder - truth.lift.hand).max() < 1e-9
    text = " ".join(track.notes)
    assert "jugular notch" in text
    assert "grip" in text
    assert "trunk" in text


def test_missing_landmarks_are_named(truth, skeleton):
    full = recorded(truth)
    less = {r: c for r, c in full.channels.items() if r != "right_em"}
    with pytest.raises(InputError, match="right_em"):
        track_arm(replace(full, channels=less), skeleton)


@pytest.mark.parametrize("angle", [0.0, 0.3, np.pi / 2])
def test_the_still_trunk_has_the_vertical_of_the_bench(angle):
    rotation = trunk_rotation(angle)
    assert rotation @ rotation.T == pytest.approx(np.eye(3))
    assert np.linalg.det(rotation) == pytest.approx(1.0)
    up = rotation.T @ [0.0, 1.0, 0.0]
    assert up == pytest.approx([np.cos(angle), np.sin(angle), 0.0])
    face_down = trunk_rotation(angle, face_down=True)
    assert np.linalg.det(face_down) == pytest.approx(1.0)
    assert pytest.approx([-np.cos(angle), np.sin(angle), 0.0]) == face_down.T @ [0.0, 1.0, 0.0]


# ------------------------------------------------------------------ checks


def scaled(recording, roles, factor):
    channels = dict(recording.channels)
    for role in roles:
        channels[role] = replace(channels[role], values=channels[role].values * factor)
    return replace(recording, channels=channels)


HANDS = ("right_hand_force", "left_hand_force")


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1.0 / 9.80665, "kilograms"), (0.5, "counted twice"), (1.0 / 0.4536, "pounds")],
)
def test_a_slip_of_units_fails_the_force_balance_and_is_named(truth, skeleton, factor, words):
    wrong = scaled(recorded(truth), HANDS, factor)
    trial = process_trial(wrong, skeleton, load=LOAD, trunk_angle=BENCH)
    found = check(trial, "force balance")
    assert found.verdict == "fail"
    assert words in found.note
    assert trial.verdict == "fail"


def test_unequal_hands_are_seen(truth, skeleton):
    trial = processed(truth, skeleton, Imperfections(asymmetry=0.04))
    found = check(trial, "left against right")
    assert found.value == pytest.approx(16.0, rel=1e-3)  # (1.08 − 0.92) of the mean
    assert found.verdict == "warn"
    assert check(trial, "moment balance of the bar").value > LIMITS["moment balance of the bar"][0]
    assert check(trial, "force balance").verdict == "pass"


def test_a_late_force_clock_is_measured(truth, skeleton):
    trial = processed(truth, skeleton, Imperfections(force_delay=0.045))
    found = check(trial, "synchrony")
    assert found.value == pytest.approx(45.0, abs=3.0)
    assert found.verdict == "fail"
    assert "later" in found.note


def test_a_stated_offset_puts_it_right(truth, skeleton):
    late = recorded(truth, Imperfections(force_delay=0.045))
    channels = {
        r: replace(c, start=c.start - 0.045) if r in HANDS else c for r, c in late.channels.items()
    }
    trial = process_trial(replace(late, channels=channels), skeleton, load=LOAD, trunk_angle=BENCH)
    assert check(trial, "synchrony").verdict == "pass"
    item = trial.repetitions[0]
    want = true_at(truth, trial, item, truth.moments)
    assert np.abs(moments_of(skeleton, item) - want).max() < 0.2


def test_a_sliding_landmark_changes_the_length_of_the_arm(truth, skeleton):
    full = recorded(truth)
    channels = dict(full.channels)
    slide = (
        0.06 * np.clip(truth.lift.fraction, 0.0, 1.0)[:, None] * truth.lift.posture.humerus[..., 1]
    )
    world = slide @ trunk_rotation(BENCH).T
    for role in ("right_el", "right_em"):
        channels[role] = replace(channels[role], values=channels[role].values + world)
    trial = process_trial(replace(full, channels=channels), skeleton, load=LOAD, trunk_angle=BENCH)
    assert check(trial, "upper arm constant").verdict == "fail"


def test_marker_noise_is_measured(truth, skeleton):
    trial = processed(truth, skeleton, Imperfections(marker_noise=0.003))
    found = check(trial, "marker noise")
    assert found.value == pytest.approx(3.0, rel=0.15)
    assert found.verdict == "warn"


def test_worst_verdict_counts_what_was_possible(truth, skeleton):
    trial = processed(truth, skeleton)
    assert worst_verdict(trial.checks) == "pass"
    assert worst_verdict(()) == "not possible"


# ------------------------------------------------------------------ gaps and clocks


def test_a_gap_in_the_lift_refuses_the_repetition_unless_filled(truth, skeleton):
    faults = Imperfections(gap=(2.9, 2.95))
    open_gap = processed(truth, skeleton, faults, Processing(fill_gaps=0.0))
    assert [item.number for item in open_gap.repetitions] == [2]
    assert "repetition 1" in open_gap.refused[0]
    assert "fill_gaps_s" in open_gap.refused[0]
    assert "(right_el lacks 0.05 s from 2.90 s on)" in open_gap.refused[0]
    filled = processed(truth, skeleton, faults, Processing(fill_gaps=0.1))
    assert [item.number for item in filled.repetitions] == [1, 2]
    assert any("right_el" in text for text in filled.record["filled_gaps"])
    want = true_at(truth, filled, filled.repetitions[0], truth.moments)
    assert np.abs(moments_of(skeleton, filled.repetitions[0]) - want).max() < 0.3


def test_clocks_without_common_time_are_refused(truth, skeleton):
    full = recorded(truth)
    channels = {r: replace(c, start=60.0) if r in HANDS else c for r, c in full.channels.items()}
    with pytest.raises(InputError, match="no time in common"):
        process_trial(replace(full, channels=channels), skeleton, load=LOAD)


def test_residual_analysis_chooses_a_cutoff_and_records_it(truth, skeleton):
    trial = processed(
        truth, skeleton, Imperfections(marker_noise=0.001), Processing(cutoff="residual")
    )
    record = trial.record["filter"]
    assert record["chosen_by"] == "residual analysis"
    assert 2.0 < record["landmarks_hz"] < 15.0
    assert len(record["residual_analysis"]) > 10


def test_forces_pressing_the_wrong_way_are_refused(truth, skeleton):
    wrong = scaled(recorded(truth), HANDS, -1.0)
    trial = process_trial(wrong, skeleton, load=LOAD, trunk_angle=BENCH)
    assert trial.repetitions == ()
    assert "sign" in trial.refused[0]


def test_still_recording_has_no_repetition(skeleton):
    still = posture_from_angles(elevation=np.full(400, 1.0), elbow_flexion=np.full(400, 1.0))
    channels = {
        f"right_{name}": Channel(label=name, values=values.copy(), rate=100.0, unit="rad")
        for name, values in still.angles().items()
    }
    recording = Recording(source="still.csv", digest="", channels=channels)
    with pytest.raises(InputError, match=r"still\.csv: no repetition"):
        process_trial(recording, skeleton, load=10.0)


def test_repetitions_asked_for_must_be_there(truth, skeleton):
    with pytest.raises(InputError, match="3 asked for, 2 found"):
        processed(truth, skeleton, repetitions=[3])
    only = processed(truth, skeleton, repetitions=[2])
    assert [item.number for item in only.repetitions] == [2]


# ------------------------------------------------------------------ other implements


def landmarks_in_room(lift, skeleton, shoulder, room):
    """Landmarks of the right arm and the trunk from a lift, world frame."""
    count = len(lift.fraction)
    flexion = lift.posture.elbow_flexion
    ulna = lift.posture.humerus @ rotation_about(np.array([0.0, 0.0, 1.0]), flexion)
    turn = lift.posture.forearm_rotation[:, None]
    thumb = np.cos(turn) * ulna[..., :, 2] + np.sin(turn) * ulna[..., :, 0]
    wrist = lift.elbow - skeleton.sizes.forearm_length * ulna[..., :, 1]
    z = lift.posture.humerus[..., :, 2]
    inside = {
        "ij": np.zeros((count, 3)),
        "c7": np.tile([-0.14, 0.06, 0.0], (count, 1)),
        "px": np.tile([0.04, -0.17, 0.0], (count, 1)),
        "t8": np.tile([-0.18, -0.165, 0.0], (count, 1)),
        "right_gh": lift.shoulder,
        "right_el": lift.elbow + 0.04 * z,
        "right_em": lift.elbow - 0.04 * z,
        "right_rs": wrist + 0.03 * thumb,
        "right_us": wrist - 0.03 * thumb,
        "right_grip": lift.hand,
    }
    return {role: shoulder + (p - lift.shoulder) @ room.T for role, p in inside.items()}


def still_ends(values, count):
    """Rest before and after."""
    return np.concatenate(
        [np.repeat(values[:1], count, 0), values, np.repeat(values[-1:], count, 0)]
    )


def test_a_push_up_on_force_plates_with_a_moving_trunk(skeleton):
    push_up = PushUp(
        spacing=Profile.constant(0.6),
        tuck=Profile.constant(1.0),
        tilt=Profile.constant(0.0),
        body_angle=0.1,
        duration=1.5,
        frames=301,
    )
    lift = push_up.lift(skeleton)
    want = demand(skeleton, lift)
    rate = 200.0
    room = trunk_rotation(0.1, face_down=True)
    assert pytest.approx(lift.up) == room.T @ [0.0, 1.0, 0.0]
    shoulder = -(lift.hand - lift.shoulder) @ room.T  # the hand is the origin
    points = landmarks_in_room(lift, skeleton, shoulder, room)
    force = lift.load_mass * lift.load_force @ room.T
    channels = {
        role: Channel(label=role, values=still_ends(p, 100), rate=rate, unit="m")
        for role, p in points.items()
    }
    channels["right_hand_force"] = Channel(
        label="plate", values=still_ends(force, 100), rate=rate, unit="N"
    )
    recording = Recording(source="push_up", digest="", channels=channels)
    trial = process_trial(recording, skeleton, ground=True)
    assert check(trial, "force balance").verdict == "not possible"
    assert trial.refused == ()
    item = trial.repetitions[0]
    time = trial.track.start + item.positions / rate - 0.5
    truth = want.moments(0.0)
    expected = np.stack([np.interp(time, lift.time, column) for column in truth.T], axis=-1)
    found = demand(skeleton, item.measured.lift)
    push = np.array(item.measured.lateral.ratio) * found.hand_force()
    assert np.abs(push).max() < 0.5
    # Peaks are about 100 N·m; the ends of the ascent are quickest, where the filter shows.
    assert np.abs(found.moments(push) - expected).max() < 1.5
    assert np.abs(found.moments(push) - expected)[20:-20].max() < 0.5


def test_dumbbells_have_no_lateral_force(skeleton):
    press = BenchPress(
        load_mass=40.0,
        spacing=Profile(((0.0, 0.7), (1.0, 0.45))),
        tuck=Profile.constant(1.1),
        tilt=Profile.constant(0.0),
        implement="dumbbells",
    )
    truth = invent_press(press, skeleton, Tempo())
    full = recorded(truth)
    channels = {r: c for r, c in full.channels.items() if not r.endswith("force")}
    trial = process_trial(replace(full, channels=channels), skeleton, load=40.0, one_bar=False)
    item = trial.repetitions[0]
    assert item.measured.lateral is None
    assert not item.measured.lift.lateral_free
    assert check(trial, "lateral forces cancel").verdict == "not possible"
    found = demand(skeleton, item.measured.lift).moments()
    assert np.abs(found - true_at(truth, trial, item, truth.moments)).max() < 0.15
