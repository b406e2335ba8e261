"""Study files: what is written wrongly is refused with file, field, value and remedy."""

import re

import pytest
from tests import fuzz

from momentshare.cohort.load import parse_cohort
from momentshare.errors import StudyError
from momentshare.study import load_study, parse_study
from momentshare.study.run import study_model

STUDY = """\
title = "Two presses"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
reference_load_kg = 40
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.4
tuck_deg = [[0, 60], [1, 80]]
load_kg = 30
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 70
load_share = 0.5
"""

SECOND_EDDA = """\
[[person]]
name = "Edda"
sex = "female"
stature_cm = 170
body_mass_kg = 60
reference_load_kg = 30
"""


def altered(old, new):
    assert old in STUDY
    return STUDY.replace(old, new, 1)


def refusal(text, source="study.toml"):
    with pytest.raises(StudyError) as caught:
        parse_study(text, source)
    return caught.value


def write(folder, data, name="study.toml"):
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def test_good_study_is_read():
    study = parse_study(STUDY)
    assert study.title == "Two presses"
    assert [c.name for c in study.file.condition] == ["bar", "dumbbells"]
    assert study.file.person[0].person().stature == pytest.approx(1.68)


def test_file_and_text_give_the_same_study(tmp_path):
    path = write(tmp_path, STUDY)
    assert load_study(path).file == parse_study(STUDY).file
    assert load_study(str(path)).source == str(path)


def test_windows_line_ends_are_accepted_and_change_nothing(tmp_path):
    windows = write(tmp_path, STUDY.replace("\n", "\r\n"))
    assert load_study(windows).file == parse_study(STUDY).file


def test_byte_order_mark_is_accepted(tmp_path):
    marked = write(tmp_path, b"\xef\xbb\xbf" + STUDY.encode())
    assert load_study(marked).file == parse_study(STUDY).file


def test_digest_follows_the_text():
    assert parse_study(STUDY).digest == parse_study(STUDY).digest
    assert parse_study(STUDY).digest != parse_study(altered("load_kg = 30", "load_kg = 31")).digest


def test_unknown_field_is_named_and_the_nearest_known_offered():
    error = refusal(altered("stature_cm = 168", "stature_mm = 1680"))
    text = str(error)
    assert text.startswith("study.toml:")
    assert "person[1] 'Edda' → stature_mm: unknown field" in text
    assert text.endswith("unknown field; did you mean 'stature_cm'?")  # and no second guess
    assert len(error.faults) == 1  # the missing field is the misspelt one


def test_a_field_that_is_missing_is_told_beside_an_unknown_one_that_is_not_like_it():
    first, second = refusal(altered("stature_cm = 168", "shoe_size = 38")).faults
    assert {first, second} == {
        "person[1] 'Edda' → stature_cm: is missing; add it",
        next(f for f in (first, second) if "→ shoe_size: unknown field; " in f),
    }


