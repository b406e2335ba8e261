"""What a person's limb takes from the person: volumes of heads, and lengths of their paths."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.paths import paths
from momentshare.posture import posture_from_angles
from momentshare.skeleton import build_skeletons

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.model.numbers import Numbers
    from momentshare.person import Person

__all__ = ["reference_lengths", "volume_factors"]


def volume_factors(
    people: Sequence[Person], model: Model, number: Callable[[str], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Volume of each head over that of the reference man, shape (limbs, heads).

    A group of heads grows as a power of the training factor, so that a factor of 1 leaves every
    volume unchanged.
    """
    mean = {
        sex: model.fits[sex, "body_mass"].mean * model.fits[sex, "stature"].mean
        for sex in {person.sex for person in people}
    }
    size = np.array([p.body_mass * p.stature / mean[p.sex] for p in people])
    women = np.array([p.sex == "female" for p in people])
    trained = np.array([p.training_factor for p in people])
    ratio, power = (
        np.stack([number(f"{name}_{h.group}") for h in model.heads], axis=-1)
        for name in ("volume_women_over_men", "training_exponent")
    )
    whole = (size ** number("volume_size_exponent"))[:, None] * trained[:, None] ** power
    return np.asarray(np.where(women[:, None], ratio, 1.0) * whole)


def reference_lengths(
    people: Sequence[Person], model: Model, changed: Numbers
) -> NDArray[np.float64]:
    """Length of each head's path in its reference posture [m], shape (limbs, heads).

    The girdle keeps the model's own angles here: rotating it is a change of the task's posture.
    """
    angles = f"scapula_{model.reference_scapula}_"
    kept = {k: v for k, v in changed.quantities.items() if not k.startswith(angles)}
    skeleton = build_skeletons(
        people, model, scapula=model.reference_scapula, numbers=replace(changed, quantities=kept)
    )
    limbs = len(people)
    names = list(model.reference_postures)
    posture = {
        key: np.tile(
            np.radians([model.reference_postures[n][f"{key}_deg"] for n in names]), (limbs, 1)
        )
        for key in ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
    }
    index = np.broadcast_to(np.arange(limbs)[:, None], (limbs, len(names)))
    length = paths(skeleton, posture_from_angles(**posture), limb=index).length
    chosen = [names.index(h.reference_posture) for h in model.heads]
    return np.asarray(length[:, chosen, np.arange(len(chosen))])
