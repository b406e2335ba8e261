"""A study in small files says the same as one written out; every fault names its place."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests import bench_lab
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.cohort.check import TrialCheck, check_trials
from momentshare.cohort.electromyograms import LEFT_OUT
from momentshare.cohort.expand import expanded
from momentshare.cohort.load import load_cohort, parse_cohort
from momentshare.cohort.measured import trial_recording
from momentshare.cohort.schema import TrialEntry
from momentshare.errors import InputError, StudyError

FIELDS = list(TrialEntry.model_fields)
LABELS = {
    "ij": "IJ", "px": "PX",
    **{f"{s}_{n}": f"{s[0].upper()}{n.upper()}" for s in ("right", "left")
       for n in ("acromion", "el", "em", "rs", "us", "grip")},
    "bar_right": "BARR", "bar_left": "BARL",
}  # fmt: skip

STUDY = """
title = "A bench in small files"
people = "people.csv"
trials = "trials.csv"

[settings]
frames = 21
lateral = ["measured"]

[statistics]
sensitivity = false

[[layout]]
name = "capture"
up = "+y"
right = "+z"
force_on = "hand"
delimiter = ","
time_column = "time"
units = { markers = "m", forces = "N" }
label_prefix = "{person}:"

[layout.markers]
MARKERS

[layout.forces]
right_hand_force = "FR"
left_hand_force = "FL"

[[layout]]
name = "no acromia"
based_on = "capture"
places = { joint_centre = "trunk" }

[[condition]]
name = "narrow"

[[condition]]
name = "wide"
file_label = "w"

