"""Tables on the page of a cohort: every cell holds the value of its row under its own header."""

from __future__ import annotations

import base64
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.drawn import with_hyphens
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import (
    CONDITIONS,
    HEADS,
    MODES,
    SHOWN,
    mean_and_sd,
    page,
    planted,
    published,
    spelled,
)
from tests.report.page_reader import PageReader, assert_probability, assert_shows

from momentshare.cohort.summary import summarise_cohort
from momentshare.report.page.cohort import cohort_page
from momentshare.report.page.cohort_comparison import _hundredths, concluded
from momentshare.report.page.document import render

pytest.importorskip("statsmodels")

FIRST, SECOND = "condition", "other"


def table_of(name, **where):
    """Rows of a table of the summary with these values, by the shown treatment if it has any."""
    found = planted().tables[name]
    if plan.LATERAL in found and plan.LATERAL not in where:
        where[plan.LATERAL] = SHOWN
    for column, value in where.items():
        found = found[found[column] == value]
    return found.to_dict("records")


def by_spelling(rows, *columns):
    """Rows by the cells that name them, as a reader sees these."""
    found = {tuple(spelled(str(row[c])) for c in columns): row for row in rows}
    assert len(found) == len(rows)
    return found


def assert_cells(row, wanted):
    """Compare header → cell with header → value."""
    for header, value in wanted.items():
        if isinstance(value, str):
            assert row[header] == value, (header, row)
        else:
            assert_shows(row[header], value)


def test_every_trial_stands_in_its_row():
    table = page().table("Trials.")
    assert table.section == "Trials and checks"
    rows = table_of("trials")
    assert len(table.rows) == len(rows)
    for found, marked, row in zip(table.records(), table.marked, rows, strict=True):
        wanted = {"trial": float(row[plan.TRIAL]), "load [kg]": row["load_kg"]}
        wanted |= {n: row[n] for n in (plan.PERSON, plan.CONDITION, "verdict", "reason")}
        wanted |= {"repetitions used": row["repetitions_used"]}
        wanted |= {"frames short": float(row["frames_short"])}
        wanted |= {"checks possible": row["checks_possible"]}
        assert_cells(found, wanted)
        place = table.headers.index("verdict")
        bad = (row[plan.PERSON], row[plan.CONDITION]) in {plan.SKIPPED, plan.FAILED}
        assert [k for k, mark in enumerate(marked) if mark] == ([place] if bad else [])


def test_limits_of_checks_and_how_the_trials_came_out():
    found = page().table("Limits of the checks").records()
    checks = planted().rows["checks"]
    assert [row["check"] for row in found] == list(plan.CHECKS)
    for row in found:
        unit, limit, worst = plan.CHECKS[row["check"]]
        mine = [c for c in checks if c["check"] == row["check"]]
        values = [c["value"] for c in mine if not math.isnan(c["value"])]
        assert row["unit"] == unit
        assert_cells(row, {"passes up to": limit, "fails above": worst, "greatest": max(values)})
        for verdict in ("pass", "warn", "fail", "not possible"):
            assert row[verdict] == str(sum(c["verdict"] == verdict for c in mine))


def test_checks_that_did_not_pass_are_listed_with_value_and_limits():
    table = page().table("Checks that did not pass")
    bad = [c for c in planted().rows["checks"] if c["verdict"] in {"warn", "fail"}]
    assert len(bad) > len(plan.WARNED)
    assert "1 fail" in table.caption
    assert f"{len(bad) - 1} warning" in table.caption
    for found, check in zip(table.records(), bad, strict=True):
        name = f"{check[plan.PERSON]}, {check[plan.CONDITION]}: {check['check']}"
        assert found["check"] == name + check["note"]
        assert found["found"] == f"{check['value']:.3g} {check['unit']}"
        assert found["required"] == f"{check['limit']:g} (fails above {check['worst']:g})"
        assert found["verdict"] == {"warn": "warning", "fail": "fail"}[check["verdict"]]


