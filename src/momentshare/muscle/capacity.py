"""What a muscle head can produce at a given path length and velocity.

A head is a fibre at an angle to a tendon in series (Hill type)::

    |<------------------- path_length ------------------->|
    o----------- tendon ----------.
                                   '- . _  fibre length l
                                     α    ' - . _
                                  |<---- s ------->o        s = l cos α

The thickness ``l sin α`` stays constant, so the pennation α grows as the fibre shortens.
Forces are along the tendon and pull: never negative. Velocities are negative in shortening.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import ShapeError
from momentshare.muscle.curves import DeGrooteCurves
from momentshare.results import ReadOnly

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from momentshare.muscle.curves import CurveSet

__all__ = ["LARGEST_PENNATION", "SHORTEST_FIBRE", "HeadState", "head_state"]

SHORTEST_FIBRE = 0.2
"""Normalised fibre length below which a fibre is not followed; assumed."""

LARGEST_PENNATION = float(np.arccos(0.1))
"""Pennation beyond which a fibre is not followed [rad] (84.3°); assumed."""

_ITERATIONS = 100

_BLOCK = 16_384
"""Elements computed at a time: what is worked with then stays within a core's cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class HeadState(ReadOnly):
    """Lengths, factors and forces of muscle heads; arrays of shape (..., heads), read-only.

    Attributes
    ----------
    fibre_length : float array
        [m]; never below the floor described in :func:`head_state`.
    fibre_length_normalised : float array
        Fibre length / peak fibre length.
    fibre_velocity_normalised : float array
        Fibre velocity over ``greatest_shortening_speed``; shortening negative.
    pennation : float array
        Angle between fibre and tendon [rad].
    tendon_length : float array
        [m]; the slack length for a rigid tendon. Where ``floored``, the remainder of the path.
    length_factor, velocity_factor : float array
        Active force-length and force-velocity factor.
    active_capacity : float array
        Greatest active force here, along the tendon [N]: ``F_max · length_factor ·
        velocity_factor · cos α``.
    passive_force : float array
        Passive force along the tendon [N]: ``F_max · k · passive factor · cos α``.
    slack : bool array
        The path is no longer than the slack tendon: the head cannot pull.
    floored : bool array
        The fibre would be shorter than the floor and was set to it; includes ``slack``.
    """

    fibre_length: NDArray[np.float64]
    fibre_length_normalised: NDArray[np.float64]
    fibre_velocity_normalised: NDArray[np.float64]
    pennation: NDArray[np.float64]
    tendon_length: NDArray[np.float64]
    length_factor: NDArray[np.float64]
    velocity_factor: NDArray[np.float64]
    active_capacity: NDArray[np.float64]
    passive_force: NDArray[np.float64]
    slack: NDArray[np.bool_]
    floored: NDArray[np.bool_]

    def __repr__(self) -> str:
        return (
            f"HeadState(shape={self.fibre_length.shape}, "
            f"slack={np.count_nonzero(self.slack)}, floored={np.count_nonzero(self.floored)})"
        )


def _require(argument: str, value: NDArray[np.float64], ok: NDArray[np.bool_], wanted: str) -> None:
    if not np.all(ok):
        first = value[~ok].flat[0]
        raise ShapeError(argument, wanted, f"{first:g}", "check unit and sign of this head")


