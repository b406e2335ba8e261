"""The moments of a timed lift against an independent free-body sum.

Source: balance of angular momentum of one arm with the load it carries, about the joint, which
moves with the girdle, and of power. Derived. Nothing here uses the accelerations of the library:
the positions and orientations of the frames are interpolated by quintic splines in time and
differentiated there.

    net moment at the shoulder = dH/dt + v × P - Σ (c - s) × m g - (hand - s) × (lateral force)

with H the angular momentum about the joint s, v its velocity and P the momentum of all masses.

Tolerance: quintic splines through 401 frames (4 ms) err by about 1e-6 of a moment; the
library differentiates by steps of 1e-4 of the lift, good to 1e-5. Against moments of 100 N·m
0.01 N·m is asked, in the middle four fifths of the lift, away from the ends of the splines.
"""

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline

from momentshare.directions import ROWS
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.demand import demand
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import arm_frame
from momentshare.skeleton import body_poses, build_skeleton

GRAVITY = 9.80665
DEG = np.pi / 180.0
TOLERANCE = 0.01
INNER = slice(40, -40)


class FreeBody:
    """Upper arm, forearm, hand and load as rigid bodies, from positions in time alone."""

    def __init__(self, skeleton, lift):
        self.skeleton, self.lift = skeleton, lift
        sex, size = skeleton.person.sex, skeleton.sizes
        inertia = skeleton.model.inertia

        def number(segment, name):
            return inertia[sex, segment, name].value

        poses = body_poses(skeleton, lift.posture)
        s = lift.shoulder
        forearm = (lift.hand - lift.elbow) / size.grip_length
        self.points = {
            "upper_arm": s + number("upper_arm", "centre_fraction") * (lift.elbow - s),
            "forearm": lift.elbow
            + number("forearm", "centre_fraction") * size.forearm_length * forearm,
            "hand": lift.hand,
            "load": lift.hand,
        }
        body_mass = skeleton.person.body_mass
        self.mass = {
            name: body_mass * number(name, "mass_fraction")
            for name in ("upper_arm", "forearm", "hand")
        }
        self.mass["load"] = lift.load_mass
        self.rotation = {"upper_arm": poses.rotation["humerus"], "forearm": poses.rotation["ulna"]}
        lengths = {"upper_arm": size.humerus_length, "forearm": size.forearm_length}
        # Body axes: x forward (sagittal), y along, z to the side (transverse).
        self.tensor = {
            name: self.mass[name]
            * np.array(
                [
                    (number(name, f"radius_{axis}") * lengths[name]) ** 2
                    for axis in ("sagittal", "longitudinal", "transverse")
                ]
            )
            for name in lengths
        }

    def derivative(self, values, order=1):
        return make_interp_spline(self.lift.time, values, k=5)(self.lift.time, order)

    def turn(self, name):
        """Angular velocity from the derivative of the rotation matrix."""
        spin = self.derivative(self.rotation[name]) @ np.swapaxes(self.rotation[name], 1, 2)
        return np.stack([spin[:, 2, 1], spin[:, 0, 2], spin[:, 1, 0]], axis=1)

    def spin(self, name):
        """Angular momentum about the segment's own centre."""
        local = np.einsum("fji,fj->fi", self.rotation[name], self.turn(name))
        return np.einsum("fij,fj->fi", self.rotation[name], self.tensor[name] * local)

    def moment(self, about, bodies, push):
        """Moment that the muscles have to supply about a point that may move."""
        total = np.zeros_like(self.lift.hand)
        for name in bodies:
            lever = self.points[name] - about
            force = self.mass[name] * (
                self.derivative(self.points[name], 2) + GRAVITY * self.lift.up
            )
            total += np.cross(lever, force)
            if name in self.tensor:
                total += self.derivative(self.spin(name))
        lateral = -push[:, None] * self.lift.lateral_axis
        return total - np.cross(self.lift.hand - about, lateral)

    def momentum_about_shoulder(self):
        s = self.lift.shoulder
        total = np.zeros_like(self.lift.hand)
        for name, mass in self.mass.items():
            total += mass * np.cross(self.points[name] - s, self.derivative(self.points[name]))
            if name in self.tensor:
                total += self.spin(name)
        return total

    def energy(self):
        """Kinetic and potential energy of everything."""
        total = np.zeros(len(self.lift.time))
        for name, mass in self.mass.items():
            speed = self.derivative(self.points[name])
            total += 0.5 * mass * np.sum(speed**2, axis=1)
            total += mass * GRAVITY * (self.points[name] @ self.lift.up)
            if name in self.tensor:
                total += 0.5 * np.sum(self.spin(name) * self.turn(name), axis=1)
        return total


CASES = {
    "flat, narrow": {"spacing": 0.40},
    "flat, wide, fast": {"spacing": 0.68, "duration": 0.8},
    "incline": {"spacing": 0.55, "bench": 35.0},
    "decline, tucked": {"spacing": 0.55, "bench": -20.0, "tuck": 45.0},
    "dumbbells drawn together": {"spacing": (0.66, 0.42), "implement": "dumbbells"},
}