def test_people_are_as_the_study_states_them():
    found = page().table("People").records()
    people = planted().result.study.file.person
    assert [row["person"] for row in found] == list(plan.PEOPLE)
    for row, entry in zip(found, people, strict=True):
        assert row["sex"] == entry.sex
        assert_cells(row, {"stature [cm]": entry.stature_cm, "body mass [kg]": entry.body_mass_kg})
        assert_shows(row["training factor"], entry.training_factor)
        assert "humerus length" in row["estimated"]
        # An upper arm is a sixth to a fifth of the stature (common practice, no source).
        length = float(row["humerus length [cm]"])
        assert 0.15 < length / entry.stature_cm < 0.22


def test_every_setting_stands_beside_its_name():
    found = {(r["part"], r["setting"]): r["value"] for r in page().table("setting").records()}
    for key, value in {
        ("settings", "lateral"): "measured, zero, free",
        ("settings", "weights"): "volume",
        ("processing", "cutoff [Hz]"): "7",
        ("processing", "force cutoff [Hz]"): "12",
        ("processing", "least rise [cm]"): "13",
        ("processing", "fill gaps [s]"): "0.15",
        ("emg", "band [Hz]"): "30, 400",
        ("emg", "delay [ms]"): "45",
        ("emg", "pull weight"): "2.5",
        ("statistics", "confidence"): "0.9",
        ("condition wide", "implement"): "bar",
        ("condition dumbbells", "implement"): "dumbbells",
        ("layout lab", "units"): "markers: mm; forces: N; emg: mV",
    }.items():
        assert found[key] == value, key


def test_events_are_means_over_people_of_lifts_with_a_sticking_region():
    found = page().table("Events by condition").records()
    assert [row["condition"] for row in found] == list(CONDITIONS)
    counted = {t.number for t in plan.COUNTED}
    events = [e for e in planted().rows["events"] if e[plan.TRIAL] in counted]
    for row in found:
        mine = [e for e in events if e[plan.CONDITION] == row["condition"]]
        stuck = [e for e in mine if e[plan.STICKING]]
        assert row["repetitions"] == str(len(mine))
        assert row["with sticking region"] == str(len(stuck))
        headers = {"duration [s]": "duration_s", "peak speed [m/s]": "peak_speed_mps"}
        headers |= {n.replace("_percent", "").replace("_", " ") + " [%]": n for n in plan.MARKS}
        for header, name in headers.items():
            own = {}
            for event in stuck if name in plan.MARKS else mine:
                own.setdefault(event[plan.PERSON], []).append(event[name])
            assert_shows(row[header], np.mean([np.mean(v) for v in own.values()]))


def test_activation_of_each_head_stands_under_its_condition():
    table = page().table("Lift-mean activation [%] of each head")
    assert "lateral force measured" in table.caption
    assert table.headers == ["head", *CONDITIONS, "limit"]
    assert table.column("head") == [spelled(head) for head in HEADS]
    for head, row in zip(HEADS, table.records(), strict=True):
        for condition in CONDITIONS:
            wanted = mean_and_sd("heads", plan.MEAN_ACTIVATION, condition, SHOWN, head=head)[0]
            assert_shows(row[condition], 100.0 * wanted)


def test_activation_by_treatment_stands_under_its_treatment():
    table = page().table("Lift-mean activation [%] by treatment")
    assert set(table.headers) == {"head", "condition", *MODES}
    seen = set()
    for row in table.records():
        head = next(h for h in HEADS if spelled(h) == row["head"])
        for mode in MODES:
            wanted = mean_and_sd("heads", plan.MEAN_ACTIVATION, row["condition"], mode, head=head)[
                0
            ]
            assert_shows(row[mode], 100.0 * wanted)
        seen.add((head, row["condition"]))
    assert seen == {(h, c) for h in HEADS if h != plan.IDLE for c in CONDITIONS}


def test_the_glenoid_stands_without_and_within_its_limits():
    table = page().table("stability limits of the glenoid")
    assert "lateral force measured" in table.caption
    rows = by_spelling(table_of("glenoid_heads"), plan.CONDITION, plan.HEAD)
    shown = 0
    for row in table.records():
        source = rows[row["condition"], row["head"]]
        assert_cells(
            row,
            {
                "mean activation": source[plan.MEAN_ACTIVATION],
                "mean activation within limits": source[plan.WITHIN_LIMITS],
                "difference": source["difference"],
            },
        )
        shown += 1
    assert shown == len(plan.BARS) * (len(HEADS) - 1)


