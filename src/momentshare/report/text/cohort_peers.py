"""Who stands out from a cohort's own spread, and on whom its contrasts depend, in words."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

from momentshare.cohort.exchanged import exchanged_text
from momentshare.cohort.misfiled import misfiled_text
from momentshare.cohort.outcomes.over_people import MEAN
from momentshare.cohort.peers import LEAST_PEOPLE
from momentshare.report.text.cohort_orders import of_named

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

    import pandas as pd

    from momentshare.cohort.peers import Measured
    from momentshare.cohort.summary import CohortSummary
    from momentshare.study.schema import PersonEntry

__all__ = ["never_possible", "never_text", "peer_texts", "people_texts", "standing_texts"]

_SIGNED = {
    "vertical force less load × (g + a)": "a zero error of the force cells or a wrong load",
    "EMG behind prediction": "a separate clock of the EMG (offset_s or delay_s)",
    "EMG behind the hand force": "a separate clock of the EMG (offset_s or delay_s)",
    "lateral ratio over the others'": "forces of the two hands exchanged or an "
    "axis along the bar reversed, which no balance shows",
}
"""What a signed measure that stands out points to."""


_MINORITY = 1.0 / 3.0
"""Share of the people up to which those who stand out are compared with the others; chosen here."""

_NAMED = 6
"""Number of people of a group that are named; assumed."""

_ORDINARY = (17.0, 40.0)
"""Body-mass index of a person who trains [kg/m²] (common practice, no source)."""

_POUNDS = 2.2046
"""Pounds in a kilogram."""


_WEIGHED_APART = 0.03
"""Part of the stated mass by which a weighed one may differ: clothes and shoes, and the error of
platforms (common practice, no source)."""


def weighed_people(trials: Iterable[Measured]) -> dict[str, float]:
    """Return the masses that static trials weighed, by person [kg]."""
    return {t.person: float(t.record["weighed_kg"]) for t in trials if "weighed_kg" in t.record}


def people_texts(
    people: Iterable[PersonEntry], weighed: Mapping[str, float] | None = None
) -> list[str]:
    """Name the people whose mass is not what platforms weighed, or does not go with their stature.

    A lift does not show the mass of the body: arms weigh a twentieth of it, and what they take of
    the bar's weight is measured at the hand. So only a static trial on a platform tells a wrong
    one; without it, only a mass that hardly anybody of that stature has is told.
    """
    low, high = _ORDINARY
    texts = []
    for person in people:
        mass = (weighed or {}).get(person.name)
        if mass is not None:
            if abs(mass / person.body_mass_kg - 1.0) > _WEIGHED_APART:
                texts.append(
                    f"{person.name}: platforms weighed {mass:.1f} kg in a static trial, but "
                    f"body_mass_kg is {person.body_mass_kg:.4g}; correct it, since segment masses "
                    "and every moment over body mass follow from it."
                )
            continue
        index = person.body_mass_kg / (person.stature_cm / 100.0) ** 2
        if low <= index <= high:
            continue
        pounds = low <= index / _POUNDS <= high
        hint = (
            f"is it in pounds? Then body_mass_kg is {person.body_mass_kg / _POUNDS:.1f}"
            if pounds
            else "check both: only a static trial on a platform shows the mass"
        )
        texts.append(
            f"{person.name}: {person.body_mass_kg:.4g} kg at {person.stature_cm:.4g} cm is a "
            f"body-mass index of {index:.0f}; {hint}."
        )
    return texts


def standing_texts(peers: pd.DataFrame) -> list[str]:
    """State whose values stand out from those of the others, and what they point to, by person.

    Where more people stand out than a majority leaves room for, the two groups are told instead.
    """
    out = peers[peers["stands_out"]]
    split = [
        name
        for name, part in peers.groupby("check", sort=False, observed=True)
        if len(part) >= LEAST_PEOPLE and part["stands_out"].mean() > _MINORITY
    ]
    texts = [_groups_text(peers[peers["check"] == name]) for name in split]
    out = out[~out["check"].isin(split)]
    for person, part in out.groupby("person", sort=False, observed=True):
        rows = part.to_dict("records")
        hints = dict.fromkeys(_SIGNED[str(r["check"])] for r in rows if str(r["check"]) in _SIGNED)
        hint = "".join(f"; it may be {text}" for text in hints)
        told = [_standing(row) for row in rows]
        if len(told) == 1:
            name, value, far = told[0]
            texts.append(f"{person} stands out in {name}: {value}, {far} away{hint}.")
        else:
            listed = "; ".join(f"{name} ({value}, {far})" for name, value, far in told)
            texts.append(f"{person} stands out in {len(told)} values: {listed}{hint}.")
    return texts


def _standing(row: Mapping[Hashable, Any]) -> tuple[str, str, str]:
    """Name of a value that stands out, the value beside the others', and how far it is off."""
    shape = "+.3g" if str(row["check"]) in _SIGNED else ".3g"
    unit = row["unit"]
    value = f"{row['value']:{shape}} against {row['others_median']:{shape}} {unit} in the others"
    return str(row["check"]), value, f"{abs(row['spreads_away']):.0f} times their spread"