@pytest.mark.parametrize("change", [("stature_cm = 168", "f" * 400 + " = 1"), ("Edda", "E" * 400)])
def test_a_long_name_is_shortened_in_its_fault(change):
    for fault in refusal(altered(*change)).faults:
        place = fault.split(": ")[0]
        assert len(place) < 130
        assert " … " in place or place == "person[1] 'Edda' → stature_cm"


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ('title = "Two presses"', 'title = "Two presses"\ntitel = 1', "titel: unknown field"),
        ("frames = 7", "frame = 7", "settings → frame: unknown field"),
        ("load_kg = 30", "load_kg = 30\nweight = 3", "condition[1] 'bar' → weight: unknown field"),
    ],
)
def test_unknown_field_is_named_wherever_it_stands(old, new, where):
    assert where in str(refusal(altered(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "field", "value"),
    [
        ("body_mass_kg = 64", "body_mass_kg = -64", "person[1] 'Edda' → body_mass_kg", "-64"),
        ("body_mass_kg = 64", "body_mass_kg = nan", "person[1] 'Edda' → body_mass_kg", "nan"),
        ("stature_cm = 168", "stature_cm = inf", "person[1] 'Edda' → stature_cm", "inf"),
        ("stature_cm = 168", 'stature_cm = "tall"', "person[1] 'Edda' → stature_cm", "'tall'"),
        ("load_kg = 30", "load_kg = -30", "condition[1] 'bar' → load_kg", "-30"),
        ("load_kg = 30", "load_kg = nan", "condition[1] 'bar' → load_kg", "nan"),
        ('sex = "female"', 'sex = "x"', "person[1] 'Edda' → sex", "'x'"),
        ("spacing_cm = 50", "spacing_cm = 0", "condition[2] 'dumbbells' → spacing_cm", "0"),
        ("tuck_deg = 70", "tuck_deg = 200", "condition[2] 'dumbbells' → tuck_deg", "200"),
        ("tuck_deg = 70", "tuck_deg = nan", "condition[2] 'dumbbells' → tuck_deg", "nan"),
        ("frames = 7", "frames = 2", "settings → frames", "2"),
        ("frames = 7", "exponent = 1.0", "settings → exponent", "1.0"),
        ("frames = 7", 'lateral = ["sideways"]', "settings → lateral", "'sideways'"),
        ('exercise = "bar_press"', 'exercise = "bench"', "'bar' → exercise", "'bench'"),
        ("load_kg = 30", "load_kg = 30\nduration_s = 0", "'bar' → duration_s", "0"),
        ("load_kg = 30", "load_kg = 30\nlateral_ratio = 3", "'bar' → lateral_ratio", "3"),
        ("load_kg = 30", "load_kg = 30\nbench_angle_deg = 90", "'bar' → bench_angle_deg", "90"),
    ],
)
def test_value_that_cannot_be_is_named_with_its_field(old, new, field, value):
    error = refusal(altered(old, new))
    fault = next(f for f in error.faults if field in f)
    assert value in fault.split(field, 1)[1]
    assert error.exit_code == 2


@pytest.mark.parametrize("exponent", ["nan", "inf"])
def test_exponent_nan_is_refused_and_infinity_means_least_greatest_activation(exponent):
    text = altered("frames = 7", f"exponent = {exponent}")
    if exponent == "inf":
        assert parse_study(text).file.settings.criterion().exponent == float("inf")
    else:
        assert "settings → exponent" in str(refusal(text))


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("stature_cm = 168", "stature_cm = 1.68", "stature"),
        ("stature_cm = 168", "stature_cm = 1680", "stature"),
        ("body_mass_kg = 64", "body_mass_kg = 64000", "body_mass"),
        ("body_mass_kg = 64", "body_mass_kg = 64\nhumerus_length_cm = 300", "humerus_length"),
        ("body_mass_kg = 64", "body_mass_kg = 64\nbiacromial_breadth_cm = 0.37", "biacromial"),
    ],
)
def test_value_in_the_wrong_unit_is_refused_on_reading(old, new, field):
    error = refusal(altered(old, new))
    assert any(field in f for f in error.faults)


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "is empty"), ("  \n\t\n", "is empty"), ("# only a comment\n", "title: is missing")],
)
def test_empty_study_is_refused_with_a_way_to_start(text, words):
    assert words in str(refusal(text))


@pytest.mark.parametrize("table", ["person", "condition"])
def test_study_without_people_or_conditions_is_refused(table):
    head, *parts = re.split(r"(?=^\[\[)", STUDY, flags=re.MULTILINE)
    text = head + "".join(p for p in parts if not p.startswith(f"[[{table}]]"))
    assert f"{table}: is missing; add a block [[{table}]]" in str(refusal(text))
    empty = f"{table} = []\n" + text
    assert f"{table}: " in str(refusal(empty))


def test_broken_toml_is_refused_with_its_line():
    text = str(refusal(altered('name = "Edda"', 'name = "Edda')))
    assert text.endswith("; is a quotation mark left open there?")
    assert text.startswith("study.toml: not readable as TOML")
    assert "line 5" in text


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        (('"Edda"', '"""Edda'), "is a quotation mark left open there?"),
        (('"female"', "female"), 'write text in quotes there, as in name = "wide", and a number'),
        (("spacing_biacromial = 1.4", "spacing_biacromial = 1,4"), "write the decimal mark as a"),
        (
            ("spacing_cm = 50", "spacing_cm = -50,5  # cm"),
            "write the decimal mark as a point, -50.5",
        ),
        (("[[condition]]", "[condition]"), "write [[condition]], with two brackets, above each"),
        (("[settings]", "[settings"), "correct that line ('momentshare help study' shows"),
    ],
)
def test_a_line_that_is_no_toml_is_told_with_a_remedy(change, remedy):
    assert f"); {remedy}" in str(refusal(altered(*change))).replace("end of document); ", "); ")


