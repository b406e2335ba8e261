"""A held glenoid in an explanation: its prices are terms of the sum, and the sum stays exact."""

from dataclasses import replace

import numpy as np
import pytest
from tests.unit.test_explain_drive import STUDY

from momentshare.explain import counterfactuals, explain_along, explain_head, frame_problem
from momentshare.explain.phrases import facet_phrase
from momentshare.explain.problem import keeps_glenoid
from momentshare.explain.sentences import drive_text
from momentshare.limb.joint import glenoid_load, stability_facets
from momentshare.study import parse_study, run_study

HELD = "frames = 7\nglenoid_constraint = true"


@pytest.fixture(scope="module", autouse=True)
def tight():
    """A glenoid that holds little, so that the limit is met whatever the limb."""

    def facets(model):
        turns, ratios = stability_facets(model)
        return turns, 0.6 * ratios

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("momentshare.analysis.solve.stability_facets", facets)
        yield


@pytest.fixture(scope="module", params=["", "exponent = 3.0\nbalance_forearm = true\n"])
def lifts(request, tight):
    text = STUDY.replace("frames = 7", f"{HELD}\n{request.param}")
    (case,) = run_study(parse_study(text)).cases
    return {result.lateral.mode: result for result in case.results}


def pressed(result):
    """Frames that lie on a facet."""
    return np.flatnonzero(result.sharing.inequality_multipliers.max(axis=1) > 1e-7)


def test_the_limit_is_met_somewhere(lifts):
    assert all(keeps_glenoid(result) for result in lifts.values())
    assert pressed(lifts["measured"]).size


def test_parts_with_those_of_the_glenoid_are_the_held_activation(lifts):
    for result in lifts.values():
        for frame in range(7):
            for head in result.prepared.limb.head_names:
                split = explain_head(result, head, frame=frame).split
                assert split.total == pytest.approx(sum(split.by_joint().values()), abs=1e-12)
                raw = split.part.sum() + split.facet_part.sum()
                raw = np.sign(raw) * abs(raw) ** (1.0 / (split.exponent - 1.0))
                assert np.clip(raw, 0.0, 1.0) == pytest.approx(split.activation, abs=1e-8)
                table = split.to_dataframe()
                assert table["part"].sum() == pytest.approx(split.total, abs=1e-12)


def test_without_its_terms_the_sum_would_miss(lifts):
    """The test above can fail: on a facet the rows alone do not give the activation."""
    result = lifts["measured"]
    frame = int(pressed(result)[0])
    missed = [
        abs(split.part.sum() - split.total)
        for head in result.prepared.limb.head_names
        if 0.0 < (split := explain_head(result, head, frame=frame).split).activation < 1.0
    ]
    assert max(missed) > 1e-3


def test_a_frame_taken_out_gives_the_held_answer_again(lifts):
    for result in lifts.values():
        for frame in (0, 3, 6):
            answer = frame_problem(result, frame).solve()
            np.testing.assert_allclose(
                answer.activation, result.sharing.activation[frame], atol=1e-9
            )
            np.testing.assert_allclose(
                answer.inequality_multipliers,
                result.sharing.inequality_multipliers[frame],
                atol=1e-9,
            )


def test_along_the_lift_agrees_with_every_single_frame(lifts):
    result = lifts["free"]
    head = "subscapularis/upper"
    table = explain_along(result, head)
    for frame in range(7):
        split = explain_head(result, head, frame=frame).split
        assert table["part_glenoid"][frame] == pytest.approx(split.facet_part.sum(), abs=1e-12)
        assert table["sum_of_parts"][frame] == pytest.approx(split.total, abs=1e-12)


def test_a_changed_head_is_held_as_well(lifts):
    """Solved again without a head, the contact force is still within the limit."""
    result = lifts["free"]
    frame = int(pressed(result)[0]) if pressed(result).size else 6
    changes = counterfactuals(frame_problem(result, frame), "infraspinatus/upper")
    for k, problem in enumerate(changes.problems):
        if changes.sharing.status[k] != 0:
            continue
        normals, levels = problem.cone().inequalities()
        assert (normals @ changes.sharing.force[k] - levels).max() < 1e-6


def test_a_facet_that_costs_is_where_the_shear_points(lifts):
    result = lifts["zero"] if pressed(lifts["zero"]).size else lifts["measured"]
    posture, skeleton = result.prepared.lift.posture, result.prepared.limb.skeleton
    load = glenoid_load(skeleton, result.contact, posture)
    for frame in pressed(result):
        split = explain_head(result, "deltoid/acromial", frame=int(frame)).split
        top = split.facet_names[int(np.argmax(split.price))]
        side = load.direction[frame].split("-")
        assert set(facet_phrase(top).split(" ")[0].split("-")) & set(side)


def test_a_dearer_facet_is_named_with_its_numbers(lifts):
    result = lifts["measured"]
    frame = int(pressed(result)[-1])
    found = explain_head(result, "pectoralis_major/clavicular", frame=frame)
    text = drive_text(found)
    for k in found.split.facets:
        assert f"price {found.split.price[k]:.5f} per N" in text
        assert f"{found.split.facet_part[k]:+.3f}" in text
        way = "towards it, which costs" if found.split.slope[k] > 0.0 else "away from it"
        assert way in text


def test_prices_are_what_a_newton_of_room_saves(lifts):
    """Envelope theorem: effort falls by the price times the room that a facet gains [N]."""
    result = lifts["measured"]
    frame = int(pressed(result)[0])
    problem = frame_problem(result, frame)
    before = problem.solve()
    facet, room = int(np.argmax(before.inequality_multipliers)), 1e-3

    class Wider(type(problem.glenoid)):
        def cone(self, arms, moments):
            found = super().cone(arms, moments)
            levels = found.levels.copy()
            levels[facet] += room
            return replace(found, levels=levels)

    kept = problem.glenoid
    wider = Wider(limit=kept.limit, across=kept.across, push_weights=kept.push_weights)
    after = replace(problem, glenoid=wider).solve()
    saved = problem.effort(before.activation) - problem.effort(after.activation)
    assert saved / room == pytest.approx(before.inequality_multipliers[facet], rel=1e-3)
