"""Exercises beside the bench press: geometry, load and what the hand's constraint allows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.directions import ROWS
from momentshare.errors import InputError, PostureError
from momentshare.exercise import (
    BenchPress,
    OverheadPress,
    Profile,
    PushUp,
    lying_elbow_extension,
    overhead_elbow_extension,
    straight_arm_pull_down,
)
from momentshare.exercise.chain import chain_from_posture
from momentshare.exercise.demand import demand
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.units import GRAVITY

DEGREE = np.pi / 180
ELBOW = ROWS.index("elbow_extension")


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ulf", sex="male", stature=1.79, body_mass=80.0, training_factor=1.3)
    return build_limb(person, load_model())


def masses_of(skeleton):
    return {name: float(part.mass) for name, part in skeleton.segment.items()}


def constant(value):
    return Profile.constant(value)


def ramp(a, b):
    return Profile(((0.0, a * DEGREE), (1.0, b * DEGREE)))


def push_up(**changes):
    settings = {
        "spacing": constant(0.6),
        "tuck": ramp(55, 82),
        "tilt": ramp(5, -6),
        "frames": 7,
    }
    return PushUp(**{**settings, **changes})


def test_push_up_hands_carry_the_published_share_of_body_weight(limb):
    # Mier 2014, read: 74.6 % chest down and 67.0 % arms straight, men, static.
    lift = push_up().lift(limb.skeleton)
    force = 2 * demand(limb.skeleton, lift).hand_force()
    assert force[0] == pytest.approx(0.746 * 80.0 * GRAVITY)
    assert force[-1] == pytest.approx(0.670 * 80.0 * GRAVITY)


def test_push_up_is_a_bench_press_with_the_arm_s_weight_turned_over(limb):
    share = 0.7
    lift = push_up(hand_share=constant(share)).lift(limb.skeleton)
    press = BenchPress(
        load_mass=share * 80.0,
        spacing=constant(0.6),
        tuck=ramp(55, 82),
        tilt=ramp(5, -6),
        protraction=constant(0.0),
        frames=7,
    ).lift(limb.skeleton)
    on_ground, on_bench = demand(limb.skeleton, lift), demand(limb.skeleton, press)
    np.testing.assert_allclose(lift.hand, press.hand, atol=1e-12)
    # The same push of the hand; the arm hangs from the other side.
    np.testing.assert_allclose(
        on_ground.moments() - on_ground.limb_moments,
        on_bench.moments() - on_bench.limb_moments,
        atol=1e-9,
    )
    np.testing.assert_allclose(on_ground.limb_moments, -on_bench.limb_moments, atol=1e-9)


def test_timed_push_up_presses_harder_while_the_trunk_speeds_up(limb):
    still = demand(limb.skeleton, push_up(frames=21).lift(limb.skeleton))
    timed_lift = push_up(frames=21, duration=0.8).lift(limb.skeleton)
    timed = demand(limb.skeleton, timed_lift)
    at = np.interp(timed_lift.fraction, np.linspace(0, 1, 21), still.hand_force())
    extra = timed.hand_force() - at
    assert extra[3] > 5.0
    assert extra[-4] < -5.0
    # The hand does not move in the world: what it gains the trunk loses.
    motion = timed_lift.motion
    np.testing.assert_allclose(motion.trunk_acceleration, -motion.hand_acceleration)


def test_extra_mass_on_the_back_rests_on_the_hands(limb):
    plain = demand(limb.skeleton, push_up().lift(limb.skeleton)).hand_force()
    loaded = demand(limb.skeleton, push_up(extra_mass=10.0).lift(limb.skeleton)).hand_force()
    np.testing.assert_allclose(2 * (loaded - plain), 10.0 * GRAVITY, rtol=1e-12)


def test_overhead_press_keeps_spacing_height_and_segment_lengths(limb):
    press = OverheadPress(
        load_mass=20.0, spacing=constant(0.55), plane=ramp(60, 40), tilt=constant(0.0), frames=9
    )
    lift = press.lift(limb.skeleton)
    size, rest = limb.skeleton.sizes, limb.skeleton.joint_centre
    assert lift.reachable.all()
    np.testing.assert_allclose(lift.hand[:, 2], 0.275, atol=1e-9)
    np.testing.assert_allclose((lift.hand - rest) @ lift.up, lift.height, atol=1e-9)
    np.testing.assert_allclose(
        np.linalg.norm(lift.elbow - lift.shoulder, axis=1), size.humerus_length, atol=1e-12
    )
    np.testing.assert_allclose(
        np.linalg.norm(lift.hand - lift.elbow, axis=1), size.grip_length, atol=1e-12
    )
    np.testing.assert_allclose(lift.posture.angles()["plane"], press.plane(lift.fraction))
    assert np.all(np.diff(lift.posture.angles()["elevation"]) > 0)


def test_lying_extension_asks_the_elbow_for_the_horizontal_distance(limb):
    # Free body, closed form: upper arm upright, forearm in the sagittal plane.
    load = 12.0
    lift = lying_elbow_extension(2 * load, frames=9).lift(limb.skeleton)
    need = demand(limb.skeleton, lift)
    size, mass = limb.skeleton.sizes, masses_of(limb.skeleton)
    centre = limb.model.inertia["male", "forearm", "centre_fraction"].value
    bend = lift.posture.elbow_flexion
    weight = (load + mass["hand"]) * size.grip_length
    weight += mass["forearm"] * centre * size.forearm_length
    wanted = GRAVITY * np.sin(bend) * weight
    np.testing.assert_allclose(need.moments()[:, ELBOW], wanted, rtol=1e-9)


def test_pull_down_loads_the_shoulder_by_the_cable_not_by_a_weight(limb):
    lift = straight_arm_pull_down(20.0, frames=5).lift(limb.skeleton)
    pull = lift.load_force[0]
    assert np.linalg.norm(pull) == pytest.approx(GRAVITY)
    assert pull[1] > 0  # upward along the cable
    depression = -demand(limb.skeleton, lift).moments()[:, ROWS.index("shoulder_elevation")]
    assert np.all(depression > 0)


@pytest.mark.parametrize(
    "make", [lying_elbow_extension, overhead_elbow_extension, straight_arm_pull_down]
)
def test_guided_exercises_solve_and_certify(limb, make):
    ready = prepare(limb, make(10.0, frames=5).lift(limb.skeleton))
    for mode in ("zero", "free"):
        result = solve_lift(ready, Lateral(mode=mode))
        # Scaled to the moments of some tens of newton metres that occur here.
        assert np.all(result.sharing.certificate.bound_violation <= 1e-9)
        assert set(result.sharing.status_text) <= {"solved", "shortfall"}


@pytest.mark.parametrize("spacing", [0.10, 0.17, 0.24])
def test_hands_keep_their_spacing_by_the_least_turn(limb, spacing):
    free = overhead_elbow_extension(0.0, frames=9)
    lift = replace(free, spacing=spacing).lift(limb.skeleton)
    assert lift.reachable.all()
    np.testing.assert_allclose(lift.hand[:, 2], spacing / 2.0, atol=1e-12)
    found, names = lift.posture.angles(), ("plane", "axial")
    given = np.stack([free.plane(lift.fraction), free.axial(lift.fraction)], axis=-1)
    moved = np.stack([found[name] for name in names], axis=-1) - given
    for k, start in enumerate(given):  # a general optimiser finds no lesser turn

        def beside(turn, k=k, start=start):
            angles = {name: found[name][k : k + 1] for name in found}
            angles |= dict(zip(names, (start + turn)[:, None], strict=True))
            hand = chain_from_posture(limb.skeleton, posture_from_angles(**angles)).hand
            return hand[0, 2] - spacing / 2.0

        least = minimize(
            lambda turn: turn @ turn, moved[k], method="SLSQP", tol=1e-14,
            constraints={"type": "eq", "fun": beside},
        )  # fmt: skip
        assert abs(beside(least.x)) < 1e-7
        assert np.linalg.norm(moved[k]) <= 1.02 * np.linalg.norm(least.x) + 1e-9


def test_a_spacing_beyond_reach_is_told_and_one_in_part_beyond_leaves_a_gap(limb):
    with pytest.raises(PostureError, match=r"2\.500 m apart are out of reach in every frame"):
        overhead_elbow_extension(5.0, frames=5, spacing=2.5).lift(limb.skeleton)
    wide = overhead_elbow_extension(5.0, frames=9, spacing=0.6).lift(limb.skeleton)
    assert wide.reachable.any()
    assert not wide.reachable.all()
    assert np.all((wide.gap > 0.0) == ~wide.reachable)


def test_a_spacing_must_be_a_distance():
    with pytest.raises(InputError, match="spacing"):
        overhead_elbow_extension(5.0, spacing=-0.2)


def test_long_head_shares_more_when_the_shoulder_is_extended_by_the_load(limb):
    """The straight-arm pull-down demands shoulder extension, the bench press the opposite."""
    pull = solve_lift(
        prepare(limb, straight_arm_pull_down(16.0, frames=5).lift(limb.skeleton)),
        Lateral(mode="zero"),
    )
    names = limb.head_names
    long, lateral = names.index("triceps_brachii/long"), names.index("triceps_brachii/lateral")
    assert pull.activation[2, long] > pull.activation[2, lateral]


@pytest.mark.parametrize("load", [-1.0, np.nan])
def test_bad_loads_are_refused(load):
    with pytest.raises(InputError, match="load_mass"):
        lying_elbow_extension(load)


def test_hands_cannot_slide_on_a_bar_overhead():
    with pytest.raises(InputError, match="slide"):
        OverheadPress(
            load_mass=1.0,
            spacing=Profile(((0.0, 0.5), (1.0, 0.6))),
            plane=constant(0.5),
            tilt=constant(0.0),
        )
