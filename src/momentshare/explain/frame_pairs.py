"""Frames of equal net moment in which a head works very differently, and why.

A net moment says little about a head: the same moment of a joint may be shared under other arms,
other lengths and with other heads. Among all frames of some lifts, those pairs are found that
demand the same of a joint, or of one row, and differ most in the activation of a head that acts
there; the difference is split as between any two frames (:mod:`momentshare.explain.difference`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.difference import factor_parts
from momentshare.explain.given import given_frames
from momentshare.explain.head import LEAST_MOMENT
from momentshare.explain.mixtures import FACTORS
from momentshare.explain.problem import row_joint
from momentshare.head_names import find_head
from momentshare.sharing import Status

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.explain.given import GivenFrame

    Floats = NDArray[np.float64]

__all__ = [
    "EQUAL_MOMENT",
    "EQUAL_PART",
    "EqualMoments",
    "equal_moments",
    "most_unlike",
    "pair_heads_table",
    "pairs_table",
]

EQUAL_MOMENT = 0.5
"""Net moments that differ by less count as equal [N·m]; assumed."""

EQUAL_PART = 0.02
"""Net moments that differ by less, relative to the larger one, count as equal; assumed."""

UNLIKE = 0.05
"""Activations that differ by less count as equal; assumed."""

_MOST_FRAMES = 600
"""Number of frames that are compared with each other; of more, every second, third, … is taken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EqualMoments:
    """Two frames that demand the same of a joint or row, and the head that differs most.

    Attributes
    ----------
    scope : str
        A joint, for all of its rows, or a row.
    rows : tuple of str
        Rows whose moments are equal.
    names : pair of str
        Lifts.
    frames : pair of int
    heights : pair of float
        Fraction of the bar height.
    moments : float array, shape (2, rows)
        Net moments [N·m].
    head : str
    activation : pair of float
    parts : dict
        Part of each of :data:`~momentshare.explain.mixtures.FACTORS` in the difference.
    """

    scope: str
    rows: tuple[str, ...]
    names: tuple[str, str]
    frames: tuple[int, int]
    heights: tuple[float, float]
    moments: Floats
    head: str
    activation: tuple[float, float]
    parts: dict[str, float]

    @property
    def gap(self) -> float:
        """Activation in the first less that in the second."""
        return self.activation[0] - self.activation[1]


def equal_moments(
    lifts: Sequence[tuple[str, LiftResult]],
    leave_out: Collection[str] = (),
    heads: Collection[str] | None = None,
) -> tuple[EqualMoments, ...]:
    """Find pairs of frames with equal net moment and different activation of a head.

    Parameters
    ----------
    lifts : sequence of (name, LiftResult)
        Of one limb, criterion and treatment of the glenoid. Frames in which a moment falls short
        are left out.
    leave_out : collection of str
        Heads to ignore, because the limb does not support what they do.
    heads : collection of str, optional
        Heads to look at, by default all.

    Returns
    -------
    tuple of EqualMoments
        The most different pair of each joint and each row; none where activations are alike, or
        where the row has no moment.

    Examples
    --------
    >>> from momentshare import equal_moments, run_study
    >>> from momentshare.demo import small_study
    >>> cases = run_study(small_study(), band=False).cases
    >>> pairs = equal_moments([(case.condition, case.results[0]) for case in cases])
    >>> all(abs(pair.gap - sum(pair.parts.values())) < 1e-9 for pair in pairs)
    True
    """
    result = lifts[0][1]
    rows = result.criterion.rows
    owner, frame = _frames(lifts)
    if len(owner) < 2:
        return ()
    columns = [ROWS.index(row) for row in rows]
    moments = np.stack([lifts[o][1].moments[f, columns] for o, f in zip(owner, frame, strict=True)])
    effort = np.stack([lifts[o][1].activation[f] for o, f in zip(owner, frame, strict=True)])
    arms = np.stack(
        [
            lifts[o][1].prepared.paths.moment_arms[f][columns]
            for o, f in zip(owner, frame, strict=True)
        ]
    )
    arms = arms * ~np.isin(result.prepared.limb.head_names, list(leave_out))
    if heads is not None:
        own = result.prepared.limb.head_names
        arms = arms * np.isin(own, [find_head(head, own) for head in heads])
    scopes: dict[str, list[int]] = {}
    for j, row in enumerate(rows):
        scopes.setdefault(row_joint(row), []).append(j)
    scopes |= {row: [j] for j, row in enumerate(rows)}
    found: list[tuple[str, list[int], int, int, int]] = []
    for scope, places in scopes.items():
        if scope in rows and len(scopes[row_joint(scope)]) == 1:
            continue  # the joint has only this row
        pair = _most_unlike(moments[:, places], effort, arms[:, places])
        if pair is not None:
            found.append((scope, places, *pair))
    if not found:
        return ()
    every = [given_frames(lift) for _, lift in lifts]

    def given(place: int) -> GivenFrame:
        return every[owner[place]].at(int(frame[place]))

    first = [given(i) for _, _, i, _, _ in found]
    second = [given(k) for _, _, _, k, _ in found]
    parts, _ = factor_parts(first, second, result)
    names = result.prepared.limb.head_names
    return tuple(
        EqualMoments(
            scope=scope,
            rows=tuple(rows[j] for j in places),
            names=(lifts[owner[i]][0], lifts[owner[k]][0]),
            frames=(int(frame[i]), int(frame[k])),
            heights=(_height(lifts, owner[i], frame[i]), _height(lifts, owner[k], frame[k])),
            moments=moments[[i, k]][:, places],
            head=names[head],
            activation=(float(effort[i, head]), float(effort[k, head])),
            parts=dict(zip(FACTORS, own[:, head].tolist(), strict=True)),
        )
        for (scope, places, i, k, head), own in zip(found, parts, strict=True)
    )


