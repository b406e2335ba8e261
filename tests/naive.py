"""Slow, obvious twins of fast code, one frame at a time, written from the definition."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog, minimize


def limb_like(frames, *, heads=28, rows=4, level=0.3, seed=0):
    """Random frames with the size and structure of an arm: arms [m], capacity [N], moments.

    Three shoulder rows and one elbow row (fewer when asked), two-joint heads across both,
    arms up to 60 mm, capacities of 50 to 1500 N. The moments are those of random
    activations times ``level``; above about 2 many cannot be met.
    """
    rng = np.random.default_rng(seed)
    arms = rng.uniform(-0.06, 0.06, (frames, rows, heads))
    acts = np.ones((rows, heads), dtype=bool)
    first, both = int(0.55 * heads), int(0.7 * heads)
    if rows > 1:
        acts[: rows - 1, both:] = False
        acts[rows - 1, :first] = False
    arms = arms * acts
    capacity = rng.uniform(50.0, 1500.0, (frames, heads))
    activation = rng.uniform(0.0, 1.0, (frames, heads)) * (rng.random((frames, heads)) < 0.6)
    moments = level * np.einsum("fji,fi->fj", arms, capacity * activation)
    return arms, capacity, moments


def share(arms, capacity, moments, exponent, weights=None):
    """Least Σ w aᵖ by sequential quadratic programming; good to about 1e-6.

    Begun again from where it stops: SciPy 1.14.1 can stop after three steps, 4e-6 too high.
    """
    loads = arms * capacity
    size = np.linalg.norm(loads, axis=1)
    heads = capacity.size
    w = np.ones(heads) if weights is None else weights
    found = np.full(heads, 0.5)
    for _ in range(3):
        found = minimize(
            lambda a: w @ np.maximum(a, 0.0) ** exponent,
            found,
            jac=lambda a: exponent * w * np.maximum(a, 0.0) ** (exponent - 1.0),
            bounds=[(0.0, 1.0)] * heads,
            constraints={
                "type": "eq",
                "fun": lambda a: (loads @ a - moments) / size,
                "jac": lambda _: loads / size[:, None],
            },
            method="SLSQP",
            options={"maxiter": 1000, "ftol": 1e-15},
        ).x
    return found


def greatest_factor(arms, capacity, fixed, scaled):
    """Greatest factor as a linear programme; NaN where none will do."""
    heads = capacity.size
    cost = np.append(np.zeros(heads), -1.0)
    answer = linprog(
        cost,
        A_eq=np.hstack([arms * capacity, -scaled[:, None]]),
        b_eq=fixed,
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)],
        method="highs",
    )
    return -answer.fun if answer.status == 0 else np.nan


def effort(activation, exponent, weights=1.0):
    """Σ w aᵖ, or the greatest w a for min–max."""
    if np.isinf(exponent):
        return (weights * activation).max(axis=-1)
    return (weights * activation**exponent).sum(axis=-1)
