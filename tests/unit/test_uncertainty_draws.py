"""From standard normals to limbs, postures and forces."""

import io
import math
import pickle
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest
from scipy.interpolate import PchipInterpolator

from momentshare.errors import InputError, UnknownNameError
from momentshare.exercise import Profile
from momentshare.exercise.profile import values_along
from momentshare.model import load_model
from momentshare.person import sizes
from momentshare.study import parse_study, plan_study
from momentshare.study.run import condition_exercise, person_limb
from momentshare.uncertainty import Draws, UncertaintyPlan, build_layout
from momentshare.uncertainty.chunks import Task, chunk_bytes, random_normals
from momentshare.uncertainty.spreads import Spreads

STUDY = """
title = "Two presses"
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
humerus_length_cm = 29
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.5
tuck_deg = [[0, 60], [1, 80]]
load_kg = 25
lateral_ratio = 0.1
[[condition]]
name = "incline"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
bench_angle_deg = 30
load_kg = 20
"""
STRENGTH = """
[[person.strength]]
direction = "elbow_extension"
moment_nm = 45
"""
MANY = 4000


@pytest.fixture(scope="module")
def study():
    return parse_study(STUDY)


@pytest.fixture(scope="module")
def model():
    return load_model()


def layout_of(study, model, **spreads):
    return build_layout(plan_study(study).setup, Spreads(**spreads))


def normals(layout, count, seed=5):
    return np.random.default_rng(seed).standard_normal((count, len(layout)))


@pytest.mark.parametrize("scale", [0.0, 1.0])
def test_no_spread_or_no_deviation_is_the_model_itself(study, model, scale):
    layout = layout_of(study, model, scale=scale)
    z = np.zeros(len(layout)) if scale else normals(layout, 1)[0]
    entry = study.file.person[0]
    limbs, _, _ = Draws(layout, z[None]).limbs(0)
    drawn, nominal = limbs.take(0), person_limb(entry, study.file.settings, model)
    for name in ("greatest_isometric_force", "peak_fibre_length", "slack_length"):
        np.testing.assert_allclose(getattr(drawn, name), getattr(nominal, name), rtol=1e-12)
    for name, place in nominal.skeleton.site.items():
        np.testing.assert_allclose(drawn.skeleton.site[name], place, atol=1e-15)


def test_factors_have_the_stated_spread_and_share_the_stated_part(study, model):
    layout = layout_of(study, model, shared=0.3)
    heads = model.heads
    pair = [i for i, h in enumerate(heads) if h.volume.source == heads[0].volume.source][:2]
    logs = np.log(Draws(layout, normals(layout, MANY)).head_factors()["volume"][:, pair])
    for column, index in enumerate(pair):
        number = heads[index].volume
        wanted = math.sqrt(math.log1p((number.spread / number.value) ** 2))
        # The standard error of a standard deviation of normals is sd / sqrt(2 n).
        assert logs[:, column].std() == pytest.approx(wanted, rel=4 / math.sqrt(2 * MANY))
    correlation = np.corrcoef(logs.T)[0, 1]
    assert correlation == pytest.approx(0.3, abs=4 * (1 - 0.3**2) / math.sqrt(MANY))


def test_a_site_moves_by_its_spread_along_each_axis(study, model):
    layout = layout_of(study, model)
    site = model.sites["triceps_long_origin"]
    moves = Draws(layout, normals(layout, 1500)).offsets()[site.name]
    np.testing.assert_allclose(moves.std(axis=0), site.spread, rtol=4 / math.sqrt(2 * 1500))


def test_measured_lengths_spread_less_than_estimated_ones(study, model):
    layout = layout_of(study, model)
    entry = study.file.person[0]
    people = Draws(layout, normals(layout, MANY)).people(entry.person())
    central = sizes(entry.person(), model)
    tolerance = 4 / math.sqrt(2 * MANY)
    humerus = np.log([p.humerus_length for p in people]).std() * central.humerus_length
    assert humerus == pytest.approx(0.003, rel=tolerance)
    breadth = np.log([p.biacromial_breadth for p in people]).std() * central.biacromial_breadth
    fit, stature = (model.fits["female", n] for n in ("biacromial_breadth", "stature"))
    residual = math.sqrt(fit.sd**2 - (fit.slope * stature.sd) ** 2)
    assert breadth == pytest.approx(residual, rel=tolerance + 0.01)
    assert residual < fit.sd


