"""A small sharing problem derived line by line: two rows, a two-joint head, two one-joint heads.

With h = F r the moment of a head at full activation, the balance is

    h_Le a_L + h_E a_E = M_e,    h_Ls a_L + h_S a_S = M_s,

and SymPy derives from the Lagrangian what each head has to do, for p = 2 in closed form and
for any other p as one equation with one unknown. The numbers are then put in and the answer
is set beside that of :func:`momentshare.sharing.share`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError, MissingExtraError, ShapeError
from momentshare.explain.drive import joint_of
from momentshare.explain.words import head_words
from momentshare.sharing import share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.explain.drive import HeadExplanation

__all__ = ["Step", "WorkedAnswer", "WorkedCase", "WorkedExample", "case_from_frame", "work"]

_DIGITS = 6
"""Significant digits of numbers in the rendered text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedCase:
    """Numbers of the small case.

    Parameters
    ----------
    heads : tuple of str
        Two-joint head L, elbow head E, shoulder head S.
    rows : tuple of str
        Elbow row e, shoulder row s.
    capacity : tuple of float
        F_L, F_E, F_S [N].
    two_joint_arms : tuple of float
        Arms of L at elbow and shoulder [m].
    elbow_arm, shoulder_arm : float
        Arms of E and S [m].
    moments : tuple of float
        M_e, M_s [N·m].
    weights : tuple of float
        Of Σ w aᵖ.
    exponent : float
        Of the study; worked besides 2 and 3.
    origin : str
        Where the numbers come from.
    """

    heads: tuple[str, str, str] = (
        "two-joint head",
        "elbow head",
        "shoulder head",
    )
    rows: tuple[str, str] = ("elbow", "shoulder")
    capacity: tuple[float, float, float]
    two_joint_arms: tuple[float, float]
    elbow_arm: float
    shoulder_arm: float
    moments: tuple[float, float]
    weights: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exponent: float = 2.0
    origin: str = "Numbers as given."

    def __post_init__(self) -> None:
        given = {
            "capacity": (*self.capacity,),
            "arms": (*self.two_joint_arms, self.elbow_arm, self.shoulder_arm),
            "moments": (*self.moments,),
            "weights": (*self.weights,),
        }
        for name, values in given.items():
            if not all(math.isfinite(v) for v in values):
                raise ShapeError(name, "finite numbers", f"{values}")
        if min(self.capacity) <= 0.0 or min(self.weights) <= 0.0:
            raise ShapeError(
                "capacity, weights",
                "positive numbers",
                f"{self.capacity}, {self.weights}",
                "a head that cannot pull has no part in the small case",
            )
        if self.elbow_arm == 0.0 or self.shoulder_arm == 0.0:
            raise ShapeError(
                "elbow_arm, shoulder_arm", "arms other than zero",
                f"{self.elbow_arm}, {self.shoulder_arm}",
            )  # fmt: skip

    @property
    def arms(self) -> NDArray[np.float64]:
        """Moment arms, rows e and s, heads L, E and S [m]."""
        at_elbow, at_shoulder = self.two_joint_arms
        return np.array([[at_elbow, self.elbow_arm, 0.0], [at_shoulder, 0.0, self.shoulder_arm]])


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedAnswer:
    """Answer of the small case for one exponent.

    Attributes
    ----------
    exponent : float
    unbounded : float
        a_L before the bounds; NaN where only the bounded one was looked for.
    activation : tuple of float
        a_L, a_E, a_S by the worked equations.
    solver : tuple of float
        The same by :func:`momentshare.sharing.share`.
    force : tuple of float
        [N]
    """

    exponent: float
    unbounded: float
    activation: tuple[float, float, float]
    solver: tuple[float, float, float]
    force: tuple[float, float, float]

    @property
    def difference(self) -> float:
        """Greatest difference between the two routes."""
        pairs = zip(self.activation, self.solver, strict=True)
        return max(abs(a - b) for a, b in pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: what is done in words, and the equations it gives.

    ``{name}`` in the text stands for a symbol of ``symbols``.
    """

    text: str
    equations: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorkedExample:
    """A small case, its derivation and its answers."""

    case: WorkedCase
    steps: tuple[Step, ...]
    answers: tuple[WorkedAnswer, ...]
    symbols: dict[str, Any]

    def text(self) -> str:
        """Render the derivation as plain text."""
        sp = _sympy()
        names = {key: sp.pretty(value, use_unicode=True) for key, value in self.symbols.items()}
        out = []
        for number, step in enumerate(self.steps, start=1):
            out.append(f"{number}. {step.text.format_map(names)}")
            for equation in step.equations:
                drawn = sp.pretty(equation, use_unicode=True, wrap_line=False)
                lines = drawn.splitlines()
                if len(lines) > 1 and out[-1] != "":
                    out.append("")
                out += [f"      {line}".rstrip() for line in lines]
                if len(lines) > 1:
                    out.append("")
            if out[-1] != "":
                out.append("")
        return "\n".join(out).rstrip() + "\n"

    def latex(self) -> str:
        """Render the derivation as a LaTeX document."""
        sp = _sympy()
        names = {key: f"${sp.latex(value)}$" for key, value in self.symbols.items()}
        out = [
            r"\documentclass{article}",
            r"\usepackage{amsmath}",
            r"\begin{document}",
            r"\begin{enumerate}",
        ]
        for step in self.steps:
            out.append(rf"\item {_latex_text(step.text).format_map(names)}")
            out += [rf"\[ {sp.latex(equation)} \]" for equation in step.equations]
        return "\n".join([*out, r"\end{enumerate}", r"\end{document}", ""])


def _latex_text(text: str) -> str:
    """Write characters that LaTeX reads as commands or does not know as it wants them."""
    swaps = {
        "%": r"\%", "&": r"\&", "#": r"\#", "_": r"\_", "·": r"$\cdot$", "≤": r"$\le$",
        "−": "$-$", "–": "--", "Σ": r"$\Sigma$", "²": "$^2$", "ᵖ": "$^p$",
    }  # fmt: skip
    out, inside = [], False
    for letter in text:
        # Names of symbols in braces are filled in later and stay as they are.
        inside = (inside or letter == "{") and letter != "}"
        out.append(letter if inside else swaps.get(letter, letter))
    return "".join(out)


def _sympy() -> Any:
    try:
        return import_module("sympy")
    except ImportError as err:
        raise MissingExtraError("sympy", "worked", "the worked algebra") from err


@lru_cache(maxsize=1)
def _symbols() -> dict[str, Any]:
    sp = _sympy()
    found: dict[str, Any] = {
        name: sp.Symbol(name, real=True)
        for name in ("a_L", "a_E", "a_S", "a_L0", "r_Le", "r_Ls", "r_E", "r_S", "M_e", "M_s",
                     "h_Le", "h_Ls", "h_E", "h_S", "lambda_e", "lambda_s")
    }  # fmt: skip
    for name in ("F_L", "F_E", "F_S", "w_L", "w_E", "w_S", "p"):
        found[name] = sp.Symbol(name, positive=True)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Algebra:
    """Expressions of the derivation in symbols, p = 2 unless they hold p."""

    lagrangian: Any
    balance: tuple[Any, Any]
    conditions: tuple[Any, Any, Any]
    conditions_any: tuple[Any, Any, Any]
    others: tuple[Any, Any]
    prices: tuple[Any, Any]
    inserted: Any
    elbow_term: Any
    shoulder_term: Any
    below: Any
    closed: Any
    alone: Any
    gain: Any


@lru_cache(maxsize=2)
def _derive(*, equal_weights: bool) -> _Algebra:
    """Derive the small case with SymPy."""
    sp, s = _sympy(), _symbols()
    a_L, a_E, a_S = s["a_L"], s["a_E"], s["a_S"]
    h_Le, h_Ls, h_E, h_S = s["h_Le"], s["h_Ls"], s["h_E"], s["h_S"]
    lam_e, lam_s, p = s["lambda_e"], s["lambda_s"], s["p"]
    w_L, w_E, w_S = (sp.Integer(1) if equal_weights else s[f"w_{i}"] for i in "LES")
    at_elbow, at_shoulder = h_Le * a_L + h_E * a_E, h_Ls * a_L + h_S * a_S
    lagrangian = (
        w_L * a_L**2
        + w_E * a_E**2
        + w_S * a_S**2
        + lam_e * (s["M_e"] - at_elbow)
        + lam_s * (s["M_s"] - at_shoulder)
    )
    unknown = (a_L, a_E, a_S)
    conditions = tuple(sp.Eq(sp.diff(lagrangian, x), 0) for x in unknown)
    weights, drives = (w_L, w_E, w_S), (lam_e * h_Le + lam_s * h_Ls, lam_e * h_E, lam_s * h_S)
    anyp = tuple(
        sp.Eq(p * w * x ** (p - 1), d) for w, x, d in zip(weights, unknown, drives, strict=True)
    )
    balance = (sp.Eq(at_elbow, s["M_e"]), sp.Eq(at_shoulder, s["M_s"]))
    others = (sp.solve(balance[0], a_E)[0], sp.solve(balance[1], a_S)[0])
    prices = (sp.solve(conditions[1], lam_e)[0], sp.solve(conditions[2], lam_s)[0])
    inserted = sp.expand(
        sp.diff(lagrangian, a_L)
        .subs({lam_e: prices[0], lam_s: prices[1]})
        .subs({a_E: others[0], a_S: others[1]})
    )
    closed = sp.solve(inserted, a_L)[0]
    elbow_term = w_E * h_Le * s["M_e"] / h_E**2
    shoulder_term = w_S * h_Ls * s["M_s"] / h_S**2
    below = w_L + w_E * h_Le**2 / h_E**2 + w_S * h_Ls**2 / h_S**2
    # Terms and gain are written for reading; a test proves them equal to what was solved.
    gain = (w_S * h_Ls / h_S**2) * (s["M_s"] - h_Ls * s["a_L0"]) / below
    return _Algebra(
        lagrangian=lagrangian,
        balance=balance,
        conditions=conditions,
        conditions_any=anyp,
        others=others,
        prices=prices,
        inserted=inserted,
        elbow_term=elbow_term,
        shoulder_term=shoulder_term,
        below=below,
        closed=closed,
        alone=sp.simplify(closed.subs(h_Ls, 0)),
        gain=gain,
    )


def _effect(algebra: _Algebra) -> Any:
    """Return what the shoulder arm of L changes, in the symbols of the case alone."""
    return algebra.gain.subs(_symbols()["a_L0"], algebra.alone)


def work(case: WorkedCase) -> WorkedExample:
    """Derive a small case and put in its numbers.

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
    >>> case = WorkedCase(capacity=(800.0, 1000.0, 1200.0), two_joint_arms=(0.022, -0.020),
    ...                   elbow_arm=0.022, shoulder_arm=0.035, moments=(20.0, 30.0))
    >>> [round(force, 2) for force in work(case).answers[0].force]
    [203.98, 705.11, 973.7]
    """
    sp, s = _sympy(), _symbols()
    algebra = _derive(equal_weights=case.weights == (1.0, 1.0, 1.0))
    exact = {s[name]: sp.Rational(value) for name, value in _numbers(case).items()}
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
        steps=_steps(case, algebra, exact, answers, (low, high)),
        answers=answers,
        symbols=s,
    )


def _numbers(case: WorkedCase) -> dict[str, float]:
    F_L, F_E, F_S = case.capacity
    r_Le, r_Ls = case.two_joint_arms
    w_L, w_E, w_S = case.weights
    return {
        "F_L": F_L, "F_E": F_E, "F_S": F_S,
        "r_Le": r_Le, "r_Ls": r_Ls, "r_E": case.elbow_arm, "r_S": case.shoulder_arm,
        "h_Le": F_L * r_Le, "h_Ls": F_L * r_Ls,
        "h_E": F_E * case.elbow_arm, "h_S": F_S * case.shoulder_arm,
        "M_e": case.moments[0], "M_s": case.moments[1],
        "w_L": w_L, "w_E": w_E, "w_S": w_S,
    }  # fmt: skip


def _others(case: WorkedCase, a_L: float) -> tuple[float, float]:
    n = _numbers(case)
    return (n["M_e"] - n["h_Le"] * a_L) / n["h_E"], (n["M_s"] - n["h_Ls"] * a_L) / n["h_S"]


def _interval(case: WorkedCase) -> tuple[float, float]:
    """Values of a_L for which every head stays within 0 to 1."""
    n = _numbers(case)
    low, high = 0.0, 1.0
    for need, lever, own in (("M_e", "h_Le", "h_E"), ("M_s", "h_Ls", "h_S")):
        at, slope = n[need] / n[own], -n[lever] / n[own]
        if slope == 0.0:
            if not 0.0 <= at <= 1.0:
                low, high = 1.0, 0.0
            continue
        ends = sorted(((0.0 - at) / slope, (1.0 - at) / slope))
        low, high = max(low, ends[0]), min(high, ends[1])
    # Moments taken from an answer on its bounds may miss them by rounding.
    if low > high + 1e-12:
        raise InputError(
            f"the three heads cannot supply {n['M_e']:.4g} and {n['M_s']:.4g} N·m with "
            "activations from 0 to 1; choose smaller moments"
        )
    return low, max(low, high)


def _answer(
    case: WorkedCase,
    algebra: _Algebra,
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
    algebra: _Algebra, exponent: float, exact: dict[Any, Any], interval: tuple[float, float]
) -> float:
    """Solve the condition of L for a_L, the other two heads taken out by their own."""
    from scipy.optimize import brentq

    sp, s = _sympy(), _symbols()
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


def _steps(
    case: WorkedCase,
    algebra: _Algebra,
    exact: dict[Any, Any],
    answers: Sequence[WorkedAnswer],
    interval: tuple[float, float],
) -> tuple[Step, ...]:
    sp, s = _sympy(), _symbols()
    eq = sp.Eq
    short = {s[name]: sp.Float(value, _DIGITS) for name, value in _numbers(case).items()}

    def named(*names: str) -> tuple[Any, ...]:
        return tuple(eq(s[name], short[s[name]], evaluate=False) for name in names)

    def valued(symbol: Any, expression: Any) -> Any:
        value = sp.Float(expression.subs(exact), _DIGITS)
        return eq(symbol, value, evaluate=False)

    product = sp.Mul
    full = tuple(
        eq(s[h], product(s[f], s[r], evaluate=False), evaluate=False)
        for h, f, r in (("h_Le", "F_L", "r_Le"), ("h_Ls", "F_L", "r_Ls"),
                        ("h_E", "F_E", "r_E"), ("h_S", "F_S", "r_S"))
    )  # fmt: skip
    equal = case.weights == (1.0, 1.0, 1.0)
    weighing = "" if equal else " Each head has a weight w."
    elbow, shoulder = (row.replace("_", " ") for row in case.rows)
    two, one, three = (head_words(head) for head in case.heads)
    n_e, n_s, d = sp.symbols("n_e n_s d")
    a_L, alone = s["a_L"], s["a_L0"]
    steps = [
        Step(
            text=f"Three heads share two moments. L ({two}) crosses both joints; E ({one}) acts on "
            f"row e ({elbow}) only; S ({three}) acts on row s ({shoulder}) only. {case.origin}"
        ),
        Step(
            text="A head with capacity F [N] and arm r [m] gives the moment h = F r [N·m] at full "
            "activation, and h a at activation a.",
            equations=full,
        ),
        Step(text="Balance: the heads supply both moments.", equations=algebra.balance),
        Step(
            text="Least effort for p = 2: the sum of the squares of activation is to be as small "
            f"as it can be.{weighing} The Lagrangian adds each balance with its multiplier, "
            "{lambda_e} and {lambda_s}, the price of one more N·m.",
            equations=(eq(sp.Symbol("Lambda"), algebra.lagrangian, evaluate=False),),
        ),
        Step(
            text="Conditions: the slope for each activation is zero. The sums with the "
            "multipliers are the drives; that of L has a part from each joint.",
            equations=algebra.conditions,
        ),
        Step(
            text="The balance gives {a_E} and {a_S} once {a_L} is known.",
            equations=(eq(s["a_E"], algebra.others[0]), eq(s["a_S"], algebra.others[1])),
        ),
        Step(
            text="The conditions of E and S give the multipliers.",
            equations=(
                eq(s["lambda_e"], algebra.prices[0]),
                eq(s["lambda_s"], algebra.prices[1]),
            ),
        ),
        Step(
            text="Both put into the condition of L leave one equation with one unknown.",
            equations=(eq(algebra.inserted, 0),),
        ),
        Step(
            text="Its solution is a fraction: above the line one term from each joint, below it "
            "what it costs to pull at all.",
            equations=(
                eq(a_L, (n_e + n_s) / d),
                eq(n_e, algebra.elbow_term),
                eq(n_s, algebra.shoulder_term),
                eq(d, algebra.below),
            ),
        ),
        Step(
            text="Without an arm at the shoulder the same head would work at {a_L0}. What the arm "
            "changes has the sign of {h_Ls} times what would be left for S if L worked at {a_L0} "
            "with it: less where its pull has to be undone, more where it helps.",
            equations=(
                eq(alone, algebra.alone),
                eq(a_L - alone, algebra.gain, evaluate=False),
            ),
        ),
        Step(
            text="The numbers: capacities [N], arms [m], moments at full activation and net "
            "moments [N·m].",
            equations=(
                *named("F_L", "F_E", "F_S", "r_Le", "r_Ls", "r_E", "r_S"),
                *named("h_Le", "h_Ls", "h_E", "h_S", "M_e", "M_s"),
                *(() if equal else named("w_L", "w_E", "w_S")),
            ),
        ),
        Step(
            text=_sign_sentence(algebra, exact),
            equations=(
                valued(n_e, algebra.elbow_term),
                valued(n_s, algebra.shoulder_term),
                valued(d, algebra.below),
                valued(a_L, algebra.closed),
                valued(alone, algebra.alone),
                valued(a_L - alone, _effect(algebra)),
            ),
        ),
        _bounds_step(answers[0], interval),
    ]
    steps += [_answer_step(algebra, answer) for answer in answers]
    return tuple(steps)


def _sign_sentence(algebra: _Algebra, exact: dict[Any, Any]) -> str:
    """Say what each joint does, from the signs of the numbers."""

    def does(value: Any) -> str:
        if value == 0:
            return "gives nothing"
        return "calls for L" if value > 0 else "speaks against L"

    elbow, shoulder = algebra.elbow_term.subs(exact), algebra.shoulder_term.subs(exact)
    gain = _effect(algebra).subs(exact)
    effect = "changes nothing"
    if gain != 0:
        effect = "makes it contribute more" if gain > 0 else "makes it contribute less"
    return (
        f"Put in: the elbow {does(elbow)}, the shoulder {does(shoulder)}; in sum the shoulder "
        f"arm of L {effect} (before the bounds)."
    )


def _bounds_step(answer: WorkedAnswer, interval: tuple[float, float]) -> Step:
    low, high = interval
    free, held = answer.unbounded, answer.activation[0]
    span = f"All three heads stay within 0 to 1 for {{a_L}} from {low:.6g} to {high:.6g}."
    if free == held:
        return Step(text=f"{span} The closed form lies within, so it is the answer.")
    return Step(
        text=f"{span} The closed form, {free:.6g}, lies outside; effort rises steadily away from "
        f"it, so the nearer end is the answer: {{a_L}} = {held:.6g}."
    )


def _answer_step(algebra: _Algebra, answer: WorkedAnswer) -> Step:
    sp, s = _sympy(), _symbols()
    values = tuple(
        sp.Eq(s[name], sp.Float(value, 10), evaluate=False)
        for name, value in zip(("a_L", "a_E", "a_S"), answer.activation, strict=True)
    )
    forces = ", ".join(
        f"{name} {force:.2f} N" for name, force in zip("LES", answer.force, strict=True)
    )
    check = (
        f"Forces: {forces}. The general solver differs by no more than "
        f"{answer.difference:.1e} in activation."
    )
    if answer.exponent == 2.0:
        return Step(text=f"Answer for p = 2. {check}", equations=values)
    return Step(
        text=f"For p = {answer.exponent:g} the same conditions hold with another power; with the "
        "balance they leave one equation for {a_L}, solved numerically within the bounds. " + check,
        equations=(*algebra.conditions_any, *values),
    )


def case_from_frame(found: HeadExplanation, other: HeadExplanation | None = None) -> WorkedCase:
    """Cut a small case out of a frame of a study.

    The two-joint head is the head explained, or the second one, or else the strongest at the
    elbow; E and S are the strongest heads that cross one joint only and act in the direction
    of the net moment, the second head taking the place of E or S where it can. The moments are
    those that these three supply actively in the whole answer. The shoulder row is the one
    in which the two-joint head's part is greatest.

    Parameters
    ----------
    found : HeadExplanation
    other : HeadExplanation, optional
        A second head of the same frame.

    Returns
    -------
    WorkedCase

    Raises
    ------
    InputError
        The limb lacks a head of one of the three kinds that can pull here.
    """
    problem, answer = found.problem, found.sharing
    given = [found.index] + ([other.index] if other is not None else [])
    strength = np.abs(problem.moment_arms) * problem.capacity
    e = next((j for j, row in enumerate(problem.row_names) if joint_of(row) == "elbow"), None)
    shoulder = problem.rows_of("shoulder")
    if e is None or not shoulder:
        raise InputError("the worked case needs an elbow row and a shoulder row in the balance")
    crossed = [set(problem.crosses(i)) for i in range(len(problem.head_names))]

    def strongest(among: list[int], row: int, kind: str) -> int:
        able = [i for i in among if strength[row, i] > 0.0]
        if not able:
            raise InputError(f"the worked case needs {kind} that can pull here; there is none")
        first = [i for i in given if i in able]
        if first:
            return first[0]
        net = found.moments[row].net_moment
        helping = [i for i in able if problem.moment_arms[row, i] * net > 0.0]
        return max(helping or able, key=lambda i: strength[row, i])

    both = [i for i, joints in enumerate(crossed) if {"elbow", "shoulder"} <= joints]
    two = strongest(both, e, "a head that crosses elbow and shoulder")
    part = problem.capacity[two] * answer.multipliers * problem.moment_arms[:, two]
    s = max(shoulder, key=lambda j: abs(part[j]))
    one = strongest([i for i, c in enumerate(crossed) if c == {"elbow"}], e,
                    "a head that crosses the elbow only")  # fmt: skip
    three = strongest([i for i, c in enumerate(crossed) if c == {"shoulder"}], s,
                      "a head that crosses the shoulder only")  # fmt: skip
    chosen = [two, one, three]
    active = answer.active_force[chosen]
    moments = problem.moment_arms[np.ix_([e, s], chosen)] @ active
    names = tuple(problem.head_names[i] for i in chosen)
    capacity, weights = problem.capacity[chosen], problem.weights[chosen]
    return WorkedCase(
        heads=names,  # type: ignore[arg-type]  # three, as chosen
        rows=(problem.row_names[e], problem.row_names[s]),
        capacity=tuple(float(x) for x in capacity),  # type: ignore[arg-type]
        two_joint_arms=(float(problem.moment_arms[e, two]), float(problem.moment_arms[s, two])),
        elbow_arm=float(problem.moment_arms[e, one]),
        shoulder_arm=float(problem.moment_arms[s, three]),
        moments=(float(moments[0]), float(moments[1])),
        weights=tuple(float(x) for x in weights),  # type: ignore[arg-type]
        exponent=problem.exponent,
        origin=(
            "Capacities and arms are those of the study at this bar height; the moments are what "
            "these three supply there by active force. All other heads and rows "
            + ("and the limit of the glenoid " if problem.glenoid is not None else "")
            + "are left out, so the small answer is not that of the whole limb, in which the "
            "three work at "
            + ", ".join(
                f"{letter} {float(answer.activation[i]):.3f}"
                for letter, i in zip("LES", chosen, strict=True)
            )
            + "."
        ),
    )
