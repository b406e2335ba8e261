"""Commands end to end, as a user runs them."""

import json
import re
import subprocess
import sys

import pandas as pd
import pytest

from momentshare.reading import BAND_COLUMNS, HEADS_COLUMNS

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
[[condition]]
name = "bar [wide]"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 65], [1, 82]]
forearm_tilt_deg = [[0, 5], [1, -6]]
load_kg = 30
lateral_ratio = 0.1
duration_s = 1.5
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
load_per_body_mass = 0.4
"""


def run(*words, cwd):
    return subprocess.run(
        [sys.executable, "-m", "momentshare", *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("study")
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    done = run("compare", "study.toml", "--out", "results", "--no-figures", cwd=place)
    assert done.returncode == 0, done.stderr
    (place / "out.txt").write_text(done.stdout, encoding="utf-8")
    return place


def test_compare_writes_heads_with_the_stated_columns(folder):
    heads = pd.read_csv(folder / "results" / "heads.csv")
    assert tuple(heads.columns) == (*HEADS_COLUMNS, *BAND_COLUMNS, "limit")
    assert len(heads) == 26 * (3 + 1)
    assert set(heads["lateral"]) == {"measured", "zero", "free"}
    assert heads["peak_activation_mean"].between(-1e-9, 1 + 1e-9).all()
    spread = heads.columns.str.endswith("_sd")
    alone = heads.columns.str.contains("_couples_")
    keys = heads.columns == "limit"  # empty where the limb bears the row
    assert not heads.loc[:, ~spread & ~alone & ~keys].isna().any(axis=None)
    assert heads.loc[:, spread].isna().all(axis=None)  # of one person there is none


def test_frames_are_one_row_a_frame_and_head(folder):
    frames = pd.read_parquet(folder / "results" / "frames.parquet")
    keys = ["person", "condition", "lateral", "frame", "head"]
    assert not frames.duplicated(keys).any()
    assert len(frames) == 26 * 7 * 4


def test_record_names_model_settings_sources_and_cautions(folder):
    record = json.loads((folder / "results" / "run.json").read_text("utf-8"))
    assert record["model"]["name"] == "reference_limb"
    assert record["settings"]["exponent"] == 2.0
    assert record["people"][0]["estimated"]
    assert record["cautions"]
    assert "degroote2016" in record["sources"]
    assert "langenderfer2004" in record["incomplete_sources"]
    bibtex = (folder / "results" / "sources.bib").read_text("utf-8")
    assert set(re.findall(r"@\w+\{([^,]+),", bibtex)) == set(record["sources"])
    assert set(record["files"]) == {p.name for p in (folder / "results").glob("[!.]*")}


def test_summary_shows_every_lateral_mode_and_ends_with_cautions(folder):
    text = (folder / "out.txt").read_text("utf-8")
    for wanted in ("bar [wide]", "measured", "zero", "free", "spotter", "qualified clinician"):
        assert wanted in text


def test_same_study_gives_the_same_bytes(folder):
    again = run("compare", "study.toml", "--out", "again", "--no-figures", "--quiet", cwd=folder)
    assert again.returncode == 0
    assert again.stdout == ""
    for name in ("heads.csv", "moments.csv", "loads.csv", "run.json"):
        first, second = (folder / f / name for f in ("results", "again"))
        assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        (("stature_cm = 168", "stature_cm = 1.68"), "stature"),
        (("body_mass_kg = 64", "body_mass_kg = -64"), "body_mass_kg"),
        (("load_kg = 30", "load_kg = nan"), "load_kg"),
        (("load_kg = 30", "load_lb = 66"), "load_lb"),
        (("spacing_biacromial = 1.6", "spacing_biacromial = 9"), "spacing_biacromial"),
        (("tuck_deg = 60", "tuck_deg = 600"), "tuck"),
        (("frames = 7", "frames = 'many'"), "frames"),
    ],
)
def test_bad_study_is_one_message_with_code_2_and_no_output(tmp_path, change, wanted):
    (tmp_path / "bad.toml").write_text(STUDY.replace(*change), encoding="utf-8")
    done = run("compare", "bad.toml", "--out", "results", cwd=tmp_path)
    assert done.returncode == 2
    assert wanted in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "results").exists()


def test_hands_wider_than_the_arms_reach_is_refused_with_the_shortfall(tmp_path):
    wide = STUDY.replace("spacing_biacromial = 1.6", "spacing_cm = 150")
    wide = wide.split('[[condition]]\nname = "dumbbells"')[0]
    (tmp_path / "wide.toml").write_text(wide, encoding="utf-8")
    done = run("compare", "wide.toml", "--out", "results", cwd=tmp_path)
    assert done.returncode == 1
    assert "too short" in done.stderr
    assert not (tmp_path / "results").exists()


def test_missing_file_names_the_file_and_its_neighbours(folder):
    done = run("compare", "studdy.toml", "--out", "x", cwd=folder)
    assert done.returncode == 2
    assert "studdy.toml" in done.stderr
    assert "study.toml" in done.stderr


def test_a_failed_run_leaves_earlier_results_alone(folder):
    before = (folder / "results" / "heads.csv").read_bytes()
    (folder / "broken.toml").write_text("title = 'x'\n[[person]]\n", encoding="utf-8")
    assert run("compare", "broken.toml", "--out", "results", cwd=folder).returncode == 2
    assert (folder / "results" / "heads.csv").read_bytes() == before


def test_demo_does_not_overwrite_a_study_of_the_user(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "study.toml").write_text("title = 'mine'\n", encoding="utf-8")
    done = run("demo", "mine", cwd=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "mine" / "study.toml").read_text("utf-8") == "title = 'mine'\n"


def test_units_and_settings_in_brackets_are_shown(folder):
    text = (folder / "out.txt").read_text("utf-8")
    assert "[kg]" in text
    files = [path for path in (folder / "results").rglob("[!.]*") if path.is_file()]
    last = text.splitlines()[-1].split(" files to ")
    assert last[1] == "results. Open results/report.html"
    assert int(last[0].removeprefix("Wrote ")) in {len(files) - 1, len(files)}
    assert "[N·m]" in text


def test_every_path_and_command_that_readme_and_help_name_exists():
    import re
    from pathlib import Path

    from typer.testing import CliRunner

    from momentshare.cli.main import app

    root = Path(__file__).resolve().parents[2]
    topics = sorted((root / "src" / "momentshare" / "help" / "topics").glob("*.md"))
    text = "\n".join(p.read_text("utf-8") for p in [root / "README.md", *topics])
    for name in re.findall(r"`((?:src|models|benchmarks)/[\w/.]+)`", text):
        assert (root / name).exists(), name
    named = set(re.findall(r"`momentshare ([a-z-]+)", text))
    assert len(named) > 10
    known = CliRunner().invoke(app, ["--help"]).stdout
    for command in named - {"momentshare"}:
        assert f"  {command} " in known, command


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        (("load_kg = 30", "load_kg = true"), "load_kg: must be a number; got true"),
        (("stature_cm = 168", 'stature_cm = "168"'), "stature_cm: must be a number without quotes"),
        (("duration_s = 1.5", "duration_s = 1e300"), "duration_s: must be at most 60 s"),
        (("frames = 7", "frames = 7\nexponent = 1e6"), "exponent"),
        (('name = "Edda"', 'name = "Ed\\u001bda"'), "control character U+001B"),
        (("frames = 7", 'frames = 7\nscapula = "ghost"'), "settings → scapula"),
        (("[settings]", "x = " + "[" * 900 + "\n[settings]"), "nested too deep"),
    ],
)
def test_hostile_values_are_refused_by_name(tmp_path, change, wanted):
    (tmp_path / "bad.toml").write_text(STUDY.replace(*change), encoding="utf-8")
    done = run("compare", "bad.toml", "--out", "results", cwd=tmp_path)
    assert done.returncode == 2
    assert wanted in done.stderr
    assert "Traceback" not in done.stderr


def test_least_greatest_activation_can_be_asked_for(tmp_path):
    text = STUDY.replace("frames = 7", "frames = 5\nexponent = inf")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("compare", "study.toml", "--out", "a [/b]", "--no-figures", "--quiet", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    record = json.loads((tmp_path / "a [/b]" / "run.json").read_text("utf-8"))
    assert record["settings"]["exponent"] == "inf"


def test_figures_stay_with_the_tables_they_belong_to_and_with_no_others(folder, tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    words = ("compare", "study.toml", "--out", "r", "--quiet")
    assert run(*words, cwd=tmp_path).returncode == 0
    drawn = sorted(p.name for p in (tmp_path / "r" / "figures").iterdir())
    assert len(drawn) > 10
    (tmp_path / "r" / "notes.txt").write_text("mine", encoding="utf-8")
    assert run(*words, "--no-figures", cwd=tmp_path).returncode == 0
    assert sorted(p.name for p in (tmp_path / "r" / "figures").iterdir()) == drawn
    heavier = STUDY.replace("load_kg = 30", "load_kg = 31")
    (tmp_path / "study.toml").write_text(heavier, encoding="utf-8")
    assert run(*words, "--no-figures", cwd=tmp_path).returncode == 0
    assert not (tmp_path / "r" / "figures").exists()
    assert (tmp_path / "r" / "notes.txt").read_text("utf-8") == "mine"


@pytest.mark.parametrize("command", ["strength", "explain", "uncertainty", "validate"])
def test_a_folder_of_another_command_is_refused_by_name(folder, command):
    study = () if command == "validate" else ("study.toml",)
    before = {p: p.read_bytes() for p in (folder / "results").rglob("*") if p.is_file()}
    done = run(command, *study, "--out", "results", cwd=folder)
    assert done.returncode == 2
    assert "results: holds results of momentshare compare" in done.stderr
    assert {p: p.read_bytes() for p in (folder / "results").rglob("*") if p.is_file()} == before


def test_a_place_that_cannot_hold_results_is_refused_before_solving(folder, tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    (tmp_path / "afile").write_text("x", encoding="utf-8")
    done = run("compare", "study.toml", "--out", "afile/sub", cwd=tmp_path)
    assert done.returncode == 2
    assert "is not a folder" in done.stderr


def test_validate_prints_scores_for_machines(tmp_path):
    done = run("validate", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    assert len(record["rows"]) >= 400
    for score in record["scores"]:
        assert 0 <= score["right"] <= score["rows"]
        assert 0.0 <= score["null"] <= 1.0


def test_validate_refuses_a_count_of_null_limbs_below_zero(tmp_path):
    done = run("validate", "--null-limbs", "-1", cwd=tmp_path)
    assert done.returncode == 2
    assert "--null-limbs" in done.stderr


def test_citations_follow_the_curves_that_ran(tmp_path):
    text = STUDY.replace("frames = 7", 'frames = 5\ncurves = "thelen2003"')
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("compare", "study.toml", "--out", "results", "--no-figures", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    record = json.loads((tmp_path / "results" / "run.json").read_text("utf-8"))
    assert "Thelen DG" in record["sources"]["thelen2003"]
    assert "@article{thelen2003," in (tmp_path / "results" / "sources.bib").read_text("utf-8")


COMMANDS = {
    "compare": ("--out", "out"),
    "strength": (),
    "explain": (),
    "uncertainty": ("--draws", "8", "--out", "out", "--workers", "1"),
}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("setting", "known"), [('scapula = "floating"', "resting"), ('curves = "Hill"', "thelen2003")]
)
def test_a_misspelt_setting_has_one_answer_in_every_command(tmp_path, command, setting, known):
    text = STUDY.replace("frames = 7", f"frames = 7\n{setting}")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run(command, "study.toml", *COMMANDS[command], cwd=tmp_path)
    field, value = setting.split(" = ")
    assert done.returncode == 2, done.stdout + done.stderr
    said = " ".join(done.stderr.split())
    assert f"study.toml: settings → {field}: unknown" in said
    assert value.strip('"') in said
    assert known in said
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("kept", ["true", "false"])
def test_explain_gives_the_glenoid_its_part_where_its_limit_is_kept(tmp_path, kept):
    text = STUDY.replace("frames = 7", f"frames = 7\nglenoid_constraint = {kept}")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("explain", "study.toml", "--out", "why", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(tmp_path / "why" / "drive_by_head.csv")
    assert ("part_glenoid" in table) == (kept == "true")
    parts = table[[c for c in table if c.startswith("part_")]].sum(axis=1)
    assert (parts - table["sum_of_parts"]).abs().max() < 1e-6


def test_people_and_conditions_are_chosen_by_name(folder):
    words = ("compare", "study.toml", "--out", "chosen", "--no-figures", "--quiet")
    done = run(*words, "--person", "Edda", "--condition", "dumbbells", cwd=folder)
    assert done.returncode == 0, done.stderr
    heads = pd.read_csv(folder / "chosen" / "heads.csv")
    assert set(heads["condition"]) == {"dumbbells"}
    every = pd.read_csv(folder / "results" / "heads.csv")
    pd.testing.assert_frame_equal(
        heads, every[every["condition"] == "dumbbells"].reset_index(drop=True)
    )
    record = json.loads((folder / "chosen" / "run.json").read_text("utf-8"))
    assert [c["name"] for c in record["conditions"]] == ["dumbbells"]
    for option, name, known in (("--person", "Eda", "Edda"), ("--condition", "dumbell", "dumbb")):
        wrong = run(*words, option, name, cwd=folder)
        assert wrong.returncode == 2
        assert name in wrong.stderr
        assert known in wrong.stderr
