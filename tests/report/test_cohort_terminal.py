"""What ``momentshare cohort`` prints and writes: the planted numbers, under their names."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from rich.console import Console
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import (
    CONDITIONS,
    HEADS,
    SHOWN,
    mean_and_sd,
    planted,
    published,
    spelled,
)
from tests.report.page_reader import PageReader, assert_shows

from momentshare.cli.cohort import _print, run_and_write
from momentshare.cohort.adjusted import LEAST_FREE
from momentshare.cohort.electromyograms import LEFT_OUT
from momentshare.cohort.schema import PublishedEntry
from momentshare.cohort.summary import summarise_cohort
from momentshare.report.text.cohort_messages import account_lines, check_lines
from momentshare.report.text.cohort_methods import methods_text
from momentshare.report.text.cohort_opening import cohort_opening
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.report.writing import cohort as cohort_write
from momentshare.trial.checks.verdict import OF_LIMB

pytest.importorskip("statsmodels")


def giving(value):
    """Make a function that gives the same value whatever it is called with."""
    return lambda *_args, **_more: value


def run(monkeypatch, place, result, **options):
    """Run the command with the planted trials in place of solved ones."""
    shutil.copytree(planted().result.folder / "trials", place / "trials")
    entry = PublishedEntry(file=plan.PUBLISHED_SOURCE, person="Bo")
    study = replace(result.study, file=result.study.file.model_copy(update={"published": [entry]}))
    result = replace(result, folder=place, study=study)
    monkeypatch.setattr("momentshare.cohort.load.load_cohort", giving(study))
    monkeypatch.setattr("momentshare.cohort.run.run_cohort", giving(result))
    for place_of_use in ("published", "cohort.setup"):
        monkeypatch.setattr(f"momentshare.{place_of_use}.read_published", giving(published().table))
    monkeypatch.setattr("momentshare.published.heads_of_published", giving(published()))
    run_and_write(place / "study.toml", place, **{"workers": 1, "figures": False} | options)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Printed text, closing lines and folder of one run."""
    place = tmp_path_factory.mktemp("terminal")
    printed = []
    screen = Console(width=400, record=True, file=io.StringIO())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("typer.echo", lambda text, **_: printed.append(str(text)))
        patch.setattr("momentshare.cli.tables.console", giving(screen))
        run(patch, place, planted().result, quiet=False)
    return screen.export_text(), printed, place


def boxes(text):
    """Title → header → rows of cells, of the tables that were printed."""
    found, title, header = {}, "", []
    previous = ""
    for line in text.splitlines():
        if line.startswith("┏"):
            title = previous.strip()
            found[title] = []
        elif line.startswith("┃"):
            header = [cell.strip() for cell in line.strip("┃").split("┃")]
        elif line.startswith("│"):
            cells = [cell.strip() for cell in line.strip("│").split("│")]
            found[title].append(dict(zip(header, cells, strict=True)))
        previous = line
    return found


def table(done, words):
    (rows,) = [rows for title, rows in boxes(done[0]).items() if words in title]
    return rows


def test_the_printed_activation_stands_under_its_condition(done):
    rows = table(done, "Lift-mean activation [%], mean ± SD over people; lateral force measured")
    assert [row["head"] for row in rows] == [spelled(head) for head in HEADS]
    for head, row in zip(HEADS, rows, strict=True):
        assert set(row) == {"head", *CONDITIONS}
        for condition in CONDITIONS:
            mean, spread, _ = mean_and_sd(
                "heads", plan.MEAN_ACTIVATION, condition, SHOWN, head=head
            )
            shown = row[condition].split(" ± ")
            assert_shows(shown[0], 100.0 * mean)
            assert_shows(shown[1], 100.0 * spread)


def test_skipped_trials_are_printed_with_their_reason(done):
    lines = [line for line in done[0].splitlines() if line.startswith("skipped")]
    trial = next(t for t in plan.TRIALS if t.place == plan.SKIPPED)
    assert [words(line) for line in lines] == [f"skipped {trial.file}: {plan.FAULT}"]


def words(text):
    return " ".join(text.split())


