"""The prepared solver: the answers of ``share``, in arrays that are used again."""

import copy
import inspect
import json
import math
import pickle
import tracemalloc

import numpy as np
import pandas as pd
import pytest
from tests import naive

from momentshare import Balance
from momentshare.errors import ShapeError
from momentshare.sharing import (
    Answer,
    Cone,
    Solver,
    Status,
    cone_inequalities,
    force_gradients,
    share,
)
from momentshare.sharing._result import put
from momentshare.sharing._share import solve_numpy


@pytest.fixture(params=["compiled", "numpy"])
def route(request, monkeypatch):
    if request.param == "numpy":
        monkeypatch.setattr("momentshare.sharing._share.is_available", lambda: False)
    return request.param


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, math.inf])
@pytest.mark.parametrize("level", [0.3, 3.0])
def test_a_batch_and_a_stream_give_what_share_gives(route, exponent, level):
    arms, capacity, moments = naive.limb_like(30, level=level, seed=1)
    passive = np.linspace(0.0, 20.0, 28)
    weights = np.random.default_rng(1).uniform(0.5, 2.0, 28)
    column = np.array([[1.0], [0.5], [-0.2], [0.3]])
    wanted = share(
        arms, capacity, moments, exponent=exponent, weights=weights, passive_force=passive,
        free_columns=column, chain=False,
    )  # fmt: skip
    solver = Solver(heads=28, exponent=exponent, weights=weights, free_columns=column)
    batch = solver.solve(arms, capacity, moments, passive_force=passive, chain=False)
    names = ("activation", "force", "active_force", "unmet", "free_values")
    np.testing.assert_array_equal(batch.status, wanted.status)
    loose = {"rtol": 1e-9, "atol": 1e-7} if exponent > 2.0 else {"rtol": 1e-9, "atol": 1e-9}
    sizes = {name: np.abs(getattr(wanted, name)).max() for name in names}
    sizes["unmet"] = np.abs(moments).max()
    for name in names:
        size = sizes[name]
        np.testing.assert_allclose(
            getattr(batch, name) / size, getattr(wanted, name) / size, **loose
        )
    for f in range(30):
        one = solver.step(arms[f], capacity[f], moments[f], passive_force=passive)
        assert one.status == wanted.status[f]
        for name in names:
            size = sizes[name]
            np.testing.assert_allclose(
                getattr(one, name) / size, getattr(wanted, name)[f] / size, **loose
            )


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_limits_may_change_from_call_to_call(exponent):
    arms, capacity, moments = naive.limb_like(20, level=1.0, seed=2)
    rng = np.random.default_rng(3)
    lines = rng.normal(size=(20, 28, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    G, h = cone_inequalities(
        lines, rng.normal(scale=20.0, size=(20, 3)), [0.4] * 8, axis=[1, 0, 0], towards=[0, 1, 0]
    )
    wanted = share(arms, capacity, moments, exponent=exponent, inequalities=(G, h), chain=False)
    held = wanted.inequality_multipliers.any(axis=1)
    assert 0 < held.sum() < 20
    solver = Solver(heads=28, exponent=exponent, inequalities=(G[0], h[0]))
    batch = solver.solve(arms, capacity, moments, inequalities=(G, h), chain=False)
    np.testing.assert_allclose(batch.activation, wanted.activation, atol=1e-9)
    np.testing.assert_allclose(
        batch.inequality_multipliers, wanted.inequality_multipliers, atol=1e-9
    )
    for f in range(20):
        one = solver.step(arms[f], capacity[f], moments[f], inequalities=(G[f], h[f]))
        np.testing.assert_allclose(one.activation, wanted.activation[f], atol=1e-7)


def test_no_array_is_made_after_the_first_call():
    arms, capacity, moments = naive.limb_like(50, level=1.0, seed=3)
    solver = Solver(heads=28)
    first = solver.step(arms[0], capacity[0], moments[0])
    room = solver.room(50, 4)
    solver.solve(arms, capacity, moments, out=room)
    tracemalloc.start()
    try:
        for f in range(50):
            assert solver.step(arms[f], capacity[f], moments[f]) is first
        data = tracemalloc.DomainFilter(inclusive=True, domain=np.lib.tracemalloc_domain)
        made = tracemalloc.take_snapshot().filter_traces([data])
    finally:
        tracemalloc.stop()
    assert sum(item.size for item in made.statistics("lineno")) == 0
    assert solver.solve(arms, capacity, moments, out=room) is room


def test_a_copy_outlives_the_next_step():
    solver = Solver(heads=2)
    arms, capacity = np.array([[0.05, 0.04]]), np.array([1000.0, 500.0])
    kept = solver.step(arms, capacity, np.array([25.0])).copy()
    solver.step(arms, capacity, np.array([5.0]))
    np.testing.assert_allclose(kept.force, [431.034483, 86.206897], atol=1e-6)


def test_values_that_cannot_be_used_mark_their_frame_and_no_other(route):
    arms, capacity, moments = naive.limb_like(6, seed=4)
    clean = Solver(heads=28).solve(arms, capacity, moments, chain=False).copy()
    arms, capacity, moments = arms.copy(), capacity.copy(), moments.copy()
    arms[1, 0, 3] = math.nan
    capacity[2, 5] = -1.0
    moments[4, 0] = math.inf
    solver = Solver(heads=28)
    answer = solver.solve(arms, capacity, moments, chain=False)
    bad = [1, 2, 4]
    assert (answer.status[bad] == Status.INVALID).all()
    assert np.isnan(answer.force[bad]).all()
    good = [0, 3, 5]
    np.testing.assert_allclose(answer.activation[good], clean.activation[good], atol=1e-12)
    for f in range(6):
        one = solver.step(arms[f], capacity[f], moments[f])
        assert (one.status == Status.INVALID) == (f in bad)
        if f in good:
            np.testing.assert_allclose(one.activation, clean.activation[f], atol=1e-9)
    hidden = np.ma.array(moments[0], mask=[True, False, False, False])
    assert solver.step(arms[0], capacity[0], hidden).status == Status.INVALID


def test_one_set_of_arms_serves_every_frame():
    arms, capacity, moments = naive.limb_like(5, seed=5)
    answer = Solver(heads=28).solve(arms[0], capacity[0], moments)
    wanted = share(arms[0], capacity[0], moments)
    np.testing.assert_allclose(answer.force, wanted.force, atol=1e-6)
    assert answer.certified.all()


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"heads": 0}, "heads"),
        ({"heads": "long"}, "heads"),
        ({"heads": True}, "heads"),
        ({"heads": 8.0}, "heads"),
        ({"exponent": 1.0}, "exponent"),
        ({"weights": [1.0]}, "weights"),
        ({"weights": [1.0, -1.0]}, "weights"),
        ({"inequalities": ([[1.0]], [1.0])}, "inequalities"),
    ],
)
def test_a_faulty_argument_is_named(change, argument):
    with pytest.raises(ShapeError, match=argument):
        Solver(**{"heads": 2, **change})


