"""What holds for the whole limb whatever the numbers: mirror, scale, motion, batch, work."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.demand import demand
from momentshare.exercise import BenchPress, Profile
from momentshare.geometry import rotation_about
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.paths import ROWS, paths
from momentshare.person import Person
from momentshare.posture import Posture, arm_frame, posture_from_angles
from momentshare.skeleton import build_skeleton

DEG = np.pi / 180.0
RANGES = {
    "plane": (-45.0, 110.0),
    "elevation": (10.0, 120.0),
    "axial": (-60.0, 60.0),
    "elbow_flexion": (5.0, 140.0),
    "forearm_rotation": (0.0, 150.0),
}
SIDES = np.diag([1.0, 1.0, -1.0])
MIRRORED_ROWS = np.array([-1.0, 1.0, -1.0, 1.0, -1.0])
"""Rows of a left arm in the axes of the right one: elevation and extension stay, the others
turn over."""
seeds = st.integers(0, 2**32 - 1)
quick = settings(max_examples=12, deadline=None)
MODEL = load_model()
HEADS = MODEL.head_names
SKELETON = build_skeleton(Person(name="Una", sex="female", stature=1.70, body_mass=66.0), MODEL)


def random_posture(seed, count=6):
    rng = np.random.default_rng(seed)
    return posture_from_angles(
        **{name: rng.uniform(*limits, count) * DEG for name, limits in RANGES.items()}
    )


def only(posture, index):
    return Posture(
        humerus=posture.humerus[index],
        elbow_flexion=posture.elbow_flexion[index],
        forearm_rotation=posture.forearm_rotation[index],
    )


def settled(found, heads=slice(None)):
    """Postures where every chosen head is away from a jump of its path.

    Within a thousandth of a radian of a jump rounding may decide on which side a path passes.
    """
    margin = np.min(found.margin[..., heads], axis=-1)
    return margin > 1e-3


# ------------------------------------------------------------------ mirror


def mirrored_model(model):
    """Cylinders seen in a mirror run the other way round."""
    surfaces = {
        name: dataclasses.replace(surface, axis=tuple(SIDES @ np.array(surface.axis)))
        for name, surface in model.surfaces.items()
    }
    heads = tuple(
        dataclasses.replace(
            head, path=tuple(dataclasses.replace(step, sense=-step.sense) for step in head.path)
        )
        for head in model.heads
    )
    return dataclasses.replace(model, surfaces=surfaces, heads=heads)


def mirrored_skeleton(skeleton):
    return dataclasses.replace(
        skeleton,
        model=mirrored_model(skeleton.model),
        joint_centre=SIDES @ skeleton.joint_centre,
        fixed={
            body: (SIDES @ rotation @ SIDES, SIDES @ origin)
            for body, (rotation, origin) in skeleton.fixed.items()
        },
        site={name: SIDES @ position for name, position in skeleton.site.items()},
        centre={name: SIDES @ position for name, position in skeleton.centre.items()},
    )


def mirrored_posture(posture):
    return Posture(
        humerus=SIDES @ posture.humerus @ SIDES,
        elbow_flexion=posture.elbow_flexion,
        forearm_rotation=-posture.forearm_rotation,
    )


@quick
@given(seeds)
def test_mirrored_limb_has_mirrored_paths(seed):
    posture = random_posture(seed)
    right = paths(SKELETON, posture)
    left = paths(mirrored_skeleton(SKELETON), mirrored_posture(posture))
    safe = settled(right)
    np.testing.assert_allclose(left.length[safe], right.length[safe], atol=1e-12)
    np.testing.assert_allclose(
        left.moment_arms[safe], MIRRORED_ROWS[:, None] * right.moment_arms[safe], atol=1e-10
    )
    np.testing.assert_allclose(
        left.line_of_action[safe], right.line_of_action[safe] @ SIDES, atol=1e-9
    )
    np.testing.assert_array_equal(left.contact[safe], right.contact[safe])


@pytest.fixture(scope="module")
def pressing():
    limb = build_limb(SKELETON.person, MODEL)
    lift = BenchPress(
        load_mass=36.0,
        spacing=Profile.constant(0.52),
        tuck=Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
        tilt=Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
        bench_angle=15 * DEG,
        frames=13,
    ).lift(limb.skeleton)
    return limb, lift


def mirrored_lift(lift):
    return dataclasses.replace(
        lift,
        posture=mirrored_posture(lift.posture),
        hand=lift.hand @ SIDES,
        elbow=lift.elbow @ SIDES,
        lateral_axis=SIDES @ lift.lateral_axis,
    )


def test_mirrored_press_asks_for_mirrored_moments(pressing):
    limb, lift = pressing
    right = demand(limb.skeleton, lift)
    left = demand(mirrored_skeleton(limb.skeleton), mirrored_lift(lift))
    for name in ("limb_moments", "load_moments", "lateral_moments", "gravity_arms"):
        np.testing.assert_allclose(
            getattr(left, name), MIRRORED_ROWS * getattr(right, name), atol=1e-12, err_msg=name
        )


@pytest.mark.parametrize("mode", ["measured", "zero", "free"])
def test_mirrored_press_is_shared_among_the_heads_alike(pressing, mode):
    limb, lift = pressing
    lateral = Lateral(mode=mode, ratio=0.1 if mode == "measured" else 0.0)
    right = solve_lift(prepare(limb, lift), lateral)
    mirror = dataclasses.replace(limb, skeleton=mirrored_skeleton(limb.skeleton))
    left = solve_lift(prepare(mirror, mirrored_lift(lift)), lateral)
    # The solver stops at residuals of about 1e-9 of the moments.
    np.testing.assert_allclose(left.effort, right.effort, atol=1e-6)
    np.testing.assert_allclose(left.lateral_force, right.lateral_force, atol=1e-3)
    np.testing.assert_allclose(left.greatest.factor, right.greatest.factor, rtol=1e-6)
    np.testing.assert_allclose(left.contact, right.contact @ SIDES, atol=1e-2)


# ------------------------------------------------------------------ scale


def scaled_skeleton(skeleton, s):
    size = {
        name: s * value for name, value in skeleton.sizes.to_dict().items() if name != "body_mass"
    }
    return dataclasses.replace(
        skeleton,
        sizes=dataclasses.replace(skeleton.sizes, **size),
        joint_centre=s * skeleton.joint_centre,
        fixed={b: (rotation, s * origin) for b, (rotation, origin) in skeleton.fixed.items()},
        site={name: s * position for name, position in skeleton.site.items()},
        centre={name: s * position for name, position in skeleton.centre.items()},
        radius={name: s * radius for name, radius in skeleton.radius.items()},
    )


@quick
@given(seeds, st.floats(0.5, 2.0))
def test_scaling_all_lengths_scales_lengths_and_moment_arms(seed, s):
    posture = random_posture(seed)
    small, large = paths(SKELETON, posture), paths(scaled_skeleton(SKELETON, s), posture)
    safe = settled(small)
    np.testing.assert_allclose(large.length[safe], s * small.length[safe], rtol=1e-10)
    np.testing.assert_allclose(large.moment_arms[safe], s * small.moment_arms[safe], atol=1e-10)
    np.testing.assert_allclose(large.line_of_action[safe], small.line_of_action[safe], atol=1e-8)


# ------------------------------------------------------------------ rigid motion


@quick
@given(seeds)
def test_moving_the_whole_body_changes_no_length_and_turns_every_vector_along(seed):
    rng = np.random.default_rng(seed)
    turn = rotation_about(rng.normal(size=3), rng.uniform(-3.0, 3.0))
    shift = rng.normal(size=3)
    moved = dataclasses.replace(
        SKELETON,
        joint_centre=turn @ SKELETON.joint_centre + shift,
        fixed={
            body: (turn @ rotation, turn @ origin + shift)
            for body, (rotation, origin) in SKELETON.fixed.items()
        },
    )
    posture = random_posture(seed)
    here = paths(SKELETON, posture)
    there = paths(moved, dataclasses.replace(posture, humerus=turn @ posture.humerus))
    safe = settled(here)
    np.testing.assert_allclose(there.length[safe], here.length[safe], atol=1e-12)
    np.testing.assert_allclose(there.moment_arms[safe, 3:], here.moment_arms[safe, 3:], atol=1e-10)
    for name in ("shoulder_moment", "line_of_action"):
        np.testing.assert_allclose(
            getattr(there, name)[safe], getattr(here, name)[safe] @ turn.T, atol=1e-8
        )


# ------------------------------------------------------------------ batches


@quick
@given(seeds)
def test_paths_of_a_batch_are_those_of_single_postures(seed):
    posture = random_posture(seed, count=5)
    batch = paths(SKELETON, posture)
    safe = settled(batch)
    for k in range(5):
        one = paths(SKELETON, only(posture, k))
        if safe[k]:
            np.testing.assert_allclose(one.length, batch.length[k], atol=1e-12)
            np.testing.assert_allclose(one.moment_arms, batch.moment_arms[k], atol=1e-10)


@pytest.mark.parametrize("shape", [(0,), (3, 0)])
def test_empty_batch_has_empty_paths(shape):
    found = paths(SKELETON, posture_from_angles(elevation=np.full(shape, 0.5)))
    assert found.length.shape == (*shape, len(HEADS))
    assert found.moment_arms.shape == (*shape, len(ROWS), len(HEADS))
    assert found.line_of_action.shape == (*shape, len(HEADS), 3)


def test_batch_axes_are_kept():
    angles = np.linspace(0.3, 1.3, 6)
    flat = paths(SKELETON, posture_from_angles(elevation=angles))
    square = paths(SKELETON, posture_from_angles(elevation=angles.reshape(2, 3)))
    np.testing.assert_allclose(square.length.reshape(6, -1), flat.length, atol=1e-12)


def test_missing_posture_does_not_disturb_the_others():
    angles = np.array([0.5, np.nan, 1.0])
    with np.errstate(invalid="ignore"):
        found = paths(SKELETON, posture_from_angles(elevation=angles))
    whole = paths(SKELETON, posture_from_angles(elevation=angles[[0, 2]]))
    np.testing.assert_allclose(found.length[[0, 2]], whole.length, atol=1e-12)
    crossing = np.abs(whole.shoulder_moment).max(axis=(0, 2)) > 0.0
    assert np.isnan(found.length[1, crossing]).all()


# ------------------------------------------------------------------ work


@quick
@given(seeds)
def test_virtual_work_of_a_pull_is_its_shortening(seed):
    # A turn of the arm about any axis with the elbow and the forearm moving at once.
    rng = np.random.default_rng(seed)
    axis, step = rng.normal(size=3), 1e-5
    posture = random_posture(seed)
    rates = rng.normal(size=2)

    def at(sign):
        return paths(
            SKELETON,
            Posture(
                humerus=rotation_about(axis, sign * step * np.linalg.norm(axis)) @ posture.humerus,
                elbow_flexion=posture.elbow_flexion + sign * step * rates[0],
                forearm_rotation=posture.forearm_rotation + sign * step * rates[1],
            ),
        )

    here = paths(SKELETON, posture)
    shortening = -(at(1).length - at(-1).length) / (2.0 * step)
    speeds = np.concatenate(
        [
            arm_frame(posture.humerus) @ axis,
            np.broadcast_to([-rates[0], rates[1]], (len(posture.elbow_flexion), 2)),
        ],
        axis=-1,
    )
    work = np.einsum("fr,frh->fh", speeds, here.moment_arms)
    # Within a tenth of a radian of a jump two surfaces may push each other off without end,
    # which the comparison with central differences shows at two postures.
    safe = np.min(here.margin, axis=-1) > 0.15
    # Truncation as in the tests of single rows, times speeds up to 4 a second.
    np.testing.assert_allclose(work[safe], shortening[safe], atol=4e-6)


def test_pull_and_counterpull_leave_no_force_on_heads_that_stay_below_the_shoulder():
    found = paths(SKELETON, random_posture(7))
    for head in ("brachialis", "brachioradialis", "anconeus", "triceps_brachii/medial"):
        np.testing.assert_array_equal(found.line_of_action[:, HEADS.index(head)], 0.0)


@quick
@given(seeds)
def test_line_of_action_is_a_unit_pull_whose_moment_is_square_to_it(seed):
    found = paths(SKELETON, random_posture(seed))
    size = np.linalg.norm(found.line_of_action, axis=-1)
    crossing = size > 0.0
    single = ~np.isin(HEADS, ["biceps_brachii/long"])
    np.testing.assert_allclose(size[crossing & single], 1.0, atol=1e-12)
    mixed = np.sum(found.line_of_action * found.shoulder_moment, axis=-1)
    np.testing.assert_allclose(mixed[:, single], 0.0, atol=1e-12)


# ------------------------------------------------------------------ continuity

SWEEP = 0.5
GREATEST_CHANGE = 3e-3
"""Most that an arm may change over half a degree [m]. An arm changes at lever × lever ÷ span;
levers at the shoulder stay below 0.1 m in a limb of this size, so that a change of 3 mm in
half a degree (0.34 m/rad) would need a free span below 0.1² / 0.34 = 3 cm."""


def sweeps(coordinate, count=12, seed=11):
    rng = np.random.default_rng(seed)
    low, high = RANGES[coordinate]
    angles = np.arange(low, high + 0.5 * SWEEP, SWEEP)
    fixed = {n: rng.uniform(*r, (count, 1)) * DEG for n, r in RANGES.items()}
    fixed[coordinate] = np.broadcast_to(angles * DEG, (count, len(angles)))
    return posture_from_angles(**fixed)


def greatest_changes(coordinate):
    """Largest change of any arm of each head over one step of a sweep [m], shape (heads,)."""
    arms = paths(SKELETON, sweeps(coordinate)).moment_arms
    return np.abs(np.diff(arms, axis=1)).max(axis=(0, 1, 2))


@pytest.fixture(scope="module")
def changes():
    return {name: greatest_changes(name) for name in RANGES}


JUMPS = {
    # head: coordinate, its value before the step [deg], plane, elevation, axial [deg], why
    "pectoralis_major/clavicular": ("axial", 37.5, 81, 10, 43, "22 mm: end within a cylinder"),
    "pectoralis_major/sternocostal_upper": (
        "elevation",
        14.0,
        109,
        39,
        40,
        "62 mm: end within the chest cylinder",
    ),
    "pectoralis_major/sternocostal_lower": (
        "elevation",
        17.0,
        109,
        39,
        40,
        "53 mm: end within the chest cylinder",
    ),
    "pectoralis_major/abdominal": (
        "plane",
        109.0,
        46,
        23,
        52,
        "31 mm: end within the chest cylinder",
    ),
    "deltoid/clavicular": ("elevation", 108.0, -42, 74, -37, "111 mm: wrap angle reaches π"),
    "deltoid/acromial": ("plane", -44.0, 58, 83, -50, "67 mm: end within the cylinder"),
}
"""The worst step of half a degree found for each head in 150 sweeps of each shoulder angle."""

SMOOTH = tuple(head for head in HEADS if head not in JUMPS)
AVERAGE_MAN = build_skeleton(
    Person(
        name="average man",
        sex="male",
        stature=MODEL.fits["male", "stature"].mean,
        body_mass=MODEL.fits["male", "body_mass"].mean,
    ),
    MODEL,
)


@pytest.mark.parametrize("coordinate", ["elbow_flexion", "forearm_rotation"])
@pytest.mark.parametrize("head", HEADS)
def test_arms_change_smoothly_with_elbow_and_forearm(changes, head, coordinate):
    assert changes[coordinate][HEADS.index(head)] < GREATEST_CHANGE


@pytest.mark.parametrize("coordinate", ["plane", "elevation", "axial"])
@pytest.mark.parametrize("head", SMOOTH)
def test_arms_change_smoothly_with_the_shoulder(changes, head, coordinate):
    assert changes[coordinate][HEADS.index(head)] < GREATEST_CHANGE


@pytest.mark.parametrize(
    "head",
    [
        pytest.param(
            head,
            marks=pytest.mark.xfail(
                strict=True, raises=AssertionError, reason=f"arm jumps by {case[-1]}"
            ),
        )
        for head, case in JUMPS.items()
    ],
)
def test_arms_do_not_jump_at_the_worst_posture_found(head):
    coordinate, value, plane, elevation, axial, _ = JUMPS[head]
    angles = {"plane": plane * DEG, "elevation": elevation * DEG, "axial": axial * DEG}
    angles[coordinate] = np.array([value, value + SWEEP]) * DEG
    arms = paths(AVERAGE_MAN, posture_from_angles(**angles)).moment_arms[..., HEADS.index(head)]
    assert np.abs(arms[1] - arms[0]).max() < GREATEST_CHANGE


FASTEST_IN_A_PRESS = 1e-3
"""Most that an arm may change for each degree that the arm turns in a press [m]: arms are of
6 cm at most, and one that changed by its own size within a radian would change as fast."""


def fastest_change(bench):
    """Largest change of each head's arms for a degree of turn, over presses [m/deg]."""
    worst = np.zeros(len(HEADS))
    for spacing in (1.0, 1.4, 1.7):
        lift = BenchPress(
            load_mass=80.0,
            spacing=Profile.constant(spacing * AVERAGE_MAN.sizes.biacromial_breadth),
            tuck=Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
            tilt=Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
            bench_angle=bench * DEG,
            frames=401,
        ).lift(AVERAGE_MAN)
        found = paths(AVERAGE_MAN, lift.posture)
        assert not found.inside.any()
        turn = lift.posture.humerus[1:] @ np.swapaxes(lift.posture.humerus[:-1], 1, 2)
        cosine = np.clip(0.5 * (np.trace(turn, axis1=1, axis2=2) - 1.0), -1.0, 1.0)
        degrees = np.degrees(np.arccos(cosine))
        degrees += np.degrees(np.abs(np.diff(lift.posture.elbow_flexion)))
        step = np.abs(np.diff(found.moment_arms, axis=0)).max(axis=1)
        worst = np.maximum(worst, (step / degrees[:, None]).max(axis=0))
    return dict(zip(HEADS, worst, strict=True))


@pytest.mark.parametrize(
    "bench",
    [
        0.0,
        30.0,
        pytest.param(
            -20.0,
            marks=pytest.mark.xfail(
                strict=True,
                raises=AssertionError,
                reason="subscapularis/upper changes by 1.6 mm a degree near lock-out: its "
                "insertion comes near the site at the glenoid rim",
            ),
        ),
    ],
)
def test_arms_change_smoothly_along_presses(bench):
    fast = {h: v for h, v in fastest_change(bench).items() if v >= FASTEST_IN_A_PRESS}
    assert not fast
