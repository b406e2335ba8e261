"""Findings of a cohort in words: every sentence and order says what was planted."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import ttest_1samp
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import (
    CONDITIONS,
    CONFIDENCE,
    HEADS,
    SHOWN,
    counted_people,
    page,
    pair_differences,
    planted,
    spelled,
)
from tests.report.page_reader import assert_shows

from momentshare.cohort.summary import summarise_cohort
from momentshare.report.text.cohort_findings import findings, left_out, short_texts
from momentshare.report.text.cohort_opening import cohort_opening
from momentshare.report.text.cohort_orders import judged_orders
from momentshare.text import head_phrase

pytest.importorskip("statsmodels")

FIRM, TURNING = "that hold under every change", "that reverse when the input"
LEANING = "that rest on what this limb does not support"
ACTIVATION, DIFFERENCE = "activation, higher / lower [%]", "difference [% points] (interval)"
IN_PART = "limit, in part of the lift"
ALPHA, LEAST, WORKING = 0.05, 0.01, 0.05
CHANGES_TRIED = len(plan.CHANGES) + 2


def activation_of(head, condition):
    return counted_people("heads", plan.MEAN_ACTIVATION, condition, SHOWN, head=head)


def orders():
    """(head, pair) → paired differences, of the orders that are clear and worth a word."""
    tests = {}
    for head in HEADS:
        for pair in combinations(CONDITIONS, 2):
            if not plan.is_tested(head, pair, SHOWN):
                continue
            gap = np.array(
                list(
                    pair_differences("heads", plan.MEAN_ACTIVATION, pair, SHOWN, head=head).values()
                )
            )
            tests[head, pair] = (ttest_1samp(gap, 0.0).pvalue, gap)
    ranked = sorted(tests, key=lambda key: tests[key][0])
    found, highest = {}, 0.0
    for rank, key in enumerate(ranked):
        p, gap = tests[key]
        highest = max(highest, (len(ranked) - rank) * p)
        head, pair = key
        a, b = (activation_of(head, c) for c in pair)
        means = [np.mean([own[p] for p in a if p in b]) for own in (a, b)]
        if highest < ALPHA and abs(gap.mean()) >= LEAST and max(means) >= WORKING:
            found[key] = (gap, means)
    return found


def shown(caption):
    """Rows of a table of orders by head and pair."""
    found = {}
    for row in page().table(caption).records():
        high, low = row["order"].split(" above ")
        head = next(h for h in HEADS if spelled(h) == row["head"])
        pair = tuple(sorted((high, low), key=CONDITIONS.index))
        assert (head, pair) not in found
        found[head, pair] = row
    return found


def test_firm_orders_are_those_that_no_change_turns():
    firm, turning = set(shown(FIRM)), set(shown(TURNING))
    wanted = set(orders())
    turned = {(head, pair) for head, pair in wanted if (head, frozenset(pair)) in plan.TURNED}
    assert len(turned) == len(plan.TURNED) == 4
    limited = {(head, pair) for head, pair in wanted if head == plan.MINOR}
    assert turning == turned
    assert len(limited) > 2
    assert set(shown(LEANING)) == limited
    assert firm == wanted - turned - limited
    assert len(firm) > 10


SHORT = "that no change of one input reverses"


def test_the_first_part_shows_the_widest_findings_and_counts_the_rest():
    table = page().table(SHORT)
    assert table.section == "Findings"
    every = shown(FIRM)
    assert len(table.rows) == 12 < len(every)
    assert f"the 12 widest of {len(every)}" in table.caption
    sizes = sorted((float(r[DIFFERENCE].split()[0]) for r in every.values()), reverse=True)
    found = [float(row[DIFFERENCE].split()[0]) for row in table.records()]
    assert sorted(found, reverse=True) == sizes[:12]
    text = page().text("Findings")
    assert "4 orders reverse when one input is changed" in text
    assert f"{len(shown(LEANING))} orders rest on what this limb does not support" in text


def named_beforehand(*heads):
    """The planted cohort, of which some heads were named before it was run."""
    given = planted()
    file = given.result.study.file
    statistics = file.statistics.model_copy(update={"heads": list(heads)})
    study = replace(given.result.study, file=file.model_copy(update={"statistics": statistics}))
    result = replace(given.result, study=study)
    return result, summarise_cohort(result)


def test_heads_named_beforehand_have_their_own_p_and_alone_are_findings():
    named = (plan.FRONT,)
    result, summary = named_beforehand(*named)
    section = findings(result, summary)
    (table,) = [block for block in section.blocks if block.kind == "table"]
    assert set(table.frame["head"]) == set(named)
    assert "in the heads named beforehand" in table.caption
    own = summary.tables["named_contrasts"]
    assert f"Holm over {len(own)} tests of what was named beforehand" in table.caption
    # Every order by the p over the named head alone, which no p over all heads can undercut.
    wanted = own[(own["p_named"] < ALPHA) & (own["difference_mean"].abs() >= LEAST)]
    assert set(table.frame["order"]) == {
        f"{row.condition} above {row.other}"
        if row.difference_mean > 0
        else f"{row.other} above {row.condition}"
        for row in wanted.itertuples()
    }
    firm = judged_orders(summary).firm
    others = sum(line["head"] not in named for line in firm)
    assert others
    assert f"{others} orders are of another head" in section.blocks[-1].text
    said = cohort_opening(result, summary, []).firm
    assert f"Of {len(wanted)} order{'s' if len(wanted) > 1 else ''} of two conditions" in said
    assert head_phrase(plan.FRONT) in said


def with_covariate(load_of):
    """The planted cohort with other loads, and the load as a covariate."""
    given = planted().result
    file = given.study.file
    statistics = file.statistics.model_copy(update={"covariates": ["load_kg"]})
    study = replace(given.study, file=file.model_copy(update={"statistics": statistics}))
    outcomes = tuple(replace(o, record={**o.record, "load_kg": load_of(o)}) for o in given.outcomes)
    result = replace(given, study=study, outcomes=outcomes)
    return result, summarise_cohort(result)


def test_an_order_that_the_load_may_explain_is_not_firm():
    """Loads that rise alike in everybody leave nothing to tell them from the conditions."""
    loads = dict(zip(CONDITIONS, (30.0, 33.0, 36.0, 39.0), strict=True))
    result, summary = with_covariate(lambda o: loads[o.condition])
    found = judged_orders(summary)
    assert not found.firm
    assert {line["adjusted"] for line in found.unheld} == {"no test"}
    without = judged_orders(planted().summary)
    moved = len(without.firm) + len(without.turning)
    assert len(found.unheld) == moved > 10
    said = cohort_opening(result, summary, [])
    assert said.firm.startswith("Nothing is firm: ")
    assert "with load_kg held" in said.firm
    assert f"{moved} orders are not shown once load_kg is held" in said.unsaid
    text = next(t for t in texts_of(findings(result, summary)) if "Not in this table" in t)
    assert f"{moved} orders are not shown with covariates held" in text


def test_an_order_that_holds_with_the_load_held_says_by_how_much():
    rng = np.random.default_rng(3)
    loads = {
        (person, condition): 40.0 + 6.0 * rng.standard_normal()
        for person in plan.PEOPLE
        for condition in CONDITIONS
    }
    _, summary = with_covariate(lambda o: loads[o.person, o.condition])
    found = judged_orders(summary)
    assert len(found.firm) > 3
    table = summary.tables["factors"]
    for line in found.firm:
        high, low = line["order"].split(" above ")
        rows = table[(table["term"] == "difference") & (table["item"] == line["head"])]
        (row,) = rows[
            rows["condition"].isin([high, low]) & rows["other"].isin([high, low])
        ].to_dict("records")
        sign = 100.0 if row["condition"] == high else -100.0
        value, least, most, df = re.fullmatch(
            r"(\S+) \((\S+) to (\S+); df (\d+)\)", line["adjusted"]
        ).groups()
        ends = sorted(sign * row[f"difference_{end}"] for end in ("low", "high"))
        assert_shows(value, sign * row["difference"])
        assert_shows(least, ends[0])
        assert_shows(most, ends[1])
        assert int(df) == row["df_denominator"] == row["people"] - 2
        assert ends[0] > 0.0


def test_orders_that_lean_on_a_limit_name_it_with_its_reason():
    assert {row["limit"] for row in shown(LEANING).values()} == {"L1"}
    text = page().text("All orders")
    assert "L1: How the anconeus changes between conditions (planted in the whole lift)" in text


def test_a_limit_of_a_part_of_the_lift_is_remarked_on():
    for (head, _), row in shown(FIRM).items():
        assert row[IN_PART] == ("L2" if head == plan.FRONT else "")
    assert any(head == plan.FRONT for head, _ in shown(FIRM))


def test_heads_and_contrasts_on_the_page_carry_the_keys():
    heads = page().table("Lift-mean activation [%] of each head, mean over people").records()
    found = {row["head"]: row["limit"] for row in heads}
    # Of an activation itself, or of its change between the conditions that stand side by side.
    assert {h: k for h, k in found.items() if k} == {
        spelled(plan.FRONT): "L2",
        spelled(plan.MINOR): "L1",
    }


def test_what_turns_an_order_is_named():
    for (head, pair), row in shown(TURNING).items():
        assert set(row["turns with"].split("; ")) == plan.TURNED[head, frozenset(pair)]


def test_every_firm_order_says_how_many_changes_were_tried():
    table = page().table(FIRM)
    assert set(table.column("changes tried")) == {str(CHANGES_TRIED)}


@pytest.mark.parametrize("caption", [FIRM, TURNING])
def test_each_order_says_who_is_above_by_how_much_and_in_how_many(caption):
    wanted = orders()
    for (head, pair), row in shown(caption).items():
        gap, means = wanted[head, pair]
        high, low = pair if gap.mean() > 0.0 else pair[::-1]
        assert row["order"] == f"{high} above {low}", (head, pair)
        a, b = row[ACTIVATION].split(" / ")
        first, second = means if gap.mean() > 0.0 else means[::-1]
        assert_shows(a, 100.0 * first)
        assert_shows(b, 100.0 * second)
        size, least, most = re.fullmatch(r"(\S+) \((\S+) to (\S+)\)", row[DIFFERENCE]).groups()
        interval = ttest_1samp(gap, 0.0).confidence_interval(CONFIDENCE)
        ends = sorted(abs(100.0 * end) for end in interval)
        assert_shows(size, 100.0 * abs(gap.mean()))
        assert_shows(least, ends[0])
        assert_shows(most, ends[1])
        assert ends[0] < 100.0 * abs(gap.mean()) < ends[1]
        same = (np.sign(gap) == np.sign(gap.mean())).sum()
        assert row["people"] == f"{same} of {len(gap)}"


def test_an_order_is_that_of_the_people_who_have_both():
    """One outlier without one of the conditions must not turn the words against the numbers."""
    pair, head = ("medium", "wide"), plan.FRONT
    everybody = [np.mean(list(activation_of(head, c).values())) for c in pair]
    assert everybody[0] > everybody[1] + 0.5 * LEAST
    row = shown(FIRM)[head, pair]
    assert row["order"] == "wide above medium"


def test_a_head_at_full_activation_stands_in_no_order():
    assert not plan.is_tested(plan.SIDE, ("narrow", "wide"), SHOWN)  # in one frame of eleven
    assert plan.is_tested(plan.SIDE, ("medium", "wide"), SHOWN)
    for caption in (FIRM, TURNING, LEANING):
        assert not any(head == plan.SIDE and "narrow" in pair for head, pair in shown(caption))
    for (head, _), row in shown(FIRM).items():
        assert bool(row[IN_PART]) == (head == plan.FRONT)  # which a limit touches


def sentence(words):
    """Give the one bullet of the findings that holds these words."""
    (found,) = [text for text in page().texts["Findings"] if words in text]
    return found


def test_the_count_of_trials_is_of_those_kept():
    repetitions = sum(t.repetitions for t in plan.COUNTED)
    assert sentence("trials count") == (
        f"{len(plan.COUNTED)} of {len(plan.TRIALS)} trials count, with {repetitions} repetitions; "
        "1 skipped (see Trials and checks)."
    )
    assert len(plan.COUNTED) == len(plan.TRIALS) - 2
    assert sentence("left out of everything") == (
        "1 trial is left out of everything, because a check of the measurement failed: force "
        "balance (1)."
    )


def test_the_shortfall_is_that_of_the_shown_treatment():
    trials = [t for t in plan.COUNTED if SHOWN in t.modes or t.condition == plan.FREE_HANDS]
    frames = sum(len(plan.GRID) * t.repetitions for t in trials)
    worst = next(t for t in trials if t.place == ("Bo", "wide"))
    text = sentence("falls short")
    assert text.startswith(
        f"In 3 of {frames} frames (lateral force measured) the limb falls short of a moment, most "
        f"in trial {worst.number} (Bo, wide): "
    )
    assert "elbow extension in " in text
    assert "by up to 7.3 N·m" in text


def test_heads_that_give_all_they_have_are_named_with_their_share():
    assert sentence("Heads at full activation") == (
        "Heads at full activation [% of frames]: triceps brachii, lateral (narrow "
        f"{100 * saturated('narrow'):.0f}). Such values are a ceiling, so they are "
        "left out of the tests."
    )
    assert saturated("medium") == 0.0
    assert saturated("narrow") > 0.05


def test_many_heads_at_full_activation_are_counted_and_the_fullest_named():
    heads = planted().tables["heads"]
    mine = heads["lateral"] == SHOWN
    share = {head: 0.1 * (k + 1) for k, head in enumerate(HEADS)}
    heads = heads.assign(
        saturated_share_mean=np.where(mine, heads["head"].map(share), heads["saturated_share_mean"])
    )
    tables = {**planted().tables, "heads": heads}
    (text,) = [
        t for t in short_texts(replace(planted().summary, tables=tables)) if "full activation" in t
    ]
    assert len(HEADS) > 4
    assert text.startswith(f"{len(HEADS)} heads are at full activation in more than 5 % of frames")
    fullest = [f"{spelled(head)} {100 * share[head]:.0f}" for head in list(HEADS)[:-5:-1]]
    assert ", ".join(fullest) in text
    assert spelled(next(iter(HEADS))) not in text


def saturated(condition):
    of = plan._by_person("frames", plan.ACTIVATION, (plan.HEAD,))[condition, SHOWN, plan.SIDE]
    return np.mean([np.mean([v > 0.99 for v in own]) for own in of.values()])


def test_who_lacks_the_shown_treatment_and_what_has_none_is_said():
    assert sentence("was not measured").endswith("was not measured: Dee, wide.")
    assert "lateral force measured" in sentence("was not measured")
    assert "so dumbbells appears under every treatment of the bar" in sentence("common bar")


def test_the_caption_names_level_family_and_treatment():
    table = planted().summary.tables["contrasts"]
    mine = table[(table["lateral"] == SHOWN) & (table["outcome"] == "mean_activation")]
    count = mine["p_paired_t"].notna().sum()
    assert count > 1
    tested = mine[mine["p_paired_t"].notna()]
    heads, people = tested["item"].nunique(), tested["n_people"].max()
    level = (
        f"(p below 0.05, paired t, Holm over {count} tests of {heads} heads; {people} people, "
        f"lateral force {SHOWN})"
    )
    for words in (FIRM, TURNING, SHORT):
        assert level in page().table(words).caption


def of_trials(keep, **processing):
    """Findings of the planted trials that ``keep`` wants."""
    given = planted().result
    outcomes = tuple(o for o in given.outcomes if keep(o))
    file = given.study.file
    file = file.model_copy(update={"processing": file.processing.model_copy(update=processing)})
    study = replace(given.study, file=file)
    result = replace(given, outcomes=outcomes, study=study)
    return result, summarise_cohort(result)


def texts_of(section):
    lists = [block.items for block in section.blocks if block.kind == "bullets"]
    return [*(text for items in lists for text in items)] + [
        block.text for block in section.blocks if block.kind == "paragraph"
    ]


def test_a_failed_trial_that_is_kept_is_said_to_be_kept():
    result, summary = of_trials(lambda o: o.person in {"Dee", "Eli"}, failed_checks="keep")
    texts = texts_of(findings(result, summary))
    assert texts[0] == "8 of 8 trials count, with 16 repetitions."
    assert texts[1] == (
        "1 trial is kept although a check of the measurement failed, as the study says."
    )
    number = next(t.number for t in plan.TRIALS if t.place == plan.FAILED)
    assert f"most in trial {number} (Eli, wide): " in texts[2]
    assert "by up to 50.0 N·m" in texts[2]
    assert texts[-1] == (
        "Conditions were not tested: 2 people have several of them, and a test needs at least "
        "three."
    )


def test_one_person_and_one_trial_are_said_in_the_singular():
    result, summary = of_trials(lambda o: o.number == 1)
    assert texts_of(findings(result, summary))[0] == "1 of 1 trial count, with 1 repetition."


def test_a_cohort_that_meets_every_moment_says_so():
    result, summary = of_trials(lambda o: o.person in {"Dee", "Fay"})
    assert short_texts(summary)[0] == (
        "No frame falls short of a moment (lateral force measured; other treatments in "
        "shortfalls.csv)."
    )
    result, summary = of_trials(lambda o: o.person == "Fay" and o.condition != plan.FREE_HANDS)
    assert "dumbbells" in " ".join(left_out(result, summary))  # the study has the condition
    assert not any("not measured" in text for text in left_out(result, summary))


def test_answers_without_proof_do_not_enter_means_unsaid():
    result, summary = planted().result, planted().summary
    assert not any("without proof" in text for text in left_out(result, summary))
    counted = [o.number for o in result.heads_counted]
    marked = {counted[0]: {"free": 3}, counted[1]: {"free": 2, "zero": 1}}
    lost = next(o.number for o in result.outcomes if o.number not in counted)
    marked[lost] = {"free": 100}  # enters no mean
    outcomes = tuple(
        replace(o, record={**o.record, "frames_unproved": marked.get(o.number, {})})
        for o in result.outcomes
    )
    free, zero = [
        text
        for text in left_out(replace(result, outcomes=outcomes), summary)
        if "without proof" in text
    ]
    assert free.startswith("Lateral force free: 5 frames have an answer without proof")
    assert f"in trials {counted[0]}, {counted[1]}." in free
    assert zero.startswith("Lateral force zero: 1 frame has an answer without proof")


def test_without_a_clear_difference_no_order_is_shown():
    found = planted()
    contrasts = found.tables["contrasts"].assign(p_paired_holm_over_item=0.2)
    summary = replace(found.summary, tables={**found.tables, "contrasts": contrasts})
    texts = texts_of(findings(found.result, summary))
    assert texts[-1].startswith("For no head was a difference between conditions shown (p below")
