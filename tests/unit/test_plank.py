"""Hand load of a straight body on hands and toes, from statics.

Outside source: Mier 2014, abstract read: 74.6 ± 3.6 % (chest down) and 67.0 ± 3.8 % (arms
straight) in men, 70.3 and 65.1 ± 3.1 % in women. Segment masses, centres and lengths of
head, trunk and legs are de Leva 1996 from memory; the comparison therefore judges them too
and is a row of the validation table, not a test that must pass.
"""

import dataclasses

import numpy as np
import pytest

from momentshare.errors import PostureError
from momentshare.exercise import Profile, PushUp, ground_push_up, static_hand_share
from momentshare.exercise.plank import build_plank
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton
from momentshare.validation import load_targets
from momentshare.validation.probe import Probe, average_person, static_push_up
from momentshare.validation.tasks import task_value

DEG = np.pi / 180.0
MODEL = load_model()
ULF = build_skeleton(Person(name="Ulf", sex="male", stature=1.79, body_mass=80.0), MODEL)


def constant(value):
    return Profile.constant(value)


def push_up(**changes):
    settings = {
        "spacing": constant(0.55),
        "tuck": Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
        "tilt": Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
        "frames": 5,
    }
    return PushUp(**{**settings, **changes})


@pytest.mark.parametrize("sex", ["male", "female"])
def test_segments_make_up_the_whole_body(sex):
    def mass(segment):
        return MODEL.inertia[sex, segment, "mass_fraction"].value

    once = sum(mass(s) for s in ("head", "trunk"))
    twice = sum(mass(s) for s in ("upper_arm", "forearm", "hand", "thigh", "shank", "foot"))
    # The table gives four digits.
    assert once + 2 * twice == pytest.approx(1.0, abs=3e-4)


def test_what_is_recalled_or_assumed_is_marked_so():
    for (_, segment, _), number in MODEL.inertia.items():
        if segment in {"head", "trunk", "thigh", "shank", "foot"}:
            assert number.kind == "from memory"
    for name in ("ankle_height", "heel_behind_ankle", "ball_before_ankle"):
        assert MODEL.quantities[f"{name}_fraction"].kind == "assumed"


def test_plank_runs_from_head_to_toes_in_order():
    body = build_plank(ULF)
    # Head, trunk, thighs, shanks, feet.
    assert np.all(np.diff(body.place[:, 1]) < 0.0)
    top, bottom = body.place[0, 1], body.toes[1]
    assert 0.0 < top < 1.79 + bottom
    assert bottom < body.place[-1, 1]


def test_share_balances_moments_about_the_toes():
    # Independent sum over all segments, with gravity as a force in three dimensions.
    lift = push_up(body_angle=12 * DEG).lift(ULF)
    share = static_hand_share(ULF, lift)
    body = build_plank(ULF)
    number = MODEL.inertia
    for frame in range(5):
        joint, elbow, hand = lift.shoulder[frame], lift.elbow[frame], lift.hand[frame]
        pull = -lift.up
        parts = list(zip(body.mass, body.place, strict=True))
        c_upper = number["male", "upper_arm", "centre_fraction"].value
        c_fore = number["male", "forearm", "centre_fraction"].value
        along = (hand - elbow) / np.linalg.norm(hand - elbow) * ULF.sizes.forearm_length
        mirror = np.array([1.0, 1.0, -1.0])
        for side in (1.0, mirror):
            parts += [
                (number["male", "upper_arm", "mass_fraction"].value,
                 side * (joint + c_upper * (elbow - joint))),
                (number["male", "forearm", "mass_fraction"].value,
                 side * (elbow + c_fore * along)),
                (number["male", "hand", "mass_fraction"].value, side * hand),
            ]  # fmt: skip
        weight = sum(m for m, _ in parts)
        moment = sum(np.cross(place - body.toes, m * pull) for m, place in parts)
        for side in (1.0, mirror):
            moment = moment + np.cross(side * hand - body.toes, -0.5 * share[frame] * weight * pull)
        np.testing.assert_allclose(moment, 0.0, atol=1e-12)


def test_share_does_not_depend_on_body_mass():
    heavy = build_skeleton(Person(name="Ulf", sex="male", stature=1.79, body_mass=120.0), MODEL)
    np.testing.assert_allclose(
        static_hand_share(heavy, push_up().lift(heavy)),
        static_hand_share(ULF, push_up().lift(ULF)),
        rtol=1e-12,
    )


def test_hands_nearer_the_feet_carry_more():
    tucked = static_hand_share(ULF, push_up(tuck=constant(50 * DEG)).lift(ULF))
    flared = static_hand_share(ULF, push_up(tuck=constant(80 * DEG)).lift(ULF))
    assert np.all(tucked > flared)


def test_on_the_ground_hands_and_toes_are_level_and_the_hands_stay():
    toes = build_plank(ULF).toes
    down, up = ground_push_up(ULF, push_up())
    ends = ((down, down.hand[0]), (up, up.hand[-1]))
    for lift, hand in ends:
        assert (hand - toes) @ lift.up == pytest.approx(0.0, abs=1e-8)
    reach = [np.linalg.norm((hand - toes)[:2]) for _, hand in ends]
    assert reach[0] == pytest.approx(reach[1], abs=1e-7)
    # The body is steeper with straight arms, and the hands carry less.
    pitch = [np.degrees(np.arcsin(-lift.up[1])) for lift, _ in ends]
    assert abs(pitch[1]) > abs(pitch[0]) + 5.0
    assert static_hand_share(ULF, up)[-1] < static_hand_share(ULF, down)[0]


def test_hands_too_wide_for_the_ground_are_refused():
    with pytest.raises(PostureError):
        ground_push_up(ULF, push_up(spacing=constant(1.9)))


def test_default_load_of_a_push_up_is_still_the_measured_one():
    share = push_up()._share(ULF)
    assert share(np.array([0.0]))[0] == pytest.approx(0.746)
    assert share(np.array([1.0]))[0] == pytest.approx(0.670)


def test_targets_hold_the_measured_shares_and_the_limb_answers_with_its_own():
    targets = {t.id: t for t in load_targets(MODEL)}
    for sex in ("male", "female"):
        share = static_push_up(build_limb(average_person(MODEL, sex), MODEL))
        for end in ("down", "up"):
            row = targets[f"push_up_share_{end}_{sex}"]
            published = MODEL.quantities[row.id]
            assert (row.value, row.sd) == pytest.approx((published.value, published.spread))
            assert task_value(row.asks[0], Probe(MODEL)) == share[end]
            assert share[end] != published.value


def test_segments_of_trunk_and_legs_scale_with_stature():
    tall = build_skeleton(Person(name="Ulf", sex="male", stature=1.95, body_mass=80.0), MODEL)
    short, long = build_plank(ULF), build_plank(tall)
    assert long.toes[1] < short.toes[1]
    assert dataclasses.asdict(long)["mass"] == pytest.approx(short.mass)
