"""Limbs of one's own against closed forms: the shipped arm, leg, finger and elbow by table.

Sources: plane trigonometry and complex numbers (arms and lengths), Lagrange's equations of a
double pendulum (textbook), conservation of energy, the conditions of Karush, Kuhn and Tucker.
Nothing here calls the tracing, dynamics or solver that it checks.
"""

import numpy as np
import pytest

from momentshare import (
    Criterion,
    EndLoad,
    linkage_moment_arms,
    load_linkage,
    solve_linkage,
)
from momentshare.linkage.dynamics import net_moments
from momentshare.linkage.lines import linkage_paths
from momentshare.linkage.pose import place_bodies
from momentshare.units import GRAVITY

ARM, LEG, FINGER, TABLE = (
    load_linkage(name) for name in ("textbook_arm", "leg", "finger", "elbow_by_table")
)
EQUAL = Criterion(weights="none")


def head(linkage, name):
    return linkage.head_names.index(name)


def at(linkage, name):
    """A site in the plane of its body as a complex number, and its place across the plane."""
    x, y, z = linkage.sites[name].position
    return complex(x, y), z


def lengths(linkage, angles):
    array = np.zeros((1, len(linkage.rows))) + angles
    return linkage_paths(linkage, place_bodies(linkage, array), array).length


def turn(angle):
    """A turn of a plane by an angle, counter-clockwise."""
    return np.exp(1j * angle)


def arm_of_pull(point, to, centre, across=0.0):
    """Moment about ``centre`` on what ``point`` belongs to, for a pull of 1 N towards ``to``."""
    span = to - point
    return ((point - centre).conjugate() * span).imag / np.hypot(abs(span), across)


# Moment arms


@pytest.mark.parametrize("degrees", [0.0, 17.0, 60.0, 90.0, 149.0])
def test_brachialis_follows_the_law_of_cosines(degrees):
    """Attached a above and b below a hinge: arm = a b sin φ / √(a² + b² + 2 a b cos φ)."""
    a, b, angle = 0.1, 0.03, np.radians(degrees)
    length = np.sqrt(a**2 + b**2 + 2 * a * b * np.cos(angle))
    angles = {"elbow_flexion": angle, "shoulder_flexion": 0.4}
    arms = linkage_moment_arms(ARM, angles)[0, :, head(ARM, "brachialis")]
    assert arms == pytest.approx([0.0, a * b * np.sin(angle) / length], abs=1e-13)
    assert lengths(ARM, [0.4, angle])[0, head(ARM, "brachialis")] == pytest.approx(
        length, abs=1e-13
    )


@pytest.mark.parametrize("shoulder", [-0.5, 0.0, 0.9])
@pytest.mark.parametrize("elbow", [0.0, 0.7, 2.1])
def test_biceps_crosses_two_hinges(shoulder, elbow):
    joint = -0.3j * turn(shoulder)
    origin = at(ARM, "biceps_origin")[0]
    insertion = joint + at(ARM, "biceps_insertion")[0] * turn(shoulder + elbow)
    k = head(ARM, "biceps_brachii")
    angles = {"shoulder_flexion": shoulder, "elbow_flexion": elbow}
    wanted = [arm_of_pull(insertion, origin, 0.0), arm_of_pull(insertion, origin, joint)]
    assert linkage_moment_arms(ARM, angles)[0, :, k] == pytest.approx(wanted, abs=1e-13)
    found = lengths(ARM, [shoulder, elbow])[0, k]
    assert found == pytest.approx(abs(insertion - origin), abs=1e-13)


@pytest.mark.parametrize("degrees", [75.0, 90.0, 140.0])
def test_triceps_round_the_elbow_has_the_arm_of_its_cylinder(degrees):
    """Two tangents and an arc; the arm is the radius, on the side of extension."""
    radius, k = 0.022, head(ARM, "triceps_brachii/lateral")
    start = at(ARM, "triceps_lateral_origin")[0] + 0.3j
    end = at(ARM, "triceps_insertion")[0] * turn(np.radians(degrees))
    tangents = [np.sqrt(abs(p) ** 2 - radius**2) for p in (start, end)]
    free = sum(np.arccos(radius / abs(p)) for p in (start, end))
    angle = np.angle(end / start) % (2 * np.pi) - free
    assert angle > 0.0
    angles = {"elbow_flexion": np.radians(degrees)}
    assert linkage_moment_arms(ARM, angles)[0, 1, k] == pytest.approx(-radius, abs=1e-13)
    wanted = sum(tangents) + radius * angle
    assert lengths(ARM, [0.0, np.radians(degrees)])[0, k] == pytest.approx(wanted, abs=1e-13)


