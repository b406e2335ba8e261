"""Inequalities in the compiled route: against a general convex solver, and what a status means."""

import importlib.util
import os
import subprocess
import sys
import tempfile
import warnings

import numpy as np
import pytest
from tests import naive

from momentshare._kernels import compiling
from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.limb import build_limb
from momentshare.model.load import load_model
from momentshare.person import Person
from momentshare.sharing import Status, cone_inequalities, share
from momentshare.sharing._backends.kernels import frames as kernel

needs_cvxpy = pytest.mark.skipif(
    importlib.util.find_spec("cvxpy") is None, reason="cvxpy is not installed"
)


def coned(frames, level, seed):
    """Frames of an arm whose heads press a joint that holds inside a cone of eight facets."""
    arms, capacity, moments = naive.limb_like(frames, level=level, seed=seed)
    rng = np.random.default_rng(seed + 100)
    lines = rng.normal(size=(frames, 28, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = 0.35 + 0.2 * np.cos(2 * np.pi * np.arange(8) / 8)
    cone = cone_inequalities(lines, base, ratios, axis=[1, 0, 0], towards=[0, 0, 1])
    return arms, capacity, moments, cone


def by_definition(arms, capacity, moments, G, h, exponent):
    """Least unmet moment within the limits, then least effort; two programmes of cvxpy."""
    import cvxpy as cp

    loads = arms * capacity
    size = np.linalg.norm(loads, axis=1)
    A, b = loads / size[:, None], moments / size
    strength = np.linalg.norm(G * capacity, axis=1)
    a = cp.Variable(capacity.size)
    within = [a >= 0, a <= 1, (G * capacity / strength[:, None]) @ a <= h / strength]
    tight = {"tol_gap_abs": 1e-12, "tol_gap_rel": 1e-12, "tol_feas": 1e-12}
    nearest = cp.Problem(cp.Minimize(cp.sum_squares(b - A @ a)), within)
    nearest.solve(solver=cp.CLARABEL, **tight)
    reached = A @ a.value
    effort = cp.Problem(cp.Minimize(cp.sum(cp.power(a, exponent))), [A @ a == reached, *within])
    # The general solver warns near p = 1.5, and its activations may lie a rounding below zero.
    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        warnings.simplefilter("ignore", UserWarning)
        effort.solve(solver=cp.CLARABEL)
    return (b - reached) * size, naive.effort(np.clip(a.value, 0.0, 1.0), exponent)


@needs_cvxpy
@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("level", [0.3, 4.0])
def test_the_least_unmet_moment_within_the_cone_then_the_least_effort(level, exponent):
    arms, capacity, moments, cone = coned(12, level, 2)
    answer = share(arms, capacity, moments, exponent=exponent, inequalities=cone)
    assert answer.method == "compiled"
    assert (answer.status != Status.UNCERTIFIED).all()
    held = (answer.inequality_multipliers > 0.0).any(axis=1)
    assert held.sum() > 2
    if level > 1.0:
        assert (held & (answer.status == Status.SHORTFALL)).sum() > 2
    for f in range(12):
        unmet, effort = by_definition(
            arms[f], capacity[f], moments[f], cone[0][f], cone[1][f], exponent
        )
        np.testing.assert_allclose(answer.unmet[f], unmet, atol=2e-4)
        found = naive.effort(answer.activation[f], exponent)
        assert found == pytest.approx(effort, rel=2e-4)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("level", [0.3, 3.0, 10.0])
def test_every_certificate_is_that_of_a_frame_without_inequalities(level, exponent):
    arms, capacity, moments, cone = coned(200, level, 3)
    answer = share(arms, capacity, moments, exponent=exponent, inequalities=cone, chain=False)
    assert answer.method == "compiled"
    assert (answer.status != Status.UNCERTIFIED).all()
    proof = answer.certificate
    assert proof.stationarity.max() <= 1e-9
    assert np.abs(proof.duality_gap).max() <= 1e-9
    assert proof.bound_violation.max() <= 1e-9
    plain = share(arms, capacity, moments, exponent=exponent, chain=False)
    held = (answer.inequality_multipliers > 0.0) | (answer.shortfall_prices > 0.0)
    free = ~held.any(axis=1)
    assert 0 < free.sum() < 200
    np.testing.assert_allclose(answer.activation[free], plain.activation[free], atol=1e-9)
    short = plain.status == Status.SHORTFALL
    size = np.linalg.norm(arms * capacity[:, None, :], axis=2)
    before = np.linalg.norm(plain.unmet / size, axis=1)
    after = np.linalg.norm(answer.unmet / size, axis=1)
    assert (answer.status[short] == Status.SHORTFALL).all()
    assert (after >= before * (1 - 1e-9) - 1e-12).all()


def test_the_price_of_a_shortfall_bounds_what_forces_in_the_cone_can_reach():
    """The bound in the words of ``Sharing``, and that random forces in the cone obey it."""
    arms, capacity, moments, (G, h) = coned(60, 6.0, 4)
    answer = share(arms, capacity, moments, inequalities=(G, h))
    short = np.flatnonzero(
        (answer.status == Status.SHORTFALL) & (answer.shortfall_prices > 0.0).any(axis=1)
    )
    assert short.size > 5
    rng = np.random.default_rng(0)
    for f in short:
        loads = arms[f] * capacity[f]
        size = np.linalg.norm(loads, axis=1)
        u, price = answer.unmet[f] / size, answer.shortfall_prices[f]
        along = loads.T @ (u / size) - capacity[f] * (G[f].T @ price)
        most = np.maximum(along, 0.0).sum() + price @ h[f]
        reached = (loads @ answer.activation[f] / size) @ u
        assert reached == pytest.approx(most, abs=1e-9 * (1 + abs(most)))
        for _ in range(50):
            force = capacity[f] * rng.uniform(size=28) * rng.uniform()
            if (G[f] @ force <= h[f]).all():
                assert (arms[f] @ force / size) @ u <= most + 1e-9


def test_presses_of_an_ordinary_person_are_certified_within_the_glenoid():
    person = Person(name="ordinary", sex="male", stature=1.80, body_mass=82.0)
    limb = build_limb(person, load_model())
    said = set()
    for load in (30.0, 110.0):
        lift = BenchPress(
            load_mass=load, spacing=Profile.constant(0.65), tuck=Profile.constant(1.0),
            tilt=Profile.constant(0.0), frames=21,
        ).lift(limb.skeleton)  # fmt: skip
        for mode in ("zero", "free"):
            result = solve_lift(prepare(limb, lift), Lateral(mode=mode), glenoid=True)
            status = result.sharing.status[lift.reachable]
            assert np.isin(status, [Status.SOLVED, Status.SHORTFALL]).all()
            assert np.abs(result.sharing.certificate.duality_gap[lift.reachable]).max() <= 1e-9
            said |= set(status.ravel().tolist())
    assert said == {Status.SOLVED, Status.SHORTFALL}


def test_a_bounded_free_value_and_a_cone_at_once():
    arms, capacity, moments, cone = coned(40, 0.3, 5)
    column = np.array([[1.0], [0.5], [-0.2], [0.3]])
    given = {"inequalities": cone, "free_columns": column}
    free = share(arms, capacity, moments, **given)
    bounded = share(arms, capacity, moments, **given, free_bounds=(-2.0, 2.0))
    assert (bounded.status == Status.SOLVED).all()
    outside = np.abs(free.free_values[:, 0]) > 2.0
    assert 0 < outside.sum() < 40
    held = np.clip(free.free_values[outside], -2.0, 2.0)
    again = share(
        arms[outside], capacity[outside], moments[outside] - held * column[:, 0],
        inequalities=(cone[0][outside], cone[1][outside]),
    )  # fmt: skip
    np.testing.assert_allclose(bounded.activation[outside], again.activation, atol=1e-10)


def test_the_kernel_and_its_plain_form_say_the_same():
    """Without numba the same loops run as plain Python."""
    code = """
import numpy as np
from tests.unit.test_sharing_limits import coned
from momentshare.sharing import share
*given, cone = coned(6, 3.0, 6)
print(share(*given, inequalities=cone).method)
for p in (1.5, 2.0, 3.0):
    answer = share(*given, exponent=p, inequalities=cone, chain=False)
    print(*answer.status, *answer.activation.ravel())
"""
    told = []
    for off in ("0", "1"):
        env = {**os.environ, "NUMBA_DISABLE_JIT": off}
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env
        )
        told.append(done.stdout.splitlines())
    assert told[0][0] == "compiled"
    assert told[1][0] == "numpy"
    for one, other in zip(told[0][1:], told[1][1:], strict=True):
        np.testing.assert_allclose(
            np.array(one.split(), float), np.array(other.split(), float), atol=1e-9
        )


def test_the_kernel_codes_are_those_of_the_status():
    assert kernel.SOLVED == Status.SOLVED
    assert kernel.SHORTFALL == Status.SHORTFALL
    assert kernel.UNCERTIFIED == Status.UNCERTIFIED


def test_a_folder_that_others_may_write_to_is_not_trusted(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "gettempdir", lambda: str(tmp_path))
    folder = compiling.private_folder()
    assert compiling.private_folder() == folder
    folder.chmod(0o777)
    with pytest.raises(OSError, match="others"):
        compiling.private_folder()
    folder.rmdir()
    folder.write_text("")
    with pytest.raises(OSError):
        compiling.private_folder()


@pytest.mark.skipif(importlib.util.find_spec("numba") is None, reason="numba is not installed")
@pytest.mark.parametrize("writable", ["nothing", "temporary folder"])
def test_a_read_only_installation_still_compiles(tmp_path, writable):
    """Package and home cannot be written to: the kernel goes to a private folder or nowhere."""
    code = """
import numba.core.caching as caching, os, sys, tempfile
class Closed:
    def ensure_cache_path(self):
        raise PermissionError('read-only')
for name in ('InTreeCacheLocator', 'UserWideCacheLocator', 'UserProvidedCacheLocator'):
    if name == 'InTreeCacheLocator':
        continue
    getattr(caching, name).ensure_cache_path = Closed.ensure_cache_path
plain = caching.InTreeCacheLocator.ensure_cache_path
def tried(self):
    if '__pycache__' in self.get_cache_path() or sys.argv[1] == 'nothing':
        raise PermissionError('read-only')
    caching._CacheLocator.ensure_cache_path(self)
caching.InTreeCacheLocator.ensure_cache_path = tried
from momentshare._kernels.compiling import outermost
from numba import float64
def double(x):
    return 2.0 * x
import momentshare.units
double.__code__ = double.__code__.replace(co_filename=momentshare.units.__file__)
made = outermost(float64(float64), [])(double)
print(made(2.0), made.stats.cache_path)
"""
    env = {**os.environ, "TMPDIR": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code, writable], capture_output=True, text=True, check=True, env=env
    )
    value, where = done.stdout.split(maxsplit=1)
    assert float(value) == 4.0
    if writable == "nothing":
        assert where.strip() == "None"
    else:
        assert str(tmp_path) in where
        assert list(tmp_path.rglob("*.nbi"))
