"""How the wrist bends on a bar, and on the ground.

The hand may turn about the bar, so its long axis keeps only its angle to the bar. A bar straight
across the palm is perpendicular to that axis; lying obliquely, with its thumb end nearer the
fingers, it lets the axis lean towards the thumb end by the same angle. The wrist then deviates by
the forearm's lean towards the thumb end in excess of that: towards the ulna if it leans more, as
with narrow hands, towards the radius if less. Lifters are assumed to lay the bar no more obliquely
than a narrow grip requires, so the obliqueness is the least that keeps the ulnar deviation within
its limit, as far as the palm allows. Flexion on a bar is up to the lifter: the hand turns until the
bar is over the forearm.

On the ground the palm lies flat with the fingers towards the head, and the wrist extends by the
angle from the forearm to the fingers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.model import Model

    Floats = NDArray[np.float64]
    Check = tuple[str, Floats, Floats, int]

__all__ = ["bar_checks", "ground_checks", "lean_to_thumb", "obliqueness"]


def lean_to_thumb(forearm: Floats, thumb: Floats) -> Floats:
    """Angle by which the forearm leans towards the thumb end of a bar [rad], shape (...).

    Parameters
    ----------
    forearm : float array, shape (..., 3)
        From elbow to hand, unit vector.
    thumb : float array, shape (3,)
        Along the bar to the thumb's side, unit vector.
    """
    return np.arcsin(np.clip(forearm @ thumb, -1.0, 1.0))


def obliqueness(lean: Floats, model: Model, reached: NDArray[np.bool_] | None = None) -> Floats:
    """Obliqueness of the bar in the palm that the given leans require [rad], shape (..., 1).

    Parameters
    ----------
    lean : float array, shape (..., frames)
        [rad]
    model : Model
    reached : bool array, shape (..., frames), optional
        Frames that count; all by default.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.model import load_model
    >>> model = load_model()
    >>> lean = np.radians([[20.0, 41.0], [-25.0, 10.0]])
    >>> np.degrees(obliqueness(lean, model)).round(6)
    array([[6.],
           [0.]])
    """
    counted = True if reached is None else reached
    most = np.max(lean, axis=-1, keepdims=True, where=counted, initial=-np.inf)
    over = most - model.number("limit_wrist_ulnar")
    return np.asarray(np.clip(over, 0.0, model.number("grip_oblique_max")))


def bar_checks(forearm: Floats, bar_axis: Floats, reached: NDArray[np.bool_], model: Model) -> list[
    Check
]:  # fmt: skip
    """Deviations of the wrist on a bar with the thumbs towards each other, and their limits.

    Parameters
    ----------
    forearm : float array, shape (..., frames, 3)
    bar_axis : float array, shape (3,)
        Outward along the bar.
    reached : bool array, shape (..., frames)
        Frames that count for how the bar is laid.
    model : Model

    Returns
    -------
    list
        Quantity, value [rad], limit [rad], and the sign of a value beyond it.
    """
    lean = lean_to_thumb(forearm, -np.asarray(bar_axis))
    ulnar = lean - obliqueness(lean, model, reached)
    even = np.ones_like(ulnar)
    return [
        ("ulnar deviation of the wrist", ulnar, model.number("limit_wrist_ulnar") * even, 1),
        ("radial deviation of the wrist", -ulnar, model.number("limit_wrist_radial") * even, 1),
    ]


def ground_checks(forearm: Floats, fingers: Floats, model: Model) -> list[Check]:
    """Extension and flexion of the wrist with the palm flat on the ground, and their limits.

    Parameters
    ----------
    forearm : float array, shape (frames, 3)
        From elbow to hand, unit vector.
    fingers : float array, shape (3,)
        Along the ground, unit vector.
    model : Model
    """
    extension = np.arccos(np.clip(forearm @ fingers, -1.0, 1.0))
    even = np.ones_like(extension)
    return [
        (
            "extension of the wrist",
            extension,
            model.number("limit_wrist_extension") * even,
            1,
        ),
        ("flexion of the wrist", -extension, model.number("limit_wrist_flexion") * even, 1),
    ]
