"""Figures of a cohort with their captions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.page.document import (
    Block,
    Picture,
)

if TYPE_CHECKING:
    from collections.abc import Mapping


__all__ = ["captioned"]

_CAPTIONS = {
    "speed": "Speed of the lift, with the regions that its events mark.",
    "moments": "Net joint moments along the lift.",
    "lateral_ratio": "Lateral over vertical hand force along the lift, by treatment.",
    "head_forces": "Force of each head along the lift.",
    "head_activation": "Activation of each head along the lift.",
    "head_activation_named": "Activation of the heads named beforehand along the lift.",
    "activation_by_head": "Lift-mean activation of each head by condition.",
    "outcomes": "Outcomes of the lift by condition, people and their means.",
    "outcome_moments": "Peak moments, work, and shares of strength by condition.",
    "outcome_power": "Peak power of the joints by condition.",
    "outcome_fibres": "Greatest fibre length and shortening of the heads that work, by condition.",
    "ascent_descent": "Outcomes of the ascent less those of the descent, within people.",
    "both_arms": "Outcomes of the right arm less those of the left, within people.",
    "beside_published": "Own less published mean net moments, by moment and region.",
    "emg_discrepancy": "EMG less predicted activation by condition, within each muscle.",
    "outcomes_named": "Outcomes that the study named beforehand, by condition.",
    "emg_curves": "EMG beside predicted activation, muscle by muscle.",
    "emg_agreement": "Lift means of predicted activation against EMG, within each muscle.",
    "sensitivity": "Change of lift-mean activation when one input is changed.",
    "checks": "Verdicts of the trials and residual checks in which something warns or fails.",
}


def captioned(name: str, pictures: Mapping[str, bytes]) -> list[Block]:
    """Return a figure of the cohort with its caption, and the sheets on which it goes on.

    Nothing if it was not drawn.
    """
    caption = _CAPTIONS[name]
    goes_on = [n for n in pictures if n.rpartition("_")[0] == name and n[-1].isdecimal()]
    found: list[Block] = []
    for sheet in [n for n in (name, *goes_on) if n in pictures]:
        found.append(Picture(image=pictures[sheet], alt=caption, caption=caption))
        caption = f"{_CAPTIONS[name].removesuffix('.')} (continued)."
    return found
