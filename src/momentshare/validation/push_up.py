"""The static hand load of a push-up beside the published one.

The numbers of Mier (2014) also stand in the model as the default hand load of a push-up; here
they judge the load that follows from segment masses and the posture, which no fit uses. The
posture is our own choice, that of the presses: hands 1.4 × biacromial apart, with straight
arms the upper arm 82 degrees from the trunk and the hand nearer the feet than the elbow by
6 degrees; with the chest down the hands stay where they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.exercise import Profile, PushUp, ground_push_up, static_hand_share

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.limb import Limb
    from momentshare.model import Model

__all__ = ["push_up_rows", "static_push_up"]

_DEGREE = np.pi / 180.0
_SPACING = 1.4
"""Distance between the hands over biacromial breadth."""

_BAND = (
    "force plate, 37 women and men; band one standard deviation; the model's share is from "
    "segment masses, most of them recalled"
)


def static_push_up(limb: Limb) -> dict[str, float]:
    """Part of body weight on both hands, chest ``down`` and arms straight (``up``)."""
    skeleton = limb.skeleton
    move = PushUp(
        spacing=Profile.constant(_SPACING * skeleton.sizes.biacromial_breadth),
        tuck=Profile(((0.0, 60 * _DEGREE), (1.0, 82 * _DEGREE))),
        tilt=Profile(((0.0, 7 * _DEGREE), (1.0, -6 * _DEGREE))),
    )
    down, up = ground_push_up(skeleton, move)
    return {
        "down": float(static_hand_share(skeleton, down)[0]),
        "up": float(static_hand_share(skeleton, up)[-1]),
    }


def push_up_rows(model: Model, limb_of: Callable[[str, str], Limb]) -> list[tuple[Any, ...]]:
    """Rows of the validation table; each band is one standard deviation to either side."""
    rows = []
    for sex in ("male", "female"):
        share = static_push_up(limb_of(sex, model.default_scapula))
        for end, words in (("down", "chest down"), ("up", "arms straight")):
            published = model.quantities[f"push_up_share_{end}_{sex}"]
            mean, sd = published.value, published.spread
            rows.append(
                (
                    f"push_up_share_{end}_{sex}",
                    f"share of body weight on both hands, {words}, held still",
                    f"push-up, {sex}, {_SPACING:g} × biacromial, feet and hands on one level",
                    f"{mean:g} ± {sd:g}",
                    (mean - sd, mean + sd),
                    "1",
                    share[end],
                    "read",
                    published.source,
                    _BAND,
                )
            )
    return rows
