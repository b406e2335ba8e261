"""Utilisation of strength in the posture of the task, and the bias of a test elsewhere.

::

    utilisation here   = net moment / greatest moment in that direction, task posture
    utilisation tested = net moment / greatest moment in that direction, test posture
    test-posture bias  = utilisation tested / utilisation here
                       = greatest moment in task posture / greatest moment in test posture

Both capacities use the same definition, braced or balanced, so that the bias reflects posture,
speed and mode and nothing else. With a measured test result the bias carries over: corrected
utilisation = (net moment / measured) / bias.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from momentshare.directions import ROWS, moment_direction
from momentshare.errors import InputError, nearest_name
from momentshare.inputs import MOMENTS, csv_rows, read_text, shown
from momentshare.posture import Posture, posture_from_angles
from momentshare.strength.capacity import (
    DEFINITIONS,
    StrengthTest,
    joint_strength,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from momentshare.limb import Limb

__all__ = [
    "UTILISATION_COLUMNS",
    "NetMoment",
    "corrected_utilisation",
    "read_moments",
]

UTILISATION_COLUMNS = (
    "person",
    "condition",
    "row",
    "direction",
    "others",
    "moment_nm",
    "moment_nm_sd",
    "greatest_here_nm",
    "greatest_test_nm",
    "utilisation_here",
    "utilisation_tested",
    "test_posture_bias",
    "measured_nm",
    "utilisation_of_measured",
    "corrected_utilisation",
    "corrected_utilisation_sd",
    "note",
)

_POSTURE = ("plane_deg", "elevation_deg", "axial_deg", "elbow_flexion_deg", "forearm_rotation_deg")
_DEFAULTS = {"plane_deg": 0.0, "axial_deg": 0.0, "forearm_rotation_deg": 90.0}
_NEEDED = ("condition", "row", "moment_nm")
_KNOWN = (*_NEEDED, "sd_nm", "measured_nm", "height_fraction", *_POSTURE)

_LIMITS = {
    "moment_nm": (-1000.0, 1000.0),
    "sd_nm": (0.0, 1000.0),
    "measured_nm": (1e-6, 1000.0),
    "height_fraction": (0.0, 1.0),
    "plane_deg": (-180.0, 180.0),
    "elevation_deg": (0.0, 170.0),
    "axial_deg": (-180.0, 180.0),
    "elbow_flexion_deg": (0.0, 160.0),
    "forearm_rotation_deg": (-20.0, 200.0),
}
"""Least and greatest value of each numeric field: beyond any arm, hence a wrong unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetMoment:
    """One net joint moment of one condition.

    Parameters
    ----------
    condition : str
    row : str
        A name of :data:`momentshare.directions.ROWS`.
    moment : float
        Signed as the row is [N·m].
    sd : float, optional
        Standard deviation [N·m].
    measured : float, optional
        Greatest moment in the strength test of this direction [N·m].
    angles : mapping, optional
        Posture of the task, angles of :func:`momentshare.posture.posture_from_angles` [rad].
    height_fraction : float, optional
        Place along the lift of a condition of the study, instead of angles.
    """

    condition: str
    row: str
    moment: float
    sd: float | None = None
    measured: float | None = None
    angles: Mapping[str, float] | None = None
    height_fraction: float | None = None


