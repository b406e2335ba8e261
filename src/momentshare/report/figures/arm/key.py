"""Beside a drawing of the arm: rulers, table of moments, key of the bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import ROWS, moment_direction
from momentshare.explain.phrases import group_phrase
from momentshare.limits import marked
from momentshare.report.figures import style
from momentshare.report.figures.arm.panel import band_look
from momentshare.report.figures.layout import LINE
from momentshare.text import head_label, with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.report.figures.arm.geometry import ArmScale, ArmScene

    Floats = NDArray[np.float64]

__all__ = ["EDGE", "Key", "draw_rulers", "write_at", "write_moments"]

EDGE = 0.18
"""Distance of texts from the left edge of the sheet [inch]."""


def write_at(figure: Figure, x: float, y: float, text: str, **look: Any) -> None:
    """Write a text whose upper left corner is x, y [inch] from that of the sheet."""
    width, tall = figure.get_size_inches()
    figure.text(x / width, 1 - y / tall, text, **{"va": "top", **look})


def draw_rulers(ax: Axes, box: Floats, scale: ArmScale, *, top: bool) -> None:
    """Draw rulers for 10 cm and a round force, on the side of the arrows."""
    inch = scale.metres_per_inch
    x = box[0, 0] + 0.06 * inch
    y = box[1, 1] - 0.1 * inch if top else box[0, 1] + 0.26 * inch
    items = [(0.10, "10 cm")]
    if scale.metres_per_newton:
        force = _round(0.12 / scale.metres_per_newton)
        items.append((force * scale.metres_per_newton, f"{force:.0f} N, arrows"))
    for length, text in items:
        ax.plot([x, x + length], [y, y], color=style.INK, linewidth=1.0, marker="|",
                markersize=5.0, markeredgewidth=1.0, clip_on=False)  # fmt: skip
        ax.text(x + length + 0.07 * inch, y, text, va="center", fontsize=7.5)
        y -= 0.16 * inch


def _round(value: float) -> float:
    """Greatest 1, 2 or 5 times a power of ten that is not above a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(f * power for f in (1.0, 2.0, 5.0) if f * power <= value * (1.0 + 1e-9)))


def write_moments(figure: Figure, scene: ArmScene, x: float, y: float) -> None:
    """Write the moments about the anatomical axes: of the hand's force, of the arm, and net."""
    moving = scene.result.prepared.lift.motion is not None
    heads = ("hand\nforce", "weight and\ninertia of arm" if moving else "weight\nof arm",
             "net joint\nmoment")  # fmt: skip
    columns = (2.65, 3.45, 4.15)
    write_at(figure, x, y + LINE, "Moment for the muscles [N·m]", fontweight="bold")
    for at, text in zip(columns, heads, strict=True):
        write_at(figure, x + at, y, text, ha="right", fontsize=7.5, linespacing=1.1)
    for k, row in enumerate(scene.result.criterion.rows):
        index = ROWS.index(row)
        net, hand = float(scene.net_moments[index]), float(scene.hand_moments[index])
        toward = moment_direction(row, net)
        here = y + 0.08 + LINE * (k + 2)
        write_at(figure, x, here, toward.words)
        for at, value in zip(columns, (hand, net - hand, net), strict=True):
            write_at(
                figure,
                x + at,
                here,
                with_minus(f"{round(toward.sign * value, 1) + 0.0:.1f}"),
                ha="right",
            )


class Key:
    """Key of the bands in as many columns as fit: letter, band, head, values; or groups alone."""

    def __init__(
        self, scenes: Sequence[ArmScene], scale: ArmScale, width: float, *, groups: bool = False
    ) -> None:
        self.scenes, self.scale, self.groups = scenes, scale, groups
        heads = list(dict.fromkeys(h for scene in scenes for h in scale.shown(scene)))
        self.letters = {} if groups else {head: _letter(k) for k, head in enumerate(heads)}
        self.entries = heads
        if groups:
            self.entries = list(dict.fromkeys(scenes[0].group(head) for head in heads))
        names = [style.text_width(self._name(h), 7.5) for h in self.entries]
        values = [style.text_width(self._value(h), 7.5) for h in self.entries]
        self.name = 1.04 * max(names, default=0.0)
        self.column = 0.5 + self.name + 0.12 + 1.04 * max(values, default=0.0) + 0.22
        self.columns = max(1, int((width - 2 * EDGE) // self.column))
        self.rows = -(-len(self.entries) // self.columns)
        self.height = LINE * 1.4 + 0.162 * self.rows + 0.16

    def _name(self, entry: str) -> str:
        """Name of a head with the keys of its limits behind, or of a group."""
        if self.groups:
            return group_phrase(entry)
        keys = " ".join(scene.limit_keys(entry) for scene in self.scenes)
        return marked(head_label(entry), " ".join(dict.fromkeys(keys.split())))

    def _value(self, head: str) -> str:
        if self.groups:
            return ""
        if len(self.scenes) > 1:
            return " / ".join(f"{scene.head_force[head]:.0f}" for scene in self.scenes) + " N"
        (scene,) = self.scenes
        return f"{scene.head_force[head]:.0f} N, {100.0 * scene.activation[head]:.0f} %"

    def draw(self, figure: Figure, y: float) -> None:
        """Write the key, its title at y [inch] from the top of the sheet."""
        from matplotlib.lines import Line2D

        width, tall = figure.get_size_inches()
        what = (
            "force in each column"
            if len(self.scenes) > 1
            else "force (passive part included) and activation"
        )
        title = (
            f"Heads{' by group' if self.groups else ', ' + what}. Width of a band in proportion to "
            f"the force; below {self.scale.least_force:.0f} N not drawn."
        )
        write_at(figure, EDGE, y, title, fontweight="bold")
        for k, entry in enumerate(self.entries):
            x = EDGE + self.column * (k // self.rows)
            here = y + 1.4 * LINE + 0.162 * (k % self.rows)
            colour, dashes = band_look(entry if self.groups else self.scenes[0].group(entry))
            thick = 5.0
            if not self.groups:
                force = max(scene.head_force[entry] for scene in self.scenes)
                thick = self.scale.points_per_newton * force
            at, middle = [(x + 0.14) / width, (x + 0.42) / width], 1 - (here + 0.062) / tall
            looks: list[dict[str, Any]] = [
                {"color": colour, "linewidth": thick, "solid_capstyle": "butt"}
            ]
            if dashes is not None and thick > 1.6:
                looks.append({"color": "#ffffff", "linewidth": min(0.28 * thick, 1.3),
                              "linestyle": dashes})  # fmt: skip
            for look in looks:
                figure.add_artist(Line2D(at, [middle] * 2, **look))
            write_at(figure, x, here, self.letters.get(entry, ""), fontsize=7.5)
            write_at(figure, x + 0.5, here, self._name(entry), fontsize=7.5)
            write_at(figure, x + self.column - 0.22, here, self._value(entry), ha="right",
                   fontsize=7.5)  # fmt: skip


def _letter(index: int) -> str:
    return chr(ord("a") + index) if index < 26 else str(index + 1)
