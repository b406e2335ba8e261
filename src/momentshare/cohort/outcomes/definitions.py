"""What each outcome is: unit, sign, definition and source, in one place.

Sources are keys of the bibliography; where a definition is one that papers use without a source of
its own it is common practice, and where it was chosen here it says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["OUTCOMES", "Outcome", "definition_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One outcome.

    Attributes
    ----------
    name : str
        As in tables and in a study file.
    label : str
        As in sentences and figures, without unit.
    of : {"lift", "angle", "moment", "head", "direction"}
        What its items are: the whole lift, joint angles, moment rows, heads, or tested directions.
    unit : str
    sign : str
        What a positive value means; empty for sizes.
    definition : str
    source : str
        Key of the bibliography.
    by_treatment : bool
        Whether it depends on the treatment of the lateral force.
    """

    name: str
    label: str
    of: str
    unit: str
    definition: str
    source: str
    sign: str = ""
    by_treatment: bool = False

    @property
    def of_limb(self) -> bool:
        """Whether it rests on how the limb shares the moments, not on the measurement alone."""
        return self.by_treatment and (self.of == "head" or self.name in _OF_JOINTS)

    @property
    def in_fibres(self) -> bool:
        """Whether it is a multiple of the peak fibre length."""
        return self.name.startswith("fibre_")


_OF_JOINTS = (
    "peak_glenoid_load",
    "peak_glenoid_load_over_weight",
    "peak_glenoid_shear_ratio",
    "peak_elbow_load_bound",
)

_ROW = "in the direction that names the row"

