"""Moment arms of every head against posture, small panels to be looked at one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.exercise import reachable
from momentshare.posture import posture_from_angles
from momentshare.report.figures.footer import add_footer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
_STYLES = (
    ("-", "#332288"),
    ("--", "#882255"),
    ("-.", "#117733"),
    (":", "#000000"),
    ((0, (1, 3)), "#999933"),
)
_COLUMNS = 6


def arm_figure(limb: Limb, name: str) -> Figure:
    """Draw the arms of every head [mm] along one sweep.

    Dots mark contact with a surface; where the shoulder cannot follow, the ground is shaded.
    """
    from matplotlib.figure import Figure

    swept, (low, high), held = SWEEPS[name]
    angle = np.linspace(low, high, 271)
    angles = {k: np.full_like(angle, v) for k, v in {**_HELD, **held}.items()}
    angles[swept] = angle
    posture = posture_from_angles(**{k: np.radians(v) for k, v in angles.items()})
    found, beyond = limb.paths(posture), ~reachable(limb.skeleton, posture)
    heads = limb.head_names
    lines = len(heads) // _COLUMNS + 1  # the last panel is left for the legend
    figure = Figure(figsize=(2.3 * _COLUMNS, 1.75 * lines + 0.9), layout="constrained")
    axes = figure.subplots(lines, _COLUMNS, sharex=True, squeeze=False)
    for index, head in enumerate(heads):
        ax = axes.flat[index]
        for row, (style, colour) in enumerate(_STYLES):
            arm = 1000.0 * found.moment_arms[:, row, index]
            if np.abs(arm).max() > 0.5:
                ax.plot(angle, arm, linestyle=style, color=colour, linewidth=1.2)
        touching = found.contact[:, index]
        ax.plot(angle[touching], np.zeros(touching.sum()), ".", color="0.6", markersize=1.5)
        ax.axhline(0.0, color="0.8", linewidth=0.6, zorder=0)
        ax.fill_between(
            angle, 0.0, 1.0, where=beyond, transform=ax.get_xaxis_transform(), color="0.9", zorder=0
        )
        ax.set_title(head.replace("_", " "), fontsize=7.5)
        ax.tick_params(labelsize=7)
    for ax in axes.flat[len(heads) :]:
        ax.axis("off")
    handles = [
        axes.flat[0].plot([], [], linestyle=s, color=c, label=row_named(ROWS[k]).label)[0]
        for k, (s, c) in enumerate(_STYLES)
    ]
    handles += axes.flat[0].plot([], [], ".", color="0.6", label="touches a surface")
    handles += axes.flat[0].plot([], [], color="0.9", linewidth=6, label="out of reach")
    free = axes.flat[len(heads)] if len(heads) < axes.size else axes.flat[-1]
    free.legend(handles=handles, loc="center left", fontsize=8, frameon=False)
    figure.supxlabel(f"{swept.replace('_', ' ')} [deg]", fontsize=9)
    figure.supylabel("moment arm [mm]", fontsize=9)
    kept = {k: v for k, v in {**_HELD, **held}.items() if k != swept}
    rest = ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in kept.items())
    figure.suptitle(f"Moment arms along {swept.replace('_', ' ')}; held: {rest} [deg]", fontsize=10)
    return figure


def write_arm_figures(limb: Limb, writer: Writer) -> list[str]:
    """Write one PNG per sweep; return the names of the files."""
    before = len(writer.names)
    for name in SWEEPS:
        figure = arm_figure(limb, name)
        add_footer(figure)
        writer.figure(f"moment_arms_{name}", figure, formats=("png",), dpi=130)
    return list(writer.names[before:])
