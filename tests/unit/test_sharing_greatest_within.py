"""Greatest factors and moments while inequalities hold, against linear programmes of SciPy."""

import importlib.util
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog
from tests.unit.test_sharing_within import pressed

from momentshare.analysis import Lateral, prepare
from momentshare.balance import Criterion
from momentshare.errors import InputError, ShapeError
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.limb import build_limb
from momentshare.model.load import load_model
from momentshare.person import Person
from momentshare.sharing import Status, greatest_factor, greatest_moment, share

METHODS = [
    pytest.param(
        "compiled",
        marks=pytest.mark.skipif(
            importlib.util.find_spec("numba") is None, reason="numba is not installed"
        ),
    ),
    "numpy",
]


def programme(loads, fixed, scaled, rows, level, gain, *, least=0.0, columns=None):
    """Greatest factor of one frame as a linear programme; NaN where none will do."""
    heads = loads.shape[1]
    free = np.zeros((loads.shape[0], 0)) if columns is None else columns
    cost = np.zeros(heads + free.shape[1] + 1)
    cost[-1] = -1.0
    answer = linprog(
        cost,
        A_eq=np.hstack([loads, free, -scaled[:, None]]),
        b_eq=fixed,
        A_ub=np.hstack([rows, np.zeros((rows.shape[0], free.shape[1])), -gain[:, None]]),
        b_ub=level,
        bounds=[(0.0, 1.0)] * heads + [(None, None)] * free.shape[1] + [(least, None)],
        method="highs",
    )
    return -answer.fun if answer.status == 0 else np.nan


def asked(frames, seed, **given):
    """Frames, moments and what a load adds to the levels of their cone."""
    arms, capacity, moments, cone = pressed(frames, 0.3, seed, **given)
    push = np.random.default_rng(seed).normal(scale=200.0, size=(frames, 3, 1))
    return arms, capacity, moments, cone, (cone.normals @ push)[..., 0]


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("form", ["cone", "pair"])
@pytest.mark.parametrize("free", [False, True])
def test_the_factor_is_that_of_a_linear_programme(method, form, free):
    arms, capacity, moments, cone, gain = asked(60, 1)
    passive = np.linspace(0.0, 20.0, 28)
    column = np.array([[0.3], [0.1], [-0.2], [0.25]]) if free else None
    G, h = cone.inequalities()
    given = cone if form == "cone" else (G, h)
    common = {"passive_force": passive, "free_columns": column, "method": method}
    found = greatest_factor(
        arms, capacity, 0.1 * moments, moments, inequalities=given, scaled_levels=gain, **common
    )
    wanted = np.array([
        programme(
            arms[f] * capacity[f], 0.1 * moments[f] - arms[f] @ passive, moments[f],
            G[f] * capacity[f], h[f] - G[f] @ passive, gain[f], columns=column,
        )
        for f in range(60)
    ])  # fmt: skip
    np.testing.assert_array_equal(found.status == Status.INFEASIBLE, np.isnan(wanted))
    solved = found.status == Status.SOLVED
    assert solved.sum() > 40
    assert (solved | np.isnan(wanted)).all()
    np.testing.assert_allclose(found.factor[solved], wanted[solved], rtol=1e-9)
    without = greatest_factor(arms, capacity, 0.1 * moments, moments, **common)
    lower = found.factor[solved] < without.factor[solved] * (1.0 - 1e-9)
    assert lower.mean() > 0.2
    # Where other activations reach the same factor within the limits, these cost nothing.
    worth = (found.inequality_multipliers * (np.abs(h) + np.abs(gain))).max(axis=1)[solved]
    np.testing.assert_array_equal(worth > 1e-9 * found.factor[solved], lower)


