"""``momentshare cohort`` end to end, and its page in a real browser."""

import io
import json
import re
import shutil
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest
from tests import browser as chrome
from tests.browser import headless  # noqa: F401 - the fixture ``browser``

from momentshare.cli import main as cli
from momentshare.demo.lab import write_lab

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return write_lab(tmp_path_factory.mktemp("lab"), people=2, repetitions=1)


def command(*arguments):
    return [sys.executable, "-m", "momentshare", "cohort", *map(str, arguments)]


@pytest.fixture(scope="module")
def done(lab):
    out = lab.parent / "results"
    run = subprocess.run(
        command(lab, "--out", out, "--workers", 2), capture_output=True, text=True, check=False
    )
    return run, out


def test_it_ends_well_and_says_what_it_found(done):
    run, out = done
    assert run.returncode == 0, run.stderr
    assert "skipped lab/ines_broken_off.c3d" in run.stdout
    assert "is cut short" in run.stdout
    assert "spotter" in run.stdout
    assert str(out / "report.html") in run.stdout.replace("\n", "")
    assert "Traceback" not in run.stdout + run.stderr


def test_every_file_of_the_record_is_there_and_tidy(done):
    _, out = done
    record = json.loads((out / "run.json").read_text("utf-8"))
    assert record["files"]
    for name in record["files"]:
        assert (out / name).stat().st_size > 0, name
    for name in ("trials", "checks", "events", "heads", "contrasts", "omnibus", "curves_heads"):
        table = pd.read_csv(out / f"{name}.csv")
        assert not table.empty
        assert table.columns.is_unique
    trials = pd.read_csv(out / "trials.csv")
    assert list(trials["verdict"].isin(["pass", "warn", "fail", "skipped"])) == [True] * 7
    for name in ("speed", "moments", "head_forces", "lateral_ratio", "activation_by_head"):
        assert f"figures/{name}.png" in record["files"]
    for name in ("emg_agreement", "sensitivity", "arm"):
        assert f"figures/{name}.png" in record["files"]
    checks = pd.read_csv(out / "checks.csv")
    bad = checks[checks["verdict"].isin(["warn", "fail"])]["trial"]
    drawn = {int(n[-8:-4]) for n in record["files"] if "checks_trial" in n and n.endswith(".png")}
    assert drawn <= set(bad)
    assert ("figures/checks.png" in record["files"]) == (len(bad) > 0)


def test_trials_of_some_conditions_leave_what_was_kept_of_the_others(done, lab, tmp_path):
    _, first = done
    out = tmp_path / "results"
    shutil.copytree(first, out)
    kept = {p.name for p in (out / "trials").iterdir() if p.is_dir()}
    trials = pd.read_csv(first / "trials.csv")
    condition = trials.loc[trials["counted"], "condition"].iloc[0]
    words = ["--condition", condition, "--no-figures", "--workers", 1]
    run = subprocess.run(
        command(lab, "--out", out, *words), capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    own = pd.read_csv(out / "trials.csv")
    wanted = trials[trials["condition"] == condition]
    assert own["trial"].tolist() == wanted["trial"].tolist()
    assert len(own) < len(trials)
    assert set(pd.read_csv(out / "heads.csv")["condition"]) == {condition}
    assert {p.name for p in (out / "trials").iterdir() if p.is_dir()} == kept
    assert f"{wanted['counted'].sum()} trials were reused" in run.stdout


def test_the_record_holds_what_was_done(done):
    _, out = done
    record = json.loads((out / "run.json").read_text("utf-8"))
    trial = next(t for t in record["trials"] if t["trial"] == 1)
    assert trial["filter"]["landmarks_hz"] == 6.0
    assert trial["repetitions"][0]["sticking_region"] is True
    assert trial["digest"]
    assert record["methods"]
    assert "wuisb2005" in record["sources"]
    bibtex = (out / "sources.bib").read_text("utf-8")
    assert set(re.findall(r"@\w+\{([^,]+),", bibtex)) == set(record["sources"])


def test_the_page_states_every_setting(done, lab):
    _, out = done
    page = (out / "report.html").read_text("utf-8")
    for words in (
        "6 Hz",
        "Butterworth",
        "Wu et al. (2005)",
        "De Groote et al. (2016)",
        "Holm",
        "weight 1",
    ):
        assert words in page
    for words in ("spotter", "qualified clinician", "neither a diagnosis"):
        assert words in page
    assert "<script" not in page


def test_a_second_run_writes_the_same_page_and_takes_over_trials(done, lab):
    _, out = done
    before = (out / "report.html").read_bytes()
    started = time.monotonic()
    run = subprocess.run(
        command(lab, "--out", out, "--workers", 1), capture_output=True, text=True, check=True
    )
    assert "6 trials were reused" in run.stdout.replace("\n", " ")
    assert time.monotonic() - started < 300.0
    assert (out / "report.html").read_bytes() == before


@pytest.mark.parametrize("size", [chrome.PHONE, chrome.DESKTOP])
def test_the_page_opens_without_a_fault(done, browser, size):
    _, out = done
    page = out / "report.html"
    chrome.open_page(browser, page, size)
    assert chrome.console_faults(browser) == []
    widths = chrome.image_widths(browser)
    assert len(widths) == page.read_text("utf-8").count("<img ")
    assert len(widths) >= 10
    assert min(widths) > 0
    assert chrome.sideways(browser) <= 1
    assert all(url.startswith(("file:", "data:")) for url in chrome.requests_made(browser))


def test_the_page_prints(done, browser):
    _, out = done
    chrome.open_page(browser, out / "report.html", chrome.DESKTOP)
    data = chrome.print_pdf(browser)
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(data)).pages
    assert 8 <= len(pages) <= 80
    text = " ".join(page.extract_text() for page in pages)
    assert "Methods" in text
    assert "Cautions" in text