def head_state(
    path_length: ArrayLike,
    path_velocity: ArrayLike | None,
    *,
    peak_fibre_length: ArrayLike,
    slack_length: ArrayLike,
    pennation: ArrayLike,
    greatest_isometric_force: ArrayLike,
    greatest_shortening_speed: ArrayLike = 10.0,
    passive_share: ArrayLike = 1.0,
    curves: CurveSet | None = None,
    elastic_tendon: bool = False,
    passive: bool = True,
) -> HeadState:
    """Fibre state, greatest active force and passive force of each head.

    Pennation keeps the thickness: ``l_opt sin α_opt = l sin α``. With a rigid tendon the
    fibre spans ``s = l cos α = path_length - slack_length`` along the tendon. With an
    elastic one s balances fibre and tendon at full activation and no fibre motion::

        (f_active(l) + k f_passive(l)) cos α = f_tendon((path_length - s) / slack_length)

    Parameters
    ----------
    path_length : float array, shape (..., heads)
        Length of the path from origin to insertion [m].
    path_velocity : float array, shape (..., heads), or None
        Its rate of change [m/s], shortening negative. None means exactly isometric:
        the velocity factor is then exactly 1, whereas an array of zeros gives the value of
        the curve at rest (1.0023 for De Groote et al. 2016).
    peak_fibre_length : float array, shape (heads,)
        [m], positive.
    slack_length : float array, shape (heads,)
        [m], not negative; positive if the tendon is elastic.
    pennation : float array, shape (heads,)
        [rad], from 0 to below :data:`LARGEST_PENNATION`.
    greatest_isometric_force : float array, shape (heads,)
        Along the fibre, at peak fibre length [N], not negative.
    greatest_shortening_speed : float array, shape (heads,)
        Maximal shortening velocity [peak fibre lengths a second], positive.
    passive_share : float array, shape (heads,)
        k above: force on which the passive curve counts over the greatest isometric force, not
        negative.
    curves : CurveSet, optional
        The curves; :class:`DeGrooteCurves` if not given.
    elastic_tendon : bool
        Balance the tendon at full activation instead of holding it at slack length.
    passive : bool
        Whether the fibre resists stretch; if not, the passive force is zero and is left out
        of the balance with the tendon.

    Returns
    -------
    HeadState

    Raises
    ------
    ShapeError
        If shapes do not broadcast or a parameter is out of its range.

    Notes
    -----
    The fibre is not followed below ``max(0.2 l_opt, l_opt sin α_opt / sin(84.3°))``, where
    the active curve and the cosine have all but vanished. Shorter fibres are set to that
    length and flagged.

    The fibre velocity is ``cos α · path_velocity``, which is exact for a rigid tendon. For an
    elastic tendon it neglects that the tendon itself changes length, and the balance takes
    the fibre as fully active and at rest: lengths and capacities are those of a maximal
    effort held still, an approximation for submaximal or fast efforts. If a very compliant
    tendon allows several balances, one of them is returned. Where ``floored``, there is no
    balance above the floor.

    References
    ----------
    Hill-type elements in series at constant thickness: Zajac FE 1989, Crit Rev Biomed Eng
    17:359-411 (from memory).

    Examples
    --------
    >>> state = head_state(
    ...     [0.30], None, peak_fibre_length=[0.10], slack_length=[0.20],
    ...     pennation=[0.0], greatest_isometric_force=[1000.0],
    ... )
    >>> state.active_capacity.round(1)
    array([994.1])
    """
    chosen: CurveSet = DeGrooteCurves() if curves is None else curves
    given = {
        "path_length": path_length,
        "path_velocity": 0.0 if path_velocity is None else path_velocity,
        "peak_fibre_length": peak_fibre_length,
        "slack_length": slack_length,
        "pennation": pennation,
        "greatest_isometric_force": greatest_isometric_force,
        "greatest_shortening_speed": greatest_shortening_speed,
        "passive_share": passive_share,
    }
    arrays = {name: np.asarray(value, dtype=np.float64) for name, value in given.items()}
    optimal, slack_length = arrays["peak_fibre_length"], arrays["slack_length"]
    tilt, strength = arrays["pennation"], arrays["greatest_isometric_force"]
    fastest = arrays["greatest_shortening_speed"]
    _require("peak_fibre_length", optimal, optimal > 0.0, "positive lengths [m]")
    _require(
        "greatest_shortening_speed",
        fastest,
        fastest > 0.0,
        "positive [peak fibre lengths a second]",
    )
    _require("greatest_isometric_force", strength, strength >= 0.0, "forces of 0 or more [N]")
    share = arrays["passive_share"]
    _require("passive_share", share, share >= 0.0, "0 or more")
    _require(
        "pennation",
        tilt,
        (tilt >= 0.0) & (tilt < LARGEST_PENNATION),
        f"angles from 0 to {LARGEST_PENNATION:.3f} rad",
    )
    if elastic_tendon:
        _require(
            "slack_length",
            slack_length,
            slack_length > 0.0,
            "positive lengths [m] with elastic_tendon=True",
        )
    else:
        _require("slack_length", slack_length, slack_length >= 0.0, "0 or more [m]")
    try:
        shape = np.broadcast_shapes(*(array.shape for array in arrays.values()))
    except ValueError as error:
        got = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        raise ShapeError(
            "head_state", "shapes (..., heads) and (heads,)", got, "heads go on the last axis"
        ) from error

    ways = (chosen, path_velocity is None, elastic_tendon, passive)
    step = max(1, _BLOCK // max(1, int(np.prod(shape[1:]))))
    if len(shape) < 2 or shape[0] <= step:
        return HeadState(**_states(arrays, *ways))
    whole: dict[str, NDArray[Any]] = {}
    for start in range(0, shape[0], step):
        rows = slice(start, start + step)
        own = {
            name: array[rows] if array.ndim == len(shape) and len(array) == shape[0] else array
            for name, array in arrays.items()
        }
        for name, array in _states(own, *ways).items():
            if start == 0:
                whole[name] = np.empty(shape, dtype=array.dtype)
            whole[name][rows] = array
    return HeadState(**whole)


def _states(
    arrays: dict[str, NDArray[np.float64]],
    chosen: CurveSet,
    still: bool,
    elastic: bool,
    passive: bool,
) -> dict[str, NDArray[Any]]:
    """Fields of :class:`HeadState` for checked arguments of :func:`head_state`."""
    shape = np.broadcast_shapes(*(array.shape for array in arrays.values()))
    optimal, slack_length = arrays["peak_fibre_length"], arrays["slack_length"]
    tilt, strength = arrays["pennation"], arrays["greatest_isometric_force"]
    fastest, share = arrays["greatest_shortening_speed"], arrays["passive_share"]
    length = np.broadcast_to(arrays["path_length"], shape)
    thickness = optimal * np.sin(tilt)
    shortest = np.maximum(SHORTEST_FIBRE * optimal, thickness / np.sin(LARGEST_PENNATION))
    floor = np.broadcast_to(np.sqrt((shortest - thickness) * (shortest + thickness)), shape)
    span = length - slack_length
    slack = span <= 0.0
    if elastic:
        span, floored = _balanced_span(
            length, floor, thickness, optimal, slack_length, chosen, share if passive else None
        )
    else:
        floored = span < floor
    along = np.where(floored, floor, span) if floored.any() else span
    fibre = np.hypot(along, thickness)
    cosine = along / fibre
    normalised = fibre / optimal
    length_factor = chosen.active_force_length(normalised)
    active_capacity = strength * length_factor
    if still:
        speed, velocity_factor = 0.0 * cosine, np.ones(shape)
    else:
        speed = cosine * arrays["path_velocity"] / (optimal * fastest)
        velocity_factor = chosen.force_velocity(speed)
        active_capacity = active_capacity * velocity_factor
    resist = chosen.passive_force_length(normalised) if passive else np.zeros(shape)
    if elastic or floored.any():
        tendon = length - along
        tendon = tendon if elastic else np.where(floored, tendon, slack_length)
    else:
        tendon = np.array(np.broadcast_to(slack_length, shape))
    return {
        "fibre_length": fibre,
        "fibre_length_normalised": normalised,
        "fibre_velocity_normalised": speed,
        "pennation": np.arctan2(np.broadcast_to(thickness, shape), along),
        "tendon_length": tendon,
        "length_factor": length_factor,
        "velocity_factor": velocity_factor,
        "active_capacity": active_capacity * cosine,
        "passive_force": strength * share * resist * cosine,
        "slack": slack,
        "floored": floored | slack,
    }


def _balanced_span(
    length: NDArray[np.float64],
    floor: NDArray[np.float64],
    thickness: NDArray[np.float64],
    optimal: NDArray[np.float64],
    slack_length: NDArray[np.float64],
    curves: CurveSet,
    passive: NDArray[np.float64] | None,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the fibre span along the tendon that balances the tendon, and where none does.

    Newton steps on ``fibre force - tendon force``, kept within a bracket that starts as
    [floor, length - slack_length]: at its upper end the tendon is slack and the difference
    is positive. A step that leaves the bracket, or is more than half as long as the one before,
    is replaced by halving the bracket.
    """
    low, high = floor.copy(), np.maximum(length - slack_length, floor)
    span = high.copy()

    def excess(s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        fibre = np.hypot(s, thickness)
        cosine, sine = s / fibre, thickness / fibre
        x, stretch = fibre / optimal, (length - s) / slack_length
        force, slope = curves.active_force_length(x), curves.active_force_length_slope(x)
        if passive is not None:
            force = force + passive * curves.passive_force_length(x)
            slope = slope + passive * curves.passive_force_length_slope(x)
        value = force * cosine - curves.tendon_force_length(stretch)
        rate = (
            slope * cosine**2 / optimal
            + force * sine**2 / fibre
            + curves.tendon_force_length_slope(stretch) / slack_length
        )
        return value, rate

    close_enough = 8.0 * np.finfo(np.float64).eps * np.abs(length)
    last = high - low
    settled = np.zeros(span.shape, dtype=bool)
    # Far up its exponential the tendon force may overflow; halving leads back from there.
    with np.errstate(over="ignore", invalid="ignore"):
        floored = excess(low)[0] >= 0.0
        for _ in range(_ITERATIONS):
            value, rate = excess(span)
            high = np.where(value > 0.0, span, high)
            low = np.where(value < 0.0, span, low)
            step = -value / np.where((rate > 0.0) & (rate < np.inf), rate, np.nan)
            newton = (
                (span + step >= low) & (span + step <= high) & (np.abs(step) <= 0.5 * np.abs(last))
            )
            step = np.where(newton, step, 0.5 * (low + high) - span)
            step = np.where(settled | (value == 0.0), 0.0, step)
            span, last = span + step, step
            settled |= np.abs(step) <= close_enough
            if np.all(settled | np.isnan(length)):
                break
    return span, floored
