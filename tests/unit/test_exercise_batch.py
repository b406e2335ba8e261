"""Lifts of many exercises at once are the lifts that each exercise solves by itself."""

from dataclasses import fields, replace

import numpy as np
import pytest

from momentshare._kernels import is_available
from momentshare.errors import PostureError
from momentshare.exercise import (
    BarPath,
    BenchPress,
    GuidedArm,
    Motion,
    Profile,
    chain,
    make_lifts,
    press_course,
)
from momentshare.exercise.guided import lying_elbow_extension
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeletons

DEGREE = np.pi / 180.0


@pytest.fixture(scope="module")
def skeletons():
    people = [
        Person(name="Edda", sex="female", stature=1.68, body_mass=64.0),
        Person(name="Bram", sex="male", stature=1.83, body_mass=88.0),
        Person(name="Liv", sex="female", stature=1.60, body_mass=58.0),
    ]
    return build_skeletons(people, load_model())


def press(spacing=0.6, tuck=(60.0, 80.0), duration=None, **changes):
    settings = {
        "load_mass": 50.0,
        "spacing": Profile.constant(spacing),
        "tuck": None
        if tuck is None
        else Profile(((0.0, tuck[0] * DEGREE), (1.0, tuck[1] * DEGREE))),
        "tilt": Profile.constant(2.0 * DEGREE),
        "duration": duration,
        "frames": 7,
    }
    return BenchPress(**(settings | changes))


@pytest.mark.parametrize("timed", [False, True])
def test_lifts_together_are_the_lifts_one_by_one(skeletons, timed):
    duration = 1.3 if timed else None
    exercises = [
        press(0.55, duration=duration),
        press(0.70, duration=duration),
        press(0.62, (55.0, 70.0), duration=duration),
        replace(press(0.62, duration=duration), tuck=Profile.constant(70.0 * DEGREE)),
        press(0.60, duration=duration, bench_angle=30.0 * DEGREE),  # no closed form
        press(0.60, duration=duration, chest_height=0.2, implement="dumbbells"),
        press(0.60, duration=duration, lockout_height=0.45),
        press(1.4, duration=duration),  # cannot bend the elbow as asked at lock-out
        lying_elbow_extension(10.0, frames=7, duration=duration),
    ]
    rows = [0, 1, 2, 0, 1, 2, 0, 1, 2]
    found = make_lifts(exercises, skeletons, rows)
    for exercise, row, lift in zip(exercises, rows, found, strict=True):
        alone = exercise.lift(skeletons.take(row))
        np.testing.assert_allclose(lift.height, alone.height, atol=1e-9)
        np.testing.assert_allclose(lift.hand, alone.hand, atol=1e-9)
        # Near the straight arm flexion is the square root of height, which halves the digits.
        np.testing.assert_allclose(lift.posture.humerus, alone.posture.humerus, atol=1e-7)
        np.testing.assert_allclose(
            lift.posture.elbow_flexion, alone.posture.elbow_flexion, atol=1e-7
        )
        assert lift.load_mass == alone.load_mass
        assert lift.notes == alone.notes
        assert [b.quantity for b in lift.breaches] == [b.quantity for b in alone.breaches]
        assert (lift.motion is None) == (alone.motion is None) == (not timed)
        if timed:
            for item in fields(Motion):
                got, wanted = getattr(lift.motion, item.name), getattr(alone.motion, item.name)
                # A second difference over steps of 1e-4 leaves half of the digits.
                scale = max(1.0, np.abs(wanted).max())
                np.testing.assert_allclose(got, wanted, atol=1e-6 * scale, err_msg=item.name)


def test_what_cannot_be_reached_is_an_answer_and_costs_no_other(skeletons):
    exercises = [press(), press(2.5), press()]
    good, lost, other = make_lifts(exercises, skeletons, [0, 0, 1])
    assert isinstance(lost, PostureError)
    assert "2.500 m apart" in str(lost)
    assert good.reachable.all()
    assert other.reachable.all()


def test_limits_of_joints_are_looked_at_only_on_request(skeletons):
    bent = press(0.9, (40.0, 40.0))
    assert make_lifts([bent], skeletons, [0])[0].breaches
    assert not make_lifts([bent], skeletons, [0], limits=False)[0].breaches


def test_a_single_skeleton_serves_all(skeletons):
    one = skeletons.take(1)
    found = make_lifts([press(), press(0.7)], one, [0, 0])
    np.testing.assert_allclose(found[1].hand, press(0.7).lift(one).hand, atol=1e-9)
    assert isinstance(lying_elbow_extension(5.0), GuidedArm)


