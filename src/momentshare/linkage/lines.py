"""Length of every head, and its moment about every joint for a pull of one newton.

Heads with paths run over sites and round surfaces as those of the reference limb do
(:func:`momentshare.paths.tracing.trace_line`). A head with a table of arms has no place in space:
its arm follows from the angle of the row, and its length changes by the integral of the arms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from momentshare.errors import InputError
from momentshare.geometry.rotation import cross, dot, norm
from momentshare.paths.tracing import trace_line
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.linkage.pose import LinkagePoses
    from momentshare.linkage.schema import AngleTable, Linkage, LinkageHead

    Floats = NDArray[np.float64]

__all__ = ["LinkagePaths", "linkage_paths", "table_values"]

_ROUNDING = 1e-9
"""Angle beyond the end of a table that counts as its end [rad]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkagePaths(ReadOnly):
    """Path geometry of every head of a linkage.

    Attributes
    ----------
    length : float array, shape (frames, heads)
        [m]; of a head with tables the change from where all angles are zero.
    velocity : float array, shape (frames, heads)
        Its rate of change [m/s], lengthening positive.
    moment_arms : float array, shape (frames, rows, heads)
        Moment about the axis of each row for a pull of one newton [m]; at a hinge and a pair it
        is -∂(length)/∂(angle).
    pull : float array, shape (frames, joints, heads, 3)
        Force on what lies beyond each joint for a pull of one newton, ground frame; NaN for a head
        with tables that has an arm there.
    contact, inside : bool array, shape (frames, heads)
        Whether any line touches a surface; whether a point lies within its surface.
    """

    length: Floats
    velocity: Floats
    moment_arms: Floats
    pull: Floats
    contact: NDArray[np.bool_]
    inside: NDArray[np.bool_]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """Sites and surfaces as the tracing of a line asks for them."""

    model: Linkage
    site: Mapping[str, Floats]
    centre: Mapping[str, Floats]
    radius: Mapping[str, Floats]

    @classmethod
    def of(cls, linkage: Linkage) -> _Placed:
        surfaces = linkage.surfaces.items()
        return cls(
            model=linkage,
            site={name: np.array(site.position) for name, site in linkage.sites.items()},
            centre={name: np.array(surface.centre) for name, surface in surfaces},
            radius={name: np.array(surface.radius) for name, surface in surfaces},
        )


def linkage_paths(
    linkage: Linkage, poses: LinkagePoses, angles: Floats, rates: Floats | None = None
) -> LinkagePaths:
    """Trace every head in every frame.

    Parameters
    ----------
    linkage : Linkage
    poses : LinkagePoses
        Of the same angles and rates.
    angles : float array, shape (frames, rows)
        [rad].
    rates : float array, shape (frames, rows), optional
        [rad/s]; zero where not given.

    Raises
    ------
    InputError
        An angle lies beyond the table of a head, naming head, row, frame and range.
    """
    frames, joints = len(angles), len(linkage.joints)
    shape = (frames, len(linkage.heads))
    rates = np.zeros_like(angles) if rates is None else rates
    length, velocity = np.zeros(shape), np.zeros(shape)
    arms = np.zeros((frames, len(linkage.rows), shape[1]))
    pull = np.zeros((frames, joints, shape[1], 3))
    contact, inside = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    placed = _Placed.of(linkage)
    turns = [poses.spin[joint.body] - poses.spin[joint.parent] for joint in linkage.joints]
    for h, head in enumerate(linkage.heads):
        if head.arms:
            for table in head.arms:
                k = linkage.row_names.index(table.row)
                arm, change = table_values(head, table, angles[:, k])
                arms[:, k, h] = arm
                length[:, h] -= change
                velocity[:, h] -= arm * rates[:, k]
                j = [joint.name for joint in linkage.joints].index(linkage.rows[k].joint)
                pull[:, j, h] = np.nan
            continue
        for line in head.lines:
            run = trace_line(placed, poses, line, (frames,))
            moments = np.zeros((frames, joints, 3))
            length[:, h] += run.arc / len(head.lines)
            for a, b, near, far in zip(
                run.points, run.points[1:], run.bodies, run.bodies[1:], strict=False
            ):
                size = norm(b - a)
                length[:, h] += size / len(head.lines)
                if near == far:
                    continue
                along = (b - a) / np.where(size > 0.0, size, 1.0)[:, None] / len(head.lines)
                for j, joint in enumerate(linkage.joints):
                    beyond = linkage.beyond(joint)
                    if sign := (near in beyond) - (far in beyond):
                        pull[:, j, h] += sign * along
                        moments[:, j] += sign * cross(a - poses.origin[joint.body], along)
            for j, joint in enumerate(linkage.joints):
                for k in linkage.joint_rows(joint.name):
                    arms[:, k, h] += dot(poses.axes[:, k], moments[:, j])
                velocity[:, h] -= dot(moments[:, j], turns[j])
            contact[:, h] |= run.contact
            inside[:, h] |= run.inside
    return LinkagePaths(
        length=length,
        velocity=velocity,
        moment_arms=arms,
        pull=pull,
        contact=contact,
        inside=inside,
    )


def table_values(head: LinkageHead, table: AngleTable, angles: Floats) -> tuple[Floats, Floats]:
    """Value of a table at some angles, and its integral from angle zero.

    Between the points runs a piecewise cubic that keeps their order: it rises where they rise
    and never passes them (Fritsch and Carlson 1980, from memory).

    Raises
    ------
    InputError
        An angle lies beyond the table.
    """
    low, high = table.angles[0], table.angles[-1]
    off = (angles < low - _ROUNDING) | (angles > high + _ROUNDING)
    if np.any(off):
        frame = int(np.argmax(off))
        raise InputError(
            f"head {head.name!r}: the table over {table.row!r} reaches from "
            f"{np.degrees(low):g} to {np.degrees(high):g} degrees; got "
            f"{np.degrees(angles[frame]):.4g} in frame {frame}; add rows to the table, or leave "
            "these frames out"
        )
    curve = PchipInterpolator(table.angles, table.values)
    total = curve.antiderivative()
    inner = np.clip(angles, low, high)
    return np.asarray(curve(inner)), np.asarray(total(inner) - total(np.clip(0.0, low, high)))
