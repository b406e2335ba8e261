"""Leads a line from its origin over sites and round surfaces to its insertion, in any limb."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Protocol

import numpy as np

from momentshare.geometry import round_cylinder, round_sphere
from momentshare.geometry.rotation import norm

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.geometry import Wrap
    from momentshare.model import PathStep, Site, Surface

__all__ = ["SETTLED", "SWEEPS", "Run", "trace_line"]

SWEEPS = 60
"""Maximum number of rounds of adjusting two surfaces to each other; a round gains about one
digit."""

SETTLED = 1e-14
"""Movement of a tangent point [m] below which the surfaces are adjusted."""


class _Described(Protocol):
    """What says on which body a site or surface lies."""

    @property
    def sites(self) -> Mapping[str, Site]: ...
    @property
    def surfaces(self) -> Mapping[str, Surface]: ...


class _Bones(Protocol):
    """Sites and surfaces of a limb, each in the frame of its body."""

    @property
    def model(self) -> _Described: ...
    @property
    def site(self) -> Mapping[str, NDArray[np.float64]]: ...
    @property
    def centre(self) -> Mapping[str, NDArray[np.float64]]: ...
    @property
    def radius(self) -> Mapping[str, NDArray[np.float64]]: ...


class _Poses(Protocol):
    """Where the bodies are."""

    @property
    def rotation(self) -> Mapping[str, NDArray[np.float64]]: ...
    def point(self, body: str, position: NDArray[np.float64]) -> NDArray[np.float64]: ...


@dataclass(slots=True)
class Run:
    """Points and bodies along a path, gathered from origin to insertion."""

    points: list[NDArray[np.float64]]
    bodies: list[str]
    bearers: list[str]
    arc: NDArray[np.float64]
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]


@dataclass(slots=True)
class _Contact:
    """What :class:`momentshare.geometry.Wrap` says, one row per frame, written bit by bit."""

    enter: NDArray[np.float64]
    leave: NDArray[np.float64]
    arc_length: NDArray[np.float64]
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]

    @classmethod
    def none(cls, frames: int) -> _Contact:
        return cls(
            enter=np.full((frames, 3), np.inf),
            leave=np.full((frames, 3), np.inf),
            arc_length=np.zeros(frames),
            contact=np.zeros(frames, dtype=bool),
            inside=np.zeros(frames, dtype=bool),
            margin=np.full(frames, np.inf),
        )

    def write(self, rows: NDArray[np.int64], wrap: Wrap) -> None:
        for item in fields(self):
            getattr(self, item.name)[rows] = getattr(wrap, item.name)

    def release(self, rows: NDArray[np.int64]) -> None:
        """Remove the surface from the path."""
        self.contact[rows] = False
        self.arc_length[rows] = 0.0
        self.enter[rows] = self.leave[rows] = 0.0  # not read; kept so that nothing moves


def trace_line(
    skeleton: _Bones, poses: _Poses, line: Sequence[PathStep], shape: tuple[int, ...]
) -> Run:
    """Lead a line from its origin round its surfaces to its insertion.

    Parameters
    ----------
    skeleton
        Sites and surfaces of a limb, the reference limb's or another.
    poses
        Where its bodies are.
    line : sequence of PathStep
    shape : tuple of int
        Batch shape of the poses.
    """
    model = skeleton.model
    run = Run(
        points=[],
        bodies=[],
        bearers=[],
        arc=np.zeros(shape),
        contact=np.zeros(shape, dtype=bool),
        inside=np.zeros(shape, dtype=bool),
        margin=np.full(shape, np.inf),
    )
    pending: list[PathStep] = []
    for step in line:
        if step.is_surface:
            pending.append(step)
            continue
        body = model.sites[step.name].body
        point = poses.point(body, skeleton.site[step.name])
        if pending:
            _round(skeleton, poses, run, pending, point)
            pending = []
        run.points.append(point)
        run.bodies.append(body)
        run.bearers.append(body)
    return run


def _round(
    skeleton: _Bones,
    poses: _Poses,
    run: Run,
    steps: Sequence[PathStep],
    end: NDArray[np.float64],
) -> None:
    """Lead the path from the last point round the surfaces to ``end``.

    Each surface is wrapped between its neighbours' tangent points in turn until no point
    moves; every turn shortens the path, so the rounds close in on the shortest one. Frames
    that have settled drop out of the later rounds. A surface that a path has let go of stays
    out of it: near the half turn where a cylinder lets go, two surfaces would otherwise push each
    other in and out of contact for ever.
    """
    shape = end.shape
    start, stop = run.points[-1].reshape(-1, 3), end.reshape(-1, 3)
    places = [_place(skeleton, poses, step) for step in steps]
    wraps = [_Contact.none(len(stop)) for _ in steps]
    moving = np.arange(len(stop))
    released = np.zeros((len(steps), len(stop)), dtype=bool)
    for _ in range(SWEEPS if len(steps) > 1 else 1):
        before = np.stack([wrap.leave[moving] for wrap in wraps])
        for k, place in enumerate(places):
            here, there = _neighbours(wraps, k, start, stop, moving)
            touched = wraps[k].contact[moving]
            wraps[k].write(moving, place(here, there, moving))
            released[k, moving] |= touched & ~wraps[k].contact[moving]
            wraps[k].release(moving[released[k, moving]])
        after = np.stack([wrap.leave[moving] for wrap in wraps])
        moved = np.max(np.abs(after - before), axis=(0, 2))
        moving = moving[moved >= SETTLED]
        if moving.size == 0:
            break
    for step, wrap, (enter, leave) in zip(steps, wraps, _nodes(wraps, start, stop), strict=True):
        body = skeleton.model.surfaces[step.name].body
        run.points += [enter.reshape(shape), leave.reshape(shape)]
        run.bodies += [body, body]
        run.bearers += [skeleton.model.surfaces[step.name].borne_by] * 2
        arc = wrap.arc_length - np.where(wrap.contact, norm(leave - enter), 0.0)
        run.arc = run.arc + arc.reshape(shape[:-1])
        run.contact = run.contact | wrap.contact.reshape(shape[:-1])
        run.inside = run.inside | wrap.inside.reshape(shape[:-1])
        run.margin = np.minimum(run.margin, wrap.margin.reshape(shape[:-1]))


def _neighbours(
    wraps: Sequence[_Contact],
    k: int,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    rows: NDArray[np.int64] | slice,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points before and after surface k: the next surface in contact, or the run's end."""
    before, after = start[rows], end[rows]
    for wrap in wraps[:k]:
        before = np.where(wrap.contact[rows, None], wrap.leave[rows], before)
    for wrap in reversed(wraps[k + 1 :]):
        after = np.where(wrap.contact[rows, None], wrap.enter[rows], after)
    return before, after


