"""``uncertainty`` and ``cohort --effects`` on the trials of a laboratory, read back from files."""

import json
import subprocess
import sys

import pandas as pd
import pytest

from momentshare.demo.lab import write_lab

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")

CHOSEN = ("--condition", "wide", "--condition", "narrow", "--no-figures")
KEYS = ["condition", "lateral", "head"]


def run(*words, cwd):
    return subprocess.run(
        [sys.executable, "-m", "momentshare", *words],
        cwd=cwd, capture_output=True, text=True, check=False,
    )  # fmt: skip


TABLE = """condition,point,n,shoulder_horizontal_adduction_nm,shoulder_horizontal_adduction_sd_nm,\
elbow_extension_nm,elbow_extension_sd_nm,plane_deg,elevation_deg,axial_deg,elbow_flexion_deg,\
forearm_rotation_deg,source,known
narrow,low,10,17,3,20,2,15,63,8,113,110,someone,invented
narrow,high,10,12,3,15,2,15,75,5,60,110,someone,invented
wide,low,10,26,3,20,2,5,75,1,106,105,someone,invented
"""
ALONE = """
title = "Only a table"
[[person]]
name = "Ines"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[published]]
file = "table.csv"
person = "Ines"
"""


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    place = write_lab(tmp_path_factory.mktemp("lab"), people=2, repetitions=2)
    text = (
        place.read_text("utf-8").split("[[published]]")[0].replace("frames = 101 ", "frames = 21 ")
    )
    place.write_text(text + "\n[statistics]\nsensitivity = false\n", encoding="utf-8")
    done = run("cohort", "cohort.toml", "--out", "c", "--effects", *CHOSEN, cwd=place.parent)
    assert done.returncode == 0, done.stderr
    (place.parent / "cohort.txt").write_text(done.stdout, encoding="utf-8")
    return place.parent


@pytest.fixture(scope="module")
def heads(lab):
    return pd.read_csv(lab / "c" / "heads.csv").set_index(KEYS)["mean_activation_mean"]


def test_without_spread_the_intervals_are_the_cohort_itself(lab, heads):
    words = ("--draws", "1", "--frames", "21", "--trajectories", "0", "--spread-scale", "0")
    done = run("uncertainty", "cohort.toml", "--out", "u", *words, *CHOSEN, cwd=lab)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(lab / "u" / "intervals.csv")
    whole = table[
        (table["person"] == "mean over people") & (table["measure"] == "mean_activation")
    ].set_index(KEYS)["median"]
    assert len(whole) == len(heads) == 2 * 3 * heads.index.get_level_values("head").nunique()
    for key, value in heads.items():
        assert whole[key] == pytest.approx(value, abs=2e-5), key


def test_a_trial_that_cannot_be_used_is_named_and_left_out(lab):
    done = run(
        "uncertainty", "cohort.toml", "--out", "v", "--draws", "4", "--frames", "21",
        "--trajectories", "0", "--no-figures", "--condition", "narrow", cwd=lab,
    )  # fmt: skip
    assert "skipped lab/ines_broken_off.c3d: is cut short" in " ".join(done.stdout.split())
    assert done.returncode == 0, done.stderr


def test_a_person_left_without_a_condition_is_refused_by_name(lab):
    text = (lab / "cohort.toml").read_text("utf-8")
    head, *trials = text.split("[[trial]]")
    less = head + "".join("[[trial]]" + t for t in trials if "runa_wide" not in t)
    (lab / "less.toml").write_text(less, encoding="utf-8")
    done = run("uncertainty", "less.toml", "--out", "w", "--draws", "4", *CHOSEN, cwd=lab)
    assert done.returncode == 2
    assert "'Runa' has no lift of 'wide'" in done.stderr
    assert not (lab / "w").exists()


def test_wrong_options_show_before_any_trial_is_read(lab):
    done = run("uncertainty", "cohort.toml", "--out", "x", "--draws", "0", cwd=lab)
    assert done.returncode == 2
    assert "draws: must be between 1 and" in done.stderr
    assert "skipped" not in done.stdout


def test_effects_begin_from_the_cohort_itself_and_are_printed(lab, heads):
    table = pd.read_csv(lab / "c" / "effects_heads.csv")
    for switch, part in table.groupby("switch"):
        own = part.set_index(KEYS)
        assert set(own.index) <= set(heads.index)
        for key, value in own["mean_activation"].items():
            assert value == pytest.approx(heads[key], abs=2e-5), (switch, key)
    wanted = table["mean_activation_changed"] - table["mean_activation"]
    assert table["difference"].to_numpy() == pytest.approx(wanted.to_numpy(), abs=2e-7)
    assert (table.groupby("switch")["difference"].agg(lambda d: d.abs().max()) > 1e-4).all()
    said = (lab / "cohort.txt").read_text("utf-8")
    assert "One change at a time" in said
    assert "elastic tendon" in said


