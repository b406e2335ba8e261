"""The limb's values for targets that depend on a posture: arms, lines, lengths, strengths."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, direction_named
from momentshare.validation.probe import Sight, average_person, sight

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.limb import Limb
    from momentshare.validation.probe import View
    from momentshare.validation.targets import Ask, Target

__all__ = ["average_person", "combined", "evaluate", "is_posture", "posture_values"]

_ELBOW = np.linspace(20.0, 120.0, 41)
_ELBOW_WIDE = np.linspace(5.0, 140.0, 55)
_ABDUCTION = np.linspace(5.0, 120.0, 24)
_PASSIVE_ELBOW = np.linspace(30.0, 120.0, 19)
_PASSIVE_ELEVATION = np.linspace(30.0, 90.0, 13)
_ROTATION = np.linspace(-75.0, 75.0, 11)
_BEYOND = ("press_", "push_up_", "contact_", "maximal_")
"""Prefixes of quantities that need more than a posture."""

_COMPONENT = {"anterior": 0, "superior": 1, "lateral": 2}


def is_posture(target: Target) -> bool:
    """Return whether a target depends on postures alone."""
    return not target.quantity.startswith(_BEYOND)


def combined(target: Target, values: Sequence[float]) -> float:
    """Combine the values of a target's quantities."""
    if target.combination == "difference":
        return values[0] - values[1]
    if target.combination == "ratio":
        return values[0] / values[1] if values[1] else float("nan")
    return sum(values) / len(values)


def evaluate(
    targets: Sequence[Target], person_limb: Callable[[str, str], Limb]
) -> NDArray[np.float64]:
    """Compute the limb's value of every target that depends on postures, in the target's unit.

    Parameters
    ----------
    targets : sequence of Target
    person_limb : callable
        ``person_limb(sex, scapula)`` returns the limb to test.

    Returns
    -------
    float array, shape (targets,)
        NaN for targets that need a whole task.
    """
    asks = [ask for t in targets if is_posture(t) for ask in t.asks]
    values = iter(posture_values(asks, person_limb))
    return np.array(
        [combined(t, [next(values) for _ in t.asks]) if is_posture(t) else np.nan for t in targets]
    )


def posture_values(asks: Sequence[Ask], person_limb: Callable[[str, str], Limb]) -> list[float]:
    """Compute every quantity; each limb gets all its postures at once."""
    sweeps = [_sweep(ask) for ask in asks]
    groups: dict[tuple[str, str], list[int]] = {}
    for i, ask in enumerate(asks):
        groups.setdefault((ask.sex, ask.scapula), []).append(i)
    values = [float("nan")] * len(asks)
    for (sex, scapula), members in groups.items():
        added = [asks[i].number("protraction_deg", 0.0) for i in members]
        seen = sight(
            person_limb(sex, scapula),
            np.concatenate([sweeps[i] for i in members]),
            np.repeat(added, [len(sweeps[i]) for i in members]) if any(added) else None,
        )
        start = 0
        for i in members:
            stop = start + len(sweeps[i])
            values[i] = _value(asks[i], _Look(seen, slice(start, stop), sweeps[i]))
            start = stop
    return values


