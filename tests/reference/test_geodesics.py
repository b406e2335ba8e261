"""Paths round surfaces against SymPy 1.14 (read: WrappingSphere, WrappingCylinder).

Points on a surface are rational there, so that SymPy's exact check of the surface passes.
Each path is built outwards from SymPy's geodesic: straight pieces are added along its end
vectors, and the whole must come back from start and end alone.
"""

from fractions import Fraction

import numpy as np
import pytest
from sympy import Rational
from sympy.physics.mechanics import Point, ReferenceFrame, WrappingCylinder, WrappingSphere

from momentshare.geometry import rotation_about, round_cylinder, round_sphere

FRAME = ReferenceFrame("F")
CENTRE = Point("C")
RADIUS = Rational(1, 50)


def at(name, xyz):
    point = Point(name)
    point.set_pos(CENTRE, sum(c * e for c, e in zip(xyz, FRAME, strict=True)))
    return point


def numbers(vector):
    return np.array([float(part) for part in vector.to_matrix(FRAME)])


def rational(value):
    share = Fraction(float(value)).limit_denominator(50)
    return Rational(share.numerator, share.denominator)


def circle_point(t):
    """Rational point on the unit circle."""
    return (1 - t**2) / (1 + t**2), 2 * t / (1 + t**2)


def sphere_point(u, v):
    """Rational point on the unit sphere (stereographic)."""
    scale = 1 + u**2 + v**2
    return 2 * u / scale, 2 * v / scale, (scale - 2) / scale


def sphere_cases(count):
    rng = np.random.default_rng(7)
    for _ in range(count):
        u = [rational(x) for x in rng.normal(size=4)]
        yield sphere_point(*u[:2]), sphere_point(*u[2:]), rng


def test_surface_is_a_sphere_to_sympy():
    case = next(sphere_cases(1))
    assert WrappingSphere(RADIUS, CENTRE).point_on_surface(at("P", [RADIUS * c for c in case[0]]))


def test_sphere_geodesic_and_tangents_match_sympy():
    surface = WrappingSphere(RADIUS, CENTRE)
    for one, two, rng in sphere_cases(40):
        p1 = at("P1", [RADIUS * c for c in one])
        p2 = at("P2", [RADIUS * c for c in two])
        on_surface = float(surface.geodesic_length(p1, p2))
        v1, v2 = (numbers(v) for v in surface.geodesic_end_vectors(p1, p2))
        x1, x2 = numbers(p1.pos_from(CENTRE)), numbers(p2.pos_from(CENTRE))
        # Tangents that keep the angle at the centre below 180°.
        spare = np.pi - on_surface / float(RADIUS)
        d1, d2 = float(RADIUS) * np.tan(spare * rng.uniform(0, 0.49, 2))
        turn = rotation_about(rng.normal(size=3), rng.uniform(-3, 3))
        shift = rng.normal(size=3)
        start, end = turn @ (x1 - d1 * v1) + shift, turn @ (x2 - d2 * v2) + shift
        path = round_sphere(start, end, shift, float(RADIUS))
        assert path.contact
        assert path.arc_length == pytest.approx(on_surface, rel=1e-9)
        assert path.length == pytest.approx(d1 + on_surface + d2, rel=1e-9)
        np.testing.assert_allclose(path.start_direction, turn @ v1, atol=1e-9)
        np.testing.assert_allclose(path.end_direction, turn @ v2, atol=1e-9)
        np.testing.assert_allclose(path.enter, turn @ x1 + shift, atol=1e-9)
        np.testing.assert_allclose(path.leave, turn @ x2 + shift, atol=1e-9)


def test_cylinder_geodesic_and_tangents_match_sympy():
    surface = WrappingCylinder(RADIUS, CENTRE, FRAME.z)
    rng = np.random.default_rng(8)
    tried = 0
    for _ in range(80):
        t1, t2, z1, z2 = (rational(x) for x in rng.normal(size=4))
        ends = []
        for name, t, z in (("P1", t1, z1), ("P2", t2, z2)):
            x, y = circle_point(t)
            ends.append(at(name, [RADIUS * x, RADIUS * y, RADIUS * z]))
        p1, p2 = ends
        on_surface = float(surface.geodesic_length(p1, p2))
        climb = float(RADIUS * (z2 - z1))
        angle = np.sqrt(on_surface**2 - climb**2) / float(RADIUS)
        if angle >= np.pi:  # beyond the wrap angle that is kept in contact
            continue
        tried += 1
        v1, v2 = (numbers(v) for v in surface.geodesic_end_vectors(p1, p2))
        x1, x2 = numbers(p1.pos_from(CENTRE)), numbers(p2.pos_from(CENTRE))
        # Straight pieces whose planar angles keep the whole turn below 360°.
        spare = min(2 * np.pi - angle, np.pi) * rng.uniform(0, 0.49, 2)
        planar = np.hypot(v1[0], v1[1])
        d1, d2 = float(RADIUS) * np.tan(spare) / planar
        turn = rotation_about(rng.normal(size=3), rng.uniform(-3, 3))
        shift = rng.normal(size=3)
        start, end = turn @ (x1 - d1 * v1) + shift, turn @ (x2 - d2 * v2) + shift
        path = round_cylinder(start, end, shift, turn[:, 2], float(RADIUS), 1)
        assert path.contact
        assert path.arc_length == pytest.approx(on_surface, rel=1e-9)
        assert path.length == pytest.approx(d1 + on_surface + d2, rel=1e-9)
        np.testing.assert_allclose(path.start_direction, turn @ v1, atol=1e-9)
        np.testing.assert_allclose(path.end_direction, turn @ v2, atol=1e-9)
        np.testing.assert_allclose(path.enter, turn @ x1 + shift, atol=1e-9)
        np.testing.assert_allclose(path.leave, turn @ x2 + shift, atol=1e-9)
    assert tried >= 30


def test_printed_cylinder_value():
    """SymPy 1.14 WrappingCylinder: r = 0.02 m, 1.2 rad, axial 0.03 m."""
    end = [0.02 * np.cos(1.2), 0.02 * np.sin(1.2), 0.03]
    path = round_cylinder([0.02, 0, 0], end, np.zeros(3), [0, 0, 1], 0.02, 1)
    assert path.length == pytest.approx(0.0384187454245971, abs=1e-15)


def test_printed_sphere_value():
    """SymPy 1.14 WrappingSphere: r = 0.02 m, angle acos(3/5)."""
    path = round_sphere([0.02, 0, 0], [0.012, 0.016, 0], np.zeros(3), 0.02)
    assert path.length == pytest.approx(0.0185459043600322, abs=1e-15)


def test_printed_pathway_value():
    """SymPy 1.14 WrappingPathway: length r q and dL/dq = r, q = 1.2 rad, r = 0.02 m."""
    end = np.array([0.02 * np.cos(1.2), 0.02 * np.sin(1.2), 0.0])
    path = round_cylinder([0.02, 0, 0], end, np.zeros(3), [0, 0, 1], 0.02, 1)
    assert path.length == pytest.approx(0.024, abs=1e-15)
    # Moment arm -dL/dq of a turn q about z: axis · ((point - centre) × direction).
    assert np.cross(end, path.end_direction)[2] == pytest.approx(-0.02, abs=1e-15)
