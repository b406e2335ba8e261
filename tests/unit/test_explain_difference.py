"""Differences split into moments, lateral force, arms and capacity: sums, twins, single causes."""

import re
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.explain import explain_head, frame_problem
from momentshare.explain.difference import explain_difference, factor_parts_along
from momentshare.explain.difference_sentences import what_if_sentence
from momentshare.explain.frame_pairs import (
    EQUAL_MOMENT,
    EQUAL_PART,
    EqualMoments,
    equal_moments,
    pairs_table,
)
from momentshare.explain.given import given_frame, solve_given
from momentshare.explain.group_changes import STRONGER, what_if
from momentshare.explain.head_sentences import equal_sentences
from momentshare.explain.heads_apart import explain_heads_apart
from momentshare.explain.limiting import RAISE, limiting_strength
from momentshare.explain.mixtures import FACTORS, member_words
from momentshare.explain.owen import member_values
from momentshare.explain.sums import sum_lines
from momentshare.runs import solve_setup
from momentshare.runs.variation import stronger
from momentshare.sharing import contact_cone, share
from momentshare.study import parse_study, plan_study, run_study

STUDY = """
title = "Two presses"
[settings]
frames = 5
glenoid_constraint = {held}
{more}
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "wide"
exercise = "bar_press"
spacing_biacromial = 1.7
load_kg = 25
lateral_ratio = 0.12
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.2
load_kg = 25
lateral_ratio = 0.04
"""
MORE = 'exponent = 3.0\nweights = "none"'
LONG, LATERAL = "triceps_brachii/long", "triceps_brachii/lateral"
PECTORALIS = "pectoralis_major/sternocostal_lower"


def solved(text):
    return [
        {result.lateral.mode: result for result in case.results}
        for case in run_study(parse_study(text), band=False).cases
    ]


@pytest.fixture(scope="module", params=[("true", ""), ("false", MORE)], ids=["held", "p3"])
def pair(request):
    held, more = request.param
    return solved(STUDY.format(held=held, more=more))


# The mean over orders


def in_every_order(factors, solve):
    """Slow twin: walk through all orders in which the members of a factor stay together."""
    spans, first = [], 0
    for size in factors:
        spans.append(list(range(first, first + size)))
        first += size
    out, count = 0.0, 0
    for order in permutations(spans):
        for walk in walks(order):
            state, parts = [False] * first, [0.0] * first
            before = solve(np.array([state]))[0]
            for member in walk:
                state[member] = True
                after = solve(np.array([state]))[0]
                parts[member], before = after - before, after
            out, count = out + np.array(parts), count + 1
    return out / count


def walks(order):
    if not order:
        yield ()
        return
    for first in permutations(order[0]):
        for rest in walks(order[1:]):
            yield (*first, *rest)


def tangled(states):
    """Anything that is no plain sum."""
    weights = np.array([[1.7, -0.4], [0.3, 2.0], [-1.1, 0.6], [0.9, -2.2]])[: states.shape[1]]
    x = states @ weights
    return np.sin(3.0 * x) + x**2 + np.prod(1.0 + 0.5 * states, axis=1)[:, None]


@pytest.mark.parametrize("factors", [(1, 1, 1, 1), (2, 1, 1), (1, 3), (4,), (2, 2), (0, 3, 0)])
def test_shares_are_the_means_over_all_orders(factors):
    slow = in_every_order(factors, tangled)
    np.testing.assert_allclose(member_values(factors, tangled), slow, atol=1e-12)


@pytest.mark.parametrize("factors", [(2, 2), (3, 1), (1, 2, 1)])
def test_members_of_a_factor_carry_together_what_the_factor_carries(factors):
    edges = np.cumsum([0, *factors])

    def whole(states):
        return tangled(np.repeat(states, factors, axis=1))

    alone = member_values([1] * len(factors), whole)
    members = member_values(factors, tangled)
    np.testing.assert_allclose(np.add.reduceat(members, edges[:-1]), alone, atol=1e-12)


def test_nothing_that_differs_carries_nothing():
    assert member_values([0, 0], lambda states: np.zeros((len(states), 3))).shape == (0, 3)


# Two conditions


