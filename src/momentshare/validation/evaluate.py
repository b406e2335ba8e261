"""What the model says for each target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.paths import ROWS, Paths
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.validation.targets import DIRECTIONS, Target

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.muscle.capacity import HeadState

__all__ = ["average_person", "evaluate"]

_ELBOW = np.linspace(20.0, 120.0, 41)
_ELBOW_WIDE = np.linspace(5.0, 140.0, 55)
_ABDUCTION = np.linspace(5.0, 120.0, 24)
_PASSIVE_ELBOW = np.linspace(30.0, 120.0, 19)
_PASSIVE_ELEVATION = np.linspace(30.0, 90.0, 13)


def average_person(model: Model, sex: str) -> Person:
    """Return a person of mean stature and mass, everything else estimated."""
    return Person(
        name=f"average {'woman' if sex == 'female' else 'man'}",
        sex="female" if sex == "female" else "male",
        stature=model.fits[sex, "stature"].mean,
        body_mass=model.fits[sex, "body_mass"].mean,
    )


@dataclass(frozen=True, slots=True)
class _Request:
    """Postures a target needs of one limb."""

    sex: str
    scapula: str
    angles: NDArray[np.float64]


def evaluate(targets: Sequence[Target], limb_of: Callable[[str, str], Limb]) -> NDArray[np.float64]:
    """Compute the model's value of every target, in the target's unit.

    Parameters
    ----------
    targets : sequence of Target
    limb_of : callable
        ``limb_of(sex, scapula)`` returns the limb to judge.

    Returns
    -------
    float array, shape (targets,)
    """
    requests = [_requests(t) for t in targets]
    groups: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for i, parts in enumerate(requests):
        for k, part in enumerate(parts):
            groups.setdefault((part.sex, part.scapula), []).append((i, k))
    seen: dict[tuple[int, int], tuple[Limb, Paths, HeadState, slice]] = {}
    for (sex, scapula), members in groups.items():
        limb = limb_of(sex, scapula)
        stack = np.concatenate([requests[i][k].angles for i, k in members])
        found = limb.paths(posture_from_angles(*np.radians(stack).T))
        state = limb.capacity(found.length)
        start = 0
        for key in members:
            stop = start + len(requests[key[0]][key[1]].angles)
            seen[key] = (limb, found, state, slice(start, stop))
            start = stop
    return np.array(
        [
            _value(target, [_View(*seen[i, k]) for k in range(len(requests[i]))])
            for i, target in enumerate(targets)
        ]
    )


class _View:
    """One target's share of a batch."""

    def __init__(self, limb: Limb, found: Paths, state: HeadState, part: slice) -> None:
        self.limb = limb
        self.names = limb.head_names
        self.arms = found.moment_arms[part]
        self.length = found.length[part]
        self.action = found.line_of_action[part]
        self.active = state.active_capacity[part]
        self.passive = state.passive_force[part]
        self.optimal = limb.optimal_fibre_length

    def arm(self, direction: str, subjects: Sequence[str]) -> NDArray[np.float64]:
        """Mean arm of some heads in one direction [m], shape (postures,)."""
        row, sign = DIRECTIONS[direction]
        index = [self.names.index(s) for s in subjects]
        return np.asarray(sign * self.arms[:, ROWS.index(row), index].mean(axis=-1))

    def strength(self, direction: str) -> NDArray[np.float64]:
        """Greatest braced moment [N·m], shape (postures,)."""
        row, sign = DIRECTIONS[direction.removeprefix("shoulder_")]
        arm = sign * self.arms[:, ROWS.index(row)]
        return np.asarray(np.sum(np.maximum(arm, 0.0) * self.active + arm * self.passive, axis=-1))

    def passive_moment(self, direction: str) -> NDArray[np.float64]:
        """Passive moment [N·m], shape (postures,)."""
        row, sign = DIRECTIONS[direction.removeprefix("shoulder_")]
        return np.asarray(np.sum(sign * self.arms[:, ROWS.index(row)] * self.passive, axis=-1))


