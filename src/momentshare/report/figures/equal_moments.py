"""Two frames with nearly equal net moment, drawn: how hard each head works in both."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.explain.difference_sentences import second_value
from momentshare.explain.phrases import direction, percent
from momentshare.limits import Limits, height_third, merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_heading
from momentshare.report.figures.limit_marks import Marks, hatch
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.analysis import LiftResult
    from momentshare.explain.frame_pairs import EqualMoments
    from momentshare.limits import LiftKind

__all__ = ["equal_moments_figure"]

_LEAST = 0.02
"""Activation below which, in both frames, a head other than the one named gets no line."""

_LEFT, _RIGHT = -0.02, 1.02
"""Ends of the scale; activations are 0 to 1."""

_LOOKS: tuple[dict[str, Any], ...] = (
    {"color": "#0072B2", "marker": "o", "markersize": 6.0, "markerfacecolor": "#0072B2"},
    {"color": "#8c5a00", "marker": "s", "markersize": 6.0, "markerfacecolor": "#ffffff"},
)
"""Look of each frame: colour, shape and filling differ, so that grey print works as well."""


def equal_moments_figure(
    pair: EqualMoments,
    lifts: Mapping[str, LiftResult],
    title: str = "",
    *,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Dots of the activation of every head in two frames that ask for nearly the same moment.

    Parameters
    ----------
    pair : EqualMoments
    lifts : mapping
        Name of a lift, as in the pair → its answer.
    title : str
    limits : Limits, optional
    kinds : mapping, optional
        Name → kind of lift, by which what the limb cannot bear is marked and hatched.
    """
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine
    from matplotlib.lines import Line2D

    names = lifts[pair.names[0]].prepared.limb.head_names
    both = [
        lifts[name].activation[frame] for name, frame in zip(pair.names, pair.frames, strict=True)
    ]
    shown = [k for k, head in enumerate(names)
             if head == pair.head or max(own[k] for own in both) >= _LEAST]  # fmt: skip
    shown.sort(key=lambda k: float(both[1][k] - both[0][k]))
    # Long names of heads would stand at the very edge.
    layout = ConstrainedLayoutEngine(rect=(0.02, 0.0, 0.98, 1.0))
    figure = Figure(figsize=(7.6, 0.24 * len(shown) + 1.3), layout=layout)
    ax = figure.subplots()
    marks = Marks(limits or Limits(), kinds or {})
    labels = []
    for place, k in enumerate(shown):
        keys = _keys(marks, pair, lifts, names[k])
        labels.append(marks.label(names[k], keys))
        if keys:
            hatch(ax, _LEFT, place - 0.5, _RIGHT - _LEFT, 1.0)
        first, second = float(both[0][k]), float(both[1][k])
        ax.plot([first, second], [place, place], color=style.FAINT, linewidth=1.2, zorder=1.8)
    handles = []
    for own, look, name, height in zip(both, _LOOKS, pair.names, pair.heights, strict=True):
        label = f"'{name}' at {percent(height)} of the bar height"
        ax.plot([own[k] for k in shown], range(len(shown)), linestyle="none", **look)
        handles.append(Line2D([], [], linestyle="none", label=label, **look))
    _dress(ax, labels, shown.index(names.index(pair.head)))
    figure.legend(handles=handles, loc="outside lower center", ncols=1, frameon=False)
    asked = " and ".join(
        f"{direction(row, one)} {abs(one):.1f} against {second_value(row, one, two)} N·m"
        for row, one, two in zip(
            pair.rows, pair.moments[0].tolist(), pair.moments[1].tolist(), strict=True
        )
    )
    several = len(pair.rows) > 1
    heading = (
        f"Nearly equal net moment{'s' * several} ({asked}), unlike effort: "
        f"{head_phrase(pair.head)} works at {pair.activation[0]:.3f} and at "
        f"{pair.activation[1]:.3f}"
    )
    note = (
        f"{title + '. ' if title else ''}Of the pairs of heights with nearly equal net moments, "
        "the one in which a head differs most; that head is in bold. Heads below "
        f"{percent(_LEAST)} in both frames are left out. {marks.hatched_note('rows')}"
    )
    add_heading(figure, heading, " ".join(note.split()))
    return figure


def _keys(marks: Marks, pair: EqualMoments, lifts: Mapping[str, LiftResult], head: str) -> str:
    """Keys of the limits that concern a head in either frame."""
    return merged_keys(
        marks.keys(
            "activation",
            [name],
            head=head,
            part=height_third(height),
            lateral=str(lifts[name].lateral.mode),
        )
        for name, height in zip(pair.names, pair.heights, strict=True)
    )


def _dress(ax: Axes, labels: list[str], bold: int) -> None:
    ax.set_yticks(range(len(labels)), labels)
    ax.get_yticklabels()[bold].set_fontweight("bold")
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.set_xlim(_LEFT, _RIGHT)
    ax.grid(axis="x", color="#e3e3e3", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_xlabel("activation [1]")