@pytest.mark.parametrize("mode", ["measured", "zero", "free"])
def test_parts_of_every_head_sum_to_its_difference(pair, mode):
    wide, narrow = (lifts[mode] for lifts in pair)
    found = explain_difference(wide, narrow, frame=1, names=("wide", "narrow"))
    forces = found.force[0] - found.force[1]
    np.testing.assert_allclose(found.parts.sum(axis=0), [found.gap, forces], atol=1e-9)
    for k, lift in enumerate((wide, narrow)):
        frame = found.frames[k]
        np.testing.assert_allclose(found.activation[k], lift.activation[frame], atol=1e-8)
        np.testing.assert_allclose(found.force[k], lift.force[frame], atol=1e-5)
    assert np.abs(found.gap).max() > 0.05
    head = found.head_names[int(np.argmax(np.abs(found.gap)))]
    factors = found.factors(head)
    assert sum(factors.values()) == pytest.approx(found.gap[found.head_names.index(head)])
    for factor in FACTORS:
        parts = found.components(head, factor)
        assert sum(parts.values()) == pytest.approx(factors[factor], abs=1e-12)


def raw_inputs(lift, frame):
    """What an answer follows from, straight from paths, capacity and demand."""
    ready, rows = lift.prepared, [ROWS.index(row) for row in lift.criterion.rows]
    push = lift.lateral_force
    plain, pushed = ready.demand.moments(), ready.demand.moments(push, lift.hand_couple)
    return {
        "moments": (plain[frame][rows], ready.demand.joint_force()[frame]),
        "lateral force": (
            (pushed - plain)[frame][rows],
            (ready.demand.joint_force(push) - ready.demand.joint_force())[frame],
        ),
        "arms": (
            ready.paths.moment_arms[frame][rows],
            ready.paths.line_of_action[frame],
            ready.balance(glenoid=True).glenoid.frame[frame],
        ),
        "capacity": (ready.state.active_capacity[frame], ready.state.passive_force[frame]),
    }


def solved_raw(inputs, lift):
    """One frame alone, through the door of the sharing."""
    arms, lines, frame = inputs["arms"]
    capacity, passive = inputs["capacity"]
    cone = None
    if lift.sharing.inequality_multipliers.shape[-1]:
        limit = lift.prepared.balance(glenoid=True).glenoid
        cone = contact_cone(
            lines, -(inputs["moments"][1] + inputs["lateral force"][1]), limit.limits,
            axis=-frame[2], towards=frame[0], turns=limit.turns,
        )  # fmt: skip
    return share(
        arms, capacity, inputs["moments"][0] + inputs["lateral force"][0], passive_force=passive,
        exponent=lift.criterion.exponent,
        weights=lift.criterion.weights_of(lift.prepared.limb),
        inequalities=cone,
    ).activation  # fmt: skip


@pytest.mark.parametrize(("mode", "frame"), [("measured", 4), ("free", 2)])
def test_a_slow_twin_changes_one_thing_after_another_and_solves_again(pair, mode, frame):
    wide, narrow = (lifts[mode] for lifts in pair)
    found = explain_difference(wide, narrow, frame=frame)
    first, second = raw_inputs(wide, found.frames[0]), raw_inputs(narrow, found.frames[1])
    total = dict.fromkeys(FACTORS, 0.0)
    for order in permutations(FACTORS):
        now, before = dict(second), solved_raw(second, wide)
        for factor in order:
            now[factor] = first[factor]
            after = solved_raw(now, wide)
            total[factor], before = total[factor] + (after - before) / 24.0, after
    for head_index, head in enumerate(found.head_names):
        factors = found.factors(head)
        for factor in FACTORS:
            assert factors[factor] == pytest.approx(float(total[factor][head_index]), abs=1e-7)


def test_a_push_that_drives_the_head_out_of_the_glenoid_counts(pair):
    """A force of the push across the joint that the limit forbids to leave unanswered."""
    lift = pair[0]["measured"]
    if not lift.sharing.inequality_multipliers.shape[-1]:
        assert not given_frame(lift, 2).pushed.any()
        return
    own, moved = given_frame(lift, 2), []
    for sign in (1.0, -1.0):
        force = sign * 300.0 * own.frame[0]
        cases = [
            type(own)(**{n: getattr(x, n)[None] for n in own.__dataclass_fields__})
            for x in (own, replace(own, pushed=own.pushed + force))
        ]
        activation = [solve_given(case, lift)[0][0] for case in cases]
        inputs = raw_inputs(lift, 2)
        lateral, across = inputs["lateral force"]
        inputs["lateral force"] = (lateral, across + force)
        np.testing.assert_allclose(activation[1], solved_raw(inputs, lift), atol=1e-7)
        moved.append(float(np.abs(activation[1] - activation[0]).max()))
    assert max(moved) > 1e-3


