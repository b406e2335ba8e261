"""An answer for a lift in plain values: every number is that of the arrays and the tables."""

import copy
import json
import pickle
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from momentshare import (
    BenchPress,
    Criterion,
    Lateral,
    Person,
    Profile,
    build_limb,
    lift_from_angles,
    load_model,
    prepare,
    solve_lift,
)
from momentshare.directions import ROWS


@pytest.fixture(scope="module")
def result():
    ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    limb = build_limb(ada, load_model())
    press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=4)
    return solve_lift(prepare(limb, press.lift(limb.skeleton)), Lateral(mode="zero"))


def test_every_variable_has_axes_of_its_shape_and_a_unit(result):
    whole = result.to_dict()
    sizes = {name: len(part["data"]) for name, part in whole["coords"].items()} | {"frame": 4}
    assert {"moment_arms", "contact", "greatest_load", "net_moments"} < set(whole["data_vars"])
    for name, part in whole["data_vars"].items():
        assert name.isidentifier()
        shape = tuple(sizes.get(axis, -1) for axis in part["dims"])
        assert np.shape(part["data"]) == shape, name
        if name not in {"status", "reachable", "free_values"}:
            assert part["attrs"]["units"], name


def test_numbers_are_those_of_the_arrays(result):
    found = result.to_dict()["data_vars"]
    prepared = result.prepared
    for name, values in {
        "force": result.force,
        "activation": result.activation,
        "contact": result.contact,
        "net_moments": result.moments,
        "moment_arms": prepared.paths.moment_arms,
        "capacity": prepared.state.active_capacity,
        "greatest_load": result.greatest.factor,
    }.items():
        np.testing.assert_array_equal(found[name]["data"], values)
    np.testing.assert_allclose(
        np.array(found["strength_fraction"]["data"])
        * prepared.limb.greatest_isometric_force,
        result.force,
    )  # fmt: skip
    # The moments of the balance: arms times forces, in the rows that are balanced.
    balanced = [ROWS.index(name) for name in result.criterion.rows]
    arms = np.array(found["moment_arms"]["data"])[:, balanced]
    force, unmet = (np.array(found[name]["data"]) for name in ("force", "unmet"))
    net = np.array(found["net_moments"]["data"])[:, balanced]
    np.testing.assert_allclose(np.einsum("fji,fi->fj", arms, force) + unmet, net, atol=1e-6)


def test_json_is_strict_and_says_what_made_it(result):
    def refused(text):
        raise AssertionError(text)

    whole = json.loads(result.to_json(), parse_constant=refused)
    assert whole["attrs"]["model_digest"] == result.prepared.limb.model.digest
    assert whole["attrs"]["lateral"] == "zero"
    assert whole["attrs"]["exponent"] == Criterion().exponent
    assert whole["coords"]["head"]["data"] == list(result.prepared.limb.head_names)


def test_xarray_reads_it(result):
    xarray = pytest.importorskip("xarray")
    read = xarray.Dataset.from_dict(result.to_dict())
    assert read["force"].attrs["units"] == "N"
    assert read["contact"].dims == ("frame", "direction")


def answer_arrays(value):
    return {name: np.array(part["data"], dtype=float) for name, part in value["data_vars"].items()}


KEYS = [2, -1, slice(1, 3), [True, False, False, True], np.array([3, 0]), slice(0, 0)]


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_an_index_takes_frames_and_all_that_belongs_to_them(result, key):
    part = result[key]
    chosen = np.atleast_1d(np.arange(4)[key])
    whole = answer_arrays(result.to_dict())
    for name, values in answer_arrays(part.to_dict()).items():
        wanted = whole[name][chosen]  # lists of no frame do not say how many heads there are
        np.testing.assert_array_equal(values.reshape(wanted.shape), wanted, err_msg=name)
    heads = len(result.prepared.limb.head_names)
    for table, lines in (("head_table", heads), ("row_table", len(ROWS)), ("frame_table", 1)):
        some, every = getattr(part, table)(), getattr(result, table)()
        assert len(some) == lines * len(chosen)
        kept = np.concatenate([np.flatnonzero(every["frame"] == f) for f in chosen] or [[]])
        expected = every.iloc[kept.astype(int)].reset_index(drop=True)
        pd.testing.assert_frame_equal(
            some.drop(columns="frame"),
            expected.drop(columns="frame"),
            check_dtype=False,
            check_exact=True,
        )
    with pytest.raises(ValueError, match="read-only"):
        part.moments[...] = 0.0


def test_frames_that_were_taken_are_a_lift_that_can_be_solved(result):
    some = result[[1, 3]]
    again = solve_lift(some.prepared, some.lateral)
    np.testing.assert_allclose(again.force, result.force[[1, 3]], rtol=1e-9)
    posed = prepare(some.prepared.limb, some.prepared.lift)
    np.testing.assert_allclose(posed.demand.moments(), result.moments[[1, 3]], atol=1e-12)


def test_frames_of_a_timed_lift_keep_their_motion():
    limb = build_limb(
        Person(name="Ada", sex="female", stature=1.66, body_mass=62.0), load_model()
    )  # fmt: skip
    swing = np.radians(60.0 + 20.0 * np.sin(np.arange(6.0)))
    lift = lift_from_angles(
        limb.skeleton, {"elbow_flexion": swing}, rate=50.0, hand_force=[3.0, -20.0, 1.0]
    )
    whole = prepare(limb, lift)
    some = prepare(limb, lift.take(slice(2, 5)))
    np.testing.assert_array_equal(some.demand.moments(), whole.demand.moments()[2:5])
    np.testing.assert_allclose(
        some.state.fibre_velocity_normalised, whole.state.fibre_velocity_normalised[2:5]
    )


@pytest.mark.parametrize("key", [4, -5, [True], (0, 1), "x", 1.5])
def test_frames_that_there_are_not_are_refused(result, key):
    with pytest.raises(IndexError):
        result[key]


def test_what_cannot_be_reached_is_not_a_number(result):
    before = result.prepared
    lift = replace(before.lift, reachable=np.array([True, False, True, True]))
    lost = solve_lift(prepare(before.limb, lift), Lateral(mode="zero"))
    found = lost.to_dict()["data_vars"]
    for name in ("force", "moment_arms", "capacity", "contact", "greatest_load"):
        gone = np.isnan(found[name]["data"])
        assert gone[1].all()
        assert not gone[[0, 2, 3]].any()
    assert found["reachable"]["data"] == [True, False, True, True]
    assert "NaN" not in lost.to_json()


def test_it_pickles_copies_and_prints_on_one_line(result):
    for other in (pickle.loads(pickle.dumps(result)), copy.deepcopy(result)):  # noqa: S301
        assert other.to_json() == result.to_json()
    assert "\n" not in repr(result)
    assert len(repr(result)) < 400
