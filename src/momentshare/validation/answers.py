"""One limb's value of every target, whether a posture or a whole task decides it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import MomentshareError
from momentshare.validation.evaluate import combined, evaluate, is_posture
from momentshare.validation.tasks import task_value

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from momentshare.validation.probe import Probe
    from momentshare.validation.targets import Target

__all__ = ["answers", "answers_of_each"]


def answers(targets: Sequence[Target], probe: Probe) -> NDArray[np.float64]:
    """Compute the limb's value of every target, in the target's unit.

    Returns
    -------
    float array, shape (targets,)
        NaN where the limb cannot do the task.
    """
    found = evaluate(targets, probe.limb)
    for i, target in enumerate(targets):
        if not is_posture(target):
            found[i] = combined(target, [task_value(ask, probe) for ask in target.asks])
    return np.asarray(found)


def answers_of_each(targets: Sequence[Target], probes: Iterable[Probe]) -> NDArray[np.float64]:
    """Compute the values of several limbs.

    Returns
    -------
    float array, shape (limbs, targets)
        NaN in the whole row of a limb that cannot be built or whose tasks cannot be set.
    """
    rows = []
    for probe in probes:
        try:
            rows.append(answers(targets, probe))
        except MomentshareError:
            rows.append(np.full(len(targets), np.nan))
    return np.array(rows, dtype=np.float64).reshape(-1, len(targets))
