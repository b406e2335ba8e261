"""The bibliography: any layout is read, damage is named with its line, gaps are never exported."""

import contextlib
import re
import time

import pytest

from momentshare import load_model
from momentshare.errors import ModelError, UnknownNameError
from momentshare.model import models_folder
from momentshare.model.sources import cite, read_bibliography
from momentshare.muscle import CURVE_SETS
from momentshare.report.writing.citations import citations, run_keys

SPREAD_OUT = """
% a comment with an @article{in, it
@article{first1900,
  author = {First A},
  title = {On {Levers}},
  journal = {J},
  year = 1900,
  pages = {1--2}
}
@book{second1901,
  author = {Second B}, title = "A {"}quoted{"} word", publisher = {P}, year = {1901},
}
"""
TIGHT = (
    "@article{first1900,author={First A},title={On {Levers}},journal={J},year=1900,pages={1--2}}"
    '@book{second1901,author={Second B},title="A {"}quoted{"} word",publisher={P},year={1901}}'
)


@pytest.fixture
def read(tmp_path):
    def reader(text):
        path = tmp_path / "references.bib"
        path.write_text(text, encoding="utf-8")
        return read_bibliography(path)

    return reader


@pytest.fixture(scope="module")
def shipped():
    return read_bibliography(models_folder() / "references.bib")


@pytest.mark.parametrize("text", [SPREAD_OUT, TIGHT, SPREAD_OUT.replace("\n", "\r\n")])
def test_the_layout_of_an_entry_does_not_matter(read, text):
    found = read(text)
    assert list(found) == ["first1900", "second1901"]
    assert found["first1900"].fields == (
        ("author", "First A"),
        ("title", "On {Levers}"),
        ("journal", "J"),
        ("year", "1900"),
        ("pages", "1--2"),
    )
    assert found["second1901"].field("title") == 'A {"}quoted{"} word'


def test_what_is_written_reads_back_the_same(read, shipped):
    text = "\n\n".join(r.bibtex for r in shipped.values())
    again = read(text)
    assert list(again) == list(shipped)
    ours = {"author", "note", "recalled", "annote"}
    for key, reference in shipped.items():
        kept = [field for field in again[key].fields if field[0] not in ours]
        assert kept == [field for field in reference.fields if field[0] not in ours]
        assert again[key].cited == reference.cited
        told = again[key].field("annote")
        assert reference.field("note") in told
        assert reference.field("recalled") in told
    assert "author = {An, K. N. and Hui, F. C. and Morrey, B. F. and " in text
    assert not re.search(r"(?m)^  (note|recalled) =", text)  # a style would print them


@pytest.mark.parametrize(
    ("damaged", "words"),
    [
        (
            "@article{a1900,\n author = {A}\n title = {T}}",
            r"line 3, in the entry of line 1: .*comma",
        ),
        ("@article{a1900,\n author {A}}", r"line 2.*'author' needs an equals sign"),
        ("@article{a1900,\n author = {A", r"line 2, .*brace is never closed"),
        ('@article{a1900,\n author = "A}', r"quote is never closed"),
        ("\n\n@article a1900", r"line 3: an entry begins with"),
        ("@article{,author={A}}", r"a key must come here"),
        ("@article{a1900,year={1},year={2}}", r"'year' twice"),
        ("@string{x {y}}", r"abbreviation 'x' needs an equals sign"),
        ("@string{x = {y}", r"abbreviation 'x' needs a closing '}'"),
        ("@misc{a,title={t},year={1}} @misc{a,title={t},year={1}}", r"'a' is duplicated"),
        (
            "@article{a1900,author={A},title={T},year={1900}}",
            r"'a1900' lacks journal, pages or doi",
        ),
        ("@misc{a,title={t},year={1},incomplete={}}", r"'incomplete' is empty"),
    ],
)
def test_damage_is_named_with_its_place(read, damaged, words):
    with pytest.raises(ModelError, match=words):
        read(damaged)


def test_layout_changes_nothing(read):
    """Parentheses, abbreviations, joined values and preambles, as other tools write them."""
    plain = read(
        "@article{a1900,author={A B},title={On {Arms}},journal={J Invented},"
        "year={1900},pages={1--2}}"
        "@misc{b1901,title={T},year={1901}}"
    )
    other = read(
        '@preamble{"\\newcommand{\\x}{y}" # {z}}\n'
        '@STRING(ji = "J " # {Invented})\n% a note with @ and {\nwords between\n'
        '@Article (a1900\n , Author = "A\n   B" ,\n TITLE={On {Arms}},journal=JI,\n'
        'year=1900 , pages = {1} # {--} # 2,\n)\r\n\t@misc{b1901,title={T},year="1901"}'
    )
    assert other == plain


