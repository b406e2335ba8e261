"""``momentshare uncertainty`` end to end."""

import json
import os
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest

from momentshare.cli import main as cli
from momentshare.cli.uncertainty import uncertainty

STUDY = """
title = "Two presses"
[settings]
lateral = ["measured"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "bar 1.2"
exercise = "bar_press"
spacing_biacromial = 1.2
tuck_deg = 65
load_kg = 25
lateral_ratio = 0.0
[[condition]]
name = "bar 1.6"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = 65
load_kg = 25
lateral_ratio = 0.1
"""

ALONE = """
import sys
from momentshare.cli import main as cli
from momentshare.cli.uncertainty import uncertainty
names = [c.name or c.callback.__name__ for c in cli.app.registered_commands]
if "uncertainty" not in names:
    cli.app.command()(uncertainty)
if __name__ == "__main__":
    cli.main()
"""


@pytest.fixture
def run(monkeypatch, capsys, tmp_path):
    names = [c.name or c.callback.__name__ for c in cli.app.registered_commands]
    if "uncertainty" not in names:
        cli.app.command()(uncertainty)
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["momentshare", "uncertainty", *words])
        with pytest.raises(SystemExit) as end:
            cli.main()
        seen = capsys.readouterr()
        return end.value.code or 0, seen.out, seen.err

    return call


def test_tables_figures_and_summary_are_written(run, tmp_path):
    words = ["--draws", "10", "--frames", "5", "--workers", "1"]
    words += ["--trajectories", "2", "--sobol", "0", "--criterion", "p2", "--criterion", "p3"]
    code, out, err = run("study.toml", "--out", "u", *words)
    assert code == 0, err
    for wanted in ("measured", "p3", "Inputs that matter most", "spotter"):
        assert wanted in out
    table = pd.read_csv(tmp_path / "u" / "intervals.csv")
    assert set(table["criterion"]) == {"p2", "p3"}
    assert (table["low"] <= table["high"]).all()
    assert (table["draws"] == 10).all()
    record = json.loads((tmp_path / "u" / "summary.json").read_text("utf-8"))
    assert record["version"] == 2
    assert record["run"]["draws"] == 10
    assert record["assumptions"]
    for name in ("intervals", "condition_order", "head_order", "tornado"):
        assert (tmp_path / "u" / f"{name}.png").stat().st_size > 5_000
        assert (tmp_path / "u" / f"{name}.svg").exists()


def test_null_limbs_say_which_orders_any_limb_would_give(run, tmp_path):
    words = ["--draws", "10", "--frames", "5", "--workers", "1", "--trajectories", "0"]
    code, out, err = run("study.toml", "--out", "n", *words, "--null-limbs", "2", "--no-figures")
    assert code == 0, err
    table = pd.read_csv(tmp_path / "n" / "verdicts.csv")
    known = table["null_agree"].dropna()
    assert len(known)
    assert set(known) <= {0.0, 0.5, 1.0}
    if (table["verdict"] == "firm").any():
        assert "null limbs" in out
    # Draws that are there are summed up again, without null limbs.
    code, out, err = run("study.toml", "--out", "n", *words, "--no-figures")
    assert code == 0, err
    assert "null_agree" not in pd.read_csv(tmp_path / "n" / "verdicts.csv")
    code, out, err = run("study.toml", "--out", "n", *words, "--null-limbs", "-1")
    assert code == 2
    assert "--null-limbs" in err


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("--draws", "0"), "draws"),
        (("--draws", "1000000000000"), "draws"),
        (("--person", "Eda"), "Edda"),
        (("--condition", "bra"), "bar"),
        (("--criterion", "p4"), "criterion"),
        (("--sobol", "3"), "power of two"),
        (("--workers", "0"), "workers"),
        (("--spread-scale", "-1"), "scale"),
    ],
)
def test_wrong_input_is_one_message_with_code_2(run, tmp_path, words, wanted):
    code, _, err = run("study.toml", "--out", "u", *words)
    assert code == 2
    assert wanted in err
    assert "Traceback" not in err
    assert not (tmp_path / "u").exists()