def corrected_utilisation(
    limb: Limb,
    moments: Sequence[NetMoment],
    test: StrengthTest,
    *,
    postures: Mapping[int, Posture] | None = None,
) -> pd.DataFrame:
    """Utilisation in the task's own posture, with the bias of the test's posture.

    Parameters
    ----------
    limb : Limb
        Limb whose strength is used.
    moments : sequence of NetMoment
        Each with ``angles``, unless its posture is given.
    test : StrengthTest
        Posture, speed and mode of the strength test.
    postures : mapping, optional
        Place of a moment → its posture, without batch axes, instead of ``angles``.

    Returns
    -------
    DataFrame
        One line per moment and each of :data:`DEFINITIONS`, columns :data:`UTILISATION_COLUMNS`
        with units in their names. The mapping from ``moment / measured`` to
        ``corrected_utilisation`` is a division by ``test_posture_bias``; standard deviations scale
        likewise. Where a capacity is zero, negative or cannot be found, values are NaN and ``note``
        says why.

    Raises
    ------
    InputError
        A moment without a posture.

    Examples
    --------
    >>> import math
    >>> from momentshare.limb import build_limb
    >>> from momentshare.model import load_model
    >>> from momentshare.person import Person
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> task = {"elevation": math.radians(70), "elbow_flexion": math.radians(90)}
    >>> moment = NetMoment(
    ...     condition="press", row="elbow_extension", moment=20.0, angles=task | {
    ...         "forearm_rotation": math.radians(90)}
    ... )
    >>> same = StrengthTest(elevation_deg=70.0)
    >>> table = corrected_utilisation(limb, [moment], same)
    >>> bool((table["test_posture_bias"].round(9) == 1.0).all())
    True
    """
    records: list[dict[str, object]] = []
    tested: dict[tuple[str, str], float] = {}
    for index, item in enumerate(moments):
        if postures is not None and index in postures:
            posture = postures[index]
        elif item.angles is not None:
            posture = posture_from_angles(**item.angles)
        else:
            raise InputError(
                f"condition {item.condition!r}, {item.row}: the task's posture is missing; "
                "give the angles of elbow and upper arm"
            )
        direction = moment_direction(item.row, item.moment).name
        for others in DEFINITIONS:
            here = float(joint_strength(limb, posture, direction, others=others))
            key = (direction, others)
            if key not in tested:
                tested[key] = float(
                    joint_strength(limb, test.posture(), direction, others=others, speed=test.speed)
                )
            records.append(_record(limb, item, direction, others, here, tested[key]))
    return pd.DataFrame(records, columns=list(UTILISATION_COLUMNS))


def _record(
    limb: Limb, item: NetMoment, direction: str, others: str, here: float, there: float
) -> dict[str, object]:
    size = abs(item.moment)
    notes = [
        f"no strength in this direction in the {place} posture"
        for place, value in (("task", here), ("test", there))
        if not value > 0.0
    ]
    usable_here = here if here > 0.0 else math.nan
    usable_there = there if there > 0.0 else math.nan
    bias = usable_here / usable_there
    measured = math.nan if item.measured is None else item.measured
    spread = math.nan if item.sd is None else item.sd
    # Without a test result, the model's own capacity in the task posture replaces it.
    scale = measured * bias if item.measured is not None else usable_here
    return {
        "person": limb.skeleton.person.name,
        "condition": item.condition,
        "row": item.row,
        "direction": direction,
        "others": others,
        "moment_nm": item.moment,
        "moment_nm_sd": spread,
        "greatest_here_nm": here,
        "greatest_test_nm": there,
        "utilisation_here": size / usable_here,
        "utilisation_tested": size / usable_there,
        "test_posture_bias": bias,
        "measured_nm": measured,
        "utilisation_of_measured": size / measured,
        "corrected_utilisation": size / scale,
        "corrected_utilisation_sd": spread / scale,
        "note": "; ".join(notes),
    }


