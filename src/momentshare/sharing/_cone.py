"""A joint that is stable only while its contact force stays inside a cone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.sharing._force_cone import Cone

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._result import FloatArray

FEWEST = 8
"""Eight facets touch a round cone from outside and exceed it by at most 8 %."""


def cone_inequalities(
    lines_of_action: ArrayLike,
    base_force: ArrayLike,
    ratios: ArrayLike,
    *,
    axis: ArrayLike,
    towards: ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Give the inequalities G F ≤ h of :func:`contact_cone`.

    Parameters
    ----------
    lines_of_action, base_force, ratios, axis, towards
        As for :func:`contact_cone`.

    Returns
    -------
    G : float array, shape (..., facets, heads)
    h : float array, shape (..., facets)
        [N], for the ``inequalities`` of :func:`share`.

    Examples
    --------
    >>> from momentshare.sharing import cone_inequalities
    >>> G, h = cone_inequalities(
    ...     [[1.0, 0.0, 0.0]], [0.0, 10.0, 0.0], [0.5] * 8, axis=[1, 0, 0], towards=[0, 1, 0]
    ... )
    >>> G.shape, float(h[0])
    ((8, 1), -10.0)
    """
    return contact_cone(
        lines_of_action, base_force, ratios, axis=axis, towards=towards
    ).inequalities()


def contact_cone(
    lines_of_action: ArrayLike,
    base_force: ArrayLike,
    ratios: ArrayLike,
    *,
    axis: ArrayLike,
    towards: ArrayLike,
    turns: ArrayLike | None = None,
) -> Cone:
    """Keep a joint force inside a direction-dependent cone.

    The joint force is ``N(F) = base_force + Σ_i F_i u_i``. Its compressive component is
    ``N·axis``; along the tangential direction t_k, turned from ``towards`` about ``axis``
    (right-handed), it may reach

        N·t_k ≤ ratio_k N·axis.

    Parameters
    ----------
    lines_of_action : array_like, shape (..., heads, 3)
        u_i: force on the joint per force of the head, unit vectors for a head that
        crosses only this joint.
    base_force : array_like, shape (..., 3)
        Joint force without the heads [N].
    ratios : array_like, shape (..., facets)
        Greatest tangential over compressive force in each direction, at least eight;
        for a glenoid the stability ratios measured around the clock.
    axis : array_like, shape (..., 3)
        Direction of compression; any length.
    towards : array_like, shape (..., 3)
        Direction from which turns are measured; only its component across the axis matters.
    turns : array_like, shape (facets,), optional
        Directions of the facets [rad]; by default evenly spaced, the first at ``towards``.

    Returns
    -------
    Cone
        For the ``inequalities`` of :func:`share`.

    Raises
    ------
    ShapeError
        Wrong shapes, fewer than eight ratios, negative ratios, or ``towards`` along the
        axis.

    Examples
    --------
    >>> from momentshare.sharing import contact_cone
    >>> cone = contact_cone(
    ...     [[1.0, 0.0, 0.0]], [0.0, 10.0, 0.0], [0.5] * 8, axis=[1, 0, 0], towards=[0, 1, 0]
    ... )
    >>> cone.normals.shape, float(cone.levels[0])
    ((8, 3), -10.0)
    """
    lines = _vectors("lines_of_action", lines_of_action, 2)
    base = _vectors("base_force", base_force, 1)
    along = _vectors("axis", axis, 1)
    first = _vectors("towards", towards, 1)
    ratio = numbers("ratios", ratios)
    if ratio.ndim == 0 or ratio.shape[-1] < FEWEST:
        raise ShapeError(
            "ratios", f"shape (..., n) with at least {FEWEST} facets", f"shape {ratio.shape}",
            "give a ratio of shear and compression for each facet",
        )  # fmt: skip
    if not (np.isfinite(ratio).all() and (ratio >= 0.0).all()):
        advice = "a facet that bears no shear has the ratio zero"
        raise ShapeError("ratios", "finite and at least zero", f"{ratio.min()}", advice)
    length = np.linalg.norm(along, axis=-1, keepdims=True)
    if (length == 0.0).any():
        raise ShapeError("axis", "a direction", "a zero vector", "give a vector along the axis")
    along = along / length
    across = first - along * (first * along).sum(axis=-1, keepdims=True)
    size = np.linalg.norm(across, axis=-1, keepdims=True)
    if (size <= 1e-9 * np.linalg.norm(first, axis=-1, keepdims=True)).any():
        got, advice = f"{np.asarray(towards)}", "give a vector that is not along the axis"
        raise ShapeError("towards", "a direction across the axis", got, advice)
    across = across / size
    # Right-handed: along × across, written out because np.cross is slow.
    a, b = np.broadcast_arrays(along, across)
    third = np.stack(
        [
            a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1],
            a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2],
            a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0],
        ],
        axis=-1,
    )
    basis = np.stack([a, b, third], axis=-2)
    turn = 2.0 * np.pi * np.arange(ratio.shape[-1]) / ratio.shape[-1]
    if turns is not None:
        turn = numbers("turns", turns)
        if turn.shape != ratio.shape[-1:] or not np.isfinite(turn).all():
            raise ShapeError(
                "turns", f"{ratio.shape[-1]} finite angles", f"shape {turn.shape}",
                "give one angle for each ratio, or leave them out for even steps",
            )  # fmt: skip
    around = np.broadcast_to(np.stack([np.cos(turn), np.sin(turn)], axis=-1), (*ratio.shape, 2))
    planes = np.concatenate([-ratio[..., None], around], axis=-1)
    normals = planes @ basis
    return Cone(lines=lines, normals=normals, levels=-(normals @ base[..., None])[..., 0])


def _vectors(name: str, values: ArrayLike, axes: int) -> FloatArray:
    array = numbers(name, values)
    if array.ndim < axes or array.shape[-1] != 3:
        wanted = "(..., heads, 3)" if axes == 2 else "(..., 3)"
        advice = "give x, y and z along the last axis"
        raise ShapeError(name, f"shape {wanted}", f"shape {array.shape}", advice)
    if not np.isfinite(array).all():
        raise ShapeError(name, "finite", "NaN or infinity", "leave such frames out")
    return array
