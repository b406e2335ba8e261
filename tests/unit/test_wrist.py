"""Wrist angles on a bar and on the ground against postures worked out by hand."""

import numpy as np
import pytest

from momentshare.exercise import Profile, PushUp
from momentshare.exercise.wrist import bar_checks, ground_checks, lean_to_thumb, obliqueness
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton

MODEL = load_model()
OUTWARD = np.array([0.0, 0.0, 1.0])
ALL = np.ones(1, dtype=bool)


def leaning(degrees):
    """Upright forearm whose hand is nearer the middle than the elbow by so much."""
    angle = np.radians(degrees)
    return np.array([[np.cos(angle), 0.0, -np.sin(angle)]])


@pytest.mark.parametrize("degrees", [-30.0, -5.0, 0.0, 12.0, 30.0])
def test_an_inward_lean_is_ulnar_deviation_and_an_outward_one_radial(degrees):
    (ulnar, radial) = bar_checks(leaning(degrees), OUTWARD, ALL, MODEL)
    np.testing.assert_allclose(np.degrees(ulnar[1]), degrees, atol=1e-9)
    np.testing.assert_allclose(np.degrees(radial[1]), -degrees, atol=1e-9)
    np.testing.assert_allclose(np.degrees(lean_to_thumb(leaning(degrees), -OUTWARD)), degrees)


def test_the_bar_is_laid_obliquely_only_as_far_as_it_must_be():
    limit, most = MODEL.number("limit_wrist_ulnar"), MODEL.number("grip_oblique_max")
    for beyond, laid in ((-0.3, 0.0), (0.0, 0.0), (0.6 * most, 0.6 * most), (2 * most, most)):
        assert obliqueness(np.array([0.0, limit + beyond]), MODEL) == pytest.approx(laid, abs=1e-12)
    assert obliqueness(np.zeros(0), MODEL) == 0.0


def test_one_obliqueness_serves_the_whole_lift():
    limit, most = (np.degrees(MODEL.number(n)) for n in ("limit_wrist_ulnar", "grip_oblique_max"))
    course = np.concatenate([leaning(limit + 0.5 * most), leaning(0.0)])
    (ulnar, radial) = bar_checks(course, OUTWARD, np.ones(2, bool), MODEL)
    np.testing.assert_allclose(np.degrees(ulnar[1]), [limit, -0.5 * most])
    np.testing.assert_allclose(radial[1], -ulnar[1])


def test_a_frame_out_of_reach_does_not_decide_how_the_bar_is_laid():
    course = np.concatenate([leaning(60.0), leaning(10.0)])
    (ulnar, _) = bar_checks(course, OUTWARD, np.array([False, True]), MODEL)
    np.testing.assert_allclose(np.degrees(ulnar[1]), [60.0, 10.0])


@pytest.mark.parametrize(("lean", "wanted"), [(0.0, 90.0), (20.0, 70.0), (-15.0, 105.0)])
def test_on_the_ground_the_wrist_extends_from_the_forearm_to_the_fingers(lean, wanted):
    headward = np.array([0.0, 1.0, 0.0])
    angle = np.radians(lean)
    forearm = np.array([[-np.cos(angle), np.sin(angle), 0.0]])  # down, and towards the head
    (extension, flexion) = ground_checks(forearm, headward, MODEL)
    np.testing.assert_allclose(np.degrees(extension[1]), wanted)
    np.testing.assert_allclose(np.degrees(flexion[1]), -wanted)


@pytest.mark.parametrize(("tilt", "breaks"), [(0.0, False), (-4.0, False), (-12.0, True)])
def test_a_push_up_with_the_hands_behind_the_elbows_breaks_the_extension_limit(tilt, breaks):
    person = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    skeleton = build_skeleton(person, MODEL)
    lift = PushUp(
        spacing=Profile.constant(1.5 * skeleton.sizes.biacromial_breadth),
        tuck=Profile.constant(np.radians(60.0)), tilt=Profile.constant(np.radians(tilt)), frames=5,
    ).lift(skeleton)  # fmt: skip
    found = [b for b in lift.breaches if b.quantity == "extension of the wrist"]
    assert bool(found) is breaks
    if breaks:
        assert found[0].value == pytest.approx(90.0 - tilt)
