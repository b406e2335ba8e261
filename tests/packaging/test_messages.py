"""Messages have one form, ``place: must be …; got …; remedy``, and words are the house's own.

The form and the terms are those of DEVELOPERS.md.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "momentshare"

FORMER = re.compile(r"(?:^|[:;,] )wanted (?!\{)|, got (?:\{|[0-9'\"]|none\b|nothing\b)|, got $")
"""How messages read before: "X: wanted A, got B"."""

AVOIDED = re.compile(
    r"\bendless cylinder|\bstands twice|\bhands? on to\b|\bgives? all (?:it|they) ha(?:s|ve)"
    r"|; ours\.|\bour (?:own )?choice\b|\bfootward of\b|\bmuscle.tendon unit"
    r"|\bone row a\b|\bone line a\b"
)
"""Words for which DEVELOPERS.md has others, in docstrings, comments and messages."""


def pieces(tree):
    """Every string of a module with its line; of an f-string the text and ``{…}`` for values."""
    inner = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inner |= {id(part) for part in node.values}
            parts = [getattr(part, "value", "") for part in node.values]
            text = "".join(part if isinstance(part, str) else "{…}" for part in parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = "" if id(node) in inner else node.value
        else:
            continue
        yield node.lineno, text


def found(pattern, text):
    return [f"{line}: {piece}" for line, piece in pieces(ast.parse(text)) if pattern.search(piece)]


def test_messages_say_what_must_hold():
    hits = {p.name: found(FORMER, p.read_text("utf-8")) for p in SOURCE.rglob("*.py")}
    assert len(hits) > 100
    assert {name: hit for name, hit in hits.items() if hit} == {}


def test_words_are_those_of_the_house():
    files = [*SOURCE.rglob("*.py"), *(SOURCE / "help" / "topics").glob("*.md")]
    hits = {p.name: AVOIDED.findall(p.read_text("utf-8")) for p in files}
    assert {name: hit for name, hit in hits.items() if hit} == {}


@pytest.mark.parametrize(
    "line",
    [
        'raise ValueError(f"draws: wanted 1 to {most}, got {n}")',
        "raise ValueError('wanted a number')",
        'faults.append("table: must have a row, got none")',
        'raise ValueError(f"x: must be 1, got " f"{n}")',
    ],
)
def test_a_message_of_the_former_kind_is_found(line):
    assert found(FORMER, line)


def test_a_message_of_this_kind_passes():
    assert found(FORMER, 'f"draws: must be between 1 and {most}; got {n}"') == []


TOLD = ("sharing", "balance", "linkage", "paths", "skeleton.py", "arrays.py", "_kernels",
        "exercise/angles.py", "model/numbers.py")  # fmt: skip
"""What an embedder calls: each `ShapeError` there has a remedy."""


def without_remedy(text):
    """Lines of a `ShapeError` whose last argument, the remedy, is missing or empty."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "ShapeError":
            remedy = [*node.args[3:], *(item.value for item in node.keywords)]
            if not remedy or (isinstance(remedy[0], ast.Constant) and not remedy[0].value):
                yield node.lineno


def test_a_shape_that_is_refused_has_a_remedy():
    places = [SOURCE / name for name in TOLD]
    files = [f for place in places for f in (place.rglob("*.py") if place.is_dir() else [place])]
    assert len(files) > 60
    hits = {f.name: list(without_remedy(f.read_text("utf-8"))) for f in files}
    assert {name: hit for name, hit in hits.items() if hit} == {}
    assert list(without_remedy('ShapeError("x", "y", "z")\nShapeError("x", "y", "z", "")')) == [
        1,
        2,
    ]