def _requests(t: Target) -> list[_Request]:
    base = np.array(
        [t.plane_deg, t.elevation_deg, t.axial_deg, t.elbow_flexion_deg, t.forearm_rotation_deg]
    )

    def sweep(column: int, values: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.tile(base, (len(values), 1))
        out[:, column] = values
        return out

    angles = base[None, :]
    if t.quantity in {"peak_moment_arm", "peak_angle"}:
        angles = sweep(3, _ELBOW_WIDE)
    elif t.quantity in {"mean_moment_arm", "elbow_excursion"}:
        angles = sweep(3, _ELBOW)
    elif t.quantity == "peak_moment_arm_abduction":
        angles = sweep(1, _ABDUCTION)
    elif t.quantity == "passive_moment":
        elbow = t.subject.startswith("elbow")
        angles = sweep(3, _PASSIVE_ELBOW) if elbow else sweep(1, _PASSIVE_ELEVATION)
    elif t.quantity == "posture_ratio":
        # The arm flexed forward against hanging; the hand keeps its orientation.
        top, bottom = (float(x) for x in t.direction.split("/"))
        angles = np.tile(base, (2, 1))
        angles[:, 0], angles[:, 2] = 90.0, -90.0
        angles[:, 1] = np.maximum([top, bottom], 5.0)
    if t.quantity == "sex_ratio":
        return [_Request("female", t.scapula, angles), _Request("male", t.scapula, angles)]
    return [_Request(t.sex, t.scapula, angles)]


def _value(t: Target, views: list[_View]) -> float:
    view = views[0]
    if t.quantity in {"moment_arm", "mean_moment_arm"}:
        return 1000.0 * float(view.arm(t.direction, t.subjects).mean())
    if t.quantity in {"peak_moment_arm", "peak_moment_arm_abduction"}:
        return 1000.0 * float(view.arm(t.direction, t.subjects).max())
    if t.quantity == "elbow_excursion":
        index = view.names.index(t.subject)
        return float(np.ptp(view.length[:, index]) / view.optimal[index])
    if t.quantity == "line_of_action":
        return _line(t, view)
    if t.quantity == "rank":
        return float(_rank(t, view))
    if t.quantity == "strength":
        return float(view.strength(t.direction)[0])
    if t.quantity == "strength_ratio":
        top, bottom = t.subject.split("/")
        return float(view.strength(top)[0] / view.strength(bottom)[0])
    if t.quantity == "posture_ratio":
        found = view.strength(t.subject)
        return float(found[0] / found[1])
    if t.quantity == "sex_ratio":
        return float(view.strength(t.subject)[0] / views[1].strength(t.subject)[0])
    if t.quantity == "peak_angle":
        return float(_ELBOW_WIDE[int(np.argmax(view.strength(t.subject)))])
    found = view.passive_moment(t.subject)
    return float(found[int(np.argmax(np.abs(found)))])


def _line(t: Target, view: _View) -> float:
    """Component of the mean unit pull on the arm in the scapula frame."""
    index = [view.names.index(s) for s in t.subjects]
    pull = view.action[0, index].sum(axis=0)
    rotation = view.limb.skeleton.fixed["scapula"][0]
    unit = rotation.T @ (pull / np.linalg.norm(pull))
    return float(unit[{"anterior": 0, "superior": 1, "lateral": 2}[t.direction]])


def _rank(t: Target, view: _View) -> int:
    """Place of a muscle (or part of the deltoid) among all by its mean arm, 1 the largest."""
    parts: dict[str, list[str]] = {}
    for name in view.names:
        muscle = name if name.startswith("deltoid") else name.split("/")[0]
        parts.setdefault(muscle, []).append(name)
    arms = {m: float(view.arm(t.direction, heads)[0]) for m, heads in parts.items()}
    return 1 + sum(arm > arms[t.subject] for arm in arms.values())