def test_a_call_of_the_wrong_shape_is_named():
    solver = Solver(heads=2)
    arms, capacity = np.array([[0.05, 0.04]]), np.array([1000.0, 500.0])
    with pytest.raises(ShapeError, match="arms"):
        solver.step(arms[:, :1], capacity, np.array([1.0]))
    with pytest.raises(ShapeError, match="capacity"):
        solver.step(arms, 1000.0, np.array([1.0]))
    with pytest.raises(ShapeError, match="moments"):
        solver.solve(arms, capacity, np.array([1.0]))
    with pytest.raises(ShapeError, match="out"):
        solver.solve(arms, capacity, np.ones((3, 1)), out=solver.room(2, 1))
    for other in (np.zeros((1, 2)), share(arms, capacity, [1.0]), None.__class__):
        with pytest.raises(TypeError, match=r"out: must be an Answer from Solver\.room"):
            solver.solve(arms, capacity, np.ones((1, 1)), out=other)
    bounded = Solver(heads=2, inequalities=([[1.0, 1.0]], [900.0]))
    with pytest.raises(ShapeError, match=r"inequality_multipliers has shape \(1, 1\)"):
        bounded.solve(arms, capacity, np.ones((1, 1)), out=solver.room(1, 1))
    kept = solver.solve(arms, capacity, np.ones((1, 1)))
    with pytest.raises(ShapeError, match="without passive forces"):
        solver.solve(arms, capacity, np.ones((1, 1)), passive_force=[1.0, 2.0], out=kept)
    fixed = solver.room(1, 1)
    fixed.unmet.flags.writeable = False
    with pytest.raises(ShapeError, match="out"):
        solver.solve(arms, capacity, np.ones((1, 1)), out=fixed)
    with pytest.raises(ShapeError, match=r"out: must be an answer with exponent 3\.0; got 2\.0"):
        Solver(heads=2, exponent=3.0).solve(arms, capacity, np.ones((1, 1)), out=kept)
    turned = Solver(heads=2, free_columns=[[1.0], [0.0]])
    with pytest.raises(ShapeError, match="rows"):
        turned.solve(arms, capacity, np.ones((1, 1)))


def test_rows_may_change_between_streams():
    solver = Solver(heads=28)
    for rows in (4, 2, 4):
        arms, capacity, moments = naive.limb_like(1, rows=rows, seed=6)
        one = solver.step(arms[0], capacity[0], moments[0])
        np.testing.assert_allclose(
            one.force, share(arms[0], capacity[0], moments[0]).force, atol=1e-6
        )