@pytest.fixture(scope="module", params=list(CASES))
def case(request):
    given = CASES[request.param]
    skeleton = build_skeleton(
        Person(name="Nils", sex="male", stature=1.81, body_mass=84.0), load_model()
    )
    spacing = given["spacing"]
    lift = BenchPress(
        load_mass=90.0,
        spacing=Profile.constant(spacing)
        if isinstance(spacing, float)
        else Profile(((0.0, spacing[0]), (1.0, spacing[1]))),
        tuck=Profile(((0.0, given.get("tuck", 62.0) * DEG), (1.0, 82 * DEG))),
        tilt=Profile(((0.0, 8 * DEG), (1.0, -6 * DEG))),
        bench_angle=given.get("bench", 0.0) * DEG,
        implement=given.get("implement", "bar"),
        duration=given.get("duration", 1.4),
        frames=401,
    ).lift(skeleton)
    assert lift.reachable.all()
    assert np.ptp(lift.shoulder, axis=0).max() > 0.01  # the joint moves
    return skeleton, lift, FreeBody(skeleton, lift)


def push_of(lift):
    """A lateral force that changes along the lift; none for dumbbells."""
    return (40.0 * np.sin(7.0 * lift.fraction) + 15.0) * lift.lateral_free


def test_shoulder_rows_are_the_free_body_sum(case):
    skeleton, lift, body = case
    push = push_of(lift)
    wanted = body.moment(lift.shoulder, list(body.mass), push)
    wanted = np.einsum("frk,fk->fr", arm_frame(lift.posture.humerus), wanted)
    got = demand(skeleton, lift).moments(push)[:, :3]
    assert np.abs(wanted).max() > 20.0
    np.testing.assert_allclose(got[INNER], wanted[INNER], atol=TOLERANCE)


def test_elbow_row_is_the_free_body_sum_of_forearm_hand_and_load(case):
    skeleton, lift, body = case
    push = push_of(lift)
    wanted = body.moment(lift.elbow, ["forearm", "hand", "load"], push)
    wanted = -np.einsum("fk,fk->f", lift.posture.humerus[:, :, 2], wanted)
    got = demand(skeleton, lift).moments(push)[:, ROWS.index("elbow_extension")]
    assert np.abs(wanted).max() > 10.0
    np.testing.assert_allclose(got[INNER], wanted[INNER], atol=TOLERANCE)


def test_shoulder_rows_are_the_rate_of_angular_momentum_less_the_outer_moments(case):
    skeleton, lift, body = case
    s = lift.shoulder
    momentum = sum(m * body.derivative(body.points[name]) for name, m in body.mass.items())
    wanted = body.derivative(body.momentum_about_shoulder())
    wanted = wanted + np.cross(body.derivative(s), momentum)
    for name, mass in body.mass.items():
        wanted = wanted - np.cross(body.points[name] - s, -mass * GRAVITY * lift.up)
    wanted = np.einsum("frk,fk->fr", arm_frame(lift.posture.humerus), wanted)
    got = demand(skeleton, lift).moments()[:, :3]
    np.testing.assert_allclose(got[INNER], wanted[INNER], atol=TOLERANCE)


def test_power_of_the_moments_is_the_rate_of_mechanical_energy(case):
    # A bar pushed sideways does no work on a hand that keeps its spacing, so all power comes
    # through the shoulder rows and the elbow row, and with the force across the moving joint.
    skeleton, lift, body = case
    rows = demand(skeleton, lift).moments()
    turn = np.einsum("frk,fk->fr", arm_frame(lift.posture.humerus), body.turn("upper_arm"))
    power = np.sum(rows[:, :3] * turn, axis=1)
    power -= rows[:, 3] * body.derivative(lift.posture.elbow_flexion)
    across = sum(
        mass * (body.derivative(body.points[name], 2) + GRAVITY * lift.up)
        for name, mass in body.mass.items()
    )
    power += np.sum(across * body.derivative(lift.shoulder), axis=1)
    wanted = body.derivative(body.energy())
    # Powers reach 300 W; turning at up to 4 rad/s multiplies the tolerance of the moments.
    np.testing.assert_allclose(power[INNER], wanted[INNER], atol=8 * TOLERANCE)


def test_vertical_hand_force_is_the_load_times_gravity_and_acceleration(case):
    skeleton, lift, body = case
    acceleration = body.derivative(lift.hand, 2) @ lift.up
    wanted = lift.load_mass * (GRAVITY + acceleration)
    got = demand(skeleton, lift).hand_force()
    np.testing.assert_allclose(got[INNER], wanted[INNER], atol=TOLERANCE)


def test_both_hands_together_give_the_bar_its_momentum(case):
    # Impulse over the whole lift: the bar starts and ends at rest, so that the mean force of
    # both hands is its weight. The trapezium rule over 400 steps is good to 1e-5 here.
    skeleton, lift, _ = case
    force = 2.0 * demand(skeleton, lift).hand_force()
    mean = np.trapezoid(force, lift.time) / lift.time[-1]
    assert mean == pytest.approx(90.0 * GRAVITY, rel=1e-5)


def test_net_force_across_the_shoulder_moves_all_masses(case):
    skeleton, lift, body = case
    wanted = sum(
        mass * (body.derivative(body.points[name], 2) + GRAVITY * lift.up)
        for name, mass in body.mass.items()
    )
    need = demand(skeleton, lift)
    got = need.joint_force_limb + lift.load_mass * need.joint_force_load
    np.testing.assert_allclose(got[INNER], wanted[INNER], atol=TOLERANCE)