def test_checks_that_did_not_pass_are_printed_once_each_with_the_worst_trial(done):
    lines = [words(x) for x in done[0].splitlines() if re.match(r"(warn|fail) ", x)]
    bad = [c for c in planted().rows["checks"] if c["verdict"] in {"warn", "fail"}]
    assert len(bad) > len(lines) == len({(c["verdict"], c["check"]) for c in bad})
    for line in lines:
        verdict, name = line.split(":")[0].split(" ", 1)
        mine = [c for c in bad if (c["verdict"], c["check"]) == (verdict, name)]
        worst = max(mine, key=lambda c: c["value"])
        assert (
            f"up to {worst['value']:.3g} {worst['unit']} in trial {worst[plan.TRIAL]} "
            f"({worst[plan.PERSON]}, {worst[plan.CONDITION]}), limit {worst['limit']:g}"
        ) in line
        if len(mine) > 1:
            assert f"{len(mine)} trials ({', '.join(str(c[plan.TRIAL]) for c in mine)})" in line
        assert line.endswith(worst["note"])


def test_a_long_note_on_a_check_ends_after_two_rows():
    row = {
        "verdict": "warn", "check": "joint limits", "value": 12.9, "unit": "% of frames",
        "trial": 4, "person": "A", "condition": "narrow", "limit": 5.0,
    }  # fmt: skip
    note = "by more than 5 degrees; look for swapped landmarks; " + "repetition 1: a breach; " * 20
    (line,) = check_lines(pd.DataFrame([row | {"note": note.removesuffix("; ")}]))
    assert "look for swapped landmarks; repetition 1" in line
    assert line.endswith("; repetition 1: a breach; …")
    assert len(line) <= 245
    (line,) = check_lines(pd.DataFrame([row | {"note": "short"}]))
    assert line.endswith("limit 5; short")


def test_electromyograms_that_do_not_count_are_told_among_the_ten_lines():
    result = planted().result
    assert not any("EMG left out" in line for line in account_lines(result, planted().summary))
    note = f"triceps_brachii/lateral{LEFT_OUT}max.csv: cannot be used:\n  - no column 'EMG9'"
    lost = result.counted[0]
    changed = replace(lost, record=lost.record | {"emg": ["some other note", note]})
    outcomes = tuple(changed if o is lost else o for o in result.outcomes)
    lines = account_lines(replace(result, outcomes=outcomes), planted().summary)
    (line,) = [line for line in lines if line.startswith("EMG left out in")]
    assert line.startswith(f"EMG left out in trial {lost.number}: triceps_brachii/lateral: left ")
    assert line.endswith("out: max.csv: cannot be used: - no column 'EMG9'")


def test_what_counted_what_not_and_why_takes_ten_lines():
    lines = account_lines(planted().result, planted().summary)
    people = {t.person for t in plan.COUNTED}
    repetitions = sum(t.repetitions for t in plan.COUNTED)
    assert lines[0] == (
        f"{len(plan.COUNTED)} of {len(plan.TRIALS)} trials count: {len(people)} people, "
        f"{repetitions} repetitions."
    )
    assert len(lines) <= 10
    many = replace(
        planted().result,
        outcomes=tuple(
            replace(o, fault=f"fault {k}", file=f"file {k}", verdict="")
            for k, o in enumerate(planted().result.outcomes)
        ),
    )
    lines = account_lines(many, planted().summary)
    assert len(lines) == 10
    left = int(re.match(r"and (\d+) more", lines[-1])[1])
    assert left + 8 == len(many.outcomes) + len(check_lines(planted().tables["checks"])) + len(
        selection_texts(many)
    )


def checked(count):
    """Checks that warn, the first in one trial and every further one in one more."""
    row = {"verdict": "warn", "unit": "cm", "value": 2.0, "limit": 1.0, "note": ""}
    place = {"person": "Ama", "condition": "wide"}
    return pd.DataFrame(
        [
            row | place | {"check": f"check {k}", "trial": n}
            for k in range(count)
            for n in range(k + 1)
        ]
    )


