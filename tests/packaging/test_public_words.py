"""Options that take one of a few words say so in their types."""

import inspect
import re

import pytest

import momentshare
from momentshare import sharing

PUBLIC = [(momentshare, name) for name in momentshare.__all__ if not name.startswith("_")]
PUBLIC += [(sharing, name) for name in sharing.__all__]


def worded(thing):
    """Parameters whose description lists words, of a class or function and its methods."""
    described = re.findall(
        r'^ *(\w+)(?:, \w+)* : \{["\'][^\n]*\}', inspect.getdoc(thing) or "", flags=re.MULTILINE
    )
    try:
        given = inspect.signature(thing).parameters
    except (TypeError, ValueError):
        return {}
    return {name: given[name].annotation for name in described if name in given}


@pytest.mark.parametrize(
    ("module", "name"), PUBLIC, ids=[f"{m.__name__}.{name}" for m, name in PUBLIC]
)
def test_words_are_in_the_types(module, name):
    thing = getattr(module, name)
    things = [thing]
    if inspect.isclass(thing):
        things += [
            part for key, part in vars(thing).items() if inspect.isfunction(part) and key[0] != "_"
        ]
    for part in things:
        for parameter, kind in worded(part).items():
            assert not re.search(r"\bstr\b", str(kind)), f"{parameter}: {kind}"


def test_the_search_finds_such_options():
    assert "method" in worded(sharing.share)
    assert "weights" in worded(momentshare.Criterion)
