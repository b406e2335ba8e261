"""A head is found by its id, by its words in any order, and by what trainers call it."""

import pytest
import typer
from tests.planned import TEXT, solved
from typer.testing import CliRunner

from momentshare.cli.explain import explain
from momentshare.cohort.load import parse_cohort
from momentshare.cohort.preflight import check_cohort
from momentshare.demo.lab import write_lab
from momentshare.errors import StudyError, UnknownNameError
from momentshare.explain import (
    counterfactuals,
    drive_split,
    explain_along,
    explain_head,
    explain_heads_apart,
)
from momentshare.head_names import find_head
from momentshare.help.topics import topic
from momentshare.model import load_model
from momentshare.text import head_label, head_phrase

HEADS = load_model().head_names
FRONT = "deltoid/clavicular"
LONG = "triceps_brachii/long"


@pytest.mark.parametrize("head", HEADS)
def test_every_name_that_a_report_writes_is_that_of_its_head(head):
    names = [head, head_label(head), head_phrase(head), head_phrase(head).removeprefix("the ")]
    for name in [*names, *(name.upper() for name in names)]:
        assert find_head(name, HEADS) == head
    assert find_head("  ".join(reversed(head_label(head).split())), HEADS) == head


def test_names_of_the_glossary_are_accepted():
    (row,) = [x for x in topic("glossary").text.splitlines() if x.startswith("| anterior, ")]
    common = row.split("|")[1].removesuffix(" deltoid ").replace(" ", "").split(",")
    parts = row.partition("its ")[2].partition(" parts")[0].replace(" and ", ", ").split(", ")
    assert len(common) == len(parts) == 3
    for name, part in zip(common, parts, strict=True):
        assert find_head(f"{name} deltoid", HEADS) == f"deltoid/{part}"
        assert find_head(f"{name.title()} head of the deltoid", HEADS) == f"deltoid/{part}"


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("triceps", ["triceps_brachii/long", "triceps_brachii/lateral", "triceps_brachii/medial"]),
        ("Biceps brachii", ["biceps_brachii/long", "biceps_brachii/short"]),
        ("sternocostal pectoralis", ["pectoralis_major/sternocostal_upper"]),
        ("lower pectoralis", ["pectoralis_major/sternocostal_lower"]),
    ],
)
def test_a_name_that_is_not_exact_is_refused_with_the_heads_it_could_mean(name, meant):
    with pytest.raises(UnknownNameError, match="it could mean") as refused:
        find_head(name, HEADS, "--head")
    said = str(refused.value)
    assert said.startswith(f"--head: unknown head {name!r}; ")
    assert all(repr(head) in said for head in meant)
    assert "name " in said


def test_two_heads_of_the_same_words_are_told_apart_by_their_ids_only():
    known = ("arm/long_part", "long/arm")
    assert find_head("long/arm", known) == "long/arm"
    with pytest.raises(UnknownNameError, match="'arm/long_part' or 'long/arm'"):
        find_head("long arm", known)


def test_functions_that_take_a_head_take_its_names_and_give_its_id():
    (lift,) = [c.results[0] for c in solved().cases if (c.person, c.condition) == ("Edda", "wide")]
    found, named = (
        explain_head(lift, FRONT, frame=2),
        explain_head(lift, "Anterior Deltoid", frame=2),
    )
    assert named.head == named.split.head == FRONT
    assert named.split.part.tolist() == found.split.part.tolist()
    split = drive_split(found.problem, found.sharing, "anterior deltoid")
    assert (split.head, split.total) == (FRONT, found.split.total)
    assert set(explain_along(lift, "anterior deltoid")["head"]) == {FRONT}
    assert counterfactuals(found.problem, "anterior deltoid").head == FRONT
    apart = explain_heads_apart(lift, "long head of the triceps", "lateral triceps", frame=2)
    assert (apart.head, apart.other) == (LONG, "triceps_brachii/lateral")


def test_the_command_takes_the_names_too(tmp_path):
    app = typer.Typer()
    app.command()(explain)
    study = tmp_path / "study.toml"
    study.write_text(TEXT, encoding="utf-8")
    words = [str(study), "--condition", "wide", "--draws", "0", "--height", "0.2", "--json"]
    outputs = [
        CliRunner()
        .invoke(app, [*words, "--head", a, "--against", b], catch_exceptions=False)
        .output
        for a, b in ((FRONT, LONG), ("anterior deltoid", "Long head of the triceps brachii"))
    ]
    assert outputs[0] == outputs[1]
    assert FRONT in outputs[0]
    for option, value in (("--head", "triceps"), ("--against", "triceps")):
        more = [option, value] if option == "--head" else ["--head", FRONT, option, value]
        done = CliRunner().invoke(app, [*words, *more])
        assert isinstance(done.exception, UnknownNameError)
        assert str(done.exception).startswith(f"{option}: unknown ")
        assert repr(LONG) in str(done.exception)


def test_a_cohort_takes_the_names_too_and_its_answers_have_ids(tmp_path):
    place = write_lab(tmp_path, people=1, repetitions=1)
    text = place.read_text("utf-8")
    plain = parse_cohort(text, "study.toml", place.parent)
    heads = [head for layout in plain.file.layout for head in layout.emg]
    assert FRONT in heads
    more = '\n[statistics]\nheads = ["Anterior deltoid", "pectoralis major, abdominal"]\n'
    assert "[statistics]" not in text
    named = text.replace(f'"{FRONT}"', '"anterior deltoid"') + more
    study = parse_cohort(named, "study.toml", place.parent)
    assert [head for layout in study.file.layout for head in layout.emg] == heads
    assert study.file.statistics.heads == [FRONT, "pectoralis_major/abdominal"]
    check_cohort(study, load_model())
    for wrong, said in (("triceps", "it could mean"), ("front delt", "known: ")):
        broken = parse_cohort(named.replace("Anterior deltoid", wrong), "s.toml", place.parent)
        with pytest.raises(UnknownNameError, match=said) as refused:
            check_cohort(broken, load_model())
        assert "s.toml: statistics → heads: unknown head" in str(refused.value)
    twice = named.replace('"anterior deltoid"', f'"anterior deltoid" = "EMG 1"\n"{FRONT}"', 1)
    with pytest.raises(StudyError, match="are one head; remove one"):
        parse_cohort(twice, "study.toml", place.parent)