def test_the_other_way_round_every_part_changes_its_sign(pair):
    wide, narrow = (lifts["measured"] for lifts in pair)
    there = explain_difference(wide, narrow, frame=1, other_frame=3)
    back = explain_difference(narrow, wide, frame=3, other_frame=1)
    np.testing.assert_allclose(back.parts, -there.parts, atol=1e-9)


def test_along_the_lift_agrees_with_every_single_height(pair):
    wide, narrow = (lifts["free"] for lifts in pair)
    table = factor_parts_along(wide, narrow).set_index(["frame", "head"])
    for frame in (0, 3):
        found = explain_difference(wide, narrow, frame=frame)
        for head in (LONG, PECTORALIS):
            row = table.loc[(frame, head)]
            for factor, part in found.factors(head).items():
                assert row[f"by_{factor.replace(' ', '_')}"] == pytest.approx(part, abs=1e-8)
            assert row["difference"] == pytest.approx(
                found.gap[found.head_names.index(head)], abs=1e-8
            )


def test_a_lift_does_not_differ_from_itself(pair):
    found = explain_difference(pair[0]["zero"], pair[0]["zero"], frame=2)
    assert found.members == ()
    assert not found.gap.any()
    assert set(found.factors(LONG).values()) == {0.0}


ONE = STUDY.format(held="true", more="")
ALONE = {
    "moments": ONE.replace("spacing_biacromial = 1.7", "spacing_biacromial = 1.2")
    .replace("lateral_ratio = 0.12", "lateral_ratio = 0.0")
    .replace("lateral_ratio = 0.04", "lateral_ratio = 0.0")
    .replace("load_kg = 25", "load_kg = 20", 1),
    "lateral force": ONE.replace("spacing_biacromial = 1.7", "spacing_biacromial = 1.2"),
}


@pytest.mark.parametrize("cause", ALONE)
def test_where_one_thing_differs_it_carries_everything(cause):
    wide, narrow = (lifts["measured"] for lifts in solved(ALONE[cause]))
    found = explain_difference(wide, narrow, frame=1)
    assert {member.factor for member in found.members} == {cause}
    assert np.abs(found.gap).max() > 0.01
    for index, head in enumerate(found.head_names):
        factors = found.factors(head)
        assert factors.pop(cause) == pytest.approx(found.gap[index], abs=1e-9)
        assert set(factors.values()) == {0.0}


def test_a_stronger_limb_differs_by_its_capacity_alone():
    first, second = (
        solved(ONE.replace("training_factor = 1.3", f"training_factor = {f}"))[1]["zero"]
        for f in (1.3, 1.0)
    )
    found = explain_difference(first, second, frame=1)
    assert {member.factor for member in found.members} == {"capacity"}
    np.testing.assert_allclose(found.parts.sum(axis=0)[0], found.gap, atol=1e-9)


def test_lifts_that_cannot_be_compared_are_refused():
    held, free = (solved(STUDY.format(held=h, more="")) for h in ("true", "false"))
    with pytest.raises(InputError, match="glenoid is kept in one"):
        explain_difference(held[0]["zero"], free[1]["zero"])
    other = solved(STUDY.format(held="true", more="exponent = 3.0"))
    with pytest.raises(InputError, match="the same criterion"):
        explain_difference(held[0]["zero"], other[1]["zero"])
    with pytest.raises(InputError, match="reachable"):
        explain_difference(held[0]["zero"], held[1]["zero"], frame=99)


def test_tables_hold_the_numbers_of_the_difference(pair):
    found = explain_difference(pair[0]["measured"], pair[1]["measured"], names=("wide", "narrow"))
    table, parts = found.to_dataframe(), found.to_components()
    by = [f"activation_by_{factor.replace(' ', '_')}" for factor in FACTORS]
    gap = table["activation_first"] - table["activation_second"]
    np.testing.assert_allclose(table[by].sum(axis=1), gap, atol=1e-9)
    own = parts.groupby("head", sort=False)["force_part_n"].sum()
    np.testing.assert_allclose(own, table["force_difference_n"], atol=1e-6)
    moments = found.to_rows()
    whole = moments["moment_first_nm"] + moments["by_lateral_force_first_nm"]
    wide = pair[0]["measured"]
    rows = [ROWS.index(row) for row in found.row_names]
    np.testing.assert_allclose(whole, wide.moments[found.frames[0]][rows], atol=1e-9)
    assert all(member_words(member) for member in found.members)


