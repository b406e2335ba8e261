"""Faults below every fixed limit that stand out from a cohort's own spread."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from momentshare.cli.check import _standing
from momentshare.cohort.check import TrialCheck
from momentshare.cohort.emg_lag import emg_lag
from momentshare.cohort.load import parse_cohort
from momentshare.cohort.peers import compare_with_peers, influence_table, peers_table
from momentshare.cohort.run import run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.demo.lab import write_lab
from momentshare.report.text.cohort_peers import (
    never_possible,
    never_text,
    peer_texts,
    people_texts,
)
from momentshare.trial.checks.verdict import judge

RATE = 100.0


# ------------------------------------------------------------------ lag of electromyograms


def lift(late=0.0, noise=0.0, seed=1):
    """Two repetitions with three heads; envelopes on the clock, predictions in the ascents."""
    rng = np.random.default_rng(seed)
    time = np.arange(1200) / RATE
    shapes = {
        "a": lambda t: np.exp(-(((t - 0.3) / 0.4) ** 2)),
        "b": lambda t: np.exp(-(((t - 0.6) / 0.5) ** 2)),
        "c": lambda t: np.clip(0.2 + 0.5 * t, 0.0, 1.0) * (t < 1.6),
    }
    begins = (3.0, 8.0)
    predicted, envelopes = [], {}
    for begin in begins:
        at = np.linspace(begin, begin + 1.6, 101)
        predicted.append((at * RATE, {h: f(at - begin) for h, f in shapes.items()}))
    for head, shape in shapes.items():
        signal = sum(shape(time - late - b) * (time - late > b - 0.8) for b in begins)
        envelopes[head] = signal + noise * rng.standard_normal(len(time))
    return envelopes, predicted


@pytest.mark.parametrize("late", [-0.2, 0.0, 0.12, 0.35])
def test_the_lag_behind_prediction_comes_back(late):
    found = emg_lag(*lift(late, noise=0.05), None, RATE)
    assert found.behind_prediction == pytest.approx(late, abs=0.03)
    assert found.match > 0.9
    assert np.isnan(found.behind_force)


def test_the_lag_behind_the_force_comes_back():
    envelopes, predicted = lift(0.35)
    on_time, _ = lift(0.0)
    force = 300.0 + 40.0 * np.mean(list(on_time.values()), axis=0)
    assert emg_lag(envelopes, predicted, force, RATE).behind_force == pytest.approx(0.35, abs=0.03)


def test_signals_that_do_not_match_have_no_lag():
    envelopes, predicted = lift()
    rng = np.random.default_rng(3)
    noise = {head: rng.standard_normal(len(v)) for head, v in envelopes.items()}
    assert np.isnan(emg_lag(noise, predicted, None, RATE).behind_prediction)
    assert np.isnan(emg_lag({}, predicted, None, RATE).behind_prediction)


def test_a_prediction_that_is_at_its_ceiling_tells_no_lag():
    """A limb too weak for the load predicts full activation for most of a lift."""
    envelopes, predicted = lift(0.12, noise=0.05)

    def weak(factor):
        return [(at, {h: np.minimum(factor * a, 1.0) for h, a in x.items()}) for at, x in predicted]

    least = min(float(np.median(a)) for _, x in predicted for a in x.values())
    assert np.isnan(emg_lag(envelopes, weak(1.5 / least), None, RATE).behind_prediction)
    assert emg_lag(envelopes, weak(0.5), None, RATE).behind_prediction == pytest.approx(
        0.12, abs=0.03
    )


# ------------------------------------------------------------------ a cohort with two faults


CELLS, LATE = "Ines", "Sten"


def faulty(place):
    """One person's cell reads 25 N too little, another's electromyograms come 350 ms late."""
    text = place.read_text("utf-8")
    for old, new in (
        ("frames = 101 ", "frames = 21 "),
        ('lateral = ["measured", "zero", "free"]', 'lateral = ["measured"]'),
        ("[emg]", "[statistics]\nsensitivity = false\n\n[emg]"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    head, layout, *rest = text.split("[[layout]]")
    own = layout.replace('"motion capture"', '"cells"') + "[layout.signals.FRz]\nzero = 25.0\n\n"
    delays = "".join(f'[layout.signals."EMG {k}"]\ndelay_s = -0.35\n' for k in range(1, 6))
    late = layout.replace('"motion capture"', '"late"') + delays + "\n"
    text = "[[layout]]".join([head, layout, own, late, *rest])
    before, *trials = text.split("[[trial]]")
    for name, other in ((CELLS, "cells"), (LATE, "late")):
        trials = [
            t.replace('"motion capture"', f'"{other}"', 1) if f'person = "{name}"' in t else t
            for t in trials
            if "broken_off" not in t
        ]
    return "[[trial]]".join([before, *trials])


@pytest.fixture(scope="module")
def summary(tmp_path_factory):
    pytest.importorskip("ezc3d")
    pytest.importorskip("statsmodels")
    place = write_lab(tmp_path_factory.mktemp("peers"), repetitions=1)
    study = parse_cohort(faulty(place), "study.toml", place.parent)
    return summarise_cohort(run_cohort(study, place.parent / "run", workers=1))


def test_a_zero_error_below_the_limit_stands_out(summary):
    peers = summary.tables["peers"].set_index(["person", "check"])
    checks = summary.tables["checks"]
    mine = checks[(checks["person"] == CELLS) & (checks["check"] == "force balance")]
    offset = peers.loc[(CELLS, "vertical force less load × (g + a)")]
    assert offset["value"] == pytest.approx(-25.0, abs=4.0)
    assert offset["stands_out"]
    out = peers[peers["stands_out"]].reset_index()
    signed = out[out["check"] == "vertical force less load × (g + a)"]
    assert list(signed["person"]) == [CELLS]
    assert len(mine) == 3
    assert any("zero error" in t and t.startswith(CELLS) for t in peer_texts(summary))


def test_electromyograms_on_a_clock_of_their_own_stand_out(summary):
    peers = summary.tables["peers"]
    late = peers[peers["check"] == "EMG behind prediction"]
    out = late[late["stands_out"]]
    assert list(out["person"]) == [LATE]
    assert out["value"].iloc[0] - out["others_median"].iloc[0] == pytest.approx(350.0, abs=60.0)
    assert any("clock of the EMG" in t and t.startswith(LATE) for t in peer_texts(summary))


def test_checks_possible_in_no_trial_are_left_out_with_their_reason(summary):
    checks = summary.tables["checks"]
    never = never_possible(checks)
    assert "share of body weight" in never
    assert "force balance" not in never
    assert "the hands are not on the ground" in never_text(checks)


def test_three_people_are_not_laid_beside_each_other(summary):
    table = pd.DataFrame({"person": list("abc"), "condition": "x", "value": 1.0})
    table = table.assign(lateral="measured", outcome="o", item="i")
    row = {"lateral": "measured", "outcome": "o", "item": "i", "condition": "x", "other": "y"}
    both = pd.concat([table, table.assign(condition="y")])
    assert influence_table(both, pd.DataFrame([row]), 0.05).empty
    assert len(summary.tables["peers"]["person"].unique()) == 6


# ------------------------------------------------------------------ hands exchanged


RATIOS = {"narrow": -6.0, "medium": 4.0, "wide": 12.0}


def of_people(people, exchanged=None, seed=2):
    """Trials with a lateral ratio; people differ by 2 %, trials by 1 %."""
    rng = np.random.default_rng(seed)
    solved = []
    for k in range(people):
        own = 2.0 * rng.standard_normal()
        for condition, usual in RATIOS.items():
            value = usual + own + rng.standard_normal()
            value = -value if k == exchanged else value
            record = {"lateral_ratio_percent": value}
            solved.append(SimpleNamespace(number=len(solved) + 1, person=f"P{k + 1}",
                                          condition=condition, record=record))  # fmt: skip
    return SimpleNamespace(solved=solved, table=lambda *_, **__: pd.DataFrame())


def test_exchanged_hands_stand_out_by_the_lateral_ratio_of_the_others():
    peers = peers_table(of_people(6, exchanged=3))
    assert set(peers["check"]) == {"lateral ratio over the others'"}
    assert peers["value"].median() == pytest.approx(1.0, abs=0.3)
    assert list(peers.loc[peers["stands_out"], "person"]) == ["P4"]
    (text,) = peer_texts(SimpleNamespace(tables={"peers": peers}))
    assert text.startswith("P4 stands out in lateral ratio over the others': -")
    assert "forces of the two hands exchanged or an axis along the bar reversed" in text


def test_nearly_all_who_exchange_hands_stand_out_and_nobody_else():
    """In draws of six people; where people differ by chance as much as the push, one may not."""
    found = 0
    for seed in range(20):
        assert not peers_table(of_people(6, seed=seed))["stands_out"].any()
        peers = peers_table(of_people(6, exchanged=seed % 6, seed=seed))
        out = set(peers.loc[peers["stands_out"], "person"])
        assert out <= {f"P{seed % 6 + 1}"}
        found += len(out)
    assert found >= 19


@pytest.mark.parametrize(("value", "out"), [(4.4, False), (5.6, True)])
def test_a_check_stands_out_by_more_than_half_of_its_limit(value, out):
    """Hinge: limit 8; the others lie at 1.0 to 1.1, and chance alone separates people by that."""
    rows = [
        {"person": f"P{k}", "check": "hinge", "about": "measurement", "limit": 8.0, "unit": "deg",
         "value": value if k == 2 else 1.0 + 0.02 * k}
        for k in range(6)
    ]  # fmt: skip
    peers = compare_with_peers(pd.DataFrame(rows), [])
    assert list(peers.loc[peers["stands_out"], "person"]) == ["P2"] * out
    side = [row | {"check": "side of the arm", "limit": -3.0} for row in rows]
    assert compare_with_peers(pd.DataFrame(side), []).empty


def test_three_people_and_pushes_without_a_sign_tell_nothing():
    assert peers_table(of_people(3, exchanged=1)).empty
    still = of_people(6, exchanged=1)
    for trial in still.solved:
        trial.record["lateral_ratio_percent"] *= 0.2
    assert peers_table(still).empty


def test_check_tells_a_zero_error_and_exchanged_hands_before_anything_is_solved():
    rng = np.random.default_rng(3)
    found = [
        TrialCheck(
            number=t.number, person=t.person, condition=t.condition, file="f", verdict="pass",
            checks=(judge("force balance", 1.0 + 0.1 * rng.random()),),
            record=t.record | {"force_offset_n": 2.0 * rng.standard_normal() - 25.0 * (
                t.person == "P2")},
        )
        for t in of_people(6, exchanged=3).solved
    ]  # fmt: skip
    cells, hands = _standing(found)
    assert cells.startswith("P2 stands out in vertical force less load × (g + a): -2")
    assert "it may be a zero error of the force cells" in cells
    assert hands.startswith("P4 stands out in lateral ratio over the others': -")
    assert _standing(found[:9]) == []  # three people


# ------------------------------------------------------------------ people


def test_a_mass_that_does_not_go_with_the_stature_is_told():
    """178.1 kg are 80.8 kg in pounds; at 177.7 cm that is an index of 25.6."""
    people = [
        SimpleNamespace(name=name, body_mass_kg=mass, stature_cm=177.7)
        for name, mass in (("A", 80.8), ("B", 178.1), ("C", 40.0), ("D", 53.7), ("E", 126.0))
    ]
    pounds, light = people_texts(people)
    assert pounds == (
        "B: 178.1 kg at 177.7 cm is a body-mass index of 56; is it in pounds? Then body_mass_kg "
        "is 80.8."
    )
    assert light == (
        "C: 40 kg at 177.7 cm is a body-mass index of 13; check both: only a static trial on a "
        "platform shows the mass."
    )


def test_a_mass_that_platforms_contradict_is_told_and_one_they_confirm_is_not():
    """A wrong mass of 10 kg is well within what people of that stature weigh."""
    people = [SimpleNamespace(name=n, body_mass_kg=70.8, stature_cm=177.7) for n in "ABC"]
    assert people_texts(people) == []
    (text,) = people_texts(people, {"A": 80.8, "B": 72.0})
    assert text.startswith(
        "A: platforms weighed 80.8 kg in a static trial, but body_mass_kg is 70.8"
    )


# ------------------------------------------------------------------ influence


def test_a_person_on_whom_a_difference_hangs_is_named():
    """Against SciPy's paired t test with and without each person."""
    a = np.array([1.20, 1.26, 1.11, 1.22, 1.18, -1.0])
    b = np.array([1.02, 1.05, 0.93, 1.0, 1.0, 1.0])
    rows = [
        {"lateral": "m", "outcome": "o", "item": "i", "person": f"P{k}", "condition": c, "value": v}
        for c, values in (("x", a), ("y", b))
        for k, v in enumerate(values)
    ]
    row = {"lateral": "m", "outcome": "o", "item": "i", "condition": "x", "other": "y"}
    found = influence_table(pd.DataFrame(rows), pd.DataFrame([row]), 0.05)
    assert list(found["person"]) == [f"P{k}" for k in range(6)]
    assert found["p_paired"].to_numpy() == pytest.approx(ttest_rel(a, b).pvalue)
    for k in range(6):
        rest = np.arange(6) != k
        wanted = ttest_rel(a[rest], b[rest])
        assert found["p_without"].iloc[k] == pytest.approx(wanted.pvalue)
        assert found["difference_without"].iloc[k] == pytest.approx((a - b)[rest].mean())
    assert list(found.loc[found["turns"], "person"]) == ["P5"]
