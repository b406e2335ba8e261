"""Changes of the net moments from another way of locating trunk, joint centre or grip."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import BALANCED
from momentshare.errors import InputError
from momentshare.exercise.demand import demand
from momentshare.trial.motion.ways import Ways, possible_ways

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.lift import MeasuredLift
    from momentshare.trial.motion.track import ArmTrack
    from momentshare.trial.recording import Recording

__all__ = ["STEEPER", "OtherWay", "net_moments", "other_ways"]

STEEPER = "steeper"
"""Name of the trunk with a sternum that slopes by its spread more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherWay:
    """Change of one moment row over the repetitions of a trial, other way less the way used.

    ``mean_change`` and ``rms_change`` in N·m; NaN if the other way gives no answer, which ``note``
    explains.
    """

    place: str
    way: str
    other: str
    row: str
    mean_change: float
    rms_change: float
    note: str = ""


def net_moments(skeleton: Skeleton, measured: MeasuredLift) -> NDArray[np.float64]:
    """Net moments of a repetition with its measured push along the bar, shape (frames, rows) [N·m].

    Rows are those that are always balanced; no push where it was not measured.
    """
    need = demand(skeleton, measured.lift)
    ratio = 0.0 if measured.lateral is None else np.asarray(measured.lateral.ratio)
    return need.moments(ratio * need.hand_force())[:, : len(BALANCED)]


def other_ways(
    recording: Recording,
    track: ArmTrack,
    skeleton: Skeleton,
    ways: Ways,
    own: Sequence[MeasuredLift],
    again: Callable[..., Sequence[MeasuredLift]],
    *,
    slope_spread: float = 0.0,
) -> tuple[OtherWay, ...]:
    """Locate one thing at a time another way and compare the moments with those of the trial.

    Where the trunk rests on a slope of the sternum that was not measured, a slope steeper by its
    spread counts as another way. Net moments are those of the arm, whatever its joint rests on, so
    the girdle is neither varied nor sought again.

    Parameters
    ----------
    recording : Recording
        As it was tracked.
    track : ArmTrack
    skeleton : Skeleton
    ways : Ways
        As requested.
    own : sequence of MeasuredLift
        Repetitions as used.
    again : callable
        Returns the same repetitions for other ways and, with ``steeper``, another slope [rad].
    slope_spread : float
        Spread of the slope on which the trunk rests [rad]; 0 where a static trial tells it.
    """
    if not own or not track.placed:
        return ()
    base = np.concatenate([net_moments(skeleton, item) for item in own])
    found = []
    for place, known in possible_ways(recording).items():
        if place == "girdle":
            continue
        way = track.placed[place].way
        others = [(other, 0.0) for other in known if other != way]
        if place == "trunk" and slope_spread > 0.0:
            others.append((STEEPER, slope_spread))
        for other, steeper in others:
            note, change = "", np.full_like(base, np.nan)
            varied = {} if steeper else {place: other}
            turned = Ways(**{**asdict(ways), "girdle": "condition", **varied})
            try:
                lifts = again(turned, steeper=steeper)
                change = np.concatenate([net_moments(skeleton, item) for item in lifts]) - base
            except InputError as err:
                note = str(err)
            found += [
                OtherWay(
                    place=place,
                    way=way,
                    other=other,
                    row=row,
                    mean_change=float(np.mean(change[:, k])),
                    rms_change=float(np.sqrt(np.mean(change[:, k] ** 2))),
                    note=note,
                )
                for k, row in enumerate(BALANCED)
            ]
    return tuple(found)
