"""Results that are indexed, labelled and written: pandas, dictionaries, JSON, xarray."""

import importlib.util
import inspect
import json
import math
import re
from typing import get_args

import numpy as np
import pandas as pd
import pytest

import momentshare
import momentshare.sharing
from momentshare.errors import ShapeError
from momentshare.sharing import Certificate, Status, greatest_factor, greatest_moment, share
from momentshare.sharing._labelled import CERTIFICATE, UNITS

ARMS = [[0.05, 0.04], [0.02, -0.03]]
CAPACITY = [1000.0, 500.0]
MOMENTS = [[25.0, 4.0], [99.0, 0.0], [10.0, 1.0]]


def same(answer, other):
    for name in (*UNITS, "status"):
        np.testing.assert_array_equal(getattr(answer, name), getattr(other, name))
    for name in CERTIFICATE:
        np.testing.assert_array_equal(
            getattr(answer.certificate, name), getattr(other.certificate, name)
        )


@pytest.mark.parametrize("key", [1, slice(0, 2), [True, False, True], (np.array([2, 0]),), -1])
def test_an_index_takes_frames_and_all_that_belongs_to_them(key):
    answer = share(ARMS, CAPACITY, MOMENTS, chain=False)
    same(answer[key], share(ARMS, CAPACITY, np.array(MOMENTS)[key], chain=False))
    assert answer[key].exponent == answer.exponent
    with pytest.raises(ValueError, match="read-only"):
        answer[key].force[...] = 0.0


def test_only_frames_can_be_indexed():
    answer = share(ARMS, CAPACITY, MOMENTS)
    with pytest.raises(IndexError):
        answer[0, 1]
    with pytest.raises(IndexError):
        answer[0][0]
    assert len(list(answer)) == 3
    grid = share(ARMS, CAPACITY, np.array([MOMENTS, MOMENTS]))
    same(grid[1, 2], answer[2])


def test_tables_of_pandas_keep_index_and_names():
    times = pd.Index([0.0, 0.5, 1.0], name="time [s]")
    moments = pd.DataFrame(MOMENTS, index=times, columns=["flexion", "abduction"])
    capacity = pd.Series(CAPACITY, index=["long", "short"])
    answer = share(ARMS, capacity, moments)
    assert answer.head_names == ("long", "short")
    assert answer.row_names == ("flexion", "abduction")
    table = answer.to_dataframe()
    pd.testing.assert_index_equal(table.index, times.repeat(2))
    assert "axis 0" not in table
    assert list(answer[1:].to_dataframe().index.unique()) == [0.5, 1.0]
    assert answer[0].frame_index is None
    plain = share(ARMS, CAPACITY, MOMENTS)
    same(answer, plain)
    assert (plain.head_names, plain.frame_index) == ((), None)
    named = share(ARMS, capacity, moments, head_names=["a", "b"])
    assert named.head_names == ("a", "b")


def test_tables_that_do_not_fit_together_are_refused():
    moments = pd.DataFrame(MOMENTS, index=[0, 1, 2])
    capacity = pd.DataFrame([CAPACITY] * 3, index=[2, 1, 0])
    with pytest.raises(ShapeError, match="active_capacity: must be the index of joint_moments"):
        share(ARMS, capacity, moments)


def test_every_value_of_a_dictionary_has_its_unit_and_axes():
    answer = share(ARMS, CAPACITY, MOMENTS, head_names=["long", "short"])
    found = answer.to_dict()
    assert found["coords"]["head"]["data"] == ["long", "short"]
    for name in ("activation", "force", "unmet", "multipliers", *CERTIFICATE):
        entry = found["data_vars"][name]
        assert "units" in entry["attrs"]
        values = np.array(entry["data"])
        assert values.ndim == len(entry["dims"])
        source = getattr(answer, name, None)
        source = getattr(answer.certificate, name) if source is None else source
        np.testing.assert_array_equal(values, source)
    assert found["data_vars"]["force"]["dims"] == ("frame", "head")
    assert found["data_vars"]["force"]["attrs"]["units"] == "N"
    meanings = found["data_vars"]["status"]["attrs"]["flag_meanings"].split()
    assert meanings[found["data_vars"]["status"]["data"][1]] == "shortfall"
    assert set(CERTIFICATE) == set(Certificate.__dataclass_fields__)
    single = answer[0].to_dict()["data_vars"]
    assert (single["force"]["dims"], single["status"]["dims"]) == (("head",), ())


