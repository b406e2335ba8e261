"""Every public name says what it takes and gives, and shows it in an example that runs.

The examples themselves run in ``tests/unit/test_doctests.py``; here they are looked for.
"""

import dataclasses
import doctest
import inspect
import re

import pytest

import momentshare
import momentshare.sharing

DOORS = {
    f"{door.__name__}.{name}": getattr(door, name)
    for door in (momentshare, momentshare.sharing)
    for name in door.__all__
}


def sections(text):
    """Headings of a docstring in NumPy form, with the text below each."""
    lines = text.splitlines()
    at = [i for i in range(len(lines) - 1) if lines[i + 1] and set(lines[i + 1]) == {"-"}]
    ends = [*at[1:], len(lines)][: len(at)]
    return {
        lines[i]: "\n".join(lines[i + 2 : end]).strip() for i, end in zip(at, ends, strict=True)
    }


def missing(thing):
    """What a public class or function does not tell."""
    found = sections(inspect.getdoc(thing) or "")
    lacks = [] if doctest.DocTestParser().get_examples(found.get("Examples", "")) else ["Examples"]
    if not inspect.isclass(thing):
        parameters = inspect.signature(thing).parameters
        told = found.get("Parameters", "")
        lacks += [f"parameter {name}" for name in parameters if name not in told]
        lacks += [] if found.get("Returns") else ["Returns"]
    elif dataclasses.is_dataclass(thing):
        told = found.get("Parameters", "") + found.get("Attributes", "")
        lacks += [f"attribute {f.name}" for f in dataclasses.fields(thing) if f.name not in told]
    return lacks


def test_what_is_missing_is_found():
    def bare(arms):
        """Do a thing."""

    @dataclasses.dataclass
    class Bare:
        """A thing.

        Examples
        --------
        There is none.
        """

        arms: float

    assert missing(bare) == ["Examples", "parameter arms", "Returns"]
    assert missing(Bare) == ["Examples", "attribute arms"]


@pytest.mark.parametrize("name", DOORS)
def test_a_public_name_is_told_and_shown(name):
    assert missing(DOORS[name]) == []


@pytest.mark.parametrize("name", DOORS)
def test_examples_take_public_names_from_the_public_door(name):
    """What an example imports is public, or says how to invent data."""
    text = inspect.getdoc(DOORS[name])
    for example in doctest.DocTestParser().get_examples(text):
        line = example.source.replace("from momentshare.demo", "").strip()
        if line.startswith("from momentshare"):
            module = line.split()[1]
            assert module in {"momentshare", "momentshare.sharing", "momentshare.trial.invent"}


def test_the_two_doors_agree():
    for name in set(momentshare.__all__) & set(momentshare.sharing.__all__):
        assert getattr(momentshare, name) is getattr(momentshare.sharing, name)


def test_the_list_of_the_arrays_is_sorted():
    assert list(momentshare.sharing.__all__) == sorted(momentshare.sharing.__all__)


@pytest.mark.parametrize("door", [momentshare, momentshare.sharing])
def test_a_door_tells_of_all_its_names(door):
    told = set(re.findall(r"\w+", door.__doc__))
    assert [name for name in door.__all__ if name not in told] == []