class _Look:
    """One quantity's share of the postures of a limb."""

    def __init__(self, seen: Sight, part: slice, angles: NDArray[np.float64]) -> None:
        self.view: View = seen.part(part)
        self.angles = angles

    def heads(self, subjects: Sequence[str]) -> list[int]:
        """Return the indices of heads; the name of a muscle stands for all its heads."""
        names = self.view.names
        out: list[int] = []
        for subject in subjects:
            out += [i for i, n in enumerate(names) if subject in {n, n.split("/")[0]}]
        return out

    def arm(self, direction: str, subjects: Sequence[str]) -> NDArray[np.float64]:
        """Mean arm of some heads in one direction [m], shape (postures,)."""
        return np.asarray(self.signed(direction)[:, self.heads(subjects)].mean(axis=-1))

    def signed(self, direction: str) -> NDArray[np.float64]:
        """Arm of every head in one direction [m], shape (postures, heads)."""
        named = direction_named(direction)
        return np.asarray(named.sign * self.view.arms[:, ROWS.index(named.row)])

    def moments(self, direction: str, speed: float = 0.0) -> NDArray[np.float64]:
        """Active moment of each head [N·m]; ``speed`` along the direction [rad/s]."""
        arm = self.signed(direction)
        active = self.view.active_at(-arm * speed) if speed else self.view.active
        return np.asarray(np.maximum(arm, 0.0) * active)

    def strength(
        self, direction: str, speed: float = 0.0, only: Sequence[str] = ()
    ) -> NDArray[np.float64]:
        """Greatest braced moment [N·m], shape (postures,); ``only`` some heads, active."""
        if only:
            return np.asarray(self.moments(direction, speed)[:, self.heads(only)].sum(axis=-1))
        return np.asarray(self.moments(direction, speed).sum(axis=-1) + self.passive(direction))

    def passive(self, direction: str) -> NDArray[np.float64]:
        """Passive moment [N·m], shape (postures,)."""
        return np.asarray(np.sum(self.signed(direction) * self.view.passive, axis=-1))

    def mean_over(self, values: NDArray[np.float64], subjects: Sequence[str]) -> float:
        """Mean over postures and heads."""
        return float(values[:, self.heads(subjects)].mean())

    def line(self, subjects: Sequence[str]) -> NDArray[np.float64]:
        """Return the unit pull of some heads on the arm, scapula frame, first posture."""
        pull = self.view.pull[0, self.heads(subjects)].sum(axis=0)
        return np.asarray(self.view.scapula[0].T @ (pull / np.linalg.norm(pull)))