_ALL = (
    Outcome(
        name="duration", label="duration", of="lift", unit="s", source="elliott1989",
        definition="From the first to the last frame of the phase.",
    ),
    Outcome(
        name="range_of_motion", label="range of motion", of="angle", unit="deg", source="wuisb2005",
        definition="Greatest less least value of the angle over the phase.",
    ),
    Outcome(
        name="bar_rise", label="rise of the bar", of="lift", unit="m", sign="upward",
        source="elliott1989",
        definition="Height of the grip at the end of the phase less that at its beginning.",
    ),
    Outcome(
        name="bar_horizontal_travel", label="horizontal travel of the bar", of="lift", unit="m",
        sign="towards the head of a person who lies", source="elliott1989",
        definition="Horizontal displacement of the grip in the sagittal plane over the phase.",
    ),
    Outcome(
        name="bar_horizontal_range", label="horizontal range of the bar", of="lift", unit="m",
        source="ownchoice",
        definition="Distance between the foremost and the hindmost horizontal place of the grip in "
        "the sagittal plane.",
    ),
    Outcome(
        name="bar_path_length", label="path of the bar", of="lift", unit="m", source="ownchoice",
        definition="Length of the way of the grip in the sagittal plane.",
    ),
    Outcome(
        name="bar_lever", label="distance of the bar from the shoulder", of="lift", unit="m",
        sign="bar on the side of the feet", source="elliott1989",
        definition="Mean horizontal distance of the grip from the joint centre of the shoulder in "
        "the sagittal plane.",
    ),
    Outcome(
        name="bar_work", label="work on the bar", of="lift", unit="J", sign="done by the hand",
        source="winter2009",
        definition="Integral of bar power over the phase, one hand.",
    ),
    Outcome(
        name="bar_mean_power", label="mean power of the bar", of="lift", unit="W",
        sign="done by the hand", source="winter2009",
        definition="Bar work over the duration: force of one hand on the bar times the velocity of "
        "the grip.",
    ),
    Outcome(
        name="bar_peak_power", label="peak power of the bar", of="lift", unit="W",
        sign="done by the hand", source="winter2009",
        definition="Power of one hand on the bar of greatest size, with its sign.",
    ),
    Outcome(
        name="joint_work", label="work of the joint", of="moment", unit="J",
        sign="done by the muscles", source="winter2009", by_treatment=True,
        definition="Integral of joint power over the phase.",
    ),
    Outcome(
        name="joint_peak_power", label="peak power of the joint", of="moment", unit="W",
        sign="done by the muscles", source="winter2009", by_treatment=True,
        definition="Joint power of greatest size, with its sign: net moment of the row times the "
        "angular velocity about its axis, relative to the trunk at the shoulder and to the upper "
        "arm at the elbow.",
    ),
    Outcome(
        name="mean_moment", label="mean net moment", of="moment", unit="N·m", sign=_ROW,
        source="winter2009", by_treatment=True, definition="Mean over the frames of the phase.",
    ),
    Outcome(
        name="peak_moment", label="peak net moment", of="moment", unit="N·m", sign=_ROW,
        source="winter2009", by_treatment=True,
        definition="Net moment of greatest size, with its sign.",
    ),
    Outcome(
        name="peak_moment_at", label="place of the peak moment", of="moment", unit="%",
        source="commonpractice", by_treatment=True,
        definition="Time of the peak moment, in per cent of the phase.",
    ),
    Outcome(
        name="peak_moment_over_mass", label="peak net moment over body mass", of="moment",
        unit="N·m/kg", sign=_ROW, source="commonpractice", by_treatment=True,
        definition="Peak net moment over the mass of the body.",
    ),
    Outcome(
        name="mean_moment_over_mass", label="mean net moment over body mass", of="moment",
        unit="N·m/kg", sign=_ROW, source="commonpractice", by_treatment=True,
        definition="Mean net moment over the mass of the body.",
    ),
    Outcome(
        name="peak_over_test_strength", label="peak moment over strength in the test's posture",
        of="direction", unit="1", sign="in the direction tested", source="commonpractice",
        by_treatment=True,
        definition="Greatest net moment in the direction over the measured strength, whatever the "
        "posture of the test.",
    ),
    Outcome(
        name="peak_over_task_strength", label="peak moment over strength in the task's posture",
        of="direction", unit="1", sign="in the direction tested", source="ownchoice",
        by_treatment=True,
        definition="Greatest ratio of the net moment in the direction to the strength that the "
        "limb, scaled to the test, has in the posture of the frame, isometric and with the other "
        "moments braced.",
    ),
    Outcome(
        name="mean_over_test_strength", label="mean moment over strength in the test's posture",
        of="direction", unit="1", sign="in the direction tested", source="commonpractice",
        by_treatment=True,
        definition="Mean net moment in the direction over the measured strength.",
    ),
    Outcome(
        name="mean_over_task_strength", label="mean moment over strength in the task's posture",
        of="direction", unit="1", sign="in the direction tested", source="ownchoice",
        by_treatment=True,
        definition="Mean over the frames of the ratio to the strength in the posture of the frame.",
    ),
    Outcome(
        name="peak_glenoid_load", label="peak glenoid load", of="lift", unit="N",
        source="bergmann2011", by_treatment=True,
        definition="Greatest force of the glenoid on the humeral head.",
    ),
    Outcome(
        name="peak_glenoid_load_over_weight", label="peak glenoid load over body weight",
        of="lift", unit="1", source="bergmann2011", by_treatment=True,
        definition="Peak glenoid load over body mass × g.",
    ),
    Outcome(
        name="peak_glenoid_shear_ratio", label="peak shear ratio of the glenoid", of="lift",
        unit="1", source="lippitt1993", by_treatment=True,
        definition="Greatest ratio of shear to compression of the glenoid load.",
    ),
    Outcome(
        name="peak_elbow_net_force", label="peak net force across the elbow", of="lift", unit="N",
        source="winter2009", by_treatment=True,
        definition="Greatest force that the upper arm has to pass to the forearm by Newton's laws; "
        "the pull of the muscles is no part of it.",
    ),
    Outcome(
        name="peak_elbow_load_bound", label="upper bound of the elbow load", of="lift", unit="N",
        source="ownchoice", by_treatment=True,
        definition="Greatest sum of the net force across the elbow and the forces of all heads "
        "with a moment arm there: the contact force of the elbow is no greater.",
    ),
    Outcome(
        name="peak_activation", label="peak activation", of="head", unit="1",
        source="commonpractice", by_treatment=True, definition="Greatest activation.",
    ),
    Outcome(
        name="peak_activation_at", label="place of the peak activation", of="head", unit="%",
        source="commonpractice", by_treatment=True,
        definition="Time of the greatest activation, in per cent of the phase.",
    ),
    Outcome(
        name="peak_force", label="peak force", of="head", unit="N", source="commonpractice",
        by_treatment=True, definition="Greatest force of the head along its tendon.",
    ),
    Outcome(
        name="fibre_length_least", label="least fibre length", of="head", unit="1",
        source="commonpractice",
        definition="Least fibre length over the phase, in peak fibre lengths.",
    ),
    Outcome(
        name="fibre_length_greatest", label="greatest fibre length", of="head", unit="1",
        source="commonpractice",
        definition="Greatest fibre length over the phase, in peak fibre lengths.",
    ),
    Outcome(
        name="fibre_shortening", label="fibre shortening", of="head", unit="1",
        sign="shorter at the end than at the beginning", source="commonpractice",
        definition="Fibre length at the beginning of the phase less that at its end, in peak fibre "
        "lengths.",
    ),
)  # fmt: skip

OUTCOMES = {item.name: item for item in _ALL}
"""Name → outcome, in the order of tables."""


def definition_table() -> pd.DataFrame:
    """Table of all outcomes: name, label, items, unit, sign, definition, source key."""
    import pandas as pd

    return pd.DataFrame(
        [
            {
                "outcome": item.name,
                "label": item.label,
                "items": item.of,
                "unit": item.unit,
                "positive": item.sign,
                "definition": item.definition,
                "source": item.source,
                "by_lateral_treatment": item.by_treatment,
            }
            for item in _ALL
        ]
    )
