"""What limits the load: which strength, raised by a tenth, raises the greatest load most.

The greatest load of a lift is that of its weakest height. Each strength group, and each head on its
own, is made a tenth stronger, actively and passively, and the greatest load is found again at every
height; the weakest height may move.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.explain.problem import keeps_glenoid
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.balance import Balance

    Floats = NDArray[np.float64]

__all__ = ["RAISE", "LimitingStrength", "limiting_strength"]

RAISE = 1.1
"""Factor on the strength of a group or head."""

_FRAMES = 4000
"""Number of frames that are solved together."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimitingStrength(ReadOnly):
    """Greatest loads of one lift with one strength raised at a time.

    Attributes
    ----------
    load : float
        Greatest load of the lift as it is [kg, both hands].
    height : float
        Height fraction where it is least.
    names : tuple of str
        Strength groups, then heads.
    kinds : tuple of str
        ``group`` or ``head``.
    loads : float array, shape (names,)
        Greatest load with this strength raised [kg].
    heights : float array, shape (names,)
        Where it is then least.
    lost : int
        Frames in which the limb cannot hold its own weight, whatever the load; they do not count.
    """

    load: float
    height: float
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    loads: Floats
    heights: Floats
    lost: int = 0

    __repr__ = brief

    def best(self, kind: str) -> tuple[str, float]:
        """Group or head that raises the load most, and by how much [kg]."""
        places = [k for k, own in enumerate(self.kinds) if own == kind]
        top = max(places, key=lambda k: self.loads[k])
        return self.names[top], float(self.loads[top] - self.load)

    def to_dataframe(self) -> pd.DataFrame:
        """One line per group or head, the most effective first within its kind."""
        import pandas as pd

        table = pd.DataFrame(
            {
                "kind": list(self.kinds),
                "name": list(self.names),
                "greatest_load_kg": self.load,
                "raised_load_kg": self.loads,
                "gain_kg": self.loads - self.load,
                "gain_percent": 100.0 * (self.loads / self.load - 1.0),
                "weak_height_fraction": self.height,
                "raised_weak_height_fraction": self.heights,
            }
        )
        order = ["kind", "gain_kg"]
        return table.sort_values(order, ascending=[True, False], kind="stable", ignore_index=True)


def limiting_strength(result: LiftResult) -> LimitingStrength:
    """Raise each strength by a tenth and find the greatest load again.

    Parameters
    ----------
    result : LiftResult
        With a load that can be raised.

    Returns
    -------
    LimitingStrength
        Loads in kilograms for both hands, heights as fractions of the bar's travel.

    Raises
    ------
    InputError
        No load is known, or the limb cannot hold any load at any height.

    Examples
    --------
    >>> from momentshare import limiting_strength, run_study
    >>> from momentshare.demo import small_study
    >>> lift = run_study(small_study(), band=False).cases[0].results[0]
    >>> found = limiting_strength(lift)
    >>> name, gain = found.best("group")
    >>> bool(gain >= 0.0), name in found.names
    (True, True)
    """
    held = keeps_glenoid(result)
    whole = result.prepared.balance(result.criterion, glenoid=held).treated(result.lateral)
    good = np.flatnonzero(whole.posed)
    balance = whole.take(good)
    if balance.load is None or not np.any(balance.load.each):
        raise InputError("greatest load: there is no load that could be raised")
    heights = result.prepared.lift.fraction[good]
    model = result.prepared.limb.model
    groups = tuple(head.group for head in model.heads)
    names = [*dict.fromkeys(groups), *model.head_names]
    kinds = ["group"] * (len(names) - len(groups)) + ["head"] * len(groups)
    scales = np.array(
        [np.ones(len(groups))]
        + [
            np.where([n == name for n in (groups if kind == "group" else model.head_names)],
                     RAISE, 1.0)
            for name, kind in zip(names, kinds, strict=True)
        ]
    )  # fmt: skip
    loads = _loads(balance, scales, glenoid=held)
    able = np.isfinite(loads[0])
    if not able.any():
        raise InputError(
            "greatest load: the limb cannot hold any load at any height, so there is none to raise"
        )
    loads, heights = loads[:, able], heights[able]
    least = np.argmin(np.where(np.isfinite(loads), loads, np.inf), axis=1)
    lowest = loads[np.arange(len(loads)), least]
    return LimitingStrength(
        load=float(lowest[0]),
        height=float(heights[least[0]]),
        names=tuple(names),
        kinds=tuple(kinds),
        loads=lowest[1:],
        heights=heights[least[1:]],
        lost=int(np.count_nonzero(~able)),
    )


def _loads(balance: Balance, scales: Floats, *, glenoid: bool) -> Floats:
    """Greatest load of every frame under every scale of strengths, shape (scales, frames)."""
    frames = len(balance.posed)
    out = []
    step = max(1, _FRAMES // frames)
    for first in range(0, len(scales), step):
        part = scales[first : first + step]
        many = balance.take(np.tile(np.arange(frames), len(part)))
        scale = np.repeat(part, frames, axis=0)
        raised = replace(many, capacity=many.capacity * scale, passive=many.passive * scale)
        out.append(raised.greatest_load(glenoid=glenoid).factor.reshape(len(part), frames))
    return np.concatenate(out)
