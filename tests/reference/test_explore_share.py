"""The page's own solver against the library, state by state; shortfalls included.

The two share no code: the library climbs the dual compiled or with NumPy, the page in JavaScript.
"""

import numpy as np
import pytest
from tests.node import run_modules

from momentshare.balance import Criterion, Lateral
from momentshare.exercise import BarPath, BenchPress, Profile, make_lifts
from momentshare.explore import example_study
from momentshare.runs.block import make_blocks
from momentshare.sharing import greatest_factor, share
from momentshare.study import plan_study

CLOSE = 1e-6
STATES = 1000

SOLVE = """
import { share } from "./share.js";
const f = (x) => (x ? Float64Array.from(x) : null);
answer(given().map((s) => {
  const limits = s.G ? { facets: s.h.length, G: f(s.G), h: f(s.h) } : null;
  const found = share({
    rows: s.moments.length, heads: s.capacity.length, arms: f(s.arms), capacity: f(s.capacity),
    passive: f(s.passive), moments: f(s.moments), weights: f(s.weights), exponent: s.exponent,
    column: f(s.column), limits,
  });
  return { ...found, activation: [...found.activation], unmet: [...found.unmet],
    multipliers: [...found.multipliers], force: [...found.force] };
}));
"""

GREATEST = """
import { greatest } from "./load.js";
const f = (x) => (x ? Float64Array.from(x) : null);
answer(given().map((s) => greatest({
  rows: s.start.length, heads: s.heads, A: f(s.A), start: f(s.start), each: f(s.each),
  column: f(s.column),
}).load));
"""


@pytest.fixture(scope="module", name="balance")
def balances():
    """Frames of many presses of both people of the example, loads from none to far too much."""
    rng = np.random.default_rng(20)
    limbs = plan_study(example_study()).limbs()
    breadth = [s.biacromial_breadth for s in limbs.skeleton.people_sizes]
    people = rng.integers(0, 2, 160)
    presses = [
        BenchPress(
            load_mass=float(rng.uniform(0.0, 130.0)),
            spacing=Profile.constant(rng.uniform(0.9, 2.3) * breadth[person]),
            path=BarPath(touch=rng.uniform(0.02, 0.2)),
            bench_angle=np.radians(rng.choice([0.0, 15.0, 40.0])),
            frames=9,
        )
        for person in people
    ]
    found = make_lifts(presses, limbs.skeleton, people)
    kept = [(lift, row) for lift, row in zip(found, people, strict=True) if hasattr(lift, "hand")]
    (block,) = make_blocks(limbs, [lift for lift, _ in kept], [row for _, row in kept])
    balance = block.prepared.balance(glenoid=True)
    return balance.take(np.flatnonzero(balance.posed))


def as_given(balance, criterion, frames, cone=None):
    """Problems as plain data, for the page's solver."""
    weights = balance.weights(criterion)
    columns = balance.columns
    out = []
    for k, frame in enumerate(frames):
        own = None if weights is None else np.broadcast_to(weights, balance.capacity.shape)[frame]
        out.append(
            {
                "arms": balance.arms[frame].ravel().tolist(),
                "capacity": balance.capacity[frame].tolist(),
                "passive": balance.passive[frame].tolist(),
                "moments": balance.known_moments[frame].tolist(),
                "weights": np.ones(balance.capacity.shape[1]).tolist()
                if own is None
                else own.tolist(),
                "exponent": criterion.exponent,
                "column": None if columns is None else columns[frame, :, 0].tolist(),
                "G": None if cone is None else cone[0][k].ravel().tolist(),
                "h": None if cone is None else cone[1][k].tolist(),
            }
        )
    return out


def by_library(problems, cone=None):
    """The library's answers to the same problems."""
    stack = {
        name: np.array([p[name] for p in problems])
        for name in ("capacity", "passive", "moments", "weights")
    }
    rows = stack["moments"].shape[1]
    free = problems[0]["column"] is not None
    return share(
        np.array([p["arms"] for p in problems]).reshape(len(problems), rows, -1),
        stack["capacity"],
        stack["moments"],
        passive_force=stack["passive"],
        weights=stack["weights"],
        exponent=problems[0]["exponent"],
        free_columns=np.array([p["column"] for p in problems])[..., None] if free else None,
        inequalities=cone,
    )


