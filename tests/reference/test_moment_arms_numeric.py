"""Lengths and moment arms of every head against ways of working them out that share no code.

- Central differences of the length (computed), with the girdle held where it is, as an arm is the
  moment on the arm as a free body: step 1e-5 rad. The truncation error is
  h²/6 · L''' and the rounding error 1e-16 m / h, both below 1e-7 m unless a span is only
  millimetres long; 1e-6 m is asked.
- SymPy 1.14, LinearPathway across a hinge (computed), for spans that touch nothing.
- A string pulled taut round a circle is the convex hull of the circle and its two ends
  (derived, plane geometry); a cylinder adds the climb along its axis by Pythagoras. The
  circle is a polygon of 100 000 corners, which shortens an arc by less than 1e-9 of itself.
- Round a cylinder whose axis is the hinge the arm is radius × planar length / length
  (derived): the tension's part across the axis acts at the radius.
"""

import dataclasses

import numpy as np
import pytest
import sympy as sm
from scipy.spatial import ConvexHull
from sympy.physics.mechanics import LinearPathway, Point, ReferenceFrame, dynamicsymbols
from tests.held import held_at

from momentshare.directions import ROWS
from momentshare.geometry import rotation_about, round_cylinder
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import Posture, arm_frame, posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

DEG = np.pi / 180.0
STEP = 1e-5
TOLERANCE = 1e-6
LOW = np.array([-45.0, 10.0, -60.0, 5.0, 0.0])
HIGH = np.array([110.0, 120.0, 60.0, 140.0, 150.0])
HEADS = load_model().head_names


@pytest.fixture(scope="module")
def skeleton():
    model = load_model()
    return build_skeleton(
        Person(
            name="average man",
            sex="male",
            stature=model.fits["male", "stature"].mean,
            body_mass=model.fits["male", "body_mass"].mean,
        ),
        model,
    )


def turned(posture, row, angle):
    """The posture after a turn about one row's axis, in the row's positive sense."""
    humerus, flexion, rotation = posture.humerus, posture.elbow_flexion, posture.forearm_rotation
    if row < 3:
        humerus = rotation_about(arm_frame(humerus)[..., row, :], angle) @ humerus
    elif ROWS[row] == "elbow_extension":
        flexion = flexion - angle
    else:
        rotation = rotation + angle
    return Posture(humerus=humerus, elbow_flexion=flexion, forearm_rotation=rotation)


def differences(skeleton, posture):
    """-dL/dq by central differences, girdle held, shape (postures, rows, heads)."""
    held, each = held_at(skeleton, posture), np.arange(len(posture.elbow_flexion))
    rows = []
    for row in range(len(ROWS)):
        ahead, back = (
            paths(held, turned(posture, row, s * STEP), limb=each).length for s in (1, -1)
        )
        rows.append(-(ahead - back) / (2.0 * STEP))
    return np.stack(rows, axis=-2)


@pytest.fixture(scope="module")
def random_arms(skeleton):
    angles = np.random.default_rng(0).uniform(LOW, HIGH, (200, 5)) * DEG
    posture = posture_from_angles(*angles.T)
    return paths(skeleton, posture).moment_arms, differences(skeleton, posture)


@pytest.mark.parametrize("head", HEADS)
def test_moment_arm_equals_negative_length_gradient(random_arms, head):
    got, wanted = (a[..., HEADS.index(head)] for a in random_arms)
    assert np.abs(wanted).max() > 1e-3
    np.testing.assert_allclose(got, wanted, atol=TOLERANCE)


@pytest.mark.parametrize(
    ("head", "angles"),
    [
        ("pectoralis_major/clavicular", (-33.015, 112.688, 54.208, 70.632, 8.016)),
        ("pectoralis_major/sternocostal_upper", (-43.177, 108.188, 54.770, 27.981, 23.041)),
    ],
)
def test_moment_arm_equals_gradient_where_two_surfaces_alternate(skeleton, head, angles):
    posture = posture_from_angles(*(np.array(angles)[:, None] * DEG))
    index = HEADS.index(head)
    np.testing.assert_allclose(
        paths(skeleton, posture).moment_arms[..., index],
        differences(skeleton, posture)[..., index],
        atol=TOLERANCE,
    )


