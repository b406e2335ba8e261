"""What a page needs for every press: arms, capacities, moments, and points to draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explore.drawing import drawn_points
from momentshare.explore.grid import HEIGHTS
from momentshare.runs.block import make_blocks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.analysis import Prepared
    from momentshare.balance import Balance
    from momentshare.exercise import Lift
    from momentshare.explore.grid import Press
    from momentshare.limb import Limb

    Floats = NDArray[np.float64]

__all__ = ["SAME", "PressTables", "press_tables"]

SAME = 1e-9
"""Difference of moment arms [m] up to which two presses share a geometry."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PressTables:
    """Arrays of all presses that have a lift; thorax frame, SI.

    What depends on the posture alone is in ``geometry`` (first axis geometries, then heights), what
    depends on the load in ``task`` (first axis presses). A press and a push-up with the same
    postures share a geometry.

    Attributes
    ----------
    presses : tuple of Press
        Those that have a lift.
    geometry_of : tuple of int
        Geometry of each press.
    geometry : dict
        ``arms`` (.., rows, heads) [m], ``capacity``, ``passive`` (.., heads) [N], ``fibre``
        fibre length over the peak fibre length, ``lines`` (.., heads, 3) force on the arm for a
        newton, ``glenoid`` (.., 3, 3) rows forward, upward and outward, and the points of a
        drawing.
    task : dict
        ``fixed`` moments of the arm (.., rows) [N·m]; ``each`` those of a kilogram in both hands
        together; ``base`` kilograms on the hands without any load (a push-up's share of the body);
        ``lever`` moments of one newton of outward push; ``vertical`` force of one hand for each
        kilogram [N/kg]; ``across`` and ``across_each`` net force across the shoulder of arm and
        kilogram; ``friction`` greatest push over vertical force; ``up`` and
        ``outward`` directions; ``reached``.
    path_sizes : tuple of int
        Number of points drawn per path, in the order of the heads.
    """

    presses: tuple[Press, ...]
    geometry_of: tuple[int, ...]
    geometry: dict[str, Floats]
    task: dict[str, Floats]
    path_sizes: tuple[int, ...]


def press_tables(limbs: Limb, presses: Sequence[Press]) -> PressTables:
    """Compute the arrays of all presses that have a lift.

    Parameters
    ----------
    limbs : Limb
        One per person.
    presses : sequence of Press
    """
    posed = [press for press in presses if press.lift is not None]
    lifts = [press.lift for press in posed if press.lift is not None]
    found: list[tuple[dict[str, Floats], dict[str, Floats]] | None] = [None] * len(posed)
    for block in make_blocks(limbs, lifts, [press.person for press in posed]):
        for place, number in enumerate(block.numbers):
            found[number] = _one(block.part(place), lifts[number])
    parts = [part for part in found if part is not None]
    kept: list[int] = []
    geometry_of: list[int] = []
    at_node: dict[tuple[int, tuple[int, int, int]], int] = {}
    for number, press in enumerate(posed):
        same = at_node.get((press.person, press.node)) if press.node else None
        if same is not None and _agree(parts[kept[same]][0], parts[number][0]):
            geometry_of.append(same)
            continue
        geometry_of.append(len(kept))
        if press.node and press.kind == "press":
            at_node[press.person, press.node] = len(kept)
        kept.append(number)
    geometry = {name: np.stack([parts[number][0][name] for number in kept]) for name in parts[0][0]}
    drawn, sizes = drawn_points(limbs, [posed[k] for k in kept])
    return PressTables(
        presses=tuple(posed),
        geometry_of=tuple(geometry_of),
        geometry=geometry | drawn,
        task={name: np.stack([part[1][name] for part in parts]) for name in parts[0][1]},
        path_sizes=sizes,
    )


def _agree(one: dict[str, Floats], other: dict[str, Floats]) -> bool:
    """Whether two geometries are the same wherever both are within reach."""
    with np.errstate(invalid="ignore"):
        return bool(np.nanmax(np.abs(one["arms"] - other["arms"]), initial=0.0) < SAME)


def _one(prepared: Prepared, lift: Lift) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Geometry and task of one press."""
    balance = prepared.balance(glenoid=True)
    need, held, load = prepared.demand, balance.glenoid, balance.load
    assert held is not None  # noqa: S101 - asked for
    assert load is not None  # noqa: S101 - a lift has one
    base, part = _on_the_hands(lift)

    def of(vectors: Floats) -> Floats:
        return np.broadcast_to(vectors, (HEIGHTS, 3))

    geometry = {
        "arms": balance.arms,
        "capacity": balance.capacity,
        "passive": balance.passive,
        "fibre": prepared.state.fibre_length_normalised,
        "lines": held.lines,
        "glenoid": held.frame,
    }
    task = {
        "fixed": load.fixed,
        "each": load.each / part[:, None],
        "base": base,
        "lever": balance.lever,
        "vertical": load.vertical / part,
        "friction": _friction(balance),
        "across": need.joint_force_limb,
        "across_each": 0.5 * need.joint_force_load / part[:, None],
        "up": of(lift.up),
        "outward": of(lift.lateral_axis),
        "reached": lift.reachable.astype(float),
    }
    return geometry, {name: np.nan_to_num(values) for name, values in task.items()}


def _friction(balance: Balance) -> Floats:
    """Greatest outward push over the vertical force that the hands can hold; 9 means no bound."""
    bound = np.inf if balance.friction is None else balance.friction
    return np.broadcast_to(np.minimum(bound, 9.0), (HEIGHTS,))


def _on_the_hands(lift: Lift) -> tuple[Floats, Floats]:
    """Kilograms on the hands without any load, and per kilogram of ``load_mass``.

    In a push-up ``load_mass`` is half the body and everything it carries, of which the hands bear a
    part; what is carried counts in full. Elsewhere only the load is on the hands.
    """
    if lift.load_force is None or lift.push_axis is None:
        return np.zeros(HEIGHTS), np.ones(HEIGHTS)
    up = np.broadcast_to(lift.up, (HEIGHTS, 3))
    push = np.broadcast_to(lift.push_axis, (HEIGHTS, 3))
    if not np.allclose(push, -up):
        return np.zeros(HEIGHTS), np.ones(HEIGHTS)
    from momentshare.units import GRAVITY

    part = np.einsum("fk,fk->f", lift.load_force, up) / GRAVITY
    return 2.0 * part * np.asarray(lift.load_mass), part
