"""No output contains people's names if a study asks for codes."""

import json
import pickle
from dataclasses import replace

import pandas as pd
import pytest
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.cohort.load import load_any, load_cohort, parse_cohort
from momentshare.errors import MomentshareError, StudyError
from momentshare.study import parse_study
from momentshare.study.pseudonyms import NO_PSEUDONYMS, Pseudonyms

ASKED = "[people]\npseudonyms = true\n"
STUDY = """
title = "Presses of Zwylla Quorn"
note = "Quorn came twice, Thjazi Vex once."
[settings]
frames = 5
lateral = ["measured"]
[[person]]
name = "Zwylla Quorn"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[person]]
name = "Thjazi Vex"
code = "S7"
sex = "male"
stature_cm = 181
body_mass_kg = 85
[[condition]]
name = "as Zwylla likes it"
exercise = "bar_press"
spacing_biacromial = 1.5
load_kg = 25
lateral_ratio = 0.1
"""
NAMES = ("zwylla", "quorn", "thjazi")


def with_codes(text):
    return f"{text}\n{ASKED}"


def run(*words):
    """Output of a command, run in this process."""
    done = CliRunner().invoke(app, [str(w) for w in words], catch_exceptions=True)
    told = done.output
    if isinstance(done.exception, MomentshareError):
        return done.exception.exit_code, told + str(done.exception)
    return done.exit_code, told


def leaks(folder, names=NAMES):
    """Files of a folder whose name or bytes hold a name, tables unpacked."""
    found = []
    for path in folder.rglob("*"):
        texts = [str(path.relative_to(folder)).encode()]
        if path.is_file():
            texts.append(path.read_bytes())
        if path.suffix == ".parquet":
            texts.append(pd.read_parquet(path).to_csv().encode())
        if any(name.encode() in text.lower() for name in names for text in texts):
            found.append(path.name)
    return sorted(found)


def test_no_byte_of_a_planned_run_holds_a_name(tmp_path):
    path = tmp_path / "zwylla.toml"
    path.write_text(with_codes(STUDY), encoding="utf-8")
    code, told = run("compare", path, "--out", tmp_path / "out", "--no-band")
    assert code == 0, told
    assert leaks(tmp_path / "out") == []
    heads = pd.read_csv(tmp_path / "out" / "heads_by_person.csv")
    assert set(heads["person"]) == {"P1", "S7"}
    assert set(heads["condition"]) == {"as P1 likes it"}
    record = json.loads((tmp_path / "out" / "run.json").read_text("utf-8"))
    assert record["title"] == "Presses of P1"
    assert record["note"] == "P1 came twice, S7 once."
    shown = told.replace(str(tmp_path), "").lower()
    assert not any(name in shown for name in NAMES)
    # The search itself: the same study without codes is full of names.
    path.write_text(STUDY.replace('code = "S7"\n', ""), encoding="utf-8")
    code, told = run("compare", path, "--out", tmp_path / "plain", "--no-figures", "--no-band")
    assert code == 0, told
    assert {"run.json", "manifest.json", "heads_by_person.csv", "frames.parquet"} <= set(
        leaks(tmp_path / "plain")
    )


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """An invented laboratory whose files are named after the person, capitals and all."""
    pytest.importorskip("ezc3d")
    from momentshare.demo.lab import write_lab

    folder = tmp_path_factory.mktemp("lab")
    place = write_lab(folder, people=1, repetitions=1)
    text = place.read_text("utf-8").replace("Ines", "Zwylla Quorn").replace("ines_", "ZWYLLA_")
    for path in (folder / "lab").iterdir():
        path.rename(path.with_name(path.name.replace("ines_", "ZWYLLA_")))
    text = text.replace("frames = 101 ", "frames = 11 ")
    text += "\n[statistics]\nsensitivity = false\n"
    place.write_text(text, encoding="utf-8")
    return place


def coded(lab):
    """The same study with codes, in a file beside it that has the person's name."""
    place = lab.with_name("Zwylla_coded.toml")
    place.write_text(with_codes(lab.read_text("utf-8")), encoding="utf-8")
    return place


def test_no_byte_of_a_cohort_holds_a_name(lab, tmp_path):
    place, out = coded(lab), tmp_path / "out"
    code, told = run("cohort", place, "--out", out, "--workers", "2")
    assert code == 0, told
    assert leaks(out) == []
    assert not any(name in told.lower().replace(str(tmp_path), "") for name in NAMES)
    trials = pd.read_csv(out / "trials.csv")
    assert set(trials["person"]) == {"P1"}
    assert all(trials["file"].str.startswith("lab/P1_"))
    assert (trials["verdict"] == "skipped").any()  # the broken file, told by its code
    code, told = run("check", place)
    assert code == 1
    assert not any(name in told.lower() for name in NAMES)
    # What holds names is not mixed with codes.
    code, told = run("cohort", lab, "--out", out)
    assert code == 2
    assert "holds trials with codes for people" in told


