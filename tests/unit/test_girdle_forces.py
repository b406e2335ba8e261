"""Load of the girdle on the trunk, against virtual work and the whole arm as a free body."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.analysis.girdle_forces import girdle_load, girdle_pull
from momentshare.exercise import BenchPress, OverheadPress, Profile, PushUp
from momentshare.geometry.rotation import rotation_about
from momentshare.girdle import girdle_pose
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.reading import glenoid_table
from momentshare.reading.glenoid import GIRDLE_FORCE, GIRDLE_MOMENT
from momentshare.report.text.girdle import girdle_sentences
from momentshare.skeleton import body_poses
from momentshare.study import parse_study, run_study
from momentshare.units import GRAVITY

MODEL = load_model()
PERSON = Person(name="Odd", sex="male", stature=1.82, body_mass=86.0, training_factor=1.4)
GIRDLE = {"clavicle", "scapula"}
STEP = 1e-7


@pytest.fixture(scope="module")
def limb():
    return build_limb(PERSON, MODEL)


EXERCISES = {
    "bench": BenchPress(load_mass=40.0, spacing=Profile.constant(0.6), frames=7),
    "timed": BenchPress(load_mass=40.0, spacing=Profile.constant(0.6), frames=7, duration=1.1),
    "overhead": OverheadPress(
        load_mass=16.0,
        spacing=Profile.constant(0.55),
        plane=Profile.constant(0.8),
        tilt=Profile.constant(0.0),
        frames=7,
    ),
    "push-up": PushUp(
        spacing=Profile.constant(0.6), tuck=Profile.constant(1.0), tilt=Profile.constant(0.0),
        frames=7,
    ),
}  # fmt: skip


def solved(limb, name, lateral=None):
    lift = EXERCISES[name].lift(limb.skeleton)
    assert lift.reachable.all()
    return solve_lift(prepare(limb, lift), lateral or Lateral(mode="zero"), greatest_load=False)


# ------------------------------------------------------------------ virtual work


def moved(skeleton, poses, frame, bodies, shift, turn, about):
    """Skeleton whose sites and surfaces on some bodies are displaced in the thorax frame.

    A surface that bears on another body goes with the turn only, about the joint centre, where
    that body takes its force.
    """
    angle = np.linalg.norm(turn)
    rotation = rotation_about(turn / angle, angle) if angle > 0.0 else np.eye(3)

    def displaced(body, local):
        own = poses.rotation[body][frame] if body != "thorax" else np.eye(3)
        origin = poses.origin[body][frame] if body != "thorax" else np.zeros(3)
        point = origin + own @ local
        return own.T @ (about + rotation @ (point - about) + shift - origin)

    def displaced_surface(surface, local):
        if surface.borne_by in bodies:
            return displaced(surface.body, local)
        own, joint = poses.rotation[surface.body][frame], poses.origin["humerus"][frame]
        point = poses.origin[surface.body][frame] + own @ local
        return own.T @ (joint + rotation @ (point - joint) - poses.origin[surface.body][frame])

    def turned(body, axis):
        own = poses.rotation[body][frame] if body != "thorax" else np.eye(3)
        return tuple(own.T @ rotation @ own @ np.array(axis))

    model = skeleton.model
    chosen = {name: s for name, s in model.surfaces.items() if s.body in bodies}
    surfaces = {
        name: replace(s, axis=turned(s.body, s.axis)) if name in chosen else s
        for name, s in model.surfaces.items()
    }
    return replace(
        skeleton,
        model=replace(model, surfaces=surfaces),
        site={
            name: displaced(model.sites[name].body, p) if model.sites[name].body in bodies else p
            for name, p in skeleton.site.items()
        },
        centre={
            name: displaced_surface(chosen[name], p) if name in chosen else p
            for name, p in skeleton.centre.items()
        },
    )


def by_virtual_work(skeleton, posture, frame, bodies):
    """Force and moment about the sternoclavicular joint on bodies for 1 N in every head."""
    poses = body_poses(skeleton, posture)
    one = posture[frame : frame + 1]
    root = skeleton.girdle.root
    none = np.zeros(3)

    def rate(shift, turn):
        ends = [
            paths(
                moved(skeleton, poses, frame, bodies, s * shift, s * turn, root),
                one,
                method="numpy",
            ).length[0]
            for s in (1.0, -1.0)
        ]
        return -(ends[0] - ends[1]) / (2.0 * STEP)

    axes = STEP * np.eye(3)
    force = np.stack([rate(axis, none) for axis in axes], axis=-1)
    moment = np.stack([rate(none, axis) for axis in axes], axis=-1)
    return force, moment


@pytest.mark.parametrize("name", ["bench", "overhead", "push-up"])
@pytest.mark.parametrize("frame", [0, 3, 6])
def test_pulls_on_the_girdle_are_those_of_virtual_work(limb, name, frame):
    result = solved(limb, name)
    found = girdle_pull(result.prepared)
    posture = result.prepared.lift.posture
    force, moment = by_virtual_work(limb.skeleton, posture, frame, GIRDLE)
    np.testing.assert_allclose(found.force[frame], force, atol=1e-6)
    np.testing.assert_allclose(found.moment[frame], moment, atol=1e-6)


@pytest.mark.parametrize("frame", [0, 6])
def test_each_head_pulls_arm_girdle_and_trunk_with_nothing_in_sum(limb, frame):
    """Newton's third law, the trunk's part from virtual work."""
    prepared = solved(limb, "bench").prepared
    found = girdle_pull(prepared)
    force, moment = by_virtual_work(limb.skeleton, prepared.lift.posture, frame, {"thorax"})
    arm = prepared.paths.line_of_action[frame]
    turn = prepared.paths.shoulder_moment[frame] + np.cross(found.lever[frame], arm)
    np.testing.assert_allclose(arm + found.force[frame] + force, 0.0, atol=1e-6)
    np.testing.assert_allclose(turn + found.moment[frame] + moment, 0.0, atol=1e-6)
    names = limb.head_names
    for head in ("pectoralis_major/abdominal", "triceps_brachii/lateral", "brachialis"):
        np.testing.assert_allclose(found.force[frame, names.index(head)], 0.0, atol=1e-12)
    for head in ("deltoid/acromial", "triceps_brachii/long", "pectoralis_major/clavicular"):
        assert np.linalg.norm(found.force[frame, names.index(head)]) > 0.5


# ------------------------------------------------------------------ the whole arm


def segments(skeleton, lift):
    """Mass and place of upper arm, forearm and hand, written out again."""
    size = skeleton.sizes
    part = skeleton.segment
    upper = lift.shoulder + float(part["upper_arm"].centre) * (lift.elbow - lift.shoulder)
    along = float(part["forearm"].centre) * size.forearm_length / size.grip_length
    fore = lift.elbow + along * (lift.hand - lift.elbow)
    places = {"upper_arm": upper, "forearm": fore, "hand": lift.hand}
    return [(float(part[name].mass), place) for name, place in places.items()]


def on_the_arm(result):
    """Force and moment about the sternoclavicular joint of weights and hand load."""
    lift = result.prepared.lift
    root = result.prepared.limb.skeleton.girdle.root
    up = np.broadcast_to(lift.up, lift.hand.shape)
    load = -GRAVITY * lift.load_mass * up
    if lift.load_force is not None:
        load = lift.load_mass * lift.load_force
    load = load - result.lateral_force[:, None] * lift.lateral_axis
    force, moment = load, np.cross(lift.hand - root, load)
    for mass, place in segments(result.prepared.limb.skeleton, lift):
        weight = -GRAVITY * mass * up
        force, moment = force + weight, moment + np.cross(place - root, weight)
    return force, moment


@pytest.mark.parametrize("name", ["bench", "overhead", "push-up"])
@pytest.mark.parametrize("mode", ["zero", "free"])
def test_girdle_and_direct_pulls_carry_the_whole_arm(limb, name, mode):
    """What the arm weighs and carries reaches the trunk by the girdle or by a head, or not at all.

    The contact force, the arms of the heads and the girdle's share come from the library; the other
    side from weights, load and virtual work.
    """
    result = solved(limb, name, Lateral(mode=mode))
    met = np.flatnonzero(np.abs(result.sharing.unmet).max(axis=1) < 1e-6)
    assert len(met) > 4
    load = girdle_load(result)
    wanted, turning = on_the_arm(result)
    posture = result.prepared.lift.posture
    for frame in met[[0, 2, -1]]:
        force, moment = by_virtual_work(limb.skeleton, posture, frame, {"thorax"})
        pull = result.force[frame]
        np.testing.assert_allclose(load.force[frame] + pull @ force, wanted[frame], atol=0.01)
        np.testing.assert_allclose(load.moment[frame] + pull @ moment, turning[frame], atol=0.01)
    assert np.linalg.norm(load.force, axis=-1).max() > 50.0


def test_inertia_of_arm_and_load_is_part_of_the_force(limb):
    result = solved(limb, "timed")
    lift = result.prepared.lift
    motion = lift.motion
    rest = result.prepared.demand
    still = solved(limb, "bench")
    trunk = [by_virtual_work(limb.skeleton, lift.posture, frame, {"thorax"})[0] for frame in (1, 5)]
    accelerated = {
        "upper_arm": None, "forearm": None, "hand": motion.hand_acceleration
    }  # fmt: skip
    part = limb.skeleton.segment
    size = limb.skeleton.sizes
    joint = motion.shoulder_acceleration
    accelerated["upper_arm"] = joint + float(part["upper_arm"].centre) * (
        motion.elbow_acceleration - joint
    )
    along = float(part["forearm"].centre) * size.forearm_length / size.grip_length
    accelerated["forearm"] = motion.elbow_acceleration + along * (
        motion.hand_acceleration - motion.elbow_acceleration
    )
    wanted, _ = on_the_arm(result)
    wanted = wanted - lift.load_mass * motion.hand_acceleration
    for name, value in accelerated.items():
        wanted = wanted - float(part[name].mass) * value
    load = girdle_load(result)
    for frame, force in zip((1, 5), trunk, strict=True):
        found = load.force[frame] + result.force[frame] @ force
        np.testing.assert_allclose(found, wanted[frame], atol=0.01)
    assert rest.load_mass[0] == still.prepared.demand.load_mass[0]
    assert np.abs(load.force - girdle_load(still).force).max() > 1.0


def test_several_answers_of_a_lift_share_the_pulls(limb):
    result = solved(limb, "bench", Lateral(mode="free"))
    alone, shared = girdle_load(result), girdle_load(result, girdle_pull(result.prepared))
    np.testing.assert_array_equal(alone.force, shared.force)
    np.testing.assert_array_equal(alone.moment, shared.moment)


def test_an_arm_held_out_turns_the_clavicle_down(limb):
    """Signs: what is held up lowers the clavicle, what is pressed forward retracts it."""
    lift = EXERCISES["overhead"].lift(limb.skeleton)
    joint = girdle_pose(limb.skeleton.girdle, lift.posture).joint
    lever = joint - limb.skeleton.girdle.root
    down = np.cross(lever, np.array([0.0, -100.0, 0.0]))
    assert (down[:, 0] > 5.0).all()  # about +x: lowers
    back = np.cross(lever, np.array([-100.0, 0.0, 0.0]))
    assert (back[:, 1] < -5.0).all()  # about -y: retracts
    load = girdle_load(solved(limb, "overhead"))
    assert (load.force[:, 1] < -20.0).all()
    assert (load.moment[:, 0] > 0.0).all()
    pressed = girdle_load(solved(limb, "bench"))
    assert pressed.force[-1, 0] < -50.0  # into the bench
    assert pressed.moment[-1, 1] < -5.0


# ------------------------------------------------------------------ tables and words


STUDY = """
title = "girdle"
[settings]
frames = 5
lateral = ["zero", "free"]
[[person]]
name = "Pia"
sex = "female"
stature_cm = 170
body_mass_kg = 66
training_factor = 1.3
[[condition]]
name = "press"
exercise = "bar_press"
spacing_biacromial = 1.4
load_kg = 30
"""


@pytest.mark.parametrize("kept", [False, True])
def test_table_and_sentence_hold_the_load(kept):
    held = "" if kept else "\nglenoid_constraint = false"
    study = parse_study(STUDY.replace("frames = 5", f"frames = 5{held}"))
    result = run_study(study, band=False)
    table = glenoid_table(result)
    (case,) = result.cases
    answers = {False: case.without_limit, True: case.results} if kept else {False: case.results}
    for within, results in answers.items():
        for answer in results:
            load = girdle_load(answer)
            part = table[
                (table["lateral"] == answer.lateral.mode) & (table["within_limits"] == within)
            ]
            np.testing.assert_array_equal(part[list(GIRDLE_FORCE)], load.force)
            np.testing.assert_array_equal(part[list(GIRDLE_MOMENT)], load.moment)
    load = girdle_load(case.results[0])
    (sentence,) = girdle_sentences(table)
    force, moment = (np.linalg.norm(x, axis=1).max() for x in (load.force, load.moment))
    assert f"'press' {force:.0f} N and {moment:.0f} N·m" in sentence
    assert "lateral force zero" in sentence
    assert girdle_sentences(table.iloc[:0]) == []
