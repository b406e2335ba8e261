"""The paths of limbs as plain contiguous arrays, one row per limb.

Bodies become levels: 0 thorax, 1 clavicle, 2 scapula, 3 humerus, 4 ulna, 5 radius; points and
axes are in the frame of their body. A span crosses the shoulder where the level passes from
below 3 to 3 or more, the elbow from below 4, the forearm to 5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.results import ReadOnly
from momentshare.skeleton import forearm_axis

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton

__all__ = ["BODIES", "FlatLimbs", "flatten"]

BODIES = ("thorax", "clavicle", "scapula", "humerus", "ulna", "radius")
"""Body of each level."""

SITE, SPHERE, CYLINDER = 0, 1, 2
"""Kinds of step."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatLimbs(ReadOnly):
    """Limbs of one model: the same steps, with numbers of their own; arrays are read-only.

    Attributes
    ----------
    first_line : int array, shape (heads + 1,)
        Lines of head h are ``first_line[h]`` to ``first_line[h + 1] - 1``.
    first_step : int array, shape (lines + 1,)
        Steps of line k are ``first_step[k]`` to ``first_step[k + 1] - 1``.
    kind, item : int array, shape (steps,)
        Site, sphere or cylinder; and the row of the site or of the surface.
    sense : float array, shape (steps,)
        Sense in which a cylinder is rounded.
    site_level, surface_level : int array, shape (sites,), (surfaces,)
    surface_bearer : int array, shape (surfaces,)
        Level of the body that bears the force of contact.
    site : float array, shape (limbs, sites, 3)
        [m]
    centre, axis : float array, shape (limbs, surfaces, 3)
        [m] and unit vectors; no axis, zero, for a sphere.
    radius : float array, shape (limbs, surfaces)
        [m]
    largest_turn : float array, shape (surfaces,)
        Wrap angle at which a cylinder lets go [rad].
    humerus_length : float array, shape (limbs,)
        [m]
    forearm_axis, radial_head : float array, shape (limbs, 3)
        Axis of pronation and a point of it, ulna frame [m].
    """

    first_line: NDArray[np.int64]
    first_step: NDArray[np.int64]
    kind: NDArray[np.int64]
    item: NDArray[np.int64]
    sense: NDArray[np.float64]
    site_level: NDArray[np.int64]
    surface_level: NDArray[np.int64]
    surface_bearer: NDArray[np.int64]
    site: NDArray[np.float64]
    centre: NDArray[np.float64]
    axis: NDArray[np.float64]
    radius: NDArray[np.float64]
    largest_turn: NDArray[np.float64]
    humerus_length: NDArray[np.float64]
    forearm_axis: NDArray[np.float64]
    radial_head: NDArray[np.float64]


def flatten(skeleton: Skeleton) -> FlatLimbs:
    """Lay out the paths of the limbs of a skeleton of any shape, row by row."""
    model = skeleton.model
    level = {body: k for k, body in enumerate(BODIES)}
    limbs = len(skeleton.people)
    lines = [line for head in model.heads for line in head.lines]
    sites = tuple(dict.fromkeys(s.name for line in lines for s in line if not s.is_surface))
    surfaces = tuple(model.surfaces)
    steps = [step for line in lines for step in line]
    kinds = {"sphere": SPHERE, "cylinder": CYLINDER}

    def rows(values: list[NDArray[np.float64]], *last: int) -> NDArray[np.float64]:
        """Give positions or numbers, each of the skeleton's shape, one row per limb."""
        flat = [np.asarray(value, dtype=np.float64).reshape(limbs, *last) for value in values]
        return np.ascontiguousarray(np.stack(flat, axis=1)) if flat else np.empty((limbs, 0, *last))

    along, top = forearm_axis(skeleton)
    axes = [np.array(model.surfaces[n].axis) for n in surfaces]
    unit = [
        np.zeros(3) if model.surfaces[n].shape == "sphere" else axis / np.linalg.norm(axis)
        for n, axis in zip(surfaces, axes, strict=True)
    ]
    return FlatLimbs(
        first_line=np.cumsum([0, *(len(h.lines) for h in model.heads)], dtype=np.int64),
        first_step=np.cumsum([0, *(len(line) for line in lines)], dtype=np.int64),
        kind=np.array(
            [kinds[model.surfaces[s.name].shape] if s.is_surface else SITE for s in steps],
            dtype=np.int64,
        ),
        item=np.array(
            [surfaces.index(s.name) if s.is_surface else sites.index(s.name) for s in steps],
            dtype=np.int64,
        ),
        sense=np.array([float(s.sense) for s in steps]),
        site_level=np.array([level[model.sites[n].body] for n in sites], dtype=np.int64),
        surface_level=np.array([level[model.surfaces[n].body] for n in surfaces], dtype=np.int64),
        surface_bearer=np.array(
            [level[model.surfaces[n].borne_by] for n in surfaces], dtype=np.int64
        ),
        site=rows([skeleton.site[n] for n in sites], 3),
        centre=rows([skeleton.centre[n] for n in surfaces], 3),
        axis=rows([np.broadcast_to(u, (limbs, 3)) for u in unit], 3),
        radius=rows([skeleton.radius[n] for n in surfaces]),
        largest_turn=np.array([model.surfaces[n].largest_turn for n in surfaces]),
        humerus_length=np.asarray(skeleton.humerus_length, dtype=np.float64).reshape(limbs).copy(),
        forearm_axis=np.asarray(along).reshape(limbs, 3).copy(),
        radial_head=np.asarray(top).reshape(limbs, 3).copy(),
    )