def drawn_presses(rng, count, **changes):
    """Presses that end at lock-out, short of it, and nowhere, as a drawn tilt or spacing has it."""
    return [
        press(
            rng.uniform(0.4, 1.2),
            tilt=Profile(((0.0, rng.normal(0.0, 0.1)), (1.0, rng.normal(0.0, 0.1)))),
            protraction=None if k % 2 else Profile.constant(rng.normal(0.0, 0.1)),
            **changes,
        )
        for k in range(count)
    ]


@pytest.mark.skipif(not is_available(), reason="needs numba")
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"tuck": None, "path": BarPath(lockout=0.03, touch_shift=-0.02)},
        {"tuck": None, "path": BarPath(touch=0.16), "bench_angle": 30.0 * DEGREE},
        {"tuck": None, "chest_height": 0.18},
        {"bench_angle": -15.0 * DEGREE},  # the elbow is searched: no compiled loop
        {"lockout_height": 0.42, "tuck": None},
    ],
)
def test_compiled_joints_are_those_of_the_plain_loop(skeletons, monkeypatch, changes):
    exercises = drawn_presses(np.random.default_rng(3), 12, **changes)
    rows = [0, 1, 2] * 4
    found = {}
    for compiled in (False, True):
        monkeypatch.setattr(press_course, "choose_route", lambda *_, way=compiled: way)
        found[compiled] = make_lifts(exercises, skeletons, rows)
    kinds = set()
    for plain, quick in zip(found[False], found[True], strict=True):
        kinds.add(type(plain))
        assert type(plain) is type(quick)
        if isinstance(plain, PostureError):
            assert str(plain) == str(quick)
            continue
        kinds.add(bool(plain.notes))
        assert plain.notes == quick.notes
        assert [b.text() for b in plain.breaches] == [b.text() for b in quick.breaches]
        np.testing.assert_array_equal(plain.reachable, quick.reachable)
        for name in ("shoulder", "elbow", "hand", "height", "gap"):
            np.testing.assert_allclose(getattr(quick, name), getattr(plain, name), atol=1e-12)
        np.testing.assert_allclose(quick.posture.humerus, plain.posture.humerus, atol=1e-11)
    assert len(kinds) >= 2  # the draws hold more than one way to end


def test_lockout_is_the_same_however_many_heights_are_looked_at_at_once(skeletons, monkeypatch):
    rng = np.random.default_rng(7)
    exercises = [
        *drawn_presses(rng, 18, tuck=None),
        *drawn_presses(rng, 9, bench_angle=25.0 * DEGREE),
        *(press(width, (60.0, 80.0), bench_angle=25.0 * DEGREE) for width in (0.5, 0.6, 2.2)),
    ]
    searched, look = [], press_course.find_lockouts

    def seen(*arrays, **given):
        searched.extend(found := look(*arrays, **given))
        return found

    monkeypatch.setattr(press_course, "find_lockouts", seen)
    lifts = {}
    for count in (301, 50, 7):
        monkeypatch.setattr(chain, "_AT_ONCE", count)
        lifts[count] = make_lifts(exercises, skeletons, [0, 1, 2] * 10)
    for whole, *parts in zip(*lifts.values(), strict=True):
        for part in parts:
            if isinstance(whole, PostureError):
                assert str(whole) == str(part)
            else:
                assert whole.notes == part.notes
                np.testing.assert_array_equal(whole.height, part.height)
    ways = {"error" if isinstance(x, PostureError) else bool(x[1]) for x in searched}
    assert ways == {"error", True, False}


def test_lifts_do_not_depend_on_those_beside_them(skeletons, monkeypatch):
    exercises = drawn_presses(np.random.default_rng(5), 9, tuck=None)
    for compiled in (False, is_available()):
        monkeypatch.setattr(press_course, "choose_route", lambda *_, way=compiled: way)
        together = make_lifts(exercises, skeletons, [0, 1, 2] * 3)
        for k, lift in enumerate(together):
            (alone,) = make_lifts([exercises[k]], skeletons, [k % 3])
            if isinstance(lift, PostureError):
                assert str(lift) == str(alone)
                continue
            np.testing.assert_array_equal(lift.posture.humerus, alone.posture.humerus)
            np.testing.assert_array_equal(lift.height, alone.height)