SHOWN_AS = {
    plan.MEAN_ACTIVATION: "lift-mean activation",
    plan.MOMENT: "lift-mean net moment",
    plan.RATIO: "lift-mean lateral ratio",
}
UNITS = {plan.MEAN_ACTIVATION: " [% points]", plan.MOMENT: " [N·m]", plan.RATIO: ""}


def outcome_words(name):
    return SHOWN_AS[name]


def in_points(row):
    """A row of contrasts as the page has it: activations in percentage points."""
    size = 100.0 if row["outcome"] == plan.MEAN_ACTIVATION else 1.0
    names = ("difference_mean", "difference_low", "difference_high")
    return row | {name: size * row[name] for name in names}


def test_differences_of_the_page_have_the_pairs_and_signs_of_the_table():
    own = {
        (outcome_words(r["outcome"]), spelled(r["item"]), r[FIRST], r[SECOND]): r
        for r in map(in_points, table_of("contrasts"))
    }
    people = planted().tables["heads_by_person"]
    people = people[people["lateral"] == SHOWN].pivot_table(
        index="person", columns=["head", "condition"], values="mean_activation", observed=True
    )
    spelt = {spelled(head): head for head in HEADS}
    signs = set()
    for words in ("The clearest differences between", "Paired differences between conditions"):
        rows = page().table(words).records()
        assert "(condition minus other)" in page().table(words).caption
        for row in rows:
            assert CONDITIONS.index(row[FIRST]) < CONDITIONS.index(row[SECOND])
            key = (row["outcome"].split(" [")[0], row["item"], row[FIRST], row[SECOND])
            assert_cells(row, {"difference": own[key]["difference_mean"]})
            if row["item"] in spelt:  # people's own means differ by as much, in this direction
                a, b = (people[spelt[row["item"]], row[name]] for name in (FIRST, SECOND))
                assert_cells(row, {"difference": 100.0 * (a - b).mean()})
                signs.add(float(np.sign((a - b).mean())))
    assert signs == {-1.0, 1.0}


def test_the_clearest_differences_stand_in_the_first_part():
    table = page().table("The clearest differences between two conditions")
    assert table.section == "Comparison of conditions"
    rows = sorted(
        table_of("contrasts"),
        key=lambda row: (row["p_paired_holm_over_item"], row["p_paired_holm"]),
    )
    first = rows[:12]
    wanted = {
        (f"{outcome_words(r['outcome'])}{UNITS[r['outcome']]}", spelled(r["item"]), r[FIRST],
         r[SECOND]): r
        for r in map(in_points, first)
    }  # fmt: skip
    assert len(table.rows) == len(wanted) == 12
    for row in table.records():
        source = wanted[row["outcome"], row["item"], row[FIRST], row[SECOND]]
        assert_cells(
            row,
            {
                "difference": source["difference_mean"],
                "low": source["difference_low"],
                "high": source["difference_high"],
                "people": source["n_people"],
            },
        )
        assert_probability(row["p (Holm, all heads or rows)"], source["p_paired_holm_over_item"])
    assert "over all pairs of conditions and all heads" in table.caption


def test_the_emg_section_opens_with_what_it_shows():
    rows = table_of("emg_ordering")
    (said,) = concluded(planted().summary)
    assert said in page().text("EMG")
    counts = {
        name: sum(r["verdict"] == name for r in rows) for name in ("agree", "disagree", "open")
    }
    assert counts["agree"]
    assert counts["disagree"]
    assert f"in {counts['agree']} of {len(rows)} comparisons within a head" in said
    assert f"in opposite orders in {counts['disagree']} (triceps brachii, lateral)" in said
    assert f"In {counts['open']} an interval includes zero" in said
    level = [rows[0] | {"verdict": "level"}, *rows[1:]]
    (said,) = concluded(
        replace(planted().summary, tables={**planted().tables, "emg_ordering": pd.DataFrame(level)})
    )
    count = sum(r["verdict"] == "level" for r in level)
    assert said.endswith(f" In {count} EMG or prediction differs by 1 point at most (level).")
    turned = [r | {"verdict": "open", "emg_difference": 0.05, "activation_difference": -0.04,
                   "condition": "narrow", "other": "wide"} for r in rows[:1]]  # fmt: skip
    tables = {**planted().tables, "emg_ordering": pd.DataFrame(turned)}
    (said,) = concluded(replace(planted().summary, tables=tables))
    head = spelled(rows[0]["head"])
    assert said.endswith(
        f"the means point opposite ways in {head} (EMG higher in 'narrow', prediction in 'wide')."
    )