def test_warnings_without_a_line_of_their_own_are_named_in_the_last():
    result = planted().result
    told = len(account_lines(result, SimpleNamespace(tables={})))
    room = 10 - told
    assert room > 2
    full = account_lines(result, SimpleNamespace(tables={"checks": checked(room)}))
    assert len(full) == 10
    assert full[-1].startswith(f"warn check {room - 1}: {room} trials (")
    lines = account_lines(result, SimpleNamespace(tables={"checks": checked(room + 2)}))
    assert len(lines) == 10
    assert lines[:9] == full[:9]
    assert lines[9] == (
        "warn, too: "
        + ", ".join(f"check {k} ({k + 1} trials)" for k in (room - 1, room, room + 1))
        + "; see checks.csv"
    )


def test_who_is_unlike_the_others_is_told_among_the_ten_lines():
    rows = [
        {"person": "Ama", "check": "synchrony", "stands_out": True},
        {"person": "Ama", "check": "hinge", "stands_out": True},
        {"person": "Bo", "check": "hinge", "stands_out": False},
    ]
    for peers, wanted in ((rows, ["unlike the others: Ama (synchrony, hinge)"]), (rows[2:], [])):
        summary = SimpleNamespace(tables={"peers": pd.DataFrame(peers)})
        lines = [x for x in account_lines(planted().result, summary) if x.startswith("unlike")]
        assert [line.split(";")[0] for line in lines] == wanted


def test_a_limb_that_falls_short_is_told_once():
    """The sentence on what it means for heads stands for the check."""
    result = planted().result
    weak = result.counted[0]
    changed = replace(weak, record={**weak.record, "limb_verdict": "fail"})
    outcomes = tuple(changed if o is weak else o for o in result.outcomes)
    row = checked(1).assign(verdict="fail")
    both = pd.concat([row, row.assign(check=OF_LIMB)])
    summary = SimpleNamespace(tables={"checks": both})
    lines = account_lines(replace(result, outcomes=outcomes), summary)
    assert any(line.startswith("In 1 trial the limb falls short of a moment") for line in lines)
    assert [x.split(":")[0] for x in lines if x.startswith("fail ")] == ["fail check 0"]


def test_the_sentences_of_the_page_are_printed(done):
    text = words(done[0])
    for said in (
        "(lateral force measured) the limb falls short of a moment, most in trial",
        "Heads at full activation [% of frames]: triceps brachii, lateral (narrow ",
        "because the force along the bar was not measured: Dee, wide.",
        "Press with a spotter",
    ):
        assert said in text


def test_the_answer_is_the_last_that_is_printed_and_published_tables_take_a_line(done):
    text = words(done[0])
    assert "What is firm." in text[text.index("Press with a spotter") :]
    count = len(published().balanced)
    assert f"{plan.PUBLISHED_SOURCE}: published moments of {count} postures were solved" in text
    assert not any("from the moments of" in title for title in boxes(done[0]))


def test_heads_of_a_published_table_alone_are_printed_with_their_interval():
    screen = Console(width=400, record=True, file=io.StringIO())
    result = replace(planted().result, outcomes=())
    _print(screen, result, summarise_cohort(result), [published()])
    found = boxes(screen.export_text())
    (rows,) = [r for t, r in found.items() if f"from the moments of {plan.PUBLISHED_SOURCE}" in t]
    assert [row["head"] for row in rows] == [spelled(head) for head in HEADS]
    seen = 0
    for source in published().heads.to_dict("records"):
        row = next(r for r in rows if r["head"] == spelled(source["head"]))
        cell = row[f"{source['condition']}, {source['point']}"]
        mid, low, high = re.fullmatch(r"(\S+) \((\S+) to (\S+)\)", cell).groups()
        assert_shows(mid, 100.0 * source["activation"])
        assert_shows(low, 100.0 * source["activation_low"])
        assert_shows(high, 100.0 * source["activation_high"])
        seen += 1
    assert seen == sum(len(row) - 1 for row in rows)


def test_the_last_line_counts_the_files(done):
    _, printed, place = done
    record = json.loads((place / "run.json").read_text("utf-8"))
    assert printed == [f"Wrote {len(record['files'])} files to {place}. Open {place}/report.html"]