def test_a_person_is_chosen_by_name_or_by_code(lab):
    study = load_cohort(coded(lab))
    assert study.only(["Zwylla Quorn"]) == study.only(["P1"])
    planned = parse_study(with_codes(STUDY))
    assert [p.name for p in planned.only(["Thjazi Vex"]).file.person] == ["S7"]
    assert [p.name for p in planned.only(["S7"]).file.person] == ["S7"]


def test_nothing_of_a_study_knows_a_name_but_its_key(lab):
    for study in (load_any(coded(lab)), parse_study(with_codes(STUDY))):
        assert study.pseudonyms
        bare = replace(study, pseudonyms=NO_PSEUDONYMS)
        bare = replace(bare, on_disk={}) if hasattr(bare, "on_disk") else bare
        found = pickle.dumps(bare).lower()
        assert not any(name.encode() in found for name in NAMES)


def test_files_are_read_under_the_names_that_they_have(lab):
    study = load_cohort(coded(lab))
    named = {t.file for t in study.file.trial}
    assert all(name.startswith("lab/P1_") for name in named)
    assert all(study.path(name).exists() for name in named)
    assert all("ZWYLLA_" in study.path(name).name for name in named)


def test_labels_in_a_file_keep_the_name_of_their_person(lab):
    text = coded(lab).read_text("utf-8").replace("Zwylla Quorn", "Zwylla")
    name = load_cohort(coded(lab)).file.trial[0].layout
    text = text.replace(f'name = "{name}"', f'name = "{name}"\nlabel_prefix = "{{person}}:"', 1)
    study = parse_cohort(text, folder=lab.parent)
    assert study.layout(name, "P1").label_prefix == "Zwylla:"


def test_faults_of_a_study_name_no_person():
    text = with_codes(STUDY).replace("stature_cm = 168", "stature_cm = 1.68")
    with pytest.raises(StudyError, match=r"person\[1\] 'P1' → stature_cm") as raised:
        parse_study(text, "Zwylla.toml")
    assert not any(name in str(raised.value).lower() for name in NAMES)
    assert not any(name in fault.lower() for fault in raised.value.faults for name in NAMES)


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ((ASKED, ""), "'Thjazi Vex' → code: is for studies with people → pseud"),
        (('code = "S7"', 'code = "P1"'), r"person\[2\] → code: 'P1' stands for somebody else"),
        (("Thjazi Vex", "P2"), "is a code already"),
        (("pseudonyms = true", "pseudonyms = 1"), "must be true or false"),
        (("pseudonyms = true", "pseudonym = true"), "unknown field; did you mean 'pseudonyms'"),
    ],
)
def test_codes_that_cannot_be_are_refused(change, wanted):
    text = with_codes(STUDY)
    assert change[0] in text
    with pytest.raises(StudyError, match=wanted):
        parse_study(text.replace(*change))


def test_the_key_is_told_when_asked(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(with_codes(STUDY), encoding="utf-8")
    assert run("people", path) == (0, "code,name\nP1,Zwylla Quorn\nS7,Thjazi Vex\n")
    path.write_text(STUDY.replace('code = "S7"\n', ""), encoding="utf-8")
    code, told = run("people", path)
    assert code == 2
    assert "nobody has a code" in told


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Ann-Lis Berg presses", "P1 presses"),
        ("ann_lis_berg.c3d", "ann_lis_berg.c3d"),  # a text: capitals count
        ("Berg, bergamot, Bergen", "P1, bergamot, Bergen"),
        ("Bo and Bor", "P2 and Bor"),
        ("Lis Dahl", "P Dahl"),  # of two people
        ("S1, S12 and S1_2", "P3, S12 and P3_2"),
        ("an=lis.berg", "an=lis.berg"),
    ],
)
def test_whole_words_are_replaced(text, wanted):
    found = Pseudonyms({"Ann-Lis Berg": "P1", "Bo": "P2", "Eva Lis": "P3"}, {"S1": "P3"})
    assert found.text(text) == wanted


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("lab/ann_lis_berg_2.c3d", "lab/P1_2.c3d"),
        ("ANNLISBERG/bo1.csv", "P1/P2" + "1.csv"),
        ("bob.csv", "bob.csv"),
    ],
)
def test_names_of_files_are_replaced_whatever_their_capitals(name, wanted):
    assert Pseudonyms({"Ann-Lis Berg": "P1", "Bo": "P2"}).file(name) == wanted


def test_two_files_do_not_become_one():
    from momentshare.study.pseudonyms import renamed

    both = Pseudonyms({"Bo": "P1"})
    data, files = renamed({"trial": [{"file": "bo.csv"}, {"file": "Bo.csv"}]}, both)
    assert [t["file"] for t in data["trial"]] == ["P1.csv", "P1-2.csv"]
    assert files == {"P1.csv": "bo.csv", "P1-2.csv": "Bo.csv"}
