"""Gaps, cut-off and low-pass of the channels of one trial, and what the filter removed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.geometry.rotation import norm
from momentshare.signals import fill_gaps, low_pass, residual_cutoff
from momentshare.trial.recording import SIDES, Channel, Recording

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["choose_cutoff", "filtered", "gaps_text", "gone", "mend", "moved"]

_MOVES = {"m": 0.05, "rad": 0.1}
"""Range of a landmark [m] or angle [rad] above which it is informative about the motion; chosen
here."""

_GAPS_TOLD = 3
"""Channels with gaps that a message names (common practice, no source)."""

_STILL = 0.02
"""Range [m] of the landmarks of the arm below which nothing was lifted; assumed."""


def mend(
    channels: Mapping[str, Channel], longest: float
) -> tuple[dict[str, Channel], dict[str, Channel], list[str]]:
    """Fill short gaps if asked; return what is missing and what was filled."""
    mended: dict[str, Channel] = {}
    missing: dict[str, Channel] = {}
    filled: list[str] = []
    for role, channel in channels.items():
        missing[role] = gone(channel)
        if longest > 0.0 and missing[role].values.any():
            values, done, _ = fill_gaps(channel.values, channel.rate, longest)
            for gap in done:
                begin = channel.start + gap.first / channel.rate
                filled.append(f"{role}: {gap.samples} samples from {begin:.3f} s")
            channel = replace(channel, values=values)  # noqa: PLW2901 - the mended one
        mended[role] = channel
    return mended, missing, filled


def gone(channel: Channel) -> Channel:
    """1 where a sample is missing, 0 elsewhere; a component never recorded does not count."""
    lost = np.isnan(channel.values.reshape(len(channel.values), -1))
    never = lost.all(axis=0)
    lack = np.asarray(lost.all(axis=1) if never.all() else lost[:, ~never].any(axis=1))
    return replace(channel, values=lack.astype(np.float64), unit="")


def gaps_text(channels: Mapping[str, Channel], first: int, last: int) -> str:
    """Name the channels that lack samples from ``first`` to ``last``, the longest gaps first.

    The channels are on one clock. Those of the left arm, which is not under study once a trial is
    turned to the right, are named where no other has a gap. Empty where none has one.
    """
    lost: dict[str, tuple[int, float]] = {}
    for role, channel in channels.items():
        lacks = gone(channel).values[first : last + 1]
        if lacks.any():
            begin = channel.start + (first + int(np.argmax(lacks))) / channel.rate
            lost[role] = int(lacks.sum()), begin
    mine = {role: gap for role, gap in lost.items() if not role.startswith("left_")} or lost
    told = [
        f"{role} lacks {count / channels[role].rate:.2f} s from {begin:.2f} s on"
        for role, (count, begin) in sorted(mine.items(), key=lambda item: -item[1][0])
    ]
    more = f" and {len(told) - _GAPS_TOLD} more" if len(told) > _GAPS_TOLD else ""
    return ", ".join(told[:_GAPS_TOLD]) + more


def moved(channel: Channel, smooth: Channel, cutoff: float) -> Channel:
    """How far the filter moved a landmark [m]; NaN near ends and gaps, which it distorts."""
    from scipy.ndimage import binary_erosion

    distance = norm(channel.values - smooth.values)
    inner = binary_erosion(
        np.isfinite(distance), iterations=max(1, round(channel.rate / cutoff)), border_value=0
    )
    distance[~inner] = np.nan
    return replace(channel, values=distance)


def choose_cutoff(
    recording: Recording, channels: Mapping[str, Channel], wanted: float | Literal["residual"]
) -> tuple[float, dict[str, float]]:
    """Cut-off of landmarks and angles [Hz], and what residual analysis found for each of them.

    Raises
    ------
    InputError
        Residual analysis finds nothing that moves, or gaps wherever something moves.
    """
    if wanted != "residual":
        return float(wanted), {}
    ranges = {role: _range(channel) for role, channel in channels.items()}
    moving = [role for role, channel in channels.items() if ranges[role] > _MOVES[channel.unit]]
    found = {
        role: float(residual_cutoff(channels[role].values, channels[role].rate).cutoff)
        for role in moving
        if np.isfinite(channels[role].values).all()
    }
    if found:
        return float(np.median(list(found.values()))), found
    arm = [r for r, c in channels.items() if c.unit == "m" and r.startswith(SIDES)]
    most = max((ranges[role] for role in arm), default=np.inf)
    if most < _STILL:
        raise InputError(
            f"{recording.source}: landmarks of the arm move by {100 * most:.2g} cm at most; must "
            "move as in a lift; is the unit right? (units of the layout, or the file's own)"
        )
    if not moving:
        raise InputError(
            f"{recording.source}: cut-off by residual analysis: no landmark moves by more than "
            f"{100 * _MOVES['m']:g} cm and no angle by more than {np.degrees(_MOVES['rad']):.1f} "
            "degrees; check the file, or state the cut-off (cutoff_hz)"
        )
    raise InputError(
        f"{recording.source}: cut-off by residual analysis: every channel that moves has gaps; "
        "fill short gaps or state the cut-off (cutoff_hz)"
    )


def _range(channel: Channel) -> float:
    """Range of the component that varies most; 0 without a sample."""
    values = channel.values.reshape(len(channel.values), -1)
    high = np.where(np.isnan(values), -np.inf, values).max(axis=0)
    low = np.where(np.isnan(values), np.inf, values).min(axis=0)
    return float(np.where(np.isfinite(high), high - low, 0.0).max())


def filtered(channel: Channel, cutoff: float, order: int, recording: Recording) -> Channel:
    """Low-pass one channel without lag."""
    try:
        values = low_pass(channel.values, channel.rate, cutoff, order)
    except InputError as err:
        raise InputError(f"{recording.source}: {channel.label!r}: {err}") from err
    return replace(channel, values=values)
