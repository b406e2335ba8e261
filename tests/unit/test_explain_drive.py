"""Drive split, counterfactuals and their words; small cases by hand and a study of two presses."""

import math
from dataclasses import replace

import numpy as np
import pytest

from momentshare.directions import ROWS
from momentshare.errors import InputError, UnknownNameError
from momentshare.explain import (
    CapacityFactors,
    FrameProblem,
    HeadExplanation,
    counterfactuals,
    drive_split,
    drive_table,
    explain_along,
    explain_head,
    explanation_text,
    frame_at,
    frame_problem,
    weakest_frame,
)
from momentshare.explain.along import sign_runs, sign_text
from momentshare.explain.comparison import comparison_text
from momentshare.explain.problem import best_length
from momentshare.explain.sentences import drive_text
from momentshare.muscle.curves import curve_set
from momentshare.sharing import Status
from momentshare.study import parse_study, run_study

STUDY = """
title = "One press, explained"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 65], [1, 82]]
forearm_tilt_deg = [[0, 5], [1, -6]]
load_kg = 30
lateral_ratio = 0.1
lateral_bounds = [-0.05, 0.1]
"""

LONG, LATERAL = "triceps_brachii/long", "triceps_brachii/lateral"


def lifts(text=STUDY):
    (case,) = run_study(parse_study(text)).cases
    return {result.lateral.mode: result for result in case.results}


@pytest.fixture(scope="module")
def plain():
    return lifts()


@pytest.fixture(scope="module")
def moving():
    """p = 3, weights by volume, the forearm balanced too, a timed lift."""
    changed = 'frames = 7\nexponent = 3.0\nweights = "volume"\nbalance_forearm = true'
    return lifts(STUDY.replace("frames = 7", changed) + "duration_s = 1.5\n")


def toy(shoulder_arm, exponent=2.0, scale=1.0):
    """Two-joint head, elbow head and shoulder head under 20 and 30 N·m."""
    return FrameProblem(
        head_names=("arm/both", "arm/elbow", "arm/shoulder"),
        row_names=("elbow_extension", "shoulder_elevation"),
        moment_arms=np.array([[0.022, 0.022, 0.0], [shoulder_arm, 0.0, 0.035]]),
        capacity=np.array([800.0, 1000.0, 1200.0]),
        passive_force=np.zeros(3),
        moments=scale * np.array([20.0, 30.0]),
        exponent=exponent,
        weights=np.ones(3),
        free_columns=np.zeros((2, 0)),
    )


def toy_head(problem, head):
    answer = problem.solve()
    index = problem.head_names.index(head)
    force = float(answer.force[index])
    numbers = dict.fromkeys(CapacityFactors.__dataclass_fields__, 1.0)
    numbers |= {"capacity": float(problem.capacity[index]), "slack": False}
    return HeadExplanation(
        head=head, index=index, frame=0, height_fraction=0.0, lateral_mode="zero",
        lateral_force=0.0, lateral_ratio=0.0, problem=problem, sharing=answer,
        split=drive_split(problem, answer, head), factors=CapacityFactors(**numbers),
        force=force, active_force=force, moments=(),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["plain", "moving"])
def test_clipped_sum_of_the_parts_is_the_activation(kind, request):
    seen = set()
    for result in request.getfixturevalue(kind).values():
        for frame in range(7):
            problem = frame_problem(result, frame)
            for head in problem.head_names:
                found = explain_head(result, head, frame=frame)
                split = found.split
                raw = split.part.sum() + split.facet_part.sum()
                if problem.exponent == 3.0:
                    raw = math.copysign(math.sqrt(abs(raw)), raw)
                assert split.before_bounds == pytest.approx(raw, abs=1e-12)
                assert split.activation == pytest.approx(min(max(raw, 0.0), 1.0), abs=1e-8)
                seen.add(split.bound)
    assert seen >= {"none", "zero"}


@pytest.mark.parametrize("kind", ["plain", "moving"])
def test_a_frame_taken_out_gives_the_answer_of_the_lift_again(kind, request):
    results = request.getfixturevalue(kind)
    assert set(results) == {"measured", "zero", "free"}
    held = False
    for result in results.values():
        for frame in (0, 3, 6):
            answer = frame_problem(result, frame).solve()
            np.testing.assert_allclose(
                answer.activation, result.sharing.activation[frame], atol=1e-9
            )
            if answer.free_values.size:
                np.testing.assert_allclose(
                    answer.free_values[0], result.lateral_force[frame], atol=1e-6
                )
                held |= bool(np.isclose(result.lateral_ratio[frame], (-0.05, 0.1)).any())
    assert held, "no frame meets a bound of the free lateral force"


