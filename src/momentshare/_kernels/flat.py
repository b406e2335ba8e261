"""The paths of a limb, or of many draws of one, as plain contiguous arrays.

Bodies become levels: 0 for those that do not move with the arm (their points are given in
the thorax frame), 1 humerus, 2 ulna, 3 radius. A span then crosses the shoulder where the
level passes from 0 to more, the elbow from below 2 to 2 or more, the forearm to 3.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.skeleton import Skeleton

__all__ = ["LEVELS", "FlatLimbs", "flatten"]

LEVELS = {"thorax": 0, "clavicle": 0, "scapula": 0, "humerus": 1, "ulna": 2, "radius": 3}
"""Body → number of moving bodies between it and the trunk, itself counted."""

SITE, SPHERE, CYLINDER = 0, 1, 2
"""Kinds of step."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatLimbs:
    """Draws of one limb: the same steps, with numbers of their own; arrays are read-only.

    Attributes
    ----------
    skeletons : tuple of Skeleton
        What the arrays were made from.
    first_step : int array, shape (heads + 1,)
        Steps of head h are ``first_step[h]`` to ``first_step[h + 1] - 1``.
    kind, item : int array, shape (steps,)
        Site, sphere or cylinder; and the row of the site or of the surface.
    sense : float array, shape (steps,)
        Sense in which a cylinder is rounded.
    site_level, surface_level : int array, shape (sites,), (surfaces,)
    site : float array, shape (draws, sites, 3)
        [m], in the frame of the moving body, or of the thorax at level 0.
    centre, axis : float array, shape (draws, surfaces, 3)
        [m] and unit vectors, in the same frames.
    radius : float array, shape (draws, surfaces)
        [m]
    largest_wrap : float array, shape (surfaces,)
        Wrap angle at which a cylinder lets go [rad].
    joint : float array, shape (draws, 3)
        Centre of the shoulder, thorax frame [m].
    humerus_length : float array, shape (draws,)
        [m]
    forearm_axis, radial_head : float array, shape (draws, 3)
        Axis of pronation and a point of it, ulna frame [m].
    """

    skeletons: tuple[Skeleton, ...]
    first_step: NDArray[np.int64]
    kind: NDArray[np.int64]
    item: NDArray[np.int64]
    sense: NDArray[np.float64]
    site_level: NDArray[np.int64]
    surface_level: NDArray[np.int64]
    site: NDArray[np.float64]
    centre: NDArray[np.float64]
    axis: NDArray[np.float64]
    radius: NDArray[np.float64]
    largest_wrap: NDArray[np.float64]
    joint: NDArray[np.float64]
    humerus_length: NDArray[np.float64]
    forearm_axis: NDArray[np.float64]
    radial_head: NDArray[np.float64]

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.skeletons)

    @property
    def head_names(self) -> tuple[str, ...]:
        """Names of the heads in the order of every array."""
        return self.skeletons[0].model.head_names


def flatten(skeletons: Sequence[Skeleton]) -> FlatLimbs:
    """Lay out the paths of one skeleton or of many draws of it.

    Parameters
    ----------
    skeletons : sequence of Skeleton
        At least one; all with the same heads and the same path steps.

    Raises
    ------
    ShapeError
        If there is none, or two that differ in more than numbers.
    """
    if any(skeleton.rhythm for skeleton in skeletons):
        raise InputError(
            "a scapula that moves with the arm is traced one limb at a time: use paths(), or a "
            "scapula policy without a rate"
        )
    drawn = tuple(skeletons)
    if not drawn:
        raise ShapeError("skeletons", "one skeleton or more", "none")
    model = drawn[0].model
    structure = _structure(model)
    for number, skeleton in enumerate(drawn):
        if skeleton.model is not model and _structure(skeleton.model) != structure:
            raise ShapeError(
                "skeletons",
                "draws of one limb: the same heads, steps and bodies",
                f"another limb in draw {number}",
            )
    sites = tuple(dict.fromkeys(s.name for h in model.heads for s in h.path if not s.is_surface))
    surfaces = tuple(model.surfaces)
    steps = [step for head in model.heads for step in head.path]
    kinds = {"sphere": SPHERE, "cylinder": CYLINDER}
    top = np.array([s.site["radial_head"] for s in drawn])
    along = top - np.array([s.site["ulnar_head"] for s in drawn])
    return FlatLimbs(
        skeletons=drawn,
        first_step=np.cumsum([0, *(len(h.path) for h in model.heads)], dtype=np.int64),
        kind=np.array(
            [kinds[model.surfaces[s.name].shape] if s.is_surface else SITE for s in steps],
            dtype=np.int64,
        ),
        item=np.array(
            [surfaces.index(s.name) if s.is_surface else sites.index(s.name) for s in steps],
            dtype=np.int64,
        ),
        sense=np.array([float(s.sense) for s in steps]),
        site_level=np.array([LEVELS[model.sites[n].body] for n in sites], dtype=np.int64),
        surface_level=np.array([LEVELS[model.surfaces[n].body] for n in surfaces], dtype=np.int64),
        site=np.array([[_point(s, model.sites[n].body, s.site[n]) for n in sites] for s in drawn]),
        centre=np.array(
            [[_point(s, model.surfaces[n].body, s.centre[n]) for n in surfaces] for s in drawn]
        ).reshape(len(drawn), len(surfaces), 3),
        axis=np.array([[_axis(s, n) for n in surfaces] for s in drawn]).reshape(
            len(drawn), len(surfaces), 3
        ),
        radius=np.array([[s.radius[n] for n in surfaces] for s in drawn]),
        largest_wrap=np.array([model.surfaces[n].largest_wrap for n in surfaces]),
        joint=np.array([s.joint_centre for s in drawn]),
        humerus_length=np.array([s.sizes.humerus_length for s in drawn]),
        forearm_axis=along / np.linalg.norm(along, axis=-1, keepdims=True),
        radial_head=top,
    )


def _structure(model: Model) -> tuple[object, ...]:
    """Return what has to agree between draws; numbers may differ."""
    return (
        tuple((head.name, head.path) for head in model.heads),
        tuple((s.name, s.body) for s in model.sites.values()),
        tuple((s.name, s.shape, s.body, s.largest_wrap) for s in model.surfaces.values()),
    )


def _point(skeleton: Skeleton, body: str, position: NDArray[np.float64]) -> NDArray[np.float64]:
    if LEVELS[body]:
        return position
    rotation, origin = skeleton.fixed[body]
    return np.asarray(origin + rotation @ position)


def _axis(skeleton: Skeleton, name: str) -> NDArray[np.float64]:
    """Return the unit axis of a cylinder; zero for a sphere."""
    surface = skeleton.model.surfaces[name]
    axis = np.array(surface.axis)
    if surface.shape == "sphere":
        return np.zeros(3)
    if not LEVELS[surface.body]:
        axis = skeleton.fixed[surface.body][0] @ axis
    return np.asarray(axis / np.linalg.norm(axis))