def test_a_copy_has_buffers_of_its_own(route):
    """A solver whose stream is open; its arrays were those of the kernel no more when copied."""
    arms, capacity, moments = naive.limb_like(3, seed=7)
    solver = Solver(heads=28)
    kept = solver.step(arms[0], capacity[0], moments[0]).copy()
    for other in (pickle.loads(pickle.dumps(solver)), copy.deepcopy(solver)):  # noqa: S301
        assert repr(other) == repr(solver)
        one = other.step(arms[1], capacity[1], moments[1])
        wanted = share(arms[1], capacity[1], moments[1])
        np.testing.assert_allclose(one.force, wanted.force, atol=1e-6)
    again = solver.step(arms[0], capacity[0], moments[0])
    np.testing.assert_allclose(again.force, kept.force, atol=1e-9)


def test_a_stream_of_min_max_goes_on_after_frames_that_it_cannot_use(route):
    solver = Solver(heads=3, exponent=math.inf)
    arms, capacity = np.array([[0.05, 0.04, 0.03]]), np.array([1000.0, 500.0, 800.0])
    even = 30.0 / float((arms @ capacity).item())
    said = []
    for moment in (30.0, math.nan, 30.0, 1e9, 30.0, 0.0, math.inf, 30.0):
        answer = solver.step(arms, capacity, np.array([moment]))
        said.append(str(answer.status_text))
        if moment == 30.0:
            np.testing.assert_allclose(answer.activation, even, rtol=1e-12)
    met = "solved"
    assert said == [met, "invalid", met, "shortfall", met, met, "invalid", met]
    weak = solver.step(arms, np.array([1000.0, -1.0, 800.0]), np.array([30.0]))
    assert str(weak.status_text) == "invalid"


@pytest.mark.parametrize("exponent", [2.0, 3.0, 4.0, math.inf])
def test_input_that_lies_in_the_answer_is_read_before_it_is_written(exponent):
    arms, capacity, moments = naive.limb_like(40, seed=4)
    solver = Solver(heads=28, exponent=exponent)
    wanted = solver.solve(arms, capacity, moments).copy()
    assert wanted.certified.all()
    out = solver.room(40, 4)
    for name in ("active_force", "activation", "force"):
        getattr(out, name)[...] = capacity
        found = solver.solve(arms, getattr(out, name), moments, out=out)
        np.testing.assert_array_equal(found.activation, wanted.activation)
    out.unmet[...] = moments
    found = solver.solve(arms, capacity, out.unmet, out=out)
    np.testing.assert_array_equal(found.activation, wanted.activation)
    # The arrays of the last call are written to again.
    before = solver.solve(arms, capacity, moments)
    found = solver.solve(arms, before.active_force, 0.3 * moments)
    other = Solver(heads=28, exponent=exponent)
    again = other.solve(arms, wanted.active_force, 0.3 * moments)
    np.testing.assert_array_equal(found.status, again.status)
    np.testing.assert_array_equal(found.activation, again.activation)


def test_a_part_of_a_larger_answer_is_written_to():
    arms, capacity, moments = naive.limb_like(6, seed=4)
    solver = Solver(heads=28)
    large = solver.room(9, 4)
    part = large[:6]
    found = solver.solve(arms, capacity, moments, out=part)
    np.testing.assert_array_equal(large.force[:6], found.force)
    with pytest.raises(ShapeError, match="out: must be"):
        solver.solve(arms[:5], capacity[:5], moments[:5], out=large[::2])


def test_share_and_solver_name_an_argument_alike():
    """The same name, wherever the same thing is given."""
    known = set(inspect.signature(share).parameters)
    own = {"heads", "out"}
    for call in (Solver, Solver(heads=2).solve, Solver(heads=2).step):
        assert set(inspect.signature(call).parameters) - own <= known
    assert set(inspect.signature(force_gradients).parameters) - {"kinks"} <= known
    names = list(inspect.signature(Balance.of_moments).parameters)
    sizes = {"volume_weights", "area_weights"}
    assert names[:3] == list(inspect.signature(share).parameters)[:3]
    assert set(names) - sizes <= known


