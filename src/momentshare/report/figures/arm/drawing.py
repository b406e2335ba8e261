"""The arm, drawn: front and side view with forces, their moment arms and the heads that pull.

:func:`draw_arm` shows one frame, :func:`draw_arms` two conditions side by side and
:func:`draw_arm_strip` a lift at several heights.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.explain import frame_at, hardest_frames
from momentshare.report.figures import style
from momentshare.report.figures.arm.geometry import arm_scene, views
from momentshare.report.figures.arm.key import (
    EDGE,
    Key,
    draw_rulers,
    write_at,
    write_moments,
)
from momentshare.report.figures.arm.panel import (
    arm_scale,
    draw_view,
    extent,
)
from momentshare.report.figures.footer import FOOTER, version_text
from momentshare.report.figures.layout import DPI, HEADING, LINE, NOTE
from momentshare.report.figures.limit_marks import footnote
from momentshare.text import signed_number, with_minus

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.limits import LiftKind
    from momentshare.report.figures.arm.geometry import ArmScale, ArmScene, HandForce, View

    Floats = NDArray[np.float64]

__all__ = ["draw_arm", "draw_arm_strip", "draw_arms"]

_GAP = 0.12
_COLUMN = 4.4
"""Width of a column of a drawing of two conditions [inch]."""

_STRIP = 1.76
"""Width of a column of a strip of heights [inch]."""

_ESTIMATE = "Model estimate, not a measurement."
_SKETCHED = (
    "Joints, forces and the paths of the heads are those of the model, to scale; trunk, bones and "
    "hand are sketched round them."
)


def draw_arm(
    result: LiftResult,
    frame: int | None = None,
    *,
    title: str = "",
    note: str = "",
    scale: ArmScale | None = None,
    kind: LiftKind | None = None,
) -> Figure:
    """Draw the arm in one frame, from the front and from the side, to scale.

    Parameters
    ----------
    result : LiftResult
        Of one lift, or of several in a row.
    frame : int, optional
        Number of the frame; by default the one where the greatest load is least.
    title : str
        Who lifts what.
    note : str
        Put into the footer.
    scale : ArmScale, optional
        Scales of arrows and bands shared with other drawings
        (:func:`momentshare.report.figures.arm.panel.arm_scale`); by default the largest that fit.
    kind : LiftKind, optional
        Kind of lift (:class:`momentshare.limits.LiftKind`), by which heads that the limb cannot
        bear in it are marked.

    Returns
    -------
    matplotlib Figure
        Arrows are the force of the hand on the load [N]. Dimension lines are the perpendicular
        distances [cm] of its line of action in the view from elbow and shoulder; distance times
        force is the moment of that force in the plane of the view [N·m], written below. Bands
        run along the paths of the heads, their width in proportion to the force [N].

    Raises
    ------
    InputError
        There is no such frame, or it is out of reach.

    Examples
    --------
    >>> from momentshare import draw_arm, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> figure = draw_arm(result.cases[0].results[0], 2, title="Ada, narrow")
    >>> len(figure.axes)  # front and side view
    2
    """
    scene = arm_scene(result, frame, kind)
    with _settings(title, note):
        return _one(scene, scale or arm_scale([scene]), title, note)


def draw_arms(
    results: Mapping[str, LiftResult],
    frames: Mapping[str, int] | None = None,
    *,
    title: str = "",
    note: str = "",
    kinds: Mapping[str, LiftKind] | None = None,
) -> Figure:
    """Draw two conditions or more side by side, all at the same scales.

    Parameters
    ----------
    results : mapping
        Name of a condition → result.
    frames : mapping, optional
        Name → number of the frame; by default all are drawn at the one height where their net
        moments together are greatest, in the frames nearest to it.
    title, note
        As for :func:`draw_arm`.
    kinds : mapping, optional
        Name → kind of lift, as ``kind`` of :func:`draw_arm`.

    Returns
    -------
    matplotlib Figure
        One column per condition, front view above side view.

    Raises
    ------
    InputError
        No result; no such frame, or one out of reach.
    """
    if not results:
        raise InputError("results: must hold at least one condition to draw; got none")
    chosen = dict(zip(results, hardest_frames(list(results.values())), strict=True))
    chosen.update(frames or {})
    scenes = {
        name: arm_scene(result, chosen[name], (kinds or {}).get(name))
        for name, result in results.items()
    }
    heads = [f"{name}, {100.0 * s.height:.0f} % of bar height" for name, s in scenes.items()]
    with _settings(title, note, *results):
        return _grid(list(scenes.values()), heads, title, note, full=True)


def draw_arm_strip(
    result: LiftResult,
    heights: Sequence[float] | int = 5,
    *,
    title: str = "",
    note: str = "",
    kind: LiftKind | None = None,
) -> Figure:
    """Draw the arm at several heights of one lift, small and at the same scales.

    Parameters
    ----------
    result : LiftResult
    heights : sequence of float, or int
        Height fractions, 0 chest to 1 lock-out, or how many of them, evenly spaced over what can
        be reached. The nearest frames are drawn, each once.
    title, note, kind
        As for :func:`draw_arm`.

    Returns
    -------
    matplotlib Figure
        One column per height, front view above side view.

    Raises
    ------
    InputError
        No height is given, one lies outside 0 to 1, or no frame can be reached.
    """
    lift = result.prepared.lift
    if isinstance(heights, int):
        found = lift.fraction[lift.reachable]
        low, high = (float(found.min()), float(found.max())) if len(found) else (0.0, 1.0)
        heights = [float(h) for h in np.linspace(low, high, heights)]
    frames = list(dict.fromkeys(frame_at(result, height) for height in heights))
    if not frames:
        raise InputError("heights: must hold at least one height; got none")
    scenes = [arm_scene(result, frame, kind) for frame in frames]
    heads = [f"{100.0 * scene.height:.0f} % of bar height" for scene in scenes]
    with _settings(title, note):
        return _grid(scenes, heads, title, note, full=False)


@contextmanager
def _settings(*texts: str) -> Iterator[None]:
    import matplotlib as mpl

    with mpl.rc_context(style.settings(texts)), style.quiet():
        yield


# ------------------------------------------------------------------ laying out


def _framed_figure(
    width: float, height: float, title: str, under: str, foot: str
) -> tuple[Figure, float]:
    """Return a figure with title and footer, and the height of everything above the panels."""
    from matplotlib.figure import Figure

    room = 0.96 * (width - 2 * EDGE)  # hinted text may be a little wider than measured
    title = style.fit(title, room, 11.0, "bold") if title else ""
    under, foot = style.fit(under, room), style.fit(foot, room, 7.5)
    crown = 0.12 + (0.19 * (title.count("\n") + 1) + 0.05 if title else 0.0)
    top = crown + LINE * (under.count("\n") + 1) + 0.12
    tall = height + top + 0.135 * (foot.count("\n") + 1) + 0.12
    figure = Figure(figsize=(width, tall), dpi=DPI)
    if title:
        write_at(figure, EDGE, 0.12, title, fontsize=11.0, fontweight="bold", gid=HEADING)
    write_at(figure, EDGE, crown, under, gid=NOTE)
    figure.text(EDGE / width, 0.09 / tall, foot, fontsize=7.5, va="bottom", color="#555555",
                gid=FOOTER)  # fmt: skip
    return figure, top


def _axes(figure: Figure, x: float, top: float, box: Floats, metres: float) -> Axes:
    """Place a panel that shows a box [m], its upper left corner at x, top [inch]."""
    width, tall = figure.get_size_inches()
    wide, high = (box[1] - box[0]) / metres
    ax = figure.add_axes((x / width, (tall - top - high) / tall, wide / width, high / tall))
    ax.set_xlim(box[0, 0], box[1, 0])
    ax.set_ylim(box[0, 1], box[1, 1])
    ax.set_axis_off()
    return ax


def _products(force: HandForce) -> list[str]:
    """Products of distance and force in a view."""
    return [
        f"{lever.joint}: {100.0 * lever.distance:.2f} cm × {lever.force:.1f} N = "
        f"{abs(lever.moment):.1f} N·m"
        for lever in force.levers
    ]


def _short_products(force: HandForce) -> list[str]:
    """Products in three short lines, the force first."""
    return [
        f"force {force.size:.1f} N",
        *(
            f"{lever.joint} {100.0 * lever.distance:.2f} cm, {abs(lever.moment):.1f} N·m"
            for lever in force.levers
        ),
    ]


def _one(scene: ArmScene, scale: ArmScale, title: str, note: str) -> Figure:
    """Lay out one frame: two views, their products, net moments and the key of the heads."""
    pair = views(scene)
    boxes = [extent(scene, view, scale) for view in pair]
    low, high = min(box[0, 1] for box in boxes), max(box[1, 1] for box in boxes)
    for box in boxes:
        box[0, 1], box[1, 1] = low, high
    metres = scale.metres_per_inch
    wide = [float(box[1, 0] - box[0, 0]) / metres for box in boxes]
    tall = (high - low) / metres
    width = max(sum(wide) + _GAP + 2 * EDGE, 9.2)
    spare = width - sum(wide) - 2 * EDGE
    key = Key([scene], scale, width)
    table = LINE * (len(scene.result.criterion.rows) + 2) + 0.1
    parts = [0.2 + tall + 2 * LINE + 0.22, table + 0.16, key.height]
    figure, top = _framed_figure(width, sum(parts), title, _under(scene, scale), _foot(note))
    x = EDGE
    for view, box, room in zip(pair, boxes, wide, strict=True):
        write_at(figure, x, top, view.label, fontweight="bold")
        ax = _axes(figure, x, top + 0.2, box, metres)
        force = draw_view(ax, scene, view, scale, letters=key.letters)
        for k, line in enumerate(_products(force)):
            write_at(figure, x, top + 0.26 + tall + LINE * k, line)
        if view is pair[0]:
            draw_rulers(ax, box, scale, top=force.parts[1] >= 0.0)
        x += room + spare
    write_moments(figure, scene, EDGE, top + parts[0])
    write_at(figure, EDGE + 4.5, top + parts[0] + LINE, style.fit(_READING, width - 5.1))
    key.draw(figure, top + parts[0] + parts[1])
    return figure


_READING = (
    "Distance × force is the moment of the hand's force in the plane of a view, about the line of "
    "sight through the joint. The moments on the left are about the anatomical axes; the net ones "
    "hold the weight of the arm itself as well, and they are what the heads share."
)


_DISTANCES = (
    "Distances are those of its line of action from elbow and shoulder in the view; times the "
    "force they are its moment, without the arm's own weight."
)


def _under(scene: ArmScene, scale: ArmScale) -> str:
    result = scene.result
    lateral = "No lateral force"
    if result.prepared.lift.lateral_free:
        ratio = signed_number(float(result.lateral_ratio[scene.frame]), 2)
        lateral = f"Lateral force: {style.MODES[result.lateral.mode]}, {ratio} of the vertical"
    return (
        f"{100.0 * scene.height:.0f} % of the bar height. {with_minus(lateral)}. "
        f"Arrows: force of one hand on the {scene.support}.{_short([scene])}"
        f"{_beyond([scene], scale)}"
    )


def _short(scenes: Sequence[ArmScene]) -> str:
    """Say where the heads cannot supply the net moments."""
    if all(str(s.result.sharing.status_text[s.frame]) == "solved" for s in scenes):
        return ""
    if len(scenes) == 1:
        return " The heads cannot supply all of the net moments here."
    return " In some columns the heads cannot supply all of the net moments."


def _beyond(scenes: Sequence[ArmScene], scale: ArmScale) -> str:
    """Spell out the limits that touch the heads drawn."""
    keys = [scene.limit_keys(head) for scene in scenes for head in scale.shown(scene)]
    return footnote(scenes[0].result.prepared.limb.model.limits, keys)


def _foot(note: str) -> str:
    return " ".join(
        part.strip() for part in (_ESTIMATE, note, _SKETCHED, version_text()) if part.strip()
    )


def _grid(
    scenes: Sequence[ArmScene], heads: Sequence[str], title: str, note: str, *, full: bool
) -> Figure:
    """Lay out scenes in columns, front view above side view, all at one scale."""
    pairs = [views(scene) for scene in scenes]
    column = _COLUMN if full else _STRIP
    scale, boxes = _fitted(scenes, pairs, column, full=full)
    metres = scale.metres_per_inch
    talls = [float(box[1, 1] - box[0, 1]) / metres for box in boxes]
    room = column + _GAP
    width = max(room * len(scenes) - _GAP + 2 * EDGE, 5.6)
    key = Key(scenes, scale, width, groups=not full)
    block = 0.26 + (2 if full else 3) * LINE + 0.16
    rows = max(len(scene.result.criterion.rows) for scene in scenes)
    table = LINE * (rows + 2) + 0.26 if full else 0.0
    height = 0.2 + sum(talls) + 2 * block + table + key.height
    figure, top = _framed_figure(
        width, height, title, _under_all(scenes, scale, full=full), _foot(note)
    )
    for number, (scene, pair, words) in enumerate(zip(scenes, pairs, heads, strict=True)):
        x, y = EDGE + number * room, top + 0.2
        write_at(figure, x, top, style.fit(words, 0.95 * column, 8.0, "bold"), fontweight="bold")
        for view, box, high in zip(pair, boxes, talls, strict=True):
            write_at(
                figure, x, y, view.words.capitalize() if not full else view.label, fontsize=7.5
            )
            ax = _axes(figure, x, y + 0.18, box, metres)
            force = draw_view(ax, scene, view, scale, letters=key.letters,
                              words=full, ink=1.0 if full else 0.55)  # fmt: skip
            if number == 0 and view is pair[0]:
                draw_rulers(ax, box, scale, top=force.parts[1] >= 0.0)
            for k, line in enumerate(_products(force) if full else _short_products(force)):
                write_at(figure, x, y + 0.22 + high + LINE * k, line, fontsize=7.5)
            y += high + block
        if full:
            write_moments(figure, scene, x, y)
    key.draw(figure, top + 0.2 + sum(talls) + 2 * block + table)
    return figure


def _fitted(
    scenes: Sequence[ArmScene], pairs: Sequence[tuple[View, View]], column: float, *, full: bool
) -> tuple[ArmScale, list[Floats]]:
    """Return the scale at which every view fits a column, and what front and side views show."""
    scale = arm_scale(scenes)
    boxes: list[Floats] = []
    for _ in range(3):  # the space for text is in inches, so it changes with the scale
        boxes = []
        for k in range(2):
            found = [extent(s, p[k], scale, words=full) for s, p in zip(scenes, pairs, strict=True)]
            boxes.append(
                np.stack([np.min([b[0] for b in found], axis=0),
                          np.max([b[1] for b in found], axis=0)])
            )  # fmt: skip
        wide = max(float(box[1, 0] - box[0, 0]) for box in boxes)
        scale = replace(scale, metres_per_inch=wide / column)
    return scale, boxes


def _under_all(scenes: Sequence[ArmScene], scale: ArmScale, *, full: bool) -> str:
    modes = dict.fromkeys(
        style.MODES[s.result.lateral.mode] if s.result.prepared.lift.lateral_free else "none"
        for s in scenes
    )
    reading = _READING.replace("on the left", "in the tables") if full else _DISTANCES
    return (
        f"Lateral force: {', '.join(modes)}. Arrows: force of one hand on the load. {reading}"
        f"{_short(scenes)}{_beyond(scenes, scale)}"
    )
