"""Which presses a page can show: nodes of spacing, touch point and bench angle, and conditions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import MomentshareError, PostureError
from momentshare.exercise import BarPath, BenchPress, Profile, PushUp, make_lifts
from momentshare.study import plan_study

if TYPE_CHECKING:
    from momentshare.exercise import Exercise, Lift
    from momentshare.limb import Limb
    from momentshare.study import Study

__all__ = ["HEIGHTS", "LEVELS", "Nodes", "Press", "grid_presses", "node_presses"]

HEIGHTS = 11
"""Frames along every press, chest to lock-out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """Values that the controls of a page step through.

    Attributes
    ----------
    spacings : tuple of float
        Distance between the grips over the biacromial breadth.
    touches : tuple of float
        Where the bar touches the chest, from the shoulder joint towards the feet [m].
    angles : tuple of float
        Bench angle, + head up [deg].
    """

    spacings: tuple[float, ...]
    touches: tuple[float, ...]
    angles: tuple[float, ...]

    @property
    def size(self) -> int:
        """Number of presses per person."""
        return len(self.spacings) * len(self.touches) * len(self.angles)


LEVELS = (
    Nodes(
        spacings=(1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2),
        touches=(0.04, 0.08, 0.12, 0.16, 0.20),
        angles=(0.0, 15.0, 30.0, 45.0),
    ),
    Nodes(
        spacings=(1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2),
        touches=(0.04, 0.08, 0.12, 0.16, 0.20),
        angles=(0.0, 30.0),
    ),
    Nodes(
        spacings=(1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2),
        touches=(0.04, 0.10, 0.16),
        angles=(0.0, 30.0),
    ),
    Nodes(
        spacings=(1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2),
        touches=(0.04, 0.10, 0.16),
        angles=(0.0,),
    ),
    Nodes(spacings=(1.0, 1.4, 1.8, 2.2), touches=(0.06, 0.14), angles=(0.0,)),
    Nodes(spacings=(1.0, 1.6, 2.2), touches=(0.10,), angles=(0.0,)),
)
"""From fine to coarse; a page uses the finest one that keeps it small enough."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Press:
    """One lift of a page.

    Attributes
    ----------
    person : int
        Number of the person.
    kind : {"press", "push_up", "condition"}
        A press at the nodes, with bar or dumbbells; a push-up at the same nodes; or a condition of
        the study as it is.
    node : tuple of int or None
        Spacing, touch point and bench angle; None for a condition.
    condition : str
        Name of the condition, or empty.
    lift : Lift or None
        None where the press cannot be performed.
    reason : str
        Why there is no lift.
    """

    person: int
    kind: str
    node: tuple[int, int, int] | None
    condition: str = ""
    lift: Lift | None
    reason: str = ""


def grid_presses(study: Study, limbs: Limb, nodes: Nodes) -> list[Press]:
    """Close all lifts of a page.

    Parameters
    ----------
    study : Study
        Its people, and its conditions as they are.
    limbs : Limb
        One per person of the study.
    nodes : Nodes

    Returns
    -------
    list of Press
        Presses at the nodes person by person, then push-ups, then conditions.
    """
    found: list[Press] = []
    for person in range(len(study.file.person)):
        found += _at_nodes(limbs, person, nodes)
    plan = plan_study(study, frames=HEIGHTS)
    rows = [task.limb for task in plan.setup.tasks]
    exercises: list[Exercise] = [task.exercise for task in plan.setup.tasks if task.exercise]
    lifts = make_lifts(exercises, limbs.skeleton, rows)
    for task, lift in zip(plan.setup.tasks, lifts, strict=True):
        found.append(_press(lift, task.limb, "condition", None, task.condition))
    return found


def _press(
    lift: Lift | MomentshareError,
    person: int,
    kind: str,
    node: tuple[int, int, int] | None,
    condition: str = "",
) -> Press:
    failed = lift if isinstance(lift, MomentshareError) else None
    return Press(
        person=person,
        kind=kind,
        node=node,
        condition=condition,
        lift=None if isinstance(lift, MomentshareError) else lift,
        reason="" if failed is None else str(failed),
    )


def node_presses(
    breadth: float, nodes: Nodes, *, load: float
) -> dict[tuple[int, int, int], BenchPress]:
    """Presses at the nodes for a biacromial breadth [m], with a load [kg].

    Returns
    -------
    dict
        Indices of spacing, touch point and bench angle → press.
    """
    return {
        (s, t, b): BenchPress(
            load_mass=load,
            spacing=Profile.constant(spacing * breadth),
            path=BarPath(touch=touch),
            bench_angle=float(np.radians(angle)),
            frames=HEIGHTS,
        )
        for b, angle in enumerate(nodes.angles)
        for s, spacing in enumerate(nodes.spacings)
        for t, touch in enumerate(nodes.touches)
    }


def _at_nodes(limbs: Limb, person: int, nodes: Nodes) -> list[Press]:
    """Presses and push-ups of one person."""
    skeleton = limbs.skeleton.take(person)
    made = node_presses(skeleton.sizes.biacromial_breadth, nodes, load=0.0)
    presses = list(made.values())
    lifts = make_lifts(presses, skeleton, [0] * len(presses))
    found = [_press(x, person, "press", place) for x, place in zip(lifts, made, strict=True)]
    for press, exercise in zip(tuple(found), presses, strict=True):
        if press.lift is None or exercise.bench_angle != 0.0 or not press.lift.reachable.all():
            continue
        try:
            up = _turned_over(exercise, press.lift).lift(skeleton)
        except PostureError as err:
            found.append(_press(err, person, "push_up", press.node))
        else:
            found.append(_press(up, person, "push_up", press.node))
    return found


def _turned_over(press: BenchPress, lift: Lift) -> PushUp:
    """Push-up with the postures of a press on the flat bench, its angles as profiles."""
    direction = lift.posture.humerus[..., :, 1]
    tuck = np.arccos(np.clip(direction[:, 1], -1.0, 1.0))
    assert lift.posture.girdle is not None  # noqa: S101 - every press says what it adds
    added = lift.posture.girdle[:, 0]
    points = tuple(zip(lift.fraction.tolist(), tuck.tolist(), strict=True))
    return PushUp(
        spacing=press.spacing,
        tuck=Profile(points),
        tilt=press.tilt,
        protraction=Profile(tuple(zip(lift.fraction.tolist(), added.tolist(), strict=True))),
        chest_height=float(lift.height[0]),
        lockout_flexion=press.lockout_flexion,
        frames=press.frames,
    )