def test_a_thousand_states_are_shared_as_by_the_library(balance, tmp_path):
    rng = np.random.default_rng(21)
    laterals = [
        Lateral(mode="zero"),
        Lateral(mode="free"),
        Lateral(mode="measured", ratio=0.15),
        Lateral(mode="measured", ratio=-0.1),
    ]
    criteria = [Criterion(), Criterion(weights="none"), Criterion(exponent=3.0)]
    cases = [(a, c) for a in laterals for c in criteria]
    each = -(-STATES // len(cases))
    short = count = 0
    for lateral, criterion in cases:
        frames = rng.choice(len(balance.posed), each, replace=False)
        problems = as_given(balance.treated(lateral), criterion, frames)
        wanted = by_library(problems)
        assert np.all(wanted.certificate.moment_residual < CLOSE)
        got = run_modules(tmp_path, SOLVE, problems)
        assert all(g["solved"] for g in got)
        activation = np.array([g["activation"] for g in got])
        np.testing.assert_allclose(activation, wanted.activation, rtol=0.0, atol=CLOSE)
        unmet = np.array([g["unmet"] for g in got])
        np.testing.assert_allclose(unmet, wanted.unmet, rtol=0.0, atol=CLOSE)
        text = np.array([str(s) for s in np.ravel(wanted.status_text)])
        assert [g["short"] for g in got] == (text == "shortfall").tolist()
        if lateral.mode == "free":
            push = np.array([g["free"] for g in got])
            np.testing.assert_allclose(push, wanted.free_values[:, 0], rtol=CLOSE, atol=CLOSE)
        met = text != "shortfall"
        multipliers = np.array([g["multipliers"] for g in got])[met]
        drives = [
            np.einsum("fr,frh->fh", m, balance.arms[frames[met]]) * balance.capacity[frames[met]]
            for m in (multipliers, wanted.multipliers[met])
        ]
        moving = (activation[met] > CLOSE) & (activation[met] < 1.0 - CLOSE)
        np.testing.assert_allclose(drives[0][moving], drives[1][moving], rtol=1e-5, atol=CLOSE)
        short += int(np.sum(~met))
        count += len(frames)
    assert count >= STATES
    assert 0.2 < short / count < 0.8  # both kinds are tried in numbers


def test_the_glenoid_is_held_as_by_the_library(balance, tmp_path):
    rng = np.random.default_rng(22)
    criterion = Criterion()
    for lateral in (Lateral(mode="zero"), Lateral(mode="free")):
        treated = balance.treated(lateral)
        frames = rng.choice(len(balance.posed), 260, replace=False)
        cone = tuple(part[frames] for part in treated._cone().inequalities())
        problems = as_given(treated, criterion, frames, cone)
        wanted = by_library(problems, cone)
        got = run_modules(tmp_path, SOLVE, problems)
        text = np.array([str(s) for s in np.ravel(wanted.status_text)])
        bare = by_library(problems)
        bound = np.abs(bare.activation - wanted.activation).max(axis=1) > 1e-4
        solved = text == "solved"
        held = np.array([g["held"] and g["solved"] and not g["short"] for g in got])
        activation = np.array([g["activation"] for g in got])
        assert np.sum(solved & bound) > 15  # the limit matters in many of them
        assert np.all(held <= solved)  # what the page says it holds can be held
        assert np.mean(held[solved]) > 0.95
        np.testing.assert_allclose(activation[held], wanted.activation[held], rtol=0.0, atol=CLOSE)


def test_the_greatest_load_is_that_of_the_library(balance, tmp_path):
    rng = np.random.default_rng(23)
    frames = rng.choice(len(balance.posed), 200, replace=False)
    for free in (False, True):
        part = balance.take(frames).treated(Lateral(mode="free" if free else "zero"))
        load = part.load
        columns = part.columns
        wanted = greatest_factor(
            part.arms,
            part.capacity,
            load.fixed,
            load.each,
            passive_force=part.passive,
            free_columns=columns,
        ).factor
        A = part.arms * part.capacity[:, None, :]
        start = load.fixed - np.einsum("frh,fh->fr", part.arms, part.passive)
        problems = [
            {
                "heads": A.shape[2],
                "A": A[k].ravel().tolist(),
                "start": start[k].tolist(),
                "each": load.each[k].tolist(),
                "column": None if columns is None else columns[k, :, 0].tolist(),
            }
            for k in range(len(frames))
        ]
        got = np.array(
            [np.nan if x is None else x for x in run_modules(tmp_path, GREATEST, problems)]
        )
        known = np.isfinite(wanted)
        assert known.sum() > 150
        np.testing.assert_array_equal(np.isfinite(got), known)
        np.testing.assert_allclose(got[known], wanted[known], rtol=1e-7, atol=1e-7)


def test_two_flexors_share_as_by_hand(tmp_path):
    """Two heads of one joint: F_i in proportion to r_i c_i² (Lagrange's multiplier by hand)."""
    problem = {
        "arms": [0.05, 0.04],
        "capacity": [1000.0, 500.0],
        "passive": [0.0, 0.0],
        "moments": [25.0],
        "weights": [1.0, 1.0],
        "exponent": 2.0,
        "column": None,
    }
    (got,) = run_modules(tmp_path, SOLVE, [problem])
    multiplier = 25.0 / (0.05**2 * 1000.0**2 + 0.04**2 * 500.0**2)
    np.testing.assert_allclose(got["force"], [multiplier * 0.05 * 1e6, multiplier * 0.04 * 2.5e5])
    too_much = problem | {"moments": [100.0]}
    (got,) = run_modules(tmp_path, SOLVE, [too_much])
    assert got["short"]
    np.testing.assert_allclose(got["activation"], 1.0)
    np.testing.assert_allclose(got["unmet"], [100.0 - 70.0])
