"""Outcomes against closed forms, an independent form of Newton's laws and other libraries."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import Lateral
from momentshare.cohort.factors import factor_table, fit_factors
from momentshare.cohort.outcomes import OUTCOMES, definition_table
from momentshare.cohort.outcomes.measure import (
    MeasuredDirection,
    bar_power,
    bar_values,
    joint_power,
    measure_outcomes,
    measured_directions,
)
from momentshare.cohort.outcomes.over_people import named_contrasts, paired_table
from momentshare.directions import ROWS
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import MeasuredStrength, braced_strength, build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import arm_frame
from momentshare.results import take_frames
from momentshare.runs.cases import Case
from momentshare.trial.invent import Tempo, invent_press

G = 9.80665
LOAD = 40.0


@pytest.fixture(scope="module")
def solved():
    """An ascent of an invented press, from rest to rest, with a push along the bar."""
    ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    limb = build_limb(ada, load_model())
    press = BenchPress(load_mass=LOAD, spacing=Profile.constant(0.55))
    truth = invent_press(press, limb.skeleton, Tempo(dip=0.0), ratio=lambda f: 0.1 + 0.0 * f)
    begin, end = (round(float(t) * truth.rate) for t in truth.marks[0])
    lift = truth.lift
    time = lift.time[begin:end] - lift.time[begin]
    part = replace(
        take_frames(lift, slice(begin, end)), time=time, up=lift.up, lateral_axis=lift.lateral_axis
    )
    prepared = prepare(limb, part)
    result = solve_lift(
        prepared, Lateral(mode="measured", ratio=tuple(truth.ratio[begin:end])), greatest_load=False
    )
    return Case(person="Ada", condition="press", prepared=prepared, results=(result,))


def room(case):
    """Grip in the room: to the feet and up; the trunk lies still."""
    hand = case.prepared.lift.hand
    return np.stack([-hand[:, 1], hand[:, 0]], axis=-1)


def table_of(case, **changes):
    given = {"bar": room(case), "angles": {"elbow_flexion": np.linspace(90.0, 10.0, 7)}} | changes
    return measure_outcomes(case, **given)


def value(table, outcome, item="", lateral=None):
    mine = table[(table["outcome"] == outcome) & (table["item"] == item)]
    if lateral is not None:
        mine = mine[mine["lateral"] == lateral]
    (found,) = mine["value"]
    return found


def test_every_outcome_has_unit_definition_and_a_source_that_is_known():
    known = load_model().references
    table = definition_table()
    assert list(table["outcome"]) == list(OUTCOMES)
    assert table["outcome"].is_unique
    for row in table.to_dict("records"):
        assert row["unit"]
        assert row["definition"].endswith(".")
        assert row["source"] in known, row["source"]


def test_the_way_of_a_bar_on_a_quarter_circle():
    turn = np.linspace(0.0, np.pi / 2.0, 2001)
    bar = 0.4 * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    found = {name: v for name, _, v in bar_values(bar, bar[:, 0])}
    assert found["bar_rise"] == pytest.approx(0.4)
    assert found["bar_horizontal_travel"] == pytest.approx(0.4)  # to the head
    assert found["bar_horizontal_range"] == pytest.approx(0.4)
    assert found["bar_path_length"] == pytest.approx(0.4 * np.pi / 2.0, rel=1e-6)
    assert found["bar_lever"] == pytest.approx(0.4 * 2.0 / np.pi, rel=1e-3)


def test_work_on_the_bar_is_the_energy_that_it_gains(solved):
    """From rest to rest one hand raises half of the load."""
    table = table_of(solved)
    rise = value(table, "bar_rise")
    assert value(table, "bar_work") == pytest.approx(0.5 * LOAD * G * rise, rel=2e-3)
    time = solved.prepared.lift.time
    span = time[-1] - time[0]
    assert value(table, "duration") == pytest.approx(span)
    assert value(table, "bar_mean_power") == pytest.approx(value(table, "bar_work") / span)
    assert value(table, "bar_peak_power") == pytest.approx(bar_power(solved, room(solved)).max())


def test_joint_work_raises_arm_and_bar(solved):
    """Energy of arm and bar grows by the work of the joints and of the force through the moving
    joint centre, less what pushing along the bar costs; segments written out anew."""
    lift, limb = solved.prepared.lift, solved.prepared.limb
    result = solved.results[0]
    segment = limb.skeleton.segment
    sizes = limb.skeleton.sizes
    centre = {
        "upper_arm": lift.shoulder
        + float(segment["upper_arm"].centre) * (lift.elbow - lift.shoulder),
        "forearm": lift.elbow
        + float(segment["forearm"].centre)
        * (sizes.forearm_length / sizes.grip_length)
        * (lift.hand - lift.elbow),
        "hand": lift.hand,
    }
    height = sum(
        float(segment[name].mass) * np.sum(place * lift.up, axis=-1)
        for name, place in centre.items()
    )
    height = height + 0.5 * LOAD * np.sum(lift.hand * lift.up, axis=-1)
    gained = G * (height[-1] - height[0])
    power = joint_power(lift, result.moments)[:, :4].sum(axis=1)
    through = np.sum(
        solved.prepared.demand.joint_force(result.lateral_force)
        * np.gradient(lift.shoulder, lift.time, axis=0),
        axis=-1,
    )
    assert np.trapezoid(power + through, lift.time) == pytest.approx(gained, rel=0.02)
    told = sum(value(table_of(solved), "joint_work", row, "measured") for row in ROWS[:4])
    assert told == pytest.approx(np.trapezoid(power, lift.time))


def test_power_is_moment_times_turning_about_the_same_axis(solved):
    """An arm that only swings in its plane of elevation does work by elevation alone."""
    lift = solved.prepared.lift
    axes = arm_frame(lift.posture.humerus)
    still = np.zeros_like(lift.motion.elbow_flexion_velocity)
    motion = replace(
        lift.motion, humerus_angular_velocity=2.0 * axes[:, 1], elbow_flexion_velocity=still - 3.0
    )
    found = joint_power(replace(lift, motion=motion), np.full((len(still), len(ROWS)), 5.0))
    assert found[:, 0] == pytest.approx(0.0, abs=1e-12)
    assert found[:, 1] == pytest.approx(10.0)
    assert found[:, 2] == pytest.approx(0.0, abs=1e-12)
    assert found[:, 3] == pytest.approx(15.0)  # extension: flexion falls


def test_net_force_of_the_elbow_by_newtons_law_on_forearm_hand_and_bar(solved):
    lift, limb, result = solved.prepared.lift, solved.prepared.limb, solved.results[0]
    segment, sizes = limb.skeleton.segment, limb.skeleton.sizes
    along = float(segment["forearm"].centre) * sizes.forearm_length / sizes.grip_length
    place = {"forearm": lift.elbow + along * (lift.hand - lift.elbow), "hand": lift.hand}
    force = np.zeros_like(lift.hand)
    for name, mass in (("forearm", None), ("hand", None), ("hand", 0.5 * LOAD)):
        m = float(segment[name].mass) if mass is None else mass
        swift = np.gradient(np.gradient(place[name], lift.time, axis=0), lift.time, axis=0)
        force += m * (swift + G * lift.up)
    force += result.lateral_force[:, None] * lift.lateral_axis
    inside = slice(5, -5)
    wanted = np.linalg.norm(force, axis=-1)[inside].max()
    found = value(table_of(solved), "peak_elbow_net_force", "", "measured")
    assert found == pytest.approx(wanted, rel=0.01)
    bound = value(table_of(solved), "peak_elbow_load_bound", "", "measured")
    assert bound > found


def test_moments_over_strength_in_both_postures(solved):
    tests = [
        MeasuredStrength(direction="elbow_extension", moment=m, angles={"elbow_flexion": 1.5})
        for m in (50.0, 60.0)
    ]
    tested = measured_directions(tests)
    assert tested == (MeasuredDirection(direction="elbow_extension", measured=55.0),)
    table = table_of(solved, tested=tested)
    moment = solved.results[0].moments[:, 3]
    here = braced_strength(solved.prepared.limb, solved.prepared.lift.posture, "elbow_extension", 1)
    name = "elbow_extension"
    assert value(table, "peak_over_test_strength", name) == pytest.approx(moment.max() / 55.0)
    assert value(table, "mean_over_test_strength", name) == pytest.approx(moment.mean() / 55.0)
    assert value(table, "peak_over_task_strength", name) == pytest.approx((moment / here).max())
    assert value(table, "mean_over_task_strength", name) == pytest.approx((moment / here).mean())
    mass = solved.prepared.limb.skeleton.person.body_mass
    peak = value(table, "peak_moment", name)
    assert value(table, "peak_moment_over_mass", name) == pytest.approx(peak / mass)


def test_fibres_and_peaks_of_heads(solved):
    table = table_of(solved)
    length = solved.prepared.state.fibre_length_normalised
    for k, head in enumerate(solved.prepared.limb.head_names):
        least, greatest = (value(table, f"fibre_length_{n}", head) for n in ("least", "greatest"))
        assert (least, greatest) == (length[:, k].min(), length[:, k].max())
        assert value(table, "fibre_shortening", head) == pytest.approx(length[0, k] - length[-1, k])
        at = value(table, "peak_activation_at", head)
        activation = solved.results[0].activation[:, k]
        frame = round(at / 100.0 * (len(activation) - 1))
        assert activation[frame] == value(table, "peak_activation", head)


def test_an_outcome_that_is_not_defined_is_refused(solved):
    whole = dict(OUTCOMES)
    del OUTCOMES["bar_work"]
    try:
        with pytest.raises(ValueError, match="bar_work"):
            table_of(solved)
    finally:  # in their order, on which figures of other tests depend
        OUTCOMES.clear()
        OUTCOMES.update(whole)


def people_table(rng, people=9):
    rows = [
        {"person": f"P{k}", "condition": "wide", "outcome": "bar_work", "item": "", "phase": phase,
         "value": 60.0 + 3.0 * k + (5.0 if phase == "ascent" else 0.0) + rng.normal()}
        for k in range(people) for phase in ("ascent", "descent") if (k, phase) != (4, "descent")
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_paired_differences_equal_those_of_another_library():
    from scipy.stats import ttest_rel

    own = people_table(np.random.default_rng(2))
    (row,) = paired_table(own, "phase", ("ascent", "descent"), 0.9).to_dict("records")
    wide = own.pivot_table(index="person", columns="phase", values="value").dropna()
    wanted = ttest_rel(wide["ascent"], wide["descent"])
    low, high = wanted.confidence_interval(0.9)
    assert row["people"] == len(wide) == 8
    assert row["p"] == pytest.approx(wanted.pvalue)
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((low, high))
    assert row["difference"] == pytest.approx((wide["ascent"] - wide["descent"]).mean())


def test_what_was_named_is_adjusted_alone():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    contrasts = pd.DataFrame(
        {
            "lateral": ["measured"] * 4, "outcome": ["mean_activation"] * 4,
            "item": ["a", "b", "a", "c"], "condition": "x", "other": "y", "n_people": 9,
            "difference_mean": 0.1, "difference_low": 0.0, "difference_high": 0.2,
            "hedges_g_z": 1.0, "p_paired_t": [0.01, 0.02, 0.04, 1e-9],
        }
    )  # fmt: skip
    outcomes = contrasts.drop(columns="lateral").assign(
        outcome=["bar_work", "bar_rise", "bar_work", "duration"], item="", unit="J",
        p_paired_t=[0.03, 1e-9, np.nan, 1e-9],
    )  # fmt: skip

    class Named:
        heads, outcomes = ["a", "b"], ["bar_work"]

    result = type("R", (), {"study": type("S", (), {"file": type("F", (), {"statistics": Named})})})
    table = named_contrasts(contrasts, outcomes, result, "measured")
    assert list(zip(table["outcome"], table["item"], strict=True)) == [
        ("mean_activation", "a"), ("mean_activation", "b"), ("mean_activation", "a"),
        ("bar_work", ""), ("bar_work", ""),
    ]  # fmt: skip
    known = table["p_paired_t"].notna()
    _, wanted, _, _ = multitest.multipletests(table.loc[known, "p_paired_t"], method="holm")
    assert table.loc[known, "p_named"].to_numpy() == pytest.approx(wanted)
    assert table.loc[~known, "p_named"].isna().all()


LEVELS = {
    "narrow light": {"grip": "narrow", "load": "light"},
    "narrow heavy": {"grip": "narrow", "load": "heavy"},
    "wide light": {"grip": "wide", "load": "light"},
    "wide heavy": {"grip": "wide", "load": "heavy"},
}


def crossed(rng, people=8, drop=()):
    rows = []
    for k in range(people):
        own = rng.normal(0.0, 4.0)
        for name, level in LEVELS.items():
            if (k, name) in drop:
                continue
            speed = rng.normal(0.5, 0.1)
            effect = 3.0 * (level["grip"] == "wide") + 2.0 * (level["load"] == "heavy")
            rows.append(
                {"person": f"P{k}", "condition": name, "outcome": "y", "item": "", **level}
                | {"value": 50.0 + own + effect + 8.0 * speed + rng.normal(), "speed": speed}
                | {"tall": 1.6 + 0.02 * k}
            )
    return pd.DataFrame(rows)


def test_factors_equal_a_general_mixed_model():
    """Estimates and F of MixedLM with sum coding; F there is a Wald χ² over its rank."""
    formula = pytest.importorskip("statsmodels.formula.api")
    table = crossed(np.random.default_rng(5), drop={(2, "wide heavy"), (5, "narrow light")})
    found = factor_table(table, LEVELS, ["speed"]).set_index("term")
    centred = table.assign(speed=table["speed"] - table["speed"].mean())
    fit = formula.mixedlm(
        "value ~ C(grip, Sum) * C(load, Sum) + speed", centred, groups="person"
    ).fit(reml=True)
    names = {
        "grip": "C(grip, Sum)[S.narrow]",
        "load": "C(load, Sum)[S.heavy]",
        "grip × load": "C(grip, Sum)[S.narrow]:C(load, Sum)[S.heavy]",
        "speed": "speed",
    }
    for term, name in names.items():
        wanted = float(fit.params[name] / fit.bse[name]) ** 2
        assert found.loc[term, "f"] == pytest.approx(wanted, rel=2e-3), term
    assert found.loc["speed", "slope"] == pytest.approx(fit.params["speed"], rel=1e-3)
    assert found.loc["speed", "slope_se"] == pytest.approx(fit.bse["speed"], rel=1e-3)
    assert (found["df_denominator"] == len(table) - 8 - 4).all()


def test_balanced_factors_equal_the_analysis_of_variance_within_people():
    formula = pytest.importorskip("statsmodels.formula.api")
    from statsmodels.stats.anova import anova_lm

    table = crossed(np.random.default_rng(6))
    found = factor_table(table, LEVELS).set_index("term")
    fit = formula.ols("value ~ C(person) + C(grip, Sum) * C(load, Sum)", table).fit()
    wanted = anova_lm(fit, typ=3)
    for term, name in (
        ("grip", "C(grip, Sum)"), ("load", "C(load, Sum)"),
        ("grip × load", "C(grip, Sum):C(load, Sum)"),
    ):  # fmt: skip
        assert found.loc[term, "f"] == pytest.approx(wanted.loc[name, "F"], rel=1e-5)
        assert found.loc[term, "p"] == pytest.approx(wanted.loc[name, "PR(>F)"], rel=1e-4)


def test_a_covariate_of_the_person_has_no_slope_and_is_named():
    table = crossed(np.random.default_rng(7))
    found = factor_table(table, LEVELS, ["tall"])
    assert "tall" not in set(found["term"])
    assert (found["note"] == "tall does not vary within people and has no slope").all()


def test_too_little_is_said():
    table = crossed(np.random.default_rng(8), people=2)
    found = factor_table(table, LEVELS)
    assert found["f"].isna().all()
    assert "2 people" in found["note"].iloc[0]
    assert isinstance(
        fit_factors(np.ones(12), np.repeat([0, 1, 2], 4), np.eye(4)[[0, 1, 2, 3] * 3]), str
    )
