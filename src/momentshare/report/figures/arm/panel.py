"""One view of the arm drawn on one pair of axes, to scale.

Every artist that carries a number has a ``gid``: ``band:HEAD``, or ``band:HEAD:LINE`` for each
line of a head that has several (widths together in proportion to the force), ``force:resultant``,
``force:vertical`` and ``force:sideways`` (arrows, length in proportion), ``lever:JOINT`` (joint to
line of action) and ``joint:NAME``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.arm import outline as shapes
from momentshare.report.figures.arm.forces import (
    dimension_line,
    draw_arrows,
    draw_dimensions,
    draw_levers,
    words_right,
    write_values,
)
from momentshare.report.figures.arm.geometry import ArmScale, hand_force, views

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from momentshare.report.figures.arm.geometry import ArmScene, HandForce, View

    Floats = NDArray[np.float64]

__all__ = ["arm_scale", "band_look", "draw_view", "extent"]

_METRES = 0.165
"""Length on the person for one inch of a full drawing, where the page is wide enough."""

_PAGE = 8.7
"""Width of both views of a full drawing together, at most [inch]."""

_LONGEST_ARROW = 0.22
"""Length of the greatest arrow [m of the person]."""

_WIDEST_BAND = 10.0
"""Width of the band of the greatest force [points]."""

_SLIGHT = 0.05
"""Share of the greatest force below which a head is left out."""

_BONE: dict[str, Any] = {"facecolor": "#f6efdf", "edgecolor": "#6e6656", "linewidth": 0.7}
_BODY: dict[str, Any] = {"facecolor": "#f3f3f3", "edgecolor": "#767676", "linewidth": 0.8}
_STEEL = "#5a5a5a"
_METAL: dict[str, Any] = {"facecolor": "#b9b9b9", "edgecolor": _STEEL}

# Colour, and the pattern of a white line along the middle of the band, for each group.
_GROUPS: dict[str, tuple[int, Any]] = {
    "shoulder_flexors_adductors": (0, None),
    "deltoid": (1, (0, (1.0, 1.6))),
    "elbow_extensors": (5, (0, (4.0, 1.8))),
    "shoulder_extensors": (3, (0, (5.0, 1.4, 1.0, 1.4))),
    "rotator_cuff": (6, (0, (1.0, 3.2))),
    "elbow_flexors": (4, (0, (7.0, 2.0))),
}


def arm_scale(scenes: Sequence[ArmScene]) -> ArmScale:
    """Return the scales at which the greatest force and the widest of several scenes just fit."""
    push = max((float(np.linalg.norm(scene.force)) for scene in scenes), default=0.0)
    pull = max((max(scene.head_force.values()) for scene in scenes), default=0.0)
    scale = ArmScale(
        metres_per_newton=_LONGEST_ARROW / push if push > 0.0 else 0.0,
        points_per_newton=_WIDEST_BAND / pull if pull > 0.0 else 0.0,
        least_force=max(_SLIGHT * pull, 1e-9),
        metres_per_inch=_METRES,
    )
    for _ in range(2):  # the room for words is in inches, so it changes with the scale
        wide = [
            sum(float(np.ptp(extent(scene, view, scale)[:, 0])) for view in views(scene))
            for scene in scenes
        ]
        metres = max(_METRES, max(wide, default=0.0) / _PAGE)
        scale = replace(scale, metres_per_inch=metres)
    return scale


def band_look(group: str) -> tuple[str, Any]:
    """Colour of the bands of a strength group and dashes of the white line along them, if any."""
    index, dashes = _GROUPS.get(group, (-1, None))
    colour = style.FAINT if index < 0 else str(style.condition_style(index)["color"])
    return colour, dashes


def extent(scene: ArmScene, view: View, scale: ArmScale, *, words: bool = True) -> Floats:
    """Corners of what a view shows, shape (2, 2): lowest and highest x and y [m].

    ``words`` keeps space for dimension lines and for the text beside the arrows.
    """
    force = hand_force(scene, view)
    tip = force.hand + scale.metres_per_newton * force.parts
    parts = [_body(scene, view), tip[None]]
    if words:
        inch = scale.metres_per_inch
        beside = np.array([max(tip[0], force.hand[0]), tip[1]])
        parts.append(beside + np.array([[1.2, 0.0], [0.0, 0.1]]) * inch)
        for lever, depth in zip(force.levers, _depths(scene, view, force, inch), strict=True):
            span = dimension_line(force, lever, depth)
            aside = 0.95 * inch * (1.0 if words_right(lever) else -1.0)
            parts += [span - [0.0, 0.04 * inch], span[:1] + np.array([aside, 0.0])]
    points = np.concatenate(parts)
    edge = 0.02 if not words else 0.08 * scale.metres_per_inch
    return np.stack([points.min(axis=0) - edge, points.max(axis=0) + edge])


def _body(scene: ArmScene, view: View) -> Floats:
    """Points of person, bench and implement on the page, shape (n, 2)."""
    parts = [
        view.flat(shapes.thorax(scene)),
        view.flat(shapes.handle(scene)),
        shapes.fist(scene, view),
        view.flat(np.stack(list(scene.joints.values()))) - [0.0, 0.035],
        *(view.flat(points) for points in shapes.head_and_neck(scene)),
    ]
    pad = shapes.bench(scene)
    if pad is not None:
        parts.append(view.flat(pad))
    return np.concatenate(parts)


def _depths(scene: ArmScene, view: View, force: HandForce, inch: float) -> list[float]:
    """Distance behind the hand, against the force, of the dimension line of each lever [m]."""
    if not force.levers:
        return []
    behind = float(np.max((force.hand - _body(scene, view)) @ force.parts / force.size))
    return [behind + (0.16 + 0.2 * k) * inch for k in range(len(force.levers))]


def draw_view(
    ax: Axes,
    scene: ArmScene,
    view: View,
    scale: ArmScale,
    *,
    letters: Mapping[str, str],
    words: bool = True,
    ink: float = 1.0,
) -> HandForce:
    """Draw a scene in a view.

    Parameters
    ----------
    ax : Axes
        With equal scales in x and y.
    scene, view, scale
        What, from where and how large.
    letters : mapping
        Head → letter on its band; heads without an entry have none.
    words : bool
        Whether values are written beside arrows and distances.
    ink : float
        Factor on the width of lines and bands, for small drawings.

    Returns
    -------
    HandForce
        What was drawn.
    """
    _surroundings(ax, scene, view)
    _bones(ax, scene, view, ink)
    _held(ax, scene, view, ink)
    lines = _bands(ax, scene, view, scale, ink)
    force = hand_force(scene, view)
    taken = draw_levers(ax, force, ink=ink)
    if words:
        depths = _depths(scene, view, force, scale.metres_per_inch)
        draw_dimensions(ax, force, depths)
        for lever, depth in zip(force.levers, depths, strict=True):
            aside = 0.12 * scale.metres_per_inch * (1.0 if words_right(lever) else -1.0)
            end = dimension_line(force, lever, depth)[0]
            taken += [end + np.array([aside * step, 0.0]) for step in range(9)]
    drawn = draw_arrows(ax, force, scale, ink=ink)
    if words and drawn:
        taken += write_values(ax, force, view, scale, drawn)
    for name in ("shoulder", "elbow", "hand"):
        x, y = view.flat(scene.joints[name])
        ax.plot([x], [y], "o", markersize=4.2 * ink, markerfacecolor="#ffffff",
                markeredgecolor=style.INK, markeredgewidth=1.0 * ink, zorder=12,
                gid=f"joint:{name}")  # fmt: skip
        taken.append(np.array([x, y]))
    _letters(ax, lines, letters, taken, scale.metres_per_inch)
    return force


def _fill(ax: Axes, points: Floats, order: float, look: Mapping[str, Any]) -> None:
    from matplotlib.patches import Polygon

    ax.add_patch(Polygon(points, closed=True, zorder=order, joinstyle="round", **look))


def _surroundings(ax: Axes, scene: ArmScene, view: View) -> None:
    """Draw ground, bench, trunk and head."""
    pad = shapes.bench(scene)
    if pad is not None:
        look = {"facecolor": "#d9d9d9", "edgecolor": "#767676", "linewidth": 0.7}
        _fill(ax, shapes.hull(view.flat(pad)), 1.0, look)
    if scene.support == "ground":
        level = float(view.flat(scene.joints["hand"])[1]) - 0.04 * scene.bone
        ax.axhline(level, color=_STEEL, linewidth=1.6, zorder=1.0)
    head, neck = shapes.head_and_neck(scene)
    trunk = view.flat(shapes.thorax(scene))
    _fill(ax, shapes.hull(trunk), 2.0, _BODY)
    if view.words in {"seen from the head", "seen from the feet"}:  # the head lies on the chest
        dashed = {**_BODY, "facecolor": "none", "linestyle": (0, (3, 2))}
        _fill(ax, shapes.hull(view.flat(head)), 2.2, dashed)
        return
    for points, order in ((neck, 1.5), (head, 1.6)):
        _fill(ax, shapes.hull(view.flat(points)), order, {**_BODY, "facecolor": "#f9f9f9"})


def _bones(ax: Axes, scene: ArmScene, view: View, ink: float) -> None:
    size, poses = scene.bone, scene.poses
    shoulder, elbow = (view.flat(scene.joints[name]) for name in ("shoulder", "elbow"))
    thin = {**_BONE, "linewidth": 0.7 * ink}
    _fill(ax, view.flat(shapes.scapula(scene)), 3.0, thin)
    spine = view.flat(shapes.spine_of_scapula(scene))
    _stroke(ax, spine, width=3.2 * ink)
    ends = view.flat(shapes.clavicle(scene))
    _fill(ax, shapes.limb_bone(ends, 0.010 * size, 0.006 * size, 0.008 * size), 3.2, thin)
    upper = np.stack([shoulder, elbow])
    _fill(ax, shapes.limb_bone(upper, 0.017 * size, 0.011 * size, 0.022 * size), 4.0, thin)
    turn = np.linspace(0.0, 2.0 * np.pi, 41)
    ball = shoulder + 0.0235 * size * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    _fill(ax, ball, 4.1, thin)
    ulna = [poses.origin["ulna"], poses.point("ulna", scene.skeleton.site["ulnar_head"])]
    length = float(scene.skeleton.forearm_length)
    radius = [
        poses.point("radius", scene.skeleton.site["radial_head"]),
        poses.point("radius", np.array([0.0, -length, 0.010 * size])),
    ]
    _fill(ax, shapes.limb_bone(view.flat(np.stack(ulna)), 0.014 * size, 0.007 * size,
                               0.007 * size), 4.4, thin)  # fmt: skip
    _fill(ax, shapes.limb_bone(view.flat(np.stack(radius)), 0.009 * size, 0.007 * size,
                               0.013 * size), 4.5, thin)  # fmt: skip


def _stroke(ax: Axes, points: Floats, width: float) -> None:
    """Draw a bony ridge: a light line with dark edges."""
    for extra, colour in ((1.2, _BONE["edgecolor"]), (0.0, _BONE["facecolor"])):
        ax.plot(*points.T, color=colour, linewidth=width + extra, zorder=3.1,
                solid_capstyle="round", solid_joinstyle="round")  # fmt: skip


def _held(ax: Axes, scene: ArmScene, view: View, ink: float) -> None:
    """Draw the hand and the bar, dumbbell or cable."""
    from matplotlib.patches import Circle

    steel = {**_METAL, "linewidth": 0.7 * ink}
    look = {"facecolor": "#fbf3ec", "edgecolor": "#8a7f72", "linewidth": 0.8 * ink}
    _fill(ax, shapes.fist(scene, view), 5.0, look)
    hand = view.flat(scene.joints["hand"])
    if scene.support == "ground":
        return
    if scene.support == "cable":
        away = hand - 0.30 * view.flat(scene.force) / max(float(np.linalg.norm(scene.force)), 1e-9)
        ax.plot(*np.stack([hand, away]).T, color=_STEEL, linewidth=1.6 * ink, zorder=5.5)
    ends = view.flat(shapes.handle(scene))
    thick = scene.skeleton.model.number("bar_radius")
    if np.hypot(*(ends[1] - ends[0])) > 0.04:
        _fill(ax, shapes.limb_bone(ends, thick, thick, thick), 5.4,
              steel)  # fmt: skip
    else:
        ax.add_patch(Circle(tuple(hand), thick, zorder=5.4, facecolor="#b9b9b9",
                            edgecolor=_STEEL, linewidth=0.9 * ink))  # fmt: skip
    if scene.support == "dumbbell":
        across = view.flat(scene.up)
        for end in ends:
            disc = np.stack([end - 0.055 * across, end + 0.055 * across])
            _fill(ax, shapes.limb_bone(disc, 0.017, 0.017, 0.017), 5.45,
                  steel)  # fmt: skip


def _bands(ax: Axes, scene: ArmScene, view: View, scale: ArmScale, ink: float) -> dict[str, Floats]:
    """Draw the heads, those far from the viewer first; return their lines on the page."""
    heads = scale.shown(scene)
    depth = {
        h: float(np.mean([np.mean(line @ view.toward) for line in scene.path(h)])) for h in heads
    }
    lines = {}
    for place, head in enumerate(sorted(heads, key=lambda h: depth[h])):
        drawn = [view.flat(line) for line in scene.path(head)]
        colour, dashes = band_look(scene.group(head))
        width = ink * scale.points_per_newton * scene.head_force[head] / len(drawn)
        order = 6.0 + 2.0 * place / len(heads)
        for number, points in enumerate(drawn):
            name = f"band:{head}" if len(drawn) == 1 else f"band:{head}:{number + 1}"
            ax.plot(*points.T, color=colour, linewidth=width, alpha=0.85, zorder=order,
                    solid_capstyle="butt", solid_joinstyle="round", gid=name)  # fmt: skip
            if dashes is not None and width > 1.6:
                ax.plot(*points.T, color="#ffffff", linewidth=min(0.28 * width, 1.3),
                        zorder=order, linestyle=dashes)  # fmt: skip
        lines[head] = drawn[len(drawn) // 2]
    return lines


def _letters(
    ax: Axes,
    lines: Mapping[str, Floats],
    letters: Mapping[str, str],
    taken: list[Floats],
    inch: float,
) -> None:
    """Put a letter on every band, clear of the others."""
    # Short lines have the least choice, so they are placed first.
    length = {h: float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum()) for h, p in lines.items()}
    for head in sorted(set(letters) & set(lines), key=lambda h: length[h]):
        anchor, spot = _free_spot(lines[head], np.array(taken), inch)
        taken.append(spot)
        if np.hypot(*(spot - anchor)) > 1e-9:
            ax.plot(*np.stack([anchor, spot]).T, color=style.INK, linewidth=0.5, zorder=14.5)
        ax.text(
            float(spot[0]), float(spot[1]), letters[head], ha="center", va="center",
            fontsize=7.0, zorder=15, gid=f"letter:{head}",
            bbox={"boxstyle": "circle,pad=0.16", "facecolor": "#ffffff", "edgecolor": style.INK,
                  "linewidth": 0.6},
        )  # fmt: skip


_CLEAR = 0.165
"""Distance between two letters at which their circles do not touch [inch]."""


def _free_spot(line: Floats, taken: Floats, inch: float) -> tuple[Floats, Floats]:
    """Return a point of a line, and the place of its letter: there, or as near as is free."""
    shares = np.linspace(0.06, 0.94, 45)
    anchors = _along(line, shares)
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    best = (-np.inf, anchors[0], anchors[0])
    for reach in (0.0, 0.17, 0.25, 0.35, 0.5, 0.7):
        spots = anchors[:, None] + reach * inch * (ring if reach else ring[:1])[None]
        room = np.linalg.norm(spots[:, :, None] - taken, axis=-1).min(axis=-1) / inch
        # Among free places, prefer those in the middle of the line.
        room = np.minimum(room, _CLEAR + 0.06) - 0.02 * np.abs(shares - 0.5)[:, None]
        at = np.unravel_index(int(np.argmax(room)), room.shape)
        if room[at] > best[0] + 1e-9:
            best = (float(room[at]), anchors[at[0]], spots[at])
        if best[0] >= _CLEAR:
            break
    return best[1], best[2]


def _along(points: Floats, shares: Floats) -> Floats:
    """Points at shares of the length of a line, shape (shares, 2)."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = shares * length[-1]
    return np.stack([np.interp(at, length, points[:, k]) for k in range(2)], axis=-1)
