"""Skin markers at a bench against a body and an inverse dynamics that are not the library's.

The limits are the aim for such data: root mean square errors (over people, grips and repetitions)
of 1 N·m in internal rotation and 3 N·m in the others, and contrasts of grips within 2.5 N·m. A
person's lifts do not show how much the sternum slopes, and its spread of 4 degrees between people
alone costs elevation 4 N·m; held against the other people it does, but for 2.4 degrees.
"""

from dataclasses import replace

import numpy as np
import pytest
from tests import bench_lab

from momentshare.errors import InputError
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.read import read_recording
from momentshare.trial.motion.girdle import StatedGirdle
from momentshare.trial.motion.others import STEEPER, net_moments
from momentshare.trial.motion.slopes import Lying, estimate_slopes, sternum_lying
from momentshare.trial.motion.static import Calibration, read_calibration
from momentshare.trial.motion.together import arm_paths
from momentshare.trial.motion.trunk import SLOPE_SPREAD, STERNUM_SLOPE
from momentshare.trial.motion.upper_arm import acromion_to_joint, fit_upper_arm
from momentshare.trial.motion.ways import Ways
from momentshare.trial.process import Processing, process_trial
from momentshare.trial.recording import mirrored
from momentshare.uncertainty.measured import turned_lift

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


def compared_slopes(cohort):
    """Slopes of the sternum from how each lies beside the others, as a cohort has them."""
    lying = [
        Lying(person=lifter.name, condition=grip, angle=sternum_lying(recording, 0.0))
        for lifter, seen in cohort
        for grip, recording in zip(bench_lab.GRIPS, seen, strict=True)
    ]
    return estimate_slopes(lying)


def of_person(skeleton, recordings, told, side="right"):
    """What the trials of a person show together, as a cohort has it."""
    paths = [
        path
        for seen in recordings
        for path in arm_paths(seen, skeleton, StatedGirdle(), side=side, calibration=told)
    ]
    return replace(told, upper_arm=fit_upper_arm(paths, skeleton))


def bench_cohort(cohort, repetitions, *, copy=False, arch=0.0):
    """Lifters, what is true of their trials, and what is seen of it.

    ``arch`` is the spread between lifters of what each does in every lift [rad].
    """
    found = []
    habits = arch * np.random.default_rng([cohort, 5]).standard_normal(PEOPLE)
    for k, drawn in enumerate(bench_lab.lifters(PEOPLE, cohort)):
        lifter = replace(drawn, arch=habits[k])
        seeds = [10_000 * cohort + 100 * k + c for c in range(len(bench_lab.GRIPS))]
        pairs = zip(bench_lab.GRIPS, seeds, strict=True)
        truths = [bench_lab.press(lifter, grip, s, repetitions) for grip, s in pairs]
        seen = [bench_lab.seen(truth, s) for truth, s in zip(truths, seeds, strict=True)]
        found.append((lifter, truths, [copied(x) for x in seen] if copy else seen))
    return found


def measured(
    settings=None, *, cohort=0, static=False, compared=True, copy=False, arch=0.0, repetitions=3
):
    """Errors by person and grip, and the trials; of the right arm, or of a copy's left."""
    side, late = ("left", LATE) if copy else ("right", 0.0)
    errors, trials = {}, []
    everyone = bench_cohort(cohort, repetitions, copy=copy, arch=arch)
    slopes = compared_slopes([(lifter, seen) for lifter, _, seen in everyone])
    for k, (lifter, truths, seen) in enumerate(everyone):
        skeleton = skeleton_of(lifter)
        told = Calibration(likely_slope=slopes[lifter.name]) if compared else Calibration()
        if static:
            told = read_calibration(bench_lab.standing(lifter, 1000 * cohort + k), skeleton)
        told = of_person(skeleton, seen, told, side)
        for truth, recording in zip(truths, seen, strict=True):
            trial = process_trial(
                recording, skeleton, settings, load=lifter.load, calibration=told, side=side
            )
            trials.append(trial)
            errors[k, truth.condition] = off_truth(truth, trial, skeleton, late)
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


@pytest.fixture(scope="module")
def assumed():
    """As for one person alone: nobody to hold the sternum against."""
    return measured(compared=False)


@pytest.fixture(scope="module")
def with_static():
    return measured(static=True)


def test_every_repetition_counts_and_no_check_fails(by_default):
    errors, trials = by_default
    assert sum(len(part) for part in errors.values()) == PEOPLE * len(bench_lab.GRIPS) * 3
    failed = [(c.name, c.value) for t in trials for c in t.checks if c.verdict == "fail"]
    assert failed == []


