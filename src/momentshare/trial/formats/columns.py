"""Find the columns of a table that a layout requests; say what to change if one is missing."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from momentshare.trial.formats.layout import suggestion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.trial.formats.layout import LayoutEntry
    from momentshare.trial.formats.wanted import Wanted

__all__ = ["column_places"]


def column_places(
    header: Sequence[str], layout: LayoutEntry, wanted: Sequence[Wanted], hint: str
) -> tuple[dict[str, int], list[str]]:
    """Find the column of every label that is requested.

    Parameters
    ----------
    header : sequence of str
        Names of the columns.
    layout : LayoutEntry
    wanted : sequence of Wanted
    hint : str
        What is wrong with the whole header, or empty; replaces the list of similar names.

    Returns
    -------
    places : dict
        Label → column, from 0.
    faults : list of str
        Labels that no column or several columns have. Signals that miss the endings of ``axes``
        in the same way share one line.
    """
    counts = Counter(header)
    lost = [w for w in wanted if w.stem and not any(counts[label] for label in w.labels)]
    asked = [
        (f"{want.role}: ", label)
        for want in wanted
        if want not in lost
        for label in want.labels
        if label
    ]
    if layout.time_column is not None:
        asked.insert(0, ("time_column: ", layout.time_column))
    places: dict[str, int] = {}
    faults: list[str] = []
    for role, label in asked:
        if counts[label] == 1:
            places[label] = header.index(label)
        elif counts[label]:
            faults.append(f"{role}{counts[label]} columns are called {label!r}; rename them")
        else:
            near = suggestion(label, header, "named columns")
            faults.append(f"{role}there is no column {label!r}{hint or '; ' + near}")
    return places, faults + _lost(header, lost, hint)


def _lost(header: Sequence[str], lost: Sequence[Wanted], hint: str) -> list[str]:
    """Faults of labels none of whose columns exists, one for all with the same remedy."""
    faults: list[str] = []
    mended: dict[tuple[str, ...], list[Wanted]] = {}
    for want in lost:
        endings = None if hint else _endings(header, want.stem)
        if endings is not None:
            mended.setdefault(endings, []).append(want)
            continue
        near = hint or (
            f"; {suggestion(want.stem, header, 'named columns')} Set axes to the endings in the "
            "file, or give the three labels"
        )
        faults.append(
            f"{want.role}: there are no columns for {want.stem!r}, looked for "
            f"{_listed(want.labels)} (label and axes){near}"
        )
    for endings, wants in mended.items():
        first = wants[0]
        others = ", ".join(want.role for want in wants[1:])
        more = f", and likewise for {others}" if others else ""
        seen = _listed([first.stem + ending for ending in endings])
        stated = ", ".join(f'"{ending}"' for ending in endings)
        faults.append(
            f"axes: for {first.role}, looked for {_listed(first.labels)}{more}; the file has "
            f"{seen}: set axes = [{stated}], or give the three labels"
        )
    return faults


def _endings(header: Sequence[str], stem: str) -> tuple[str, ...] | None:
    """Find the endings for x, y and z that columns of this stem have, if unambiguous."""
    found: dict[str, dict[str, str]] = {}
    for name in dict.fromkeys(header):
        ending = name.removeprefix(stem)
        axis = ending[-1:].lower()
        if ending != name and ending.isprintable() and '"' not in ending and axis in set("xyz"):
            found.setdefault(ending[:-1], {}).setdefault(axis, ending)
    whole = {between: by for between, by in found.items() if len(by) == len("xyz")}
    if len(whole) > 1:  # as with labels IJ and IJ2
        whole = {b: by for b, by in whole.items() if not any(c.isalnum() for c in b)}
    return tuple(next(iter(whole.values()))[a] for a in "xyz") if len(whole) == 1 else None


def _listed(names: Sequence[str]) -> str:
    return ", ".join(map(repr, names))
