"""Draws around measured lifts: what stays, what turns, and that nothing drawn changes nothing."""

from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest

from momentshare.balance import Lateral
from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.exercise.demand import demand
from momentshare.geometry.rotation import rotation_about
from momentshare.girdle import added_to
from momentshare.reading import head_table_by_person
from momentshare.reading.effects import effect_tables, switches
from momentshare.runs import solve_setup
from momentshare.runs.variation import moved_girdle, other_options
from momentshare.study import parse_study, plan_study
from momentshare.uncertainty import UncertaintyPlan, build_layout, run_uncertainty
from momentshare.uncertainty.chunks import setup_cells, solve
from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.measured import turned_lift
from momentshare.uncertainty.spreads import Spreads

STUDY = """
title = "Presses"
[settings]
frames = 7
lateral = ["measured", "free"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[person]]
name = "Ove"
sex = "male"
stature_cm = 180
body_mass_kg = 82
training_factor = 1.3
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.2
tuck_deg = 60
load_kg = 22
lateral_ratio = 0.05
duration_s = 1.6
[[condition]]
name = "wide"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = 70
load_kg = 22
lateral_ratio = 0.1
duration_s = 1.6
"""
FREE = "free"


@pytest.fixture(scope="module")
def study():
    return parse_study(STUDY)


@pytest.fixture(scope="module")
def setup(study):
    """Lifts of a planned study, treated as if they had been measured: twice each, with
    differences."""
    planned = plan_study(study).setup
    tasks = []
    for case, task in zip(solve_setup(planned).cases, planned.tasks, strict=True):
        lift = case.prepared.lift
        ratio = tuple(np.linspace(0.02, 0.12, len(lift.fraction)))
        given = (Lateral(mode="measured", ratio=ratio), Lateral(mode="free"))
        for repetition, factor in ((1, 0.9), (2, 1.1)):
            again = replace(lift, load_mass=factor * lift.load_mass)
            tasks.append(
                replace(
                    task, exercise=None, exercise_for=None, lift=again, repetition=repetition,
                    treatments=given,
                )
            )  # fmt: skip
    return replace(planned, tasks=tuple(tasks))


def by_cell(table, columns):
    return table.groupby(["person", "condition", "lateral"], sort=False)[columns]


def test_nothing_drawn_is_the_mean_of_the_lifts_as_measured(setup):
    """The central draw against the ordinary way through ``solve_setup``."""
    layout = build_layout(setup, Spreads())
    table = solve(layout, ("study",), np.zeros((1, len(layout)))).to_pandas()
    nominal = head_table_by_person(solve_setup(setup, greatest_load=False))
    assert len(table) == 2 * 2 * 2
    for line in table.to_dict("records"):
        own = nominal[
            (nominal["person"] == line["person"])
            & (nominal["condition"] == line["condition"])
            & (nominal["lateral"] == line["lateral"])
        ]
        assert len(own) == 2 * len(layout.model.head_names)
        means = own.groupby("head", sort=False, observed=True)
        for measure in ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n"):
            for head, value in means[measure].mean().items():
                assert line[f"{measure}:{head}"] == pytest.approx(value, rel=1e-5, abs=1e-6)


def test_a_trunk_that_stands_otherwise_leaves_the_moments_of_the_arm(setup):
    """All that was measured turns together: moments about the axes of the arm do not change."""
    limb = setup.limbs.build()[0].take(0)
    lift = setup.tasks[0].lift
    turned = turned_lift(lift, limb.skeleton.girdle, plane=0.2, elevation=-0.15, axial=0.0)
    assert np.abs(turned.shoulder - lift.shoulder).max() > 1e-3  # the girdle sees another arm
    before, after = (demand(limb.skeleton, x) for x in (lift, turned))
    for push in (0.0, 10.0):
        one, two = before.moments(push), after.moments(push)
        about = [ROWS.index(n) for n in ("shoulder_internal_rotation", "elbow_extension")]
        np.testing.assert_allclose(two[:, about], one[:, about], atol=1e-9)
        # Elevation and horizontal adduction are told apart by the trunk; together they stay.
        across = [ROWS.index(n) for n in ("shoulder_elevation", "shoulder_horizontal_adduction")]
        np.testing.assert_allclose(
            np.linalg.norm(two[:, across], axis=1), np.linalg.norm(one[:, across], axis=1),
            atol=1e-9,
        )  # fmt: skip
        assert np.abs(two[:, across] - one[:, across]).max() > 0.1
    arms = [limb.paths(x.posture).moment_arms for x in (lift, turned)]
    assert np.abs(arms[1] - arms[0]).max() > 1e-3


