"""A lift from angles over time: against a guided arm, and against a pendulum in closed form."""

import numpy as np
import pytest

from momentshare import (
    GuidedArm,
    Lateral,
    Person,
    Profile,
    build_limb,
    lift_from_angles,
    load_model,
    posture_from_angles,
    prepare,
    solve_lift,
)
from momentshare.directions import ROWS
from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.exercise.chain import minimum_jerk
from momentshare.exercise.demand import demand
from momentshare.geometry.rotation import rotation_about
from momentshare.posture import arm_frame
from momentshare.skeleton import forearm_axis
from momentshare.units import GRAVITY

ADA = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
LINES = {
    "plane": (1.2, 1.4),
    "elevation": (0.4, 1.3),
    "axial": (-0.2, 0.1),
    "elbow_flexion": (0.3, 1.1),
    "forearm_rotation": (1.0, 1.5),
    "shrug": (0.0, 0.1),
}


@pytest.fixture(scope="module")
def limb():
    return build_limb(ADA, load_model())


def guided(frames, duration):
    lines = {name: Profile(((0.0, a), (1.0, b))) for name, (a, b) in LINES.items()}
    return GuidedArm(
        load_mass=6.0, trunk_angle=np.pi / 2, duration=duration, frames=frames, **lines
    )


def angles_at(fraction):
    return {name: a + (b - a) * fraction for name, (a, b) in LINES.items()}


def test_held_still_it_is_the_guided_arm(limb):
    planned = guided(11, None).lift(limb.skeleton)
    own = lift_from_angles(limb.skeleton, angles_at(planned.fraction), load_mass=3.0)
    assert own.time is None
    for name in ("shoulder", "elbow", "hand", "height"):
        assert getattr(own, name) == pytest.approx(getattr(planned, name), abs=1e-14), name
    wanted = demand(limb.skeleton, planned).moments()
    assert demand(limb.skeleton, own).moments() == pytest.approx(wanted, abs=1e-11)


def test_in_motion_it_is_the_guided_arm(limb):
    """Minimum jerk over 0.8 s; central differences at 500 frames a second."""
    frames, duration = 401, 0.8
    planned = guided(frames, duration).lift(limb.skeleton)
    fraction = minimum_jerk(frames, duration)[0]
    rate = (frames - 1) / duration
    own = lift_from_angles(limb.skeleton, angles_at(fraction), rate=rate, load_mass=3.0)
    wanted, found = (demand(limb.skeleton, lift).moments() for lift in (planned, own))
    still = demand(
        limb.skeleton, lift_from_angles(limb.skeleton, angles_at(fraction), load_mass=3.0)
    )
    inner = slice(3, -3)
    assert np.abs(wanted - still.moments())[inner].max() > 2.0
    assert found[inner] == pytest.approx(wanted[inner], abs=0.02)
    first, second = prepare(limb, planned), prepare(limb, own)
    speeds = (one.state.fibre_velocity_normalised[inner] for one in (first, second))
    assert next(speeds) == pytest.approx(next(speeds), abs=5e-4)


def test_a_swinging_forearm_is_a_pendulum(limb):
    """Upper arm hanging: I φ̈ + (m c + M l) g sin φ with M the hand and what it holds."""
    rate, load = 500.0, 4.0
    time = np.arange(301) / rate
    swing = 1.0 + 0.5 * np.sin(4.0 * time)
    change = -8.0 * np.sin(4.0 * time)
    lift = lift_from_angles(limb.skeleton, {"elbow_flexion": swing}, rate=rate, load_mass=load)
    skeleton = limb.skeleton
    forearm, hand = skeleton.segment["forearm"], skeleton.segment["hand"]
    length, reach = float(skeleton.forearm_length), float(skeleton.grip_length)
    centre, end = float(forearm.centre) * length, float(hand.mass) + load
    radius = length * float(np.ravel(forearm.radii)[2])
    inertia = float(forearm.mass) * (centre**2 + radius**2) + end * reach**2
    weight = GRAVITY * (float(forearm.mass) * centre + end * reach) * np.sin(swing)
    found = -demand(skeleton, lift).moments()[:, ROWS.index("elbow_extension")]
    inner = slice(3, -3)
    assert found[inner] == pytest.approx((inertia * change + weight)[inner], abs=2e-3)
    assert np.abs(inertia * change).max() > 1.0