def test_a_discrepancy_of_nothing_has_no_sign():
    values = (-0.0041, -0.0, 0.012, -0.2)
    assert [_hundredths(value) for value in values] == ["0.00", "0.00", "0.01", "−0.20"]


def test_emg_by_condition_stands_beside_its_discrepancy():
    table = page().table("Lift means of EMG over the maximal contraction")
    assert table.section == "EMG"
    rows = by_spelling(planted().tables["emg_by_condition"].to_dict("records"), "head", "condition")
    assert len(table.rows) == len(rows) > 0
    for row in table.records():
        source = rows[row["head"], row["condition"]]
        assert_cells(
            row,
            {
                "people": source["people"],
                "EMG": source["emg"],
                "activation": source["activation"],
                "EMG − activation": source["discrepancy"],
                "low": source["discrepancy_low"],
                "high": source["discrepancy_high"],
            },
        )
        assert source["discrepancy"] == pytest.approx(source["emg"] - source["activation"])


def test_the_first_part_shows_heads_that_work_in_a_table_and_their_curves_in_the_appendix():
    table = page().table("Lift-mean activation [%] of heads above 5 % in some condition")
    assert table.section == "Heads"
    assert {row["head"] for row in table.records()} == {spelled(h) for h in HEADS} - {
        spelled(plan.IDLE)
    }


def test_overall_tests_keep_their_outcome_item_and_p():
    table = page().table("Overall tests")
    assert "lateral force measured" in table.caption
    rows = {
        (outcome_words(row["outcome"]), spelled(row["item"])): row for row in table_of("omnibus")
    }
    assert len(table.rows) == len(rows)
    for row in table.records():
        source = rows[row["outcome"], row["item"]]
        assert_shows(row["F"], source["f"])
        assert_shows(row["df, numerator"], source["df_numerator"])
        assert_shows(row["df, denominator"], source["df_denominator"])
        for header, name in {
            "p": "p",
            "p (Holm, all heads or rows)": "p_holm_over_item",
            "p (Greenhouse–Geisser)": "p_greenhouse_geisser",
        }.items():
            assert_probability(row[header], source[name])
        assert row["note"] == source["note"]


def test_paired_differences_keep_their_row_interval_and_p():
    table = page().table("Paired differences between conditions")
    assert "lateral force measured" in table.caption
    rows = {
        (
            f"{outcome_words(row['outcome'])}{UNITS[row['outcome']]}", spelled(row["item"]),
            row["condition"], row["other"],
        ): row
        for row in map(in_points, table_of("contrasts"))
    }  # fmt: skip
    seen = {}
    for row in table.records():
        key = (row["outcome"], row["item"], row[FIRST], row[SECOND])
        source = seen[key] = rows[key]
        assert_cells(
            row,
            {
                "difference": source["difference_mean"],
                "low": source["difference_low"],
                "high": source["difference_high"],
                "Hedges' g of the differences": source["hedges_g_z"],
                "people": source["n_people"],
                "in this direction": source["n_same_direction"],
            },
        )
        assert_probability(row["p (Holm, pairs of one head or row)"], source["p_paired_holm"])
        assert_probability(row["p (Holm, all heads or rows)"], source["p_paired_holm_over_item"])
        assert source["difference_low"] < source["difference_mean"] < source["difference_high"]
    for header in (
        "p (Holm, pairs of one head or row)",
        "p (Holm, all heads or rows)",
    ):  # or a row's p could be another's
        assert len(set(table.column(header))) > 5
    kept = [row["p_paired_holm_over_item"] for row in seen.values()]
    left = [row["p_paired_holm_over_item"] for key, row in rows.items() if key not in seen]
    assert len(kept) == 40
    assert kept == sorted(kept)
    assert max(kept) <= min(left)