def test_a_study_that_nobody_can_perform_is_an_answer_with_code_1(run, tmp_path):
    head = STUDY.partition("[[condition]]")[0]
    text = head + (
        '[[condition]]\nname = "too wide"\nexercise = "bar_press"\nspacing_cm = 150\n'
        "tuck_deg = 20\nload_kg = 25\nlateral_ratio = 0.1\n"
    )
    (tmp_path / "far.toml").write_text(text, encoding="utf-8")
    words = ["--draws", "8", "--frames", "5", "--workers", "1", "--trajectories", "0"]
    code, _, err = run("far.toml", "--out", "u", *words)
    assert code == 1
    assert "no condition can be performed in any draw (tables are in u)" in err
    assert "bring the hands closer" in err
    assert "and 5 more draws" in err  # eight draws, three reasons spelt out
    assert "Traceback" not in err
    failures = pd.read_csv(tmp_path / "u" / "failures.csv")
    assert failures[["draws", "failed"]].to_numpy().tolist() == [[8, 8]]


def test_a_draw_that_cannot_be_costs_the_draw_and_not_the_run(run, tmp_path):
    """A spread of the ratio that leads some draws beyond what a hand can push."""
    words = ["--draws", "8", "--frames", "5", "--workers", "1", "--trajectories", "0"]
    code, _, err = run("study.toml", "--out", "u", *words, "--ratio-spread", "0.7")
    assert code == 0, err
    table = pd.read_csv(tmp_path / "u" / "intervals.csv")
    assert (table["draws"] <= 8).all()
    assert table["draws"].max() > 0


def test_the_same_run_goes_on_and_another_is_refused(run, tmp_path):
    words = ["--draws", "4", "--frames", "5", "--workers", "1", "--trajectories", "0"]
    words += ["--no-figures", "--quiet"]
    assert run("study.toml", "--out", "u", *words)[0] == 0
    before = {p: p.read_bytes() for p in (tmp_path / "u").rglob("*") if p.is_file()}
    code, _, err = run("study.toml", "--out", "u", *words, "--seed", "9")
    assert code == 2
    assert "u: holds another run" in err
    assert "seed: the run has 1, asked for 9" in err
    assert run("study.toml", "--out", "u", *words)[0] == 0
    assert {p: p.read_bytes() for p in (tmp_path / "u").rglob("*") if p.is_file()} == before


def wait_for_a_chunk(process, folder):
    deadline = time.monotonic() + 60
    while not list((folder / "chunks").glob("draws-*.parquet")):
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.02)


@pytest.mark.slow
def test_a_killed_run_resumes_to_the_same_bytes(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    (tmp_path / "alone.py").write_text(ALONE, encoding="utf-8")
    words = [sys.executable, "alone.py", "uncertainty", "study.toml", "--draws", "64"]
    words += ["--frames", "11", "--workers", "2", "--trajectories", "0", "--no-figures", "--quiet"]
    started = subprocess.Popen([*words, "--out", "cut"], cwd=tmp_path, start_new_session=True)
    wait_for_a_chunk(started, tmp_path / "cut")
    os.killpg(started.pid, signal.SIGKILL)
    started.wait()
    kept = len(list((tmp_path / "cut" / "chunks").glob("draws-*.parquet")))
    assert kept < 4
    subprocess.run([*words, "--out", "cut"], cwd=tmp_path, check=True)
    subprocess.run([*words, "--out", "whole"], cwd=tmp_path, check=True)
    for name in ("intervals.csv", "condition_order.csv", "head_order.csv", "summary.json"):
        assert (tmp_path / "cut" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


@pytest.mark.slow
def test_an_interrupt_says_how_to_go_on(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    program = (
        "import signal\n"
        # A run in the background may have begun with interrupts ignored.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n" + ALONE
    )
    (tmp_path / "alone.py").write_text(program, encoding="utf-8")
    words = [sys.executable, "alone.py", "uncertainty", "study.toml", "--draws", "2000"]
    words += ["--frames", "11", "--workers", "2", "--trajectories", "0", "--quiet", "--out", "cut"]
    run = subprocess.Popen(
        words, cwd=tmp_path, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    wait_for_a_chunk(run, tmp_path / "cut")
    os.killpg(run.pid, signal.SIGINT)
    _, said = run.communicate(timeout=30)
    assert run.returncode == 130
    assert said == "stopped; finished chunks are in cut, run again to continue\n"