@pytest.mark.parametrize("seed", range(3))
def test_moments_of_shoulder_elbow_and_forearm_are_those_of_virtual_work(limb, seed):
    """What lies beyond a joint is turned by a small angle about the axis of each row.

    At the forearm that is what hangs on the radius, hand and load; its axis passes 15 mm beside
    the grip. The angle ``forearm_rotation`` itself moves no mass: the hand keeps to the line of
    the forearm.
    """
    rng = np.random.default_rng(seed)
    angles = {
        "plane": rng.uniform(0.2, 1.4), "elevation": rng.uniform(0.3, 1.5),
        "axial": rng.uniform(-0.6, 0.6), "elbow_flexion": rng.uniform(0.3, 1.8),
        "forearm_rotation": rng.uniform(0.2, 2.0),
    }  # fmt: skip
    load, force, skeleton = 5.0, rng.normal(0.0, 30.0, 3), limb.skeleton
    lift = lift_from_angles(skeleton, angles, load_mass=load, hand_force=force)
    found = demand(skeleton, lift).moments()[0]
    shoulder, elbow, hand = lift.shoulder[0], lift.elbow[0], lift.hand[0]
    masses = {name: float(part.mass) for name, part in skeleton.segment.items()}
    along = float(skeleton.segment["forearm"].centre * skeleton.forearm_length)
    forearm = elbow + along / float(skeleton.grip_length) * (hand - elbow)
    upper = shoulder + float(skeleton.segment["upper_arm"].centre) * (elbow - shoulder)
    down = np.array([0.0, -GRAVITY, 0.0])
    pulls = {
        "upper_arm": (upper, masses["upper_arm"] * down),
        "forearm": (forearm, masses["forearm"] * down),
        "hand": (hand, (masses["hand"] + load) * down + force),
    }
    humerus = lift.posture.humerus[0]
    ulna = humerus @ rotation_about(np.array([0.0, 0.0, 1.0]), angles["elbow_flexion"])
    axis, top = forearm_axis(skeleton)
    turns = dict(zip(ROWS[:3], arm_frame(humerus), strict=True))
    turns = {row: (way, shoulder, tuple(pulls)) for row, way in turns.items()}
    turns["elbow_extension"] = (-humerus[:, 2], elbow, ("forearm", "hand"))
    turns["forearm_pronation"] = (ulna @ axis, elbow + ulna @ top, ("hand",))
    step = 1e-5
    for row, (way, centre, moved) in turns.items():
        work = 0.0
        for name in moved:
            place, pull = pulls[name]
            ends = (rotation_about(way, s * step) @ (place - centre) for s in (1.0, -1.0))
            work += pull @ (next(ends) - next(ends)) / (2.0 * step)
        assert found[ROWS.index(row)] == pytest.approx(-work, abs=1e-6 + 1e-3 * (row == ROWS[4]))
    across = (hand - elbow - ulna @ top) - (ulna @ axis) * (
        (hand - elbow - ulna @ top) @ ulna @ axis
    )
    assert np.linalg.norm(across) == pytest.approx(0.015, abs=5e-4)
    turned = lift_from_angles(skeleton, angles | {"forearm_rotation": 2.5}, load_mass=load)
    assert turned.hand == pytest.approx(lift.hand, abs=1e-12)


def test_a_hand_force_is_an_array_or_a_function(limb):
    angles = {"elevation": 0.5, "elbow_flexion": np.linspace(0.4, 1.2, 7)}
    push = np.array([-30.0, -20.0, 5.0])
    given = demand(limb.skeleton, lift_from_angles(limb.skeleton, angles, hand_force=push))

    def pull(time, hand):
        assert (time.shape, hand.shape) == ((7,), (7, 3))
        return np.broadcast_to(push, hand.shape)

    called = demand(limb.skeleton, lift_from_angles(limb.skeleton, angles, hand_force=pull))
    assert called.moments() == pytest.approx(given.moments(), abs=1e-13)
    # Σ r × F about the elbow; extension is the negative turn about the hinge.
    lift = lift_from_angles(limb.skeleton, angles)
    asked = np.cross(lift.hand - lift.elbow, -push)
    about = -(asked * lift.posture.humerus[..., :, 2]).sum(axis=1)
    bare = demand(limb.skeleton, lift).moments()
    row = ROWS.index("elbow_extension")
    assert given.moments()[:, row] - bare[:, row] == pytest.approx(about, abs=1e-12)