def test_moments_with_the_defaults(by_default):
    found = rms(by_default[0])
    assert found[0] < 1.0, found
    assert found[1:].max() < 3.0, dict(zip(ROWS, found.round(2), strict=True))


def test_elevation_errs_with_an_assumed_slope_and_little_else(assumed):
    """Elevation and horizontal adduction are parts of one moment, divided by the trunk's axis:
    turned by the error of the slope, elevation takes that share of horizontal adduction."""
    errors, _ = assumed
    people = bench_lab.lifters(PEOPLE, 0)
    slopes = np.array([lifter.sternum_angle for lifter in people]) - STERNUM_SLOPE
    found = [np.mean([e[:, 1].mean() for g in bench_lab.GRIPS for e in errors[k, g]])
             for k in range(PEOPLE)]  # fmt: skip
    assert np.corrcoef(slopes, found)[0, 1] ** 2 > 0.8


def test_slopes_held_against_each_other_come_nearer_and_say_how_near(by_default):
    """The stated spread is that of the slopes from their truth, for arches that differ or not."""
    assert by_default[1][0].slope_spread > 0.0
    off, stated, prior = [], [], []
    for cohort in range(600, 640):
        everyone = bench_cohort(cohort, 1)
        slopes = compared_slopes([(lifter, seen) for lifter, _, seen in everyone])
        for lifter, _, _ in everyone:
            found = slopes[lifter.name]
            off.append(found.angle - lifter.sternum_angle)
            prior.append(STERNUM_SLOPE - lifter.sternum_angle)
            stated.append(found.spread)
    off, stated, prior = (np.degrees(np.sqrt(np.mean(np.square(v)))) for v in (off, stated, prior))
    assert prior == pytest.approx(4.1, abs=0.4)  # 4 degrees about a mean of 15, not 16
    assert off < 0.7 * prior
    # It allows for sternums that differ by 5 degrees and for arches; here there is less of both.
    assert off < stated < 0.7 * np.degrees(SLOPE_SPREAD)


def test_what_an_assumed_slope_may_cost_is_told(assumed, with_static):
    """A sternum steeper by its spread is told beside the other ways, unless it was measured."""
    errors, trials = assumed
    told = [o for t in trials for o in t.others if o.other == STEEPER and "elevation" in o.row]
    assert len(told) == len(trials)
    size = np.sqrt(np.mean([o.rms_change**2 for o in told]))
    people = bench_lab.lifters(PEOPLE, 0)
    off = np.array([lifter.sternum_angle for lifter in people]) - STERNUM_SLOPE
    share = np.sqrt(np.mean(off**2)) / SLOPE_SPREAD
    # What is left of the error once the slope's part is taken off is what a static trial leaves.
    rest = rms(errors)[1] ** 2 - (share * size) ** 2
    assert abs(rest) < rms(with_static[0])[1] ** 2 + 1.0
    assert not [o for t in with_static[1] for o in t.others if o.other == STEEPER]


def test_draws_turn_a_lift_as_a_steeper_sternum_does(by_default, with_static):
    """Uncertainty turns what was measured; tracking again with another slope says how far."""
    _, trials = by_default
    assert max(t.slope_spread for t in trials) < 0.8 * SLOPE_SPREAD
    assert {t.slope_spread for t in with_static[1]} == {0.0}
    first = trials[:: len(bench_lab.GRIPS)]
    for trial, lifter in zip(first, bench_lab.lifters(PEOPLE, 0), strict=True):
        skeleton, spread = skeleton_of(lifter), trial.slope_spread
        turns = {"plane": 0.0, "elevation": 0.0, "axial": 0.0}
        before, after = [], []
        for item in trial.repetitions:
            lift = turned_lift(item.measured.lift, skeleton.girdle, pitch=spread, **turns)
            before.append(net_moments(skeleton, item.measured))
            after.append(net_moments(skeleton, replace(item.measured, lift=lift)))
        change = np.mean(np.concatenate(after) - np.concatenate(before), axis=0)
        wanted = np.array([o.mean_change for o in trial.others if o.other == STEEPER])
        assert abs(wanted[1]) > 1.0  # elevation
        # The joint centre below the acromion turns with the trunk, too, by a few millimetres.
        assert np.abs(change - wanted).max() < 1.0, (change, wanted)


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


def test_moments_with_a_static_trial(with_static):
    found = rms(with_static[0])
    assert found[0] < 1.0, found
    assert found[1:].max() < 3.0, found