def _groups_text(part: pd.DataFrame) -> str:
    """State the two groups of people on either side of the widest gap between their values."""
    rows = part.sort_values("value", kind="stable").to_dict("records")
    name, unit = str(rows[0]["check"]), rows[0]["unit"]
    shape = "+.3g" if name in _SIGNED else ".3g"
    gaps = [after["value"] - row["value"] for row, after in pairwise(rows)]
    cut = gaps.index(max(gaps)) + 1
    told = []
    for group in (rows[:cut], rows[cut:]):
        ends = dict.fromkeys(f"{row['value']:{shape}}" for row in (group[0], group[-1]))
        named = [str(row["person"]) for row in group]
        more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
        told.append(f"{', '.join(named[:_NAMED])}{more} at {' to '.join(ends)} {unit}")
    hint = f"one group may show {_SIGNED[name]}" if name in _SIGNED else "check both groups"
    return (
        f"{name}: the people fall into two groups without a clear majority, "
        f"{' and '.join(told)}; {hint}."
    )


def peer_texts(summary: CohortSummary) -> list[str]:
    """State whose values stand out, what looks misfiled or exchanged, who changes contrasts."""
    peers = summary.tables.get("peers")
    texts = [] if peers is None else standing_texts(peers)
    misfiled = summary.tables.get("misfiled")
    if misfiled is not None:
        texts += [misfiled_text(row) for row in misfiled.to_dict("records")]
    exchanged = summary.tables.get("exchanged")
    if exchanged is not None:
        texts += [exchanged_text(row) for row in exchanged.to_dict("records")]
    return [*texts, *_carried(summary)]


def _carried(summary: CohortSummary) -> list[str]:
    """State on whom firm orders depend: without whom one changes sign or loses its test."""
    influence = summary.tables.get("influence")
    firm = [] if influence is None else of_named(summary).firm
    if influence is None or not firm:
        return []
    pairs = {(line["head"], frozenset(line["order"].split(" above "))) for line in firm}
    turned = influence[influence["turns"] & (influence["outcome"] == MEAN)]
    mine = turned[
        [
            (row["item"], frozenset((row["condition"], row["other"]))) in pairs
            for row in turned.to_dict("records")
        ]
    ]
    alpha = f"{1.0 - summary.confidence:.2g}"
    if mine.empty:
        kept = f"keeps its sign and stays below p {alpha} by itself"
        return [f"Whichever person is left out, every firm order {kept} (influence.csv)."]
    counts = mine.groupby("person", sort=False).size().sort_values(ascending=False)
    named = ", ".join(f"{person} ({count})" for person, count in counts.head(5).items())
    lost = f"changes sign, or is no longer below p {alpha} by itself"
    return [f"Without one of these people a firm order {lost}: {named}; see influence.csv."]


def never_possible(checks: pd.DataFrame) -> list[str]:
    """Name the checks that were possible in no trial."""
    possible = checks["verdict"] != "not possible"
    found = possible.groupby(checks["check"], sort=False).any()
    return [str(name) for name in found.index[~found]]


def never_text(checks: pd.DataFrame) -> str:
    """List the checks that were possible in no trial, and why in the first."""
    told = []
    for name in never_possible(checks):
        note = str(checks.loc[checks["check"] == name, "note"].iloc[0])
        told.append(f"{name} ({note})")
    return f"Possible in no trial, so left out here: {'; '.join(told)}."