def test_lift_means_of_emg_stand_beside_the_activation_of_the_same_row():
    table = page().table("Lift means, over people")
    assert len(table.rows) == len(plan.ELECTRODES) * len(plan.BARS)
    for row in table.records():
        head = next(h for h in HEADS if spelled(h) == row["head"])
        for header, name in {
            "EMG over the maximal contraction": plan.EMG,
            "activation, pure optimum": plan.ACTIVATION,
            "activation, pulled towards EMG": plan.PULLED,
        }.items():
            own = plan._by_person("emg", name, (plan.HEAD,))[row["condition"], SHOWN, head]
            assert_shows(row[header], np.mean([np.mean(values) for values in own.values()]))


def test_agreement_with_emg_keeps_its_intervals():
    table = page().table("Agreement along the lift")
    assert "lateral force measured" in table.caption
    rows = by_spelling(table_of("emg_agreement"), plan.HEAD, plan.CONDITION)
    assert len(table.rows) == len(rows)
    for row in table.records():
        source = rows[row["head"], row["condition"]]
        for name in ("r", "rmse", "difference"):
            for end in ("", "_low", "_high"):
                assert_shows(row[f"{name}{end}".replace("_", " ")], source[f"{name}{end}"])
        assert row["people"] == str(source["people"])


def test_order_by_emg_keeps_its_pair_and_verdict():
    table = page().table("Order of conditions by EMG")
    rows = by_spelling(table_of("emg_ordering"), plan.HEAD, "condition", "other")
    assert len(table.rows) == len(rows)
    for row in table.records():
        source = rows[row["head"], row[FIRST], row[SECOND]]
        for name in ("emg", "activation"):
            for end in ("", " low", " high"):
                column = f"{name} difference{end}"
                assert_shows(row[column], source[column.replace(" ", "_")])
        assert row["verdict"] == source["verdict"]
        assert (row["people"], row["agree"]) == (str(source["people"]), str(source["agree"]))


def test_emg_above_the_maximal_contraction_is_said_once_with_its_size():
    counted = {
        trial.place
        for trial in plan.COUNTED
        if SHOWN in trial.modes or trial.condition == plan.FREE_HANDS
    }
    curves = {
        (r[plan.PERSON], r[plan.CONDITION], r[plan.HEAD], r[plan.LIFT]) for r in
        planted().rows["emg"] if (r[plan.PERSON], r[plan.CONDITION]) in counted
    }  # fmt: skip
    (text,) = [t for t in page().texts["EMG"] if "exceeds the maximal contraction" in t]
    assert f"in 2 of {len(curves):,} points of the curves" in text
    assert "up to 1.34 times (triceps brachii, lateral)" in text


def test_orders_that_hold_are_counted_under_each_change():
    table = page().table("hold under each change")
    orders = table_of("sensitivity_orders")
    turned = [change for found in plan.TURNED.values() for change in found]
    changes = {"lateral force zero", "lateral force free", *plan.CHANGES}
    assert {with_hyphens(change) for change in table.column("change")} == changes
    for row in table.records():
        change = with_hyphens(row["change"])
        mine = sum(
            o["change"] == change
            and o[plan.HEAD] != plan.IDLE  # below 5 % throughout
            and not (o[plan.HEAD] == plan.SIDE and "narrow" in (o[FIRST], o[SECOND]))  # full
            for o in orders
        )
        assert row["orders"] == str(mine)
        assert row["orders that hold"] == str(mine - turned.count(change))
    assert "heads that reach 5 % in one of the two" in table.caption


