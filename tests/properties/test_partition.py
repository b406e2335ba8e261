"""A muscle cut into equal parts does what it did whole.

That the answer depends on the cut when each part counts as much as a whole muscle:
Holmberg and Klarbring 2012, Multibody Syst Dyn 28:283-289 (abstract read). That volume is the
weight which keeps it, and that the greatest activation needs none, is arithmetic:
Σ (V/k) aᵖ over k parts is V aᵖ, and the greatest of k equal numbers is that number.

Moments are such that they can be met. What is left of those that cannot is measured in rows
scaled by the root of the summed squares of r c over heads, and that root depends on the cut.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests import naive

from momentshare.balance import Balance, Criterion
from momentshare.sharing import Status

CALM = settings(max_examples=25, deadline=None, derandomize=True)
EXPONENTS = st.floats(1.5, 5.0)


WEIGHTS = st.sampled_from(["volume", "area"])


def balance(arms, capacity, moments, passive, volume, area):
    return Balance.of_moments(
        moment_arms=arms,
        active_capacity=capacity,
        joint_moments=moments,
        passive_force=passive,
        volume_weights=volume / volume.mean(),
        area_weights=area / area.mean(),
        head_names=tuple(f"head {k}" for k in range(capacity.shape[-1])),
        row_names=tuple(f"row {k}" for k in range(arms.shape[-2])),
    )


@st.composite
def cuts(draw):
    """Yield a problem, one head of it, the number of its parts, and the problem with it cut."""
    rows, heads = draw(st.integers(1, 4)), draw(st.integers(3, 28))
    level = draw(st.sampled_from([0.01, 0.3, 0.8]))
    seed = draw(st.integers(0, 2**20))
    head, parts = draw(st.integers(0, heads - 1)), draw(st.integers(2, 5))
    arms, capacity, moments = naive.limb_like(3, heads=heads, rows=rows, level=level, seed=seed)
    random = np.random.default_rng(seed)
    passive = capacity * random.uniform(0.0, 0.05, capacity.shape)
    volume, area = random.uniform(0.1, 4.0, heads), random.uniform(0.1, 4.0, heads)
    moments = moments + np.einsum("fji,fi->fj", arms, passive)
    whole = (arms, capacity, moments, passive, volume, area)
    copies = np.r_[np.arange(heads), np.full(parts - 1, head)]
    share_of = np.where(copies == head, 1.0 / parts, 1.0)
    cut = (
        arms[..., copies],
        capacity[..., copies] * share_of,
        moments,
        passive[..., copies] * share_of,
        volume[copies] * share_of,
        area[copies] * share_of,
    )
    return whole, cut, copies


def totals(force, copies, heads):
    return np.stack([force[..., copies == k].sum(axis=-1) for k in range(heads)], axis=-1)


def difference(problem, criterion):
    """Largest change of any head's total by the cut, over the greatest force of a head."""
    whole, cut, copies = problem
    heads = whole[1].shape[-1]
    before = balance(*whole).share(criterion)
    after = balance(*cut).share(criterion)
    assert (before.status == Status.SOLVED).all()
    assert (after.status == Status.SOLVED).all()
    change = np.abs(totals(after.force, copies, heads) - before.force)
    return change.max() / np.abs(before.force).max(), after


@CALM
@given(cuts(), EXPONENTS, WEIGHTS)
def test_by_size_the_total_of_a_muscle_does_not_depend_on_its_cut(problem, exponent, weights):
    change, after = difference(problem, Criterion(exponent=exponent, weights=weights))
    assert change < 1e-6
    _, _, copies = problem
    parts = after.activation[..., copies == copies[-1]]
    assert np.ptp(parts, axis=-1).max() < 1e-6


@CALM
@given(cuts())
def test_the_smallest_greatest_activation_needs_no_weights(problem):
    whole, cut, _ = problem
    criterion = Criterion(exponent=math.inf)
    before = balance(*whole).share(criterion).activation.max(axis=-1)
    after = balance(*cut).share(criterion).activation.max(axis=-1)
    np.testing.assert_allclose(after, before, rtol=1e-6, atol=1e-9)
    plain = Criterion(exponent=math.inf, weights="none")
    np.testing.assert_array_equal(
        balance(*whole).share(plain).activation, balance(*whole).share(criterion).activation
    )


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, 5.0])
def test_with_equal_weights_a_cut_takes_force_from_a_muscle_or_gives_it(exponent):
    # One row, two alike muscles, the first cut in three: a ∝ (c / w)^(1/(p-1)) with c a third.
    arms = np.full((1, 4), 0.03)
    capacity = np.array([100.0, 100.0, 100.0, 300.0])
    size = np.array([1.0, 1.0, 1.0, 3.0])
    found = balance(arms, capacity, np.array([6.0]), np.zeros(4), size, size)
    cut = found.share(Criterion(exponent=exponent, weights="none")).force
    part = 3.0 ** (-1.0 / (exponent - 1.0))
    assert cut[:3].sum() / cut[3] == pytest.approx(part, rel=1e-9)
    whole = found.share(Criterion(exponent=exponent)).force
    assert whole[:3].sum() / whole[3] == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_by_area_fibre_length_does_not_count_and_by_volume_the_short_fibre_works_more(exponent):
    # One row, two heads of equal arm and force, the first with fibres of a third of the length:
    # w p aᵖ⁻¹ = λ h c, so that a ∝ w^(-1/(p-1)).
    arms, capacity = np.full((1, 2), 0.03), np.array([200.0, 200.0])
    found = balance(
        arms, capacity, np.array([6.0]), np.zeros(2), np.array([1.0, 3.0]), np.array([1.0, 1.0])
    )
    area = found.share(Criterion(exponent=exponent, weights="area")).activation
    volume = found.share(Criterion(exponent=exponent, weights="volume")).activation
    assert area[0] == pytest.approx(area[1], rel=1e-9)
    most = min(3.0 ** (1.0 / (exponent - 1.0)) * volume[1], 1.0)
    assert volume[0] == pytest.approx(most, rel=1e-9)