def test_shoulder_moment_vector_is_the_gradient_about_any_axis(skeleton):
    rng = np.random.default_rng(4)
    posture = posture_from_angles(*(rng.uniform(LOW, HIGH, (20, 5)) * DEG).T)
    axis = rng.normal(size=(20, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    held = held_at(skeleton, posture)
    lengths = [
        paths(
            held,
            Posture(
                humerus=rotation_about(axis, s * STEP) @ posture.humerus,
                elbow_flexion=posture.elbow_flexion,
                forearm_rotation=posture.forearm_rotation,
            ),
            limb=np.arange(20),
        ).length
        for s in (1, -1)
    ]
    wanted = -(lengths[0] - lengths[1]) / (2.0 * STEP)
    got = np.einsum("fhk,fk->fh", paths(skeleton, posture).shoulder_moment, axis)
    np.testing.assert_allclose(got, wanted, atol=TOLERANCE)


# ------------------------------------------------------------------ straight spans


def test_straight_span_across_the_elbow_is_a_linear_pathway_on_a_hinge(skeleton):
    humerus, ulna = ReferenceFrame("H"), ReferenceFrame("U")
    q = dynamicsymbols("q")
    ulna.orient_axis(humerus, q, humerus.z)
    hinge, start, end = Point("E"), Point("A"), Point("B")
    turn = 1.1
    elbow = np.array([0.0, -skeleton.sizes.humerus_length, 0.0])
    top, low = skeleton.site["radial_head"], skeleton.site["ulnar_head"]
    axis = (top - low) / np.linalg.norm(top - low)
    spin = rotation_about(axis, turn)
    origin = skeleton.site["pronator_teres_origin"] - elbow
    insertion = top + spin @ (skeleton.site["pronator_teres_insertion"] - top)
    start.set_pos(hinge, sum(float(c) * e for c, e in zip(origin, humerus, strict=True)))
    end.set_pos(hinge, sum(float(c) * e for c, e in zip(insertion, ulna, strict=True)))
    length = LinearPathway(start, end).length
    make = sm.lambdify(q, [length, length.diff(q)])
    index = HEADS.index("pronator_teres")
    for flexion in np.arange(5.0, 141.0, 15.0) * DEG:
        found = paths(skeleton, posture_from_angles(0.3, 0.8, 0.1, flexion, forearm_rotation=turn))
        wanted_length, wanted_slope = make(flexion)
        assert found.length[index] == pytest.approx(wanted_length, abs=1e-13)
        # Extension is the opposite of flexion: arm = -dL/d(extension) = dL/dq.
        assert found.moment_arms[3, index] == pytest.approx(wanted_slope, abs=1e-12)


def test_straight_span_across_the_shoulder_is_a_linear_pathway_on_a_hinge(skeleton):
    thorax, humerus = ReferenceFrame("T"), ReferenceFrame("H")
    q = dynamicsymbols("q")
    # Flexion, in which the muscle is clear of the head: humerus turned about z of the thorax.
    humerus.orient_axis(thorax, q, thorax.z)
    joint, start, end = Point("S"), Point("A"), Point("B")
    skeleton = build_skeleton(skeleton.person, skeleton.model, scapula="resting")
    rotation = body_poses(skeleton, posture_from_angles()).rotation["scapula"]
    origin = rotation @ skeleton.site["coracobrachialis_origin"]
    insertion = skeleton.site["coracobrachialis_insertion"]
    start.set_pos(joint, sum(float(c) * e for c, e in zip(origin, thorax, strict=True)))
    end.set_pos(joint, sum(float(c) * e for c, e in zip(insertion, humerus, strict=True)))
    length = LinearPathway(start, end).length
    make = sm.lambdify(q, [length, length.diff(q)])
    index = HEADS.index("coracobrachialis")
    for elevation in np.arange(40.0, 121.0, 10.0) * DEG:
        forward = posture_from_angles(90.0 * DEG, elevation, -90.0 * DEG)
        found = paths(skeleton, forward)
        wanted_length, wanted_slope = make(elevation)
        assert found.length[index] == pytest.approx(wanted_length, abs=1e-13)
        row = ROWS.index("shoulder_elevation")
        assert found.moment_arms[row, index] == pytest.approx(-wanted_slope, abs=1e-12)


# ------------------------------------------------------------------ wrapped spans

CIRCLE = np.linspace(0.0, 2.0 * np.pi, 100_000, endpoint=False)
CIRCLE = np.stack([np.cos(CIRCLE), np.sin(CIRCLE)], axis=-1)


def taut(p, q, radius, sense):
    """Length of the string from p to q round a circle about the origin, and whether it touches.

    ``sense`` +1 turns anticlockwise from p to q.
    """
    corners = np.concatenate([[p, q], radius * CIRCLE])
    order = list(ConvexHull(corners).vertices)  # anticlockwise
    if 0 not in order or 1 not in order:
        return np.nan, False
    order = np.roll(order, -order.index(0))
    at = int(np.flatnonzero(order == 1)[0])
    side = order[: at + 1] if sense > 0 else np.append(order[at:], 0)
    string = corners[side]
    return float(np.sum(np.linalg.norm(np.diff(string, axis=0), axis=1))), len(side) > 2


@pytest.mark.parametrize("sense", [1, -1])
def test_free_ends_round_a_cylinder_are_a_taut_string(sense):
    rng = np.random.default_rng(8)
    seen = 0
    for _ in range(40):
        radius = rng.uniform(0.01, 0.04)
        angle = rng.uniform(1.2, 3.0)
        reach = rng.uniform(1.1, 5.0, 2) * radius
        p = np.array([reach[0], 0.0])
        q = reach[1] * np.array([np.cos(angle), sense * np.sin(angle)])
        climb = rng.uniform(-0.1, 0.1)
        planar, touches = taut(p, q, radius, sense)
        found = round_cylinder([*p, 0.0], [*q, climb], [0, 0, 0], [0, 0, 1], radius, sense)
        assert bool(found.contact) == touches
        if touches:
            seen += 1
            assert float(found.length) == pytest.approx(np.hypot(planar, climb), rel=1e-8)
    assert seen > 10


ROUND_THE_ELBOW = {
    ("triceps_brachii/lateral", 0): 1,
    ("triceps_brachii/lateral", 1): 1,
    ("triceps_brachii/medial", 0): 1,
    ("triceps_brachii/medial", 1): 1,
    ("anconeus", 0): 1,
    ("brachialis", 0): -1,
    ("brachialis", 1): -1,
}
"""Lines of heads that cross the elbow alone, and the sense in which they round their cylinder."""


def along_one_line(skeleton, head, line):
    """The skeleton with one line of a head alone."""
    heads = tuple(
        dataclasses.replace(h, lines=h.lines[line : line + 1]) if h.name == head else h
        for h in skeleton.model.heads
    )
    return dataclasses.replace(skeleton, model=dataclasses.replace(skeleton.model, heads=heads))


@pytest.mark.parametrize(("head", "line"), sorted(ROUND_THE_ELBOW))
def test_one_joint_line_at_the_elbow_is_a_taut_string_round_its_cylinder(skeleton, head, line):
    sense = ROUND_THE_ELBOW[head, line]
    skeleton = along_one_line(skeleton, head, line)
    index = HEADS.index(head)
    start, surface, end = (step.name for step in skeleton.model.heads[index].lines[0])
    radius = skeleton.radius[surface]
    touched = 0
    for flexion in np.arange(5.0, 141.0, 9.0) * DEG:
        posture = posture_from_angles(elevation=0.6, elbow_flexion=flexion)
        poses = body_poses(skeleton, posture)
        ends = []
        for name in (start, end):
            point = poses.point(skeleton.model.sites[name].body, skeleton.site[name])
            ends.append(posture.humerus.T @ (point - poses.origin["ulna"]))
        # The surface may lie off the hinge; seen from its axis the string is the same.
        centre = skeleton.centre[surface] + [0.0, skeleton.humerus_length, 0.0]
        p, q = ends
        planar, touches = taut(p[:2] - centre[:2], q[:2] - centre[:2], radius, sense)
        climb = q[2] - p[2]
        found = paths(skeleton, posture)
        if not touches:
            assert not found.contact[index]
            assert found.length[index] == pytest.approx(np.linalg.norm(q - p), abs=1e-14)
            continue
        touched += 1
        length = np.hypot(planar, climb)
        assert found.length[index] == pytest.approx(length, rel=1e-8)
        # The triceps pulls towards extension, the brachialis the other way. The arm is the
        # distance of the last straight span from the hinge.
        far = q[:2] - centre[:2]
        reach = np.linalg.norm(far)
        turn = np.arctan2(far[1], far[0]) - sense * np.arccos(radius / reach)
        tangent = centre[:2] + radius * np.array([np.cos(turn), np.sin(turn)])
        way = q[:2] - tangent
        wanted = -(tangent[0] * way[1] - tangent[1] * way[0]) / np.linalg.norm(way)
        assert abs(found.moment_arms[3, index]) == pytest.approx(
            abs(wanted) * planar / length, rel=1e-7
        )
        assert np.sign(found.moment_arms[3, index]) == sense
    assert touched >= 3


def test_wrapped_anconeus_arm_is_the_radius_of_its_surface_whatever_the_bend(skeleton):
    # Its surface lies on the hinge; origin and insertion differ by centimetres along it at most.
    flexion = np.arange(70.0, 141.0, 5.0) * DEG
    found = paths(skeleton, posture_from_angles(elevation=0.2, elbow_flexion=flexion))
    index = HEADS.index("anconeus")
    assert found.contact[:, index].all()
    arm = found.moment_arms[:, 3, index]
    assert (arm <= skeleton.radius["elbow_back_anconeus"] * (1.0 + 1e-9)).all()
    assert (arm > 0.8 * skeleton.radius["elbow_back_anconeus"]).all()


def test_triceps_arm_falls_with_flexion_beyond_60_degrees(skeleton):
    flexion = np.arange(60.0, 141.0, 5.0) * DEG
    found = paths(skeleton, posture_from_angles(elevation=0.2, elbow_flexion=flexion))
    for head in ("triceps_brachii/lateral", "triceps_brachii/medial"):
        assert (np.diff(found.moment_arms[:, 3, HEADS.index(head)]) < 0.0).all()


def test_straight_triceps_would_lose_its_arm_in_deep_flexion(skeleton):
    # What the wrapping is for: the straight line from origin to olecranon passes the hinge.
    posture = posture_from_angles(elevation=0.2, elbow_flexion=130.0 * DEG)
    poses = body_poses(skeleton, posture)
    skeleton = along_one_line(skeleton, "triceps_brachii/medial", 0)
    a = poses.point("humerus", skeleton.site["triceps_medial_upper_origin"])
    b = poses.point("ulna", skeleton.site["triceps_insertion"])
    u = (b - a) / np.linalg.norm(b - a)
    straight = posture.humerus[:, 2] @ np.cross(a - poses.origin["ulna"], u)
    wrapped = paths(skeleton, posture).moment_arms[3, HEADS.index("triceps_brachii/medial")]
    assert straight < 0.5 * wrapped