def test_factors_multiply_to_the_capacity_here(moving):
    for head in (LONG, "pectoralis_major/clavicular", "brachialis"):
        f = explain_head(moving["zero"], head, frame=2).factors
        assert f.fibre_velocity != 0.0
        whole = f.greatest_isometric_force * f.length_factor * f.velocity_factor * f.cosine
        assert f.capacity == pytest.approx(whole, rel=1e-12)
        assert f.greatest_isometric_force == pytest.approx(
            f.volume / f.peak_fibre_length * f.specific_tension * f.strength_factor, rel=1e-12
        )


def test_moments_of_all_heads_add_up_to_the_net_moment(plain):
    for result in plain.values():
        heads = result.prepared.limb.head_names
        found = [explain_head(result, head, frame=2) for head in heads]
        for j, row in enumerate(result.criterion.rows):
            total = sum(item.moments[j].moment for item in found)
            assert total == pytest.approx(result.moments[2, ROWS.index(row)], abs=1e-6)


def test_along_the_lift_agrees_with_every_single_frame(moving):
    result = moving["free"]
    table = explain_along(result, LONG)
    for frame in range(7):
        split = explain_head(result, LONG, frame=frame).split
        line = table.iloc[frame]
        for row, part in zip(split.row_names, split.part, strict=True):
            assert line[f"part_{row}"] == pytest.approx(part, abs=1e-12)
        for joint, part in split.by_joint().items():
            assert line[f"part_{joint}"] == pytest.approx(part, abs=1e-12)
        assert line["activation_before_bounds"] == pytest.approx(split.before_bounds, abs=1e-12)


def lost_first(values):
    out = values.copy()
    out[0] = Status.INVALID if out.dtype.kind == "i" else np.nan
    return out


def test_out_of_reach_frames_are_marked_and_refused(plain):
    lift = plain["zero"].prepared.lift
    good = np.array([False] + [True] * 6)
    part = plain["zero"].sharing
    fields = ("activation", "active_force", "force", "multipliers", "unmet", "free_values",
              "inequality_multipliers", "status")  # fmt: skip
    sharing = replace(part, **{n: lost_first(getattr(part, n)) for n in fields})
    result = replace(
        plain["zero"],
        prepared=replace(plain["zero"].prepared, lift=replace(lift, reachable=good)),
        sharing=sharing,
        greatest=None,
    )
    assert frame_at(result, 0.0) == 1
    table = explain_along(result, LONG)
    assert table["status"].iloc[0] == "out of reach"
    assert table["part_elbow"].isna().tolist() == [True] + [False] * 6
    # Frame 1 is the first of the reachable ones and keeps its own answer.
    assert (
        explain_head(result, LONG, frame=1).split.activation
        == part.activation[1, result.prepared.limb.head_names.index(LONG)]
    )
    with pytest.raises(InputError, match="reachable"):
        explain_head(result, LONG, frame=0)


def test_default_height_is_where_the_greatest_load_is_least(plain):
    result = plain["measured"]
    assert weakest_frame(result) == int(np.argmin(result.greatest.factor))
    assert explain_head(result, LONG).frame == weakest_frame(result)


@pytest.mark.parametrize("height", [-0.1, 1.1, math.nan])
def test_heights_outside_the_lift_are_refused(plain, height):
    with pytest.raises(InputError, match="0 \\(chest\\) to 1"):
        frame_at(plain["zero"], height)


def test_nearest_frame_stands_for_a_height(plain):
    assert frame_at(plain["zero"], 0.49) == 3
    assert frame_at(plain["zero"], 1.0) == 6


def test_unknown_head_offers_the_nearest(plain):
    with pytest.raises(UnknownNameError, match="triceps_brachii/long"):
        explain_head(plain["zero"], "triceps_brachi/long")
    with pytest.raises(UnknownNameError, match="arm/both"):
        counterfactuals(toy(-0.02), "arm/bot")


