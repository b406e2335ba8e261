"""Guess the axes of a laboratory, and what its forces act on, from where things lie in a file.

The landmarks of the right lie to the right of those of the left; hands on a bar lie above the
elbows; a hand pushes a bar upwards. Push-ups and odd labels turn these over, so that every line
asks for a look.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

__all__ = ["axis_lines"]

_CLEAR = 2.0
"""How many times as far as along the others a difference must go along its axis; chosen here."""


def axis_lines(
    stated: str, markers: Mapping[str, NDArray[np.float64]], forces: Sequence[NDArray[np.float64]]
) -> list[str]:
    """Lines of a layout: up, right, and what the forces act on.

    Parameters
    ----------
    stated : str
        The upward axis that the file states, or an empty text.
    markers : mapping
        Role → middle of the landmark in the room, shape (3,).
    forces : sequence of array
        Middles of the forces of the hands, shape (3,).
    """
    above = [
        markers[hand] - markers[elbow]
        for side in ("right", "left")
        for hand in (f"{side}_grip", f"{side}_rs", f"{side}_us")
        for elbow in (f"{side}_el", f"{side}_em")
        if hand in markers and elbow in markers
    ]
    across = [
        markers[role] - markers[role.replace("right", "left")]
        for role in markers
        if "right" in role and role.replace("right", "left") in markers
    ]
    upward = _axis(above)
    up = stated or upward or "+z"
    why = "against gravity: CHECK"
    if stated:
        why = "stated in the file as the upward axis of its screen"
    elif upward:
        why = "against gravity, since the hands lie above the elbows: CHECK"
    right = _axis(across)
    if right and right[1] != up[1]:
        side = "towards the person's right, by the landmarks of both sides: CHECK"
    else:
        right = "+x" if up[1] != "x" else "+y"
        side = "towards the person's right: CHECK"
    lines = [f'up = "{up}"  # {why}', f'right = "{right}"  # {side}']
    acts, told = "hand", 'measured forces act on the hand, or on the "bar": CHECK'
    pushes = _axis(forces)
    if pushes and pushes[1] == up[1]:
        acts = "bar" if pushes == up else "hand"
        told = (
            "they point up, as what a hand does to a bar"
            if acts == "bar"
            else "they point down, as what a bar does to a hand"
        ) + ": CHECK"
    return [*lines, f'force_on = "{acts}"  # {told}']


def _axis(differences: Sequence[NDArray[np.float64]]) -> str:
    """Return the axis along which the mean of some differences lies; empty where none is clear."""
    if not differences:
        return ""
    mean = np.mean(differences, axis=0)
    if not np.isfinite(mean).all():
        return ""
    size = np.abs(mean)
    first, second = np.argsort(size)[::-1][:2]
    if size[first] <= _CLEAR * size[second] or size[first] == 0.0:
        return ""
    return f"{'+' if mean[first] > 0.0 else '-'}{'xyz'[first]}"
