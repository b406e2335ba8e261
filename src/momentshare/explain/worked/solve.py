"""A small sharing problem derived line by line: two rows, a two-joint head, two one-joint heads.

With h = F r the moment of a head at full activation, the balance is

    h_Le a_L + h_E a_E = M_e,    h_Ls a_L + h_S a_S = M_s,

and SymPy derives from the Lagrangian what each head must do, for p = 2 in closed form and for any
other p as one equation with one unknown. The numbers are then inserted and the answer is compared
with that of :func:`momentshare.sharing.share`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError
from momentshare.explain.worked.algebra import derive, symbols
from momentshare.explain.worked.example import WorkedAnswer, WorkedExample
from momentshare.explain.worked.steps import derivation
from momentshare.sharing import share

if TYPE_CHECKING:
    from momentshare.explain.worked.algebra import Algebra
    from momentshare.explain.worked.case import WorkedCase

__all__ = ["work"]


def work(case: WorkedCase) -> WorkedExample:
    """Derive a small case and insert its numbers.

    Parameters
    ----------
    case : WorkedCase

    Returns
    -------
    WorkedExample
        With answers for p = 2, p = 3 and the exponent of the case.

    Raises
    ------
    InputError
        If no activations from 0 to 1 meet both moments.
    MissingExtraError
        Without SymPy.

    Examples
    --------
    >>> from momentshare.explain.worked import WorkedCase
    >>> case = WorkedCase(capacity=(800.0, 1000.0, 1200.0), two_joint_arms=(0.022, -0.020),
    ...                   elbow_arm=0.022, shoulder_arm=0.035, moments=(20.0, 30.0))
    >>> [round(force, 2) for force in work(case).answers[0].force]
    [203.98, 705.11, 973.7]
    """
    import sympy as sp

    s = symbols()
    algebra = derive(equal_weights=case.weights == (1.0, 1.0, 1.0))
    exact = {s[name]: sp.Rational(value) for name, value in case.numbers().items()}
    unbounded = algebra.closed.subs(exact)
    low, high = _interval(case)
    exponents = dict.fromkeys((2.0, 3.0, case.exponent))
    answers = tuple(
        _answer(case, algebra, p, exact, float(unbounded), (low, high))
        for p in exponents
        if math.isfinite(p)
    )
    return WorkedExample(
        case=case,
        steps=derivation(case, algebra, exact, answers, (low, high)),
        answers=answers,
        symbols=s,
    )


def _others(case: WorkedCase, a_L: float) -> tuple[float, float]:
    n = case.numbers()
    return (n["M_e"] - n["h_Le"] * a_L) / n["h_E"], (n["M_s"] - n["h_Ls"] * a_L) / n["h_S"]


def _interval(case: WorkedCase) -> tuple[float, float]:
    """Values of a_L for which every head stays within 0 to 1."""
    n = case.numbers()
    low, high = 0.0, 1.0
    for need, lever, own in (("M_e", "h_Le", "h_E"), ("M_s", "h_Ls", "h_S")):
        at, slope = n[need] / n[own], -n[lever] / n[own]
        if slope == 0.0:
            if not 0.0 <= at <= 1.0:
                low, high = 1.0, 0.0
            continue
        ends = sorted(((0.0 - at) / slope, (1.0 - at) / slope))
        low, high = max(low, ends[0]), min(high, ends[1])
    # Moments taken from an answer at its bounds may exceed them by rounding.
    if low > high + 1e-12:
        raise InputError(
            f"the three heads cannot supply {n['M_e']:.4g} and {n['M_s']:.4g} N·m with "
            "activations from 0 to 1; choose smaller moments"
        )
    return low, max(low, high)


def _answer(
    case: WorkedCase,
    algebra: Algebra,
    exponent: float,
    exact: dict[Any, Any],
    unbounded: float,
    interval: tuple[float, float],
) -> WorkedAnswer:
    """Solve the small case for one exponent by the worked equations, and by the solver.

    Along the line of the balance effort is a convex function of a_L, so the answer within
    the bounds is the free one or the end of the interval next to it.
    """
    low, high = interval
    if exponent == 2.0:
        a_L = min(max(unbounded, low), high)
    else:
        a_L = _root(algebra, exponent, exact, interval)
    a_E, a_S = (min(max(x, 0.0), 1.0) for x in _others(case, a_L))
    solved = share(case.arms, case.capacity, case.moments, exponent=exponent, weights=case.weights)
    activation = (float(a_L), float(a_E), float(a_S))
    return WorkedAnswer(
        exponent=exponent,
        unbounded=unbounded if exponent == 2.0 else math.nan,
        activation=activation,
        solver=tuple(float(x) for x in solved.activation),  # type: ignore[arg-type]
        force=tuple(a * f for a, f in zip(activation, case.capacity, strict=True)),  # type: ignore[arg-type]
    )


def _root(
    algebra: Algebra, exponent: float, exact: dict[Any, Any], interval: tuple[float, float]
) -> float:
    """Solve the condition of L for a_L, the other two heads eliminated by theirs."""
    import sympy as sp
    from scipy.optimize import brentq

    s = symbols()
    own, elbow, shoulder = algebra.conditions_any
    prices = {
        s["lambda_e"]: sp.solve(elbow, s["lambda_e"])[0],
        s["lambda_s"]: sp.solve(shoulder, s["lambda_s"])[0],
    }
    mismatch = sp.lambdify(
        (s["a_L"], s["a_E"], s["a_S"]),
        (own.lhs - own.rhs.subs(prices)).subs({**exact, s["p"]: exponent}),
        "math",
    )
    number = {str(key): float(value) for key, value in exact.items()}

    def at(a_L: float) -> float:
        a_E = (number["M_e"] - number["h_Le"] * a_L) / number["h_E"]
        a_S = (number["M_s"] - number["h_Ls"] * a_L) / number["h_S"]
        return float(mismatch(max(a_L, 0.0), max(a_E, 0.0), max(a_S, 0.0)))

    low, high = interval
    if at(low) >= 0.0:
        return low
    if at(high) <= 0.0:
        return high
    return float(brentq(at, low, high, xtol=1e-15, rtol=8.9e-16))