def _nodes(
    wraps: Sequence[_Contact], start: NDArray[np.float64], end: NDArray[np.float64]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Tangent points; a surface out of contact gets a point on the straight span.

    Such a point lies strictly between its neighbours, so that no span has length zero.
    """
    nodes: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    before = start
    for k, wrap in enumerate(wraps):
        _, after = _neighbours(wraps, k, start, end, slice(None))
        between = 0.5 * (before + after)
        touch = wrap.contact[..., None]
        enter, leave = np.where(touch, wrap.enter, between), np.where(touch, wrap.leave, between)
        nodes.append((enter, leave))
        before = leave
    return nodes


def _place(
    skeleton: _Bones, poses: _Poses, step: PathStep
) -> Callable[[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]], Wrap]:
    """Return the wrap between two points round a surface in some of the frames."""
    surface = skeleton.model.surfaces[step.name]
    centre = poses.point(surface.body, skeleton.centre[step.name]).reshape(-1, 3)
    axis = (poses.rotation[surface.body] @ np.array(surface.axis)).reshape(-1, 3)
    radius = np.broadcast_to(skeleton.radius[step.name], axis.shape[:1])

    def wrap(
        before: NDArray[np.float64], after: NDArray[np.float64], rows: NDArray[np.int64]
    ) -> Wrap:
        if surface.shape == "sphere":
            return round_sphere(before, after, centre[rows], radius[rows])
        return round_cylinder(
            before,
            after,
            centre[rows],
            axis[rows],
            radius[rows],
            step.sense,
            largest=surface.largest_turn,
        )

    return wrap
