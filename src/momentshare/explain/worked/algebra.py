"""The small case in symbols, derived from its Lagrangian."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

__all__ = ["Algebra", "arm_effect", "derive", "symbols"]


@lru_cache(maxsize=1)
def symbols() -> dict[str, Any]:
    """Symbols of the derivation by name; capacities, weights and p are positive."""
    import sympy as sp

    found: dict[str, Any] = {
        name: sp.Symbol(name, real=True)
        for name in ("a_L", "a_E", "a_S", "a_L0", "r_Le", "r_Ls", "r_E", "r_S", "M_e", "M_s",
                     "h_Le", "h_Ls", "h_E", "h_S", "lambda_e", "lambda_s")
    }  # fmt: skip
    for name in ("F_L", "F_E", "F_S", "w_L", "w_E", "w_S", "p"):
        found[name] = sp.Symbol(name, positive=True)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Algebra:
    """Expressions of the derivation in symbols; p = 2 unless they contain p."""

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
def derive(*, equal_weights: bool) -> Algebra:
    """Derive the small case with SymPy."""
    import sympy as sp

    s = symbols()
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
    # Terms and gain are written to be read; a test proves them equal to the solution.
    gain = (w_S * h_Ls / h_S**2) * (s["M_s"] - h_Ls * s["a_L0"]) / below
    return Algebra(
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


def arm_effect(algebra: Algebra) -> Any:
    """Return the effect of the shoulder arm of L, in the symbols of the case alone."""
    return algebra.gain.subs(symbols()["a_L0"], algebra.alone)
