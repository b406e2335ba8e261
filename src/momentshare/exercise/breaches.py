"""Joints of a lift that are beyond their limits, by name, frames and amount."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.lift import LimitBreach
from momentshare.exercise.reach import LOW_ELEVATION, shoulder_limits, shoulder_twist
from momentshare.exercise.wrist import bar_checks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.chain import Chain
    from momentshare.exercise.wrist import Check
    from momentshare.skeleton import Skeleton

__all__ = ["breaches_each", "breaches_in", "find_breaches"]

_ROUNDING = 1e-9
"""Angle beyond a limit that does not count as a breach [rad]."""


def breaches_in(
    checks: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64], int]],
    judged: NDArray[np.bool_],
) -> list[LimitBreach]:
    """Breaches among checks: quantity, value [rad], limit [rad], sign of a value beyond it."""
    found = []
    for quantity, value, limit, sign in checks:
        beyond = sign * (value - limit)
        frames = np.flatnonzero((beyond > _ROUNDING) & judged)
        if frames.size:
            worst = int(frames[np.argmax(beyond[frames])])
            found.append(
                LimitBreach(
                    quantity=quantity,
                    first_frame=int(frames[0]),
                    last_frame=int(frames[-1]),
                    frame=worst,
                    value=float(np.degrees(value[worst])),
                    limit=float(np.degrees(limit[worst])),
                    unit="deg",
                )
            )
    return found


def find_breaches(
    skeleton: Skeleton, chain: Chain, bar_axis: NDArray[np.float64] | None
) -> tuple[LimitBreach, ...]:
    """Name every joint of one lift beyond its limit; see :func:`breaches_each`."""
    return breaches_each(skeleton, np.zeros(1, dtype=np.intp), chain, bar_axis)[0]


def breaches_each(
    skeleton: Skeleton,
    limb: NDArray[np.intp],
    chain: Chain,
    bar_axis: NDArray[np.float64] | None,
) -> list[tuple[LimitBreach, ...]]:
    """Name every joint beyond its limit; with a bar, the wrist against its axis too.

    Those of the shoulder depend on each other (:mod:`momentshare.exercise.reach`).

    Parameters
    ----------
    skeleton : Skeleton
    limb : int array, shape (lifts,)
        Row of each lift's limb; zeros for a single limb.
    chain : Chain
        Frames lift by lift, equally many of each.
    bar_axis : float array, shape (3,), or None
        Outward along the bar.

    Returns
    -------
    list
        Breaches of each lift.
    """
    number = skeleton.model.number
    lifts = len(limb)
    frames = len(chain.gap) // lifts
    posture = chain.posture.reshape(lifts, frames)
    angles, reached = posture.angles(), (chain.gap == 0.0).reshape(lifts, frames)
    of_frame = np.repeat(limb[:, None], frames, axis=1)
    shoulder = shoulder_limits(skeleton, angles["elevation"], of_frame)
    even, twist = np.ones_like(angles["elevation"]), shoulder_twist(posture)
    checks: list[Check] = [
        ("elbow flexion", angles["elbow_flexion"], number("limit_elbow_flexion_min") * even, -1),
        ("elbow flexion", angles["elbow_flexion"], number("limit_elbow_flexion_max") * even, 1),
        ("shoulder elevation", angles["elevation"], shoulder["elevation"][1], 1),
        ("shoulder plane of elevation", angles["plane"], shoulder["plane"][0], -1),
        ("shoulder plane of elevation", angles["plane"], shoulder["plane"][1], 1),
        ("shoulder axial rotation", twist, shoulder["twist"][0], -1),
        ("shoulder axial rotation", twist, shoulder["twist"][1], 1),
        (
            "forearm rotation",
            angles["forearm_rotation"],
            number("limit_forearm_rotation_min") * even,
            -1,
        ),
        (
            "forearm rotation",
            angles["forearm_rotation"],
            number("limit_forearm_rotation_max") * even,
            1,
        ),
    ]
    if bar_axis is not None:
        forearm = chain.forearm.reshape(lifts, frames, 3)
        checks += bar_checks(forearm, bar_axis, reached, skeleton.model)
    raised = reached & (angles["elevation"] >= LOW_ELEVATION)
    out: list[list[LimitBreach]] = [[] for _ in range(lifts)]
    for check in checks:
        quantity, value, limit, sign = check
        judged = raised if quantity.startswith("shoulder plane") else reached
        beyond = ((sign * (value - limit) > _ROUNDING) & judged).any(axis=1)
        for row in np.flatnonzero(beyond):
            out[row] += breaches_in([(quantity, value[row], limit[row], sign)], judged[row])
    gap = chain.gap.reshape(lifts, frames)
    for row in np.flatnonzero(~reached.all(axis=1)):
        out[row].append(_out_of_reach(gap[row]))
    return [tuple(found) for found in out]


def _out_of_reach(gap: NDArray[np.float64]) -> LimitBreach:
    frames = np.flatnonzero(gap != 0.0)
    worst = int(frames[np.argmax(gap[frames])])
    return LimitBreach(
        quantity="reach of the hand",
        first_frame=int(frames[0]),
        last_frame=int(frames[-1]),
        frame=worst,
        value=float(gap[worst]),
        limit=0.0,
        unit="m",
    )
