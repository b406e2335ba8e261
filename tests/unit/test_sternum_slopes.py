"""Slopes of sternums from how they lie on a bench: the answer, its spread, what it rests on."""

from dataclasses import replace

import numpy as np
import pytest
from tests import bench_lab

from momentshare.trial.motion.slopes import Lying, estimate_slopes, sternum_lying
from momentshare.trial.motion.trunk import SLOPE_SPREAD, STERNUM_SLOPE
from momentshare.trial.recording import mirrored

DEGREE = np.pi / 180.0


def trials(rng, people, conditions, *, arch, slope=SLOPE_SPREAD, noise=3.0 * DEGREE, takes=1):
    """Draw slopes, and how they lie: ragged, since one person lacks the last condition."""
    slopes = STERNUM_SLOPE + slope * rng.standard_normal(people)
    found = []
    for k in range(people):
        own = 8.0 * DEGREE + arch * rng.standard_normal() - slopes[k]
        for c in range(conditions - (k == 0 and conditions > 1)):
            for _ in range(takes):
                angle = own + 2.0 * DEGREE * c + noise * rng.standard_normal()
                found.append(Lying(person=f"P{k}", condition=f"C{c}", angle=angle))
    return found, {f"P{k}": value for k, value in enumerate(slopes)}


def dense(lying, measured, noise):
    """The same by whole covariance matrices, and conditions with a spread of 1e4 degrees."""
    people = list(dict.fromkeys(t.person for t in lying))
    who = np.array([[t.person == p for p in people] for t in lying], dtype=float)
    what = np.array([[t.condition == c for c in dict.fromkeys(t.condition for t in lying)]
                     for t in lying], dtype=float)  # fmt: skip
    told = np.array([measured.get(p, np.nan) for p in people])
    unknown = np.isnan(told)
    y = np.array([t.angle for t in lying]) + who @ np.where(unknown, STERNUM_SLOPE, told)
    own = np.diag(SLOPE_SPREAD**2 * unknown)
    weights, means, second = [], [], []
    for arch in np.radians(np.linspace(0.0, 40.0, 161)):
        whole = (who @ (arch**2 * np.eye(len(people)) + own) @ who.T + noise * np.eye(len(y))
                 + (1e4 * DEGREE) ** 2 * what @ what.T)  # fmt: skip
        gain = -own @ who.T @ np.linalg.inv(whole)
        fit = -0.5 * (np.linalg.slogdet(whole)[1] + y @ np.linalg.solve(whole, y))
        weights.append(fit - np.log1p((arch / (5.0 * DEGREE)) ** 2))
        means.append(gain @ y)
        second.append(np.diag(own + gain @ who @ own) + means[-1] ** 2)
    weight = np.exp(np.array(weights) - max(weights))
    weight /= weight.sum()
    mean = weight @ np.array(means)
    return mean, np.sqrt(weight @ np.array(second) - mean**2), people


@pytest.mark.parametrize("told", [(), ("P1", "P4")])
def test_the_answer_is_that_of_whole_covariance_matrices(told):
    lying, slopes = trials(np.random.default_rng(3), 6, 3, arch=4.0 * DEGREE, takes=2)
    measured = {person: slopes[person] for person in told}
    found = estimate_slopes(lying, measured)
    # The variance from trial to trial, as what people and conditions leave of a least-squares fit.
    who = [[t.person == p for p in slopes] for t in lying]
    what = [[t.condition == f"C{c}" for c in range(3)] for t in lying]
    matrix = np.hstack([who, what]).astype(float)
    y = np.array([t.angle for t in lying])
    left = y - matrix @ np.linalg.pinv(matrix) @ y
    noise = np.sum(left**2) / (len(y) - 6 - 3 + 1)
    mean, spread, people = dense(lying, measured, noise)
    assert list(found) == [p for p in people if p not in told]
    for person, item in found.items():
        k = people.index(person)
        assert item.angle - STERNUM_SLOPE == pytest.approx(mean[k], abs=1e-4 * DEGREE)
        assert item.spread == pytest.approx(spread[k], rel=1e-4)


def errors_and_spreads(rng, arches):
    """Studies of eight people: errors, stated variances, shared parts; one row a study."""
    off, stated, shared = [], [], []
    for arch in arches:
        lying, slopes = trials(rng, 8, 4, arch=arch)
        found = estimate_slopes(lying)
        off.append([item.angle - slopes[person] for person, item in found.items()])
        stated.append([item.spread**2 for item in found.values()])
        shared.append([item.shared**2 for item in found.values()])
    return np.array(off), np.array(stated), np.array(shared)


def test_the_stated_spread_is_the_error_where_arches_are_as_the_prior_says():
    rng = np.random.default_rng(0)
    arches = 5.0 * DEGREE * np.tan(rng.uniform(0.0, np.arctan(8.0), 300))
    off, stated, shared = errors_and_spreads(rng, arches)
    assert np.sqrt(stated.mean()) == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.07)
    # Nothing tells the mean of all, so it errs by the spread over the root of 8: own and shared.
    mean_told = np.sqrt(shared.mean() + (stated.mean() - shared.mean()) / 8)
    assert np.sqrt(np.mean(off.mean(axis=1) ** 2)) == pytest.approx(
        SLOPE_SPREAD / np.sqrt(8), rel=0.1
    )
    assert mean_told == pytest.approx(SLOPE_SPREAD / np.sqrt(8), rel=0.1)