def test_a_family_moves_only_what_belongs_to_it(study, model):
    layout = layout_of(study, model)
    entry = study.file.person[0]
    z = np.zeros((2, len(layout)))
    z[1, layout.members("fibre_length")] = 0.7
    draws = Draws(layout, z)
    for numbers in (draws.radii(), draws.quantities(), draws.offsets(), draws.inertia("female")):
        for nominal, moved in numbers.values():
            np.testing.assert_array_equal(moved, nominal)
    people = draws.people(entry.person())
    assert people[0] == people[1]
    factors = draws.head_factors()
    nominal, moved = factors["peak_fibre_length"]
    assert (moved > nominal).all()
    np.testing.assert_array_equal(*factors["volume"])


def test_every_variable_changes_something(study, model):
    layout = layout_of(study, model)
    names = {v.name for v in layout.variables}
    assert len(names) == len(layout)
    assert sum(len(layout.members(f)) for f in layout.families) == len(layout)


def lengths(draws, task, exercise):
    """Path lengths of a task in each draw."""
    made, _ = draws.exercises(dict.fromkeys(range(len(draws)), exercise), task)
    limbs, rows, reasons = draws.limbs(0)
    assert not reasons
    found = []
    for draw, row in rows.items():
        limb = limbs.take(row)
        found.append(limb.paths(made[draw].lift(limb.skeleton).posture).length)
    return np.array(found)


def test_an_exercise_that_cannot_be_drawn_costs_its_draw_alone(model):
    """A touch point drawn beyond what a path may have ended the run."""
    free = parse_study(STUDY.replace("tuck_deg = [[0, 60], [1, 80]]\n", ""))
    layout = layout_of(free, model, posture_deg=90.0)
    task = layout.setup.tasks[0]
    exercise = task.exercise_for(layout.setup.limbs.people[0], model)
    draws = Draws(layout, normals(layout, 200))
    made, reasons = draws.exercises(dict.fromkeys(range(200), exercise), task)
    assert len(made) > 100
    assert reasons
    assert not made.keys() & reasons.keys()
    assert len(made) + len(reasons) == 200
    assert all("bar path: touch_shift: must be between" in why for why in reasons.values())


PUSH_UP = """
[[condition]]
name = "ground"
exercise = "push_up"
spacing_biacromial = 1.4
tuck_deg = 60
protraction_deg = 8
shrug_deg = 4
"""


@pytest.mark.parametrize("condition", ["bar", "ground"])
def test_every_number_of_the_girdle_that_is_drawn_changes_path_lengths(model, condition):
    study = parse_study(STUDY + PUSH_UP).only(conditions=[condition])
    setup = plan_study(study, frames=5).setup
    layout = build_layout(setup, Spreads())
    drawn = layout.members("girdle")
    names = [layout.variables[k].name for k in drawn]
    spread = {
        f"quantity:{name}"
        for name, number in model.quantities.items()
        if number.spread > 0.0
        and name.startswith(("girdle_", "clavicle_moving_", "press_protraction_"))
        and (condition == "bar" or not name.startswith("press_"))
    }
    assert {n for n in names if n.startswith("quantity:") and " source " not in n} == spread
    assert ("Edda:ground:protraction" in names) is (condition == "ground")
    z = np.zeros((1 + len(drawn), len(layout)))
    z[1 + np.arange(len(drawn)), drawn] = 1.0
    (task,) = setup.tasks
    found = lengths(Draws(layout, z), task, task.exercise)
    moved = np.abs(found[1:] - found[0]).max(axis=(1, 2))
    still = [name for name, by in zip(names, moved, strict=True) if by < 1e-5]
    # A press adds no elevation, so what follows from one does not act.
    assert all(condition == "bar" and "_with_elevation" in name for name in still), still
    if condition == "bar":
        both = 1 + np.flatnonzero(["press_protraction" in name for name in names])
        assert len(both) == 3
        assert (np.abs(found[both] - found[0]).max(axis=(1, 2)) > 1e-4).all()