def test_a_turn_of_the_upper_arm_about_itself_leaves_elbow_and_hand(setup):
    lift = setup.tasks[0].lift
    girdle = setup.limbs.build()[0].take(0).skeleton.girdle
    shift = np.array([0.01, 0.0, -0.01])
    drawn = replace(girdle, root=girdle.root + shift)
    turned = turned_lift(lift, drawn, plane=0.0, elevation=0.0, axial=0.1)
    for name in ("shoulder", "elbow", "hand"):
        wanted = getattr(lift, name) + shift
        np.testing.assert_allclose(getattr(turned, name), wanted, atol=1e-12)
    long = np.array([0.0, 1.0, 0.0])
    humerus = lift.posture.humerus
    np.testing.assert_allclose(turned.posture.humerus @ long, humerus @ long, atol=1e-12)
    spun = np.swapaxes(humerus, -1, -2) @ turned.posture.humerus
    wanted = np.broadcast_to(rotation_about(long, 0.1), spun.shape)
    np.testing.assert_allclose(spun, wanted, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("load", "load"),
        ("ratio", "measured"),
        ("axial", "posture"),
        ("pitch", "posture"),
        ("protraction", "posture"),
    ],
)
def test_each_drawn_number_does_what_it_is_called(setup, name, what):
    spreads = Spreads(load=0.1, lateral_ratio=0.05, measured_deg=4.0, shared=0.0)
    layout = build_layout(setup, spreads)
    z = np.zeros((2, len(layout)))
    z[1, layout.at(f"Edda:wide:{name}")] = 1.0
    table = solve(layout, ("study",), z).to_pandas().set_index("condition")
    columns = [c for c in table if c.startswith("mean_activation:")]
    moved = {
        key: float(np.abs(np.diff(part[columns].to_numpy(), axis=0)).max())
        for key, part in table.reset_index().groupby(["person", "condition", "lateral"])
    }
    mode = "measured"
    assert moved["Edda", "wide", mode] > 1e-3
    assert moved["Edda", "narrow", mode] < 1e-6  # shared = 0: other conditions do not move
    assert moved["Ove", "wide", mode] < 1e-6
    # A free ratio does not know the measured one.
    assert (moved["Edda", "wide", FREE] > 1e-3) is (what != "measured")
    if what == "measured":
        ratios = table.loc["wide"].query("person == 'Edda' and lateral == 'measured'")
        assert np.diff(ratios["mean_lateral_ratio"]) == pytest.approx(0.05, abs=1e-12)
    if what == "load":
        draws = Draws(layout, z)
        factor = draws.load_factors(_task(setup, "Edda", "wide"))
        assert factor[1] == pytest.approx(np.exp(np.sqrt(np.log1p(0.01))))


def test_an_assumed_slope_of_the_sternum_is_one_for_all_lifts_of_a_person(setup):
    """It turns the trunk as the pitch does, in every condition by the same, and nobody else's."""
    spread = np.radians(5.0)
    tasks = tuple(replace(t, slope_spread=spread * (t.person == "Edda")) for t in setup.tasks)
    layout = build_layout(replace(setup, tasks=tasks), Spreads(measured_deg=5.0, shared=0.0))
    assert "sternum" in layout.families
    assert "Ove:sternum_slope" not in layout
    assert "sternum" not in build_layout(setup, Spreads()).families
    z = np.zeros((3, len(layout)))
    z[1, layout.at("Edda:sternum_slope")] = 1.0
    z[2, [layout.at(f"Edda:{c}:pitch") for c in ("narrow", "wide")]] = 1.0
    table = solve(layout, ("study",), z).to_pandas()
    columns = [c for c in table if c.startswith("mean_activation:")]
    for (person, *_), part in table.groupby(["person", "condition", "lateral"]):
        nominal, sloping, pitched = part[columns].to_numpy()
        assert np.abs(sloping - pitched).max() < 1e-9
        assert (np.abs(sloping - nominal).max() > 1e-3) == (person == "Edda")