@pytest.mark.parametrize("kind", ["plain", "moving"])
def test_first_case_is_the_original_and_every_case_is_certified(kind, request):
    for result in request.getfixturevalue(kind).values():
        for head in (LONG, LATERAL, "biceps_brachii/long", "deltoid/acromial"):
            found = explain_head(result, head, frame=3)
            changes = counterfactuals(found.problem, head)
            np.testing.assert_allclose(
                changes.sharing.activation[0], found.sharing.activation, atol=1e-9
            )
            assert set(changes.sharing.status_text) <= {"solved", "shortfall"}
            for k, problem in enumerate(changes.problems):
                alone = problem.solve()
                np.testing.assert_allclose(
                    changes.sharing.activation[k], alone.activation, atol=1e-8
                )
            gone = changes.place("removed")
            assert changes.sharing.force[gone, found.index] == 0.0


def test_each_case_changes_one_head_only(moving):
    problem = frame_problem(moving["free"], 3)
    index = problem.head_names.index("biceps_brachii/long")
    changes = counterfactuals(problem, "biceps_brachii/long")
    others = np.arange(len(problem.head_names)) != index
    for changed in changes.problems:
        for name in ("capacity", "passive_force", "weights"):
            same = getattr(changed, name)[others] == getattr(problem, name)[others]
            assert same.all()
        assert (changed.moment_arms[:, others] == problem.moment_arms[:, others]).all()
    kept = {
        case: {
            row.split("_")[0]
            for row, arm in zip(p.row_names, p.moment_arms[:, index], strict=True)
            if arm
        }
        for case, p in zip(changes.cases, changes.problems, strict=True)
    }
    assert kept["no_arm_shoulder"] == {"elbow", "forearm"}
    assert kept["only_elbow"] == {"elbow"}
    assert changes.twin_of == {f"only_{j}": j for j in ("shoulder", "elbow", "forearm")}
    double = changes.problems[changes.place("twice_the_area")]
    assert double.weights[index] == 2.0 * problem.weights[index]
    stretched = replace(toy(-0.020), passive_force=np.array([5.0, 6.0, 7.0]))
    changes = counterfactuals(stretched, "arm/both")
    double = changes.problems[changes.place("twice_the_area")]
    assert double.passive_force.tolist() == [10.0, 6.0, 7.0]
    assert double.capacity.tolist() == [1600.0, 1000.0, 1200.0]
    assert double.weights.tolist() == [1.0, 1.0, 1.0]


def test_a_two_joint_head_has_one_twin_for_each_joint(plain):
    changes = counterfactuals(frame_problem(plain["zero"], 3), LONG)
    assert changes.twin_of == {"no_arm_shoulder": "elbow", "no_arm_elbow": "shoulder"}


def test_best_length_is_what_the_limb_gives_with_its_fibres_there(plain):
    """The path is made as long as the fibre at its best length needs, and capacity is computed
    again."""
    result = plain["zero"]
    limb = result.prepared.limb
    best = best_length(curve_set(limb.options.curves))
    fibre = best * limb.peak_fibre_length
    along = np.sqrt(fibre**2 - (limb.peak_fibre_length * np.sin(limb.pennation)) ** 2)
    state = limb.capacity(limb.slack_length + along)
    problem = frame_problem(result, 3)
    np.testing.assert_allclose(problem.best_capacity, state.active_capacity, rtol=1e-12)
    np.testing.assert_allclose(problem.best_passive_force, state.passive_force, rtol=1e-9)
    assert state.length_factor.max() >= result.prepared.state.length_factor.max()


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_more_area_never_costs_effort_and_a_lost_head_never_saves_any(exponent):
    draw = np.random.default_rng(5)
    moved = 0
    for _ in range(20):
        arms = draw.normal(0.0, 0.02, (2, 6))
        capacity = draw.uniform(300.0, 1200.0, 6)
        problem = FrameProblem(
            head_names=tuple(f"m/{i}" for i in range(6)),
            row_names=("elbow_extension", "shoulder_elevation"),
            moment_arms=arms,
            capacity=capacity,
            passive_force=np.zeros(6),
            moments=arms @ (capacity * draw.uniform(0.1, 0.6, 6)),
            exponent=exponent,
            weights=np.ones(6),
            free_columns=np.zeros((2, 0)),
        )
        changes = counterfactuals(problem, "m/0")
        gone, double = changes.place("removed"), changes.place("twice_the_area")
        if changes.sharing.status_text[gone] == "solved":
            assert changes.effort[gone] >= changes.effort[0] * (1 - 1e-9)
            moved += changes.effort[gone] > changes.effort[0] * 1.01
        assert changes.effort[double] <= changes.effort[0] * (1 + 1e-9)
    assert moved > 5