# Two heads


@pytest.mark.parametrize("mode", ["measured", "free"])
def test_both_readings_of_two_heads_sum_to_their_difference(pair, mode):
    lift = pair[0][mode]
    found = explain_heads_apart(lift, LONG, LATERAL, frame=2)
    names = lift.prepared.limb.head_names
    own = lift.activation[2][[names.index(LONG), names.index(LATERAL)]]
    assert found.gap == pytest.approx(own[0] - own[1], abs=1e-8)
    gaps = [found.gap, found.force[0] - found.force[1]]
    np.testing.assert_allclose(found.parts.sum(axis=0), gaps, atol=1e-7)
    np.testing.assert_allclose(found.asked_parts.sum(axis=0) + found.rest, gaps, atol=1e-7)
    table = found.to_dataframe().groupby("reading")["activation_part"].sum()
    np.testing.assert_allclose(table, found.gap, atol=1e-8)


def test_a_twin_is_solved_again_for_arms_and_for_capacity(pair):
    """Arms and capacity of the other head, put into the frame problem one after the other."""
    lift = pair[0]["zero"]
    found = explain_heads_apart(lift, LONG, LATERAL, frame=2)
    problem = frame_problem(lift, 2)
    x, y = (problem.head_names.index(name) for name in (LONG, LATERAL))

    def gap(*, arms, capacity):
        changed = problem
        if not arms:
            own = problem.moment_arms.copy()
            own[:, x] = own[:, y]
            changed = replace(changed, moment_arms=own)
            if problem.glenoid is not None:
                lines = problem.glenoid.limit.lines.copy()
                lines[x] = lines[y]
                limit = replace(problem.glenoid.limit, lines=lines)
                changed = replace(changed, glenoid=replace(problem.glenoid, limit=limit))
        if not capacity:
            values = {}
            for name in ("capacity", "passive_force", "weights"):
                values[name] = getattr(problem, name).copy()
                values[name][x] = values[name][y]
            changed = replace(changed, **values)
        answer = changed.solve()
        return float(answer.activation[x] - answer.activation[y])

    none, both = gap(arms=False, capacity=False), gap(arms=True, capacity=True)
    arms, capacity = gap(arms=True, capacity=False), gap(arms=False, capacity=True)
    assert none == pytest.approx(0.0, abs=1e-9)
    factors = found.factors()
    assert factors["arms"] == pytest.approx(0.5 * (arms - none + both - capacity), abs=1e-7)
    assert factors["capacity"] == pytest.approx(0.5 * (capacity - none + both - arms), abs=1e-7)


def test_a_head_is_not_set_against_itself(pair):
    with pytest.raises(InputError, match="twice"):
        explain_heads_apart(pair[0]["zero"], LONG, LONG)


# What if, and what limits the load


def test_what_ifs_are_frames_solved_again(pair):
    lift = pair[0]["zero"]
    found = what_if([("wide", lift, 1), ("narrow", pair[1]["zero"], 1)])
    problem = frame_problem(lift, 1)
    groups = np.array([head.group for head in lift.prepared.limb.model.heads])

    def activation(case):
        return found.activation[0, found.cases.index(case)]

    np.testing.assert_allclose(activation("as_it_is"), lift.activation[1], atol=1e-8)
    for factor, name in ((0.0, "without"), (STRONGER, "stronger")):
        scale = np.where(groups == "deltoid", factor, 1.0)
        changed = replace(
            problem,
            capacity=problem.capacity * scale,
            passive_force=problem.passive_force * scale,
        ).solve()
        np.testing.assert_allclose(activation(f"{name}_deltoid"), changed.activation, atol=1e-7)
    row = problem.row_names.index("elbow_extension")
    keep = [j for j in range(len(problem.row_names)) if j != row]
    if problem.glenoid is None:
        dropped = share(
            problem.moment_arms[keep], problem.capacity, problem.moments[keep],
            passive_force=problem.passive_force, exponent=problem.exponent,
            weights=problem.weights,
        )  # fmt: skip
        np.testing.assert_allclose(
            activation("leave_out_elbow_extension"), dropped.activation, atol=1e-7
        )
    table = found.to_dataframe()
    assert set(table["kind"]) == {"", "group", "component"}
    assert found.gap(LONG)["as_it_is"] == pytest.approx(
        explain_difference(lift, pair[1]["zero"], frame=1).gap[problem.head_names.index(LONG)],
        abs=1e-7,
    )


