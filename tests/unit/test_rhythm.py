"""The scapula that moves with the arm."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.analysis import Lateral, path_velocity, prepare, solve_lift
from momentshare.exercise import OverheadPress, Profile
from momentshare.joint import glenoid_frame
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses, build_skeletons, scapula_rotation

DEGREE = np.pi / 180
MODEL = load_model()
PERSON = Person(name="Liv", sex="female", stature=1.70, body_mass=66.0, training_factor=1.3)


@pytest.fixture(scope="module")
def limb():
    return build_limb(PERSON, MODEL, scapula="rhythm")


def overhead(frames):
    return OverheadPress(
        load_mass=6.0,
        spacing=Profile.constant(0.5),
        plane=Profile.constant(50 * DEGREE),
        tilt=Profile.constant(0.0),
        duration=1.4,
        frames=frames,
    )


@pytest.fixture(scope="module")
def lift(limb):
    return overhead(21).lift(limb.skeleton)


def test_scapula_turns_upward_by_its_rate_and_stays_a_rotation(limb):
    posture = posture_from_angles(plane=0.6, elevation=[0.0, 1.0, 2.0], axial=0.3)
    found = scapula_rotation(limb.skeleton, posture)
    np.testing.assert_allclose(found[0], limb.skeleton.fixed["scapula"][0], atol=1e-12)
    identity = np.swapaxes(found, 1, 2) @ found
    np.testing.assert_allclose(identity, np.broadcast_to(np.eye(3), (3, 3, 3)), atol=1e-12)
    # The lateral end of the spine of the scapula rises: its z axis points up by that angle.
    up = np.arcsin(found[:, 1, 2])
    rate = MODEL.number("scapula_rhythm_rate")
    np.testing.assert_allclose(np.diff(up), rate * np.array([1.0, 1.0]), rtol=1e-9)


def test_glenoid_faces_up_with_the_scapula(limb):
    posture = posture_from_angles(plane=0.6, elevation=[0.2, 1.8])
    outward = glenoid_frame(limb.skeleton, posture)[:, 2]
    assert outward[1, 1] > outward[0, 1] + 0.3


def test_arms_hold_the_scapula_and_velocities_do_not(limb, lift):
    """Arms balance the arm as a free body; dL/dt also has what the scapula's motion adds."""
    full = path_velocity(limb.skeleton, lift)
    poses = body_poses(limb.skeleton, lift.posture)
    held = replace(
        limb.skeleton,
        rhythm=0.0,
        fixed={
            **limb.skeleton.fixed,
            "scapula": (poses.rotation["scapula"][10], poses.origin["scapula"][10]),
        },
    )
    middle = replace(
        lift.posture,
        humerus=lift.posture.humerus[10:11],
        elbow_flexion=lift.posture.elbow_flexion[10:11],
        forearm_rotation=lift.posture.forearm_rotation[10:11],
    )
    moving, still = paths(limb.skeleton, middle), paths(held, middle)
    np.testing.assert_allclose(moving.moment_arms, still.moment_arms, atol=1e-12)
    names = limb.head_names
    arm = moving.shoulder_moment[0] @ lift.motion.humerus_angular_velocity[10]
    elbow = moving.moment_arms[0, 3] * -lift.motion.elbow_flexion_velocity[10]
    spin = moving.moment_arms[0, 4] * lift.motion.forearm_rotation_velocity[10]
    without = -(arm + elbow + spin)
    # Heads from the trunk do not feel the scapula; those from it lengthen less as it follows.
    for head in ("pectoralis_major/sternocostal_lower", "latissimus_dorsi/lower", "brachialis"):
        assert full[10, names.index(head)] == pytest.approx(without[names.index(head)], abs=1e-7)
    middle_deltoid = names.index("deltoid/acromial")
    assert abs(full[10, middle_deltoid]) < 0.9 * abs(without[middle_deltoid])


def test_velocities_are_the_rate_of_change_of_length_along_the_lift(limb):
    def error(frames):
        lift = overhead(frames).lift(limb.skeleton)
        length = paths(limb.skeleton, lift.posture).length
        found = path_velocity(limb.skeleton, lift)
        between = (length[2:] - length[:-2]) / (2 * (lift.time[1] - lift.time[0]))
        return np.abs(found[1:-1] - between).max() / np.abs(found).max()

    # What differs is the difference quotient of the lengths: of second order in the step, of
    # first order where a path comes off a surface and the curvature jumps, somewhere between two
    # frames; eight times as many leave room for where.
    coarse, fine = error(101), error(801)
    assert fine < coarse / 3.0
    assert fine < 0.005


def test_a_study_with_a_moving_scapula_solves_and_certifies(limb, lift):
    result = solve_lift(prepare(limb, lift), Lateral(mode="free"), greatest_load=False)
    assert np.all(result.sharing.certificate.bound_violation < 1e-9)
    assert set(result.sharing.status_text) <= {"solved", "shortfall"}


def test_limbs_whose_scapulae_move_are_traced_together_by_both_routes(limb, lift):
    tall = replace(limb.skeleton.person, stature=1.9)
    both = build_skeletons(
        [limb.skeleton.person, tall], limb.model, scapula=limb.skeleton.scapula_policy
    )
    posture = lift.posture
    rows = np.arange(len(posture.elbow_flexion)) % 2
    for method in ("compiled", "numpy"):
        found = paths(both, posture, limb=rows, method=method)
        for k in range(2):
            alone = paths(both.take(k), posture, method="numpy")
            mine = rows == k
            np.testing.assert_allclose(found.length[mine], alone.length[mine], atol=1e-12)
            np.testing.assert_allclose(found.moment_arms[mine], alone.moment_arms[mine], atol=1e-12)