def test_heads_of_a_published_table_keep_their_intervals_and_units():
    table = page().table(f"Heads from the moments of {plan.PUBLISHED_SOURCE}")
    rows = by_spelling(published().heads.to_dict("records"), "condition", "point", "head")
    shown = set()
    for row in table.records():
        key = (row["condition"], row["point"], row["head"])
        source = rows[key]
        shown.add(row["head"])
        for end in ("", "_median", "_low", "_high"):
            assert_shows(row[f"activation{end.replace('_', ' ')}"], source[f"activation{end}"])
            assert_shows(row[f"force{end.replace('_', ' ')} [N]"], source[f"force_n{end}"])
        assert row["rows balanced"] == str(source["rows_balanced"])
        assert row["doubtful path"] == ("yes" if source["doubtful_path"] else "no")
    assert shown == {spelled(h) for h in HEADS if h != plan.IDLE}
    assert len(table.rows) == len(rows) * (len(HEADS) - 1) // len(HEADS)


def test_orders_of_a_published_table_keep_their_pair_and_probabilities():
    table = page().table(f"Orders between conditions, {plan.PUBLISHED_SOURCE}")
    keys = ("point", "condition", "other", "head")
    rows = by_spelling(published().orderings.to_dict("records"), *keys)
    for row in table.records():
        source = rows[row["point"], row[FIRST], row[SECOND], row["head"]]
        assert_shows(row["activation difference"], source["activation_difference"])
        for name in ("probability", "probability_independent"):
            assert_shows(row[name.replace("_", " ")], source[name])
        assert row["draws"] == str(source["draws"])
        assert row["same rows"] == ("yes" if source["same_rows"] else "no")
    assert len(table.rows) == len(rows) * (len(HEADS) - 1) // len(HEADS)


def test_shortfalls_of_a_published_table_keep_their_line():
    table = page().table("Rows balanced, and share of draws that fall short")
    for row, source in zip(table.records(), published().shortfalls.to_dict("records"), strict=True):
        assert (row["condition"], row["point"]) == (source["condition"], source["point"])
        for name in ("balanced", "not_given"):
            assert spelled(row[name.replace("_", " ")]) == spelled(source[name])
        assert_shows(row["share short"], source["share_short"])
    text = page().text("Published tables")
    for words in ("A planted note.", "Author 1990 (invented)"):
        assert words in text


def test_every_picture_stands_above_its_own_caption():
    captions = {
        "Speed of the lift": "speed",
        "Net joint moments": "moments",
        "Lateral over vertical hand force": "lateral_ratio",
        "Force of each head": "head_forces",
        "Activation of each head": "head_activation",
        "Lift-mean activation of each head": "activation_by_head",
        "EMG beside predicted": "emg_curves",
        "Lift means of predicted activation against EMG": "emg_agreement",
        "Change of lift-mean activation": "sensitivity",
        "Verdicts of the trials and residual checks": "checks",
    }
    expected = {words: plan.picture(plan.FIGURES.index(n)) for words, n in captions.items()}
    for number in plan.TRIAL_PICTURES:
        trial = plan.TRIALS[number - 1]
        words = f"Checks of trial {number} that warn or fail: {trial.person}, {trial.condition}."
        expected[words] = plan.picture(100 + number)
    for words, image in expected.items():
        (found,) = [
            (alt, source) for text, alt, source in page().pictures if f" {words}" in f" {text}"
        ]
        assert words in found[0]
        assert base64.b64decode(found[1].removeprefix("data:image/png;base64,")) == image
    assert len(page().pictures) == len(expected)


def test_limits_name_the_heads_of_trials_that_count():
    text = page().text("Limits")
    assert f"numbers cannot be trusted there: {spelled(plan.LONG)}." in text
    assert "forces of the two hands exchanged" in text
    assert "clock of the electromyograms" in text
    for limit in planted().result.model.limits.titles:
        assert " ".join(limit.split()) in text


def test_sections_stand_in_the_order_of_a_reader():
    order = [name for name in page().texts if name]
    assert order[1:] == [
        "In short", "Findings", "Methods", "Motion, moments and hand force",
        "Comparison of conditions", "Heads", "EMG", "Limits",
        "Trials and checks", "Speed", "All heads", "All orders", "Tests", "EMG in detail",
        "Published tables",
        "Sensitivity", "People and settings",
        "Cautions", "Sources",
    ]  # fmt: skip