def test_a_person_alone_has_no_spread(monkeypatch, tmp_path, capsys):
    result = planted().result
    one = tuple(o for o in result.outcomes if o.person == "Ama")
    run(monkeypatch, tmp_path, replace(result, outcomes=one), quiet=False)
    rows = boxes(capsys.readouterr().out)
    (activation,) = [found for title, found in rows.items() if "Lift-mean activation [%]" in title]
    assert all(row["narrow"].endswith(" (1 person)") for row in activation)
    for row, head in zip(activation, HEADS, strict=True):
        own = plan.counted_people("heads", plan.MEAN_ACTIVATION, "narrow", SHOWN, head=head)["Ama"]
        assert_shows(row["narrow"].removesuffix(" (1 person)"), 100.0 * own)


def test_written_tables_hold_what_the_summary_holds(done):
    place = done[2]
    for name, wanted in planted().tables.items():
        texts = [c for c in wanted if wanted[c].dtype.kind != "f"]
        numbers = {c: [""] for c in wanted if c not in texts}
        found = pd.read_csv(
            place / f"{name}.csv",
            dtype=dict.fromkeys(texts, str),
            keep_default_na=False,
            na_values=numbers,
        )
        assert list(found) == list(wanted)
        for column in numbers:
            np.testing.assert_allclose(
                found[column].astype(float), wanted[column], rtol=1e-6, err_msg=f"{name} {column}"
            )
        for column in texts:
            assert found[column].tolist() == [str(v) for v in wanted[column]], (name, column)
    for name in ("heads", "orderings", "shortfalls"):
        found = pd.read_csv(place / f"published_1_{name}.csv")
        wanted = getattr(published(), name)
        assert list(found) == list(wanted)
        number = wanted.select_dtypes("number")
        pd.testing.assert_frame_equal(found[list(number)], number, rtol=1e-6, check_dtype=False)


def test_written_frames_are_those_of_trials_that_count(done):
    counted = {t.number for t in plan.COUNTED}
    for name in ("frames", "moments", "motion", "emg"):
        found = pd.read_parquet(done[2] / f"{name}.parquet")
        wanted = [r for r in planted().rows[name] if r[plan.TRIAL] in counted]
        found = found.drop(columns="limit", errors="ignore")  # what the limb says of the row
        assert found.to_dict("records") == wanted


def test_the_record_says_what_became_of_each_trial(done):
    record = json.loads((done[2] / "run.json").read_text("utf-8"))
    assert record["shown_lateral_mode"] == SHOWN
    assert record["title"] == "A planted cohort"
    assert [c["name"] for c in record["conditions"]] == list(CONDITIONS)
    assert [p["person"] for p in record["people"]] == list(plan.PEOPLE)
    for trial, told in zip(plan.TRIALS, record["trials"], strict=True):
        assert told["trial"] == trial.number
        assert (told["person"], told["condition"]) == trial.place
        assert told["fault"] == (plan.FAULT if trial.place == plan.SKIPPED else "")
        assert told["load_kg"] == plan.load_of(trial)
        assert "tables" not in told
    assert record["processing"]["failed_checks"] == "leave out"
    page = PageReader((done[2] / "report.html").read_text("utf-8"))
    assert page.texts[""][0] == "A planted cohort"


def test_the_worst_trials_are_drawn_on_the_page(monkeypatch, tmp_path):
    result = planted().result
    outcomes = tuple(
        o
        for o in result.outcomes
        if o.person in {"Bo", "Eli"} and o.condition in {"medium", "wide"}
    )
    monkeypatch.setattr(cohort_write, "cohort_figures", giving({}))
    run(monkeypatch, tmp_path, replace(result, outcomes=outcomes), figures=True, quiet=True)
    drawn = sorted(p.name for p in (tmp_path / "figures").iterdir())
    page = PageReader((tmp_path / "report.html").read_text("utf-8"))
    order = {"fail": 0, "warn": 1}
    bad = sorted((o for o in outcomes if o.verdict in order), key=lambda o: order[o.verdict])
    assert [o.verdict for o in bad][:2] == ["fail", "warn"]
    assert drawn == sorted(f"checks_trial_{o.number:04d}.png" for o in bad)
    assert len(drawn) < len(outcomes)
    # What a picture tells to who cannot see it begins with its caption; its title follows.
    for (_, alt, _), o in zip(page.pictures, bad, strict=True):
        words = f"Checks of trial {o.number} that warn or fail: {o.person}, {o.condition}."
        assert alt.startswith(f"{words} Trial {o.number}: ")


