"""The derivation step by step, with the numbers inserted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.explain.worked.algebra import arm_effect, symbols
from momentshare.explain.worked.example import Step, WorkedAnswer
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.explain.worked.algebra import Algebra
    from momentshare.explain.worked.case import WorkedCase

__all__ = ["derivation"]

_DIGITS = 6
"""Significant digits of numbers in the rendered text."""


def derivation(
    case: WorkedCase,
    algebra: Algebra,
    exact: dict[Any, Any],
    answers: Sequence[WorkedAnswer],
    interval: tuple[float, float],
) -> tuple[Step, ...]:
    """Write the derivation of a case: in symbols, with its numbers, answer by answer."""
    import sympy as sp

    s = symbols()
    eq = sp.Eq
    short = {s[name]: sp.Float(value, _DIGITS) for name, value in case.numbers().items()}

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
    two, one, three = (head_phrase(head) for head in case.heads)
    n_e, n_s, d = sp.symbols("n_e n_s d")
    a_L, alone = s["a_L"], s["a_L0"]
    steps = [
        Step(
            text=f"Three heads share two moments. L ({two}) crosses both joints; E ({one}) acts on "
            f"row e ({elbow}) only; S ({three}) acts on row s ({shoulder}) only. {case.origin}"
        ),
        Step(
            text="A head with capacity F [N] and moment arm r [m] gives the moment h = F r [N·m] "
            "at full activation, and h a at activation a.",
            equations=full,
        ),
        Step(text="Balance: the heads supply both moments.", equations=algebra.balance),
        Step(
            text="Least effort for p = 2: the sum of the squares of activation is to be as small "
            f"as possible.{weighing} The Lagrangian adds each balance with its multiplier, "
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
            text="Its solution is a fraction: the numerator has one term from each joint, the "
            "denominator is the cost of pulling at all.",
            equations=(
                eq(a_L, (n_e + n_s) / d),
                eq(n_e, algebra.elbow_term),
                eq(n_s, algebra.shoulder_term),
                eq(d, algebra.below),
            ),
        ),
        Step(
            text="Without a moment arm at the shoulder the same head would work at {a_L0}. What it "
            "changes has the sign of {h_Ls} times what would be left for S if L worked at {a_L0} "
            "with it: less where its pull has to be undone, more where it helps.",
            equations=(
                eq(alone, algebra.alone),
                eq(a_L - alone, algebra.gain, evaluate=False),
            ),
        ),
        Step(
            text="The numbers: capacities [N], moment arms [m], moments at full activation and net "
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
                valued(a_L - alone, arm_effect(algebra)),
            ),
        ),
        _bounds_step(answers[0], interval),
    ]
    steps += [_answer_step(algebra, answer) for answer in answers]
    return tuple(steps)


def _sign_sentence(algebra: Algebra, exact: dict[Any, Any]) -> str:
    """State what each joint does, from the signs of the numbers."""

    def does(value: Any) -> str:
        if value == 0:
            return "gives nothing"
        return "calls for L" if value > 0 else "opposes L"

    elbow, shoulder = algebra.elbow_term.subs(exact), algebra.shoulder_term.subs(exact)
    gain = arm_effect(algebra).subs(exact)
    effect = "changes nothing"
    if gain != 0:
        effect = "makes it contribute more" if gain > 0 else "makes it contribute less"
    return (
        f"With the numbers: the elbow {does(elbow)}, the shoulder {does(shoulder)}; in sum the "
        f"moment arm of L at the shoulder {effect} (before the bounds)."
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


def _answer_step(algebra: Algebra, answer: WorkedAnswer) -> Step:
    import sympy as sp

    s = symbols()
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
