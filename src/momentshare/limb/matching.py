"""Strength factors of muscle groups from any number of strength tests of a person.

A test reads the sum over groups of factor × active moment, plus passive moments. A group that a
single test covers takes the factor that reproduces that test, together with the test's other
groups. Where several tests cover the same groups, their factors are those of least squares over the
tests, with the person's own estimate (factor 1) as prior, so that a test that contradicts the
others moves them by no more than its share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "GREATEST_FACTOR",
    "LEAST_FACTOR",
    "PRIOR",
    "TEST_ERROR",
    "StrengthReadings",
    "matched_factors",
]

LEAST_FACTOR, GREATEST_FACTOR = 0.1, 10.0
"""Factors beyond which moment, unit or posture of a test are taken to be wrong; assumed."""

TEST_ERROR = 0.08
"""Spread of a strength test about the true value, relative to its moment: repeated tests of a joint
differ by 5 to 10 % (common practice, no source)."""

PRIOR = 0.5
"""Spread of the logarithm of a factor about the person's estimate; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrengthReadings:
    """What a limb can produce in the postures of its tests.

    Parameters
    ----------
    measured : float array, shape (tests,)
        [N·m], positive.
    active : float array, shape (tests, groups)
        Active moment of each group in the direction of the test [N·m].
    passive : float array, shape (tests,)
        Passive moments of all heads [N·m].
    claimed : sequence of tuple of int
        For each test the groups that it rescales.
    """

    measured: NDArray[np.float64]
    active: NDArray[np.float64]
    passive: NDArray[np.float64]
    claimed: Sequence[tuple[int, ...]]


def matched_factors(tests: StrengthReadings) -> NDArray[np.float64]:
    """Factors of the groups, shape (groups,); 1 where no test covers a group.

    A factor may lie outside ``LEAST_FACTOR`` to ``GREATEST_FACTOR`` or be infinite where a single
    test requires it; the caller refuses it.

    Examples
    --------
    >>> alone = StrengthReadings(measured=np.array([60.0]), active=np.array([[40.0, 5.0]]),
    ...                     passive=np.array([5.0]), claimed=[(0,)])
    >>> matched_factors(alone)
    array([1.25, 1.  ])
    """
    factors = np.ones(tests.active.shape[1])
    for members in _components(tests.claimed):
        groups = sorted({g for t in members for g in tests.claimed[t]})
        own = tests.active[np.ix_(members, groups)]
        rest = tests.passive[members] + tests.active[members].sum(axis=1) - own.sum(axis=1)
        wanted = tests.measured[members]
        if len(members) == 1:
            mine = float(own.sum())
            factors[groups] = (float(wanted[0] - rest[0])) / mine if mine > 0.0 else np.inf
        else:
            factors[groups] = _least_squares(own, rest, wanted)
    return factors


def _components(claimed: Sequence[tuple[int, ...]]) -> list[list[int]]:
    """Return sets of tests linked by shared groups, in the order of their first tests."""
    found: list[tuple[set[int], list[int]]] = []
    for test, groups in enumerate(claimed):
        linked = [item for item in found if item[0] & set(groups)]
        merged: tuple[set[int], list[int]] = (
            set(groups).union(*(item[0] for item in linked)),
            sorted([test, *(t for item in linked for t in item[1])]),
        )
        found = [item for item in found if item not in linked] + [merged]
    return sorted((members for _, members in found), key=lambda members: members[0])


def _least_squares(
    own: NDArray[np.float64], rest: NDArray[np.float64], wanted: NDArray[np.float64]
) -> NDArray[np.float64]:
    from scipy.optimize import least_squares

    spread = TEST_ERROR * wanted

    def off(logs: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([(own @ np.exp(logs) + rest - wanted) / spread, logs / PRIOR])

    low, high = np.log(LEAST_FACTOR), np.log(GREATEST_FACTOR)
    answer = least_squares(off, np.zeros(own.shape[1]), bounds=(low, high), xtol=1e-12, ftol=1e-12)
    return np.asarray(np.exp(answer.x))