@pytest.mark.parametrize("hip", [-0.2, 0.3, 1.2])
@pytest.mark.parametrize("knee", [0.0, 0.5, 1.4])
def test_hamstrings_cross_hip_and_knee(hip, knee):
    """A straight line between pelvis and shank, the plane turned, the offset across it kept."""
    joint = -0.4222j * turn(hip)
    (origin, z), (insertion, end_z) = (
        at(LEG, "ischium_medial"),
        at(LEG, "semimembranosus_insertion"),
    )
    insertion = joint + insertion * turn(hip - knee)
    across = end_z - z
    k = head(LEG, "semimembranosus")
    found = linkage_moment_arms(LEG, {"hip_flexion": hip, "knee_flexion": knee})[0, :, k]
    assert found[0] == pytest.approx(arm_of_pull(insertion, origin, 0.0, across), abs=1e-13)
    assert found[3] == pytest.approx(-arm_of_pull(insertion, origin, joint, across), abs=1e-13)
    length = np.hypot(abs(insertion - origin), across)
    angles = [hip, 0.0, 0.0, knee, 0.0, 0.0]
    assert lengths(LEG, angles)[0, k] == pytest.approx(length, abs=1e-13)


@pytest.mark.parametrize("knee", [0.3, 0.9, 2.0])
def test_rectus_femoris_runs_over_the_kneecap(knee):
    """A helix: unrolled it is one straight line, so the arm is radius × planar / whole length."""
    radius, hip = 0.04, 0.4
    axis = -0.4222j
    (origin, z), (insertion, end_z) = at(LEG, "rectus_femoris_origin"), at(LEG, "tibial_tuberosity")
    start, end = origin / turn(hip) - axis, insertion * turn(-knee)
    free = sum(np.arccos(radius / abs(p)) for p in (start, end))
    angle = np.angle(start / end) % (2 * np.pi) - free
    assert angle > 0.0
    planar = sum(np.sqrt(abs(p) ** 2 - radius**2) for p in (start, end)) + radius * angle
    length = np.hypot(planar, end_z - z)
    k = head(LEG, "rectus_femoris")
    found = linkage_moment_arms(LEG, {"hip_flexion": hip, "knee_flexion": knee})[0, :, k]
    assert found[3] == pytest.approx(-radius * planar / length, abs=1e-13)
    angles = [hip, 0.0, 0.0, knee, 0.0, 0.0]
    assert lengths(LEG, angles)[0, k] == pytest.approx(length, abs=1e-13)
    # At the hip: the first tangent pulls on the pelvis, its direction from the unrolled line.
    reach = np.sqrt(abs(start) ** 2 - radius**2)
    along = -start / abs(start) * (reach + 1j * radius) / abs(start)  # from start to the tangent
    pull = along * turn(hip) * planar / length
    assert found[0] == pytest.approx(-(origin.conjugate() * pull).imag, abs=1e-13)


def test_finger_extensor_has_the_radii_of_its_knuckles():
    bent = {"flexion_mcp": 0.6, "flexion_pip": 0.9, "flexion_dip": 0.7}
    arms = linkage_moment_arms(FINGER, bent)[0, :, head(FINGER, "extensor_digitorum")]
    assert arms[[0, 2, 3]] == pytest.approx([-0.009, -0.006, -0.004], abs=1e-13)


@pytest.mark.parametrize("angle", [0.0, 0.6, 1.5])
def test_finger_flexor_spans_a_hinge_between_two_pulleys(angle):
    near = at(FINGER, "profundus_a2_far")[0] + 0.04j
    far = at(FINGER, "profundus_a4_near")[0] * turn(angle)
    arms = linkage_moment_arms(FINGER, {"flexion_pip": angle})[0]
    wanted = arm_of_pull(far, near, 0.0)
    assert arms[2, head(FINGER, "flexor_digitorum_profundus")] == pytest.approx(wanted, abs=1e-13)


def drawn(linkage, frames, seed):
    """Angles within the limits, away from where a straight path begins to touch."""
    low, high = (np.array([getattr(row, end) for row in linkage.rows]) for end in ("low", "high"))
    share = np.random.default_rng(seed).uniform(0.1, 0.9, (frames, len(low)))
    return low + share * (high - low)


def central_difference(linkage, angles, moved, step):
    ahead, behind = moved(angles, step), moved(angles, -step)
    there = lengths(linkage, ahead)
    return -(there - lengths(linkage, behind)) / (2 * step)