def test_faults_of_several_entries_are_reported_together(read):
    with pytest.raises(ModelError) as caught:
        read(
            "@misc{a,title={t},year={1}}\n@misc{a,title={t},year={1}}\n"
            "@article{b,title {t}}\n@book{c,title={t},year={1}}\n@misc{d,title={t},year={2}}\n"
        )
    faults = caught.value.faults
    assert len(faults) == 3
    for fault, words in zip(
        faults, ("'a' is duplicated", "line 3: entry 'b'", "'c' lacks"), strict=True
    ):
        assert words in fault


@pytest.mark.parametrize(
    "unit",
    [
        "@a{b,c={\n",
        "@a{\n",
        "@article{",
        "{",
        "@",
        "@a{b,c={",
        'x="{',
        "@comment{",
        "% @\n",
        "@misc{k,a=",
        " \n",
    ],
)
def test_a_megabyte_of_anything_ends_within_a_second(read, unit):
    begun = time.perf_counter()
    with contextlib.suppress(ModelError):
        read(unit * (1_000_000 // len(unit)))
    assert time.perf_counter() - begun < 1.0


def test_what_is_incomplete_is_named_and_not_exported(read):
    found = read(
        "@article{whole1900,author={A},title={T},journal={J},year={1900},pages={1}}"
        "@article{part1901,title={T},year={1901},incomplete={authors and journal}}"
        "@misc{ours,title={T},year={1902},keywords={not a publication}}"
    )
    cited = cite(found, ["ours", "part1901", "whole1900", "whole1900"])
    assert [r.key for r in cited.complete] == ["whole1900"]
    assert re.findall(r"@\w+\{([^,]+),", cited.bibtex()) == ["whole1900"]
    assert "% part1901 (lacks authors and journal)" in cited.bibtex()
    assert cited.to_dict()["incomplete_sources"] == {"part1901": "authors and journal"}
    assert cite(found, []).bibtex() == ""


def test_a_key_that_is_missing_is_an_error(shipped):
    with pytest.raises(UnknownNameError, match=r"source key 'lippit1993'.*lippitt1993"):
        cite(shipped, ["lippit1993"])


def test_every_shipped_entry_is_a_citation_or_says_what_it_lacks(shipped):
    assert len(shipped) >= 59
    for reference in shipped.values():
        words = f"{reference.field('author')} {reference.field('title')}".lower()
        if reference.is_publication and not reference.incomplete:
            assert "in our words" not in reference.text()
            assert "not stated" not in words
            assert "unnamed" not in words


def test_the_ratios_of_the_glenoid_cite_the_paper_that_reports_them(shipped):
    """Lippitt et al. 1993, J Shoulder Elbow Surg 2:27-35, abstract read (doi seen)."""
    entry = shipped["lippitt1993"]
    assert entry.field("title").startswith("Glenohumeral stability from concavity-compression")
    assert entry.field("doi") == "10.1016/S1058-2746(09)80134-1"


@pytest.mark.parametrize("curves", list(CURVE_SETS))
def test_the_curves_that_ran_are_cited_and_no_others(curves):
    model = load_model()
    cited = {r.key for r in citations(model, run_keys(model, curves)).complete}
    sources = {name: made().source_key for name, made in CURVE_SETS.items()}
    assert sources == {"degroote2016": "degroote2016", "thelen2003": "thelen2003"}
    assert sources[curves] in cited
    assert cited & set(sources.values()) <= {sources[curves], *model.source_keys()}


@pytest.mark.parametrize(
    ("key", "cited"),
    [
        ("murray2000", "Murray et al. 2000"),
        ("ackland2011", "Ackland and Pandy 2011"),
        ("deleva1996", "de Leva 1996"),
        ("vandentillaar2013", "van den Tillaar and Ettema 2013"),
        ("inman1944", "Inman et al. 1944"),
        ("kawakami1994", "Kawakami et al. 1994"),
        ("winter2009", "Winter 2009"),
        ("popadic2009", "Popadic Gacesa et al. 2009"),
        ("tsunoda1993", "Tsunoda et al. 1993"),
        # Nobody's name is known, or nothing was published.
        ("isokinetic1989", "Isokinetic muscle strength parameters for shoulder movements, 1989"),
        ("cuffarms2013", "Clin Orthop Relat Res, 2013"),
        ("anatomytexts", "Attachment descriptions after Terminologia Anatomica"),
    ],
)
def test_a_sentence_cites_authors_and_year(shipped, key, cited):
    assert shipped[key].cited == cited


def test_no_citation_shows_its_key(shipped):
    for key, reference in shipped.items():
        assert key not in reference.cited or not dict(reference.fields).keys() & {
            "author", "title", "journal", "booktitle"
        }  # fmt: skip
