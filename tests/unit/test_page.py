"""The report page as text: escaping, numbers, headers, numbering, refusals."""

from __future__ import annotations

import base64
import io
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.report.page.document import (
    VERDICTS,
    Bullets,
    Code,
    Heading,
    Page,
    Paragraph,
    Picture,
    Section,
    Table,
    Verdict,
    Verdicts,
    render,
)

HOSTILE = "<script>alert(\"1\")</script> & 'x' {{ 7 * 7 }} {% raw %}"
VOID = {"meta", "img", "br", "link", "input", "hr", "wbr"}
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="72pt" height="36pt"><path d="M0 0"/></svg>'


class Reader(HTMLParser):
    """Elements with their attributes and text; complains about tags that do not match."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements = [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append([tag, dict(attrs), ""])
        if tag not in VOID:
            self.open.append(self.elements[-1])

    def handle_startendtag(self, tag, attrs):
        self.elements.append([tag, dict(attrs), ""])

    def handle_endtag(self, tag):
        assert self.open.pop()[0] == tag

    def handle_data(self, data):
        for element in self.open:
            element[2] += data

    def all(self, tag):
        return [
            (attrs, " ".join(text.split())) for name, attrs, text in self.elements if name == tag
        ]


def page_of(*blocks, **fields):
    section = Section(title="One", anchor="one", blocks=blocks)
    return Page(**{"title": "A page", "sections": [section]} | fields)


def read(*blocks, **fields):
    return Reader(render(page_of(*blocks, **fields)))


def column(values, name="value", **fields):
    """Cells of a table with one column, as shown."""
    table = Table(frame=pd.DataFrame({"first": "x", name: values}), caption="c", **fields)
    return [text for _, text in read(table).all("td")]


def header(name):
    """Header of a column with this name, as shown."""
    table = Table(frame=pd.DataFrame({name: [1.0]}), caption="c")
    return read(table).all("th")[0][1]


def png():
    stream = io.BytesIO()
    Figure(figsize=(2.0, 1.0)).savefig(stream, format="png", dpi=50)
    return stream.getvalue()


def test_page_is_one_complete_document():
    text = render(page_of(Paragraph(text="Words."), subtitle="Under", made_by="a\nb"))
    assert text.startswith('<!DOCTYPE html>\n<html lang="en">')
    seen = Reader(text)
    assert seen.all("title") == [({}, "A page")]
    assert [t for _, t in seen.all("h1")] == ["A page"]
    assert ({"class": "subtitle", "dir": "auto"}, "Under") in seen.all("p")
    assert any(a.get("name") == "viewport" for a, _ in seen.all("meta"))
    policy = next(a["content"] for a, _ in seen.all("meta") if "http-equiv" in a)
    assert "default-src 'none'" in policy
    assert not re.search(r"(src|href)=\"(?!#|data:)", text)
    assert "url(" not in text
    assert "@import" not in text


def test_same_page_gives_the_same_text():
    made = [page_of(Table(frame=pd.DataFrame({"a": [1.5]}), caption="c")) for _ in range(2)]
    assert render(made[0]) == render(made[1])


def test_every_text_is_escaped_wherever_it_stands():
    frame = pd.DataFrame({HOSTILE: [HOSTILE], "n": [1]})
    row = Verdict(name=HOSTILE, value=HOSTILE, limit=HOSTILE, verdict="fail", note=HOSTILE)
    blocks = (
        Paragraph(text=HOSTILE),
        Heading(text=HOSTILE),
        Bullets(items=[HOSTILE]),
        Table(frame=frame, caption=HOSTILE, note=HOSTILE, labels={"n": HOSTILE}),
        Picture(image=SVG, alt=HOSTILE, caption=HOSTILE),
        Verdicts(rows=[row], caption=HOSTILE),
        Code(text=HOSTILE, label=HOSTILE),
    )
    section = Section(title=HOSTILE, anchor="one", blocks=blocks, lead=HOSTILE)
    page = Page(
        title=HOSTILE,
        subtitle=HOSTILE,
        sections=[section],
        sources_bibtex=HOSTILE,
        cautions=[HOSTILE],
        made_by=HOSTILE,
    )
    seen = Reader(render(page))
    assert seen.all("script") == []
    assert seen.all("img")[0][0]["alt"] == HOSTILE
    shown = " ".join(next(text for tag, _, text in seen.elements if tag == "html").split())
    # title, h1, subtitle, contents, h2, lead, paragraph, h3, bullet, table caption, two headers,
    # cell, note, figure caption, verdicts caption, four texts of the check, code and label,
    # caution, made by (for paper), sources, made by
    assert shown.count(" ".join(HOSTILE.split())) == 26


@pytest.mark.parametrize("mark", ["\u202e", "\u2066", "\x00", "\x1b", "\ud800", "\x85"])
def test_characters_that_hide_or_reorder_text_are_shown_as_a_mark(mark):
    text = render(page_of(Paragraph(text=f"before{mark}after")))
    assert "<p>before\N{REPLACEMENT CHARACTER}after</p>" in text
    text.encode()


def test_marks_that_only_tell_a_direction_are_kept():
    assert "a\u200fb" in render(page_of(Paragraph(text="a\u200fb")))


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("peak_force_n", "peak force [N]"),
        ("moment_nm", "moment [N·m]"),
        ("load_kg", "load [kg]"),
        ("elbow_flexion_deg", "elbow flexion [deg]"),
        ("bar_height_m", "bar height [m]"),
        ("moment_arm_mm", "moment arm [mm]"),
        ("duration_s", "duration [s]"),
        ("peak_speed_mps", "peak speed [m/s]"),
        ("change_percent", "change [%]"),
        ("multiplier_per_nm", "multiplier [1/(N·m)]"),
        ("impulse_ns", "impulse [N·s]"),
        ("mean_activation", "mean activation"),
        ("n", "n"),
        ("force [N]", "force [N]"),
        ("peak force_n", "peak force_n"),
        (("bar 1.0", "force_n"), "bar 1.0, force_n"),
        (7, "7"),
    ],
)
def test_unit_of_a_column_stands_in_its_header(name, shown):
    if isinstance(name, tuple):
        frame = pd.DataFrame([[1.0]], columns=pd.MultiIndex.from_tuples([name]))
        assert read(Table(frame=frame, caption="c")).all("th")[0][1] == shown
    else:
        assert header(name) == shown


@pytest.mark.parametrize(
    ("values", "shown"),
    [
        ([734.21, 61.7, 1.2], ["734", "62", "1"]),
        ([1.2345, -0.5], ["1.23", "−0.50"]),
        ([0.87, 0.0, -0.0], ["0.870", "0.000", "0.000"]),
        ([82.5, 70.0], ["82.5", "70.0"]),
        ([3, 12], ["3", "12"]),
        ([3.0, np.nan, 12.0], ["3", "–", "12"]),
        ([500.4, 0.031], ["500", "0.031"]),
        ([2.5e-9, 4.04e-10], ["2.5 × 10⁻⁹", "4.0 × 10⁻¹⁰"]),
        ([1.5, np.inf, -np.inf], ["1.50", "∞", "−∞"]),
        ([True, False], ["yes", "no"]),
        (np.array([np.True_, None], dtype=object), ["yes", "–"]),
        (["a", None, pd.NA], ["a", "–", "–"]),
        ([np.nan, np.nan], ["–", "–"]),
    ],
)
def test_numbers_have_sensible_digits(values, shown):
    assert column(values) == shown


def rows_of(frame, **fields):
    """Rows of a table as shown, its first column left out."""
    frame.insert(0, "first", "x")
    cells = [text for _, text in read(Table(frame=frame, caption="c", **fields)).all("td")]
    width = len(frame.columns) - 1
    return [cells[i : i + width] for i in range(0, len(cells), width)]


@pytest.mark.parametrize(
    "names",
    [
        ("estimate", "low", "high"),
        ("r", "r_low", "r_high"),
        ("force_n", "force_n_low", "force_n_high"),
    ],
)
def test_estimate_and_interval_have_the_same_decimals(names):
    values = [[0.0123, -0.21, 0.234], [0.4, 0.0004, -0.0004]]
    shown = rows_of(pd.DataFrame(values, columns=list(names)))
    assert shown == [["0.012", "−0.210", "0.234"], ["0.400", "0.000", "−0.000"]]


def test_columns_named_alike_share_decimals_and_others_do_not():
    frame = pd.DataFrame({"a": [123.4, 5.0], "b": [0.52, 0.1], "c": [0.52, 0.1]})
    assert rows_of(frame.copy(), alike=[("a", "b")]) == [
        ["123", "1", "0.520"],
        ["5", "0", "0.100"],
    ]


def test_rows_of_another_quantity_have_decimals_of_their_own():
    frame = pd.DataFrame(
        {
            "outcome": ["mean_activation", "mean_activation", "mean_force_n"],
            "estimate": [-0.063, 0.2, 41.7],
            "low": [-0.12, 0.0, -3.0],
            "high": [0.0, 0.41, 734.0],
            "sd": [0.1234, 0.5, 12.31],
        }
    )
    assert rows_of(frame, by="outcome") == [
        ["mean activation", "−0.063", "−0.120", "0.000", "0.123"],
        ["mean activation", "0.200", "0.000", "0.410", "0.500"],
        ["mean force [N]", "42", "−3", "734", "12.3"],
    ]


def test_f_is_never_shown_as_an_integer():
    assert column([3.0, 734.2], name="f") == ["3.00", "734.20"]
    assert header("f") == "F"


def test_probabilities_are_known_by_their_names():
    assert column([0.00002, 0.5], name="p_holm") == ["< 0.001", "0.500"]


def test_identifiers_are_spelled_out_and_names_given_are_not():
    frame = pd.DataFrame(
        {
            "item": ["triceps_brachii/long", "elbow_extension"],
            "other_head": ["deltoid", "not require_choice ours"],
            "person": ["subject_01", "subject_02"],
            "condition": ["wide_grip", "a/b"],
            "file": ["lab/one_two", "lab/x.c3d"],
        }
    )
    assert rows_of(frame) == [
        ["triceps brachii, long", "deltoid", "subject_01", "wide_grip", "lab/one_two"],
        ["elbow extension", "not require_choice ours", "subject_02", "a/b", "lab/x.c3d"],
    ]


def test_long_names_break_after_their_punctuation():
    frame = pd.DataFrame({"file": ["lab/ines_narrow_<b>.c3d", "a_b"]})
    text = render(page_of(Table(frame=frame, caption="c")))
    assert "lab/<wbr>ines_<wbr>narrow_&lt;b&gt;.c3d" in text
    assert ">a_b<" in text


def test_formats_given_are_used():
    assert column([1.0, -2.345], formats={"value": ".1f"}) == ["1.0", "−2.3"]
    assert column([0.5], formats={"value": lambda v: f"about {v}"}) == ["about 0.5"]
    assert column([0.0002, 0.0123, 1.0], name="p") == ["< 0.001", "0.012", "1.000"]
    assert column([0.0002], formats={"value": "p"}) == ["< 0.001"]
    assert column(["triceps_brachii/long"], name="head") == ["triceps brachii, long"]


def test_numbers_stand_right_and_names_head_their_rows():
    frame = pd.DataFrame({"name": ["a", "b"], "x_n": [1.0, 2.0], "mean ± sd": ["1 ± 2", "3 ± 4"]})
    seen = read(Table(frame=frame, caption="c", highlight={"x_n": [False, True]}))
    scopes = [(a["scope"], t) for a, t in seen.all("th")]
    assert scopes[:3] == [("col", "name"), ("col", "x [N]"), ("col", "mean ± sd")]
    assert scopes[3:] == [("row", "a"), ("row", "b")]
    classes = [a.get("class", "").split() for a, _ in seen.all("td")]
    assert all("number" in c for c in classes)
    assert [("marked" in c) for c in classes] == [False, False, True, False]
    assert seen.all("strong") == [({}, "2")]


def test_index_is_shown_only_when_it_has_a_name():
    frame = pd.DataFrame({"x": [1.0]}, index=["label"])
    assert [t for _, t in read(Table(frame=frame, caption="c")).all("th")] == ["x"]
    named = frame.rename_axis("person")
    assert [t for _, t in read(Table(frame=named, caption="c")).all("th")] == [
        "person",
        "x",
        "label",
    ]


def test_rule_parts_groups_only_when_rows_of_a_name_stand_together():
    for names, rules in (("aabb", 1), ("abab", 0), ("abcd", 0), ("aaaa", 0)):
        seen = read(Table(frame=pd.DataFrame({"name": list(names), "x": 1.0}), caption="c"))
        assert sum(a.get("class") == "group" for a, _ in seen.all("tr")) == rules


def test_table_is_a_copy():
    frame = pd.DataFrame({"x": [1.0]})
    table = Table(frame=frame, caption="c")
    frame.loc[0, "x"] = 7.0
    assert table.frame.loc[0, "x"] == 1.0


def test_empty_tables_say_so():
    for frame in (pd.DataFrame({"x": []}), pd.DataFrame()):
        assert [t for _, t in read(Table(frame=frame, caption="c")).all("td")] == ["no rows"]
    assert [t for _, t in read(Verdicts(rows=[])).all("td")] == ["no checks"]


def test_wide_table_is_printed_small_or_on_its_side():
    def figure_of(columns):
        frame = pd.DataFrame({f"column_{i}_n": [123.4] for i in range(columns)})
        seen = read(Table(frame=frame, caption="c"))
        size = next(a["style"] for a, _ in seen.all("table"))
        return seen.all("figure")[0][0]["class"].split(), float(re.search(r"[\d.]+", size)[0])

    few, middle, many, too_many = (figure_of(n) for n in (3, 13, 20, 60))
    assert few[1] > middle[1]
    assert "turned" not in few[0] + middle[0]
    assert "turned" in many[0]
    assert "tight" not in many[0]
    assert "tight" in too_many[0]
    assert too_many[1] == 5.5


def test_tables_figures_and_code_are_numbered_through_the_page():
    frame = pd.DataFrame({"x": [1]})
    blocks = [Table(frame=frame, caption="t"), Picture(image=SVG, alt="a", caption="f")]
    page = Page(
        title="t",
        sections=[
            Section(title="One", anchor="one", blocks=blocks),
            Section(title="Two", anchor="two", blocks=[Verdicts(rows=[]), *blocks]),
        ],
    )
    seen = Reader(render(page))
    labels = [t for a, t in seen.all("span") if a.get("class") == "label"]
    assert labels == ["Table 1", "Figure 1", "Table 2", "Table 3", "Figure 2"]
    assert [a["href"] for a, _ in seen.all("a")] == ["#start", "#one", "#two"]


def test_picture_is_held_inside_the_page():
    image = png()
    seen = read(
        Picture(image=image, alt="a", caption="c"), Picture(image=SVG, alt="b", caption="c")
    )
    first, second = (a for a, _ in seen.all("img"))
    assert base64.b64decode(first["src"].removeprefix("data:image/png;base64,")) == image
    assert (first["width"], first["height"]) == ("100", "50")
    text = base64.b64decode(second["src"].removeprefix("data:image/svg+xml;base64,")).decode()
    assert text == SVG
    assert (second["width"], second["height"]) == ("130", "65")


def test_svg_of_matplotlib_stays_well_formed():
    stream = io.StringIO()
    Figure(figsize=(2.0, 1.0)).savefig(stream, format="svg")
    picture = Picture(image=stream.getvalue(), alt="a", caption="c")
    text = base64.b64decode(picture.uri().split(",")[1])
    assert ET.fromstring(text).tag.endswith("svg")  # noqa: S314 - made by the line above
    assert picture.size() == (260, 130)


def test_every_verdict_has_a_word_and_a_shape_of_its_own():
    rows = [Verdict(name=v, value="1", limit="2", verdict=v) for v in VERDICTS]
    text = render(page_of(Verdicts(rows=rows)))
    shapes = re.findall(r"<svg class=\"symbol\".*?</svg>", text, re.DOTALL)
    assert len(set(shapes)) == len(VERDICTS) == len(shapes)
    words = [t for a, t in Reader(text).all("span") if a.get("class") == "word"]
    assert words == list(VERDICTS.values())
    assert "(1 pass, 1 warning, 1 fail, 1 not possible)" in text


def test_cautions_and_sources_are_left_out_when_there_are_none():
    bare, full = render(page_of()), render(page_of(cautions=["Care."], sources_bibtex="@a{b,\n}"))
    for anchor in ("cautions", "sources"):
        assert f'id="{anchor}"' not in bare
        assert f'href="#{anchor}"' not in bare
        assert f'id="{anchor}"' in full
        assert f'href="#{anchor}"' in full


FRAME = pd.DataFrame({"x": [1.0, 2.0], "y": ["a", "b"]})


@pytest.mark.parametrize(
    ("make", "error", "message"),
    [
        (
            lambda: Verdict(name="n", value="", limit="", verdict="ok"),
            UnknownNameError,
            "check 'n': unknown verdict 'ok'",
        ),
        (lambda: Bullets(items="abc"), InputError, "put it in a list"),
        (lambda: page_of(cautions="abc"), InputError, r"Page\.cautions"),
        (lambda: Picture(image=png()[:-4], alt="a", caption="cut"), InputError, "'cut'.*whole PNG"),
        (lambda: Picture(image="<svg/>", alt="a", caption="c"), InputError, "namespace"),
        (lambda: Picture(image=SVG, alt=" ", caption="c"), InputError, "alt is empty"),
        (lambda: page_of("words"), InputError, "str is not a block; wrap texts in Paragraph"),
        (lambda: Section(title="t", anchor="Über uns"), InputError, "anchor 'Über uns'"),
        (lambda: Section(title="t", anchor="cautions"), InputError, "cannot be used"),
        (lambda: Section(title="t", anchor="figure-2"), InputError, "cannot be used"),
        (
            lambda: Page(title="t", sections=[Section(title=s, anchor="a") for s in "ab"]),
            InputError,
            "anchor 'a' is duplicated",
        ),
        (
            lambda: Table(frame=FRAME, caption="c", formats={"z": ".1f"}),
            UnknownNameError,
            "table 'c', formats: unknown column 'z'",
        ),
        (
            lambda: Table(frame=FRAME, caption="c", alike=[("x", "z")]),
            UnknownNameError,
            "table 'c', alike: unknown column 'z'",
        ),
        (lambda: Table(frame=FRAME, caption="c", alike=["xy"]), InputError, "put it in a list"),
        (
            lambda: Table(frame=FRAME, caption="c", by="z"),
            UnknownNameError,
            "table 'c', by: unknown column 'z'",
        ),
        (
            lambda: Table(frame=FRAME, caption="c", highlight={"x": [True]}),
            ShapeError,
            "must be 2 truth values",
        ),
        (
            lambda: Table(frame=pd.concat([FRAME, FRAME], axis=1), caption="c"),
            InputError,
            "are duplicated",
        ),
        (
            lambda: Table(frame=FRAME.rename_axis("x"), caption="c"),
            InputError,
            "both an index and a column",
        ),
        (
            lambda: render(page_of(Table(frame=FRAME, caption="c", formats={"y": ".1f"}))),
            InputError,
            "table 'c', row 1, column 'y': 'a' cannot be shown with format '.1f'",
        ),
        (
            lambda: column([1.5], name="p"),
            InputError,
            "must be a probability from 0 to 1",
        ),
    ],
)
def test_what_cannot_be_shown_is_refused(make, error, message):
    with pytest.raises(error, match=message):
        make()


def test_module_loads_no_heavy_library():
    code = (
        "import sys, momentshare.report.page.document\n"
        "print(sorted({'pandas', 'matplotlib', 'jinja2', 'scipy'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_no_line_of_running_text_ends_between_a_number_and_its_unit():
    text = "Lateral 66 % (zero), 5 N·m more in 6 of 6 people, by 1 point, 2 metres and 3 kg."
    kept = text
    for unit in ("66 %", "5 N·m", "1 point", "3 kg"):
        kept = kept.replace(unit, unit.replace(" ", "\N{NO-BREAK SPACE}"))
    assert kept.count("\N{NO-BREAK SPACE}") == 4
    section = Section(title="T", anchor="t", blocks=[Paragraph(text=text), Bullets(items=[text])])
    made = render(Page(title="P", opening=[("Firm", text)], sections=[section]))
    assert made.count(kept) == 3
    assert text not in made


def test_figures_have_one_scale_on_paper_and_long_lists_of_short_lines_two_columns():
    """Texts of all figures are as large when printed; a list of few or long lines is not split."""
    figure = Picture(image=png(), alt="a", caption="2 inches at 50 dots per inch")
    assert figure.printed_width() == round(0.8 * 100 / 130 * 25.4)
    lists = [Bullets(items=["short"] * 8), Bullets(items=["short"] * 7),
             Bullets(items=["x" * 200] * 8)]  # fmt: skip
    text = render(Page(title="t", sections=[Section(title="T", anchor="t", blocks=lists)]))
    assert text.count('<ul class="columns">') == 1