def test_a_model_that_there_is_not_is_told_with_the_study_and_the_field(tmp_path):
    with pytest.raises(StudyError) as caught:
        study_model(str(tmp_path), "study.toml")
    assert str(caught.value).startswith("study.toml: the study cannot be used:")
    (fault,) = caught.value.faults
    assert fault.startswith(f"model: unknown model folder '{tmp_path}'; it holds no limb.toml")
    assert study_model("reference_limb", "study.toml").heads


def test_missing_file_is_refused_and_the_files_beside_it_are_named(tmp_path):
    write(tmp_path, STUDY, "presses.toml")
    with pytest.raises(StudyError, match=r"press\.toml: no such file; .*presses\.toml"):
        load_study(tmp_path / "press.toml")


def test_missing_folder_is_refused(tmp_path):
    with pytest.raises(StudyError, match="no such file; check the path"):
        load_study(tmp_path / "nowhere" / "study.toml")


def test_folder_in_place_of_a_file_is_refused(tmp_path):
    with pytest.raises(StudyError, match="is a folder; give the study file"):
        load_study(tmp_path)


def test_file_that_is_not_utf8_is_refused_with_the_byte(tmp_path):
    path = write(tmp_path, STUDY.encode().replace(b"Edda", b"R\xf6gnvaldr"))
    with pytest.raises(StudyError, match=r"byte \d+ is not UTF-8; save the file as UTF-8"):
        load_study(path)


def test_file_of_zero_bytes_inside_text_is_refused(tmp_path):
    path = write(tmp_path, STUDY.encode() + b"\x00")
    with pytest.raises(StudyError, match="contains zero bytes"):
        load_study(path)


def test_huge_file_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.toml"
    with path.open("wb") as file:
        file.truncate(5 * 1024 * 1024)
    with pytest.raises(StudyError, match="larger than 1 MB"):
        load_study(path)


@pytest.mark.parametrize(
    ("old", "new", "kind", "name"),
    [
        ('name = "dumbbells"', 'name = "bar"', "condition", "bar"),
        ("[[condition]]", SECOND_EDDA + "[[condition]]", "person", "Edda"),
    ],
)
def test_duplicate_names_are_refused(old, new, kind, name):
    assert f"{kind} {name!r}: appears 2 times" in str(refusal(altered(old, new)))


def test_duplicate_field_is_refused_with_its_line():
    text = str(refusal(altered("load_kg = 30", "load_kg = 30\nload_kg = 31")))
    assert "load_kg" in text or "overwrite" in text.lower()
    assert "line 16" in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("spacing_cm = 50\n", "", "spacing_biacromial"),
        (
            "spacing_cm = 50",
            "spacing_cm = 50\nspacing_biacromial = 1.2",
            ": spacing_biacromial and spacing_cm are given together; keep one of them",
        ),
        ("load_kg = 30", "load_kg = -30", "must be at least 0 kg; got -30; leave the sign out"),
        ('sex = "female"\n', "", "sex: is missing; add it: 'female' or 'male'"),
        ("spacing_biacromial = 1.4", "spacing_biacromial = 52", "in cm goes into spacing_cm"),
        ("spacing_cm = 50", "spacing_cm = 1.4", "breadth goes into spacing_biacromial"),
        ("load_kg = 30", "load_kg = 30\nlateral_ratio = 15", "got 15; 15 % is 0.15"),
        ("load_kg = 30\n", "", "load_per_body_mass"),
        ("load_kg = 30", "load_kg = 30\nload_share = 0.4", "given together; keep one"),
        ("spacing_biacromial = 1.4", "spacing_biacromial = [[0, 1.4], [1, 1.2]]", "cannot slide"),
        ("spacing_biacromial = 1.4", "spacing_biacromial = 14", "got 14"),
        ("tuck_deg = [[0, 60], [1, 80]]", "tuck_deg = [[1, 60], [0, 80]]", "must rise"),
        ("tuck_deg = [[0, 60], [1, 80]]", "tuck_deg = [[0, 60], [100, 80]]", "0 (chest) to 1"),
        ("tuck_deg = 70", "tuck_deg = 70\nlateral_ratio = 0.1", "no lateral force"),
        ("load_kg = 30", "load_kg = 30\nlateral_bounds = [0.3, 0.1]", "[low, high]"),
        ("reference_load_kg = 40\n", "", "reference_load_kg: is missing"),
        ("frames = 7", 'lateral = ["measured"]', "lateral_ratio: is missing"),
        ("frames = 7", "lateral = []", "at least one"),
        ("frames = 7", 'lateral = ["free", "free"]', "at most once"),
    ],
)
def test_contradiction_is_explained(old, new, words):
    assert words in str(refusal(altered(old, new)))


