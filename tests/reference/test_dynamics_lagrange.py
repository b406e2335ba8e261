"""Inverse dynamics against a Lagrangian derivation in SymPy (computed here, SymPy 1.13+).

The arm is upper arm, forearm and a point mass in the hand, with three Y-X-Y angles at the
shoulder and elbow flexion as coordinates. Kinetic and potential energy are written down from
positions and angular velocities; SymPy differentiates. The recursion in ``demand`` never
uses an energy, an angle derivative or a generalised coordinate.
"""

import numpy as np
import pytest
import sympy as sp

from momentshare.exercise import GuidedArm, Profile
from momentshare.exercise.demand import demand
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.skeleton import build_skeleton
from momentshare.units import GRAVITY


def masses_of(skeleton):
    return {name: float(part.mass) for name, part in skeleton.segment.items()}


def rotation_x(a):
    return sp.Matrix([[1, 0, 0], [0, sp.cos(a), -sp.sin(a)], [0, sp.sin(a), sp.cos(a)]])


def rotation_y(a):
    return sp.Matrix([[sp.cos(a), 0, sp.sin(a)], [0, 1, 0], [-sp.sin(a), 0, sp.cos(a)]])


def rotation_z(a):
    return sp.Matrix([[sp.cos(a), -sp.sin(a), 0], [sp.sin(a), sp.cos(a), 0], [0, 0, 1]])


@pytest.fixture(scope="module")
def skeleton():
    person = Person(name="Bo", sex="male", stature=1.80, body_mass=82.0)
    # A girdle that is held: the Lagrangian below has its joint in one place.
    return build_skeleton(person, load_model(), scapula="resting")


@pytest.fixture(scope="module")
def generalised_forces(skeleton):
    """Function of (q, qd, qdd, load, up) → generalised forces of plane, elevation, axial, elbow."""
    t = sp.Symbol("t")
    q = [sp.Function(n)(t) for n in ("plane", "elevation", "axial", "elbow")]
    load, upx, upy = sp.symbols("load upx upy")
    size, inertia = skeleton.sizes, skeleton.model.inertia
    mass = masses_of(skeleton)
    humerus = rotation_y(q[0]) * rotation_x(-q[1]) * rotation_y(q[2])
    ulna = humerus * rotation_z(q[3])
    along = sp.Matrix([0, -1, 0])
    elbow = size.humerus_length * humerus * along
    hand = elbow + size.grip_length * ulna * along
    up = sp.Matrix([upx, upy, 0])

    def centre(segment):
        return inertia["male", segment, "centre_fraction"].value

    upper_centre = centre("upper_arm") * elbow
    forearm_centre = elbow + centre("forearm") * size.forearm_length * ulna * along

    def spin_energy(rotation, segment, length):
        skew = rotation.T * rotation.diff(t)
        omega = sp.Matrix([skew[2, 1], skew[0, 2], skew[1, 0]])
        radii = [
            inertia["male", segment, f"radius_{n}"].value * length
            for n in ("sagittal", "longitudinal", "transverse")
        ]
        tensor = sp.diag(*[mass[segment] * r**2 for r in radii])
        return (omega.T * tensor * omega)[0] / 2

    kinetic = spin_energy(humerus, "upper_arm", size.humerus_length)
    kinetic += spin_energy(ulna, "forearm", size.forearm_length)
    potential = 0
    points = [
        (mass["upper_arm"], upper_centre),
        (mass["forearm"], forearm_centre),
        (mass["hand"] + load, hand),
    ]
    for m, place in points:
        speed = place.diff(t)
        kinetic += m * (speed.T * speed)[0] / 2
        potential += m * GRAVITY * (place.T * up)[0]
    lagrangian = kinetic - potential
    rates = [f.diff(t) for f in q]
    symbols = {name: sp.symbols([f"{name}{i}" for i in range(4)]) for name in ("a", "v", "w")}
    forces = []
    for f, r in zip(q, rates, strict=True):
        force = lagrangian.diff(r).diff(t) - lagrangian.diff(f)
        for i, g in enumerate(q):
            force = force.subs(g.diff(t, 2), symbols["w"][i])
        for i, g in enumerate(q):
            force = force.subs(g.diff(t), symbols["v"][i])
        for i, g in enumerate(q):
            force = force.subs(g, symbols["a"][i])
        forces.append(force)
    arguments = [*symbols["a"], *symbols["v"], *symbols["w"], load, upx, upy]
    return sp.lambdify(arguments, forces, modules="numpy", cse=True)


@pytest.mark.parametrize("trunk_deg", [0.0, 90.0])
def test_recursion_equals_the_lagrangian(skeleton, generalised_forces, trunk_deg):
    degree = np.pi / 180
    ends = {"plane": (20, 85), "elevation": (35, 100), "axial": (-40, 25), "elbow": (110, 20)}
    profiles = {k: Profile(((0.0, a * degree), (1.0, b * degree))) for k, (a, b) in ends.items()}
    duration, frames, load = 0.7, 21, 7.0
    arm = GuidedArm(
        load_mass=2 * load,
        plane=profiles["plane"],
        elevation=profiles["elevation"],
        axial=profiles["axial"],
        elbow_flexion=profiles["elbow"],
        forearm_rotation=Profile.constant(1.0),
        trunk_angle=trunk_deg * degree,
        duration=duration,
        frames=frames,
    )
    lift = arm.lift(skeleton)
    need = demand(skeleton, lift)
    found = need.moments()
    s = np.linspace(0, 1, frames)
    rate = (30 * s**2 - 60 * s**3 + 30 * s**4) / duration
    change = (60 * s - 180 * s**2 + 120 * s**3) / duration**2
    span = np.array([(b - a) * degree for a, b in ends.values()])
    q = np.array([p(lift.fraction) for p in profiles.values()])
    qd, qdd = span[:, None] * rate, span[:, None] * change
    wanted = np.array(generalised_forces(*q, *qd, *qdd, load, float(lift.up[0]), float(lift.up[1])))
    # Rows of the arm frame onto the coordinates: power = moment · angular velocity.
    from momentshare.posture import arm_frame

    vector = np.einsum("fr,frk->fk", found[:, :3], arm_frame(lift.posture.humerus))
    plane, elevation = q[0], q[1]
    axes = {
        0: np.tile([0.0, 1.0, 0.0], (frames, 1)),
        1: -np.stack([np.cos(plane), np.zeros(frames), -np.sin(plane)], axis=-1),
        2: lift.posture.humerus[:, :, 1],
    }
    scale = np.abs(wanted).max()
    for k, axis in axes.items():
        got = np.einsum("fk,fk->f", vector, axis)
        # Motion is differentiated numerically with a step of 1e-4 of the lift, whose error in
        # the second derivative is about 1e-8 relative plus rounding of about 1e-8.
        np.testing.assert_allclose(got, wanted[k], atol=1e-5 * scale)
    np.testing.assert_allclose(-found[:, 3], wanted[3], atol=1e-5 * scale)
    assert elevation.min() > 0.1  # away from the singular posture of the coordinates