@pytest.mark.parametrize("linkage", [ARM, LEG, FINGER], ids=lambda item: item.name)
def test_arms_of_hinges_and_pairs_are_slopes_of_the_length(linkage):
    angles = drawn(linkage, 40, seed=1)
    arms = linkage_moment_arms(linkage, dict(zip(linkage.row_names, angles.T, strict=True)))
    for k, row in enumerate(linkage.rows):
        joint = next(joint for joint in linkage.joints if joint.name == row.joint)
        if joint.type == "ball":
            continue

        def moved(q, step, k=k):
            return q + step * (np.arange(q.shape[1]) == k)

        slope = central_difference(linkage, angles, moved, 1e-6)
        # Three tried steps agree to this where no path begins to touch within the step.
        assert np.abs(arms[:, k] - slope).max() < 1e-9, row.name


def turned_about(angles, axis, step):
    """Angles of the hip (about z, then x, then y) after a small turn about a fixed axis."""
    out = np.array(angles)
    for i, (a, b, c) in enumerate(angles[:, :3]):
        R = rotation("z", a) @ rotation("x", b) @ rotation("y", c)
        R = rotation(axis, step) @ R
        out[i, :3] = (
            np.arctan2(-R[0, 1], R[1, 1]),
            np.arcsin(R[2, 1]),
            np.arctan2(-R[2, 0], R[2, 2]),
        )
    return out


def rotation(axis, angle):
    c, s = np.cos(angle), np.sin(angle)
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    R = np.eye(3)
    R[i, i], R[i, j], R[j, i], R[j, j] = c, -s, s, c
    return R


def test_arms_of_a_ball_are_slopes_for_a_turn_about_each_fixed_axis():
    angles = drawn(LEG, 40, seed=2)
    arms = linkage_moment_arms(LEG, dict(zip(LEG.row_names, angles.T, strict=True)))
    for k, axis in enumerate("zxy"):
        slope = central_difference(LEG, angles, lambda q, h, a=axis: turned_about(q, a, h), 1e-6)
        assert np.abs(arms[:, k] - slope).max() < 1e-9, axis


@pytest.mark.parametrize("linkage", [ARM, LEG, FINGER, TABLE], ids=lambda item: item.name)
def test_paths_lengthen_as_fast_as_their_length_changes(linkage):
    angles = drawn(linkage, 30, seed=3)
    rates = np.random.default_rng(4).normal(0.0, 2.0, angles.shape)
    poses = place_bodies(linkage, angles, rates)
    found = linkage_paths(linkage, poses, angles, rates)
    step = 1e-6
    change = (lengths(linkage, angles + step * rates) - lengths(linkage, angles - step * rates)) / (
        2 * step
    )
    assert np.abs(found.velocity - change).max() < 1e-8


# Net moments


def test_double_pendulum_follows_lagrange():
    """Masses m₁, m₂ and a load at the end; angles φ₁ and φ₂ from straight down, forward positive.

    M₂₂ = I₂ + m₂ c₂² + m l₂², M₁₂ = M₂₂ + h cos φ₂, M₁₁ = I₁ + m₁ c₁² + (m₂ + m) l₁² + M₂₂
    + 2 h cos φ₂ with h = l₁ (m₂ c₂ + m l₂); the rest are the centrifugal terms and weights.
    """
    rng = np.random.default_rng(5)
    q, v, a = (rng.normal(0.0, s, (50, 2)) for s in (1.0, 3.0, 8.0))
    m1, c1, i1 = 2.0, 0.17, 2.0 * 0.085**2
    m2, c2, i2 = 1.65, 0.18, 1.65 * 0.110**2
    load, l1, l2 = 4.0, 0.3, 0.36
    h = l1 * (m2 * c2 + load * l2)
    c, s = np.cos(q[:, 1]), np.sin(q[:, 1])
    m22 = i2 + m2 * c2**2 + load * l2**2
    m12 = m22 + h * c
    m11 = i1 + m1 * c1**2 + (m2 + load) * l1**2 + m22 + 2 * h * c
    sine, both = np.sin(q[:, 0]), np.sin(q[:, 0] + q[:, 1])
    weight2 = GRAVITY * (m2 * c2 + load * l2) * both
    weight1 = GRAVITY * (m1 * c1 + (m2 + load) * l1) * sine + weight2
    first = m11 * a[:, 0] + m12 * a[:, 1] - h * s * (2 * v[:, 0] + v[:, 1]) * v[:, 1] + weight1
    second = m12 * a[:, 0] + m22 * a[:, 1] + h * s * v[:, 0] ** 2 + weight2
    found = net_moments(ARM, place_bodies(ARM, q, v, a), np.arange(50.0), [EndLoad(mass=load)])
    assert found.moments == pytest.approx(np.stack([first, second], axis=1), abs=1e-11)


