"""What any shoulder can do, so that a limb which cannot is wrong whatever else it gets right.

No published number is needed for most of it: an arm can be held wherever it reaches, an exercise
can be done without a load. The fall of abduction strength with elevation: Otis and others 1990,
Am J Sports Med 18:119-123 (from memory; the order only). What this limb does not reach stands as an
expected failure with the number that is missing.
"""

from functools import cache

import numpy as np
import pytest

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import Lateral
from momentshare.exercise import (
    BenchPress,
    OverheadPress,
    Profile,
    PushUp,
    lying_elbow_extension,
    overhead_elbow_extension,
    reachable,
    straight_arm_pull_down,
)
from momentshare.exercise.held import held_lift
from momentshare.exercise.reach import axial_rotation, shoulder_limits
from momentshare.limb import braced_strength, build_limb
from momentshare.limb.joint import FACETS, glenoid_load
from momentshare.model import load_model
from momentshare.posture import posture_from_angles
from momentshare.validation.evaluate import average_person

DEG = np.pi / 180.0
MODEL = load_model()
POLICIES = MODEL.scapula_policies
SPACINGS = (1.0, 1.4, 1.7)
FRAMES = 21


@cache
def limb(scapula="moving", sex="male", training=1.0):
    return build_limb(average_person(MODEL, sex, training), MODEL, scapula=scapula)


@cache
def press(times, load, glenoid=False):
    lifter = limb(training=MODEL.number("volume_athlete_over_student"))
    width = Profile.constant(times * lifter.skeleton.sizes.biacromial_breadth)
    exercise = BenchPress(load_mass=load, spacing=width, frames=FRAMES)
    ready = prepare(lifter, exercise.lift(lifter.skeleton))
    return solve_lift(ready, Lateral(mode="free"), glenoid=glenoid)


def greatest(times):
    return float(np.nanmin(press(times, 20.0).greatest.factor))


def postures_within_reach(skeleton, count=400):
    rng = np.random.default_rng(3)
    posture = posture_from_angles(
        plane=rng.uniform(-60.0, 130.0, count) * DEG,
        elevation=np.arccos(rng.uniform(-0.75, 0.98, count)),
        axial=rng.uniform(-90.0, 90.0, count) * DEG,
        elbow_flexion=rng.uniform(5.0, 130.0, count) * DEG,
        forearm_rotation=rng.uniform(10.0, 140.0, count) * DEG,
    )
    return posture_from_angles(
        **{k: v[reachable(skeleton, posture)] for k, v in posture.angles().items()}
    )


def postures_to_the_ends_of_reach(skeleton):
    """A grid in which every angle of the shoulder goes from one limit to the other."""
    elevation, across, turned, elbow = (
        grid.ravel()
        for grid in np.meshgrid(
            np.arange(5.0, 150.0, 7.5) * DEG,
            np.linspace(0.0, 1.0, 12),
            np.linspace(0.0, 1.0, 12),
            np.array([5.0, 30.0, 60.0, 100.0, 130.0]) * DEG,
            indexing="ij",
        )
    )
    limits = shoulder_limits(skeleton, elevation)
    plane, twist = (
        (1.0 - part) * limits[name][0] + part * limits[name][1]
        for part, name in ((across, "plane"), (turned, "twist"))
    )
    posture = posture_from_angles(
        plane=plane,
        elevation=elevation,
        axial=axial_rotation(twist, plane, elevation),
        elbow_flexion=elbow,
        forearm_rotation=60.0 * DEG,
    )
    assert reachable(skeleton, posture).mean() > 0.99
    return posture[reachable(skeleton, posture)]


def held(limb, posture):
    """Frames of an arm held still, upright, without a load."""
    lift = held_lift(limb.skeleton, posture)
    return solve_lift(prepare(limb, lift), Lateral(mode="zero"), greatest_load=False)


def short(result):
    """Part of the frames in which a moment falls short."""
    return float(np.mean([str(s) != "solved" for s in result.sharing.status_text]))


def part_not_held(scapula, sex):
    own = limb(scapula, sex)
    return short(held(own, postures_within_reach(own.skeleton)))


def exercises(skeleton, load):
    width = Profile.constant(1.4 * skeleton.sizes.biacromial_breadth)
    level = Profile.constant(0.0)
    # Elbows ahead of the trunk on the chest and out to the sides overhead (common practice, no
    # source); held at 45 degrees the arm would have to turn outward by 124 at lock-out.
    outward = Profile(((0.0, 40.0 * DEG), (1.0, 10.0 * DEG)))
    tuck = Profile(((0.0, 60.0 * DEG), (1.0, 82.0 * DEG)))
    base = {"load_mass": load, "spacing": width, "frames": FRAMES}
    return {
        "bar press": BenchPress(**base),
        "incline press": BenchPress(**base, bench_angle=30.0 * DEG),
        "dumbbell press": BenchPress(**base, implement="dumbbells"),
        "overhead press": OverheadPress(**base, plane=outward, tilt=level),
        "push-up": PushUp(spacing=width, tuck=tuck, tilt=level, extra_mass=load, frames=FRAMES),
        "lying elbow extension": lying_elbow_extension(load, frames=FRAMES),
        "overhead elbow extension": overhead_elbow_extension(load, frames=FRAMES),
        "straight-arm pull-down": straight_arm_pull_down(load, frames=FRAMES),
    }


