"""Skin markers at a bench against a body and an inverse dynamics that are not the library's.

The limits are the aim for such data: 3 N·m root mean square (over people, grips and repetitions) in
elevation, horizontal adduction and elbow extension, and contrasts of grips within 2.5 N·m. A static
trial measures the slope of the sternum, which the lift alone does not show; without one that slope
is assumed and its spread of 4 degrees between people costs elevation a newton metre.
"""

from dataclasses import replace

import numpy as np
import pytest
from tests import bench_lab

from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton
from momentshare.trial.motion.others import net_moments
from momentshare.trial.motion.static import read_calibration
from momentshare.trial.motion.ways import Ways
from momentshare.trial.process import Processing, process_trial
from momentshare.trial.recording import mirrored

ROWS = ("internal rotation", "elevation", "horizontal adduction", "elbow extension")
PEOPLE = 8


def skeleton_of(lifter):
    person = Person(name=lifter.name, sex=lifter.sex, stature=lifter.stature, body_mass=lifter.mass)
    return build_skeleton(person, load_model())


def off_truth(truth, trial, skeleton, late=0.0):
    """Moments less truth, frame by frame; one array a repetition."""
    found = []
    for item in trial.repetitions:
        time = trial.track.start + item.positions / trial.track.rate - late
        want = np.stack([np.interp(time, truth.time, m) for m in truth.moments.T], axis=-1)
        found.append(net_moments(skeleton, item.measured) - want)
    return found


LATE = 12.34


def copied(seen):
    """The recording mirrored, in a room that is turned, on a clock that began earlier."""
    return bench_lab.later(bench_lab.turned_room(mirrored(seen), 0.6), LATE)


def measured(settings=None, *, static=False, copy=False):
    """Errors by person and grip, and the trials; of the right arm, or of a copy's left."""
    side, late = ("left", LATE) if copy else ("right", 0.0)
    errors, trials = {}, []
    for k, lifter in enumerate(bench_lab.lifters(PEOPLE, 0)):
        skeleton = skeleton_of(lifter)
        told = read_calibration(bench_lab.standing(lifter, k), skeleton) if static else None
        for c, grip in enumerate(bench_lab.GRIPS):
            truth = bench_lab.press(lifter, grip, 100 * k + c)
            seen = bench_lab.seen(truth, 100 * k + c)
            trial = process_trial(
                copied(seen) if copy else seen,
                skeleton,
                settings,
                load=lifter.load,
                calibration=told,
                side=side,
            )
            trials.append(trial)
            errors[k, grip] = off_truth(truth, trial, skeleton, late)
    return errors, trials


def rms(errors):
    return np.sqrt(np.mean(np.concatenate([e for part in errors.values() for e in part]) ** 2, 0))


def contrast_error(errors):
    """Greatest error of a difference between two grips, mean over people."""
    means = np.array(
        [
            np.mean([np.mean([e.mean(0) for e in errors[k, g]], 0) for k in range(PEOPLE)], 0)
            for g in bench_lab.GRIPS
        ]
    )
    return np.ptp(means, axis=0)


@pytest.fixture(scope="module")
def by_default():
    return measured()


def test_every_repetition_counts_and_no_check_fails(by_default):
    errors, trials = by_default
    assert sum(len(part) for part in errors.values()) == PEOPLE * len(bench_lab.GRIPS) * 3
    failed = [(c.name, c.value) for t in trials for c in t.checks if c.verdict == "fail"]
    assert failed == []


def test_moments_with_the_defaults(by_default):
    found = rms(by_default[0])
    assert found[1:].max() < 3.0, dict(zip(ROWS, found.round(2), strict=True))
    assert found[0] < 1.5  # the aim is 1; skin at the elbow alone is worth 0.8


def test_contrasts_between_grips(by_default):
    assert contrast_error(by_default[0]).max() < 2.5


def test_contrasts_between_grips_on_a_copy(by_default):
    """Mirrored, turned and later at once: the same moments, so the same contrasts."""
    errors, trials = measured(copy=True)
    assert [c.name for t in trials for c in t.checks if c.verdict == "fail"] == []
    assert contrast_error(errors).max() < 2.5
    for place, parts in by_default[0].items():
        for one, other in zip(parts, errors[place], strict=True):
            assert np.abs(one - other).max() < 1e-4


def test_moments_with_a_static_trial():
    assert rms(measured(static=True)[0])[1:].max() < 3.0


