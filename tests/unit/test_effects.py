"""One switch at a time."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.balance import BALANCED
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.demand import demand
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.reading import glenoid_table
from momentshare.reading.effects import effect_tables, switches
from momentshare.runs import solve_setup, solve_variations
from momentshare.runs.variation import moved_girdle
from momentshare.study import parse_study, plan_study

STUDY = """
title = "effects"
[settings]
frames = 5
lateral = ["zero"]
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
tuck_deg = [[0, 62], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_kg = 30
"""


@pytest.fixture(scope="module")
def tables():
    return effect_tables(plan_study(parse_study(STUDY)).setup)


def test_each_switch_has_every_head(tables):
    heads, lifts = tables
    assert set(heads.groupby("switch").size()) == {26}
    assert len(lifts) == len(switches(plan_study(parse_study(STUDY)).setup))


def test_every_switch_changes_something(tables):
    heads, _ = tables
    largest = heads.groupby("switch")["difference"].agg(lambda d: d.abs().max())
    assert np.all(largest[~largest.index.str.contains("glenoid")] > 1e-4)


@pytest.mark.parametrize("held", ["true", "false"])
def test_the_glenoid_matters_where_the_head_would_pass_its_limit(held):
    narrow = STUDY.replace("spacing_biacromial = 1.4", "spacing_biacromial = 1.0")
    text = narrow.replace("frames = 5", f"frames = 5\nglenoid_constraint = {held}")
    setup = plan_study(parse_study(text)).setup
    name = "without the glenoid limit" if held == "true" else "within the glenoid limit"
    (switch,) = [s for s in switches(setup) if "glenoid" in s.name]
    assert switch.name == name
    ((_, changed),) = solve_variations(setup, [switch])
    both = [solve_setup(setup, compared=False), changed]
    activation = [found.cases[0].results[0].activation for found in both]
    within = activation[0 if held == "true" else 1]
    without = glenoid_table(both[1 if held == "true" else 0])
    beyond = without["share_of_limit"].to_numpy() > 1.0 + 1e-3
    assert not without["within_limits"].any()
    moved = np.abs(activation[0] - activation[1]).max(axis=1)
    np.testing.assert_array_equal(moved > 1e-6, beyond)
    assert within.shape == (5, 26)
    kept = glenoid_table(both[0 if held == "true" else 1])
    assert kept["within_limits"].all()
    # A facet touches the limit from outside between two of its directions, by 2 % at most.
    assert (kept["share_of_limit"] <= 1.03).all()


def test_a_study_within_the_glenoid_holds_the_answers_without_it_too():
    text = STUDY.replace("frames = 5", "frames = 5\nglenoid_constraint = true")
    setup = plan_study(parse_study(text)).setup
    (case,) = solve_setup(setup).cases
    (plain,) = solve_setup(replace(setup, glenoid=False)).cases
    assert plain.without_limit == ()
    np.testing.assert_array_equal(case.without_limit[0].activation, plain.results[0].activation)
    assert case.results[0].sharing.inequality_multipliers.shape[1] == 16
    assert solve_setup(setup, compared=False).cases[0].without_limit == ()


def test_speed_costs_activation(tables):
    heads, _ = tables
    timed = heads[heads["switch"].str.startswith("timed") & (heads["mean_activation"] > 0.1)]
    # Shortening heads have less capacity; those that lengthen have more, but they are few.
    assert timed["difference"].mean() > 0.0


def test_switches_turn_over_what_the_study_has():
    study = parse_study(STUDY.replace("frames = 5", "frames = 5\nelastic_tendon = true"))
    assert "rigid tendon" in [s.name for s in switches(plan_study(study).setup)]


def test_inertia_fades_with_the_square_of_the_duration():
    limb = build_limb(Person(name="Ove", sex="male", stature=1.78, body_mass=80.0), load_model())
    press = BenchPress(
        load_mass=60.0,
        spacing=Profile.constant(0.58),
        tuck=Profile(((0.0, 1.05), (1.0, 1.43))),
        tilt=Profile(((0.0, 0.12), (1.0, -0.1))),
        frames=41,
    )
    errors = {}
    for duration in (1.0, 2.0, 4.0):
        timed = replace(press, duration=duration).lift(limb.skeleton)
        full, still = (
            demand(limb.skeleton, lift).moments()[:, : len(BALANCED)]
            for lift in (timed, replace(timed, motion=None))
        )
        errors[duration] = (np.abs(full - still) / np.abs(still).max(axis=0)).max()
    # Accelerations along the same path scale with one over the duration squared.
    assert errors[1.0] == pytest.approx(4.0 * errors[2.0], rel=1e-6)
    assert errors[2.0] == pytest.approx(4.0 * errors[4.0], rel=1e-6)
    assert errors[4.0] < 0.05


def test_the_girdle_of_a_plan_is_moved_from_where_the_plan_has_it():
    text = (
        STUDY
        + """
[[condition]]
name = "own"
exercise = "bar_press"
spacing_biacromial = 1.4
protraction_deg = [[0, -10], [1, 8]]
shrug_deg = 4
load_kg = 30
[[condition]]
name = "ground"
exercise = "push_up"
spacing_biacromial = 1.4
tuck_deg = 60
"""
    )
    setup = plan_study(parse_study(text)).setup
    model, degree = setup.limbs.model, np.pi / 180
    limbs = setup.limbs.build()[0].take(0)
    habit = [model.number(f"press_protraction_{end}") for end in ("chest", "lockout")]
    before = {"press": habit, "own": [-10 * degree, 8 * degree], "ground": [0.0, 0.0]}
    for by in (5 * degree, -5 * degree):
        moved = moved_girdle("moved", setup, by).applied(setup)
        for task in moved.tasks:
            girdle = task.exercise.lift(limbs.skeleton).posture.girdle
            np.testing.assert_allclose(girdle[[0, -1], 0], np.add(before[task.condition], by))
            np.testing.assert_allclose(girdle[:, 1], 4 * degree if task.condition == "own" else 0)
    rests = moved_girdle("rests", setup, None).applied(setup)
    assert [task.condition for task in rests.tasks] == ["press", "own"]  # the push-up adds nothing
    for task in rests.tasks:
        np.testing.assert_array_equal(task.exercise.lift(limbs.skeleton).posture.girdle, 0.0)


def test_a_girdle_that_is_held_has_no_switch():
    text = STUDY.replace("frames = 5", 'frames = 5\nscapula = "pressing"')
    names = [s.name for s in switches(plan_study(parse_study(text)).setup)]
    assert not any("girdle" in name or "protraction" in name for name in names)
