"""What the examples of public names make can be pickled and copied, and prints on one line."""

import copy
import dataclasses
import doctest
import inspect
import pickle
import types
from collections.abc import Mapping

import numpy as np
import pytest

import momentshare
from momentshare import errors, sharing
from momentshare.results import ReadOnly

LONGEST = 1000
"""Characters in which an object must say what it is; inputs show every field."""

RESULTS = {
    "Sharing",
    "Certificate",
    "GreatestFactor",
    "GreatestMoment",
    "Gradients",
    "LinkageResult",
    "Difference",
    "HeadsApart",
    "GirdleLoad",
    "LimitingStrength",
    "Drive",
    "DriveField",
    "Recording",
}
"""Classes no array of which may be written, however deep; what they come from is the caller's."""

PUBLIC = [(momentshare, name) for name in momentshare.__all__ if not name.startswith("_")]
PUBLIC += [(sharing, name) for name in sharing.__all__]


def made_by_the_example(thing):
    """What the example of a docstring leaves in its names, of classes of ours."""
    tests = doctest.DocTestFinder(recurse=False, exclude_empty=True).find(
        thing, "example", globs={}
    )
    found = {}
    for test in tests:
        doctest.DocTestRunner(verbose=False).run(test, clear_globs=False, out=lambda _: None)
        found.update(test.globs)
    return {
        name: value
        for name, value in found.items()
        if type(value).__module__.startswith("momentshare")
        and not isinstance(value, (type, types.FunctionType, types.ModuleType))
    }


def answer_arrays(value, place="", of=object):
    """(place, array) of every array in an object of ours, its parts, tuples and mappings.

    ``of`` leaves out those of other kinds of dataclass.
    """
    if isinstance(value, np.ndarray):
        yield place, value
    elif isinstance(value, (list, tuple)):
        for at, part in enumerate(value):
            yield from answer_arrays(part, f"{place}[{at}]", of)
    elif isinstance(value, Mapping):
        for key, part in value.items():
            yield from answer_arrays(part, f"{place}[{key!r}]", of)
    elif dataclasses.is_dataclass(value):
        for item in dataclasses.fields(value):
            part = getattr(value, item.name)
            if isinstance(value, of) or not isinstance(part, np.ndarray):
                yield from answer_arrays(part, f"{place}.{item.name}", of)


def vars_of(value):
    """Values of the fields of an object, with slots or without."""
    return [getattr(value, name, None) for name in getattr(value, "__slots__", vars_if(value))]


def vars_if(value):
    """Names of the fields of an object without slots."""
    return list(getattr(value, "__dict__", {}))


@pytest.mark.parametrize(
    ("module", "name"), PUBLIC, ids=[f"{m.__name__}.{name}" for m, name in PUBLIC]
)
def test_what_an_example_makes_travels(module, name):
    thing = getattr(module, name)
    if not (inspect.isclass(thing) or inspect.isfunction(thing)):
        pytest.skip("not a class or a function")
    for label, value in made_by_the_example(thing).items():
        if any(isinstance(part, types.LambdaType) for part in vars_of(value)):
            continue  # Python pickles functions by name, and these have none
        assert "\n" not in repr(value), label
        assert len(repr(value)) <= LONGEST, label
        again = pickle.loads(pickle.dumps(value))  # noqa: S301
        assert type(again) is type(value), label
        assert repr(again) == repr(value), label
        assert repr(copy.deepcopy(value)) == repr(value), label
        if type(value).__name__ in RESULTS:
            assert held(value) == {place for place, _ in answer_arrays(value)}, label
        for other in (again, copy.copy(value), copy.deepcopy(value)):
            assert held(other) >= held(value), label


def held(value):
    """Places of arrays that cannot be written, in results; a view of an input may be one too."""
    return {
        place for place, array in answer_arrays(value, of=ReadOnly) if not array.flags.writeable
    }


def test_a_mapping_of_a_model_cannot_be_changed_and_travels():
    model = momentshare.load_model()
    for change in (
        lambda m: m.quantities.__setitem__("x", 1),
        lambda m: m.quantities.pop("specific_tension"),
        lambda m: m.quantities.update({}),
        lambda m: m.sites.clear(),
        lambda m: m.quantities.__ior__({"x": 1}),
    ):
        with pytest.raises(TypeError, match="cannot be changed"):
            change(model)
    again = pickle.loads(pickle.dumps(model))  # noqa: S301
    assert again == model
    assert again.digest == model.digest
    assert type(again.quantities) is type(model.quantities)


def test_every_error_travels():
    made = [
        errors.ShapeError("arms", "shape (2,)", "shape (3,)", "transpose"),
        errors.UnknownNameError("head", "x", ["y"]),
        errors.MissingExtraError("numba", "fast", "the kernel"),
        errors.InputError("field: must be 1; got 2"),
    ]
    for error in made:
        again = pickle.loads(pickle.dumps(error))  # noqa: S301
        assert type(again) is type(error)
        assert str(again) == str(error)
        assert vars(again) == vars(error)


def kinds(base):
    """All classes below a class."""
    return {kind for own in base.__subclasses__() for kind in {own, *kinds(own)}}


def test_results_say_what_they_are_and_not_every_number():
    """Two thousand frames print on one line too: no class keeps the ``repr`` of a dataclass."""
    for _, name in PUBLIC:
        getattr(momentshare, name, None)
    written_out = {
        kind.__name__ for kind in kinds(ReadOnly) if hasattr(kind.__repr__, "__wrapped__")
    }
    assert written_out - {"FlatLimbs", "Pull"} == set()  # arrays of the kernel; the docstring's own
    moments = np.linspace(1.0, 30.0, 2000)[:, None]
    answer = sharing.share([[0.05, 0.04]], [1000.0, 500.0], moments)
    assert repr(answer.certificate).startswith("Certificate(moment_residual=array(2000), ")