@pytest.mark.slow
@pytest.mark.parametrize("cohort", [71, 72, 73])
def test_people_that_nothing_was_chosen_on(cohort):
    """Three more draws of people and skin; one repetition each."""
    errors, trials = measured(cohort=cohort, static=True, repetitions=1)
    assert [(c.name, c.value) for t in trials for c in t.checks if c.verdict == "fail"] == []
    found = rms(errors)
    assert found[0] < 1.0, found
    assert found[1:].max() < 3.0, found
    errors = measured(cohort=cohort, repetitions=1)[0]
    assert rms(errors).max() < 3.0, rms(errors)
    assert rms(errors)[0] < 1.0
    assert contrast_error(errors).max() < 2.5


def test_a_static_trial_measures_the_sternum(by_default, with_static):
    found = rms(with_static[0])
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
    at = {role: channel.values for role, channel in trial.channels.items()}
    elbow = 0.5 * (at["right_el"] + at["right_em"]) - at["right_acromion"]
    before = np.linalg.norm(acromion_to_joint(skeleton, elbow) - lifter.joint)
    after = np.linalg.norm(told.joint_offset - lifter.joint)
    assert after < 0.7 * before


def test_trials_together_tell_the_joint_centre_better_than_one():
    """Over the grips of a person the arm points in more directions than in one."""
    apart, together = [], []
    for k, lifter in enumerate(bench_lab.lifters(6, 5)):
        skeleton = skeleton_of(lifter)
        told = Calibration(sternum_slope=lifter.sternum_angle)
        seen = [
            bench_lab.seen(bench_lab.press(lifter, grip, 50 * k + c, 1), 50 * k + c)
            for c, grip in enumerate(bench_lab.GRIPS)
        ]
        # The acromion tips by 0.15 rad towards lock-out; half of that on average.
        want = lifter.joint + 0.5 * 0.15 * np.array([0.0, lifter.joint[2], -lifter.joint[1]])
        for recordings, kept in [*(([one], apart) for one in seen), (seen, together)]:
            found = of_person(skeleton, recordings, told).upper_arm
            kept.append(np.linalg.norm(found.offset - want))
    assert np.mean(together) < 0.85 * np.mean(apart)


def test_a_trial_whose_landmarks_sit_elsewhere_does_not_spoil_the_others():
    lifter = bench_lab.lifters(1, 3)[0]
    skeleton = skeleton_of(lifter)
    seen = [bench_lab.seen(bench_lab.press(lifter, g, c, 1), c)
            for c, g in enumerate(bench_lab.GRIPS)]  # fmt: skip
    sound = of_person(skeleton, seen, Calibration()).upper_arm
    slipped = seen[0].channels["right_acromion"]
    slipped = replace(slipped, values=slipped.values - [0.0, 0.0, 0.05])
    bad = replace(seen[0], channels={**seen[0].channels, "right_acromion": slipped})
    told = of_person(skeleton, [bad, *seen[1:]], Calibration())
    assert (told.upper_arm.paths, told.upper_arm.strange) == (7, 1)
    assert np.abs(told.upper_arm.offset - sound.offset).max() < 0.002
    trial = process_trial(bad, skeleton, load=lifter.load, calibration=told)
    assert any("differs by too much from the other trials" in n for n in trial.record["notes"])
    trial = process_trial(seen[1], skeleton, load=lifter.load, calibration=told)
    assert any("in every trial of the person" in n for n in trial.record["notes"])


def test_one_slow_lift_tells_a_delay_as_well_as_it_can():
    """On one clock no trial fails, however flat its acceleration; far from it every one does."""
    verdicts = {0.0: [], 0.15: []}
    for k, lifter in enumerate(bench_lab.lifters(4, 91)):
        skeleton = skeleton_of(lifter)
        truth = bench_lab.press(lifter, "widest", 910_000 + k, 1)
        seen = bench_lab.seen(truth, 910_000 + k)
        for late, found in verdicts.items():
            moved = {
                role: replace(c, start=c.start + late) if role.endswith("_force") else c
                for role, c in seen.channels.items()
            }
            trial = process_trial(replace(seen, channels=moved), skeleton, load=lifter.load)
            (check,) = [c for c in trial.checks if c.name == "synchrony"]
            found.append(check.verdict)
    assert "fail" not in verdicts[0.0]
    assert set(verdicts[0.15]) <= {"warn", "fail"}
    assert verdicts[0.15].count("fail") >= 3