[[files]]
pattern = "data/{person}/{condition}_{take}.csv"
layout = "capture"
"""


def write_bench(folder, people=2, takes=2):
    """Write CSV files of the bench, a prefix before each label, and a study of few lines."""
    markers = "\n".join(f'{role} = "{label}"' for role, label in LABELS.items())
    (folder / "study.toml").write_text(STUDY.replace("MARKERS", markers), encoding="utf-8")
    lifters = bench_lab.lifters(people, 0)
    (folder / "people.csv").write_text(
        "name,sex,stature_cm,body_mass_kg,file_label\n"
        + "".join(
            f"{p.name},{p.sex},{100 * p.stature:.1f},{p.mass},S{k + 1}\n"
            for k, p in enumerate(lifters)
        ),
        encoding="utf-8",
    )
    rows = ["person,condition,load_kg,take,use,reason"]
    for k, lifter in enumerate(lifters):
        for grip, label in (("narrow", "narrow"), ("wide", "w")):
            rows.append(f"{lifter.name},{grip},{lifter.load},,,")
            for take in range(1, takes + 1):
                seed = 100 * k + 10 * take + len(grip)
                truth = bench_lab.press(lifter, grip, seed, repetitions=1)
                place = folder / "data" / f"S{k + 1}" / f"{label}_{take}.csv"
                place.parent.mkdir(parents=True, exist_ok=True)
                table(bench_lab.seen(truth, seed), f"S{k + 1}:").to_csv(place, index=False)
    rows.append(f'{lifters[0].name},wide,,2,false,"slipped, and stopped"')
    (folder / "trials.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder / "study.toml"


def table(recording, prefix):
    count = len(recording.channels["right_el"].values)
    time = np.arange(count) / bench_lab.RATE
    columns = {"time": time}
    for role, channel in recording.channels.items():
        name = prefix + LABELS[role] if role in LABELS else {"r": "FR", "l": "FL"}[role[0]]
        values = channel.values  # noqa: PD011 - no table
        if role not in LABELS:
            own = np.arange(len(values)) / bench_lab.FORCE_RATE
            values = np.stack([np.interp(time, own, part) for part in values.T], axis=-1)
        columns |= {f"{name}_{a}": values[:, k] for k, a in enumerate("xyz")}
    return pd.DataFrame(columns).round(6)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return write_bench(tmp_path_factory.mktemp("bench"))


def test_files_by_pattern_are_trials_with_the_rest_from_the_table(bench):
    study = load_cohort(bench)
    lifters = bench_lab.lifters(2, 0)
    assert [p.name for p in study.file.person] == ["P01", "P02"]
    assert len(study.file.trial) == 8
    first = study.file.trial[0]
    assert (first.person, first.condition, first.file) == ("P01", "narrow", "data/S1/narrow_1.csv")
    assert first.load_kg == lifters[0].load
    out = [t for t in study.file.trial if not t.use]
    assert [(t.file, t.reason) for t in out] == [("data/S1/w_2.csv", "slipped, and stopped")]
    assert study.layout("capture", "P02").label_prefix == "S2:"


def test_a_layout_takes_over_what_it_is_based_on(bench):
    study = load_cohort(bench)
    base, own = study.layout("capture"), study.layout("no acromia")
    assert own.markers == base.markers
    assert (own.places.joint_centre, base.places.joint_centre) == ("trunk", "auto")


def test_48_files_need_fewer_than_80_lines(tmp_path):
    lifters = bench_lab.lifters(12, 0)
    markers = "\n".join(f'{role} = "{label}"' for role, label in LABELS.items())
    text = STUDY.replace("MARKERS", markers)
    text += "\n".join(f'[[condition]]\nname = "{g}"' for g in ("medium", "widest"))
    text += '\n[[maximal]]\npattern = "data/{person}/maximal_*.csv"\nlayout = "emg"\n'
    text += '\n[[layout]]\nname = "emg"\nformat = "csv"\ndelimiter = ","\ntime_column = "time"\n'
    text += 'units = { emg = "mV" }\nemg = { "triceps_brachii/lateral" = "E1" }\n'
    (tmp_path / "people.csv").write_text(
        "name,sex,stature_cm,body_mass_kg\n"
        + "".join(f"{p.name},{p.sex},{100 * p.stature:.1f},{p.mass}\n" for p in lifters)
    )
    rows = ["person,condition,load_kg"]
    for p in lifters:
        (tmp_path / "data" / p.name).mkdir(parents=True)
        for grip in ("narrow", "medium", "w", "widest"):
            (tmp_path / "data" / p.name / f"{grip}_1.csv").write_text("")
            rows.append(f"{p.name},{'wide' if grip == 'w' else grip},{p.load}")
        for n in (1, 2):
            (tmp_path / "data" / p.name / f"maximal_{n}.csv").write_text("")
    (tmp_path / "trials.csv").write_text("\n".join(rows))
    study = parse_cohort(text, "study.toml", tmp_path)
    assert len(study.file.trial) == 48
    assert len(study.file.maximal_contraction) == 12
    assert study.file.maximal_contraction[0].files == [
        "data/P01/maximal_1.csv", "data/P01/maximal_2.csv",
    ]  # fmt: skip
    assert sum(bool(line.strip()) for line in text.splitlines()) < 80


def test_check_reads_everything_and_solves_nothing(bench, monkeypatch):
    import momentshare.cohort.solve as solving

    def never(*_args, **_options):
        raise AssertionError("a trial was solved")

    monkeypatch.setattr(solving, "solve_setup", never)
    found = list(check_trials(load_cohort(bench)))
    assert [item.repetitions for item in found if item.used] == [1] * 7
    assert {item.verdict for item in found if item.used} <= {"pass", "warn"}
    assert [item.fault for item in found if not item.used] == ["not used: slipped, and stopped"]
    notes = " ".join(found[0].notes)
    assert "follows the acromion" in notes


def test_the_command_says_each_message_once_with_its_trials(bench, tmp_path):
    broken = tmp_path / "bench"
    shutil.copytree(bench.parent, broken)
    (broken / "data" / "S2" / "narrow_1.csv").write_text("time\n", encoding="utf-8")
    good = CliRunner().invoke(app, ["check", str(bench)])
    assert good.exit_code == 0, good.output
    assert "7 of 8 trials can be used" in good.output
    bad = CliRunner().invoke(app, ["check", str(broken / "study.toml")])
    assert bad.exit_code == 1
    assert "6 of 8 trials can be used" in bad.output
    assert bad.output.count("slipped, and stopped") == 1


def test_a_note_on_many_signals_is_one_line():
    from momentshare.cli.check import _notes

    same = "the file states no unit; mm is taken from the layout"
    first = TrialCheck(
        number=5, person="A", condition="a", file="a.csv",
        notes=(
            f"a.csv: ij ('IJ_x', 'IJ_y'): {same}",
            *(f"a.csv: m{k} ('M'): {same}" for k in range(9)),
            "deltoid/clavicular: 1.8 % of the samples exceed the maximal contraction",
            "a.csv: emg/anconeus ('E'): the file states no unit; mV is taken from the layout",
        ),
    )  # fmt: skip
    second = replace(first, number=6, file="b.csv", notes=(f"b.csv: ij ('IJ'): {same}", "Plain."))
    assert _notes([first, second]) == [
        (f"ij, m0, m1, m2, m3, m4 and 4 more: {same}", [5, 6]),
        (first.notes[-2], [5]),
        (first.notes[-1], [5]),
        ("Plain.", [6]),
    ]


# ------------------------------------------------------------------ faults


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("people.csv", "stature_cm", "statur_cm", "people.csv: unknown column 'statur_cm'"),
        ("people.csv", "P02,", "P02,,", "people.csv: row 3: 6 cells"),
        ("people.csv", "S2", "S9", "is of person 'S2', which is not described"),
        ("people.csv", "female", "woman", "sex"),
        ("study.toml", "{take}.csv", "{take}.dat", "fits no file"),
        ("study.toml", 'based_on = "capture"', 'based_on = "capture2"', "unknown 'capture2'"),
        (
            "study.toml",
            'layout = "capture"',
            'layot = "capture"',
            r"files\[1\] → layout: is missing",
        ),
        ("trials.csv", "take", "tak", "trials.csv: unknown column 'tak'"),
        ("study.toml", 'people = "people.csv"', 'people = "none.csv"', "none.csv"),
    ],
)
def test_faults_name_file_and_place(bench, tmp_path, name, old, new, words):
    place = tmp_path / "copy"
    shutil.copytree(bench.parent, place)
    path = place / name
    text = path.read_text("utf-8")
    if (name, old) == ("people.csv", "female"):
        text, old = text.replace("male", "female"), "female"
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(StudyError, match=words):
        load_cohort(place / "study.toml")


def test_layouts_based_on_each_other_without_end_are_a_fault(bench, tmp_path):
    """Two thousand layouts in a chain were a traceback."""
    place = tmp_path / "copy"
    shutil.copytree(bench.parent, place)
    chain = '\n[[layout]]\nname = "L0"\nformat = "c3d"\n' + "".join(
        f'\n[[layout]]\nname = "L{k}"\nbased_on = "L{k - 1}"\n' for k in range(1, 2000)
    )
    with (place / "study.toml").open("a", encoding="utf-8") as file:
        file.write(chain)
    with pytest.raises(StudyError, match="is based on more than 20 layouts in turn"):
        load_cohort(place / "study.toml")


def test_tables_within_tables_without_end_are_a_fault(bench, tmp_path):
    """A key of 5,000 parts in two layouts of which one is based on the other was a traceback."""
    place = tmp_path / "copy"
    shutil.copytree(bench.parent, place)
    deep = "markers." + ".".join(["a"] * 5000) + ' = "x"\n'
    with (place / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[[layout]]\nname = "X"\nformat = "c3d"\n{deep}')
        file.write(f'\n[[layout]]\nname = "Y"\nbased_on = "X"\n{deep}')
    with pytest.raises(StudyError, match="A key has more than 64 parts"):
        load_cohort(place / "study.toml")


def test_semicolons_and_decimal_commas_of_spreadsheets(tmp_path):
    (tmp_path / "p.csv").write_text("name;sex;stature_cm;body_mass_kg\nA;male;181,5;80\n")
    data, faults = expanded({"people": "p.csv"}, tmp_path, FIELDS)
    assert faults == []
    assert data["person"] == [{"name": "A", "sex": "male", "stature_cm": 181.5, "body_mass_kg": 80}]


PERSON = [{"name": "A", "sex": "male", "stature_cm": 181.5, "body_mass_kg": 80}]


@pytest.mark.parametrize(
    "text",
    [
        "name\tsex\tstature_cm\tbody_mass_kg\nA\tmale\t181,5\t80\n",
        "name,sex,stature_cm,body_mass_kg,,\nA,male,181.5,80,,\n",
        "\ufeffname , sex,stature_cm,body_mass_kg\r\n\r\n A ,male,181.5, 80\r\n,,,\r\n",
    ],
)
def test_what_spreadsheets_leave_beside_the_cells_does_no_harm(tmp_path, text):
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    data, faults = expanded({"people": "p.csv"}, tmp_path, FIELDS)
    assert (data["person"], faults) == (PERSON, [])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,sex,,\nA,male,,\nB,male,,fair\n",
         "p.csv: column 4 has no name, but row 3 holds 'fair' there; name the column, or empty it"),
        ("name,sex\n", "p.csv: describes nobody: there is no row below the names; add people"),
    ],
)  # fmt: skip
def test_a_table_with_cells_of_no_meaning_or_none_at_all_is_one_fault(tmp_path, text, words):
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    assert expanded({"people": "p.csv"}, tmp_path, FIELDS)[1] == [words]


def test_an_unreadable_file_of_electromyograms_costs_these_and_not_the_trial(bench):
    """Nothing but electromyograms may be lost so: a file that holds forces is needed."""
    text = bench.read_text("utf-8")
    more = '[{ pattern = "data/{person}/{condition}_{take}_emg.csv", layout = "emg" }]'
    text = text.replace('layout = "capture"', f'layout = "capture"\nmore = {more}')
    text += '\n[[layout]]\nname = "emg"\ndelimiter = ","\ntime_column = "t"\nup = "+y"\n'
    text += 'right = "+z"\nforce_on = "hand"\nunits = { emg = "mV" }\n'
    emg = '[layout.emg]\n"triceps_brachii/lateral" = "E1"\n'
    place = bench.parent
    study = parse_cohort(text + emg, "study.toml", place)
    plain = load_cohort(bench)
    alone = trial_recording(plain, plain.file.trial[0])
    for content, words in ((None, "no such file"), ("time,E1\n0,1\n", "no column 't'")):
        file = place / "data" / "S1" / "narrow_1_emg.csv"
        if content is not None:
            file.write_text(content, encoding="utf-8")
        try:
            found = trial_recording(study, study.file.trial[0])
        finally:
            file.unlink(missing_ok=True)
        (note,) = [n for n in found.notes if LEFT_OUT in n]
        assert note.startswith(f"data/S1/narrow_1_emg.csv{LEFT_OUT}")
        assert words in note
        assert set(found.channels) == set(alone.channels)
    units = emg.replace("[layout.emg]", '[layout.forces]\nright_hand_force = "FR"\n[layout.emg]')
    text = text.replace('{ emg = "mV" }', '{ emg = "mV", forces = "N" }')
    needed = parse_cohort(text + units, "study.toml", place)
    with pytest.raises(InputError, match="no such file"):
        trial_recording(needed, needed.file.trial[0])


def test_strength_tests_from_a_table(tmp_path):
    (tmp_path / "p.csv").write_text("name,sex,stature_cm,body_mass_kg\nA,male,180,80\n")
    (tmp_path / "s.csv").write_text(
        "person,direction,moment_nm,elbow_flexion_deg\nA,elbow_extension,60,90\n"
        "A,elbow_extension,55,60\nB,elbow_extension,50,90\n"
    )
    data, faults = expanded({"people": "p.csv", "strengths": "s.csv"}, tmp_path, FIELDS)
    assert [t["moment_nm"] for t in data["person"][0]["strength"]] == [60, 55]
    assert len(faults) == 1
    assert "person 'B' is not described" in faults[0]


def test_a_second_file_takes_its_name_from_the_first(tmp_path):
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "A_x_1.csv").write_text("")
    (tmp_path / "d" / "A_x_1_emg.csv").write_text("")
    block = {
        "pattern": "d/{person}_{condition}_{n}.csv",
        "layout": "l",
        "more": [{"pattern": "d/{person}_{condition}_{n}_emg.csv", "layout": "e", "offset_s": 0.1}],
    }
    data = {"person": [{"name": "A"}], "condition": [{"name": "x"}], "files": [block]}
    found, faults = expanded(data, tmp_path, FIELDS)
    assert faults == []
    assert [t["file"] for t in found["trial"]] == ["d/A_x_1.csv"]
    assert found["trial"][0]["more"] == [
        {"layout": "e", "offset_s": 0.1, "file": "d/A_x_1_emg.csv"}
    ]


def test_a_study_written_out_is_left_as_it_is():
    data = {"title": "t", "person": [{"name": "A"}], "trial": [{"file": "f"}]}
    found, faults = expanded(data, Path(), FIELDS)
    assert faults == []
    assert {k: found[k] for k in data} == data


def test_a_row_counts_for_all_files_of_what_it_names(tmp_path):
    """A load once a person, a side once a person, one take apart; a spreadsheet takes zeros off."""
    (tmp_path / "d").mkdir()
    for name in ("A_x_01", "A_x_02", "A_y_01", "B_x_01"):
        (tmp_path / "d" / f"{name}.csv").write_text("")
    (tmp_path / "t.csv").write_text(
        "person,condition,take,load_kg,side,use,reason\n"
        "A,,,50,left,,\nB,,,60,,,\n,y,,40,,,\nA,x,2,,,no,slipped\n"
    )
    found, faults = expanded(small(), tmp_path, FIELDS)
    assert faults == []
    rows = [(t["file"], t["load_kg"], t.get("side"), t.get("use")) for t in found["trial"]]
    assert rows == [
        ("d/A_x_01.csv", 50, "left", None),
        ("d/A_x_02.csv", 50, "left", False),
        ("d/A_y_01.csv", 40, "left", None),
        ("d/B_x_01.csv", 60, None, None),
    ]


def small():
    return {
        "person": [{"name": "A"}, {"name": "B"}],
        "condition": [{"name": "x"}, {"name": "y"}],
        "files": [{"pattern": "d/{person}_{condition}_{take}.csv", "layout": "l"}],
        "trials": "t.csv",
    }


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("AA,x,,50", "t.csv: row 3: no file is of person 'AA'; did you mean 'A'"),
        ("A,z,,50", "t.csv: row 3: no file is of person 'A', condition 'z'; known: x, y"),
        ("B,y,,50", "row 3: no file is of person 'B', condition 'y'; correct it, or take out"),
        ("A,x,9,50", "row 3: no file is of person 'A', condition 'x', take '9'; correct it"),
        ("A,x,01-Jan,50", "take '01-Jan'; a spreadsheet made a date of it: format the column"),
        ("A,x,1.2.2026,50", "take '1.2.2026'; a spreadsheet made a date of it"),
        ("A,x,Jan 26,50", "take 'Jan 26'; a spreadsheet made a date of it"),
        ("A,x,heavy set 2,50", "take 'heavy set 2'; correct it, or take out the row"),
        pytest.param(f"A,x,{'7' * 5001},50", "row 3: no file is of person 'A'", id="long number"),
    ],
)
def test_a_row_that_fits_no_file_is_an_error(tmp_path, row, words):
    """Otherwise a trial that was to be left out would count, and a side be taken for the other."""
    (tmp_path / "d").mkdir()
    for name in ("A_x_1", "A_y_1", "B_x_1"):
        (tmp_path / "d" / f"{name}.csv").write_text("")
    (tmp_path / "t.csv").write_text(f"person,condition,take,load_kg\nA,x,,50\n{row}\n")
    faults = expanded(small(), tmp_path, FIELDS)[1]
    assert len(faults) == 1
    assert words in faults[0]


def test_static_trials_by_pattern_are_on_the_side_of_the_lifts(tmp_path):
    (tmp_path / "d").mkdir()
    for name in ("A_x_1", "B_x_1", "A_standing_1", "B_standing_1"):
        (tmp_path / "d" / f"{name}.csv").write_text("")
    (tmp_path / "t.csv").write_text("person,load_kg,side\nA,50,left\nB,50,\n")
    block = {"pattern": "d/{person}_standing_{take}.csv", "layout": "s"}
    found, faults = expanded(small() | {"static": [block]}, tmp_path, FIELDS)
    assert faults == []
    assert [t["file"] for t in found["trial"]] == ["d/A_x_1.csv", "d/B_x_1.csv"]
    assert found["static"] == [
        {"layout": "s", "person": "A", "file": "d/A_standing_1.csv", "side": "left"},
        {"layout": "s", "person": "B", "file": "d/B_standing_1.csv", "side": "right"},
    ]
    named = {"person": "A", "file": "d/A_standing_1.csv", "layout": "s", "side": "right"}
    found, faults = expanded(small() | {"static": [named]}, tmp_path, FIELDS)
    assert found["static"] == [named]
    assert len(faults) == 1
    assert "'d/A_standing_1.csv' is of condition 'standing', which is not described" in faults[0]


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("people.csv", "male", "M", "people.csv: row 2 'P01' → sex: must be 'female' or 'male'"),
        ("people.csv", "stature_cm", "note,stature_cm", "unknown column 'note'"),
        ("people.csv", "P02,", "P01,", "people.csv: row 3: 'P01' is in row 2 already; take out"),
        ("trials.csv", "left", "L", "trials.csv: row 4 → side: must be 'right' or 'left'; got 'L'"),
    ],
)
def test_a_fault_names_the_row_of_its_table(tmp_path, name, old, new, words):
    """A table is where the value has to be corrected; no other message follows from it."""
    place = small_tables(tmp_path)
    text = (place / name).read_text("utf-8")
    (place / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(StudyError) as fault:
        load_cohort(place / "study.toml")
    assert len(fault.value.faults) == 1
    assert words in fault.value.faults[0]


def test_a_number_with_its_unit_is_told_without_talk_of_quotes(tmp_path):
    place = small_tables(tmp_path)
    text = (place / "people.csv").read_text("utf-8")
    (place / "people.csv").write_text(text.replace(",80\n", ",80 kg\n"), encoding="utf-8")
    with pytest.raises(StudyError) as fault:
        load_cohort(place / "study.toml")
    assert fault.value.faults == (
        "people.csv: row 2 'P01' → body_mass_kg: must be a number; got '80 kg'",
    )


def test_rows_that_contradict_each_other_are_refused(tmp_path):
    place = small_tables(tmp_path)
    with (place / "trials.csv").open("a", encoding="utf-8") as file:
        file.write("P01,x,70,right\nP02,x,60,left\n")  # the second repeats row 4
    with pytest.raises(StudyError) as fault:
        load_cohort(place / "study.toml")
    assert fault.value.faults == (
        "trials.csv: row 5 → load_kg: 70, but row 2 names the same trials and says 50; keep one",
    )


def small_tables(place):
    """Two people, two conditions, empty files: read, but not run."""
    (place / "d").mkdir()
    for name in ("P01_x", "P01_y", "P02_x"):
        (place / "d" / f"{name}.csv").write_text("")
    (place / "people.csv").write_text(
        "name,sex,stature_cm,body_mass_kg\nP01,male,180,80\nP02,female,170,65\n"
    )
    (place / "trials.csv").write_text(
        "person,condition,load_kg,side\nP01,x,50,right\nP01,y,50,right\nP02,x,60,left\n"
    )
    (place / "study.toml").write_text(
        'title = "t"\npeople = "people.csv"\ntrials = "trials.csv"\n'
        '[[condition]]\nname = "x"\n[[condition]]\nname = "y"\n'
        '[[files]]\npattern = "d/{person}_{condition}.csv"\nlayout = "l"\n'
        '[[layout]]\nname = "l"\nup = "+y"\nright = "+z"\nforce_on = "hand"\ndelimiter = ","\n'
        'time_column = "t"\nunits = { markers = "m" }\nmarkers = { ij = "IJ" }\n'
    )
    return place


def test_trials_by_pattern_keep_the_order_of_people_and_conditions_of_the_study(tmp_path):
    """Tables and figures show conditions as the study lists them, not in the order of letters."""
    (tmp_path / "d").mkdir()
    for name in ("A_x_1", "A_x_2", "A_y_1", "B_x_1", "B_y_1"):
        (tmp_path / "d" / f"{name}.csv").write_text("")
    (tmp_path / "t.csv").write_text("person,load_kg\nA,50\nB,50\n")
    study = small() | {
        "condition": [{"name": "y"}, {"name": "x"}],
        "person": [{"name": "B"}, {"name": "A"}],
    }
    found, faults = expanded(study, tmp_path, FIELDS)
    assert faults == []
    assert [t["file"].removeprefix("d/").removesuffix(".csv") for t in found["trial"]] == [
        "B_y_1", "B_x_1", "A_y_1", "A_x_1", "A_x_2",
    ]  # fmt: skip
