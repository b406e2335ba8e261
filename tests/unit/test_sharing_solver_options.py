"""Every option of ``share`` means the same to a prepared solver, to the last bit of its answers."""

import inspect
import math
import pickle

import numpy as np
import pandas as pd
import pytest
from tests import naive

from momentshare.errors import MissingExtraError, ShapeError
from momentshare.sharing import Certificate, Solver, Status, contact_cone, share
from momentshare.sharing._result import Sharing

FRAMES, HEADS = 40, 28
COLUMN = np.array([[1.0], [0.5], [-0.2], [0.3]])
COLUMNS = np.random.default_rng(9).normal(size=(4, 2))
POWERS = [1.5, 2.0, 3.0, 10.0, math.inf]


def frames(level=1.0):
    """Frames of which every fifth is far out of reach."""
    arms, capacity, moments = naive.limb_like(FRAMES, level=level, seed=1)
    moments = moments.copy()
    moments[::5] *= 5.0
    return arms, capacity, moments


def cone(*lead):
    rng = np.random.default_rng(3)
    lines = rng.normal(size=(*lead, HEADS, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    base = rng.normal(scale=20.0, size=(*lead, 3))
    return contact_cone(lines, base, [0.4] * 8, axis=[1, 0, 0], towards=[0, 1, 0])


def assert_same(answer, wanted):
    for name in ("status", *(f for f in Sharing.__dataclass_fields__ if f != "certificate")):
        found, other = getattr(answer, name), getattr(wanted, name)
        if isinstance(other, np.ndarray):
            np.testing.assert_array_equal(found, other, err_msg=name, strict=True)
        elif name != "frame_index":
            assert found == other, name
    for name in Certificate.__dataclass_fields__:
        np.testing.assert_array_equal(
            getattr(answer.certificate, name), getattr(wanted.certificate, name), strict=True
        )


OPTIONS = {
    "none": {},
    "weights": {"weights": np.linspace(0.2, 3.0, HEADS)},
    "one free value": {"free_columns": COLUMN},
    "bounded": {"free_columns": COLUMN, "free_bounds": (-20.0, 20.0)},
    "two bounded": {"free_columns": COLUMNS, "free_bounds": (-20.0, [20.0, math.inf])},
    "cone": {"inequalities": cone()},
    "pair": {"inequalities": cone().inequalities()},
}


@pytest.mark.parametrize("chain", [False, True])
@pytest.mark.parametrize("exponent", POWERS)
@pytest.mark.parametrize("options", OPTIONS.values(), ids=OPTIONS)
def test_what_a_problem_is_made_of(options, exponent, chain):
    given = frames()
    wanted = share(*given, exponent=exponent, chain=chain, **options)
    solver = Solver(heads=HEADS, exponent=exponent, **options)
    assert_same(solver.solve(*given, chain=chain), wanted)
    assert_same(solver.solve(*given, chain=chain, out=solver.room(FRAMES, 4)), wanted)
    assert 0 < (wanted.status == Status.SHORTFALL).sum() < FRAMES


@pytest.mark.parametrize("exponent", [2.0, 3.0, 4.0])
def test_inequalities_of_a_call(exponent):
    given = frames()
    solver = Solver(heads=HEADS, exponent=exponent, inequalities=cone())
    for limits in (cone(FRAMES), cone(FRAMES).inequalities(), cone()):
        wanted = share(*given, exponent=exponent, inequalities=limits)
        assert wanted.inequality_multipliers.any()
        assert_same(solver.solve(*given, inequalities=limits), wanted)


@pytest.mark.parametrize("method", ["auto", "compiled", "numpy", "convex"])
@pytest.mark.parametrize("exponent", [2.0, 3.0, math.inf])
def test_a_route_by_name(method, exponent):
    arms, capacity, moments = (part[:6] for part in frames())
    passive = np.linspace(0.0, 20.0, HEADS)
    wanted = share(arms, capacity, moments, passive_force=passive, exponent=exponent, method=method)
    solver = Solver(heads=HEADS, exponent=exponent, method=method)
    assert_same(solver.solve(arms, capacity, moments, passive_force=passive), wanted)
    for f in range(6):
        one = solver.step(arms[f], capacity[f], moments[f], passive_force=passive)
        np.testing.assert_allclose(one.activation, wanted.activation[f], atol=1e-6)
        assert (one.method, one.status) == (wanted.method, wanted.status[f])


def test_a_route_that_is_not_there(monkeypatch):
    with pytest.raises(ShapeError, match="method: must be 'auto' or"):
        Solver(heads=2, method="quick")
    monkeypatch.setattr("momentshare.sharing._backends.compiled.is_available", lambda: False)
    monkeypatch.setattr("momentshare.sharing._solver.is_available", lambda: False)
    solver = Solver(heads=HEADS, method="compiled", exponent=4.0)
    arms, capacity, moments = frames()
    for call in (
        lambda: solver.solve(arms, capacity, moments),
        lambda: solver.step(arms[0], capacity[0], moments[0]),
    ):
        with pytest.raises(MissingExtraError, match="numba"):
            call()


@pytest.mark.parametrize("exponent", POWERS)
@pytest.mark.parametrize("chain", [False, True])
def test_multipliers_to_begin_from(exponent, chain):
    given = frames()
    start = share(*given, exponent=2.0).multipliers
    solver = Solver(heads=HEADS, exponent=exponent)
    for first in (start, start[1]):
        wanted = share(*given, exponent=exponent, start=first, chain=chain)
        assert_same(solver.solve(*given, start=first, chain=chain), wanted)
    # The multipliers of the last call, which this one overwrites.
    last = solver.solve(*given, chain=chain)
    wanted = share(*given, exponent=exponent, start=last.multipliers.copy(), chain=chain)
    assert_same(solver.solve(*given, start=last.multipliers, chain=chain), wanted)


@pytest.mark.parametrize("exponent", [2.0, 3.0, 10.0])
def test_a_step_that_begins_anew_depends_on_no_frame_before(exponent):
    arms, capacity, moments = frames()
    first = Solver(heads=HEADS, exponent=exponent)
    alone = first.step(arms[7], capacity[7], moments[7]).copy()
    solver = Solver(heads=HEADS, exponent=exponent)
    followed = []
    for start in (None, np.zeros(4)):
        solver.step(arms[3], capacity[3], moments[3])
        after = solver.step(arms[7], capacity[7], moments[7], start=start)
        followed.append(np.array_equal(after.activation, alone.activation))
        np.testing.assert_allclose(after.activation, alone.activation, atol=1e-7)
    assert followed[1]
    with pytest.raises(ShapeError, match=r"start: must have shape \(4,\); got shape \(3,\); give"):
        solver.step(arms[7], capacity[7], moments[7], start=np.zeros(3))
    bad = solver.step(arms[7], capacity[7], moments[7], start=[0.0, math.nan, 0.0, 0.0])
    assert bad.status == Status.INVALID
    assert solver.step(arms[7], capacity[7], moments[7]).certified


@pytest.mark.parametrize("exponent", POWERS)
def test_frames_that_cannot_be_used(exponent):
    arms, capacity, moments = frames()
    arms, capacity = arms.copy(), capacity.copy()
    arms[1, 0, 3], capacity[2, 5], moments[4, 0] = math.nan, -1.0, math.inf
    wanted = share(arms, capacity, moments, exponent=exponent, on_invalid="mark")
    assert (wanted.status == Status.INVALID).sum() == 3
    for solver in (
        Solver(heads=HEADS, exponent=exponent),
        Solver(heads=HEADS, exponent=exponent, on_invalid="mark"),
    ):
        assert_same(solver.solve(arms, capacity, moments), wanted)


@pytest.mark.parametrize("exponent", POWERS)
@pytest.mark.parametrize("part", [0, 1, 2])
def test_frames_that_cannot_be_used_are_refused_by_the_same_words(exponent, part):
    given = [array.copy() for array in frames()]
    clean = [array.copy() for array in given]
    given[part][7].flat[2] = math.nan
    with pytest.raises(ShapeError) as wanted:
        share(*given, exponent=exponent)
    solver = Solver(heads=HEADS, exponent=exponent, on_invalid="raise")
    with pytest.raises(ShapeError) as found:
        solver.solve(*given)
    assert str(found.value) == str(wanted.value)
    with pytest.raises(ShapeError, match=found.value.argument):
        solver.step(*(array[7] for array in given))
    # And it goes on.
    assert_same(solver.solve(*clean), share(*clean, exponent=exponent))
    one = solver.step(*(array[7] for array in clean))
    np.testing.assert_allclose(
        one.activation, share(*clean, exponent=exponent)[7].activation, atol=1e-6
    )


def test_threads_are_as_many_by_default():
    arms, capacity, moments = (np.tile(part, (60, *[1] * (part.ndim - 1))) for part in frames())
    solver = Solver(heads=HEADS)
    wanted = share(arms, capacity, moments)
    for threads in ({}, {"threads": 1}, {"threads": 2}):
        assert_same(solver.solve(arms, capacity, moments, **threads), wanted)
    theirs, ours = (inspect.signature(call).parameters for call in (share, solver.solve))
    for name in set(theirs) & set(ours):
        assert ours[name].default == theirs[name].default, name
    made = inspect.signature(Solver).parameters
    differs = {
        name for name in set(theirs) & set(made) if made[name].default != theirs[name].default
    }
    assert differs == {"on_invalid"}  # its docstring says why
    assert "stream must go on" in " ".join(Solver.__doc__.split())
    assert set(theirs) - set(ours) <= set(made)


@pytest.mark.parametrize("passive", [0.0, 15.0])
@pytest.mark.parametrize("exponent", [2.0, 3.0, math.inf])
def test_bounds_hold_in_a_stream(exponent, passive, monkeypatch):
    arms, capacity, moments = frames(0.6)
    pull = np.full(HEADS, passive)
    loose = share(
        arms, capacity, moments, passive_force=pull, exponent=exponent, free_columns=COLUMN
    ).free_values
    low, high = np.quantile(loose, [0.25, 0.75])
    given = {"free_columns": COLUMN, "free_bounds": (low, high)}
    wanted = share(
        arms, capacity, moments, passive_force=pull, exponent=exponent, chain=False, **given
    )
    value = wanted.free_values[:, 0]
    at = np.isin(value, (low, high))
    assert (len(set(value[at])), at.sum()) == (2, 20)
    assert set(wanted.status[at]) == {Status.SOLVED, Status.SHORTFALL}
    solver = Solver(heads=HEADS, exponent=exponent, **given)
    filled = []
    fill = Solver._fill

    def counted(self, *args, **options):
        filled.append(f)
        return fill(self, *args, **options)

    monkeypatch.setattr(Solver, "_fill", counted)
    for f in range(FRAMES):
        one = solver.step(arms[f], capacity[f], moments[f], passive_force=pull)
        assert one.status == wanted.status[f]
        np.testing.assert_allclose(one.free_values, wanted.free_values[f], atol=1e-7)
        assert (one.free_values[0] in {low, high}) == at[f]
        for name in ("activation", "force", "unmet"):
            size = np.abs(getattr(wanted, name)).max() + 1.0
            found, other = getattr(one, name) / size, getattr(wanted, name)[f] / size
            np.testing.assert_allclose(found, other, atol=1e-6, err_msg=name)
        numbers = (one.certificate.duality_gap, one.certificate.stationarity)
        assert max(map(abs, numbers)) <= 1e-9
    # The kernel of the stream solves nearly all of them, those at a bound as well.
    assert len(filled) <= FRAMES // 10


def test_bounds_that_do_not_fit_are_refused():
    for bounds, words in (
        (([0.0, 1.0, 2.0], 9.0), r"free_bounds: must have shape \(..., 1\)"),
        ((1.0, -1.0), "free_bounds: must be in order"),
        ((np.zeros((5, 1)), np.ones((5, 1))), "free_bounds and inequalities: must be without a"),
    ):
        with pytest.raises(ShapeError, match=words):
            Solver(heads=2, free_columns=[[1.0]], free_bounds=bounds)


@pytest.mark.parametrize("given", ["moments", "capacity", "both"])
def test_labels_of_tables_are_kept(given):
    arms, capacity, moments = frames()
    index = pd.MultiIndex.from_product([["narrow", "wide"], range(20)], names=["grip", "height"])
    heads, rows = [f"h{i}" for i in range(HEADS)], list("abcd")
    strong = pd.DataFrame(capacity, index, heads) if given != "moments" else capacity
    asked = pd.DataFrame(moments, index, rows) if given != "capacity" else moments
    wanted = share(arms, strong, asked)
    solver = Solver(heads=HEADS)
    answer = solver.solve(arms, strong, asked)
    assert_same(answer, wanted)
    assert answer.frame_index.equals(index)
    pd.testing.assert_frame_equal(answer.to_dataframe(), wanted.to_dataframe())
    assert answer.to_dict() == wanted.to_dict()
    assert answer.to_dict()["coords"]["grip"]["data"][0] == "narrow"
    assert answer[3:5].frame_index.equals(index[3:5])
    assert answer[3].frame_index is None
    again = pickle.loads(pickle.dumps(answer))  # noqa: S301
    assert again.copy().frame_index.equals(index)
    # The next call has labels of its own, or none.
    assert solver.solve(arms, strong, asked, out=answer) is answer
    plain = solver.solve(arms, capacity, moments, out=answer)
    assert (plain.frame_index, plain.head_names, plain.row_names) == (None, (), ())
    named = Solver(head_names=[f"k{i}" for i in range(HEADS)])
    assert named.solve(arms, strong, asked).head_names[0] == "k0"


def test_tables_with_other_indices_are_refused():
    arms, capacity, moments = frames()
    with pytest.raises(ShapeError, match="align the tables"):
        Solver(heads=HEADS).solve(
            arms, pd.DataFrame(capacity), pd.DataFrame(moments, index=range(1, FRAMES + 1))
        )


def test_input_of_a_cone_that_lies_in_the_answer_is_read_before_it_is_written():
    arms, capacity, moments = frames()
    arms, capacity = arms[:, :, :12], capacity[:, :12] * 3.0
    limits = contact_cone(
        np.abs(np.random.default_rng(1).normal(size=(12, 3))), np.zeros(3), [0.3] * 8,
        axis=[1, 0, 0], towards=[0, 1, 0],
    )  # fmt: skip
    solver = Solver(heads=12, inequalities=limits)
    wanted = solver.solve(arms, capacity, moments).copy()
    out = solver.room(FRAMES, 4)
    lines = out.activation.reshape(-1)[:36].reshape(12, 3)
    lines[...] = limits.lines
    inside = type(limits)(lines=lines, normals=limits.normals, levels=limits.levels)
    assert np.shares_memory(inside.lines, out.activation)
    assert_same(solver.solve(arms, capacity, moments, inequalities=inside, out=out), wanted)