@pytest.mark.parametrize("late", [-0.6, -0.4, 0.4, 0.6])
def test_a_clock_that_is_far_off_is_told_over_the_whole_set(late):
    """One slow lift shows delays up to a quarter of a second; down and up together show more."""
    found = []
    for k, lifter in enumerate(bench_lab.lifters(4, 92)):
        truth = bench_lab.press(lifter, "medium", 920_000 + k, 2)
        seen = bench_lab.seen(truth, 920_000 + k)
        moved = {
            role: replace(c, start=c.start + late) if role.endswith("_force") else c
            for role, c in seen.channels.items()
        }
        trial = process_trial(replace(seen, channels=moved), skeleton_of(lifter), load=lifter.load)
        (check,) = [c for c in trial.checks if c.name == "synchrony"]
        found.append(check)
    assert [c.verdict for c in found] == ["fail"] * 4, [(c.verdict, c.value, c.note) for c in found]
    for check in found:
        assert check.value == pytest.approx(1000.0 * abs(late), abs=60.0)
        assert "force_offset_s" in check.note


def test_a_way_that_needs_what_was_not_recorded_is_refused():
    lifter, _, seen, skeleton = one()
    with pytest.raises(InputError, match="possible here: acromion, trunk"):
        process_trial(
            seen, skeleton, Processing(ways=Ways(joint_centre="landmark")), load=lifter.load
        )
    with pytest.raises(InputError, match="grip: must be one of auto"):
        Ways(grip="thumb")
    with pytest.raises(InputError, match="trunk: must be one of auto, landmarks, sternum, cond"):
        Ways(trunk="steeper")  # told among what others change, but no way to ask for


def write_table(place, columns):
    rows = [",".join(map(str, row)) for row in zip(*columns.values(), strict=True)]
    place.write_text("\n".join([",".join(columns), *rows]), encoding="utf-8")


def test_a_static_trial_may_lack_what_a_layout_of_lifts_names(tmp_path):
    """The bar and the arms are not seen behind a standing person; the trunk tells the slope."""
    lifter = bench_lab.lifters(1, 3)[0]
    standing = bench_lab.standing(lifter, 5)
    place = tmp_path / "standing.csv"
    columns = {f"{r}_{a}": c.values[:, k] for r, c in standing.channels.items()
               for k, a in enumerate("xyz")}  # fmt: skip
    write_table(place, columns)
    labels = {r: r for r in (*standing.channels, "right_el", "bar_left")}
    layout = LayoutEntry(name="lift", up="+y", right="+z", force_on="hand", delimiter=",",
                         rate_hz=100.0, units={"markers": "m"}, markers=labels)  # fmt: skip
    seen = read_recording(place, layout, absent="leave out")
    told = read_calibration(seen, skeleton_of(lifter))
    plain = read_calibration(standing, skeleton_of(lifter))
    assert told.sternum_slope == pytest.approx(plain.sternum_slope, abs=1e-9)
    columns = {k: v for k, v in columns.items() if not k.startswith("t8")}
    write_table(place, columns)
    seen = read_recording(place, layout, absent="leave out")
    with pytest.raises(InputError, match=r"tells nothing[\s\S]*t8: 't8_x', 't8_y', 't8_z' not in"):
        read_calibration(seen, skeleton_of(lifter))


def test_platforms_under_a_static_trial_weigh_the_person(tmp_path):
    """One foot on each of two platforms, weight shifted from one to the other."""
    lifter = bench_lab.lifters(1, 3)[0]
    standing = bench_lab.standing(lifter, 5)
    place = tmp_path / "standing.csv"
    columns = {f"{r}_{a}": c.values[:, k] for r, c in standing.channels.items()
               for k, a in enumerate("xyz")}  # fmt: skip
    count = len(columns["ij_x"])
    shift = 0.5 + 0.1 * np.sin(np.linspace(0.0, 6.0, count))
    noise = np.random.default_rng(2).standard_normal((2, count))
    for side, share, own in (("R", shift, noise[0]), ("L", 1.0 - shift, noise[1])):
        columns |= dict.fromkeys((f"F{side}x", f"F{side}z"), 0.2 * own)
        columns[f"F{side}y"] = -(share * lifter.mass * bench_lab.G + own)
    write_table(place, columns)
    labels = {r: r for r in standing.channels}
    layout = LayoutEntry(name="standing", up="+y", right="+z", force_on="hand", delimiter=",",
                         rate_hz=100.0, units={"markers": "m", "forces": "N"}, markers=labels,
                         forces={f"{s}_floor_force": [f"F{s[0].upper()}{a}" for a in "xyz"]
                                 for s in ("right", "left")})  # fmt: skip
    told = read_calibration(read_recording(place, layout), skeleton_of(lifter))
    assert told.body_mass == pytest.approx(lifter.mass, rel=0.005)
    assert told.sternum_slope is not None
    assert any(note.startswith("weighed ") for note in told.notes)
