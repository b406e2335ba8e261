"""``momentshare strength`` end to end, in one process."""

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from tests.report.page_reader import PageReader

from momentshare.cli import main as cli
from momentshare.cli.strength import strength

STUDY = """
title = "Two presses"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.5
tuck_deg = 65
load_kg = 25
lateral_ratio = 0.1
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
load_kg = 20
"""


@pytest.fixture
def run(monkeypatch, capsys, tmp_path):
    names = [c.name or c.callback.__name__ for c in cli.app.registered_commands]
    if "strength" not in names:
        cli.app.command()(strength)
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["momentshare", "strength", *words])
        with pytest.raises(SystemExit) as end:
            cli.main()
        seen = capsys.readouterr()
        return end.value.code or 0, seen.out, seen.err

    return call


def test_tables_hold_both_definitions_and_the_bias(run, tmp_path):
    code, out, err = run("study.toml", "--out", "s", "--frames", "5")
    assert code == 0, err
    assert "balanced" in out
    lines = pd.read_csv(tmp_path / "s" / "utilisation_along_lift.csv")
    assert set(lines["others"]) == {"braced", "balanced"}
    ratio = lines["utilisation_tested"] / lines["utilisation_here"]
    good = (lines["moment_nm"].abs() > 1e-6) & ratio.notna()
    np.testing.assert_allclose(ratio[good], lines["test_posture_bias"][good], rtol=1e-5)
    assert good.mean() > 0.9
    record = json.loads((tmp_path / "s" / "strength.json").read_text("utf-8"))
    assert record["version"] == 2
    assert record["test"]["mode"] == "isometric"
    for name in ("strength_curves", "utilisation_along_lift", "test_posture_bias"):
        assert (tmp_path / "s" / f"{name}.png").stat().st_size > 10_000
        assert (tmp_path / "s" / f"{name}.svg").exists()


def test_moments_at_a_height_take_the_posture_of_the_study(run, tmp_path):
    (tmp_path / "m.csv").write_text(
        "condition,row,moment_nm,measured_nm,height_fraction\nbar,elbow_extension,20,45,0.4\n",
        encoding="utf-8",
    )
    code, out, err = run("study.toml", "--moments", "m.csv", "--json", "--out", "s")
    assert code == 0, err
    found = json.loads(out)
    first = found["corrected_utilisation"][0]
    assert first["corrected_utilisation"] == pytest.approx(
        20 / 45 / first["test_posture_bias"], rel=1e-6
    )
    assert (tmp_path / "s" / "corrected_utilisation.png").exists()


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("study.toml", "--test-mode", "slow"), "mode"),
        (("study.toml", "--task-mode", "lift"), "duration_s"),
        (("study.toml", "--person", "Eda"), "Edda"),
        (("study.toml", "--moments", "none.csv"), "none.csv"),
        (("stdy.toml",), "study.toml"),
    ],
)
def test_wrong_input_is_one_message_with_code_2(run, tmp_path, words, wanted):
    code, _, err = run(*words, "--out", "s")
    assert code == 2
    assert wanted in err
    assert "Traceback" not in err
    assert not (tmp_path / "s").exists()


def test_a_bad_moment_names_file_row_field_and_value(run, tmp_path):
    (tmp_path / "m.csv").write_text(
        "condition,row,moment_nm,height_fraction\nbar,elbow_extension,2e9,0.4\n", encoding="utf-8"
    )
    code, _, err = run("study.toml", "--moments", "m.csv")
    assert code == 2
    for wanted in ("m.csv", "row 2", "moment_nm", "2e9"):
        assert wanted in err


def test_a_moment_is_printed_in_its_direction_without_a_sign(run, tmp_path):
    (tmp_path / "m.csv").write_text(
        "condition,row,moment_nm,height_fraction\n"
        "bar,shoulder_elevation,-9.25,0.4\nbar,elbow_extension,20,0.4\n",
        encoding="utf-8",
    )
    code, out, err = run("study.toml", "--moments", "m.csv", "--out", "s")
    assert code == 0, err
    assert "lowering of the arm" in out
    assert "9.25" in out
    assert "-9.25" not in out
    assert "shoulder_elevation" not in out


def test_published_rows_that_bear_on_the_bias_are_named(run, tmp_path):
    code, out, err = run("study.toml", "--frames", "5", "--out", "s", "--no-figures")
    assert code == 0, err
    said = " ".join(out.split())
    rows = pd.read_csv(tmp_path / "s" / "published_rows.csv")
    missed = rows[~rows["right"]]
    assert f"Of {len(rows)} published rows on strength in these directions the limb misses " in said
    assert f"misses {len(missed)}; {int(missed['compares'].sum())} of them compare" in said
    shown = missed[missed["compares"]]["quantity"].head(8)
    assert len(shown)
    assert all(name in said for name in shown)
    used = set(pd.read_csv(tmp_path / "s" / "utilisation.csv")["direction"].dropna())
    assert set(rows["about"]) <= used
    record = json.loads((tmp_path / "s" / "strength.json").read_text("utf-8"))
    assert len(record["published_rows"]) == len(rows)


def test_the_page_names_directions_with_sizes_and_no_signed_row(run, tmp_path):
    code, _, err = run("study.toml", "--frames", "5", "--out", "s", "--no-figures")
    assert code == 0, err
    page = PageReader((tmp_path / "s" / "report.html").read_text("utf-8"))
    table = page.table("Utilisation where it is greatest")
    written = pd.read_csv(tmp_path / "s" / "utilisation.csv")
    assert (written["moment_nm"] < 0.0).any()
    rows = table.records()
    assert len(rows) == min(len(written), 40)
    assert "row" not in rows[0]
    assert "direction" in rows[0]
    assert not any("\N{MINUS SIGN}" in cells["moment [N·m]"] for cells in rows)


def test_a_reader_that_leaves_loses_no_result(tmp_path):
    """``momentshare strength … | head`` once wrote nothing and ended with code 1."""
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    run = subprocess.Popen(
        [
            sys.executable, "-m", "momentshare", "strength", "study.toml", "--person", "Edda",
            "--condition", "bar", "--no-figures", "--out", "found",
        ],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    run.stdout.close()  # before the first line is printed
    said = run.stderr.read()
    run.stderr.close()
    assert run.wait(timeout=400) == 0, said
    assert b"Broken" not in said
    assert (tmp_path / "found" / "utilisation.csv").stat().st_size > 100
    assert (tmp_path / "found" / "report.html").stat().st_size > 1000
