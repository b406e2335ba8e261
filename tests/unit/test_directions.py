"""Rows and directions are named once, and the names agree with what the limb does."""

import math
from typing import get_args

import numpy as np
import pytest

from momentshare.directions import (
    DIRECTIONS,
    ROWS,
    TESTED,
    DirectionName,
    TestedName,
    direction_named,
    moment_direction,
    row_named,
)
from momentshare.errors import UnknownNameError
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import arm_frame, posture_from_angles
from momentshare.uncertainty.plan import CRITERIA, CriterionName

# Action of a head that no textbook of anatomy disputes, arm at the side, elbow at a right angle.
ACTS = {
    "shoulder_internal_rotation": "subscapularis/upper",
    "shoulder_external_rotation": "infraspinatus/upper",
    "shoulder_elevation": "deltoid/acromial",
    "shoulder_lowering": "latissimus_dorsi/lower",
    "shoulder_horizontal_adduction": "pectoralis_major/clavicular",
    "shoulder_horizontal_abduction": "deltoid/spinal",
    "elbow_extension": "triceps_brachii/lateral",
    "elbow_flexion": "brachialis",
    "forearm_pronation": "pronator_teres",
    "forearm_supination": "biceps_brachii/long",
}


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    return build_limb(person, load_model())


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_a_head_pulls_in_the_direction_that_its_arm_is_called_by(limb, direction):
    turn = math.radians(60.0)
    bent = posture_from_angles(elevation=turn, elbow_flexion=turn, forearm_rotation=turn)
    arms = limb.paths(bent).moment_arms[:, limb.head_names.index(ACTS[direction])]
    found = DIRECTIONS[direction]
    arm = arms[ROWS.index(found.row)]
    assert abs(arm) > 0.003
    assert moment_direction(found.row, arm).name == direction


def test_names_that_a_type_checker_knows_are_all_and_no_others():
    names = get_args(DirectionName)
    assert {word for part in names for word in get_args(part) or (part,)} == set(DIRECTIONS)
    assert set(get_args(TestedName)) == set(TESTED)
    assert set(get_args(CriterionName)) == {"study", *CRITERIA}


def test_every_row_has_two_directions_of_opposite_sign():
    assert list(DIRECTIONS)[::2] == list(ROWS)
    for name in ROWS:
        row = row_named(name)
        assert (row.name, row.positive.sign, row.negative.sign) == (name, 1, -1)
        assert {row.positive.row, row.negative.row} == {name}
        assert name.startswith(f"{row.joint}_")
    for kind in ("name", "label", "words"):
        assert len({getattr(d, kind) for d in DIRECTIONS.values()}) == 2 * len(ROWS)


def test_axes_are_those_of_the_arm_frame():
    """The axes in words, for an arm raised 40 degrees in the scapular plane."""
    posture = posture_from_angles(plane=math.radians(30.0), elevation=math.radians(40.0))
    shaft = -posture.humerus[:, 1]
    along, normal, across = arm_frame(posture.humerus)
    plane_normal = np.cross(shaft, [0.0, 1.0, 0.0])
    assert abs(along @ shaft) == pytest.approx(1.0)
    assert row_named(ROWS[0]).axis == "the humeral axis"
    assert normal @ plane_normal == pytest.approx(np.linalg.norm(plane_normal))
    assert row_named(ROWS[1]).axis == "the normal of the plane of elevation"
    assert across @ plane_normal == pytest.approx(0.0, abs=1e-15)
    assert across @ shaft == pytest.approx(0.0, abs=1e-15)
    assert row_named(ROWS[2]).axis == "the line square to the humerus in the plane of elevation"


def test_tested_groups_are_groups_of_the_model():
    groups = {head.group for head in load_model().heads}
    assert TESTED
    for direction in TESTED.values():
        assert set(direction.groups) <= groups


@pytest.mark.parametrize("moment", [0.0, 2.0, float("nan")])
def test_what_is_not_negative_is_called_by_the_row(moment):
    assert moment_direction("elbow_extension", moment).words == "elbow extension"
    assert moment_direction("elbow_extension", -1e-9).words == "elbow flexion"


def test_unknown_names_get_the_nearest():
    with pytest.raises(UnknownNameError, match="elbow_flexion"):
        direction_named("elbow_flexoin")
    for find in (row_named, lambda name: moment_direction(name, 1.0)):
        with pytest.raises(UnknownNameError, match="moment row"):
            find("elbow_flexion")