def test_a_what_if_tells_in_how_many_draws_it_moves_the_difference_alike(pair):
    """Of three draws one moves it twice as far, one the other way, and one half as far."""
    found = what_if([("wide", pair[0]["zero"], 1), ("narrow", pair[1]["zero"], 1)])
    head = found.head_names.index(LONG)

    def drawn(factor):
        """Let every case move the difference by a factor times what it moves here."""
        activation = found.activation.copy()
        gap = activation[0, :, head] - activation[1, :, head]
        activation[0, :, head] = activation[1, :, head] + gap[0] + factor * (gap - gap[0])
        return replace(found, activation=activation)

    said = what_if_sentence(found, LONG, drawn=[drawn(2.0), drawn(-1.0), drawn(0.5)])
    gaps = found.gap(LONG)
    told = re.findall(r"it would be ([+-]?\d\.\d+) \((higher|lower) in (\d) of (\d) draws\)", said)
    assert len(told) == 3
    for value, sense, holds, draws in told:
        moved = float(value) - gaps["as_it_is"]
        assert (sense == "higher") == (moved > 0.0)
        assert (holds, draws) == ("2", "3")
    assert "draws" not in what_if_sentence(found, LONG)


def test_without_a_push_the_measured_frame_is_the_unpushed_one(pair):
    found = what_if([("wide", pair[0]["measured"], 2)])
    np.testing.assert_allclose(
        found.activation[0, found.cases.index("no_lateral_force")],
        pair[0]["zero"].activation[2],
        atol=1e-7,
    )


@pytest.mark.parametrize("held", ["true", "false"])
def test_a_raised_strength_is_the_lift_solved_again(held):
    setup = plan_study(parse_study(STUDY.format(held=held, more="")), conditions=["wide"]).setup
    (case,) = solve_setup(setup).cases
    result = case.results[-1]
    found = limiting_strength(result)
    assert found.load == pytest.approx(np.nanmin(result.greatest.factor), abs=1e-6)
    loads = {}
    for group in ("deltoid", "rotator_cuff", "elbow_extensors"):
        (again,) = solve_setup(stronger("x", group, RAISE).applied(setup)).cases
        loads[group] = float(np.nanmin(again.results[-1].greatest.factor))
        assert found.loads[found.names.index(group)] == pytest.approx(loads[group], abs=1e-6)
    name, gain = found.best("group")
    table = found.to_dataframe()
    first = table[table["kind"] == "group"].iloc[0]
    assert (first["name"], first["gain_kg"]) == (name, pytest.approx(gain))
    assert gain >= max(loads.values()) - found.load - 1e-9
    assert gain > 0.1


# Equal moments, unlike efforts


