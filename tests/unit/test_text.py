"""Texts made safe for where they go."""

import io
import subprocess
import sys
import unicodedata
from typing import Literal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, Field, ValidationError
from rich.progress import Progress, TextColumn
from rich.table import Table
from rich.text import Text

from momentshare.cli.tables import console
from momentshare.text import csv_text, for_table, for_terminal, schema_message, shortened


@given(st.text())
def test_nothing_that_steers_reaches_a_terminal(text):
    safe = for_terminal(text)
    seen = {unicodedata.category(c) for c in safe if c not in "\n\u200c\u200d"}
    assert not seen & {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
    if text.isprintable():
        assert safe == text


@given(st.text(max_size=400), st.integers(8, 200))
def test_shortened_texts_keep_both_ends(text, most):
    short = shortened(text, most)
    assert len(short) <= max(most, 8)
    assert short[:2] == text[:2]
    assert short[-2:] == text[-2:]


@pytest.mark.parametrize("name", ["=1+1", "+10 kg", "-x", "@SUM(A1)", "\n=1", "\uff1d1"])
def test_a_name_that_looks_like_a_formula_is_text_in_a_table(name):
    table = pd.DataFrame({"condition": [name, "wide", "-0.5"], "n": [-1.0, np.nan, 2.0]})
    back = pd.read_csv(io.StringIO(csv_text(table, "%.3g")))
    assert list(back["condition"]) == [f"'{name}", "wide", "-0.5"]
    assert back["n"].tolist()[0] == -1.0
    assert csv_text(pd.DataFrame({name: [1]})).startswith(("'", "\"'"))


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("wi\x1b[31mde\x07", "wi\\x1b[31mde\\x07"),
        ("edc\u202e.c3d", "edc\\u202e.c3d"),
        ("\t=1", "'\\t=1"),
    ],
)
def test_no_table_steers_a_terminal_that_it_is_shown_on(name, shown):
    text = csv_text(pd.DataFrame({"file": [name, "wide.c3d"], name: [1, 2]}))
    assert text == f"file,{shown}\n{shown},1\nwide.c3d,2\n"


def test_numbers_and_other_things_stay():
    for value in (-1.5, None, True, "-1e-3", "+4", "inf", ""):
        assert for_table(value) is value


def test_a_table_is_written_as_before_where_nothing_is_dangerous():
    table = pd.DataFrame(
        {"a": ["x", None], "b": [1.23456789, 2.0], "c": pd.Categorical(["u", "v"])}
    )
    assert csv_text(table, "%.4g") == "a,b,c\nx,1.235,u\n,2,v\n"


@pytest.mark.parametrize("digits", ["%.7g", "%.3f", None])
def test_numbers_are_written_as_the_library_of_tables_writes_them(digits):
    rng = np.random.default_rng(4)
    values = rng.normal(size=400) * 10.0 ** rng.integers(-25, 25, 400)
    values[:6] = (np.nan, np.inf, -np.inf, -0.0, 1e22, 1.0)
    table = pd.DataFrame(
        {
            "value": values,
            "single": values.astype(np.float32),
            "count": np.arange(400),
            "name": np.where(values > 0.0, "x, y", "z"),
            "label": pd.Categorical(np.where(values > 0.0, "p", "q")),
            "mixed": np.array(["a", None, 1.5, True, 1, 'q"t', ""] * 57 + ["b"], dtype=object),
        }
    )
    for part in (table, table.iloc[:0], table[["value"]], table[["mixed"]]):
        want = part.to_csv(index=False, float_format=digits, lineterminator="\n")
        assert csv_text(part, digits) == want


def test_the_console_shows_what_a_terminal_would_obey(capsys):
    screen = console()
    screen.print("[bold]a\x1b[2Jb[/bold]")
    shown = capsys.readouterr().out
    assert "\x1b[2J" not in shown
    assert "a\\x1b[2Jb" in shown


def test_the_console_writes_a_minus_sign_unless_text_is_there_to_be_copied(capsys):
    table = Table("ratio")
    table.add_row("-0.06")
    for copied, mark in ((False, "\N{MINUS SIGN}"), (True, "-")):
        screen = console(copied=copied)
        screen.print(table)
        screen.print("from -3 to 2020-05")
        shown = capsys.readouterr().out
        assert f"{mark}0.06" in shown
        assert f"from {mark}3 to 2020-05" in shown


@pytest.mark.parametrize("stderr", [False, True])
def test_no_table_and_no_progress_of_a_console_steers_a_terminal(capsys, stderr):
    screen = console(stderr=stderr)
    table = Table(title=Text("ti\x07tle"))
    table.add_column(Text("head\x1b[2Jing"))
    table.add_row(Text("a\x1b]0;x\x07b"))
    screen.print(table)
    screen.print(Text("\u202ereversed"))
    with Progress(TextColumn("{task.description}", markup=False), console=screen) as bar:
        bar.add_task("lab/\x1b[2J.c3d")
    shown = "".join(capsys.readouterr())
    assert "reversed" in shown
    assert not set("\x1b\x07\u202e") & set(shown)


FIGURE = """
import matplotlib
matplotlib.use("Agg")
import matplotlib as mpl
import matplotlib.pyplot as plt
from momentshare.report.figures import style
with mpl.rc_context(style.settings(["a"])):
    figure, axes = plt.subplots()
    axes.plot([0, 1], [0, 1], label="a")
    axes.legend()
    figure.savefig("figure.png", metadata={"Software": None})
"""


def test_settings_of_the_user_do_not_change_figures(tmp_path):
    pictures = []
    for name, text in (
        ("plain", ""),
        ("own", "figure.facecolor: red\naxes.grid: True\nsavefig.dpi: 40\nfont.size: 30\n"),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "matplotlibrc").write_text(text)
        subprocess.run([sys.executable, "-c", FIGURE], cwd=tmp_path / name, check=True)
        pictures.append((tmp_path / name / "figure.png").read_bytes())
    assert pictures[0] == pictures[1]


class Row(BaseModel):
    number: float = Field(default=1.0, ge=0.0)
    whole: int = 1
    kind: Literal["a", "b"] = "a"
    name: str = Field(default="x", min_length=1)
    items: list[int] = Field(default=[], max_length=2)
    table: dict[str, int] = {}
    flag: bool = Field(default=True, strict=True)


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("number", "much", "must be a number"),
        ("number", -1.0, "must be greater than or equal to 0"),
        ("whole", 1.5, "must be a whole number"),
        ("whole", "one", "must be a whole number"),
        ("kind", "c", "must be 'a' or 'b'"),
        ("name", "", "must have at least 1 character"),
        ("name", 3, "must be text"),
        ("items", [1, 2, 3], "must have at most 2 items"),
        ("items", 3, "must be a list"),
        ("table", 3, "must be a table"),
        ("flag", "yes", "must be true or false"),
    ],
)
def test_faults_of_a_schema_are_said_like_every_other(field, value, said):
    with pytest.raises(ValidationError) as caught:
        Row.model_validate({field: value})
    assert [schema_message(item["msg"]) for item in caught.value.errors()] == [said]
