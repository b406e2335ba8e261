"""Tables of a cohort: every number is the one that was planted, under its own labels."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import ttest_1samp
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import (
    BARS,
    CONDITIONS,
    CONFIDENCE,
    COUNTED,
    GRID,
    HEADS,
    MODES,
    ROWS,
    SHOWN,
    counted_people,
    mean_and_sd,
    pair_differences,
    planted,
)

from momentshare.cohort.means import by_person
from momentshare.cohort.shortfall import LEAST_UNMET
from momentshare.cohort.statistics import compared

pytest.importorskip("statsmodels")

CHANGE, DIFFERENCE, HOLDS = "change", "difference", "order_holds"
FIRST, SECOND = "condition", "other"
LEVEL = 0.01
"""Difference of activation below which no order is looked at."""


def rows(name):
    """Rows of a table of the summary."""
    return planted().tables[name].to_dict("records")


def labels(row, *names):
    return {name: row[name] for name in names}


def same(found, wanted):
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12, nan_ok=True)


def test_heads_are_means_over_people_of_their_own_means():
    seen = set()
    for row in rows("heads"):
        key = (row[plan.CONDITION], row[plan.LATERAL], row[plan.HEAD])
        seen.add(key)
        for name in (plan.MEAN_ACTIVATION, plan.PEAK_ACTIVATION, plan.MEAN_FORCE, plan.PEAK_FORCE):
            wanted = mean_and_sd("heads", name, *key[:2], head=key[2])
            same([row[f"{name}_mean"], row[f"{name}_sd"], row["people"]], wanted)
        same(row["saturated_share_mean"], share_at_full_activation(*key))
    assert seen == {(c, m, h) for c in CONDITIONS for m in MODES for h in HEADS}


def share_at_full_activation(condition, mode, head):
    """Mean over people of the share of their frames in which a head is fully active."""
    shares = {}
    for lift in GRID:
        of = plan._by_person("frames", plan.ACTIVATION, (plan.HEAD, plan.LIFT))
        held = "zero" if condition == plan.FREE_HANDS else mode
        for person, activations in of[condition, held, head, lift].items():
            shares.setdefault(person, []).extend(activation > 0.99 for activation in activations)
    return np.mean([np.mean(full) for full in shares.values()])


def test_saturation_is_planted_in_one_head_only():
    full = {(r[plan.HEAD], r[plan.CONDITION]) for r in rows("heads") if r["saturated_share_mean"]}
    assert {head for head, _ in full} == {plan.SIDE}
    assert (plan.SIDE, "narrow") in full


def test_heads_by_person_average_repetitions_over_trials():
    seen = 0
    for row in rows("heads_by_person"):
        key = labels(row, plan.CONDITION, plan.LATERAL, plan.HEAD).values()
        condition, mode, head = key
        for name in (plan.MEAN_ACTIVATION, plan.PEAK_ACTIVATION, plan.MEAN_FORCE, plan.PEAK_FORCE):
            same(
                row[name],
                counted_people("heads", name, condition, mode, head=head)[row[plan.PERSON]],
            )
        wanted = 3 if (row[plan.PERSON], condition) == plan.TWICE else 2
        assert row["repetitions"] == wanted
        seen += 1
    places = {t.place for t in COUNTED}
    held = sum(3 if c == plan.FREE_HANDS or (p, c) != plan.NO_FORCE_ALONG else 2 for p, c in places)
    assert seen == held * len(HEADS)


def test_worst_check_of_each_person_and_people_flagged_of_each_condition():
    for name in ("heads_by_person", "regions_by_person"):
        for row in rows(name):
            warned = (row[plan.PERSON], row[plan.CONDITION]) in plan.WARNED
            assert row["worst_check"] == ("warn" if warned else "pass")
    counts = {c: sum(place[1] == c for place in plan.WARNED) for c in CONDITIONS}
    for name in ("heads", "regions"):
        for row in rows(name):
            assert row["people_flagged"] == counts[row[plan.CONDITION]]


def test_regions_keep_region_quantity_and_item_apart():
    for row in rows("regions"):
        where = labels(row, plan.REGION, plan.QUANTITY, plan.ITEM)
        wanted = mean_and_sd("regions", plan.MEAN, row[plan.CONDITION], row[plan.LATERAL], **where)
        same([row["mean"], row["sd"], row["people"]], wanted)
    for row in rows("regions_by_person"):
        where = labels(row, plan.REGION, plan.QUANTITY, plan.ITEM)
        own = counted_people("regions", plan.MEAN, row[plan.CONDITION], row[plan.LATERAL], **where)
        same(row[plan.MEAN], own[row[plan.PERSON]])


CURVES = {
    "curves_heads": ("frames", {plan.ACTIVATION, plan.FORCE}, (plan.HEAD,)),
    "curves_moments": ("moments", {plan.MOMENT, plan.UNMET}, (plan.ROW,)),
    "curves_hand": ("moments", {plan.RATIO, plan.PUSH, plan.UPWARD}, ()),
    "curves_angles": ("motion", set(plan.ANGLES), ()),
    "curves_speed": ("motion", {plan.SPEED}, ()),
}


@pytest.mark.parametrize("name", CURVES)
def test_curves_are_means_and_spreads_of_people(name):
    source, quantities, keys = CURVES[name]
    seen = set()
    for row in rows(name):
        quantity = row.get(plan.QUANTITY, plan.SPEED)
        where = labels(row, *keys, plan.LIFT)
        mode = row.get(plan.LATERAL)
        if source == "motion":
            wanted = motion(quantity, row[plan.CONDITION], row[plan.LIFT])
        else:
            wanted = mean_and_sd(source, quantity, row[plan.CONDITION], mode, **where)
        same([row["mean"], row["sd"], row["people"]], wanted)
        seen.add((row[plan.CONDITION], mode, quantity, *where.values()))
    assert {key[2] for key in seen} == quantities
    items = {"curves_heads": HEADS, "curves_moments": ROWS}.get(name, ("",))
    modes = (None,) if source == "motion" else MODES
    count = len(CONDITIONS) * len(modes) * len(quantities) * len(items) * len(GRID)
    assert len(seen) == count == len(rows(name))


def motion(quantity, condition, lift):
    """Mean, spread and people of a quantity that no treatment of the lateral force changes."""
    own = plan._by_person("motion", quantity, (plan.LIFT,))[condition, None, lift]
    values = [sum(v) / len(v) for v in own.values()]
    mean = sum(values) / len(values)
    spread = math.sqrt(sum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return mean, spread, len(values)


def planted_shortfall(trial, mode):
    """Frames, frames short and greatest unmet moment of a trial."""
    held = "zero" if trial.condition == plan.FREE_HANDS else mode
    sizes = [abs(v) for v in plan.SHORTFALLS.get((*trial.place, held), ())]
    return (
        len(GRID) * trial.repetitions,
        sum(size > LEAST_UNMET for size in sizes),
        max(sizes, default=0.0),
    )


def test_shortfalls_of_every_trial_and_treatment():
    by_number = {t.number: t for t in COUNTED}
    seen = set()
    for row in rows("shortfalls"):
        trial = by_number[row[plan.TRIAL]]
        assert (row[plan.PERSON], row[plan.CONDITION]) == trial.place
        wanted = planted_shortfall(trial, row[plan.LATERAL])
        same([row[n] for n in ("frames", "frames_short", "greatest_unmet_nm")], wanted)
        seen.add((trial.number, row[plan.LATERAL]))
    free_hands = {t.number for t in COUNTED if t.condition == plan.FREE_HANDS}
    wanted = {(t.number, m) for t in COUNTED for m in t.modes}
    assert seen == wanted | {(n, m) for n in free_hands for m in MODES}


def test_what_became_of_every_trial():
    told = {row[plan.TRIAL]: row for row in rows("trials")}
    assert list(told) == [t.number for t in plan.TRIALS]
    counted = {t.number for t in COUNTED}
    for trial in plan.TRIALS:
        row = told[trial.number]
        assert (row[plan.PERSON], row[plan.CONDITION]) == trial.place
        assert (row["file"], row["load_kg"]) == (trial.file, plan.load_of(trial))
        assert row["counted"] == (trial.number in counted)
        skipped, failed = trial.place == plan.SKIPPED, trial.place == plan.FAILED
        verdict = "skipped" if skipped else "fail" if failed else "pass"
        assert row["verdict"] == ("warn" if trial.place in plan.WARNED else verdict)
        assert row["reason"] == (plan.FAULT if skipped else "")
        assert row["repetitions_used"] == (0 if skipped else trial.repetitions)
        possible = 2 if trial.condition == plan.FREE_HANDS else 3
        assert row["checks_possible"] == ("" if skipped else f"{possible} of 3")
        assert row["repetitions_refused"] == ("repetition 3: cut off" if trial.number == 5 else "")
        cy, ama = trial.person == "Cy", trial.person == "Ama"
        notes = ["joint angles were recorded, no landmarks"] * cy
        notes += [f"{plan.SIDE}: above the maximal contraction"] * ama
        assert row["notes"] == "; ".join(notes)
        if trial.number in counted and (trial.condition == plan.FREE_HANDS or SHOWN in trial.modes):
            wanted = planted_shortfall(trial, SHOWN)[1:]
            same([row["frames_short"], row["greatest_unmet_nm"]], wanted)
        else:
            assert np.isnan(row["frames_short"])
            assert np.isnan(row["greatest_unmet_nm"])


def test_checks_and_events_are_of_all_solved_trials_and_say_which_count():
    raw = planted().rows
    for found, wanted in zip(rows("checks"), raw["checks"], strict=True):
        assert {**found, "value": 0} == {**wanted, "value": 0}
        same(found["value"], wanted["value"])
    counted = {t.number for t in COUNTED}
    for found, wanted in zip(rows("events"), raw["events"], strict=True):
        assert found.pop("counted") == (wanted[plan.TRIAL] in counted)
        assert found == wanted


OUTCOMES = [(plan.MEAN_ACTIVATION, head) for head in HEADS]
OUTCOMES += [(plan.MOMENT, row) for row in ROWS] + [(plan.RATIO, "hand")]


def differences(outcome, item, pair, mode):
    if outcome == plan.MEAN_ACTIVATION:
        return pair_differences("heads", plan.MEAN_ACTIVATION, pair, mode, head=item)
    where = {plan.REGION: "whole lift", plan.QUANTITY: outcome, plan.ITEM: item}
    return pair_differences("regions", plan.MEAN, pair, mode, **where)


def holm(values):
    """Step-down adjustment, written out."""
    order = sorted(range(len(values)), key=lambda k: values[k])
    found, highest = [0.0] * len(values), 0.0
    for rank, k in enumerate(order):
        highest = max(highest, min(1.0, (len(values) - rank) * values[k]))
        found[k] = highest
    return found


def test_contrasts_are_the_paired_test_of_their_own_row():
    found = {
        tuple(row[n] for n in (plan.LATERAL, "outcome", "item", FIRST, SECOND)): row
        for row in rows("contrasts")
    }
    tested = {
        (mode, outcome, item, *pair)
        for mode in MODES
        for outcome, item in OUTCOMES
        for pair in combinations(CONDITIONS, 2)
        if outcome != plan.MEAN_ACTIVATION or plan.is_tested(item, pair, mode)
    }
    assert set(found) == tested
    assert len(rows("contrasts")) == len(tested) < len(MODES) * len(OUTCOMES) * 6
    for (mode, outcome, item, a, b), row in found.items():
        gap = np.array(list(differences(outcome, item, (a, b), mode).values()))
        assert row["n_people"] == len(gap)
        same(row["difference_mean"], gap.mean())
        if gap.std() < 1e-12:  # no lateral force at all in any of them
            assert np.isnan(row["p_paired_t"])
            continue
        test = ttest_1samp(gap, 0.0)
        assert row["p_paired_t"] == pytest.approx(test.pvalue, rel=1e-6)
        interval = test.confidence_interval(CONFIDENCE)
        assert [row["difference_low"], row["difference_high"]] == pytest.approx(
            list(interval), rel=1e-6
        )
        way = np.sign(row["estimate"])
        counts = [(np.sign(gap) == s).sum() for s in (way, -way, 0.0)]
        assert [row[n] for n in ("n_same_direction", "n_opposite", "n_level")] == counts


def test_efforts_at_full_activation_are_listed_and_not_tested():
    listed = {(row["head"], row["condition"]) for row in rows("untested")}
    wanted = {
        (head, c) for head in HEADS for c in CONDITIONS if plan.full_share(head, c, SHOWN) > 0.05
    }
    assert listed == wanted
    assert wanted
    for row in rows("untested"):
        share = plan.full_share(row["head"], row["condition"], SHOWN)
        assert row["saturated_share_mean"] == pytest.approx(share)


def test_families_of_adjusted_p_are_one_outcome_and_all_heads():
    table = rows("contrasts")
    for column, name, keys in (
        ("p_paired_t", "p_paired_holm", (plan.LATERAL, "outcome", "item")),
        ("p_paired_t", "p_paired_holm_over_item", (plan.LATERAL, "outcome")),
        ("p", "p_holm", (plan.LATERAL, "outcome", "item")),
        ("p", "p_holm_over_item", (plan.LATERAL, "outcome")),
    ):
        families = {}
        for row in table:
            families.setdefault(tuple(row[k] for k in keys), []).append(row)
        assert len(families) > 5
        for family in families.values():
            family = [row for row in family if not np.isnan(row[column])]  # noqa: PLW2901
            wanted = holm([row[column] for row in family])
            assert [row[name] for row in family] == pytest.approx(wanted)


def test_overall_tests_stand_beside_their_own_outcome():
    heads = planted().tables["heads_by_person"]
    for row in rows("omnibus"):
        if row["outcome"] != plan.MEAN_ACTIVATION:
            continue
        part = heads[(heads["lateral"] == row["lateral"]) & (heads["head"] == row["item"])]
        kept = [c for c in CONDITIONS if plan.full_share(row["item"], c, row["lateral"]) <= 0.05]
        part = part[part["condition"].isin(kept)]
        wide = by_person(part.assign(value=part[plan.MEAN_ACTIVATION]))
        alone = compared(wide, CONFIDENCE)
        for name in ("f", "p", "df_numerator", "df_denominator", "n_people", "n_values"):
            same(row[name], alone.omnibus[name].iloc[0])
        values = {
            c: counted_people("heads", plan.MEAN_ACTIVATION, c, row["lateral"], head=row["item"])
            for c in kept
        }
        assert row["n_values"] == sum(map(len, values.values()))


def changes_of(mode):
    """Changes of one input in the table of a treatment: other treatments of the force first."""
    other = [f"lateral force {m}" for m in MODES if m != mode] if mode == SHOWN else []
    return other + list(plan.CHANGES)


def changed(change, condition, mode, head):
    """Person → activation before and after a change."""
    if change.startswith("lateral force "):
        before = counted_people("heads", plan.MEAN_ACTIVATION, condition, mode, head=head)
        after = counted_people(
            "heads",
            plan.MEAN_ACTIVATION,
            condition,
            change.removeprefix("lateral force "),
            head=head,
        )
    else:
        before, after = (
            counted_people("sensitivity", name, condition, mode, head=head, change=change)
            for name in (plan.MEAN_ACTIVATION, plan.CHANGED)
        )
    return {person: (before[person], after[person]) for person in before if person in after}


def test_sensitivity_is_after_less_before_of_the_named_change():
    seen = set()
    for row in rows("sensitivity"):
        key = tuple(row[n] for n in (CHANGE, plan.CONDITION, plan.LATERAL, plan.HEAD))
        before, after = np.mean(list(changed(*key).values()), axis=0)
        same([row[n] for n in (plan.MEAN_ACTIVATION, plan.CHANGED, DIFFERENCE)],
             [before, after, after - before])  # fmt: skip
        seen.add(key)
    wanted = {(x, c, m, h) for m in MODES for x in changes_of(m) for c in CONDITIONS for h in HEADS}
    assert seen == wanted


def test_orders_turn_where_they_were_planted_to_turn():
    turned = {}
    for row in rows("sensitivity_orders"):
        if row[plan.LATERAL] == SHOWN and not row[HOLDS]:
            key = (row[plan.HEAD], frozenset((row[FIRST], row[SECOND])))
            turned.setdefault(key, set()).add(row[CHANGE])
    assert turned == plan.TURNED


def test_orders_are_of_the_people_who_have_both_conditions():
    seen = set()
    for row in rows("sensitivity_orders"):
        change, mode, head = (row[n] for n in (CHANGE, plan.LATERAL, plan.HEAD))
        a, b = (changed(change, row[n], mode, head) for n in (FIRST, SECOND))
        both = [person for person in a if person in b]
        before, after = (np.mean([a[p][k] - b[p][k] for p in both]) for k in (0, 1))
        same([row["activation_difference"], row["activation_difference_changed"]], [before, after])
        assert row[HOLDS] == ((before > 0.0) == (after > 0.0))
        assert abs(before) >= LEVEL
        seen.add((change, mode, head, row[FIRST], row[SECOND]))
    for mode in MODES:
        for change in changes_of(mode):
            for head in HEADS:
                for pair in combinations(CONDITIONS, 2):
                    a, b = (changed(change, c, mode, head) for c in pair)
                    gap = np.mean([a[p][0] - b[p][0] for p in a if p in b])
                    key = (change, mode, head, *pair)
                    assert (key in seen) == (abs(gap) >= LEVEL), key


def test_the_glenoid_changes_what_was_planted():
    seen = set()
    for row in rows("glenoid_heads"):
        condition, mode, head = (row[n] for n in (plan.CONDITION, plan.LATERAL, plan.HEAD))
        for name in (plan.MEAN_ACTIVATION, plan.WITHIN_LIMITS, DIFFERENCE):
            same(row[name], mean_and_sd("glenoid_heads", name, condition, mode, head=head)[0])
        same(row[DIFFERENCE], plan.LIMITED.get(head, 0.001))
        seen.add((condition, mode, head))
    bars = {(c, m, h) for c in BARS for m in MODES for h in HEADS}
    assert seen == bars | {(plan.FREE_HANDS, "zero", h) for h in HEADS}


def emg_means(head, condition, name):
    """Person → lift mean of the curve of a head, over repetitions."""
    parts = [
        counted_people("emg", name, condition, SHOWN, head=head, lift_percent=lift) for lift in GRID
    ]
    return {person: np.mean([part[person] for part in parts]) for person in parts[0]}


def test_emg_curves_belong_to_their_person_condition_and_head():
    for row in rows("emg_curves_by_person"):
        where = labels(row, plan.HEAD, plan.LIFT)
        for name in (plan.EMG, plan.ACTIVATION, plan.PULLED):
            own = counted_people("emg", name, row[plan.CONDITION], SHOWN, **where)
            same(row[name], own[row[plan.PERSON]])


def test_emg_order_has_the_differences_of_its_own_pair():
    found = rows("emg_ordering")
    assert len(found) == 2 * 3
    for row in found:
        a, b = row[FIRST], row[SECOND]
        gaps = {}
        for name, column in ((plan.EMG, "emg"), (plan.ACTIVATION, "activation")):
            one, other = (emg_means(row[plan.HEAD], c, name) for c in (a, b))
            gap = gaps[column] = np.array([one[p] - other[p] for p in one if p in other])
            same(row[f"{column}_difference"], gap.mean())
            interval = ttest_1samp(gap, 0.0).confidence_interval(CONFIDENCE)
            ends = (row[f"{column}_difference_{end}"] for end in ("low", "high"))
            assert tuple(ends) == pytest.approx(tuple(interval))
        way = np.sign(gaps["emg"]) == np.sign(gaps["activation"])
        assert (row["people"], row["agree"], row["disagree"]) == (len(way), way.sum(), (~way).sum())
        assert row["verdict"] == ("agree" if row[plan.HEAD] == plan.UPPER else "disagree")


def test_emg_agreement_has_the_numbers_of_its_own_head_and_condition():
    found = rows("emg_agreement")
    assert len(found) == 2 * 3
    for row in found:
        head, condition = row[plan.HEAD], row[plan.CONDITION]
        curves = {
            name: [
                counted_people("emg", name, condition, SHOWN, head=head, lift_percent=lift)
                for lift in GRID
            ]
            for name in (plan.EMG, plan.ACTIVATION)
        }
        people = list(curves[plan.EMG][0])
        own = {
            p: [np.array([part[p] for part in curves[n]]) for n in (plan.EMG, plan.ACTIVATION)]
            for p in people
        }
        wanted = {
            "rmse": [np.sqrt(np.mean((m - e) ** 2)) for e, m in own.values()],
            "difference": [np.mean(m - e) for e, m in own.values()],
        }
        assert row["people"] == len(people)
        for name, values in wanted.items():
            low, high = ttest_1samp(values, 0.0).confidence_interval(CONFIDENCE)
            low = max(low, 0.0) if name == "rmse" else low
            assert [row[f"{name}{e}"] for e in ("", "_low", "_high")] == pytest.approx(
                [np.mean(values), low, high]
            )
        z = [np.arctanh(np.corrcoef(e, m)[0, 1]) for e, m in own.values()]
        low, high = ttest_1samp(z, 0.0).confidence_interval(CONFIDENCE)
        assert [row[f"r{e}"] for e in ("", "_low", "_high")] == pytest.approx(
            list(np.tanh([np.mean(z), low, high]))
        )
        same(row["emg_mean"], np.mean([e.mean() for e, _ in own.values()]))
        same(row["activation_mean"], np.mean([m.mean() for _, m in own.values()]))


def test_planted_orders_are_far_from_level():
    """What the other tests rest on: the planted differences are clear, and known by sign."""
    for head, activations in plan.LEVELS.items():
        for a, b in combinations(range(4), 2):
            gap = differences(plan.MEAN_ACTIVATION, head, (CONDITIONS[a], CONDITIONS[b]), SHOWN)
            clear = abs(activations[a] - activations[b]) > 0.03
            signs = {np.sign(v) for v in gap.values()}
            assert not clear or signs == {np.sign(activations[a] - activations[b])}