def _height(lifts: Sequence[tuple[str, LiftResult]], owner: int, frame: int) -> float:
    return float(lifts[owner][1].prepared.lift.fraction[frame])


def _frames(lifts: Sequence[tuple[str, LiftResult]]) -> tuple[list[int], NDArray[np.intp]]:
    """Lift and index of every frame whose moments are met."""
    owner: list[int] = []
    frames: list[int] = []
    for k, (_, lift) in enumerate(lifts):
        good = np.flatnonzero(lift.prepared.lift.reachable & (lift.sharing.status == Status.SOLVED))
        owner += [k] * len(good)
        frames += good.tolist()
    step = -(-len(owner) // _MOST_FRAMES) or 1
    return owner[::step], np.array(frames[::step], dtype=np.intp)


def _most_unlike(moments: Floats, effort: Floats, arms: Floats) -> tuple[int, int, int] | None:
    """Pair of frames and head whose activations differ most while all moments are equal."""
    i, k = np.triu_indices(len(moments), 1)
    larger = np.maximum(np.abs(moments[i]), np.abs(moments[k]))
    equal = (np.abs(moments[i] - moments[k]) <= np.maximum(EQUAL_MOMENT, EQUAL_PART * larger)).all(
        axis=1
    )
    equal &= larger.max(axis=1) >= LEAST_MOMENT
    i, k = i[equal], k[equal]
    if not i.size:
        return None
    acts = (arms != 0.0).any(axis=1)
    gap = np.where(acts[i] & acts[k], np.abs(effort[i] - effort[k]), 0.0)
    pair, head = np.unravel_index(int(np.argmax(gap)), gap.shape)
    if gap[pair, head] < UNLIKE:
        return None
    first, second = int(i[pair]), int(k[pair])
    if effort[first, head] < effort[second, head]:
        first, second = second, first
    return first, second, int(head)


def most_unlike(pairs: Sequence[EqualMoments]) -> list[EqualMoments]:
    """Sort pairs by how far their heads differ, the most different first."""
    return sorted(pairs, key=lambda pair: -abs(pair.gap))


def pair_heads_table(pair: EqualMoments, lifts: Mapping[str, LiftResult]) -> pd.DataFrame:
    """One line per frame and head of a pair: the activation, as it is drawn.

    Parameters
    ----------
    pair : EqualMoments
    lifts : mapping
        Name of a lift, as in the pair → its answer.
    """
    import pandas as pd

    return pd.concat(
        [
            pd.DataFrame(
                {
                    "scope": pair.scope,
                    "condition": name,
                    "lateral": str(lifts[name].lateral.mode),
                    "height_fraction": height,
                    "head": list(lifts[name].prepared.limb.head_names),
                    "activation": lifts[name].activation[frame],
                }
            )
            for name, frame, height in zip(pair.names, pair.frames, pair.heights, strict=True)
        ],
        ignore_index=True,
    )


def pairs_table(pairs: Sequence[EqualMoments]) -> pd.DataFrame:
    """One line per pair and row, with the part of each factor in the head's difference."""
    import pandas as pd

    lines = [
        {
            "scope": pair.scope,
            "condition": pair.names[0],
            "height_fraction": pair.heights[0],
            "other": pair.names[1],
            "other_height_fraction": pair.heights[1],
            "row": row,
            "moment_nm": float(pair.moments[0, j]),
            "other_moment_nm": float(pair.moments[1, j]),
            "head": pair.head,
            "activation": pair.activation[0],
            "other_activation": pair.activation[1],
            "difference": pair.gap,
            **{f"by_{name.replace(' ', '_')}": part for name, part in pair.parts.items()},
        }
        for pair in pairs
        for j, row in enumerate(pair.rows)
    ]
    names = ["scope", "condition", "height_fraction", "other", "other_height_fraction", "row",
             "moment_nm", "other_moment_nm", "head", "activation", "other_activation",
             "difference", *(f"by_{name.replace(' ', '_')}" for name in FACTORS)]  # fmt: skip
    return pd.DataFrame(lines, columns=names)