def test_power_of_the_moments_is_the_change_of_energy():
    """Hip, knee, ankle and subtalar joint in space; a mass and a force at the end."""
    rng = np.random.default_rng(6)
    size, speed, phase = rng.uniform(0.2, 0.6, 6), rng.uniform(3.0, 8.0, 6), rng.uniform(0, 6, 6)
    force, mass, step = np.array([30.0, 80.0, -20.0]), 3.0, 1e-4
    end = LEG.sites[LEG.end]

    def motion(t):
        angle = size * np.sin(speed * t[:, None] + phase)
        rate = size * speed * np.cos(speed * t[:, None] + phase)
        return place_bodies(LEG, angle, rate, -(speed**2) * angle)

    def point_velocity(poses, body, position):
        """By recursion over the joints from the ground, apart from the code's accelerations."""
        joint = next(j for j in LEG.joints if j.body == body)
        velocity = (
            np.zeros_like(poses.origin[body])
            if joint.parent == LEG.ground
            else point_velocity(poses, joint.parent, np.array(joint.position))
        )
        arm = np.einsum("fij,j->fi", poses.rotation[body], np.asarray(position))
        return velocity + np.cross(poses.spin[body], arm)

    def energy(t):
        poses, total = motion(t), np.zeros(len(t))
        for name, body in LEG.bodies.items():
            centre = [number.value for number in body.centre]
            v = point_velocity(poses, name, centre)
            own = np.einsum("fji,fj->fi", poses.rotation[name], poses.spin[name])
            inertia = body.mass.value * np.array([r.value for r in body.radii]) ** 2
            total += 0.5 * body.mass.value * (v * v).sum(axis=1) + 0.5 * (own**2 @ inertia)
            total += GRAVITY * body.mass.value * poses.point(name, np.array(centre))[:, 1]
        v = point_velocity(poses, end.body, end.position)
        place = poses.point(end.body, np.array(end.position))
        return total + mass * (0.5 * (v * v).sum(axis=1) + GRAVITY * place[:, 1])

    t = np.linspace(0.0, 2.0, 60)
    poses = motion(t)
    moments = net_moments(LEG, poses, t, [EndLoad(mass=mass, force=force)]).moments
    rates = size * speed * np.cos(speed * t[:, None] + phase)
    hip = np.einsum("fk,fki->fi", moments[:, :3], poses.axes[:, :3])
    power = (hip * poses.spin["thigh"]).sum(axis=1) + (moments[:, 3:] * rates[:, 3:]).sum(axis=1)
    change = (energy(t + step) - energy(t - step)) / (2 * step)
    pushed = point_velocity(poses, end.body, end.position) @ force
    assert np.abs(change).max() > 50.0
    assert power == pytest.approx(change - pushed, abs=1e-6 * np.abs(change).max())


def test_a_hanging_arm_is_held_by_its_weight():
    result = solve_linkage(ARM, {}, loads=EndLoad(mass=5.0))
    weight = GRAVITY * (2.0 + 1.65 + 5.0), GRAVITY * (1.65 + 5.0)
    assert result.joint_force[0, :, 1] == pytest.approx(weight, rel=1e-12)
    assert result.moments[0] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_velocities_come_from_the_angles():
    """A pendulum of constant rate: the hand pulls outward with m ω² l, and nothing else moves."""
    rate, spin, mass = 2000.0, 3.0, 2.0
    time = np.arange(400) / rate
    swing = {"shoulder_flexion": spin * time}
    result = solve_linkage(ARM, swing, rate=rate, loads=EndLoad(mass=mass))
    outward = np.stack([np.sin(spin * time), -np.cos(spin * time)], axis=1)
    masses, places = np.array([2.0, 1.65, mass]), np.array([0.17, 0.48, 0.66])
    wanted = -(masses * places).sum() * spin**2 * outward
    wanted[:, 1] += GRAVITY * masses.sum()
    assert result.joint_force[:, 0, :2] == pytest.approx(wanted, abs=1e-4)
    assert result.fibres.fibre_velocity[0, head(ARM, "deltoid/anterior")] < 0.0