def test_a_static_trial_measures_the_sternum(by_default):
    errors, _ = measured(static=True)
    found = rms(errors)
    assert found[1] < rms(by_default[0])[1]
    for k, lifter in enumerate(bench_lab.lifters(PEOPLE, 0)):
        told = read_calibration(bench_lab.standing(lifter, k), skeleton_of(lifter))
        # 3 mm of skin on four landmarks that lie 17 to 25 cm apart.
        assert abs(np.degrees(told.sternum_slope - lifter.sternum_angle)) < 3.0


@pytest.mark.parametrize(
    ("ways", "row"),
    [
        (Ways(trunk="condition"), "elevation"),
        (Ways(joint_centre="trunk"), "horizontal adduction"),
        (Ways(grip="landmark"), "elbow extension"),
    ],
)
def test_other_ways_are_worse_here_and_what_they_change_is_told(by_default, ways, row):
    errors, trials = measured(Processing(ways=ways))
    k = ROWS.index(row)
    assert rms(errors)[k] > rms(by_default[0])[k] + 0.5
    place = next(p for p in ("trunk", "joint_centre", "grip") if getattr(ways, p) != "auto")
    told = [
        item.rms_change
        for trial in by_default[1]
        for item in trial.others
        if (item.place, item.other) == (place, getattr(ways, place)) and row.split()[-1] in item.row
    ]
    assert len(told) == len(trials)
    assert np.sqrt(np.mean(np.square(told))) > 1.5


def one():
    lifter = bench_lab.lifters(1, 3)[0]
    truth = bench_lab.press(lifter, "wide", 5)
    return lifter, truth, bench_lab.seen(truth, 5), skeleton_of(lifter)


def all_moments(trial, skeleton):
    return np.concatenate([net_moments(skeleton, item.measured) for item in trial.repetitions])


def test_a_mirrored_copy_gives_the_same_moments():
    lifter, _, seen, skeleton = one()
    right = process_trial(seen, skeleton, load=lifter.load)
    left = process_trial(mirrored(seen), skeleton, load=lifter.load, side="left")
    assert np.array_equal(all_moments(right, skeleton), all_moments(left, skeleton))


def test_a_copy_in_a_room_that_is_turned():
    """Only trunk and bar are seen, so the room's horizontal directions do not matter."""
    lifter, _, seen, skeleton = one()
    plain = process_trial(seen, skeleton, load=lifter.load)
    turned = process_trial(bench_lab.turned_room(seen, 0.6), skeleton, load=lifter.load)
    assert np.abs(all_moments(plain, skeleton) - all_moments(turned, skeleton)).max() < 1e-6


def test_a_copy_that_begins_later():
    lifter, _, seen, skeleton = one()
    plain = process_trial(seen, skeleton, load=lifter.load)
    later = process_trial(bench_lab.later(seen, 12.34), skeleton, load=lifter.load)
    assert np.abs(all_moments(plain, skeleton) - all_moments(later, skeleton)).max() < 1e-6
    late = later.record["repetitions"][0]["chest_s"] - plain.record["repetitions"][0]["chest_s"]
    assert late == pytest.approx(12.34, abs=1e-3)


def test_a_functional_trial_tells_the_joint_centre():
    """The arm goes round; the offset comes nearer to the truth than the person's sizes."""
    lifter = replace(bench_lab.lifters(1, 3)[0], joint=np.array([0.008, -0.052, -0.016]))
    skeleton = skeleton_of(lifter)
    trial = bench_lab.circling(lifter, 4)
    told = read_calibration(trial, skeleton)
    from momentshare.trial.motion.joint_centre import acromion_to_joint

    at = {role: channel.values for role, channel in trial.channels.items()}
    elbow = 0.5 * (at["right_el"] + at["right_em"]) - at["right_acromion"]
    before = np.linalg.norm(acromion_to_joint(skeleton, elbow) - lifter.joint)
    after = np.linalg.norm(told.joint_offset - lifter.joint)
    assert after < 0.7 * before


def test_a_way_that_needs_what_was_not_recorded_is_refused():
    from momentshare.errors import InputError

    lifter, _, seen, skeleton = one()
    with pytest.raises(InputError, match="possible here: acromion, trunk"):
        process_trial(
            seen, skeleton, Processing(ways=Ways(joint_centre="landmark")), load=lifter.load
        )
    with pytest.raises(InputError, match="grip: must be one of auto"):
        Ways(grip="thumb")
