"""Fit strengths to measured moments, through the sharing, with PyTorch or JAX.

An invented test: a dynamometer holds the forearm and asks for elbow flexion, and a second load cell
reads the moment that the same effort makes at the shoulder. Three heads flex the elbow; the
two heads of the biceps pass the shoulder too. How the elbow moment is shared decides the moment at
the shoulder, so the shoulder readings tell how strong the heads are relative to each other. The
strength of the third is known.

    python fit_strengths.py torch        # or jax
"""

import sys

import numpy as np

HEADS = ("biceps long", "biceps short", "brachialis")
TRUE = np.array([620.0, 480.0, 900.0])  # [N], what made the readings
KNOWN = 900.0  # [N], of the brachialis
START = np.array([500.0, 500.0])

angle = np.linspace(0.3, 1.9, 9)  # elbow flexion [rad]
elbow = np.stack(  # moment arms at the elbow [m]
    [0.030 + 0.012 * np.sin(angle), 0.031 + 0.011 * np.sin(angle), 0.014 + 0.010 * np.sin(angle)],
    axis=-1,
)
shoulder = np.stack([0.020 - 0.006 * angle, 0.030 + 0.004 * angle, 0.0 * angle], axis=-1)
arms = elbow[:, None, :]  # frames × rows × heads
asked = 20.0 + 8.0 * np.sin(angle)[:, None]  # elbow moments [N·m]


def loss_of(share_forces, strengths, total):
    """Squared difference of the shoulder moments, [N²·m²]."""
    force = share_forces(arms_, strengths, asked_)
    return ((total(shoulder_ * force) - read_) ** 2).sum()


def fit(slope_of, start):
    """Newton's method on two strengths; the second derivative by differences of the first."""
    strengths = start.copy()
    for _ in range(30):
        value, slope = slope_of(strengths)
        bend = np.stack([slope_of(strengths + d)[1] - slope for d in 0.1 * np.eye(2)]) / 0.1
        bend = 0.5 * (bend + bend.T) + 1e-9 * np.eye(2)
        step = np.linalg.solve(bend, slope)
        if slope @ step <= 0.0:  # not convex here: go downhill by at most 50 N
            step = 50.0 * slope / np.linalg.norm(slope)
        longest = np.abs(step).max()
        strengths -= step * min(1.0, 50.0 / longest)
        if longest < 1e-4:
            break
    return strengths, value


if sys.argv[1:] == ["jax"]:
    try:
        import jax
    except ImportError:
        sys.exit("JAX is not installed: pip install 'momentshare[jax]', or try torch")

    jax.config.update("jax_enable_x64", True)
    import jax.numpy as jnp

    from momentshare.sharing.in_jax import share_forces

    arms_, asked_, shoulder_ = map(jnp.asarray, (arms, asked, shoulder))
    read_ = (shoulder_ * share_forces(arms_, jnp.asarray(TRUE), asked_)).sum(-1)
    graded = jax.value_and_grad(
        lambda two: loss_of(
            share_forces, jnp.concatenate([two, jnp.array([KNOWN])]), lambda x: x.sum(-1)
        )
    )

    def slope_of(two):
        """Loss and its derivative by the two strengths."""
        value, slope = graded(jnp.asarray(two))
        return float(value), np.asarray(slope)

else:
    try:
        import torch
    except ImportError:
        sys.exit("PyTorch is not installed: pip install 'momentshare[torch]', or try jax")

    from momentshare.sharing.in_torch import share_forces

    arms_, asked_, shoulder_ = map(torch.tensor, (arms, asked, shoulder))
    read_ = (shoulder_ * share_forces(arms_, torch.tensor(TRUE), asked_)).sum(-1)

    def slope_of(two):
        """Loss and its derivative by the two strengths."""
        given = torch.tensor(two, requires_grad=True)
        strengths = torch.cat([given, torch.tensor([KNOWN], dtype=torch.float64)])
        value = loss_of(share_forces, strengths, lambda x: x.sum(-1))
        value.backward()
        return float(value), given.grad.numpy()


found, left = fit(slope_of, START)
for name, true, fitted in zip(HEADS, TRUE, [*found, KNOWN], strict=True):
    print(f"{name:<14} true {true:6.1f} N, fitted {fitted:6.1f} N")