# Sharing


@pytest.mark.parametrize(
    ("by", "weight"),
    [("volume", (900.0 * 0.095, 650.0 * 0.13)), ("area", (900.0, 650.0)), ("none", (1.0, 1.0))],
)
def test_one_row_is_shared_in_closed_form(by, weight):
    """Min Σ w a² with one row: a = m c r / (w Σ c² r² / w) among the heads that turn its way."""
    angles = np.radians([20.0, 60.0, 100.0])
    result = solve_linkage(
        TABLE,
        {"elbow_flexion": angles},
        moments={"elbow_flexion": 15.0},
        criterion=Criterion(weights=by),
    )
    arms, capacity = result.paths.moment_arms[:, 0, :2], result.fibres.capacity[:, :2]
    share = capacity * arms / np.array(weight)
    wanted = 15.0 * share / (capacity * arms * share).sum(axis=1, keepdims=True)
    passive = (result.paths.moment_arms[:, 0, 2] * result.fibres.passive[:, 2])[:, None]
    assert result.activation[:, :2] == pytest.approx(wanted * (15.0 - passive) / 15.0, abs=1e-12)
    assert result.activation[:, 2] == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize(
    ("linkage", "angles", "load"),
    [
        (ARM, {"shoulder_flexion": 0.5, "elbow_flexion": 1.2}, EndLoad(mass=3.0)),
        (LEG, {"hip_flexion": 0.5, "knee_flexion": 0.8}, EndLoad(force=[0.0, 400.0, 0.0])),
        (
            FINGER,
            {"flexion_mcp": 0.5, "flexion_pip": 0.8, "flexion_dip": 0.3},
            EndLoad(force=[-3.0, 0.0, 0.0]),
        ),
    ],
    ids=["arm", "leg", "finger"],
)
def test_the_answer_is_the_only_one_with_these_heads_at_rest(linkage, angles, load):
    """With the heads at rest known, λ solves one linear system; the signs prove the choice."""
    result = solve_linkage(linkage, angles, loads=load, criterion=EQUAL)
    rows = np.array(linkage.balanced)
    arms = result.paths.moment_arms[0][rows]
    pull = arms * result.fibres.capacity[0]
    wanted = result.moments[0][rows] - arms @ result.fibres.passive[0]
    activation = result.activation[0]
    free = (activation > 1e-9) & (activation < 1.0 - 1e-9)
    full = activation >= 1.0 - 1e-9
    system = pull[:, free] @ pull[:, free].T / 2.0
    price = np.linalg.solve(system, wanted - pull[:, full].sum(axis=1))
    drive = pull.T @ price / 2.0
    assert activation[free] == pytest.approx(drive[free], abs=1e-9)
    assert (drive[~free & ~full] <= 1e-12).all()
    assert (drive[full] >= 1.0).all()
    assert str(result.sharing.status_text[0]) == "solved"
    assert arms @ result.force[0] == pytest.approx(result.moments[0][rows], abs=1e-9)


# Tables over an angle


def test_a_table_is_met_at_its_points_and_gives_the_length_of_the_fibres():
    points = np.radians([0.0, 35.0, 70.0, 105.0, 140.0])
    result = solve_linkage(TABLE, {"elbow_flexion": points}, moments={}, criterion=EQUAL)
    assert result.paths.moment_arms[:, 0, 2] == pytest.approx(
        [-0.026, -0.025, -0.023, -0.020, -0.018], abs=1e-15
    )
    assert result.fibres.capacity[:, 0] == pytest.approx([700.0, 850.0, 900.0, 800.0, 600.0])
    angle, step = np.radians(np.linspace(5.0, 135.0, 27)), 1e-5

    def span(q):
        """Fibre of the triceps along its tendon [m]; its thickness stays."""
        found = solve_linkage(TABLE, {"elbow_flexion": q}, moments={}, criterion=EQUAL)
        fibre = found.fibres.fibre_length[:, 2] * 0.12
        return np.sqrt(fibre**2 - (0.12 * np.sin(np.radians(12.0))) ** 2)

    slope = -(span(angle + step) - span(angle - step)) / (2 * step)
    assert linkage_moment_arms(TABLE, {"elbow_flexion": angle})[:, 0, 2] == pytest.approx(
        slope, abs=1e-9
    )
    right = solve_linkage(TABLE, {"elbow_flexion": np.pi / 2}, moments={}, criterion=EQUAL)
    assert right.fibres.fibre_length[0, 2] == pytest.approx(1.0, abs=1e-12)
