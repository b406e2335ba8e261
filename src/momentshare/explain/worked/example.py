"""A worked case with its steps and answers, as plain text and as LaTeX."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from momentshare.explain.worked.case import WorkedCase

__all__ = ["Step", "WorkedAnswer", "WorkedExample"]


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
    """One step: what is done, in words, and the resulting equations.

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
        import sympy as sp

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
        import sympy as sp

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
    """Escape characters that LaTeX reads as commands or does not know."""
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