@pytest.mark.parametrize("method", METHODS)
def test_forces_at_the_limit_obey_and_the_multipliers_prove_it(method):
    arms, capacity, moments, cone, gain = asked(80, 2, facets=16)
    found = greatest_factor(
        arms, capacity, 0.1 * moments, moments, inequalities=cone, scaled_levels=gain,
        method=method,
    )  # fmt: skip
    assert (found.status == Status.SOLVED).all()
    G, h = cone.inequalities()
    force = capacity * found.activation
    s = found.factor[:, None]
    slack = h + s * gain - np.einsum("fgi,fi->fg", G, force)
    size = np.einsum("fgi,fi->fg", np.abs(G), force) + np.abs(h)
    assert (slack / size).min() > -1e-9
    left = np.einsum("fji,fi->fj", arms, force) - 0.1 * moments - s * moments
    assert np.abs(left).max() < 1e-9 * np.abs(moments).max()
    price, eased = found.multipliers, found.inequality_multipliers
    assert (eased >= 0.0).all()
    unit = np.einsum("fj,fj->f", price, moments) - np.einsum("fg,fg->f", eased, gain)
    np.testing.assert_allclose(unit, 1.0, atol=1e-9)
    # Weak duality: no activation gives more than this, whatever the prices.
    pull = capacity * (np.einsum("fji,fj->fi", arms, price) - np.einsum("fgi,fg->fi", G, eased))
    most = np.maximum(pull, 0.0).sum(axis=1)
    most = most - np.einsum("fj,fj->f", price, 0.1 * moments) + np.einsum("fg,fg->f", eased, h)
    np.testing.assert_allclose(most, found.factor, rtol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_limits_that_nothing_obeys_are_infeasible_and_roomy_ones_change_no_digit(method):
    arms, capacity, moments, cone, _ = asked(20, 3)
    pull = 10.0 * capacity.sum(axis=1, keepdims=True)
    closed = replace(cone, levels=cone.levels - pull * np.abs(cone.normals[..., 0]))
    found = greatest_factor(
        arms, capacity, 0.1 * moments, moments, inequalities=closed, method=method
    )
    assert (found.status == Status.INFEASIBLE).all()
    assert np.isnan(found.factor).all()
    roomy = replace(cone, levels=cone.levels + 1e6)
    plain = greatest_factor(arms, capacity, 0.1 * moments, moments, method=method)
    found = greatest_factor(
        arms, capacity, 0.1 * moments, moments, inequalities=roomy, method=method
    )
    np.testing.assert_array_equal(found.factor, plain.factor)
    np.testing.assert_array_equal(found.activation, plain.activation)
    assert not found.inequality_multipliers.any()


def test_threads_and_company_change_no_digit():
    arms, capacity, moments, cone, gain = asked(2200, 4)
    given = {"inequalities": cone, "scaled_levels": gain}
    whole = greatest_factor(arms, capacity, 0.1 * moments, moments, threads=1, **given)
    again = greatest_factor(arms, capacity, 0.1 * moments, moments, threads=2, **given)
    np.testing.assert_array_equal(whole.factor, again.factor)
    np.testing.assert_array_equal(whole.activation, again.activation)
    part = replace(cone, lines=cone.lines[5:9], levels=cone.levels[5:9])
    some = greatest_factor(
        arms[5:9], capacity[5:9], 0.1 * moments[5:9], moments[5:9], inequalities=part,
        scaled_levels=gain[5:9],
    )  # fmt: skip
    np.testing.assert_array_equal(some.factor, whole.factor[5:9])


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("others", ["balanced", "braced"])
def test_the_greatest_moment_is_that_of_a_linear_programme(method, others):
    arms, capacity, _, cone, _ = asked(40, 5, opening=0.22)
    passive = np.linspace(0.0, 20.0, 28)
    G, h = cone.inequalities()
    for sign in (1, -1):
        found = greatest_moment(
            arms, capacity, 2, sign, others=others, passive_force=passive, inequalities=cone,
            method=method,
        )  # fmt: skip
        rows = [2] if others == "braced" else [0, 1, 2, 3]
        direction = np.where(np.array(rows) == 2, float(sign), 0.0)
        wanted = np.array([
            programme(
                arms[f, rows] * capacity[f], -arms[f, rows] @ passive, direction,
                G[f] * capacity[f], h[f] - G[f] @ passive, np.zeros(8), least=None,
            )
            for f in range(40)
        ])  # fmt: skip
        assert (found.status == Status.SOLVED).sum() > 30
        np.testing.assert_allclose(sign * found.moment, wanted, rtol=1e-9, atol=1e-9)
        without = greatest_moment(
            arms, capacity, 2, sign, others=others, passive_force=passive, method=method
        )
        assert (sign * (without.moment - found.moment) > 1e-6).mean() > 0.2


def test_gains_of_another_shape_and_loads_that_ask_nothing():
    arms, capacity, moments, cone, gain = asked(6, 6)
    with pytest.raises(ShapeError, match="scaled_levels"):
        greatest_factor(
            arms, capacity, moments, moments, inequalities=cone, scaled_levels=gain[:, :3]
        )
    with pytest.raises(ShapeError, match="scaled_levels"):
        greatest_factor(arms, capacity, moments, moments, inequalities=cone, scaled_levels=gain[:4])
    still = greatest_factor(arms, capacity, 0.1 * moments, 0.0 * moments, inequalities=cone)
    assert np.isin(still.status, (Status.UNBOUNDED, Status.INFEASIBLE)).all()
    held = share(arms, capacity, 0.1 * moments, inequalities=cone).status == Status.SOLVED
    np.testing.assert_array_equal(still.status == Status.UNBOUNDED, held)
    pressed_only = greatest_factor(
        arms, capacity, 0.1 * moments, 0.0 * moments, inequalities=cone, scaled_levels=gain
    )
    assert (pressed_only.status == Status.UNCERTIFIED).any()


@pytest.mark.parametrize("mode", ["zero", "measured", "free"])
def test_the_greatest_load_within_the_glenoid_is_where_sharing_begins_to_fall_short(mode):
    person = Person(name="ordinary", sex="male", stature=1.80, body_mass=82.0)
    limb = build_limb(person, load_model())
    lift = BenchPress(
        load_mass=20.0, spacing=Profile.constant(0.5), tuck=Profile.constant(1.0),
        tilt=Profile.constant(0.0), frames=21,
    ).lift(limb.skeleton)  # fmt: skip
    ratio = 0.1 if mode == "measured" else 0.0
    bounds = (-0.1, 0.1) if mode == "free" else None
    prepared = prepare(limb, lift)
    balance = prepared.balance(glenoid=True).treated(Lateral(mode=mode, ratio=ratio, bounds=bounds))
    found = balance.greatest_load(glenoid=True)
    plain = balance.greatest_load()
    solved = (found.status == Status.SOLVED) & (found.factor > 0.0)
    assert solved.sum() >= 10
    assert (found.factor[solved] <= plain.factor[solved] * (1.0 + 1e-9)).all()
    load, glenoid = balance.load, balance.glenoid
    for part, wanted in ((1.0 - 1e-4, Status.SOLVED), (1.0 + 1e-4, Status.SHORTFALL)):
        mass = np.where(solved, found.factor, 1.0) * part
        loaded = replace(
            balance,
            moments=load.fixed + mass[:, None] * load.each,
            vertical=mass * load.vertical,
            glenoid=replace(glenoid, across=glenoid.fixed + mass[:, None] * glenoid.each),
        )
        status = loaded.share(Criterion(), glenoid=True).status
        assert (status[solved] == wanted).all()
    with pytest.raises(InputError, match="joint force"):
        prepared.balance().greatest_load(glenoid=True)
