"""How trunk, joint centre, grip and girdle were found; what another way would change."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import row_named
from momentshare.trial.motion.others import STEEPER
from momentshare.trial.motion.ways import WAY_TEXTS

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.cohort.run import CohortResult

__all__ = ["places_text"]

_NAMES = {
    "trunk": "The trunk",
    "joint_centre": "The joint centre",
    "grip": "The grip",
    "girdle": "The girdle",
}


def places_text(result: CohortResult) -> str:
    """State in a paragraph which way was used for each place; empty without landmarks."""
    trials = [o.record["places"] for o in result.counted if o.record.get("places")]
    if not trials:
        return ""
    table = result.table("places")
    parts = []
    for place, name in _NAMES.items():
        counts = Counter(record[place]["way"] for record in trials if place in record)
        if not counts:
            continue
        ways = ", ".join(
            f"{WAY_TEXTS[place, way]} ({_trials(n)})" for way, n in counts.most_common()
        )
        parts.append(f"{name} was taken {ways}{_changes(table, place)}.")
        if place == "trunk":
            parts += _slopes(trials, table)
    told = sum(bool(o.record.get("calibration")) for o in result.counted)
    if told:
        parts.append(f"In {_trials(told)} a static or functional trial of the person was used.")
    return " ".join(parts)


def _slopes(trials: list[dict[str, Any]], table: pd.DataFrame) -> list[str]:
    """State where a slope of the sternum that was not measured comes from, and what it may cost."""
    trunks = [record["trunk"] for record in trials if "slope_spread" in record.get("trunk", {})]
    if not trunks:
        return []
    compared = [trunk for trunk in trunks if trunk["slope_people"]]
    angles = np.degrees([trunk["slope"] for trunk in compared or trunks])
    low, high = round(min(angles)), round(max(angles))
    sizes = f"{low} degrees" if low == high else f"{low} to {high} degrees"
    where = f"assumed to be {sizes}"
    if compared:
        people = round(max(trunk["slope_people"] for trunk in compared))
        where = f"taken, at {sizes}, from how it lay on the bench among those of {people} people"
        if len(compared) < len(trunks):
            where += f" (assumed in {_trials(len(trunks) - len(compared))})"
    off = np.degrees(np.sqrt(np.mean([trunk["slope_spread"] ** 2 for trunk in trunks])))
    text = (
        f"The slope of the sternum was not measured in {_trials(len(trunks))}: it was {where}, "
        f"and may be off by {off:.1f} degrees"
    )
    steeper = table[table["other"] == STEEPER] if len(table) else table
    if len(steeper):
        squares = steeper["rms_change_nm"] ** 2
        size = np.sqrt(squares.groupby(steeper["row"]).mean())
        text += (
            f", which stands for an error of {size.max():.1f} N·m in "
            f"{row_named(str(size.idxmax())).label} (root mean square), alike in all lifts of a "
            "person"
        )
    return [f"{text}."]


def _trials(count: int) -> str:
    return "1 trial" if count == 1 else f"{count} trials"


def _changes(table: pd.DataFrame, place: str) -> str:
    """Greatest change of a moment by each other way, over the trials that count."""
    if table.empty:
        return ""
    mine = table[(table["place"] == place) & table["rms_change_nm"].notna()]
    mine = mine[mine["other"] != STEEPER]
    said = []
    for other, rows in mine.groupby("other", sort=False):
        squares = rows["rms_change_nm"] ** 2
        size = np.sqrt(squares.groupby(rows["row"]).mean())
        if size.max() >= _WORTH_SAYING:
            said.append(
                f"taken {WAY_TEXTS[place, str(other)]} instead, it would change "
                f"{row_named(str(size.idxmax())).label} most, by {size.max():.1f} N·m "
                "root mean square"
            )
    return f"; {'; '.join(said)}" if said else ""


_WORTH_SAYING = 0.05
"""Change of a moment [N·m] from which another way is told; assumed."""
