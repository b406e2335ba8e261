"""What is called firm: no limit of the limb concerns it, and nothing tried leaves it at zero."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.drawn import plain, printed
from tests.planned import TEXT, alone, solved

from momentshare.limits import Limit, Limits
from momentshare.reading import condition_table, head_table
from momentshare.report.text.opening import counted
from momentshare.report.text.study_opening import study_opening, verdict_table
from momentshare.report.text.terminal import print_study
from momentshare.report.text.verdicts import FIRM_ASKS
from momentshare.report.writing.study import write_results
from momentshare.sharing import Status
from momentshare.study import StudyResult

UNMEASURED = TEXT.replace("lateral_ratio = -0.05\n", "").replace("lateral_ratio = 0.1\n", "")


def orders(*differences):
    """Rows of an order, one for each treatment; a negative difference is the other way round."""
    return pd.DataFrame(
        [
            {
                "lateral": mode, "head": "anconeus",
                "condition": "a" if value > 0.0 else "b", "other": "b" if value > 0.0 else "a",
                "difference": abs(value), "people": 2, "people_agreeing": 2,
            }
            for mode, value in zip(("measured", "zero", "free"), differences, strict=False)
        ]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("differences", "verdict"),
    [
        ((0.48, 0.02), "firm"),
        ((0.48, -0.006), "turns"),
        ((0.48, 0.0), "turns"),
        ((0.006, -0.006), "level"),
    ],
)
def test_an_order_that_some_treatment_leaves_nothing_of_is_not_firm(
    monkeypatch, differences, verdict
):
    """Of 48 points with the lateral force free nothing was left without one: 'firm', once."""
    module = "momentshare.report.text.study_opening.reading"
    study = solved()
    monkeypatch.setattr(f"{module}.ordering_table", lambda _: orders(*differences))
    monkeypatch.setattr(
        f"{module}.head_table",
        lambda _: pd.DataFrame(
            {
                "head": "anconeus",
                "condition": ["a", "b"],
                "lateral": "measured",
                "mean_activation_mean": 0.5,
            }
        ),
    )
    (row,) = verdict_table(replace(study, model=replace(study.model, limits=Limits()))).itertuples()
    assert row.verdict == verdict
    assert row.turns_with == ("lateral force" if differences[1] <= 0.0 else "")


def test_no_order_turns_with_people_where_there_is_one(monkeypatch):
    """Where a treatment leaves nothing of an order nobody has its sign."""
    module = "momentshare.report.text.study_opening.reading"
    study = solved()
    found = orders(0.48, 0.0).assign(people=1, people_agreeing=[1, 0])
    monkeypatch.setattr(f"{module}.ordering_table", lambda _: found)
    monkeypatch.setattr(
        f"{module}.head_table",
        lambda _: pd.DataFrame(
            {
                "head": "anconeus",
                "condition": ["a", "b"],
                "lateral": "measured",
                "mean_activation_mean": 0.5,
            }
        ),
    )
    (row,) = verdict_table(replace(study, model=replace(study.model, limits=Limits()))).itertuples()
    assert (row.verdict, row.turns_with) == ("turns", "lateral force")


def test_whatever_a_limit_concerns_is_neither_firm_nor_in_the_headline():
    study = solved()
    everything = Limits(
        (Limit(key="L1", title="t", heads=study.model.head_names, quantity="activation",
               claim="order", reason="r"),)
    )  # fmt: skip
    limited = replace(study, model=replace(study.model, limits=everything))
    table = verdict_table(limited)
    assert set(table["verdict"]) <= {"beyond the limb", "level"}
    said = study_opening(limited, table)
    assert said.firm.startswith("0 of ")
    assert "are supported by the limb and hold" in said.firm
    assert said.firm.endswith("nothing is firm.")


def test_firm_orders_keep_their_sign_under_every_treatment():
    table = verdict_table(solved())
    firm = table[table["verdict"] == "firm"]
    assert len(firm)
    assert (firm["difference_low"] > 0.0).all()
    assert (firm["limit"] == "").all()


def test_treatments_that_were_solved_are_counted_and_a_dropped_one_is_named():
    study = solved(UNMEASURED)
    assert study.study.file.settings.lateral == ["measured", "zero", "free"]
    modes = {result.lateral.mode for _, result in study.pairs()}
    assert modes == {"zero", "free"}
    said = plain(printed(lambda console: print_study(console, study)))
    assert "under both treatments of the lateral force" in said
    assert (
        "Left out: lateral force measured in narrow and wide, which have no lateral_ratio" in said
    )
    whole = plain(printed(lambda console: print_study(console, solved())))
    assert "under all 3 treatments of the lateral force" in whole
    assert "Left out" not in whole


def test_of_many_conditions_each_is_compared_with_the_first_and_it_is_said(monkeypatch):
    whole = verdict_table(solved())
    assert "and not with every other" not in study_opening(solved(), whole).unsaid
    study = replace(solved())  # tables are kept for a study; this is another one
    monkeypatch.setattr("momentshare.study.factors.MOST_CROSSED", 2)
    monkeypatch.setattr("momentshare.report.text.study_opening.MOST_CROSSED", 2)
    conditions = [c.name for c in study.study.file.condition]
    table = verdict_table(study)
    assert len(conditions) > 2
    pairs = {frozenset(pair) for pair in zip(table["condition"], table["other"], strict=True)}
    assert pairs == {frozenset((conditions[0], name)) for name in conditions[1:]}
    some = [conditions[0] in pair for pair in zip(whole["condition"], whole["other"], strict=True)]
    key = ["head", "condition", "other"]
    kept = whole[some].sort_values(key, ignore_index=True)
    pd.testing.assert_frame_equal(table.sort_values(key, ignore_index=True), kept)
    said = study_opening(study, table).unsaid.lower()
    assert (
        f"each of {len(conditions)} conditions was compared with '{conditions[0]}' and not with "
        "every other" in said
    )


ONE_TREATMENT = TEXT.replace("frames = 7", 'frames = 7\nlateral = ["measured", "zero"]').replace(
    "lateral_ratio = -0.05\n", "").replace("lateral_ratio = 0.1\n", "")  # fmt: skip
"""Nothing is measured, so the lateral force is zero in every condition."""


def test_a_treatment_that_was_not_solved_is_not_said_to_move_nothing(tmp_path):
    study = solved(ONE_TREATMENT)
    assert {result.lateral.mode for _, result in study.pairs()} == {"zero"}
    write_results(study, tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "No treatment of the lateral force moves" not in page
    assert "Lateral force zero" in page


HEAVY = alone(TEXT).replace("load_per_body_mass = 0.4", "load_kg = 300")
HEAVY = HEAVY[: HEAVY.index('[[condition]]\nname = "dumbbells"')]


def test_conditions_that_no_forces_can_hold_are_named(monkeypatch):
    study = replace(solved(HEAVY))  # tables are kept for a study; this is another one
    pairs = [
        (case, replace(result, sharing=replace(result.sharing, **changed(case, result.sharing))))
        for case, result in study.pairs()
    ]
    of_others = StudyResult.pairs
    monkeypatch.setattr(
        StudyResult, "pairs", lambda one: iter(pairs) if one is study else of_others(one)
    )
    heads = head_table(study)
    means = heads.groupby("condition")["mean_activation_mean"]
    assert means.count().to_dict() == {"narrow": 0, "wide": means.size()["wide"]}
    said = study_opening(study, verdict_table(study))
    assert said.firm.startswith("Of 2 conditions only 'wide' has a lift mean")
    assert "With one condition" not in said.firm + said.turns
    frames = condition_table(study).groupby("condition")["frames_infeasible"].sum()
    assert f"in {counted(int(frames['narrow']), 'frame')} of 'narrow' no forces" in said.unsaid
    assert frames["wide"] == 0
    assert "of 'wide' no forces" not in said.unsaid


def changed(case, sharing):
    """Take the forces of the first frame of one condition away."""
    if case.condition != "narrow":
        return {}
    status, activation = sharing.status.copy(), sharing.activation.copy()
    status[0], activation[0] = Status.INFEASIBLE, np.nan
    return {"status": status, "activation": activation}


@pytest.mark.parametrize("command", list(FIRM_ASKS))
def test_what_firm_asks_is_the_same_in_glossary_readme_and_page(command):
    """One definition, word for word, wherever a reader may look."""
    root = Path(__file__).parents[2]
    for place in ("README.md", "src/momentshare/help/topics/glossary.md"):
        (row,) = [
            line
            for line in (root / place).read_text("utf-8").splitlines()
            if line.startswith("| firm |")
        ]
        assert f"`{command}`: {FIRM_ASKS[command]}" in row
    pages = {"compare": "study", "cohort": "cohort_findings", "uncertainty": "uncertainty"}
    folder = root / "src/momentshare/report" / ("text" if command == "cohort" else "page")
    text = (folder / f"{pages[command]}.py").read_text("utf-8")
    assert re.search(rf"FIRM_ASKS\[['\"]{command}['\"]\]", text)
    assert "{ANOTHER_RULE}" in text