def test_pairs_ask_the_same_and_none_is_more_unlike(pair):
    lifts = [("wide", pair[0]["measured"]), ("narrow", pair[1]["measured"])]
    found = equal_moments(lifts)
    assert found
    rows = lifts[0][1].criterion.rows
    known = dict(lifts)
    for item in found:
        own = np.abs(item.moments[0] - item.moments[1])
        room = np.maximum(EQUAL_MOMENT, EQUAL_PART * np.abs(item.moments).max(axis=0))
        assert (own <= room).all()
        for k in (0, 1):
            lift = known[item.names[k]]
            columns = [ROWS.index(row) for row in item.rows]
            np.testing.assert_array_equal(item.moments[k], lift.moments[item.frames[k]][columns])
            head = lift.prepared.limb.head_names.index(item.head)
            assert item.activation[k] == lift.activation[item.frames[k], head]
        assert sum(item.parts.values()) == pytest.approx(item.gap, abs=1e-8)
    table = pairs_table(found)
    assert set(table["scope"]) == {item.scope for item in found}
    mine = found[0].head
    alone = equal_moments(lifts, heads=[mine])
    assert {item.head for item in alone} == {mine}
    # Where the head is the one found among all, it is found alone; elsewhere its gap is no greater.
    own, best = ({item.scope: item for item in items} for items in (alone, found))
    assert own[found[0].scope].gap == found[0].gap
    assert all(abs(own[scope].gap) <= abs(best[scope].gap) for scope in own)
    # Slow twin for one row: every pair, every head.
    row = next(item for item in found if item.scope in rows)
    column, j = ROWS.index(row.scope), rows.index(row.scope)
    frames = [
        (lift, f) for _, lift in lifts for f in np.flatnonzero(lift.prepared.lift.reachable)
        if lift.sharing.status[f] == 0
    ]  # fmt: skip
    best = 0.0
    for a, (one, f) in enumerate(frames):
        for two, g in frames[a + 1 :]:
            m, n = one.moments[f, column], two.moments[g, column]
            if abs(m - n) > max(EQUAL_MOMENT, EQUAL_PART * max(abs(m), abs(n))):
                continue
            if max(abs(m), abs(n)) < 1.0:
                continue
            acts = (one.prepared.paths.moment_arms[f, column] != 0.0) & (
                two.prepared.paths.moment_arms[g, column] != 0.0
            )
            gap = np.abs(one.activation[f] - two.activation[g])[acts]
            best = max(best, float(gap.max()))
    assert row.gap == pytest.approx(best, abs=1e-12)
    assert j in range(len(rows))


@pytest.mark.parametrize(
    ("second", "within"),
    [(1.7, "within 0.5 N·m (shoulder elevation 1.2 against 1.7"), (41.0, "0.5 N·m or 2 % (")],
)
def test_equal_moments_are_told_with_the_room_that_they_have(second, within):
    first = second - 0.5 if second < 10.0 else 40.3
    item = EqualMoments(
        scope="shoulder_elevation", rows=("shoulder_elevation",), names=("a", "b"), frames=(0, 1),
        heights=(0.0, 0.5), moments=np.array([[first], [second]]), head="deltoid/acromial",
        activation=(0.4, 0.1), parts={"moments": 0.3},
    )  # fmt: skip
    (said,) = equal_sentences([item])
    assert said.startswith("One moment nearly equal, the others not: 'a' at 0 % and 'b' at 50 %")
    assert within in said


def test_where_next_to_nothing_is_asked_no_pair_is_found(pair, monkeypatch):
    lifts = [("wide", pair[0]["measured"]), ("narrow", pair[1]["measured"])]
    monkeypatch.setattr("momentshare.explain.frame_pairs.LEAST_MOMENT", 1e6)
    assert equal_moments(lifts) == ()


# The sum on a pocket calculator


def reckoned(line):
    """Result of what is printed in front of the equals sign."""
    text = line.split(": ", 1)[1] if line.startswith(("wide: ", "narrow: ")) else line
    left, right = text.split(" = ")[1:3]
    left = re.sub(r" \([^()]*[a-zA-Z][^()]*\)", "", left)
    left = re.sub(r"(cm³|cm²|N/cm²|cm|1/N|\bN\b)", "", left)
    left = (
        left.replace("\N{MINUS SIGN}", "-").replace("½", "0.5").replace("×", "*").replace("÷", "/")
    )
    left = left.replace("[", "(").replace("]", ")")
    assert re.fullmatch(r"[-+*/(). \de]*", left), left
    return eval(left), float(re.match(r"[+-]?\d+(?:\.\d+)?", right).group())  # noqa: S307


@pytest.mark.parametrize("head", [LONG, PECTORALIS, "infraspinatus/upper", "subscapularis/upper"])
def test_a_pocket_calculator_confirms_capacity_and_activation(pair, head):
    for lift in (pair[0]["measured"], pair[1]["free"]):
        for frame in (0, 4):
            found = explain_head(lift, head, frame=frame)
            capacity, drive = sum_lines(found, "wide")
            if "no longer than the tendon" not in capacity:
                mine, printed = reckoned(capacity)
                assert mine == pytest.approx(printed, abs=0.06)
                assert printed == pytest.approx(found.factors.capacity, abs=0.051)
                assert "(strength factor)" in capacity
            mine, printed = reckoned(drive)
            assert mine == pytest.approx(printed, abs=6e-4 + 1e-3 * abs(printed))
            assert printed == pytest.approx(found.split.total, abs=5.1e-4)
            assert ("½" in drive) == (found.split.exponent == 2.0)
