"""What holds for the whole limb whatever the numbers: mirror, scale, motion, batch, work."""

import dataclasses
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.held import held_at, still_girdle

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.directions import ROWS
from momentshare.exercise import BenchPress, Profile, reachable
from momentshare.exercise.demand import demand
from momentshare.exercise.reach import axial_rotation, shoulder_limits, shoulder_twist
from momentshare.geometry import rotation_about
from momentshare.girdle import girdle_pose
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.paths.course import path_points
from momentshare.person import Person
from momentshare.posture import Posture, arm_frame, posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

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
MIRRORED_TURNS = np.array([-1.0, -1.0, 1.0, -1.0, -1.0, 1.0])
"""Of the girdle's angles: about y, x and z, of clavicle and scapula."""
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
    return posture[index]


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
            head,
            lines=tuple(
                tuple(dataclasses.replace(step, sense=-step.sense) for step in line)
                for line in head.lines
            ),
        )
        for head in model.heads
    )
    return dataclasses.replace(model, surfaces=surfaces, heads=heads)


def mirrored_girdle(girdle):
    """Turns about x and y the other way round; the clavicle runs to the left, against its z."""
    turned = {
        k: MIRRORED_TURNS * getattr(girdle, k) for k in ("hanging", "rise", "reach", "follow")
    }
    return dataclasses.replace(
        girdle,
        root=SIDES @ girdle.root,
        length=-girdle.length,
        corner=SIDES @ girdle.corner,
        **turned,
    )


def mirrored_skeleton(skeleton):
    return dataclasses.replace(
        skeleton,
        model=mirrored_model(skeleton.model),
        joint_centre=SIDES @ skeleton.joint_centre,
        girdle=mirrored_girdle(skeleton.girdle),
        site={name: SIDES @ position for name, position in skeleton.site.items()},
        centre={name: SIDES @ position for name, position in skeleton.centre.items()},
    )