def test_a_weight_is_a_force_downward(limb):
    angles = {"elevation": 0.5, "elbow_flexion": np.linspace(0.4, 1.2, 7)}
    held = demand(limb.skeleton, lift_from_angles(limb.skeleton, angles, load_mass=5.0))
    half = [0.0, -2.0 * GRAVITY, 0.0]
    both = lift_from_angles(limb.skeleton, angles, load_mass=3.0, hand_force=half)
    assert float(both.load_mass) == pytest.approx(5.0)
    assert demand(limb.skeleton, both).moments() == pytest.approx(held.moments(), abs=1e-12)


@pytest.mark.parametrize(
    ("angles", "options", "error", "words"),
    [
        ({"elbow": 1.0}, {}, UnknownNameError, "unknown angle 'elbow'; did you mean"),
        ({"elbow_flexion": [1.0, 90.0]}, {}, ShapeError, "90 in frame 1; degrees"),
        ({"elbow_flexion": [1.0, np.nan]}, {}, ShapeError, "finite numbers"),
        ({"elbow_flexion": [1.0] * 3, "plane": [0.0] * 2}, {}, ShapeError, "plane 2"),
        ({"elbow_flexion": [1.0] * 3}, {"rate": 50.0}, ShapeError, "at least four frames"),
        ({"elbow_flexion": 1.0}, {"load_mass": -1.0}, InputError, "load_mass must be 0 kg"),
        ({"elbow_flexion": 1.0}, {"load_mass": np.nan}, ShapeError, "one finite number"),
        ({"elbow_flexion": 1.0}, {"load_mass": "3"}, ShapeError, "load_mass: must be an array of"),
        ({"elbow_flexion": 1.0}, {"trunk_angle": 90.0}, ShapeError, "trunk_angle: .* degrees?"),
        ({"elbow_flexion": 1.0}, {"trunk_angle": np.nan}, ShapeError, "one finite number"),
        ({"elbow_flexion": "1"}, {}, ShapeError, "an array of numbers"),
        ({"plane": np.ma.masked_array([1.0, 2.0], [True, False])}, {}, ShapeError, "or a mask"),
        ([1.0, 2.0], {}, InputError, "angles: must be a mapping; got list"),
        (
            {"elbow_flexion": 1.0},
            {"hand_force": np.ma.masked_array([1.0, 2.0, 3.0], [True, False, False])},
            ShapeError,
            "or a mask",
        ),
        ({"elbow_flexion": 1.0}, {"hand_force": [1.0, 2.0]}, ShapeError, "hand_force"),
        ({"elbow_flexion": 1.0}, {"hand_force": [0.0, 0.0, 0.0]}, InputError, "zero on average"),
    ],
)
def test_wrong_arguments_are_named(limb, angles, options, error, words):
    with pytest.raises(error, match=words):
        lift_from_angles(limb.skeleton, angles, **options)


def test_a_limb_is_no_skeleton(limb):
    with pytest.raises(InputError, match=r"must be a Skeleton; got Limb; .*limb\.skeleton"):
        lift_from_angles(limb, {})


def test_strings_in_place_of_choices_are_refused_with_the_choice(limb):
    prepared = prepare(limb, lift_from_angles(limb.skeleton, {"elbow_flexion": 1.0}))
    with pytest.raises(InputError, match=r"got 'zero'; such as Lateral\(mode='zero'\)"):
        solve_lift(prepared, "zero")
    with pytest.raises(InputError, match="criterion: must be a Criterion; got 'area'"):
        solve_lift(prepared, Lateral(mode="zero"), "area")


def test_a_mask_of_a_posture_is_kept():
    posture = posture_from_angles(elevation=np.ma.masked_array([1.0, 2.0], [False, True]))
    assert np.isnan(posture.humerus).any(axis=(1, 2)).tolist() == [False, True]
    with pytest.raises(ShapeError, match="elevation: must be an array of numbers"):
        posture_from_angles(elevation="1")