def frames_short(name, load, sex):
    own = limb(sex=sex)
    lift = exercises(own.skeleton, load)[name].lift(own.skeleton)
    mode = "free" if lift.lateral_free else "zero"
    result = solve_lift(prepare(own, lift), Lateral(mode=mode), greatest_load=False)
    return round(short(result) * FRAMES)


def passive_at_rest(scapula):
    """Passive force over the maximal isometric force of each head, arm hanging."""
    own = limb(scapula)
    hanging = posture_from_angles(elevation=5.0 * DEG, elbow_flexion=10.0 * DEG, axial=0.0)
    state = own.capacity(own.paths(hanging).length)
    return state.passive_force / own.greatest_isometric_force


def abduction_strength(scapula):
    """Greatest moment of elevation in the scapular plane at 20 to 90 degrees [N·m]."""
    raised = posture_from_angles(
        plane=30.0 * DEG, elevation=np.array([20.0, 45.0, 90.0]) * DEG, elbow_flexion=10.0 * DEG
    )
    return braced_strength(limb(scapula), raised, "shoulder_elevation")


def cuff_at_bound(times, head):
    """Frames of a press with 79 % of the greatest load in which a head has nothing left."""
    result = press(times, round(0.79 * greatest(times), 3))
    column = [k for k, n in enumerate(MODEL.head_names) if n.startswith(head)]
    return int((result.activation[:, column] > 1.0 - 1e-6).any(axis=1).sum())


def within_glenoid(times, glenoid):
    """Part of the frames of a press at 70 % of the greatest load.

    The limit that is kept has facets that touch the cone from outside.
    """
    result = press(times, round(0.7 * greatest(times), 3), glenoid)
    ready = result.prepared
    found = glenoid_load(ready.limb.skeleton, result.contact, ready.lift.posture)
    return float(np.mean(found.share_of_limit <= 1.0 / np.cos(np.pi / FACETS)))


def missed(reason):
    return pytest.mark.xfail(strict=True, reason=reason)


NOT_HELD = {
    "resting": "9 % of the postures within reach: a scapula that does not follow",
    "pressing": "5 % of the postures within reach: a scapula that does not follow",
}


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize(
    "scapula",
    [pytest.param(s, marks=missed(NOT_HELD[s])) if s in NOT_HELD else s for s in POLICIES],
)
def test_an_unloaded_arm_can_be_held_wherever_it_reaches(scapula, sex):
    assert part_not_held(scapula, sex) == 0.0


@missed("1 % of a grid of 14,000 for either sex, arm straight; 3.4 and 2.4 N·m at most are missing")
@pytest.mark.parametrize("sex", ["male", "female"])
def test_an_unloaded_arm_can_be_held_to_the_very_ends_of_its_reach(sex):
    own = limb("moving", sex)
    result = held(own, postures_to_the_ends_of_reach(own.skeleton))
    assert np.abs(result.sharing.unmet).max() < 1e-6


@pytest.mark.parametrize("sex", ["male", "female"])
def test_what_is_missing_at_the_very_ends_of_the_reach_is_little(sex):
    own = limb("moving", sex)
    result = held(own, postures_to_the_ends_of_reach(own.skeleton))
    assert short(result) < 0.01
    assert np.abs(result.sharing.unmet).max() < 4.0


EASY = [
    "overhead press",
    "bar press",
    "incline press",
    "dumbbell press",
    "lying elbow extension",
    "overhead elbow extension",
    "straight-arm pull-down",
]


@pytest.mark.parametrize("load", [0.0, 5.0])
@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize("name", EASY)
def test_every_exercise_can_be_done_without_a_load_and_with_a_light_one(name, sex, load):
    assert frames_short(name, load, sex) == 0


@pytest.mark.parametrize(
    ("sex", "load"),
    [
        ("male", 0.0),
        ("male", 5.0),
        ("female", 0.0),
        ("female", 5.0),
    ],
)
def test_a_push_up_can_be_done(sex, load):
    assert frames_short("push-up", load, sex) == 0


@pytest.mark.parametrize("scapula", POLICIES)
def test_no_head_is_stretched_with_the_arm_hanging(scapula):
    assert passive_at_rest(scapula).max() <= 0.05


@pytest.mark.parametrize("scapula", POLICIES)
def test_abduction_is_not_stronger_at_90_degrees_than_near_the_side(scapula):
    near, _, level = abduction_strength(scapula)
    assert level <= near


@pytest.mark.parametrize("times", SPACINGS)
def test_infraspinatus_is_not_at_its_bound_below_80_percent_of_the_greatest_load(times):
    assert cuff_at_bound(times, "infraspinatus") == 0


@pytest.mark.parametrize(
    "times",
    [
        SPACINGS[0],
        *(
            pytest.param(s, marks=missed(f"{n} of 21 frames"))
            for s, n in zip(SPACINGS[1:], (2, 2), strict=True)
        ),
    ],
)
def test_supraspinatus_is_not_at_its_bound_below_80_percent_of_the_greatest_load(times):
    assert cuff_at_bound(times, "supraspinatus") == 0


@pytest.mark.parametrize("times", SPACINGS)
def test_the_contact_force_stays_within_the_glenoid_in_a_press(times):
    assert within_glenoid(times, glenoid=True) == 1.0


@missed("86, 90 and 95 % of the frames at 1.0, 1.4 and 1.7")
@pytest.mark.parametrize("times", SPACINGS)
def test_the_contact_force_would_stay_within_the_glenoid_without_the_limit(times):
    assert within_glenoid(times, glenoid=False) == 1.0