def test_the_appendix_begins_with_the_trials_and_holds_what_a_paper_does_not():
    given = planted()
    made = cohort_page(given.result, given.summary, [], {}, {})
    assert made.appendix == "trials"
    titles = [section.title for section in made.sections]
    at = [section.anchor for section in made.sections].index(made.appendix)
    assert "Methods" in titles[:at]
    assert "Heads" in titles[:at]
    assert titles[at:] == [
        "Trials and checks", "All heads", "All orders", "Tests", "EMG in detail", "Sensitivity",
        "People and settings",
    ]  # fmt: skip
    text = render(made)
    assert text.index('<p class="part">Appendix</p>') < text.index('id="trials"')
    assert text.index('id="limits"') < text.index('<p class="part">Appendix</p>')


def test_the_first_part_shows_the_heads_that_were_named_and_the_appendix_all():
    given = planted()
    file = given.result.study.file
    statistics = file.statistics.model_copy(update={"heads": [plan.SIDE, plan.LONG]})
    study = replace(given.result.study, file=file.model_copy(update={"statistics": statistics}))
    shown = PageReader(
        render(cohort_page(replace(given.result, study=study), given.summary, [], {}, {}))
    )
    named = shown.table("Lift-mean activation [%] of the heads named beforehand")
    every = shown.table("Lift-mean activation [%] of each head")
    assert {row["head"] for row in named.records()} == {
        plan.spelled(h) for h in (plan.SIDE, plan.LONG)
    }
    assert {row["head"] for row in every.records()} == {plan.spelled(h) for h in plan.HEADS}
    assert (named.section, every.section) == ("Heads", "All heads")


def page_of(keep):
    """Summary and page of the planted trials that ``keep`` wants."""
    given = planted().result
    result = replace(given, outcomes=tuple(o for o in given.outcomes if keep(o)))
    summary = summarise_cohort(result)
    return summary, PageReader(render(cohort_page(result, summary, [], {}, {})))


def test_two_people_are_told_that_nothing_was_tested():
    _, shown = page_of(lambda o: o.person in {"Ama", "Fay"} and o.condition in {"narrow", "wide"})
    text = shown.text("Comparison of conditions")
    assert "No test was made. There are 2 people, too few for a test; 3 are needed." in text
    assert not any("Paired differences" in table.caption for table in shown.tables)


def test_one_condition_has_nothing_to_compare():
    summary, shown = page_of(lambda o: o.person == "Fay" and o.condition == "narrow")
    assert "There is only one condition, so there is nothing to compare." in shown.text(
        "Comparison of conditions"
    )
    assert "contrasts" not in summary.tables
    assert shown.table("Lift-mean activation [%] of each head").headers == [
        *("head", "narrow", "limit")
    ]
    row = shown.table("Events by condition").row(condition="narrow")
    assert (row["repetitions"], row["with sticking region"]) == ("2", "2")


def test_trials_that_were_all_skipped_still_have_their_row():
    summary, shown = page_of(lambda o: (o.person, o.condition) == plan.SKIPPED)
    assert set(summary.tables) == {"trials"}
    (row,) = shown.table("Trials.").records()
    assert (row["verdict"], row["reason"], row["frames short"]) == ("skipped", plan.FAULT, "–")
    assert "0 of 1 trial count, with 0 repetitions; 1 skipped" in shown.text("Findings")


def test_without_a_measured_force_the_free_treatment_is_shown():
    summary, shown = page_of(lambda o: (o.person, o.condition) == plan.NO_FORCE_ALONG)
    assert summary.mode == "free"
    table = shown.table("Lift-mean activation [%] of each head")
    assert "lateral force free." in table.caption
    for head, row in zip(HEADS, table.records(), strict=True):
        own = plan.counted_people("heads", plan.MEAN_ACTIVATION, "wide", "free", head=head)
        assert_shows(row["wide"], 100.0 * own["Dee"])
    summary, _ = page_of(lambda o: (o.person, o.condition) == ("Dee", plan.FREE_HANDS))
    assert summary.mode == "zero"
