"""Capacity of the heads of a linkage, from their fibres or from tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.linkage.lines import linkage_paths, table_values
from momentshare.linkage.pose import place_bodies
from momentshare.muscle import curve_set, head_state
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.linkage.lines import LinkagePaths
    from momentshare.linkage.schema import Linkage, LinkageHead
    from momentshare.muscle.curves import CurveName

    Floats = NDArray[np.float64]

__all__ = ["LONGEST_FIBRE", "Fibres", "linkage_fibres"]

LONGEST_FIBRE = 3.0
"""Peak fibre lengths beyond which a number of the head is taken for wrong; assumed. Filaments of a
sarcomere no longer overlap well before that, and passive force means nothing."""

_USUAL_SPEED = 10.0
"""Greatest shortening speed where a head has none [peak fibre lengths a second]; an assumption,
that of :func:`momentshare.muscle.head_state`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fibres(ReadOnly):
    """What the heads can give in every frame.

    Attributes
    ----------
    capacity, passive : float array, shape (frames, heads)
        Greatest active force here, and passive force, along the tendon [N].
    fibre_length, fibre_velocity : float array, shape (frames, heads)
        Over peak fibre length and greatest shortening speed; NaN for a head whose forces come from
        a table.
    slack : bool array, shape (frames, heads)
        The path is no longer than the slack tendon, so that the head cannot pull.
    greatest : float array, shape (heads,)
        Greatest isometric force [N]; NaN where it is not known.
    volume : float array, shape (heads,)
        [m³], or greatest isometric force times peak fibre length [N·m] throughout where not all
        volumes are given; NaN where neither is known.
    """

    capacity: Floats
    passive: Floats
    fibre_length: Floats
    fibre_velocity: Floats
    slack: NDArray[np.bool_]
    greatest: Floats
    volume: Floats

    __repr__ = brief


def linkage_fibres(
    linkage: Linkage, angles: Floats, found: LinkagePaths, *, moving: bool, curves: CurveName
) -> Fibres:
    """Compute the capacity of every head.

    Parameters
    ----------
    linkage : Linkage
    angles : float array, shape (frames, rows)
        [rad]; NaN gives NaN.
    found : LinkagePaths
    moving : bool
        Whether speeds count.
    curves : str
        Name of a set of curves.

    Raises
    ------
    InputError
        A fibre is longer than :data:`LONGEST_FIBRE`.
    """
    shape = found.length.shape
    capacity, passive = np.zeros(shape), np.zeros(shape)
    length, velocity = np.full(shape, np.nan), np.full(shape, np.nan)
    slack = np.zeros(shape, dtype=bool)
    greatest = np.array([_greatest(head) for head in linkage.heads])
    plain = []
    for h, head in enumerate(linkage.heads):
        if head.capacity is None:
            plain.append(h)
            continue
        k = linkage.row_names.index(head.capacity.row)
        angle = np.where(np.isfinite(angles[:, k]), angles[:, k], head.capacity.angles[0])
        capacity[:, h] = table_values(head, head.capacity, angle)[0]
    if plain:
        heads = [linkage.heads[h] for h in plain]
        optimal = np.array([head.value("peak_fibre_length") for head in heads])
        pennation = np.array([head.value("pennation", 0.0) for head in heads])
        tendon = _slack_lengths(linkage, plain, optimal, pennation)
        # A table gives changes of length only, so its tendon may count as less than nothing.
        state = head_state(
            found.length[:, plain] - np.minimum(tendon, 0.0),
            found.velocity[:, plain] if moving else None,
            peak_fibre_length=optimal,
            slack_length=np.maximum(tendon, 0.0),
            pennation=pennation,
            greatest_isometric_force=greatest[plain],
            greatest_shortening_speed=[
                head.value("greatest_shortening_speed", _USUAL_SPEED) for head in heads
            ],
            curves=curve_set(curves),
        )
        capacity[:, plain], passive[:, plain] = state.active_capacity, state.passive_force
        length[:, plain] = state.fibre_length_normalised
        velocity[:, plain] = state.fibre_velocity_normalised
        slack[:, plain] = state.slack
        _require_plausible(linkage, length)
    return Fibres(
        capacity=capacity,
        passive=passive,
        fibre_length=length,
        fibre_velocity=velocity,
        slack=slack,
        greatest=greatest,
        volume=_volumes(linkage, greatest),
    )


def _require_plausible(linkage: Linkage, length: Floats) -> None:
    """Refuse fibres that are so long that a number of their head must be wrong."""
    longest = np.nan_to_num(length, nan=0.0)
    frame, h = np.unravel_index(int(np.argmax(longest)), length.shape)
    if longest[frame, h] > LONGEST_FIBRE:
        raise InputError(
            f"head {linkage.heads[h].name!r}: its fibres are {longest[frame, h]:.3g} peak fibre "
            f"lengths long in frame {frame}, more than {LONGEST_FIBRE:g}; check units and values "
            "of its peak_fibre_length and slack_length in heads.csv"
        )


def _greatest(head: LinkageHead) -> float:
    """Greatest isometric force [N]; volume over fibre length times specific tension."""
    given = head.value("greatest_isometric_force")
    if np.isfinite(given):
        return given
    area = head.value("volume") / head.value("peak_fibre_length")
    return area * head.value("specific_tension")


def _volumes(linkage: Linkage, greatest: Floats) -> Floats:
    given = np.array([head.value("volume") for head in linkage.heads])
    if np.isfinite(given).all():
        return given
    optimal = np.array([head.value("peak_fibre_length") for head in linkage.heads])
    return np.asarray(greatest * optimal)


def _slack_lengths(
    linkage: Linkage, plain: list[int], optimal: Floats, pennation: Floats
) -> Floats:
    """Length of the slack tendon of every head [m].

    A head whose normalised fibre length is known in a posture has the rest of its path there:
    path - √(fibre² - thickness²), the thickness being that of its fibres at peak length.
    """
    out = np.array([linkage.heads[h].value("slack_length") for h in plain])
    known = sorted({linkage.heads[h].reference_posture for h in plain} - {""})
    if not known:
        return out
    rows = linkage.row_names
    angles = np.array([[linkage.postures[p].get(row, 0.0) for row in rows] for p in known])
    path = linkage_paths(linkage, place_bodies(linkage, angles), angles).length
    for i, h in enumerate(plain):
        head = linkage.heads[h]
        if not head.reference_posture:
            continue
        fibre = head.value(f"fibre_length_{head.reference_posture}") * optimal[i]
        thickness = optimal[i] * np.sin(pennation[i])
        span = np.sqrt(max(fibre**2 - thickness**2, 0.0))
        out[i] = path[known.index(head.reference_posture), h] - span
    return out
