"""Planar press with massless links and the humerus abducted 90 degrees, in closed form.

Source: plane statics. Derived. Shoulder at the origin, x outward, z up; hand (x, z), elbow
(xe, ze); each hand carries F straight up and pushes outward with r F:

    shoulder (horizontal adduction +)   F (x - r z)
    elbow (extension +)                 F (r (z - ze) - (x - xe))

Upper arm 0.30 m, forearm to grip 0.27 m, biacromial breadth 0.40 m, F 500 N, z 0.25 m. The
numbers listed were worked out by hand to 0.1 N·m with the elbow to 1 mm.
"""

import dataclasses

import numpy as np
import pytest

from momentshare.directions import ROWS
from momentshare.exercise import Lift
from momentshare.exercise.demand import demand
from momentshare.geometry import rotation_from_axes
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import Posture
from momentshare.skeleton import build_skeleton
from momentshare.units import GRAVITY

UPPER, FORE, BREADTH, FORCE, HEIGHT = 0.30, 0.27, 0.40, 500.0, 0.25
LISTED = [
    # spacing, hand x, elbow, ratio, shoulder, elbow moment
    (1.0, 0.000, (0.254, 0.159), 0.00, 0.0, 127.1),
    (1.0, 0.000, (0.254, 0.159), -0.10, 12.5, 122.6),
    (1.4, 0.080, (0.289, 0.079), 0.00, 40.0, 104.6),
    (1.7, 0.140, (0.298, 0.031), 0.00, 70.0, 79.2),
    (1.7, 0.140, (0.298, 0.031), 0.15, 51.2, 95.6),
    (1.7, 0.140, (0.298, 0.031), 0.30, 32.5, 112.0),
]
SHOULDER = ROWS.index("shoulder_horizontal_adduction")
ELBOW = ROWS.index("elbow_extension")


@pytest.fixture(scope="module")
def skeleton():
    """Links of the example; the shoulder at half the biacromial breadth."""
    model = load_model()
    made = build_skeleton(
        Person(
            name="links",
            sex="male",
            stature=1.75,
            body_mass=80.0,
            biacromial_breadth=BREADTH,
            humerus_length=UPPER,
            forearm_length=0.25,
            grip_length=FORE,
        ),
        model,
        scapula="resting",
    )
    # The girdle held, so that the joint stays where the example has it.
    joint = np.array([-0.05, -0.04, 0.5 * BREADTH])
    root = made.girdle.root + joint - made.joint_centre
    girdle = dataclasses.replace(made.girdle, root=root)
    return dataclasses.replace(made, joint_centre=joint, girdle=girdle)


def elbow_of(x):
    """Outer intersection of the circles about shoulder and hand."""
    reach = np.hypot(x, HEIGHT)
    along = (UPPER**2 - FORE**2 + reach**2) / (2.0 * reach)
    aside = np.sqrt(UPPER**2 - along**2)
    ux, uz = x / reach, HEIGHT / reach
    return along * ux + aside * uz, along * uz - aside * ux


def planar_lift(skeleton, x):
    """One frame: x outward is thorax z, up is thorax x, the plane is level with the shoulder."""
    xe, ze = elbow_of(x)
    joint = skeleton.joint_centre
    elbow = joint + np.array([ze, 0.0, xe])
    hand = joint + np.array([HEIGHT, 0.0, x])
    y = -(elbow - joint) / UPPER
    fore = (hand - elbow) / FORE
    hinge = np.cross(-y, fore)
    hinge /= np.linalg.norm(hinge)
    flexion = np.arctan2(np.linalg.norm(np.cross(-y, fore)), -y @ fore)
    return Lift(
        fraction=np.zeros(1),
        height=np.array([HEIGHT]),
        time=None,
        posture=Posture(
            humerus=rotation_from_axes(np.cross(y, hinge), y, hinge)[None],
            elbow_flexion=np.array([flexion]),
            forearm_rotation=np.array([np.pi / 2]),
        ),
        shoulder=joint[None],
        hand=hand[None],
        elbow=elbow[None],
        up=np.array([1.0, 0.0, 0.0]),
        load_mass=FORCE / GRAVITY,
        lateral_axis=np.array([0.0, 0.0, 1.0]),
        lateral_free=True,
        reachable=np.array([True]),
        gap=np.zeros(1),
        breaches=(),
        motion=None,
    )


def moments_of_load(skeleton, x, ratio):
    """Rows without the weight of the segments: the links of the example have none."""
    need = demand(skeleton, planar_lift(skeleton, x))
    return (need.moments(ratio * FORCE) - need.limb_moments)[0]


@pytest.mark.parametrize(("spacing", "x", "elbow", "ratio", "shoulder", "extension"), LISTED)
def test_rows_are_the_listed_numbers(skeleton, spacing, x, elbow, ratio, shoulder, extension):
    assert x == pytest.approx(0.5 * spacing * BREADTH - skeleton.joint_centre[2])
    # Printed to 1 mm, hence half a millimetre.
    assert elbow_of(x) == pytest.approx(elbow, abs=5e-4)
    got = moments_of_load(skeleton, x, ratio)
    # Printed to 0.1 N·m, hence half of it.
    assert got[SHOULDER] == pytest.approx(shoulder, abs=0.0501)
    assert got[ELBOW] == pytest.approx(extension, abs=0.0501)


@pytest.mark.parametrize("ratio", [-0.3, -0.1, 0.0, 0.15, 0.4])
@pytest.mark.parametrize("x", [-0.05, 0.0, 0.08, 0.14, 0.2])
def test_rows_are_the_closed_form(skeleton, x, ratio):
    xe, ze = elbow_of(x)
    got = moments_of_load(skeleton, x, ratio)
    assert got[SHOULDER] == pytest.approx(FORCE * (x - ratio * HEIGHT), abs=1e-10)
    assert got[ELBOW] == pytest.approx(FORCE * (ratio * (HEIGHT - ze) - (x - xe)), abs=1e-10)
    # Nothing acts out of the plane: no moment in the plane of elevation or about the shaft.
    assert got[0] == pytest.approx(0.0, abs=1e-10)
    assert got[1] == pytest.approx(0.0, abs=1e-10)


def test_elbow_moment_vanishes_when_the_force_runs_along_the_forearm(skeleton):
    xe, ze = elbow_of(0.08)
    ratio = (0.08 - xe) / (HEIGHT - ze)
    assert moments_of_load(skeleton, 0.08, ratio)[ELBOW] == pytest.approx(0.0, abs=1e-10)


def test_shoulder_moment_vanishes_when_the_force_runs_through_the_shoulder(skeleton):
    assert moments_of_load(skeleton, 0.08, 0.08 / HEIGHT)[SHOULDER] == pytest.approx(0.0, abs=1e-10)


def test_ratio_error_of_fifteen_hundredths_moves_the_moments_by_sixteen_to_nineteen(skeleton):
    wide = [moments_of_load(skeleton, 0.14, r) for r in (0.0, 0.15)]
    assert wide[0][SHOULDER] - wide[1][SHOULDER] == pytest.approx(18.75, abs=1e-9)
    assert 16.0 < wide[1][ELBOW] - wide[0][ELBOW] < 19.0
