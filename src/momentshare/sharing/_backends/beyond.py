"""Inequalities that no forces of the heads obey.

Whether there are any is a sharing problem of its own: every inequality is a row that the heads
and a slack of its own have to meet, and a shortfall of it comes with a direction that separates.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._certificate import CERTIFIED

if TYPE_CHECKING:
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import BoolArray


def breaks_alone(problem: Problem) -> BoolArray:
    """Whether one inequality by itself cannot be obeyed, even with the best of each head.

    So it is with nine in ten of the frames of presses that no forces can hold within the glenoid's
    limit, and it costs a thousandth of the problem with slacks.
    """
    limits, levels, passive = problem.limits, problem.levels, problem.passive
    with np.errstate(over="ignore", invalid="ignore"):
        load = limits * problem.capacity[:, None, :]
        least = np.einsum("fgi,fi->fg", limits, passive) + np.minimum(load, 0.0).sum(axis=2)
        size = np.abs(levels) + np.einsum("fgi,fi->fg", np.abs(limits), np.abs(passive))
        broken = least - levels > CERTIFIED * (size + np.abs(load).sum(axis=2))
    return np.broadcast_to(broken.any(axis=1), (problem.frames,))


def with_slacks(problem: Problem) -> Problem:
    """Rows and heads whose balance can be met where the inequalities can be obeyed.

    A slack never needs to be greater than the inequality leaves when every head that adds to
    it rests and every other pulls.
    """
    frames, facets = problem.frames, problem.facets
    limits, levels = problem.limits, problem.levels
    load = limits * problem.capacity[:, None, :]
    most = levels - np.einsum("fgi,fi->fg", limits, problem.passive)
    most = most - np.minimum(load, 0.0).sum(axis=2)
    most = np.broadcast_to(np.maximum(most, 0.0), (frames, facets))
    heads = np.broadcast_to(limits, (frames, facets, problem.heads))
    capacity = np.broadcast_to(problem.capacity, (frames, problem.heads))
    passive = np.broadcast_to(problem.passive, (frames, problem.heads))
    unit = np.broadcast_to(np.eye(facets), (frames, facets, facets))
    return replace(
        problem,
        arms=np.ascontiguousarray(np.concatenate([heads, unit], axis=2)),
        capacity=np.ascontiguousarray(np.concatenate([capacity, most], axis=1)),
        passive=np.ascontiguousarray(np.concatenate([passive, np.zeros((frames, facets))], axis=1)),
        moments=np.ascontiguousarray(np.broadcast_to(levels, (frames, facets))),
        weights=np.ones((1, problem.heads + facets)),
        columns=np.zeros((1, facets, 0)),
        lower=np.zeros((1, 0)),
        upper=np.zeros((1, 0)),
        coefficients=np.zeros((1, 0, problem.heads + facets)),
        cone=None,
        levels=np.zeros((1, 0)),
        start=None,
        exponent=2.0,
    )
