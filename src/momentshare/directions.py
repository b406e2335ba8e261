"""The components of a joint moment, and what each is called in either direction.

A row is one component of the moment that the limb must carry; a direction is a row with a sign.
This module is the only place that defines the order of rows, their signs, the names of directions
in files and in sentences, and the muscle groups that a strength test in a direction rescales.

Signs: about the humeral axis internal rotation is positive; in the plane of elevation,
elevation; across that plane, horizontal adduction; at the elbow, extension; in the forearm,
pronation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from momentshare.errors import UnknownNameError

__all__ = [
    "DIRECTIONS",
    "ROWS",
    "TESTED",
    "Direction",
    "DirectionName",
    "Row",
    "TestedName",
    "direction_named",
    "moment_direction",
    "row_named",
]


TestedName: TypeAlias = Literal[
    "shoulder_internal_rotation",
    "shoulder_elevation",
    "shoulder_lowering",
    "shoulder_horizontal_adduction",
    "elbow_extension",
    "elbow_flexion",
]
"""Names of :data:`TESTED`, for type checkers."""

DirectionName: TypeAlias = (
    TestedName
    | Literal[
        "shoulder_external_rotation",
        "shoulder_horizontal_abduction",
        "forearm_pronation",
        "forearm_supination",
    ]
)
"""Names of :data:`DIRECTIONS`, likewise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """One of the two directions of a moment row.

    Parameters
    ----------
    name : str
        As in files and tables.
    row : str
        Name of its row.
    sign : {1, -1}
        Of a moment of that row in this direction.
    noun : str
        Used where the joint is known, as in "pulls towards extension".
    label : str
        Short form for figures, as in "horizontal adduction".
    words : str
        Used on its own, as in "shoulder horizontal adduction".
    groups : tuple of str
        Muscle groups that the result of a strength test in this direction rescales; empty
        where no such test is taken.
    """

    name: DirectionName
    row: str
    sign: int
    noun: str
    label: str
    words: str
    groups: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A component of the joint moment, named after its positive direction.

    Parameters
    ----------
    joint : {"shoulder", "elbow", "forearm"}
    axis : str
        What the moment turns about, in words.
    positive, negative : Direction
    """

    joint: str
    axis: str
    positive: Direction
    negative: Direction

    @property
    def name(self) -> str:
        """As in files and tables."""
        return self.positive.name

    @property
    def label(self) -> str:
        """Short, in figures."""
        return self.positive.label


def _row(joint: str, axis: str, positive: dict[str, Any], negative: dict[str, Any]) -> Row:
    """Row from what its directions do not share; texts that are not given follow from the name."""
    row = positive["name"]

    def side(sign: int, given: dict[str, Any]) -> Direction:
        words = given["name"].replace("_", " ")
        told = {"noun": words.removeprefix(f"{joint} "), "words": words} | given
        label = told["words" if joint == "elbow" else "noun"]
        return Direction(row=row, sign=sign, label=label, **told)

    return Row(joint=joint, axis=axis, positive=side(1, positive), negative=side(-1, negative))


_EVERY = (
    _row(
        "shoulder",
        "the humeral axis",
        {"name": "shoulder_internal_rotation", "groups": ("rotator_cuff",)},
        {"name": "shoulder_external_rotation"},
    ),
    _row(
        "shoulder",
        "the normal of the plane of elevation",
        {"name": "shoulder_elevation", "groups": ("deltoid",)},
        {
            "name": "shoulder_lowering",
            "noun": "lowering of the arm",
            "words": "lowering of the arm",
            "groups": ("shoulder_flexors_adductors", "shoulder_extensors"),
        },
    ),
    _row(
        "shoulder",
        "the line square to the humerus in the plane of elevation",
        {
            "name": "shoulder_horizontal_adduction",
            "groups": ("shoulder_flexors_adductors", "deltoid"),
        },
        {"name": "shoulder_horizontal_abduction"},
    ),
    _row(
        "elbow",
        "the elbow hinge",
        {"name": "elbow_extension", "groups": ("elbow_extensors",)},
        {"name": "elbow_flexion", "groups": ("elbow_flexors",)},
    ),
    _row(
        "forearm",
        "the forearm axis",
        {"name": "forearm_pronation"},
        {"name": "forearm_supination"},
    ),
)

_BY_NAME = {row.name: row for row in _EVERY}

ROWS = tuple(_BY_NAME)
"""Names of the moment rows, in the order used by every array."""

DIRECTIONS: dict[str, Direction] = {
    side.name: side for row in _EVERY for side in (row.positive, row.negative)
}
"""Name of a direction → the direction; two per row."""

TESTED: dict[str, Direction] = {name: side for name, side in DIRECTIONS.items() if side.groups}
"""Directions in which the strength test of a person can be given."""


def row_named(name: str) -> Row:
    """Return the row of this name, or raise ``UnknownNameError`` with the nearest one.

    Examples
    --------
    >>> row_named("elbow_extension").joint
    'elbow'
    """
    if name not in _BY_NAME:
        raise UnknownNameError("moment row", name, ROWS)
    return _BY_NAME[name]


def direction_named(name: str) -> Direction:
    """Return the direction of this name, or raise ``UnknownNameError`` with the nearest one.

    Examples
    --------
    >>> direction_named("elbow_flexion").sign
    -1
    """
    if name not in DIRECTIONS:
        raise UnknownNameError("direction", name, DIRECTIONS)
    return DIRECTIONS[name]


def moment_direction(row: str, moment: float) -> Direction:
    """Return the direction of a signed moment about a row; zero counts as positive.

    Examples
    --------
    >>> moment_direction("elbow_extension", -3.0).words
    'elbow flexion'
    """
    found = row_named(row)
    return found.negative if moment < 0.0 else found.positive