def test_all_faults_come_together():
    text = altered("stature_cm = 168", "stature_cm = -168")
    text = text.replace("load_kg = 30", "load_kg = nan", 1).replace("frames = 7", "frames = 0", 1)
    assert len(refusal(text).faults) == 3


def test_strength_test_is_read_in_degrees():
    text = STUDY.replace(
        "[[condition]]",
        '[[person.strength]]\ndirection = "elbow_extension"\nmoment_nm = 50\n[[condition]]',
        1,
    )
    test = parse_study(text).file.person[0].strength[0].measured()
    assert test.moment == 50.0
    assert test.angles["elbow_flexion"] == pytest.approx(1.5707963267948966)
    fault = str(refusal(text.replace("moment_nm = 50", "moment_nm = -50")))
    assert "moment_nm" in fault
    assert "-50" in fault


@pytest.mark.parametrize("value", ["0", "1", "0.0", '"no"', '"false"', "[]"])
@pytest.mark.parametrize("field", ["passive_force", "elastic_tendon", "balance_forearm"])
def test_a_switch_is_true_or_false_and_nothing_else(field, value):
    with pytest.raises(StudyError, match=f"settings → {field}: must be true or false"):
        parse_study(altered("frames = 7", f"{field} = {value}"))


@pytest.mark.parametrize("value", ["true", '"51"', "51.5"])
def test_a_count_is_a_whole_number(value):
    with pytest.raises(StudyError, match="settings → frames: "):
        parse_study(altered("frames = 7", f"frames = {value}"))


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("0", "must be greater than 0; got 0"),
        ("true", "must be a number; got true"),
        ("2020-01-31", "must be a number; got 2020-01-31"),
        ("{ a = 1 }", "must be a number; got a table"),
        ("[]", "must have at least 1 item; got []"),
        ('[[0, 1.2], [1, "a"]]', "must be a number without quotes; got 'a'"),
    ],
)
def test_a_value_that_may_be_a_number_or_a_list_has_one_fault_as_the_file_writes_it(value, told):
    caught = refusal(altered("spacing_biacromial = 1.4", f"spacing_biacromial = {value}"))
    (fault,) = caught.faults
    assert fault.startswith("condition[1] 'bar' → spacing_biacromial")
    assert fault.endswith(f": {told}")


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("0.5", "hand spacing must lie in 15 to 150 cm; got 0.5; is the value in centimetres?"),
        ("5", "hand spacing must lie in 15 to 150 cm; got 5"),
    ],
)
def test_a_hand_spacing_in_metres_is_asked_for_its_unit(value, told):
    (fault,) = refusal(altered("spacing_cm = 50", f"spacing_cm = {value}")).faults
    assert fault.endswith(told)


def test_text_in_place_of_a_list_is_told_as_the_list_is_written():
    (fault,) = refusal(altered("frames = 7", 'lateral = "measured"')).faults
    assert fault == """settings → lateral: must be a list; got 'measured'; write ["measured"]"""


@pytest.mark.parametrize("kind", ["person", "condition"])
def test_one_table_in_place_of_a_list_of_tables_is_told_with_the_brackets(kind):
    text = STUDY.split("[[condition]]")
    caught = refusal("[[condition]]".join(text[:2]).replace(f"[[{kind}]]", f"[{kind}]"))
    assert f"{kind}: must be a list of tables; write [[{kind}]] above each" in str(caught)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("cutoff_hz = 0", "cutoff_hz: must be greater than 0.5; got 0"),
        ('cutoff_hz = "6"', "cutoff_hz: must be a number or 'residual'; got '6'"),
        ('failed_checks = "maybe"', "failed_checks: must be 'keep' or 'leave out'; got 'maybe'"),
        ("failed_checks = [3]", "failed_checks[1]: must be text; got 3"),
    ],
)
def test_what_a_schema_calls_its_branches_is_not_told(change, told):
    with pytest.raises(StudyError) as caught:
        parse_cohort(f"{fuzz.COHORT.replace('cutoff_hz = 6.0', change)}")
    assert caught.value.faults == (f"processing → {told}",)


def test_a_study_of_the_other_kind_is_told_as_a_whole():
    with pytest.raises(StudyError, match=r"holds trial, layout.*'momentshare cohort'") as caught:
        parse_study(fuzz.COHORT)
    assert not caught.value.faults
    with pytest.raises(StudyError, match="'momentshare compare'") as caught:
        parse_cohort(STUDY)
    assert not caught.value.faults