def test_a_killed_run_loses_only_the_trials_in_hand(lab, tmp_path):
    out = tmp_path / "results"
    process = subprocess.Popen(
        command(lab, "--out", out, "--workers", 1, "--no-figures"),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 120.0
    while len(list(out.glob("trials/0*/trial.json"))) < 3 and time.monotonic() < deadline:
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    kept = sorted(p.parent.name for p in out.glob("trials/0*/trial.json"))
    assert len(kept) >= 3
    stamps = {n: (out / "trials" / n / "trial.json").stat().st_mtime_ns for n in kept}
    run = subprocess.run(
        command(lab, "--out", out, "--workers", 1, "--no-figures"),
        capture_output=True,
        text=True,
        check=True,
    )
    good = [n for n in kept if n != "0002"]  # the broken file is tried again
    assert f"{len(good)} trials were reused" in run.stdout.replace("\n", " ")
    for name in good:
        assert (out / "trials" / name / "trial.json").stat().st_mtime_ns == stamps[name]
    assert not (out / ".momentshare").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("title = 3", "title"),
        ('title = "t"\nperson = []', "person"),
    ],
)
def test_a_bad_study_ends_with_code_2(tmp_path, capsys, monkeypatch, text, words):
    place = tmp_path / "study.toml"
    place.write_text(text, encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["momentshare", "cohort", str(place), "--out", "out"])
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as caught:
        cli.main()
    assert caught.value.code == 2
    message = capsys.readouterr().err
    assert words in message
    assert "study.toml" in message
    assert not (tmp_path / "out").exists()


def test_a_published_table_alone_gives_heads(lab, tmp_path):
    (tmp_path / "study.toml").write_text(
        'title = "Only a table"\n[[person]]\nname = "A"\nsex = "male"\nstature_cm = 180\n'
        'body_mass_kg = 80\n[[published]]\nperson = "A"\n'
        f"file = '{lab.parent / 'lab' / 'published_invented.csv'}'\n",
        encoding="utf-8",
    )
    run = subprocess.run(
        command(tmp_path / "study.toml", "--out", tmp_path / "out"),
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    heads = pd.read_csv(tmp_path / "out" / "published_1_heads.csv")
    assert set(heads["condition"]) == {"narrow", "medium", "wide"}
    assert (heads["activation_low"] <= heads["activation_median"] + 1e-9).all()
    assert (heads["activation_median"] <= heads["activation_high"] + 1e-9).all()
    assert "Published tables" in (tmp_path / "out" / "report.html").read_text("utf-8")


def test_a_bad_published_table_shows_before_any_trial_is_solved(lab, tmp_path):
    (tmp_path / "table.csv").write_text("condition,point\nc,p\n", encoding="utf-8")
    text = lab.read_text("utf-8").replace("lab/published_invented.csv", str(tmp_path / "table.csv"))
    study = lab.parent / "other.toml"
    study.write_text(text, encoding="utf-8")
    run = subprocess.run(
        command(study, "--out", tmp_path / "out"), capture_output=True, text=True, check=False
    )
    assert run.returncode == 2
    assert "table.csv" in run.stderr
    assert "Traceback" not in run.stderr
    assert not list((tmp_path / "out").glob("trials/0*"))
