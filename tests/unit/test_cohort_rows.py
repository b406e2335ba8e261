"""Cells of the tables of a cohort: what is a number, what is refused."""

import pytest
from tests.fuzz_folders import SMALL_TABLES, write_small

from momentshare.cohort.load import load_cohort
from momentshare.errors import StudyError

LONG = "9" * 140_000


@pytest.mark.parametrize(
    ("table", "old", "new", "words"),
    [
        ("trials.csv", "52.5", "5_2", "row 3 → load_kg: must be a number; got '5_2'"),
        ("trials.csv", "52.5", "9" * 5_000, "row 3 → load_kg: must be at most 1000 kg"),
        ("trials.csv", "1 2", "\u00b2", "repetitions[1]: must be a whole number; got '\u00b2'"),
        ("people.csv", "168", "1_68", "stature_cm: must be a number; got '1_68'"),
        ("people.csv", "Runar", LONG, "row 3: a cell has more than 10000 characters"),
    ],
)
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_cell_that_python_would_read_otherwise_is_a_fault(
    tmp_path, table, old, new, words, delimiter
):
    """Thousands of digits, a raised two and a long cell of a semicolon table were tracebacks."""
    write_small(tmp_path)
    text = SMALL_TABLES[table]
    assert old in text
    text = text.replace(old, new)
    if delimiter == ";":
        text = text.replace('"slipped, and stopped"', "slipped").replace(",", ";")
    (tmp_path / table).write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        load_cohort(tmp_path / "study.toml")
    assert words in str(caught.value)
    assert len(str(caught.value)) < 5_000


def test_the_small_study_itself_is_read(tmp_path):
    write_small(tmp_path)
    loads = {t.file: t.load_kg for t in load_cohort(tmp_path / "study.toml").file.trial}
    assert loads["data/S1/narrow_1.c3d"] == 30
    assert loads["data/S1/w_2.c3d"] == 32
    assert loads["data/S2_w_02.csv"] == 51