def test_an_answer_has_all_that_a_sharing_has():
    arms, capacity, moments = naive.limb_like(6, seed=4)
    heads, rows = [f"h{i}" for i in range(28)], ["a", "b", "c", "d"]
    moments[2] *= 1e3
    wanted = share(arms, capacity, moments, chain=False, head_names=heads, row_names=rows)
    solver = Solver(head_names=heads, row_names=rows)
    answer = solver.solve(arms, capacity, moments, chain=False)
    public = {name for name in dir(wanted) if not name.startswith("_")}
    assert public <= set(dir(answer))
    pd.testing.assert_frame_equal(answer.to_dataframe(), wanted.to_dataframe(), atol=1e-6)
    found, other = answer.to_dict(), wanted.to_dict()
    assert found["coords"] == other["coords"]
    assert found["attrs"] == other["attrs"]
    gone = set(other["data_vars"]) ^ set(found["data_vars"])
    assert gone == set()
    for name, values in other["data_vars"].items():
        assert found["data_vars"][name]["attrs"] == values["attrs"]
        assert np.shape(found["data_vars"][name]["data"]) == np.shape(values["data"])
    assert json.loads(answer.to_json())["data_vars"]["status"]["data"] == [0, 0, 1, 0, 0, 0]
    assert repr(answer) == repr(wanted).replace("Sharing", "Answer", 1)
    np.testing.assert_array_equal(answer.certified, wanted.certified)
    assert (answer.certificate.duality_gap < 1e-9).all()
    assert not answer.certificate.duality_gap.flags.writeable
    one = answer[2]
    assert str(one.status_text) == "shortfall"
    assert one.certificate.moment_residual == answer.certificate.moment_residual[2]
    assert list(one.to_dataframe()["head"]) == heads
    with pytest.raises(IndexError):
        answer[0, 0]
    np.testing.assert_array_equal(answer[..., 1:3].force, answer.force[1:3])
    single = solver.step(arms[0], capacity[0], moments[0])
    assert single.to_dict()["data_vars"]["force"]["dims"] == ("head",)


def test_frames_of_an_answer_are_views_and_a_copy_is_not():
    arms, capacity, moments = naive.limb_like(4, seed=4)
    solver = Solver(heads=28)
    answer = solver.solve(arms, capacity, moments)
    one, some, kept = answer[1], answer[1:3], answer[1:3][:1].copy()
    solver.solve(arms, capacity, 1e3 * moments)
    assert (int(one.status), some.status.tolist(), kept.status.tolist()) == (1, [1, 1], [0])
    assert one.certificate.moment_residual == answer.certificate.moment_residual[1]
    for name in Answer.__dataclass_fields__:
        array = getattr(answer, name)
        if isinstance(array, np.ndarray):
            assert not np.shares_memory(getattr(kept, name), array)
            assert np.shares_memory(getattr(some, name), array) or array.size == 0
    again = pickle.loads(pickle.dumps(answer))  # noqa: S301
    solver.solve(arms, capacity, moments)
    assert again.status.tolist() == [1, 1, 1, 1]


def test_names_that_do_not_fit_are_refused():
    for change in ({"head_names": ["a"]}, {"head_names": "ab"}, {"row_names": "a"}):
        with pytest.raises(ShapeError, match=f"{next(iter(change))}: must be"):
            Solver(heads=2, **change)
    solver = Solver(heads=28, row_names=["a", "b"])
    arms, capacity, moments = naive.limb_like(1, rows=4, seed=6)
    with pytest.raises(ShapeError, match="row_names: must be 4 names; got 2"):
        solver.step(arms[0], capacity[0], moments[0])


def test_inequalities_of_one_step_are_gone_in_the_next():
    arms, capacity, moments = naive.limb_like(1, seed=2)
    free = share(arms[0], capacity[0], moments[0]).force
    solver = Solver(heads=28, inequalities=(np.ones((1, 28)), [1e6]))
    cone = Cone(lines=np.tile([1.0, 0.0, 0.0], (28, 1)), normals=[[1.0, 0, 0]], levels=[1.0])
    for given in (None, cone, None):
        step = solver.step(arms[0], capacity[0], moments[0], inequalities=given)
        assert (np.abs(step.force - free).max() > 1.0) == (given is not None)
        batch = solver.solve(arms[0], capacity[0], moments, inequalities=given)
        np.testing.assert_allclose(batch.force[0], step.force, atol=1e-6)


def test_the_route_is_named_anew_in_each_call(route, monkeypatch):
    arms, capacity, moments = naive.limb_like(2, seed=4)
    solver = Solver(heads=28)
    assert solver.step(arms[0], capacity[0], moments[0]).method == route

    def helped(problem, route, *_, room, **__):
        put(room, slice(None), solve_numpy(problem))
        return problem, room, f"{route} and convex"

    def left(*_, **__):
        return Status.UNCERTIFIED

    with monkeypatch.context() as patched:
        patched.setattr("momentshare.sharing._solver.solve_checked", helped)
        patched.setattr("momentshare.sharing._stream.Stream.run", left)
        assert solver.step(arms[0], capacity[0], moments[0]).method == f"{route} and convex"
    assert solver.step(arms[0], capacity[0], moments[0]).method == route