def test_published_tables_have_uncertainty_and_effects_of_their_own(tmp_path):
    (tmp_path / "table.csv").write_text(TABLE, encoding="utf-8")
    (tmp_path / "study.toml").write_text(ALONE, encoding="utf-8")
    words = ("--draws", "12", "--trajectories", "2", "--sobol", "0", "--no-figures")
    done = run("uncertainty", "study.toml", "--out", "u", *words, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(tmp_path / "u" / "intervals.csv")
    assert set(table["condition"]) == {"narrow", "wide"}
    assert (table["draws"] == 12).all()
    ranking = pd.read_csv(tmp_path / "u" / "ranking.csv")
    assert "published_moments" in set(ranking["family"])
    assert not {"hand_force", "lateral_ratio"} & set(ranking["family"])
    assert "published moments" in done.stdout
    some = run(
        "uncertainty", "study.toml", "--out", "v", "--condition", "wde", *words, cwd=tmp_path
    )
    assert some.returncode == 2
    assert "did you mean 'wide'" in some.stderr
    cohort = run("cohort", "study.toml", "--out", "c", "--effects", "--no-figures", cwd=tmp_path)
    assert cohort.returncode == 0, cohort.stderr
    effects = pd.read_csv(tmp_path / "c" / "published_effects_heads.csv")
    heads = pd.read_csv(tmp_path / "c" / "published_1_heads.csv")
    # One condition has one point only, so its mean is the answer there.
    wide = heads[heads["condition"] == "wide"].set_index("head")["activation"]
    for switch, part in effects[effects["condition"] == "wide"].groupby("switch"):
        for head, value in part.set_index("head")["mean_activation"].items():
            assert value == pytest.approx(wide[head], abs=2e-6), (switch, head)
    assert "published tables" in cohort.stdout


def test_a_planned_study_has_no_published_table(tmp_path):
    text = ALONE.split("[[published]]", maxsplit=1)[0] + (
        '[[condition]]\nname = "c"\nexercise = "bar_press"\nspacing_biacromial = 1.4\n'
        "tuck_deg = 60\nload_kg = 20\n"
    )
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("uncertainty", "study.toml", "--out", "u", "--published", cwd=tmp_path)
    assert done.returncode == 2
    assert "--published: study.toml holds no published table" in done.stderr


# ------------------------------------------------------------------ explain and strength


def first_wide(lab, name):
    """Table of the cohort for the first repetition of the first person's wide trial."""
    table = pd.read_parquet(lab / "c" / f"{name}.parquet")
    part = table[(table["person"] == "Ines") & (table["condition"] == "wide")]
    return part[(part["trial"] == part["trial"].min()) & (part["repetition"] == 1)]


def test_explain_begins_from_the_answer_of_the_trial(lab):
    head = "pectoralis_major/clavicular"
    words = ("--person", "Ines", "--condition", "wide", "--head", head, "--height", "0", "--json")
    done = run("explain", "cohort.toml", *words, "--no-figures", cwd=lab)
    assert done.returncode == 0, done.stderr
    (found,) = json.loads(done.stdout)["heads"]
    frames = first_wide(lab, "frames")
    own = frames[
        (frames["lateral"] == "measured") & (frames["head"] == head) & (frames["frame"] == 0)
    ].iloc[0]
    assert found["frame"] == 0
    assert found["lateral"] == "measured"
    assert found["activation"] == pytest.approx(own["activation"], abs=1e-6)
    assert found["force_n"] == pytest.approx(own["force_n"], abs=1e-3)


def test_explain_sets_conditions_of_a_trial_against_each_other(lab):
    words = ("--condition", "wide", "--against", "narrow", "--repetition", "2", "--draws", "2")
    done = run("explain", "cohort.toml", *words, "--no-figures", "--out", "apart", cwd=lab)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(lab / "apart" / "difference.csv")
    by = [c for c in table if c.startswith("activation_by_")]
    gap = table["activation_first"] - table["activation_second"]
    assert len(by) == 4
    assert (table[by].sum(axis=1) - gap).abs().max() < 1e-6
    assert gap.abs().max() > 0.01
    record = json.loads((lab / "apart" / "explain.json").read_text("utf-8"))
    assert record["difference"]["conditions"] == ["wide", "narrow"]
    assert record["difference"]["draws"] == 2
    wrong = run("explain", "cohort.toml", "--against", "narow", cwd=lab)
    assert wrong.returncode == 2
    assert "narow" in wrong.stderr
    assert "narrow" in wrong.stderr


def test_a_repetition_that_is_not_there_is_refused_by_name(lab):
    for command in ("explain", "strength"):
        done = run(command, "cohort.toml", "--condition", "wide", "--repetition", "9", cwd=lab)
        assert done.returncode == 2
        assert "--repetition: must be between 1 and 2; got 9" in done.stderr


def test_strength_uses_the_moments_of_the_trial(lab):
    words = ("--person", "Ines", "--condition", "wide", "--frames", "21", "--no-figures")
    done = run("strength", "cohort.toml", "--out", "s", *words, "--task-mode", "lift", cwd=lab)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(lab / "s" / "utilisation_along_lift.csv")
    table = table[table["others"] == "braced"].set_index(["lateral", "row", "frame"])
    moments = first_wide(lab, "moments")
    count = 0
    for line in moments.to_dict("records"):
        key = (line["lateral"], line["row"], line["frame"])
        if key in table.index:
            assert table.loc[key, "moment_nm"] == pytest.approx(line["moment_nm"], abs=2e-3)
            count += 1
    assert count == len(table) == 3 * 4 * 21


def test_what_strength_and_explain_cannot_do_with_a_cohort_they_refuse_by_name(lab, tmp_path):
    (lab / "moments.csv").write_text("condition,row,moment_nm\n", encoding="utf-8")
    done = run("strength", "cohort.toml", "--moments", "moments.csv", cwd=lab)
    assert done.returncode == 2
    assert "--moments: cohort.toml holds measured trials" in done.stderr
    (tmp_path / "table.csv").write_text(TABLE, encoding="utf-8")
    text = ALONE + '[[condition]]\nname = "wide"\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("explain", "study.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert "explain takes a planned study or measured trials" in " ".join(done.stderr.split())