def read_moments(path: str | Path) -> list[NetMoment]:
    """Read net joint moments from a CSV file.

    Columns ``condition``, ``row``, ``moment_nm``; optional ``sd_nm``, ``measured_nm`` (result of
    the strength test) and the task's posture: ``elbow_flexion_deg`` and ``elevation_deg`` together,
    with ``plane_deg`` (0), ``axial_deg`` (0) and ``forearm_rotation_deg`` (90) if they differ from
    the value in brackets; or ``height_fraction``, 0 chest to 1 lock-out, of a condition of the
    study.

    Raises
    ------
    InputError
        One line for each fault: file, row, field, value and remedy.
    """
    place = Path(path)
    lines = csv_rows(read_text(place, MOMENTS), shown(place))
    if not lines:
        raise InputError(f"{place}: is empty; the first line names {', '.join(_NEEDED)}")
    header = [cell.strip() for cell in lines[0][1]]
    faults = [
        f"header: column {name!r} is missing; add it" for name in _NEEDED if name not in header
    ]
    for name in header:
        if name not in _KNOWN:
            faults.append(f"header: unknown column {name!r}; {nearest_name(name, _KNOWN)}")
        elif header.count(name) > 1:
            faults.append(f"header: column {name!r} is given more than once; keep one")
    if len(lines) == 1:
        faults.append("holds a header but no moments; add a line for each")
    if faults:
        raise InputError(f"{place}: the moments cannot be used:", list(dict.fromkeys(faults)))
    found = []
    for number, line in lines[1:]:
        if len(line) != len(header):
            faults.append(
                f"row {number}: must have {len(header)} fields, as the header does; got {len(line)}"
            )
            continue
        cells = {name: cell.strip() for name, cell in zip(header, line, strict=True)}
        item = _line(cells, number, faults)
        if item is not None:
            found.append(item)
    if faults:
        raise InputError(f"{place}: the moments cannot be used:", faults)
    return found


def _line(cells: Mapping[str, str], number: int, faults: list[str]) -> NetMoment | None:
    before = len(faults)
    values = _cell_values(cells, number, faults)
    if not cells["condition"]:
        faults.append(f"row {number}, condition: is empty; name the condition")
    if cells["row"] not in ROWS:
        faults.append(
            f"row {number}, row: unknown moment row {cells['row']!r}; "
            f"{nearest_name(cells['row'], ROWS)}"
        )
    if not cells["moment_nm"]:
        faults.append(f"row {number}, moment_nm: is empty; give the net moment [N*m]")
    complete = len(faults) == before
    faults += [f"row {number}: {fault}" for fault in _posture_faults(values, complete=complete)]
    if len(faults) > before:
        return None
    given = {name: values[name] for name in _POSTURE if name in values}
    angles = None
    if given:
        stated = _DEFAULTS | given
        angles = {name.removesuffix("_deg"): math.radians(v) for name, v in stated.items()}
    return NetMoment(
        condition=cells["condition"],
        row=cells["row"],
        moment=values["moment_nm"],
        sd=values.get("sd_nm"),
        measured=values.get("measured_nm"),
        angles=angles,
        height_fraction=values.get("height_fraction"),
    )


def _cell_values(cells: Mapping[str, str], number: int, faults: list[str]) -> dict[str, float]:
    """Numbers of a line by column; what is not a number, or is out of range, is reported."""
    values: dict[str, float] = {}
    for name, (low, high) in _LIMITS.items():
        text = cells.get(name, "")
        if not text:
            continue
        try:
            value = float(text)
        except ValueError:
            faults.append(
                f"row {number}, {name}: must be a number with a decimal point; got {text!r}"
            )
            continue
        if not math.isfinite(value) or not low <= value <= high:
            faults.append(
                f"row {number}, {name}: must be between {low:g} and {high:g}; got {text}; "
                "check the unit"
            )
            continue
        values[name] = value
    return values


def _posture_faults(values: Mapping[str, float], *, complete: bool) -> Iterator[str]:
    """State what is wrong with the posture of a line; ``complete`` if nothing else is."""
    given = [name for name in _POSTURE if name in values]
    if given and not {"elbow_flexion_deg", "elevation_deg"} <= set(given):
        yield (
            f"a posture needs elbow_flexion_deg and elevation_deg; got {', '.join(given)}; "
            "add the missing one"
        )
    if given and "height_fraction" in values:
        yield "give height_fraction or the angles, not both"
    if not given and "height_fraction" not in values and complete:
        yield (
            "the task's posture is missing; give elbow_flexion_deg and elevation_deg, or "
            "height_fraction of a condition of the study"
        )
