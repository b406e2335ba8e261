"""Arrows of the hand's force, its line of action and its distances from the joints, in a view.

Artists that carry a number have a ``gid``; see :mod:`momentshare.report.figures.arm.panel`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from momentshare.report.figures.arm.geometry import ArmScale, HandForce, Lever, View

    Floats = NDArray[np.float64]

__all__ = [
    "dimension_line",
    "draw_arrows",
    "draw_dimensions",
    "draw_levers",
    "words_right",
    "write_values",
]

_SEEN = 0.005
"""Share of the resultant below which a component is not drawn."""

_CHAIN: Any = (0, (6, 2, 1, 2))


def draw_levers(ax: Axes, force: HandForce, *, ink: float) -> list[Floats]:
    """Draw the line of action and the perpendiculars; return points that letters must avoid."""
    if not force.levers:
        return []
    along = force.parts / force.size
    feet = [float((lever.foot - force.hand) @ along) for lever in force.levers]
    low, high = min(*feet, 0.0), max(*feet, 0.0)
    ends = np.stack([force.hand + (low - 0.03) * along, force.hand + (high + 0.02) * along])
    ax.plot(*ends.T, color=style.INK, linewidth=0.9 * ink, linestyle=_CHAIN, zorder=9.0)
    taken: list[Floats] = []
    for lever in force.levers:
        span = np.stack([lever.at, lever.foot])
        ax.plot(*span.T, color=style.INK, linewidth=1.4 * ink, zorder=9.5,
                gid=f"lever:{lever.joint}")  # fmt: skip
        if lever.distance > 0.012:  # the right angle
            side, rise = 0.010 * (lever.at - lever.foot) / lever.distance, 0.010 * along
            corner = np.stack([lever.foot + side, lever.foot + side + rise, lever.foot + rise])
            ax.plot(*corner.T, color=style.INK, linewidth=0.6 * ink, zorder=9.5)
        taken += [span[0] + s * (span[1] - span[0]) for s in (0.25, 0.5, 0.75, 1.0)]
    return taken


def draw_dimensions(ax: Axes, force: HandForce, depths: Sequence[float]) -> None:
    """Repeat each perpendicular outside the body, with its length."""
    if not force.levers:
        return
    along = force.parts / force.size
    faint: dict[str, Any] = {"color": "#6a6a6a", "linewidth": 0.6, "zorder": 8.9}
    ends = np.stack([force.hand, force.hand - (max(depths) + 0.012) * along])
    ax.plot(*ends.T, linestyle=_CHAIN, **faint)
    for lever, depth in zip(force.levers, depths, strict=True):
        span = dimension_line(force, lever, depth)
        ax.plot(*np.stack([lever.at, span[0] - 0.012 * along]).T, linestyle=(0, (1, 1.5)), **faint)
        ax.plot(*span.T, color=style.INK, linewidth=1.0, zorder=9.5, marker="|", markersize=6.0,
                markeredgewidth=1.0, gid=f"dimension:{lever.joint}")  # fmt: skip
        right = words_right(lever)
        ax.annotate(
            f"{lever.joint} {100.0 * lever.distance:.1f} cm", tuple(span[0]),
            xytext=(5.0 if right else -5.0, 0.0), textcoords="offset points",
            ha="left" if right else "right", va="center", fontsize=7.5, zorder=14,
            annotation_clip=False,
        )  # fmt: skip


def dimension_line(force: HandForce, lever: Lever, depth: float) -> Floats:
    """Return the ends of a dimension line this far behind the hand, [m], shape (2, 2)."""
    foot = force.hand - depth * force.parts / force.size
    return np.stack([lever.at + foot - lever.foot, foot])


def words_right(lever: Lever) -> bool:
    """Whether the words of a dimension line stand to its right: beyond the joint."""
    return bool(lever.at[0] >= lever.foot[0])


def draw_arrows(ax: Axes, force: HandForce, scale: ArmScale, *, ink: float) -> list[str]:
    """Draw the force of the hand and its two components; return the names of what is drawn."""
    if force.size == 0.0:
        return []
    sideways, vertical = force.parts
    drawn: list[tuple[str, Floats, float, Any, str]] = [
        ("resultant", force.parts, 2.4, "-", style.INK)
    ]
    if min(abs(sideways), abs(vertical)) > _SEEN * force.size:
        drawn = [
            ("vertical", np.array([0.0, vertical]), 1.2, (0, (4, 1.5)), "#4d4d4d"),
            ("sideways", np.array([sideways, 0.0]), 1.2, (0, (1.2, 1.2)), "#4d4d4d"),
            *drawn,
        ]
    for name, parts, width, line, colour in drawn:
        ax.annotate(
            "", xy=tuple(force.hand + scale.metres_per_newton * parts), xytext=tuple(force.hand),
            zorder=13 if name == "resultant" else 12.5, gid=f"force:{name}",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-|>,head_width=0.22,head_length=0.5" if name == "resultant"
                else "-|>,head_width=0.16,head_length=0.36",
                "linewidth": width * ink, "linestyle": line, "color": colour,
                "shrinkA": 0.0, "shrinkB": 0.0, "mutation_scale": 10.0 * ink,
            },
        )  # fmt: skip
    return [name for name, *_ in drawn]


def write_values(
    ax: Axes, force: HandForce, view: View, scale: ArmScale, drawn: Sequence[str]
) -> list[Floats]:
    """Write the forces beside the tips of the arrows; return the places of the text."""
    sideways, vertical = force.parts
    words = {
        "resultant": f"resultant {force.size:.0f} N",
        "vertical": f"vertical {abs(vertical):.0f} N",
        "sideways": f"{view.sideways(sideways)} {abs(sideways):.0f} N",
    }
    tip = force.hand + scale.metres_per_newton * force.parts
    up = vertical >= 0.0
    inch = scale.metres_per_inch
    x = float(max(tip[0], force.hand[0])) + 0.11 * inch
    y = float(max(tip[1], force.hand[1]) if up else min(tip[1], force.hand[1]))
    ax.text(
        x, y, "\n".join(words[name] for name in words if name in drawn),
        va="top" if up else "bottom", fontsize=7.5, linespacing=1.25, zorder=14,
    )  # fmt: skip
    toward = -1.0 if up else 1.0
    return [
        np.array([x + 0.12 * step * inch, y + toward * (0.07 + 0.13 * line) * inch])
        for line in range(len(drawn))
        for step in range(9)
    ]