def _sweep(ask: Ask) -> NDArray[np.float64]:
    base = np.array(ask.angles)

    def sweep(column: int, values: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.tile(base, (len(values), 1))
        out[:, column] = values
        return out

    if ask.quantity in {"peak_moment_arm", "peak_angle"}:
        return sweep(3, _ELBOW_WIDE)
    if ask.quantity in {"mean_moment_arm", "elbow_excursion"}:
        return sweep(3, _ELBOW)
    if ask.quantity in {"peak_moment_arm_abduction", "mean_moment_arm_abduction"}:
        top = ask.number("to", 120.0)
        return sweep(1, _ABDUCTION[top >= _ABDUCTION])
    if ask.quantity == "passive_moment":
        elbow = ask.direction.startswith("elbow")
        return sweep(3, _PASSIVE_ELBOW) if elbow else sweep(1, _PASSIVE_ELEVATION)
    if ask.quantity == "fibre_range":
        low, high = sweep(2, _ROTATION), sweep(2, _ROTATION)
        low[:, 1], high[:, 1] = 5.0, 75.0
        return np.concatenate([low, high])
    return base[None, :]


def _value(ask: Ask, look: _Look) -> float:
    return _RULES[ask.quantity](ask, look)


def _speed(ask: Ask) -> float:
    return float(np.radians(ask.number("speed_deg_s", 0.0)))


def _arm_mean(ask: Ask, look: _Look) -> float:
    return 1000.0 * float(look.arm(ask.direction, ask.subjects).mean())


def _arm_peak(ask: Ask, look: _Look) -> float:
    return 1000.0 * float(look.arm(ask.direction, ask.subjects).max())


def _excursion(ask: Ask, look: _Look) -> float:
    (index,) = look.heads(ask.subjects)
    return float(np.ptp(look.view.length[:, index]) / look.view.optimal[index])


def _distance(ask: Ask, look: _Look) -> float:
    """Distance from a published unit force in the components that were read."""
    unit = look.line(ask.subjects)
    off = [
        unit[_COMPONENT[name.removeprefix("force_")]] - float(value) for name, value in ask.setting
    ]
    return float(np.linalg.norm(off))


def _rank(ask: Ask, look: _Look) -> float:
    """Rank of a muscle (or part of the deltoid) by its mean arm, 1 the largest.

    It stands among all muscles, or ``among`` those that the source measured. A muscle with several
    names joined by + counts as one, by the largest of them.
    """
    parts: dict[str, list[str]] = {}
    for name in look.view.names:
        muscle = name if name.startswith("deltoid") else name.split("/")[0]
        parts.setdefault(muscle, []).append(name)
    arms = {m: float(look.arm(ask.direction, heads)[0]) for m, heads in parts.items()}
    best = max(arms[s] for s in ask.subjects)
    rivals = set(ask.get("among").split("+") if ask.get("among") else arms) - set(ask.subjects)
    return 1.0 + sum(arms[m] > best for m in rivals)


def _share(ask: Ask, look: _Look) -> float:
    moments = look.moments(ask.direction)[0]
    among = ask.get("among")
    rest = look.heads(among.split("+")) if among else range(len(moments))
    return float(moments[look.heads(ask.subjects)].sum() / moments[list(rest)].sum())


def _strength(ask: Ask, look: _Look) -> float:
    only = ask.subjects if ask.subject else ()
    return float(look.strength(ask.direction, _speed(ask), only)[0])


def _passive_factor(ask: Ask, look: _Look) -> float:
    """Passive force over greatest isometric force; ``under`` and ``over`` turn it into a margin."""
    found = look.mean_over(look.view.passive / look.view.largest, ask.subjects)
    if ask.get("under"):
        return ask.number("under", 0.0) - found
    return found - ask.number("over", 0.0)


def _area(ask: Ask, look: _Look) -> float:
    area = look.view.volume / look.view.optimal
    return 1e4 * float(area[look.heads(ask.subjects)].sum())


def _peak_angle(ask: Ask, look: _Look) -> float:
    return float(look.angles[int(np.argmax(look.strength(ask.direction))), 3])


def _passive(ask: Ask, look: _Look) -> float:
    found = look.passive(ask.direction)
    return float(found[int(np.argmax(np.abs(found)))])


def _girdle(ask: Ask, look: _Look) -> float:
    """Y–X–Z angle of scapula or clavicle in the thorax [deg], in its anatomical sense."""
    bone, _, name = ask.direction.partition("_")
    r = (look.view.scapula if bone == "scapula" else look.view.clavicle)[0]
    angles = {
        "internal": np.arctan2(r[0, 2], r[2, 2]),
        "retraction": -np.arctan2(r[0, 2], r[2, 2]),
        "upward": np.arcsin(np.clip(r[1, 2], -1.0, 1.0)),
        "elevation": np.arcsin(np.clip(r[1, 2], -1.0, 1.0)),
        "posterior_tilt": np.arctan2(r[1, 0], r[1, 1]),
        "backward": np.arctan2(r[1, 0], r[1, 1]),
    }
    return float(np.degrees(angles[name]))


_RULES: dict[str, Callable[[Ask, _Look], float]] = {
    "moment_arm": _arm_mean,
    "mean_moment_arm": _arm_mean,
    "mean_moment_arm_abduction": _arm_mean,
    "peak_moment_arm": _arm_peak,
    "peak_moment_arm_abduction": _arm_peak,
    "elbow_excursion": _excursion,
    "line_of_action": lambda a, k: float(k.line(a.subjects)[_COMPONENT[a.direction]]),
    "line_direction": _distance,
    "rank": _rank,
    "strength": _strength,
    "peak_angle": _peak_angle,
    "passive_moment": _passive,
    "torque_share": _share,
    "fibre_length": lambda a, k: k.mean_over(k.view.fibre, a.subjects),
    "fibre_range": lambda a, k: float(np.ptp(k.view.fibre[:, k.heads(a.subjects)], axis=0).max()),
    "active_factor": lambda a, k: k.mean_over(k.view.active / k.view.largest, a.subjects),
    "passive_factor": _passive_factor,
    "pennation": lambda a, k: float(np.degrees(k.mean_over(k.view.pennation, a.subjects))),
    "path_length": lambda a, k: 1000.0 * k.mean_over(k.view.length, a.subjects),
    "pcsa": _area,
    "volume": lambda a, k: 1e6 * float(k.view.volume[k.heads(a.subjects)].sum()),
    "girdle": _girdle,
}
