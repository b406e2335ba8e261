"""``uncertainty`` and ``cohort --effects`` on the trials of a laboratory, read back from files."""

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
    assert "draws: wanted 1 to" in done.stderr
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
    assert "One switch at a time" in said
    assert "elastic tendon" in said
