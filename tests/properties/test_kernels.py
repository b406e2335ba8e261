"""Compiled surfaces and paths against their NumPy twins, whatever the numbers."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from momentshare import geometry
from momentshare._kernels.surfaces import round_cylinder, round_sphere
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import build_skeleton

ROUNDING = 1e-14
"""Fifty roundings of numbers up to 1, in metres or radians."""

SKELETON = build_skeleton(
    Person(name="Ben", sex="male", stature=1.83, body_mass=90.0), load_model()
)

surfaces = pytest.mark.parametrize("kind", ["sphere", "cylinder"])
part = st.floats(-1.0, 1.0)
point = st.tuples(part, part, part)
# Heights over the surface as shares of the radius; zero is on it, below zero inside.
height = st.one_of(
    st.floats(1e-3, 20.0), st.sampled_from([0.0, 1e-12, 1e-9, 1e-6, -1e-12, -0.5, -1.0])
)
# Turns from start to end, with those at which a path begins, jumps, or lies in one line.
turn = st.one_of(
    st.floats(-math.pi, math.pi),
    st.sampled_from([0.0, 1e-13, 1e-10, -1e-10, 1e-7, math.pi, -math.pi, math.pi / 2]),
)


def placed(radius, heights, angle, shift):
    """Start and end at given heights over the surface and a given turn about z."""
    far = [radius * (1.0 + h) for h in heights]
    start = np.array([far[0], 0.0, 0.0])
    end = np.array([far[1] * math.cos(angle), far[1] * math.sin(angle), shift])
    return start, end


def rounded(kind, start, end, centre, axis, radius, sense):
    """Answers of kernel and twin on one case."""
    vectors = [tuple(float(c) for c in v) for v in (start, end, centre)]
    if kind == "sphere":
        return round_sphere(*vectors, radius), geometry.round_sphere(start, end, centre, radius)
    unit = tuple(float(c) for c in axis)
    return (
        round_cylinder(*vectors, unit, radius, sense, math.pi),
        geometry.round_cylinder(start, end, centre, axis, radius, sense),
    )


def compare(kind, start, end, centre, axis, radius, sense):
    got, wanted = rounded(kind, start, end, centre, axis, radius, sense)
    contact, inside, arc, margin, enter, leave = got
    p, q = start - centre, end - centre
    if kind == "cylinder":
        p, q = p - (p @ axis) * axis, q - (q @ axis) * axis
    dp, dq = np.linalg.norm(p), np.linalg.norm(q)
    depth = [abs(d / radius - 1.0 + 1e-9) for d in (dp, dq)]
    if min(depth) > ROUNDING / radius:
        assert inside == bool(wanted.inside)
    if inside or wanted.inside:
        assert not (contact and inside)
        return
    # Rounding of a direction seen from the axis, and of the tangent length t = √(d² - r²).
    blur = ROUNDING / min(dp, dq)
    tangents = [math.sqrt(max(d * d - radius * radius, 0.0)) for d in (dp, dq)]
    bend = sum(
        min(ROUNDING * d / t, 1e-7) if t > 0.0 else 1e-7
        for d, t in zip((dp, dq), tangents, strict=True)
    )
    doubt = blur + bend / radius
    np.testing.assert_allclose(margin, wanted.margin, rtol=0.0, atol=doubt)
    if contact != bool(wanted.contact):
        # Only where the path just begins to touch, or is about to jump.
        longest = max(arc, float(wanted.arc_length))
        assert min(longest / radius, margin) <= doubt
        return
    if not contact:
        return
    # The length comes from the stretches outside and on the surface; it hardly feels t.
    outside = np.linalg.norm(np.subtract(enter, start)) + np.linalg.norm(np.subtract(end, leave))
    np.testing.assert_allclose(outside + arc, wanted.length, rtol=0.0, atol=20.0 * ROUNDING)
    sine = np.linalg.norm(np.cross(p, q)) / (dp * dq)
    tilt = radius * blur / sine if kind == "sphere" and sine > 1e-12 else 0.0
    atol = 20.0 * (ROUNDING + tilt + bend)
    np.testing.assert_allclose(enter, wanted.enter, rtol=0.0, atol=atol)
    np.testing.assert_allclose(leave, wanted.leave, rtol=0.0, atol=atol)


@surfaces
@settings(deadline=None, max_examples=300, derandomize=True)
@given(
    start=point,
    end=point,
    centre=point,
    axis=point.filter(lambda v: sum(c * c for c in v) > 1e-2),
    radius=st.floats(0.01, 0.5),
    sense=st.sampled_from([-1.0, 1.0]),
)
def test_surfaces_agree_anywhere(kind, start, end, centre, axis, radius, sense):
    unit = np.array(axis) / np.linalg.norm(axis)
    start, end, centre = (np.array(v) for v in (start, end, centre))
    if min(np.linalg.norm(np.cross(v - centre, unit)) for v in (start, end)) < 1e-6:
        return
    compare(kind, start, end, centre, unit, radius, sense)


@surfaces
@settings(deadline=None, max_examples=500, derandomize=True)
@given(
    radius=st.floats(0.01, 0.04),
    heights=st.tuples(height, height),
    angle=turn,
    shift=st.sampled_from([0.0, 1e-12, 0.03]),
    sense=st.sampled_from([-1.0, 1.0]),
)
def test_surfaces_agree_where_paths_begin_jump_or_degenerate(
    kind, radius, heights, angle, shift, sense
):
    # A path that all but runs along the axis quits the surface anywhere on its way: the share
    # of the climb at the tangent points is rounding of the points over the planar length.
    assume(shift == 0.0 or heights != (0.0, 0.0) or abs(angle) > 1e-6)
    start, end = placed(radius, heights, angle, shift if kind == "cylinder" else 0.0)
    if min(np.hypot(*v[:2]) for v in (start, end)) == 0.0:
        got, wanted = rounded(
            kind, start, end, np.zeros(3), np.array([0.0, 0.0, 1.0]), radius, sense
        )
        assert got[:2] == (False, True) == (bool(wanted.contact), bool(wanted.inside))
        return
    compare(kind, start, end, np.zeros(3), np.array([0.0, 0.0, 1.0]), radius, sense)


@surfaces
@given(which=st.integers(0, 2), axis=st.integers(0, 2))
def test_nan_in_a_point_is_no_contact_and_no_margin(kind, which, axis):
    vectors = [np.array([0.05, 0.0, 0.01]), np.array([-0.05, 0.001, 0.0]), np.zeros(3)]
    vectors[which][axis] = np.nan
    got, wanted = rounded(kind, *vectors, np.array([0.0, 0.0, 1.0]), 0.02, 1.0)
    assert not got[0]
    assert not wanted.contact
    assert math.isnan(got[3])
    assert math.isnan(wanted.margin)


angles = st.tuples(
    st.floats(-1.0, 2.5),
    st.floats(0.0, 2.6),
    st.floats(-2.0, 2.0),
    st.floats(0.0, 2.6),
    st.floats(0.0, 3.0),
)


@settings(deadline=None, max_examples=150)
@given(angles)
def test_routes_give_the_same_arms_at_any_posture(chosen):
    posture = posture_from_angles(*chosen)
    sharp = math.hypot(posture.humerus[0, 1], posture.humerus[2, 1])
    # At 1e-9 the arm frame changes to the sagittal plane; rounding decides on which side.
    assume(abs(sharp - 1e-9) > 1e-12)
    compiled, plain = (paths(SKELETON, posture, method=m) for m in ("compiled", "numpy"))
    np.testing.assert_array_equal(compiled.contact, plain.contact)
    np.testing.assert_array_equal(compiled.inside, plain.inside)
    for name in ("length", "shoulder_moment", "line_of_action", "margin"):
        np.testing.assert_allclose(
            getattr(compiled, name), getattr(plain, name), rtol=0.0, atol=1e-12, err_msg=name
        )
    # The shoulder rows lie in a frame whose elevation axis is 1 / sin(elevation) as sharp.
    np.testing.assert_allclose(
        compiled.moment_arms, plain.moment_arms, rtol=0.0, atol=1e-12 + 1e-16 / max(sharp, 1e-9)
    )


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_compiled_arms_are_the_negative_slope_of_the_compiled_length(seed):
    rng = np.random.default_rng(seed)
    low, high = [0.2, 0.3, -1.0, 0.3, 0.3], [1.6, 1.6, 1.0, 2.0, 2.0]
    base = posture_from_angles(*rng.uniform(low, high))
    step = 1e-5

    def moved(flexion=0.0, pronation=0.0):
        posture = Posture(
            humerus=base.humerus,
            elbow_flexion=base.elbow_flexion + flexion,
            forearm_rotation=base.forearm_rotation + pronation,
        )
        return paths(SKELETON, posture, method="compiled")

    found = moved()
    for row, sign, name in ((3, 1.0, "flexion"), (4, -1.0, "pronation")):
        ahead, back = moved(**{name: step}), moved(**{name: -step})
        slope = sign * (ahead.length - back.length) / (2.0 * step)
        # Where contact begins within the step the slope has a kink; the paths differ there.
        smooth = (ahead.contact == back.contact) & (found.margin > 1e-3)
        assert np.count_nonzero(smooth) > 20
        np.testing.assert_allclose(found.moment_arms[row][smooth], slope[smooth], atol=1e-8)
