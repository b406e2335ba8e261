"""What lifters add to the course of the girdle in a trial: seen, stated, or of habit."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from momentshare.cohort.measured import trial_processing
from momentshare.cohort.schema import MeasuredCondition
from momentshare.errors import InputError
from momentshare.exercise import BenchPress, OverheadPress, Profile
from momentshare.girdle import girdle_pose
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import build_skeleton
from momentshare.trial.invent import Imperfections, Tempo, invent_press, recorded
from momentshare.trial.motion.girdle import StatedGirdle, seen_girdle
from momentshare.trial.motion.upper_arm import ACROMION_LANDMARK
from momentshare.trial.motion.ways import Ways
from momentshare.trial.process import Processing, process_trial

DEGREE = np.pi / 180
MODEL = load_model()
EIR = Person(name="Eir", sex="female", stature=1.69, body_mass=64.0, training_factor=1.3)
MOVED = Profile(((0.0, -12 * DEGREE), (1.0, 6 * DEGREE)))
RAISED = Profile.constant(7 * DEGREE)


@pytest.fixture(scope="module")
def skeleton():
    return build_skeleton(EIR, MODEL)


def bench(**changes):
    return BenchPress(load_mass=30.0, spacing=Profile.constant(0.52), **changes)


def truth_of(skeleton, **changes):
    return invent_press(bench(**changes), skeleton, Tempo(), rate=100.0)


@pytest.fixture(scope="module")
def truth(skeleton):
    return truth_of(skeleton, protraction=MOVED, shrug=RAISED)


def acromion(truth):
    """Acromion of the lifter in the thorax frame."""
    pose = girdle_pose(truth.skeleton.girdle, truth.lift.posture)
    return pose.joint + pose.scapula @ truth.skeleton.site[ACROMION_LANDMARK]


def seen(truth, landmark="gh", **faults):
    """Recording that shows the joint centre, the acromion or none of both."""
    found = recorded(truth, Imperfections(**faults))
    channels = dict(found.channels)
    joint = channels.pop("right_gh")
    if landmark == "gh":
        return found
    if landmark == "acromion":
        shift = acromion(truth) - truth.lift.shoulder  # the trunk lies still
        room = joint.values + shift @ trunk_axes(found).T
        channels["right_acromion"] = replace(joint, values=room)
    return replace(found, channels=channels)


def trunk_axes(recording):
    """Rotation from thorax to room of a trunk that lies still."""
    at = {k: recording.channels[k].values[0] for k in ("ij", "c7", "px", "t8")}
    low = 0.5 * (at["px"] + at["t8"])
    y = 0.5 * (at["ij"] + at["c7"]) - low
    y /= np.linalg.norm(y)
    z = np.cross(at["ij"] - low, at["c7"] - low)
    z -= (z @ y) * y
    z /= np.linalg.norm(z)
    return np.stack([np.cross(y, z), y, z], axis=-1)


def added(trial):
    return trial.repetitions[0].measured.lift.posture.girdle


def wanted(trial):
    """What the lifter of the recording adds in the frames of the repetition."""
    fraction = trial.repetitions[0].measured.lift.fraction
    return np.stack([MOVED(fraction), RAISED(fraction)], axis=-1)


@pytest.mark.parametrize("landmark", ["gh", "acromion"])
def test_landmarks_show_what_the_lifter_adds(truth, skeleton, landmark):
    trial = process_trial(seen(truth, landmark), skeleton, load=30.0)
    assert trial.track.placed["girdle"].way == "landmarks"
    np.testing.assert_allclose(added(trial), wanted(trial), atol=0.15 * DEGREE)
    rate = trial.repetitions[0].measured.lift.motion.girdle_velocity
    lift = trial.repetitions[0].measured.lift
    between = np.gradient(lift.posture.girdle, lift.time, axis=0)
    np.testing.assert_allclose(rate[2:-2], between[2:-2], atol=0.02)
    assert np.abs(rate).max() > 0.1
    told = trial.record["places"]["girdle"]
    mean = np.degrees(trial.track.posture.girdle.mean(axis=0))
    np.testing.assert_allclose([told["protraction_deg"], told["elevation_deg"]], mean, atol=1e-9)
    assert not any("girdle" in note for note in trial.record["notes"])


def test_noise_of_a_laboratory_leaves_a_degree(truth, skeleton):
    trial = process_trial(seen(truth, marker_noise=0.001), skeleton, load=30.0)
    assert np.abs(added(trial) - wanted(trial)).max() < 1.0 * DEGREE


def test_the_girdle_seen_is_the_nearest_one(skeleton):
    """Against a general least-squares solver, for places that no girdle reaches exactly."""
    rng = np.random.default_rng(4)
    posture = posture_from_angles(
        plane=rng.uniform(0, 1.2, 12), elevation=rng.uniform(0.2, 1.8, 12)
    )
    place = girdle_pose(skeleton.girdle, posture).joint + 0.012 * rng.standard_normal((12, 3))
    found = seen_girdle(skeleton, posture, place)

    def off(values, k):
        one = replace(posture[k : k + 1], girdle=np.asarray(values)[None])
        return girdle_pose(skeleton.girdle, one).joint[0] - place[k]

    for k in range(12):
        best = least_squares(off, np.zeros(2), args=(k,), xtol=1e-14, ftol=1e-14, gtol=1e-14)
        np.testing.assert_allclose(found[k], best.x, atol=1e-6)


def test_a_place_out_of_reach_is_held_and_said(truth, skeleton):
    far = seen(truth)
    moved = replace(
        far.channels["right_gh"],
        values=far.channels["right_gh"].values + np.array([0.0, 0.12, 0.0]),  # up: forward here
    )
    trial = process_trial(
        replace(far, channels={**far.channels, "right_gh": moved}), skeleton, load=30.0
    )
    assert added(trial)[:, 0].max() == pytest.approx(25 * DEGREE)
    (note,) = [n for n in trial.record["notes"] if n.startswith("girdle")]
    assert "more than a lifter can add" in note


# ------------------------------------------------------------------ stated


STATED = StatedGirdle(protraction=MOVED, shrug=RAISED)


def test_what_is_stated_counts_where_nothing_is_seen(truth, skeleton):
    settings = Processing(girdle=STATED)
    trial = process_trial(seen(truth, "none"), skeleton, settings, load=30.0)
    assert trial.track.placed["girdle"].way == "condition"
    np.testing.assert_allclose(added(trial), wanted(trial), atol=0.05 * DEGREE)
    left = process_trial(
        seen(truth), skeleton, Processing(girdle=STATED, ways=Ways(girdle="condition")), load=30.0
    )
    np.testing.assert_allclose(added(left), wanted(left), atol=0.05 * DEGREE)


def test_landmarks_go_before_what_is_stated_and_the_record_says_so(truth, skeleton):
    other = StatedGirdle(protraction=Profile.constant(0.3))
    trial = process_trial(seen(truth), skeleton, Processing(girdle=other), load=30.0)
    np.testing.assert_allclose(added(trial), wanted(trial), atol=0.15 * DEGREE)
    assert any("what the condition states does not count" in n for n in trial.record["notes"])


def test_a_press_on_a_bench_is_retracted_as_a_planned_one_is(skeleton):
    truth = truth_of(skeleton)
    trial = process_trial(seen(truth, "none"), skeleton, load=30.0)
    planned = bench(frames=len(added(trial))).lift(skeleton)
    np.testing.assert_allclose(added(trial), planned.posture.girdle, atol=1e-12)
    overhead = OverheadPress(
        load_mass=10.0,
        spacing=Profile.constant(0.5),
        plane=Profile.constant(0.8),
        tilt=Profile.constant(0.0),
    ).lift(skeleton)
    np.testing.assert_array_equal(overhead.posture.girdle, 0.0)
    for trunk, ground in ((np.pi / 2, False), (0.0, True)):
        found = StatedGirdle().on(skeleton, trunk_angle=trunk, ground=ground)
        np.testing.assert_array_equal(found.at(np.linspace(0, 1, 5)), 0.0)


def test_a_joint_placed_by_sizes_goes_with_the_retraction(skeleton):
    truth = truth_of(skeleton)
    trial = process_trial(seen(truth, "none"), skeleton, load=30.0)
    free = process_trial(
        seen(truth, "none"),
        skeleton,
        Processing(girdle=StatedGirdle(protraction=Profile.constant(0.0))),
        load=30.0,
    )

    def error(found):
        joint = found.track.shoulder - found.track.notch
        inside = np.einsum("nji,nj->ni", found.track.trunk, joint)
        return np.abs(inside - truth.lift.shoulder[: len(inside)]).max()

    assert error(trial) < 0.002
    assert error(free) > 0.008


def test_a_condition_s_fields_become_profiles_of_the_trial():
    from momentshare.cohort.schema import CohortFile

    condition = MeasuredCondition(
        name="x", protraction_deg=[(0.0, -10.0), (1.0, 5.0)], shrug_deg=3.0
    )
    file = CohortFile.model_construct()
    given = trial_processing(file, None, condition).girdle
    np.testing.assert_allclose(
        given.at(np.array([0.0, 1.0])), np.radians([[-10.0, 3.0], [5.0, 3.0]])
    )
    assert trial_processing(file, None, MeasuredCondition(name="y")).girdle == StatedGirdle()
    with pytest.raises(ValueError, match="protraction must lie in -20 to 25 degrees"):
        MeasuredCondition(name="z", protraction_deg=40.0)


def test_a_girdle_that_is_held_takes_nothing_up(truth):
    held = build_limb(EIR, MODEL, scapula="pressing").skeleton
    trial = process_trial(seen(truth), held, load=30.0)
    assert trial.track.placed["girdle"].way == "condition"
    with pytest.raises(InputError, match="'landmarks' needs a girdle that moves"):
        process_trial(seen(truth), held, Processing(ways=Ways(girdle="landmarks")), load=30.0)


@pytest.mark.parametrize("landmark", ["gh", "acromion"])
def test_other_ways_change_the_same_whatever_the_girdle_shows(truth, skeleton, landmark):
    """Moments are those of the arm, so what the girdle adds moves none of them."""
    shown, stated = (
        process_trial(
            seen(truth, landmark), skeleton, Processing(ways=Ways(girdle=way)), load=30.0
        ).others
        for way in ("landmarks", "condition")
    )
    assert any(item.place == "trunk" for item in shown)
    assert [(i.place, i.other, i.row) for i in shown] == [(i.place, i.other, i.row) for i in stated]
    for name in ("mean_change", "rms_change"):
        mine, theirs = ([getattr(item, name) for item in each] for each in (shown, stated))
        assert np.nanmax(np.abs(mine)) > 0.1
        np.testing.assert_allclose(mine, theirs, atol=1e-9)
