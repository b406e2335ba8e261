"""Cohorts of one or two people in one or two conditions still give a whole page."""

import re
from dataclasses import replace

import pytest

from momentshare.cohort.load import parse_cohort
from momentshare.cohort.run import run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.demo.lab import write_lab
from momentshare.report.figures.cohort import cohort_figures
from momentshare.report.writing.cohort import write_cohort

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return write_lab(tmp_path_factory.mktemp("lab"), people=2, repetitions=1)


def small_study(lab, people, conditions, emg):
    head, *trials = lab.read_text("utf-8").split("[[trial]]")
    names = [f"{p}_{c}" for p in people for c in conditions]
    chosen = [t.split("[[published]]")[0] for t in trials if any(f"{n}." in t for n in names)]
    text = head + "".join("[[trial]]" + t for t in chosen)
    if not emg:
        text = re.sub(r"(?s)\[\[maximal_contraction\]\].*?(?=\[\[|\Z)", "", text)
    return parse_cohort(text, "study.toml", lab.parent)


@pytest.mark.parametrize(
    ("people", "conditions", "emg"),
    [
        (("ines",), ("wide",), True),
        (("ines",), ("wide", "narrow"), False),
        (("ines", "runa"), ("wide",), True),
        (("ines", "runa"), ("wide", "narrow"), True),
    ],
)
def test_every_size_gives_a_page(lab, tmp_path, people, conditions, emg):
    study = small_study(lab, people, conditions, emg)
    assert len(study.file.trial) == len(people) * len(conditions)
    result = run_cohort(study, tmp_path, workers=1)
    assert len(result.solved) == len(study.file.trial)
    summary = summarise_cohort(result)
    names = write_cohort(result, summary, (), figures=False)
    assert "report.html" in names
    page = (tmp_path / "report.html").read_text("utf-8")
    if len(conditions) > 1:
        assert "not tested" in page
    assert ("emg_agreement.csv" in names) is emg
    figures = cohort_figures(summary)
    assert {"speed", "moments", "head_activation"} <= set(figures)
    doubted = summary.tables["checks"]["verdict"].isin(["warn", "fail"]).any()
    assert ("checks" in figures) == doubted
    for make in figures.values():
        assert make().axes


def test_the_limits_of_the_glenoid_give_both_results(lab, tmp_path):
    pytest.importorskip("cvxpy")
    study = small_study(lab, ("ines",), ("narrow",), emg=False)
    settings = study.file.settings.model_copy(
        update={"glenoid_constraint": True, "frames": 11, "lateral": ["measured"]}
    )
    file = study.file.model_copy(update={"settings": settings})
    result = run_cohort(replace(study, file=file), tmp_path, workers=1)
    assert result.outcomes[0].fault == ""
    table = summarise_cohort(result).tables["glenoid_heads"]
    assert (table["difference"].abs() > 1e-4).any()
    frames = result.table("glenoid")
    within = frames[frames["within_limits"]]
    assert set(frames["within_limits"]) == {True, False}
    beyond = frames[~frames["within_limits"]]
    assert within["inside_limit_by_deg"].min() > beyond["inside_limit_by_deg"].min()