def test_minmax_parts_of_all_heads_add_up_to_one_and_the_text_says_so():
    problem = toy(-0.020, math.inf)
    answer = problem.solve()
    assert str(answer.status_text) == "solved"
    table = drive_table(problem, answer)
    assert table["sum_of_parts"].clip(lower=0.0).sum() == pytest.approx(1.0, abs=1e-9)
    assert table["activation_before_bounds"].isna().all()
    assert "min–max" in drive_text(toy_head(problem, "arm/both"))


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_words_follow_the_numbers_when_the_shoulder_arm_changes_sides(exponent):
    """An arm against the moment burdens the two-joint head, one with it helps it."""
    said = {}
    for arm in (-0.020, 0.020):
        problem = toy(arm, exponent)
        found, other = toy_head(problem, "arm/both"), toy_head(problem, "arm/elbow")
        changes = counterfactuals(problem, "arm/both")
        split = drive_text(found)
        compared = comparison_text(found, changes, other)
        value = found.split.by_joint()["shoulder"]
        assert np.sign(value) == np.sign(arm)
        effect = f"adds {value:.3f} to" if value > 0.0 else f"takes {-value:.3f} from"
        whole = "activation" if exponent == 2.0 else "drive"
        assert f"The shoulder {effect} its {whole}: " in split
        reason = split.split("The shoulder")[1].split("multiplier")[0]
        assert ("saves effort" in reason) == (value > 0.0)
        assert ("costs effort" in reason) == (value < 0.0)
        assert ("lowering of the arm" in reason) == (arm < 0.0)
        effect = changes.activation_change("no_arm_shoulder")[0]
        direction = "less" if effect > 0.0 else "more"
        assert f"the arm makes it contribute {direction}" in compared
        said[arm] = direction
    assert said == {-0.020: "less", 0.020: "more"}


def test_words_name_the_bound_that_holds_a_head():
    strong = toy_head(toy(-0.020, scale=1.25), "arm/shoulder")
    assert strong.split.bound == "one"
    assert "bound at 1" in drive_text(strong)
    idle = toy_head(toy(-0.080, scale=0.5), "arm/both")
    assert idle.split.bound == "zero"
    assert "bound at 0" in drive_text(idle)


def test_a_shortfall_is_said_with_what_is_missing():
    problem = toy(-0.020, scale=3.0)
    text = "\n".join(
        explanation_text(toy_head(problem, "arm/both"), counterfactuals(problem, "arm/both"))
    )
    assert "cannot be met" in text
    assert "falls short by" in text


def test_sign_runs_skip_gaps_and_call_small_values_nothing():
    runs = sign_runs([0.0, 0.25, 0.5, 0.75, 1.0], [0.1, math.nan, 0.2, 1e-5, -0.1])
    assert runs == [(1, 0.0, 0.5), (0, 0.75, 0.75), (-1, 1.0, 1.0)]


def test_what_decides_the_sign_is_read_from_the_tables(plain):
    tables = {mode: explain_along(result, LONG) for mode, result in plain.items()}
    flipped = tables["zero"].assign(part_shoulder=-tables["measured"]["part_shoulder"])
    same = sign_text(LONG, {"measured": tables["measured"], "zero": tables["measured"]}, 0)
    other = sign_text(LONG, {"measured": tables["measured"], "zero": flipped}, 0)
    assert "depends on the lateral force here" not in same
    assert "depends on the lateral force here" in other
    steady = tables["measured"].assign(part_shoulder=0.2, part_elbow=0.2)
    assert "does not change with bar height" in sign_text(LONG, {"zero": steady}, 0)
    turning = steady.assign(part_shoulder=np.linspace(-1.0, 1.0, 7))
    assert "changes with bar height (lateral force zero)" in sign_text(LONG, {"zero": turning}, 0)


def test_text_of_two_heads_holds_both_and_every_case(plain):
    result = plain["measured"]
    found, other = (explain_head(result, head, frame=3) for head in (LONG, LATERAL))
    changes = counterfactuals(found.problem, LONG)
    alongs = {m: explain_along(r, LONG) for m, r in plain.items()}
    others = {m: explain_along(r, LATERAL) for m, r in plain.items()}
    text = explanation_text(
        found, changes, title="Edda, bar", other=other, alongs=alongs, other_alongs=others
    )
    whole = "\n".join(text)
    assert whole.startswith("Edda, bar, the long head of the triceps brachii at 50 %")
    for words in (
        "One-joint twin".lower(),
        "At peak fibre length",
        "Twice the area",
        "Head removed",
    ):
        assert words in whole
    assert f"{found.split.activation:.3f}" in whole
    assert f"{other.split.activation:.3f}" in whole