def test_a_girdle_that_is_held_draws_nothing_of_its_course(model):
    text = STUDY.replace("[[person]]", 'settings = { scapula = "pressing" }\n[[person]]', 1)
    layout = layout_of(parse_study(text), model)
    names = {layout.variables[k].name for k in layout.members("girdle")}
    assert all(name.startswith("quantity:clavicle_pressing_") for name in names)


def test_a_fibre_longer_than_its_path_is_shortened_not_lost(study, model):
    layout = layout_of(study, model)
    entry = study.file.person[0]
    z = np.zeros(len(layout))
    z[layout.members("fibre_length")] = 2.5
    z[layout.members("reference_fibre_length")] = 2.5
    draws = Draws(layout, z[None])
    factors = {name: values[0] for name, values in draws.head_factors().items()}
    limb = draws.limbs(0)[0].take(0)
    assert (limb.slack_length > 0).all()
    nominal = person_limb(entry, study.file.settings, model)
    ratio = limb.peak_fibre_length / nominal.peak_fibre_length
    shortened = ratio < factors["peak_fibre_length"] - 1e-9
    assert shortened.any()
    np.testing.assert_allclose(limb.slack_length[shortened], 1e-3, rtol=1e-6)


def test_posture_and_load_move_by_their_spreads(study, model):
    layout = layout_of(study, model, posture_deg=2.0, load=0.1)
    entry, condition = study.file.person[0], study.file.condition[0]
    exercise = condition_exercise(condition, entry, entry.person(), model, 5)
    draws = Draws(layout, normals(layout, MANY))
    task = layout.setup.tasks[0]
    assert (task.person, task.condition) == (entry.name, condition.name)
    made, _ = draws.exercises(dict.fromkeys(range(MANY), exercise), task)
    tucks = [press.tuck.points[0][1] for press in made.values()]
    tolerance = 4 / math.sqrt(2 * MANY)
    assert np.degrees(np.std(tucks)) == pytest.approx(2.0, rel=tolerance)
    z = np.zeros(len(layout))
    z[layout.at("Edda:load")] = z[layout.at("Edda:bar:load")] = 1.0
    found = Draws(layout, z[None]).load_factors(task)
    factor = math.exp((math.sqrt(0.5) + math.sqrt(0.5)) * math.sqrt(math.log1p(0.01)))
    assert found == pytest.approx(factor)


def test_normals_of_a_draw_depend_on_seed_and_number_alone():
    whole = random_normals(3, 16, 21, 50)
    np.testing.assert_array_equal(random_normals(3, 16, 3, 50), whole[:3])
    np.testing.assert_array_equal(random_normals(3, 21, 9, 50), whole[5:14])
    assert len(np.unique(whole[:, 0])) == 21
    assert not np.array_equal(random_normals(3, 24, 13, 50), whole[:13])
    assert not np.array_equal(random_normals(4, 16, 21, 50), whole)


@pytest.mark.parametrize("tested", [False, True])
def test_limbs_together_are_the_limbs_of_each_draw(study, model, tested):
    layout = layout_of(study, model)
    if tested:
        strength = parse_study(STUDY.replace("[[condition]]", STRENGTH + "[[condition]]", 1))
        layout = layout_of(strength, model)
        assert layout.setup.limbs.strengths[0]
    z = normals(layout, 4)
    # A fibre too long for its path in a limb of the model's own numbers otherwise, and a person no
    # limb can have.
    z[1] = 0.0
    z[1, layout.members("fibre_length")] = z[1, layout.members("reference_fibre_length")] = 2.5
    z[2, layout.members("person_lengths")] = 300.0
    limbs, rows, reasons = Draws(layout, z).limbs(0)
    assert rows == {0: 0, 1: 1, 3: 2}
    assert set(reasons) == {2}
    none, _, alone = Draws(layout, z[2:3]).limbs(0)
    assert none is None
    assert alone[0] == reasons[2]
    for draw, row in rows.items():
        single = Draws(layout, z[draw : draw + 1]).limbs(0)[0].take(0)
        for name in (
            "greatest_isometric_force",
            "peak_fibre_length",
            "slack_length",
            "volume",
            "greatest_shortening_speed",
        ):
            got, wanted = getattr(limbs, name)[row], getattr(single, name)
            np.testing.assert_allclose(got, wanted, rtol=1e-11, err_msg=name)


