"""Moment arms of every head against posture, small panels to be looked at one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.exercise import reachable
from momentshare.posture import posture_from_angles
from momentshare.report.figures import style
from momentshare.report.figures.footer import add_footer
from momentshare.report.figures.layout import Room, Texts, outer_labels, panel_grid, settle
from momentshare.text import head_label

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.files import Writer
    from momentshare.limb import Limb

__all__ = ["SWEEPS", "arm_figure", "write_arm_figures"]

SWEEPS: dict[str, tuple[str, tuple[float, float], dict[str, float]]] = {
    "elevation_scapular": ("elevation", (1.0, 150.0), {"plane": 30.0}),
    "elevation_forward": ("elevation", (1.0, 150.0), {"plane": 90.0, "axial": -90.0}),
    "plane_at_30": ("plane", (-45.0, 105.0), {"elevation": 30.0}),
    "plane_at_80": ("plane", (-45.0, 105.0), {"elevation": 80.0}),
    "axial_hanging": ("axial", (-70.0, 90.0), {"elevation": 5.0}),
    "axial_at_80": ("axial", (-100.0, 80.0), {"elevation": 80.0, "plane": 20.0}),
    "elbow": ("elbow_flexion", (0.0, 145.0), {"plane": 30.0, "elevation": 45.0}),
    "forearm": ("forearm_rotation", (0.0, 165.0), {"plane": 30.0, "elevation": 45.0}),
}
"""Name → angle that is swept, its range [deg], and the angles held: the limits of the model.

Postures that the shoulder cannot reach (:mod:`momentshare.exercise.reach`) are shaded."""

_HELD = {
    "plane": 0.0,
    "elevation": 45.0,
    "axial": 0.0,
    "elbow_flexion": 60.0,
    "forearm_rotation": 90.0,
}
MOST_LINES = 4
"""Lines of a panel; a head with more arms has a panel for the shoulder and one beyond it."""

_COLUMNS = 5
_LEAST = 0.5
"""Greatest arm [mm] up to which a head counts as having none about a row."""

_LOOKS: tuple[dict[str, Any], ...] = tuple(
    {name: style.condition_style(k)[name] for name in ("color", "linestyle")}
    for k in range(len(ROWS))
)
_TOUCHING: dict[str, Any] = {
    "linestyle": "none", "marker": ".", "markersize": 1.5, "color": style.FAINT,
}  # fmt: skip
_BEYOND: dict[str, Any] = {"facecolor": "0.9", "edgecolor": "0.9"}


def arm_figure(limb: Limb, name: str) -> Figure:
    """Draw the arms of every head [mm] along one sweep.

    Dots mark contact with a surface; where the shoulder cannot follow, the ground is shaded.
    """
    import matplotlib as mpl

    swept, (low, high), held = SWEEPS[name]
    angle = np.linspace(low, high, 271)
    angles = {k: np.full_like(angle, v) for k, v in {**_HELD, **held}.items()}
    angles[swept] = angle
    posture = posture_from_angles(**{k: np.radians(v) for k, v in angles.items()})
    found, beyond = limb.paths(posture), ~reachable(limb.skeleton, posture)
    arms = 1000.0 * found.moment_arms
    panels = [
        (index, rows, words)
        for index in range(len(limb.head_names))
        for rows, words in _panels(np.abs(arms[..., index]).max(axis=0))
    ]
    kept = {k: v for k, v in {**_HELD, **held}.items() if k != swept}
    rest = ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in kept.items())
    words = swept.replace("_", " ")
    with mpl.rc_context(style.settings()):
        figure, axes = panel_grid(
            len(panels),
            _COLUMNS,
            (1.6, 1.15),
            Texts(
                title=f"Moment arms along {words}",
                note=f"Held: {rest} [deg]. Arms of less than {_LEAST:g} mm are left out. Each "
                "panel has its own scale.",
                panels=[head_label(limb.head_names[k]) + more for k, _, more in panels],
                legend=[
                    *((row_named(row).label, look) for row, look in zip(ROWS, _LOOKS, strict=True)),
                    ("touches a surface", _TOUCHING | {"markersize": 5.0}),
                    ("out of reach", _BEYOND),
                ],
            ),
            Room(gap=(0.45, 0.2)),
        )
        for ax, (index, rows, _) in zip(axes, panels, strict=True):
            for row in rows:
                ax.plot(angle, arms[:, row, index], linewidth=1.2, **_LOOKS[row])
            touching = found.contact[:, index]
            ax.plot(angle[touching], np.zeros(touching.sum()), **_TOUCHING)
            ax.axhline(0.0, color="0.8", linewidth=0.6, zorder=0)
            ax.fill_between(
                angle, 0.0, 1.0, where=beyond, transform=ax.get_xaxis_transform(), color="0.9",
                lw=0, zorder=0,
            )  # fmt: skip
            ax.set_xlim(low, high)
        outer_labels(axes, _COLUMNS, "moment arm [mm]", f"{words} [deg]")
        settle(figure)
    return figure


def _panels(size: NDArray[np.float64]) -> list[tuple[list[int], str]]:
    """Rows that share a panel, and what its title adds to the name of the head."""
    rows = [k for k in range(len(ROWS)) if size[k] > _LEAST]
    if len(rows) <= MOST_LINES:
        return [(rows, "")]
    shoulder = [k for k in rows if ROWS[k].startswith("shoulder")]
    return [(shoulder, ": shoulder"), ([k for k in rows if k not in shoulder], ": elbow, forearm")]


def write_arm_figures(limb: Limb, writer: Writer) -> list[str]:
    """Write one PNG per sweep; return the names of the files."""
    before = len(writer.names)
    for name in SWEEPS:
        figure = arm_figure(limb, name)
        add_footer(figure)
        writer.figure(f"moment_arms_{name}", figure, formats=("png",), dpi=130)
    return list(writer.names[before:])
