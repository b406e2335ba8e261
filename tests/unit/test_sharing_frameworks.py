"""Forces inside PyTorch and JAX: the numbers of `share`, the derivatives of their differences."""

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from momentshare.errors import MissingExtraError, ShapeError
from momentshare.sharing import Status, share
from momentshare.sharing._pull_back import Shared

needs_torch = pytest.mark.skipif(find_spec("torch") is None, reason="torch is not installed")
needs_jax = pytest.mark.skipif(find_spec("jax") is None, reason="jax is not installed")

EXAMPLE = Path(__file__).parents[2] / "src/momentshare/tutorials/files/developer/fit_strengths.py"


def problem():
    """Three frames of two rows and five heads, all solved and none near a bound."""
    rng = np.random.default_rng(4)
    arms = rng.uniform(0.01, 0.05, (3, 2, 5)) * np.array([[1, 1, -1, 1, 1], [1, -1, 1, 1, -1]])
    capacity = rng.uniform(400.0, 900.0, 5)
    passive = rng.uniform(0.0, 10.0, (3, 5))
    moments = np.einsum("fji,i->fj", arms, 0.3 * capacity) + np.einsum("fji,fi->fj", arms, passive)
    solved = share(arms, capacity, moments, passive_force=passive, exponent=3.0)
    assert (solved.status == Status.SOLVED).all()
    return arms, capacity, moments, passive


def slope_along(given, direction, change, exponent, step=1e-5):
    """Central difference of Σ change·F along a direction of all arguments."""
    shared = Shared(exponent=exponent)

    def value(t):
        moved = [x + t * step * d for x, d in zip(given, direction, strict=True)]
        return (change * shared.forces(*moved)).sum()

    return (8 * (value(1) - value(-1)) - (value(2) - value(-2))) / (12 * step)


@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_what_is_pulled_back_is_the_difference(exponent):
    given = problem()
    rng = np.random.default_rng(7)
    change = rng.normal(size=(3, 5))
    found = Shared(exponent=exponent).pull_back(*given, change)
    assert [x.shape for x in found] == [x.shape for x in given]
    for k, scale in enumerate((1e-3, 10.0, 0.1, 1.0)):
        direction = [np.zeros_like(x) for x in given]
        direction[k] = scale * rng.normal(size=given[k].shape)
        wanted = slope_along(given, direction, change, exponent)
        np.testing.assert_allclose((found[k] * direction[k]).sum(), wanted, rtol=1e-6)


def test_frames_that_fall_short_have_no_derivative_or_none_that_counts():
    arms, capacity, moments, passive = problem()
    moments = moments * np.array([[1.0], [50.0], [1.0]])
    change = np.ones((3, 5))
    bare = Shared().pull_back(arms, capacity, moments, passive, change)
    assert np.isnan(bare[0][1]).all()
    assert np.isfinite(bare[0][[0, 2]]).all()
    zero = Shared(unsolved="zero").pull_back(arms, capacity, moments, passive, change)
    assert (zero[2][1] == 0.0).all()
    np.testing.assert_array_equal(zero[2][[0, 2]], bare[2][[0, 2]])
    with pytest.raises(ShapeError, match="unsolved"):
        Shared(unsolved="none")


@pytest.mark.parametrize("name", ["torch", "jax"])
def test_without_the_framework_the_install_line_is_told(name):
    if find_spec(name) is not None:
        pytest.skip(f"{name} is installed")
    module = __import__(f"momentshare.sharing.in_{name}", fromlist=["share_forces"])
    with pytest.raises(MissingExtraError, match=rf"pip install 'momentshare\[{name}\]'"):
        module.share_forces([[0.05]], [100.0], [1.0])


@needs_torch
def test_pytorch_gives_the_forces_and_their_derivatives():
    import torch

    from momentshare.sharing.in_torch import share_forces

    given = [torch.tensor(x, requires_grad=True) for x in problem()]
    force = share_forces(*given, exponent=3.0)
    wanted = Shared(exponent=3.0).forces(*problem())
    np.testing.assert_array_equal(force.detach().numpy(), wanted)
    (force**2).sum().backward()
    pulled = Shared(exponent=3.0).pull_back(*problem(), 2.0 * wanted)
    for tensor, found in zip(given, pulled, strict=True):
        np.testing.assert_allclose(tensor.grad.numpy(), found, rtol=1e-12)
    assert torch.autograd.gradcheck(
        lambda moments: share_forces(given[0].detach(), given[1].detach(), moments), given[2],
        eps=1e-4, atol=1e-5,
    )  # fmt: skip
    single = share_forces(*(x.detach().float() for x in given))
    assert single.dtype == torch.float32


@needs_jax
def test_jax_gives_the_forces_and_their_derivatives():
    import jax

    jax.config.update("jax_enable_x64", True)
    from momentshare.sharing.in_jax import share_forces

    given = problem()
    wanted = Shared(exponent=3.0).forces(*given)

    def total(*arrays):
        return (share_forces(*arrays, exponent=3.0) ** 2).sum()

    force = jax.jit(lambda *arrays: share_forces(*arrays, exponent=3.0))(*given)
    np.testing.assert_array_equal(np.asarray(force), wanted)
    pulled = Shared(exponent=3.0).pull_back(*given, 2.0 * wanted)
    for found in (
        jax.grad(total, argnums=(0, 1, 2, 3))(*given),
        jax.jit(jax.grad(total, argnums=(0, 1, 2, 3)))(*given),
    ):
        for array, expected in zip(found, pulled, strict=True):
            np.testing.assert_allclose(np.asarray(array), expected, rtol=1e-12)


@needs_jax
def test_jax_maps_over_frames():
    import jax

    jax.config.update("jax_enable_x64", True)
    from momentshare.sharing.in_jax import share_forces

    arms, capacity, moments, passive = problem()
    wanted = Shared().forces(arms, capacity, moments, passive)
    mapped = jax.vmap(share_forces, in_axes=(0, None, 0, 0))
    np.testing.assert_array_equal(np.asarray(mapped(arms, capacity, moments, passive)), wanted)
    slope = jax.grad(lambda c: (mapped(arms, c, moments, passive) ** 2).sum())(capacity)
    expected = Shared().pull_back(arms, capacity, moments, passive, 2.0 * wanted)[1]
    np.testing.assert_allclose(np.asarray(slope), expected, rtol=1e-12)


@pytest.mark.parametrize("name", ["torch", "jax"])
def test_the_example_finds_the_strengths_that_made_the_moments(name):
    """The strengths are those that the example invents; see its first lines."""
    if find_spec(name) is None:
        pytest.skip(f"{name} is not installed")
    run = subprocess.run(
        [sys.executable, str(EXAMPLE), name], capture_output=True, text=True, check=True
    )
    rows = [line.split() for line in run.stdout.splitlines() if line.endswith("N")]
    assert len(rows) == 3
    for row in rows:
        true, fitted = float(row[-5]), float(row[-2])
        assert fitted == pytest.approx(true, rel=0.01)