def test_what_people_share_of_their_slopes_turns_all_of_them(setup):
    """Sternums were held against each other, so a part of the error is common to all people."""
    spread, shared = np.radians(5.0), np.radians(3.0)
    tasks = tuple(replace(t, slope_spread=spread, slope_shared=shared) for t in setup.tasks)
    layout = build_layout(replace(setup, tasks=tasks), Spreads(measured_deg=4.0, shared=0.0))
    z = np.zeros((4, len(layout)))
    z[1, layout.at("Edda:sternum_slope")] = 1.0
    z[2, layout.at("sternum_slope")] = 4.0 / 3.0
    pitched = [layout.at(f"{p}:{c}:pitch") for p in ("Edda", "Ove") for c in ("narrow", "wide")]
    z[3, pitched] = 1.0
    table = solve(layout, ("study",), z).to_pandas()
    columns = [c for c in table if c.startswith("mean_activation:")]
    for (person, *_), part in table.groupby(["person", "condition", "lateral"]):
        nominal, own, common, all_pitched = part[columns].to_numpy()
        # Own and shared parts of 5 degrees: 4 and 3. Each is 4 degrees here, as the pitch is.
        assert np.abs(common - all_pitched).max() < 1e-9
        assert np.abs(common - nominal).max() > 1e-3
        assert (np.abs(own - all_pitched).max() < 1e-9) == (person == "Edda")
        assert (np.abs(own - nominal).max() < 1e-9) == (person == "Ove")


def _task(setup, person, condition):
    return next(t for t in setup.tasks if (t.person, t.condition) == (person, condition))


def test_a_person_without_a_condition_is_named(setup):
    lame = tuple(t for t in setup.tasks if (t.person, t.condition) != ("Ove", "wide"))
    with pytest.raises(InputError, match="'Ove' has no lift of 'wide'"):
        setup_cells(replace(setup, tasks=lame))


def test_only_treatments_that_every_lift_has_are_paired(setup):
    first = replace(setup.tasks[0], treatments=setup.tasks[0].treatments[1:])
    cells = setup_cells(replace(setup, tasks=(first, *setup.tasks[1:])))
    assert cells == {"narrow": ("free",), "wide": ("measured", "free")}


@pytest.fixture(scope="module")
def drawn(study, setup, tmp_path_factory):
    """The plan, the folder and the result of twenty draws."""
    plan = UncertaintyPlan(
        study=study, draws=20, frames=7, trajectories=0, sobol=0, measured=setup, inputs="of 1"
    )
    folder = tmp_path_factory.mktemp("drawn")
    return plan, folder, run_uncertainty(plan, folder, workers=1)


@pytest.mark.parametrize("person", ["Ove", "mean over people"])
def test_a_cell_of_the_table_comes_back_from_the_files_of_draws(drawn, person):
    """Mean, spread, quantiles and the probability of an order, from the files with numpy alone.

    Quantiles by their definition: the value at place (draws − 1)·q of the sorted draws, linear
    between neighbours (type 7 of Hyndman and Fan 1996, from memory).
    """
    _, folder, found = drawn
    files = (folder / "chunks").glob("draws-*.parquet")
    head = "triceps_brachii/lateral"
    lines = [line for file in files for line in pq.read_table(file).to_pylist()]

    def draws(condition):
        own = {}
        for line in lines:
            if (line["condition"], line["lateral"]) == (condition, "measured"):
                value = line[f"mean_activation:{head}"]
                own.setdefault(line["draw"], {})[line["person"]] = value
        people = ["Edda", "Ove"] if person == "mean over people" else [person]
        return np.array([np.mean([own[k][who] for who in people]) for k in sorted(own)])

    wide, narrow = draws("wide"), draws("narrow")
    assert len(wide) == 20
    table = found.intervals
    (row,) = table[
        (table["person"] == person)
        & (table["condition"] == "wide")
        & (table["lateral"] == "measured")
        & (table["head"] == head)
        & (table["measure"] == "mean_activation")
    ].to_dict("records")
    assert row["mean"] == pytest.approx(wide.sum() / 20.0, rel=1e-6)
    assert row["sd"] == pytest.approx(np.sqrt(((wide - wide.mean()) ** 2).sum() / 19.0), rel=1e-5)
    ranked = np.sort(wide)
    for name, q in (("low", 0.05), ("median", 0.5), ("high", 0.95)):
        place = 19.0 * q
        below = int(place)
        wanted = ranked[below] + (place - below) * (ranked[min(below + 1, 19)] - ranked[below])
        assert row[name] == pytest.approx(wanted, rel=1e-6), name
    if person != "mean over people":
        return
    order = found.condition_order
    (line,) = order[(order["head"] == head) & (order["lateral"] == "measured")].to_dict("records")
    first, other = (narrow, wide) if line["condition"] == "narrow" else (wide, narrow)
    assert line["probability"] == pytest.approx((first > other).sum() / 20.0)