def mirrored_posture(posture):
    return Posture(
        humerus=SIDES @ posture.humerus @ SIDES,
        elbow_flexion=posture.elbow_flexion,
        forearm_rotation=-posture.forearm_rotation,
        girdle=posture.girdle,
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
        shoulder=lift.shoulder @ SIDES,
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
    np.testing.assert_allclose(left.activation, right.activation, atol=1e-6)
    np.testing.assert_allclose(left.lateral_force, right.lateral_force, atol=1e-3)
    np.testing.assert_allclose(left.greatest.factor, right.greatest.factor, rtol=1e-6)
    np.testing.assert_allclose(left.contact, right.contact @ SIDES, atol=1e-2)


# ------------------------------------------------------------------ scale


def scaled_skeleton(skeleton, s):
    return dataclasses.replace(
        skeleton,
        humerus_length=s * skeleton.humerus_length,
        forearm_length=s * skeleton.forearm_length,
        grip_length=s * skeleton.grip_length,
        joint_centre=s * skeleton.joint_centre,
        girdle=dataclasses.replace(
            skeleton.girdle,
            root=s * skeleton.girdle.root,
            length=s * skeleton.girdle.length,
            corner=s * skeleton.girdle.corner,
        ),
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


def on_trunk(places, described, turn, shift):
    """Places of sites or surfaces, those of the trunk turned and shifted."""
    return {
        name: place @ turn.T + shift if described[name].body == "thorax" else place
        for name, place in places.items()
    }


def turned_trunk(model, turn):
    """Cylinders of the trunk with their axes turned."""
    surfaces = {
        name: dataclasses.replace(surface, axis=tuple(turn @ np.array(surface.axis)))
        if surface.body == "thorax" and surface.shape == "cylinder"
        else surface
        for name, surface in model.surfaces.items()
    }
    return dataclasses.replace(model, surfaces=surfaces)


@quick
@given(seeds)
def test_moving_the_whole_body_changes_no_length_and_turns_every_vector_along(seed):
    rng = np.random.default_rng(seed)
    turn = rotation_about(rng.normal(size=3), rng.uniform(-3.0, 3.0))
    shift = rng.normal(size=3)
    posture = random_posture(seed)
    pose, count = girdle_pose(SKELETON.girdle, posture), len(posture.elbow_flexion)
    # A girdle's course is told in the thorax, so it is held where it is and turned along.
    moved = held_at(SKELETON, posture)
    along = dataclasses.replace(pose, clavicle=turn @ pose.clavicle, scapula=turn @ pose.scapula)
    girdle = still_girdle(SKELETON, along, count)
    root = SKELETON.girdle.root @ turn.T + shift
    moved = dataclasses.replace(
        moved,
        model=turned_trunk(MODEL, turn),
        girdle=dataclasses.replace(girdle, root=np.broadcast_to(root, (count, 3))),
        site=on_trunk(moved.site, MODEL.sites, turn, shift),
        centre=on_trunk(moved.centre, MODEL.surfaces, turn, shift),
    )
    here = paths(SKELETON, posture)
    there = paths(
        moved,
        dataclasses.replace(posture, humerus=turn @ posture.humerus),
        limb=np.arange(count),
    )
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
    # A turn of the arm about any axis with the elbow and the forearm moving at once; the girdle
    # stays, as arms are moments on the arm as a free body.
    rng = np.random.default_rng(seed)
    axis, step = rng.normal(size=3), 1e-5
    posture = random_posture(seed)
    rates = rng.normal(size=2)
    held = held_at(SKELETON, posture)

    def at(sign):
        return paths(
            held,
            Posture(
                humerus=rotation_about(axis, sign * step * np.linalg.norm(axis)) @ posture.humerus,
                elbow_flexion=posture.elbow_flexion + sign * step * rates[0],
                forearm_rotation=posture.forearm_rotation + sign * step * rates[1],
            ),
            limb=np.arange(len(posture.elbow_flexion)),
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
    one_line = np.array([len(head.lines) == 1 for head in MODEL.heads])
    single = ~np.isin(HEADS, ["biceps_brachii/long"]) & one_line
    np.testing.assert_allclose(size[crossing & single], 1.0, atol=1e-12)
    mixed = np.sum(found.line_of_action * found.shoulder_moment, axis=-1)
    # The head bears the contact: what the span at the scapula pulls is not what turns.
    borne = {s.name for s in MODEL.surfaces.values() if s.borne_by != s.body}
    own = np.array([borne.isdisjoint(step.name for step in h.lines[0]) for h in MODEL.heads])
    np.testing.assert_allclose(mixed[:, single & own], 0.0, atol=1e-12)


# ------------------------------------------------------------------ continuity

SWEEP = 0.5
GRID = 7.5
GREATEST_CHANGE = 3e-3
"""Most that an arm may change over half a degree [m]. An arm changes at lever × lever ÷ span;
levers at the shoulder stay below 0.1 m in a limb of this size, so that a change of 3 mm in
half a degree (0.34 m/rad) would need a free span below 0.1² / 0.34 = 3 cm."""

LOW_ARM = 10.0
"""Elevation below which the arm frame turns with the plane alone, so that the moment itself is
compared and not its parts in that frame [deg]."""

SHOULDER = ("plane", "elevation", "axial")


def average(sex, scapula="moving"):
    person = Person(
        name=f"average {sex}",
        sex=sex,
        stature=MODEL.fits[sex, "stature"].mean,
        body_mass=MODEL.fits[sex, "body_mass"].mean,
    )
    return build_skeleton(person, MODEL, scapula=scapula)


AVERAGE_MAN = average("male")
LIMBS = {
    f"{sex}, {scapula}": average(sex, scapula)
    for sex in ("male", "female")
    for scapula in MODEL.scapula_policies
}


def whole_sweep(skeleton, coordinate, step=SWEEP, grid=GRID):
    """One coordinate over its whole range, the other two on a grid over theirs [deg].

    Axial rotation is counted from where the twist is zero, so that its range is that of the
    limits at every plane and elevation.
    """
    number = skeleton.model.number
    ranges = {
        "plane": (-60.0, np.degrees(number("limit_plane_max"))),
        "elevation": (0.0, np.degrees(skeleton.highest_elevation)),
        "axial": (
            np.degrees(number("limit_axial_min")),
            np.degrees(number("limit_axial_max_hanging")),
        ),
    }
    if coordinate != "axial":  # then axial itself is held, with all its values at any plane
        ranges["axial"] = (-175.0, 150.0)
    held = [name for name in SHOULDER if name != coordinate]
    first, second = np.meshgrid(
        *(np.append(np.arange(*ranges[name], grid), ranges[name][1]) for name in held),
        indexing="ij",
    )
    swept = np.append(np.arange(*ranges[coordinate], step), ranges[coordinate][1])
    shape = (first.size, swept.size)
    angles = {
        held[0]: np.broadcast_to(first.reshape(-1, 1), shape),
        held[1]: np.broadcast_to(second.reshape(-1, 1), shape),
        coordinate: np.broadcast_to(swept, shape),
    }
    angles |= {"elbow_flexion": 60.0, "forearm_rotation": 60.0}
    angles = {name: np.asarray(value) * DEG for name, value in angles.items()}
    plane, elevation = angles["plane"], angles["elevation"]
    if coordinate == "axial":
        angles["axial"] = axial_rotation(angles["axial"], plane, elevation)
    posture = posture_from_angles(**angles)
    good = reachable(skeleton, posture)
    behind = shoulder_limits(skeleton, elevation)["plane"][0]
    good &= plane >= behind  # also for a low arm, where it is not judged
    some = good.sum(axis=1) > 1
    return only(posture, some), good[some]


def swept(skeleton, **how):
    """Largest step of any arm [m], postures with a point inside, least margin [rad]."""
    change = np.zeros((len(SHOULDER), len(HEADS)))
    inside, margin = np.zeros(len(HEADS), dtype=int), np.full(len(HEADS), np.inf)
    for k, coordinate in enumerate(SHOULDER):
        posture, good = whole_sweep(skeleton, coordinate, **how)
        found = paths(skeleton, posture)
        arms = np.abs(np.diff(found.moment_arms, axis=1)).max(axis=2)
        moment = np.linalg.norm(np.diff(found.shoulder_moment, axis=1), axis=-1)
        low = posture.angles()["elevation"] < LOW_ARM * DEG
        step = np.where((low[:, 1:] | low[:, :-1])[..., None], moment, arms)
        step[~(good[:, 1:] & good[:, :-1])] = 0.0
        change[k] = step.max(axis=(0, 1))
        inside += (found.inside & good[..., None]).sum(axis=(0, 1))
        margin = np.minimum(margin, found.margin[good].min(axis=0))
    return change, inside, margin


@pytest.fixture(scope="module")
def whole():
    return {name: swept(skeleton) for name, skeleton in LIMBS.items()}


JUMPS = {
    # Largest step of an arm within reach [mm per half degree].
    "male, resting": {"subscapularis/upper": 6},
    "female, resting": {"subscapularis/upper": 5},
    "male, pressing": {"deltoid/clavicular": 4},
    "female, pressing": {"deltoid/clavicular": 4},
}
"""Heads whose path jumps within reach; none does where the girdle moves."""


def missed(request, reason):
    request.applymarker(pytest.mark.xfail(strict=True, reason=reason))


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("limb", LIMBS)
def test_arms_change_smoothly_over_the_reach_of_the_shoulder(whole, head, limb, request):
    jump = JUMPS.get(limb, {}).get(head)
    if jump:
        missed(request, f"jumps by {jump} mm within reach")
    change, _, _ = whole[limb]
    for coordinate, worst in zip(SHOULDER, change[:, HEADS.index(head)], strict=True):
        assert worst < GREATEST_CHANGE, coordinate


@pytest.mark.parametrize("limb", LIMBS)
def test_no_point_enters_its_surface_and_no_path_changes_its_side_within_reach(
    whole, limb, request
):
    if limb.endswith("moving"):
        missed(request, "the clavicular pectoralis enters a surface where the joint goes back")
    _, inside, margin = whole[limb]
    assert dict(zip(HEADS, inside, strict=True)) == dict.fromkeys(HEADS, 0)
    assert margin.min() > 0.0


@pytest.mark.parametrize("limb", LIMBS)
def test_moment_arms_are_the_slope_of_a_smooth_length_over_the_reach(limb):
    # Length between two postures is the integral of its slope: a jump of length, or a side
    # that flips between two steps, would leave a rest. Trapezoid over half a degree: the arms
    # change by 3 mm at most, so the rest is below 3 mm × 0.0087 / 8 for a smooth arm and a
    # kink; 0.01 mm leaves room for that and shows a jump of length of the same size.
    skeleton = LIMBS[limb]
    rows = {"elevation": 1, "axial": 0}
    if limb.endswith("moving"):
        del rows["elevation"]  # the girdle goes up with the arm, which changes lengths too
    for coordinate, row in rows.items():
        posture, good = whole_sweep(skeleton, coordinate, grid=15.0)
        found = paths(skeleton, posture)
        arm = found.moment_arms[:, :, row]
        mean = 0.5 * (arm[:, 1:] + arm[:, :-1])
        angle = posture.angles()
        turn = np.diff(np.unwrap(angle[coordinate], axis=1), axis=1)
        rest = np.diff(found.length, axis=1) + mean * turn[..., None]
        high = angle["elevation"] > LOW_ARM * DEG
        pair = good[:, 1:] & good[:, :-1] & high[:, 1:] & high[:, :-1]
        assert np.abs(rest[pair]).max() < 1e-5


def test_whole_sweeps_reach_every_limit():
    for skeleton in LIMBS.values():
        for coordinate in SHOULDER:
            posture, good = whole_sweep(skeleton, coordinate, step=2.5, grid=15.0)
            angles = posture.angles()
            elevation = angles["elevation"][good]
            limits = shoulder_limits(skeleton, elevation)
            values = {"plane": angles["plane"][good], "twist": shoulder_twist(posture)[good]}
            judged = elevation > 20.0 * DEG
            for name, value in values.items():
                low, high = limits[name]
                # Within a step of the grid of the outermost corners.
                assert (value - low)[judged].min() < 16.0 * DEG
                assert (high - value)[judged].min() < 16.0 * DEG
            assert elevation.max() > skeleton.highest_elevation - 16.0 * DEG


@pytest.mark.parametrize("coordinate", ["elbow_flexion", "forearm_rotation"])
def test_arms_change_smoothly_with_elbow_and_forearm(coordinate):
    # The whole range of the coordinate; shoulder and the other one at random within reach.
    rng = np.random.default_rng(11)
    count = 60
    limits = [np.degrees(MODEL.number(f"limit_{coordinate}_{end}")) for end in ("min", "max")]
    angles = np.arange(limits[0], limits[1] + 0.5 * SWEEP, SWEEP)
    fixed = {n: rng.uniform(*r, (count, 1)) * DEG for n, r in RANGES.items()}
    fixed[coordinate] = np.broadcast_to(angles * DEG, (count, len(angles)))
    for skeleton in LIMBS.values():
        posture = posture_from_angles(**fixed)
        good = reachable(skeleton, posture).all(axis=1)
        assert good.sum() > 10
        found = paths(skeleton, posture)
        change = np.abs(np.diff(found.moment_arms[good], axis=1)).max(axis=(0, 1, 2))
        fast = {h: float(v) for h, v in zip(HEADS, change, strict=True) if v >= GREATEST_CHANGE}
        assert not fast


FASTEST_IN_A_PRESS = 1e-3
"""Most that an arm may change for each degree that the arm turns in a press [m]: arms are of
6 cm at most, and one that changed by its own size within a radian would change as fast."""


def bench_press(skeleton, spacing, bench, frames):
    """Press at a spacing over biacromial breadth and a bench angle [deg]; paths do not depend on
    the load."""
    return BenchPress(
        load_mass=60.0,
        spacing=Profile.constant(spacing * skeleton.sizes.biacromial_breadth),
        tuck=Profile(((0.0, 60 * DEG), (1.0, 82 * DEG))),
        tilt=Profile(((0.0, 7 * DEG), (1.0, -6 * DEG))),
        bench_angle=bench * DEG,
        frames=frames,
    ).lift(skeleton)


def fastest_change(bench):
    """Largest change of each head's arms for a degree of turn, over presses [m/deg]."""
    worst = np.zeros(len(HEADS))
    for spacing in (1.0, 1.4, 1.7):
        lift = bench_press(AVERAGE_MAN, spacing, bench, frames=401)
        found = paths(AVERAGE_MAN, lift.posture)
        assert not found.inside.any()
        turn = lift.posture.humerus[1:] @ np.swapaxes(lift.posture.humerus[:-1], 1, 2)
        cosine = np.clip(0.5 * (np.trace(turn, axis1=1, axis2=2) - 1.0), -1.0, 1.0)
        degrees = np.degrees(np.arccos(cosine))
        degrees += np.degrees(np.abs(np.diff(lift.posture.elbow_flexion)))
        step = np.abs(np.diff(found.moment_arms, axis=0)).max(axis=1)
        worst = np.maximum(worst, (step / degrees[:, None]).max(axis=0))
    return dict(zip(HEADS, worst, strict=True))


@pytest.mark.parametrize("bench", [-20.0, 0.0, 30.0])
def test_arms_change_smoothly_along_presses(bench, request):
    if bench == -20.0:
        missed(request, "teres minor 2.7, subscapularis 1.4 and 2.2 mm per degree")
    fast = {h: v for h, v in fastest_change(bench).items() if v >= FASTEST_IN_A_PRESS}
    assert not fast


# ------------------------------------------------------------------ sense of the cuff

INTERNAL = "shoulder_internal_rotation"
INWARD, OUTWARD = 1.0, -1.0
CUFF_SENSE = {
    "subscapularis/upper": INWARD,
    "subscapularis/lower": INWARD,
    "infraspinatus/upper": OUTWARD,
    "infraspinatus/lower": OUTWARD,
    "teres_minor": OUTWARD,
}
"""Sense in which the cuff turns the arm about itself, as every anatomy text gives it (from
memory)."""

REVERSED = {
    "moving": {0.0: 0.05, 0.1: 0.02, 0.25: 0.006},
    "held": {0.0: 0.081, 0.1: 0.0485, 0.25: 0.018},
}
"""Moment the other way round, over the head's greatest rotation moment within reach, and the most
of the reach in which a cuff head may have a greater one at full activation. A path round a sphere
keeps its sense over half a turn of its site about the humeral axis; the reach is wider than that,
so none can be right in all of it. The shares are what the limb holds, not what a shoulder does;
lines were placed so that none jumps with the girdle that moves, which costs those of a scapula that
is held (up to 8 % reversed, 5 % when one line stood for a head)."""


@cache
def rotation_moments(sex, scapula):
    """Moment of every head about the humerus at full activation, over the reach [N·m]."""
    skeleton = average(sex, scapula)
    rng = np.random.default_rng(5)
    count = 8000
    plane, elevation = rng.uniform(-60.0, 105.0, count), rng.uniform(0.0, 150.0, count)
    twist = rng.uniform(-100.0, 90.0, count)
    posture = posture_from_angles(
        plane=plane * DEG,
        elevation=elevation * DEG,
        axial=axial_rotation(twist * DEG, plane * DEG, elevation * DEG),
        elbow_flexion=np.full(count, 60.0 * DEG),
        forearm_rotation=np.full(count, 60.0 * DEG),
    )
    good = reachable(skeleton, posture)
    assert good.sum() > 3000
    limb = build_limb(skeleton.person, MODEL, scapula=scapula)
    found = limb.paths(only(posture, good))
    return found.moment_arms[:, ROWS.index(INTERNAL)] * limb.capacity(found.length).active_capacity


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize("scapula", MODEL.scapula_policies)
@pytest.mark.parametrize("head", CUFF_SENSE)
@pytest.mark.parametrize("part", REVERSED["moving"])
def test_cuff_keeps_its_rotational_sense_over_most_of_the_reach(sex, scapula, head, part):
    right = CUFF_SENSE[head] * rotation_moments(sex, scapula)[:, HEADS.index(head)]
    most = REVERSED["moving" if scapula == "moving" else "held"][part]
    assert np.mean(right < -part * right.max()) <= most


@pytest.mark.parametrize(
    ("bench", "frames_judged"),
    [
        # At lock-out on a decline the arm is turned inward by 50 to 60 degrees across the chest,
        # where the tubercle passes the site
        # before the rim. The last twentieth of the lift is left out there.
        (-20.0, 39),
        (0.0, 41),
        (15.0, 41),
        (30.0, 41),
        (45.0, 41),
    ],
)
@pytest.mark.parametrize("scapula", MODEL.scapula_policies)
def test_cuff_keeps_its_rotational_sense_in_presses(bench, frames_judged, scapula):
    for sex in ("male", "female"):
        skeleton = average(sex, scapula)
        for spacing in (1.0, 1.4, 1.7):
            lift = bench_press(skeleton, spacing, bench, frames=41)
            arms = paths(skeleton, lift.posture).moment_arms[:, ROWS.index(INTERNAL)]
            for head, sense in CUFF_SENSE.items():
                judged = sense * arms[:frames_judged, HEADS.index(head)]
                assert judged.min() > 0.0, (head, spacing)


HEAD_RADIUS = 21.5e-3
"""Radius of the head of the humerus, 23 mm (Robertson and others 2000), less one spread [m]."""

THROUGH = {
    # Least distance from the centre of the head in a man [mm] and part of the reach below 22 mm.
    "pectoralis_major/clavicular": "11 mm, arm behind and turned outward, 4 % of the reach",
    "pectoralis_major/abdominal": "19 mm, arm overhead and turned outward, 1 %",
    "latissimus_dorsi/upper": "3 mm, arm overhead and turned outward, 18 %",
    "latissimus_dorsi/lower": "3 mm, arm overhead and turned outward, 14 %",
    "teres_major": "14 mm, arm overhead and turned outward, 4 %",
}
ACROSS_THE_SHOULDER = [
    h.name for h in MODEL.heads if MODEL.sites[h.lines[0][0].name].body != "humerus"
]


def distance(points, centre):
    """Least distance of a polyline from a point, (frames, points, 3) and (frames, 3)."""
    first, span = points[:, :-1], np.diff(points, axis=1)
    square = np.maximum((span**2).sum(axis=-1), 1e-18)
    along = np.clip((((centre[:, None] - first) * span).sum(axis=-1)) / square, 0.0, 1.0)
    nearest = first + along[..., None] * span
    return np.linalg.norm(nearest - centre[:, None], axis=-1).min(axis=-1)


@cache
def nearest_to_the_head(sex):
    """Least distance of each head's lines from the centre of the humeral head [m]."""
    skeleton = average(sex)
    grid = np.meshgrid(
        np.arange(-90.0, 106.0, 15.0), np.arange(0.0, 151.0, 15.0), np.arange(-90.0, 91.0, 30.0)
    )
    plane, elevation, axial = (DEG * np.ravel(g) for g in grid)
    posture = posture_from_angles(
        plane=plane, elevation=elevation, axial=axial, elbow_flexion=60.0 * DEG
    )
    posture = only(posture, reachable(skeleton, posture))
    centre = body_poses(skeleton, posture).origin["humerus"]
    lines = path_points(skeleton, posture, arc=12)
    return {h: min(distance(p, centre).min() for p in lines[h]) for h in ACROSS_THE_SHOULDER}


@pytest.mark.parametrize("head", ACROSS_THE_SHOULDER)
@pytest.mark.parametrize("sex", ["male", "female"])
def test_no_line_runs_through_the_head_of_the_humerus(sex, head, request):
    if head in THROUGH:
        missed(request, THROUGH[head])
    bone = MODEL.fits[sex, "stature"].mean / MODEL.number("reference_stature")
    assert nearest_to_the_head(sex)[head] > bone * HEAD_RADIUS
