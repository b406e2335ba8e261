"""What if a group, a component or the lateral force were different: both frames solved again.

Each case changes the same thing in both conditions and solves both again, a free lateral force
included, so that it shows whether the difference between them depends on it:

- ``without_<group>``: no head of the group pulls;
- ``stronger_<group>``: its heads pull a tenth harder, actively and passively;
- ``leave_out_<row>``: this component of the moment need not be held;
- ``no_lateral_force``: the hand pushes straight up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explain.problem import head_index, keeps_glenoid

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.balance import Balance

    Floats = NDArray[np.float64]

__all__ = ["AS_IT_IS", "STRONGER", "WhatIf", "what_if"]

AS_IT_IS = "as_it_is"
STRONGER = 1.1
"""Factor on the force of a group that is made stronger."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhatIf:
    """Frames solved unchanged and with one thing changed in all of them.

    Attributes
    ----------
    names : tuple of str
        What the frames are called.
    cases : tuple of str
        The first is :data:`AS_IT_IS`.
    kinds : tuple of str
        ``group``, ``component`` or ``lateral force`` of each case; empty for the first.
    head_names : tuple of str
    activation, force : float array, shape (frames, cases, heads)
        [1], [N]
    unmet : float array, shape (frames, cases)
        Greatest moment that cannot be met [N·m].
    """

    names: tuple[str, ...]
    cases: tuple[str, ...]
    kinds: tuple[str, ...]
    head_names: tuple[str, ...]
    activation: Floats
    force: Floats
    unmet: Floats

    def gap(self, head: str) -> dict[str, float]:
        """Activation in the first frame less that in the last, case by case."""
        index = head_index(self.head_names, head)
        values = self.activation[0, :, index] - self.activation[-1, :, index]
        return dict(zip(self.cases, values.tolist(), strict=True))

    def gap_between(self, head: str, other: str) -> dict[str, float]:
        """Activation of one head less that of another in the first frame, case by case."""
        x, y = (head_index(self.head_names, name) for name in (head, other))
        values = self.activation[0, :, x] - self.activation[0, :, y]
        return dict(zip(self.cases, values.tolist(), strict=True))

    def to_dataframe(self) -> pd.DataFrame:
        """One line per frame, case and head."""
        import pandas as pd

        count = len(self.head_names)
        return pd.concat(
            [
                pd.DataFrame(
                    {
                        "condition": name,
                        "case": case,
                        "kind": self.kinds[k],
                        "head": list(self.head_names),
                        "activation": self.activation[f, k],
                        "activation_change": self.activation[f, k] - self.activation[f, 0],
                        "force_n": self.force[f, k],
                        "force_change_n": self.force[f, k] - self.force[f, 0],
                        "greatest_unmet_nm": np.full(count, self.unmet[f, k]),
                    }
                )
                for f, name in enumerate(self.names)
                for k, case in enumerate(self.cases)
            ],
            ignore_index=True,
        )


def what_if(frames: Sequence[tuple[str, LiftResult, int]]) -> WhatIf:
    """Solve frames with one group, component or lateral force changed at a time.

    Parameters
    ----------
    frames : sequence of (name, LiftResult, frame)

    Examples
    --------
    >>> from momentshare.explain import what_if
    >>> from momentshare import run_study
    >>> from momentshare.demo import small_study
    >>> lift = run_study(small_study(), band=False).cases[0].results[0]
    >>> found = what_if([("narrow", lift, 2)])
    >>> found.cases[0], "without_rotator_cuff" in found.cases
    ('as_it_is', True)
    """
    first = frames[0][1]
    limb, rows = first.prepared.limb, first.criterion.rows
    groups = tuple(head.group for head in limb.model.heads)
    changes = _changes(groups, rows, lateral=any(np.any(r.lateral_force[k]) for _, r, k in frames))
    answers = [_solve(result, frame, [change for *_, change in changes])
               for _, result, frame in frames]  # fmt: skip
    return WhatIf(
        names=tuple(name for name, *_ in frames),
        cases=tuple(name for name, *_ in changes),
        kinds=tuple(kind for _, kind, _ in changes),
        head_names=limb.head_names,
        activation=np.stack([a for a, _, _ in answers]),
        force=np.stack([f for _, f, _ in answers]),
        unmet=np.stack([u for _, _, u in answers]),
    )


def _changes(
    groups: Sequence[str], rows: Sequence[str], *, lateral: bool
) -> list[tuple[str, str, Callable[[Balance], Balance]]]:
    """Name, kind and change of every case."""
    out: list[tuple[str, str, Callable[[Balance], Balance]]] = [(AS_IT_IS, "", lambda b: b)]
    for group in dict.fromkeys(groups):
        mine = np.array(groups) == group
        out.append((f"without_{group}", "group", _scaled(mine, 0.0)))
        out.append((f"stronger_{group}", "group", _scaled(mine, STRONGER)))
    out += [(f"leave_out_{row}", "component", _left_out(j)) for j, row in enumerate(rows)]
    if lateral:
        out.append(("no_lateral_force", "lateral force", _unpushed))
    return out


def _scaled(mine: NDArray[np.bool_], factor: float) -> Callable[[Balance], Balance]:
    scale = np.where(mine, factor, 1.0)
    return lambda b: replace(b, capacity=b.capacity * scale, passive=b.passive * scale)


def _left_out(row: int) -> Callable[[Balance], Balance]:
    def change(balance: Balance) -> Balance:
        """Empty the row, so that it is always met, as if it were not there."""

        def emptied(values: Floats) -> Floats:
            out = values.copy()
            out[:, row] = 0.0
            return out

        turning = balance.couple_lever
        return replace(
            balance,
            arms=emptied(balance.arms),
            moments=emptied(balance.moments),
            lever=emptied(balance.lever),
            couple_lever=None if turning is None else emptied(turning),
        )

    return change


def _unpushed(balance: Balance) -> Balance:
    return replace(
        balance, free=False, ratio=np.zeros_like(balance.ratio), ratio_bounds=None,
        couple=None, couples_free=False,
    )  # fmt: skip


def _solve(
    result: LiftResult, frame: int, changes: Sequence[Callable[[Balance], Balance]]
) -> tuple[Floats, Floats, Floats]:
    held = keeps_glenoid(result)
    balance = result.prepared.balance(result.criterion, glenoid=held).treated(result.lateral)
    own = balance.take(np.array([frame]))
    found = [change(own).share(result.criterion, glenoid=held, chain=False) for change in changes]
    return (
        np.concatenate([answer.activation for answer in found]),
        np.concatenate([answer.force for answer in found]),
        np.concatenate([np.abs(answer.unmet).max(axis=-1) for answer in found]),
    )