def with_loads(load_of):
    """The planted cohort, lifted with other loads."""
    found = planted().result
    outcomes = tuple(replace(o, record={**o.record, "load_kg": load_of(o)}) for o in found.outcomes)
    return replace(found, outcomes=outcomes)


def test_loads_that_differ_between_conditions_are_told():
    """A tenth more in the wide grip may be all of a difference between the grips."""
    heavier = {name: 30.0 * (1.0 + 0.1 * k) for k, name in enumerate(CONDITIONS)}
    (said,) = [
        text
        for text in selection_texts(with_loads(lambda o: heavier[o.condition]))
        if text.startswith("Loads differ")
    ]
    for name, load in heavier.items():
        assert f"'{name}' {load:.1f}" in said
    whole = {
        person
        for person in plan.PEOPLE
        if {o.condition for o in planted().result.counted if o.person == person} == set(CONDITIONS)
    }
    assert f"over {len(whole)} people who have them all" in said
    assert len(whole) - 2 < LEAST_FREE
    assert "too few to hold the load" in said
    left = len(whole) - 2
    assert f"leave {left} degree{'s' if left != 1 else ''} of freedom" in said
    same = selection_texts(with_loads(lambda _: 30.0))
    assert not any("oads" in text or "Selection" in text for text in same)


def test_the_covariate_is_advised_where_enough_people_have_every_condition():
    """Two conditions of all seven people leave five degrees of freedom."""
    heavier = {name: 30.0 * (1.0 + 0.1 * k) for k, name in enumerate(CONDITIONS)}
    given = with_loads(lambda o: heavier[o.condition])
    pair = ("narrow", plan.FREE_HANDS)
    given = replace(given, outcomes=tuple(o for o in given.outcomes if o.condition in pair))
    assert len({o.person for o in given.counted}) - 2 == LEAST_FREE
    (said,) = [text for text in selection_texts(given) if text.startswith("Loads differ")]
    assert 'covariates = ["load_kg"]' in said
    assert "too few" not in said
    (plain,) = [t for t in selection_texts(given, advice=False) if t.startswith("Loads differ")]
    assert "covariates" not in plain


def test_conditions_that_were_recorded_and_left_out_are_named():
    given = planted().result
    assert not any("left out of this run" in text for text in selection_texts(given))
    study = given.study.only(conditions=["narrow", "wide"])
    kept = tuple(o for o in given.outcomes if o.condition in {"narrow", "wide"})
    result = replace(given, study=study, outcomes=kept)
    said = next(t for t in selection_texts(result) if "left out of this run" in t)
    assert said.startswith("'medium' and 'dumbbells' were recorded and left out of this run.")
    opening = cohort_opening(result, summarise_cohort(result), [])
    assert "'medium' and 'dumbbells' were recorded and left out" in opening.unsaid
    methods = " ".join(methods_text(result))
    assert "'medium' and 'dumbbells' were recorded too and were not analysed." in methods


def test_a_trial_that_could_not_be_read_selects_nothing():
    skipped = {o.number for o in planted().result.outcomes if o.fault and o.used}
    assert skipped
    told = selection_texts(with_loads(lambda o: 20.0 if o.number in skipped else 40.0))
    assert not any(text.startswith("Selection") for text in told)
    out = {o.number for o in planted().result.outcomes} - skipped
    out -= {o.number for o in planted().result.counted}
    told = selection_texts(with_loads(lambda o: 20.0 if o.number in out else 40.0))
    (said,) = [text for text in told if text.startswith("Selection: ") and "means and" in text]
    assert "lighter (20 against 40 kg on average)" in said
    assert "heavier lifts than were measured" in said