@pytest.mark.parametrize("arch", [0.0, 3.0, 6.0, 12.0])
def test_it_is_no_worse_than_the_assumed_slope_whatever_the_arches(arch):
    """Of that the error is 5 degrees. One spread of the arches at a time, so what is stated may be
    too much where they are alike, and is too little by no more than a tenth."""
    off, stated, _ = errors_and_spreads(np.random.default_rng(int(arch)), [arch * DEGREE] * 100)
    real, told = (np.degrees(np.sqrt(np.mean(v))) for v in (off**2, stated))
    best = 5.0 * np.sqrt(1.0 - 25.0 / (25.0 + arch**2 + 9.0 / 4.0) * 7.0 / 8.0)  # arches known
    # To learn the arches from eight people costs up to a quarter.
    assert 0.9 * best < real < min(1.25 * best, 5.3)
    assert told > 0.9 * real


def test_arches_that_differ_much_leave_the_assumed_slope():
    """The share that slopes explain is 25 of 650 square degrees."""
    lying, _ = trials(np.random.default_rng(5), 10, 3, arch=25.0 * DEGREE)
    found = estimate_slopes(lying).values()
    moved = np.sqrt(np.mean([(item.angle - STERNUM_SLOPE) ** 2 for item in found]))
    assert moved < 2.0 * 25.0 / 650.0 * 25.0 * DEGREE
    assert all(0.93 * SLOPE_SPREAD < item.spread <= 1.02 * SLOPE_SPREAD for item in found)


def test_a_bench_that_tilts_moves_nobody():
    lying, _ = trials(np.random.default_rng(6), 5, 2, arch=3.0 * DEGREE)
    tilted = [replace(t, angle=t.angle + 7.0 * DEGREE) for t in lying]
    for one, other in zip(*(estimate_slopes(x).values() for x in (lying, tilted)), strict=True):
        assert other.angle == pytest.approx(one.angle, abs=1e-9)
        assert other.spread == pytest.approx(one.spread, rel=1e-9)


def test_one_who_lies_lower_at_the_head_than_the_others_slopes_more():
    angles = {"A": -15.0, "B": -7.0, "C": -7.0, "D": 1.0}
    found = estimate_slopes(
        [Lying(person=p, condition=c, angle=a * DEGREE) for p, a in angles.items() for c in "xy"]
    )
    assert found["A"].angle > found["B"].angle > found["D"].angle
    assert found["B"].angle == pytest.approx(STERNUM_SLOPE)
    assert found["A"].angle - STERNUM_SLOPE < 8.0 * DEGREE
    assert {item.people for item in found.values()} == {4}


def test_who_has_nobody_beside_keeps_the_assumed_slope():
    alone = [
        Lying(person="A", condition="x", angle=-0.3),
        Lying(person="A", condition="y", angle=0),
    ]
    assert estimate_slopes([]) == estimate_slopes(alone) == {}
    others = [Lying(person=p, condition="z", angle=a) for p, a in (("B", -0.1), ("C", -0.2))]
    item = estimate_slopes([*alone, *others])["A"]
    assert item.angle == pytest.approx(STERNUM_SLOPE)
    assert item.spread == pytest.approx(SLOPE_SPREAD)
    assert item.shared == pytest.approx(0.0, abs=1e-9)


def test_people_whose_slope_was_measured_show_how_all_lie():
    """With arches alike and all others measured, the last one's slope is as good as measured."""
    rng = np.random.default_rng(8)
    lying, slopes = trials(rng, 12, 4, arch=0.0, noise=1.0 * DEGREE)
    lying = [replace(t, angle=t.angle + (t.person == "P3") * -9.0 * DEGREE) for t in lying]
    told = {person: slope for person, slope in slopes.items() if person != "P3"}
    found = estimate_slopes(lying, told)
    assert list(found) == ["P3"]
    assert found["P3"].angle == pytest.approx(slopes["P3"] + 9.0 * DEGREE, abs=1.5 * DEGREE)
    assert found["P3"].spread < 0.35 * SLOPE_SPREAD


def test_the_lying_is_that_of_the_trunk_less_the_slope_in_any_room():
    lifter = bench_lab.lifters(1, 3)[0]
    truth = bench_lab.press(lifter, "wide", 5)
    seen = bench_lab.seen(truth, 5, skin=0.0, gaps=False)
    pitch = np.arcsin(truth.trunk[:, 1, 1]).mean()
    found = sternum_lying(seen, 0.0)
    assert found == pytest.approx(pitch - lifter.sternum_angle, abs=0.1 * DEGREE)
    for copy in (bench_lab.turned_room(seen, 0.6), mirrored(seen), bench_lab.later(seen, 12.34)):
        assert sternum_lying(copy, 0.0) == pytest.approx(found, abs=1e-9)
    assert sternum_lying(seen, 30.0 * DEGREE) == pytest.approx(found - 30.0 * DEGREE)


def test_the_ends_of_the_bar_show_the_sides_too():
    seen = bench_lab.seen(bench_lab.press(bench_lab.lifters(1, 3)[0], "wide", 5), 5, gaps=False)
    bare = {r: c for r, c in seen.channels.items() if not r.endswith("acromion")}
    assert sternum_lying(replace(seen, channels=bare), 0.0) == pytest.approx(
        sternum_lying(seen, 0.0), abs=0.2 * DEGREE
    )


def test_exchanged_landmarks_tell_nothing():
    seen = bench_lab.seen(bench_lab.press(bench_lab.lifters(1, 3)[0], "wide", 5), 5)
    swapped = seen.channels | {"ij": seen.channels["px"], "px": seen.channels["ij"]}
    assert sternum_lying(replace(seen, channels=swapped), 0.0) is None