def test_limits_are_taken_by_frame_and_written_with_units():
    fixed, scaled = np.zeros((3, 2)), np.array([[9.0, 1.0], [8.0, 2.0], [7.0, 1.5]])
    factor = greatest_factor(ARMS, CAPACITY, fixed, scaled)
    moment = greatest_moment(np.array([ARMS] * 3), CAPACITY, 0, 1, others="braced")
    for limit, value, unit in ((factor, "factor", "1"), (moment, "moment", "N m")):
        some, one = limit[1:], limit[-1]
        for name in limit.__dataclass_fields__:
            whole = getattr(limit, name)
            if isinstance(whole, np.ndarray):
                np.testing.assert_array_equal(getattr(some, name), whole[1:])
                np.testing.assert_array_equal(getattr(one, name), whole[-1])
        with pytest.raises(IndexError):
            limit[0, 0]
        found = limit.to_dict()["data_vars"]
        assert found[value] == {
            "dims": ("frame",),
            "data": getattr(limit, value).tolist(),
            "attrs": {"units": unit},
        }
        assert found["limiting"]["dims"] == ("frame", "head")
        meanings = found["status"]["attrs"]["flag_meanings"].split()
        assert [meanings[code] for code in found["status"]["data"]] == list(limit.status_text)
        assert one.to_dict()["data_vars"]["activation"]["dims"] == ("head",)
        known = set(limit.__dataclass_fields__) - {"definition", "inequality_multipliers"}
        assert known == set(found)
    assert moment.to_dict()["attrs"] == {"definition": "braced"}


def test_json_is_strict_and_comes_back():
    answer = share(
        ARMS, CAPACITY, [[25.0, math.nan], [9.0, 1.0]], exponent=math.inf, on_invalid="mark"
    )
    text = answer.to_json()

    def refused(word):
        raise AssertionError(word)

    found = json.loads(text, parse_constant=refused)
    assert found["attrs"]["exponent"] == "inf"
    assert found["data_vars"]["force"]["data"][0] == [None, None]
    assert found["data_vars"]["force"]["data"][1] == answer.force[1].tolist()
    assert found["data_vars"]["status"]["data"][0] == Status.INVALID


def test_xarray_reads_the_dictionary():
    xarray = pytest.importorskip("xarray")
    times = pd.Index([0.0, 0.5, 1.0])
    answer = share(ARMS, CAPACITY, pd.DataFrame(MOMENTS, index=times), head_names=["a", "b"])
    data = xarray.Dataset.from_dict(answer.to_dict())
    assert data.force.attrs["units"] == "N"
    np.testing.assert_array_equal(data.force.sel(head="b", frame=0.5), answer.force[1, 1])
    np.testing.assert_array_equal(data.stationarity, answer.certificate.stationarity)


def test_levels_of_an_index_are_coordinates_of_the_frames():
    levels = [("x", 1), ("x", 2), ("y", 1)]
    index = pd.MultiIndex.from_tuples(levels, names=["person", "head"])
    answer = share(ARMS, CAPACITY, pd.DataFrame(MOMENTS, index=index))
    found = json.loads(answer.to_json())["coords"]
    assert found["person"] == {"dims": ["frame"], "data": ["x", "x", "y"]}
    assert found["level_1"] == {"dims": ["frame"], "data": [1, 2, 1]}  # heads have that name
    assert found["head"]["data"] == ["head 0", "head 1"]
    assert answer.to_dataframe().index[-1] == ("y", 1)
    if importlib.util.find_spec("xarray"):
        import xarray

        data = xarray.Dataset.from_dict(answer.to_dict())
        np.testing.assert_array_equal(data.force.person, ["x", "x", "y"])


def choices():
    """Public calls, and their parameters that are documented as a choice of words."""
    for door in (momentshare, momentshare.sharing):
        for name in door.__all__:
            thing = getattr(door, name)
            text = inspect.getdoc(thing) or ""
            for names, words in re.findall(r"^([\w, ]+) : (\{'[^}]*\})", text, re.MULTILINE):
                for parameter in names.split(", "):
                    yield pytest.param(thing, parameter, words, id=f"{name}-{parameter}")


@pytest.mark.parametrize(("thing", "parameter", "words"), list(choices()))
def test_a_choice_of_words_is_a_literal_type(thing, parameter, words):
    """What the text offers is what a type checker knows."""
    module = inspect.getmodule(thing)
    annotation = inspect.signature(thing).parameters[parameter].annotation
    if isinstance(annotation, str):
        names = {**vars(__import__("typing")), **vars(module)}
        annotation = eval(annotation, names)  # noqa: S307 - an annotation of our own
    parts = [annotation, *get_args(annotation)]
    known = {word for part in parts for word in get_args(part) or (part,) if isinstance(word, str)}
    assert known == set(re.findall(r"'([^']+)'", words))


def test_words_are_looked_for():
    assert sum(1 for _ in choices()) >= 5