def test_profiles_together_are_each_profile():
    at = np.linspace(0.0, 1.0, 11)
    two = [
        Profile(((0.1, 1.0), (0.5, 2.0), (0.9, 1.5))),
        Profile(((0.1, 0.0), (0.5, 0.3), (0.9, 4.0))),
    ]
    found = values_along(two, at)
    for row, profile in zip(found, two, strict=True):
        x, y = zip(*profile.points, strict=True)
        wanted = PchipInterpolator(x, y)(np.clip(at, 0.1, 0.9))
        np.testing.assert_allclose(row, wanted, rtol=1e-14)
        np.testing.assert_allclose(profile(at), wanted, rtol=1e-14)
    constant = values_along([Profile.constant(2.0), Profile.constant(3.0)], at)
    np.testing.assert_array_equal(constant, np.repeat([[2.0], [3.0]], 11, axis=1))


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"draws": 0}, "draws"),
        ({"seed": -1}, "seed"),
        ({"sobol": 12}, "power of two"),
        ({"trajectories": 0}, "screening"),
        ({"trajectories": 1}, "trajectories"),
        ({"criteria": ()}, "criteria"),
    ],
)
def test_an_impossible_plan_names_its_field(study, change, wanted):
    with pytest.raises(InputError, match=wanted):
        UncertaintyPlan(**({"study": study, "draws": 8} | change))


def test_unknown_people_and_criteria_are_refused_by_name(study):
    with pytest.raises(UnknownNameError, match="Edda"):
        UncertaintyPlan(study=study, draws=8, people=("Eda",))
    with pytest.raises(UnknownNameError, match="minmax"):
        UncertaintyPlan(study=study, draws=8, criteria=("minmx",))
    with pytest.raises(InputError, match="shared"):
        Spreads(shared=1.5)
    with pytest.raises(InputError, match="load"):
        replace(Spreads(), load=-0.1)
    with pytest.raises(InputError, match=r"scale: must be between 0 and 10; got 1000000000\.0"):
        Spreads(scale=1e9)
    with pytest.raises(InputError, match="posture_deg: must be between 0 and 90; got nan"):
        Spreads(posture_deg=float("nan"))


def test_a_process_that_solves_draws_loads_no_library_of_the_summary(study, model, tmp_path):
    """They take a third of its start, and there is one such process for every core."""
    setup = plan_study(study, frames=3).setup
    task = Task(
        setup=replace(setup, limbs=replace(setup.limbs, model=None)),
        model=study.file.model,
        model_digest=model.digest,
        spreads=Spreads(),
        criteria=("study",),
        index=0,
        seed=1,
        draws=2,
    )
    (tmp_path / "task").write_bytes(pickle.dumps((chunk_bytes, task)))
    program = (
        "import pathlib, pickle, sys; folder = pathlib.Path(sys.argv[1]); "
        "work, task = pickle.loads((folder / 'task').read_bytes()); "
        "(folder / 'chunk').write_bytes(work(task)); "
        "print(*sorted({'pandas', 'scipy.stats', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], check=True, capture_output=True, text=True
    )
    assert done.stdout.split() == []
    table = pq.read_table(io.BytesIO((tmp_path / "chunk").read_bytes()))
    table.validate(full=True)
    assert table.column("condition").to_pylist() == 2 * ["bar", "bar", "bar", "incline"]
    assert table.column("draw").to_pylist() == 4 * [0] + 4 * [1]
    assert table.column("reason").to_pylist() == 8 * [""]
