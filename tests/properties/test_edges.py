"""Answers at the edges of what a study file may say (a sample; `benchmarks/edges.py`: all)."""

from dataclasses import replace

import numpy as np
import pytest
from tests import edges

from momentshare.sharing import Status

SAMPLE = (1, 3, 4, 7, 8, 9, 11, 13, 14, 16, 17, 18, 134)
"""Studies with exponents of 1.2 to 10, quick ones."""


@pytest.mark.parametrize("number", SAMPLE)
def test_answers_are_finite_have_their_reason_and_follow_their_input(number):
    found = edges.look(number)
    assert found.conditions == len(edges.EXERCISES)
    assert found.faults == []
    assert found.jumps == []
    assert found.compared.total() > 0


@pytest.mark.parametrize(("number", "person"), [(40006, "P2"), (40041, "P6")])
def test_minmax_answers_whose_values_turn_in_a_circle_are_proved(number, person):
    """They read uncertified with a certificate that was in order."""
    values = edges.seeded(number, 8)
    values["people"] = [p for p in values["people"] if p["name"] == person]
    values["conditions"] = [c for c in values["conditions"] if c["name"] == "lying_elbow_extension"]
    found = edges.Found()
    for case, answer in edges.answers(edges.solved(values)).values():
        assert list(edges.judged(case, answer, found)) == []
    assert found.statuses["uncertified"] == 0
    assert found.statuses["solved"] + found.statuses["shortfall"] >= 10


def test_minmax_answers_of_one_peak_are_told_apart_whatever_the_free_values():
    """A body heavier by 1e-8 had other heads at work, 0.04 apart, at the same peak."""
    values = edges.seeded(51914, 8)
    values["people"] = values["people"][:1]
    values["conditions"] = [c for c in values["conditions"] if c["name"] == "lying_elbow_extension"]
    here, there = (
        edges.answers(edges.solved(v)) for v in (values, edges.moved(values, "body_mass_kg", 1e-8))
    )
    for key, (_, answer) in here.items():
        other = there[key][1].sharing
        np.testing.assert_allclose(answer.sharing.activation, other.activation, atol=1e-6)


def test_the_sample_reaches_the_edges():
    values = [edges.seeded(number) for number in SAMPLE]
    loads = [c["load_kg"] for v in values for c in v["conditions"]]
    assert min(loads) < 0.5
    assert max(loads) > 500.0
    assert any(v["settings"]["glenoid_constraint"] for v in values)
    sizes = [p["stature_cm"] for v in values for p in v["people"]]
    assert min(sizes) < 140.0
    assert max(sizes) > 210.0


class Stub:
    """A case with one answer, of two frames of one head."""

    def __init__(self, activation, status, stationarity=0.0):
        zero = np.zeros(2)
        self.prepared = self
        self.lift = self
        self.reachable = np.ones(2, dtype=bool)
        self.moments = self.contact = np.zeros((2, 3))
        self.lateral_force = zero
        self.sharing = self
        self.status = np.array(status)
        self.activation = np.array(activation, dtype=float)[:, None]
        self.force = self.multipliers = self.unmet = np.zeros((2, 1))
        self.certificate = self
        self.bound_violation = self.duality_gap = self.moment_residual = zero
        self.stationarity = np.full(2, stationarity)


@pytest.mark.parametrize(
    ("stub", "wanted"),
    [
        (Stub([0.5, np.nan], [0, 0]), "activation: not finite"),
        (Stub([0.5, 1.1], [0, 0]), "activation from 0.5 to 1.1"),
        (Stub([0.5, 0.5], [0, Status.INVALID]), "invalid where the hand can reach"),
        (Stub([0.5, 0.5], [0, Status.UNCERTIFIED]), "nothing in the certificate says why"),
        (Stub([0.5, 0.5], [0, Status.UNCERTIFIED], 1e-3), None),
        (Stub([0.5, np.nan], [0, Status.INFEASIBLE]), None),
    ],
)
def test_what_is_wrong_with_an_answer_is_seen(stub, wanted):
    seen = edges.Found()
    found = list(edges.judged(stub, stub, seen))
    assert found == [] if wanted is None else any(wanted in fault for fault in found)
    assert seen.reasons.total() == seen.statuses["uncertified"]


def test_a_jump_is_seen(monkeypatch):
    """An answer that is moved by a constant, however small the step, does not follow."""
    real = edges.solved
    number = SAMPLE[1]
    values = edges.seeded(number)
    result = real(values)

    def jumping(moved):
        answer = real(moved)
        if moved is values:
            return answer
        cases = []
        for case in answer.cases:
            results = []
            for part in case.results:
                activation = part.sharing.activation * 0.99
                results.append(replace(part, sharing=replace(part.sharing, activation=activation)))
            cases.append(replace(case, results=tuple(results)))
        return replace(answer, cases=tuple(cases))

    monkeypatch.setattr(edges, "solved", jumping)
    found = edges.Found()
    edges.follow(number, values, result, found)
    assert found.jumps


@pytest.mark.parametrize(
    ("changes", "follows"),
    [
        ([(0.1, 1e-6), (0.01, 1e-7)], True),
        ([(0.7, 1e-6), (0.7, 1e-7)], False),
        ([(0.7, 1e-6), (0.7, 1e-7), (0.07, 1e-8)], True),  # steep: the first step saturates
        ([(8e-6, 5e-6), (5e-6, 3e-6)], True),  # moments that hold noise
        ([(0.7, 1e-6), (0.7, 1e-7), (0.7, 1e-7)], False),  # a jump beside such noise
        ([(0.7, 1e-6), None], False),
    ],
)
def test_what_follows_is_told_from_a_jump(changes, follows):
    first, before, now = changes[0], changes[-2], changes[-1]
    assert edges._follows(first, before, now) is follows


@pytest.mark.parametrize("exponent", [1.01, 1.5, 2.0, 3.0, 10.0, 100.0])
def test_what_an_answer_may_cost_too_much_bounds_how_far_it_is_off(exponent):
    """Two heads that share one sum: the least effort has equal w aᵖ⁻¹, any other costs more."""
    power = exponent - 1.0
    weights = np.array([0.7, 1.6]) ** min(power, 1.0)
    least = weights ** (-1.0 / power)
    for shift in (1e-2, 0.1, 0.5, -0.3):
        other = least + shift * least.min() * np.array([1.0, -1.0])
        top = max(least.max(), other.max())
        dearer = (weights * (other / top) ** exponent).sum()
        dearer -= (weights * (least / top) ** exponent).sum()
        known = edges.known_to(dearer, exponent, weights, top)
        apart = other - least
        if exponent > 2.0:
            apart = (other / top) ** power - (least / top) ** power
        assert dearer > 0.0
        assert (np.abs(apart) <= known * (1.0 + 1e-9)).all()
        assert np.abs(apart).max() > 1e-3 * known.max()  # a bound that says something
