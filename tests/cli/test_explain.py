"""``momentshare explain`` as a user runs it."""

import json

import pandas as pd
import pytest
import typer
from tests.drawn import spoken
from typer.testing import CliRunner

from momentshare.cli import explain_lifts
from momentshare.cli.explain import explain
from momentshare.errors import InputError, UnknownNameError
from momentshare.explain import explain_along, explain_head
from momentshare.report.figures import style
from momentshare.report.figures.explain import drive_figure
from momentshare.study import parse_study, run_study

STUDY = """
title = "Two presses"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[person]]
name = "Bo"
sex = "male"
stature_cm = 180
body_mass_kg = 80
[[condition]]
name = "bar [wide]"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 65], [1, 82]]
forearm_tilt_deg = [[0, 5], [1, -6]]
load_kg = 30
lateral_ratio = 0.1
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
load_kg = 25
"""
LONG, LATERAL = "triceps_brachii/long", "triceps_brachii/lateral"

app = typer.Typer()
app.command()(explain)


@pytest.fixture
def study(tmp_path):
    place = tmp_path / "study.toml"
    place.write_text(STUDY, encoding="utf-8")
    return str(place)


def run(*words):
    return CliRunner().invoke(app, list(words))


def test_two_heads_side_by_side_with_worked_case_and_files(study, tmp_path):
    out = tmp_path / "why"
    done = run(study, "--head", LONG, "--against", LATERAL, "--worked", "--out", str(out))
    assert done.exit_code == 0, done.output
    for wanted in (
        "bar [wide]", "no moment arm at the shoulder", "head removed", "Worked case",
        "elbow extension",
        "spotter", "greatest load that can be held is least",
    ):  # fmt: skip
        assert wanted in " ".join(done.output.split())
    assert {p.name for p in out.iterdir()} == {
        "drive.csv", "drive_along_lift.csv", "counterfactuals.csv", "counterfactual_cases.csv",
        "explanation.txt", "explain.json", "manifest.json", ".momentshare.json",
        "worked.txt", "worked.tex", "report.html", "drive.png", "drive.svg",
        "arm.png", "arm.svg", "arm_along_lift.png", "arm_along_lift.svg",
        "heads_apart.csv", "heads_apart_draws.csv", "what_if.csv",
        "greatest_load_by_strength.csv", "equal_moments.csv", "equal_moments_heads.csv",
        "equal_moments.png", "equal_moments.svg", "published_rows.csv",
    }  # fmt: skip
    drive = pd.read_csv(out / "drive.csv")
    assert set(drive["head"]) == {LONG, LATERAL}
    record = json.loads((out / "explain.json").read_text("utf-8"))
    for item in record["heads"]:
        part = drive[drive["head"] == item["head"]]["part"].sum()
        assert part == pytest.approx(item["activation_before_bounds"], abs=1e-6)
    along = pd.read_csv(out / "drive_along_lift.csv")
    assert len(along) == 2 * 3 * 7
    cases = pd.read_csv(out / "counterfactual_cases.csv")
    assert set(cases["status"]) == {"solved"}
    assert all(answer["difference"] < 1e-9 for answer in record["worked"]["answers"])


def test_json_is_the_library_answer(study):
    done = run(
        study, "--person", "Bo", "--condition", "bar [wide]", "--head", LONG, "--height", "0.5",
        "--lateral", "free", "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert record["version"] == 1
    (item,) = record["heads"]
    (case,) = (
        c for c in run_study(parse_study(STUDY)).cases
        if (c.person, c.condition) == ("Bo", "bar [wide]")
    )  # fmt: skip
    (result,) = (r for r in case.results if r.lateral.mode == "free")
    found = explain_head(result, LONG, frame=3)
    assert item["lateral"] == "free"
    assert item["frame"] == 3
    assert item["activation"] == pytest.approx(found.split.activation, abs=1e-9)
    assert item["parts_by_joint"] == pytest.approx(found.split.by_joint(), abs=1e-9)
    assert record["counterfactuals"][0]["cases"][0]["case"] == "as_it_is"


def test_without_a_head_every_head_is_listed_in_short(study, tmp_path):
    out = tmp_path / "all"
    done = run(study, "--condition", "dumbbells", "--out", str(out))
    assert done.exit_code == 0, done.output
    assert "lateral force zero" in done.output
    table = pd.read_csv(out / "drive_by_head.csv")
    assert len(table) == 26
    assert all(spoken(head) in done.output for head in table["head"])
    bounded = table["activation_before_bounds"].clip(0.0, 1.0)
    assert (bounded - table["activation"]).abs().max() < 1e-6


@pytest.mark.parametrize(
    ("words", "error", "wanted"),
    [
        (("--head", "triceps_brachii/lng"), UnknownNameError, LONG),
        (("--head", LONG, "--against", "triceps_brachii/latral"), UnknownNameError, LATERAL),
        (("--person", "Ed"), UnknownNameError, "Edda"),
        (("--condition", "bar wide"), UnknownNameError, "bar \\[wide\\]"),
        (("--lateral", "fre"), UnknownNameError, "free"),
        (("--condition", "dumbbells", "--lateral", "free"), UnknownNameError, "zero"),
        (("--head", LONG, "--height", "40"), InputError, "0 \\(chest\\) to 1"),
        (("--head", LONG, "--against", LONG), InputError, "name another"),
        (("--worked",), InputError, "--head"),
    ],
)
def test_wrong_names_are_refused_and_nothing_is_written(study, tmp_path, words, error, wanted):
    out = tmp_path / "none"
    done = run(study, *words, "--out", str(out))
    assert not out.exists()
    with pytest.raises(error, match=wanted):
        raise done.exception


@pytest.mark.parametrize("words", [("--head", "x"), ("--height", "nan"), ("--lateral", "fre")])
def test_a_wrong_word_is_refused_before_anything_is_solved(study, monkeypatch, words):
    def solved(*_):
        raise AssertionError

    monkeypatch.setattr(explain_lifts, "solve_lifts", solved)
    with pytest.raises(InputError, match=words[0]):
        raise run(study, *words).exception


@pytest.mark.parametrize("heads", [(LONG,), (LONG, LATERAL)])
def test_figure_names_units_and_its_legend_covers_no_axes(heads):
    import matplotlib as mpl

    case = run_study(parse_study(STUDY)).cases[0]
    found = [explain_head(case.results[0], head, frame=3) for head in heads]
    with mpl.rc_context(style.settings()):
        figure = drive_figure(found, [explain_along(case.results[0], h) for h in heads], "Edda")
        figure.draw_without_rendering()
    box = figure.legends[0].get_window_extent()
    for ax in figure.axes:
        assert not box.overlaps(ax.get_tightbbox())
        assert "[" in ax.get_xlabel()
    bars = figure.axes[0].patches
    widths = [bar.get_width() for bar in bars]
    split = found[0].split
    glenoid = [split.facet_part.sum()] if split.facet_names else []
    assert widths[:-2] == pytest.approx([*split.part, *glenoid])
    assert widths[-2:] == pytest.approx([found[0].split.total, found[0].split.activation])
    # Shoulder and elbow differ in hatch, so that grey print tells them apart.
    assert bars[0].get_hatch() != bars[3].get_hatch()