def test_a_run_over_measured_lifts_is_the_same_over_workers_and_goes_on(drawn, tmp_path):
    plan, folder, one = drawn
    two = run_uncertainty(plan, tmp_path / "two", workers=2)
    assert one.intervals.equals(two.intervals)
    assert set(one.intervals["condition"]) == {"narrow", "wide"}
    assert (one.intervals["draws"] == 20).all()
    with pytest.raises(InputError, match="inputs: the run has 'of 1', asked for 'of 2'"):
        run_uncertainty(replace(plan, inputs="of 2"), folder, workers=1)


# ------------------------------------------------------------------ effects


def test_effects_of_measured_lifts_are_those_of_the_changed_options(setup):
    heads, lifts = effect_tables(setup)
    names = [s.name for s in switches(setup)]
    assert not any("timed" in name or "quasi" in name for name in names)
    assert set(heads["switch"]) == set(names)
    assert "greatest_load_kg" not in lifts
    name = next(n for n in names if n.startswith("curves"))
    other = other_options(name, curves=name.removeprefix("curves "))
    tables = [
        head_table_by_person(solve_setup(s, greatest_load=False))
        for s in (setup, other.applied(setup))
    ]
    part = heads[(heads["switch"] == name) & (heads["condition"] == "wide")]
    for line in part.to_dict("records"):
        wanted = [
            t[
                (t["condition"] == "wide")
                & (t["lateral"] == line["lateral"])
                & (t["head"] == line["head"])
            ]["mean_activation"].mean()  # two people, two repetitions each
            for t in tables
        ]
        assert line["mean_activation"] == pytest.approx(wanted[0], abs=1e-9)
        assert line["mean_activation_changed"] == pytest.approx(wanted[1], abs=1e-9)
        assert line["difference"] == pytest.approx(wanted[1] - wanted[0], abs=1e-9)


def test_more_protraction_moves_the_girdle_and_the_arm_with_it(setup):
    lift = setup.tasks[0].lift
    girdle = setup.limbs.build()[0].take(0).skeleton.girdle
    moved = turned_lift(lift, girdle, plane=0.0, elevation=0.0, axial=0.0, protraction=0.1)
    np.testing.assert_allclose(
        moved.posture.girdle - added_to(lift.posture, protraction=0.0), [[0.1, 0.0]] * 7
    )
    np.testing.assert_array_equal(moved.posture.humerus, lift.posture.humerus)
    shift = moved.shoulder - lift.shoulder
    assert (shift[:, 0] > 0.005).all()  # forward
    for name in ("elbow", "hand"):
        np.testing.assert_allclose(getattr(moved, name) - getattr(lift, name), shift, atol=1e-12)


def test_a_variation_of_the_girdle_moves_measured_lifts(setup):
    heads, _ = effect_tables(setup)
    largest = heads.groupby("switch")["difference"].agg(lambda d: d.abs().max())
    for name in ("protraction +5 deg", "protraction -5 deg"):
        assert largest[name] > 1e-3
    variation = moved_girdle("more", setup, 0.1)
    changed = variation.applied(setup)
    assert len(changed.tasks) == len(setup.tasks)
    for task, before in zip(changed.tasks, setup.tasks, strict=True):
        np.testing.assert_allclose(
            added_to(task.lift.posture, protraction=0.0),
            added_to(before.lift.posture, protraction=0.1),
        )
    off = moved_girdle("none", changed, None).applied(changed)
    for task in off.tasks:
        np.testing.assert_array_equal(task.lift.posture.girdle, 0.0)
    assert moved_girdle("none", off, None).applied(off) is off
