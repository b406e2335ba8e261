"""Scaled bones: what follows which size, and where bodies are in a posture."""

import numpy as np
import pytest

from momentshare.errors import UnknownNameError
from momentshare.geometry import rotation_about
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

DEG = np.pi / 180.0


@pytest.fixture(scope="module")
def model():
    return load_model()


def reference_man(model, **changes):
    base = {
        "name": "reference",
        "sex": "male",
        "stature": model.number("reference_stature"),
        "body_mass": model.number("reference_body_mass"),
        "biacromial_breadth": model.number("reference_biacromial_breadth"),
        "chest_depth": model.number("reference_chest_depth"),
        "humerus_length": model.number("reference_humerus_length"),
        "forearm_length": model.number("reference_forearm_length"),
    }
    return Person(**(base | changes))


@pytest.fixture(scope="module")
def reference(model):
    return build_skeleton(reference_man(model), model)


def distance(poses, skeleton, a, b):
    points = [poses.point(skeleton.model.sites[n].body, skeleton.site[n]) for n in (a, b)]
    return np.linalg.norm(points[0] - points[1], axis=-1)


def test_reference_man_keeps_the_coordinates_of_the_files(model, reference):
    # The clavicle alone has its length from its two joints instead of a size of the person.
    for name, site in model.sites.items():
        if site.body != "clavicle":
            np.testing.assert_allclose(reference.site[name], site.position, atol=1e-12)
    for name, surface in model.surfaces.items():
        assert reference.radius[name] == pytest.approx(surface.radius, rel=1e-12)


@pytest.mark.parametrize("elevation", [0.0, 0.7, 2.2])
def test_clavicle_reaches_from_joint_to_joint(model, reference, elevation):
    poses = body_poses(reference, posture_from_angles(plane=0.4, elevation=elevation))
    corner = np.array([model.number(f"acromioclavicular_joint_{axis}") for axis in "xyz"])
    span = poses.point("scapula", corner) - poses.origin["clavicle"]
    along = span / np.linalg.norm(span)
    np.testing.assert_allclose(poses.rotation["clavicle"][:, 2], along, atol=1e-12)


def test_bodies_of_the_girdle_have_right_handed_frames(reference):
    poses = body_poses(reference, posture_from_angles(plane=0.4, elevation=[0.0, 0.7, 2.2]))
    for body in ("clavicle", "scapula"):
        rotation = poses.rotation[body]
        identity = rotation @ np.swapaxes(rotation, -1, -2)
        np.testing.assert_allclose(identity, np.broadcast_to(np.eye(3), (3, 3, 3)), atol=1e-12)
        np.testing.assert_allclose(np.linalg.det(rotation), 1.0, atol=1e-12)


def test_joint_centre_follows_the_shoulder_breadth(model):
    narrow, wide = (
        build_skeleton(reference_man(model, biacromial_breadth=b), model) for b in (0.38, 0.44)
    )
    half = 0.5 * model.number("joint_centre_lateral_fraction")
    assert wide.joint_centre[2] - narrow.joint_centre[2] == pytest.approx(half * 0.06, abs=1e-12)


def test_sites_marked_distal_keep_their_distance_from_the_far_joint(model):
    a, b = (build_skeleton(reference_man(model, humerus_length=x), model) for x in (0.27, 0.31))
    moved = 0
    for name, site in model.sites.items():
        shift = b.site[name] - a.site[name]
        if site.body == "humerus" and site.anchor == "distal":
            np.testing.assert_allclose(shift, [0.0, -0.04, 0.0], atol=1e-12)
            moved += 1
        elif site.body == "humerus" and site.anchor == "proximal":
            np.testing.assert_allclose(shift, 0.0, atol=1e-15)
            moved += 1
    assert moved > 4


def test_sites_marked_along_keep_their_share_of_the_bone(model):
    a, b = (build_skeleton(reference_man(model, humerus_length=x), model) for x in (0.27, 0.31))
    names = [n for n, s in model.sites.items() if s.body == "humerus" and s.anchor == "along"]
    assert names
    for name in names:
        assert b.site[name][1] / a.site[name][1] == pytest.approx(0.31 / 0.27, rel=1e-12)


def test_taller_person_has_thicker_bones_in_proportion(model):
    tall = build_skeleton(reference_man(model, stature=1.2 * 1.7562), model)
    assert tall.radius["cuff_sphere"] == pytest.approx(
        1.2 * model.surfaces["cuff_sphere"].radius, rel=1e-12
    )
    assert tall.site["triceps_insertion"][0] == pytest.approx(
        1.2 * model.sites["triceps_insertion"].position[0], rel=1e-12
    )


def test_offset_shifts_one_site_only(model, reference):
    moved = build_skeleton(
        reference_man(model),
        model,
        numbers=Numbers(offsets={"triceps_insertion": np.array([0.001, 0.0, 0.002])}),
    )
    for name in model.sites:
        wanted = [0.001, 0.0, 0.002] if name == "triceps_insertion" else [0.0, 0.0, 0.0]
        np.testing.assert_allclose(moved.site[name] - reference.site[name], wanted, atol=1e-12)


def test_radius_is_replaced_for_one_surface_only(model, reference):
    changed = build_skeleton(
        reference_man(model), model, numbers=Numbers(radii={"elbow_back": 0.02})
    )
    for name in model.surfaces:
        wanted = 0.02 if name == "elbow_back" else reference.radius[name]
        assert changed.radius[name] == pytest.approx(wanted, rel=1e-12)


def test_unknown_scapula_policy_offers_the_known_ones(model):
    with pytest.raises(UnknownNameError, match="resting"):
        build_skeleton(reference_man(model), model, scapula="shrugging")


def test_scapula_policies_place_the_scapula_differently(model):
    a, b = (
        body_poses(
            build_skeleton(reference_man(model), model, scapula=p), posture_from_angles()
        ).rotation["scapula"]
        for p in ("pressing", "resting")
    )
    cosine = 0.5 * (np.trace(a @ b.T) - 1.0)
    # Retracted by 11 and turned up by 15 degrees: more than 10 apart, less than 30.
    assert 10.0 < np.degrees(np.arccos(cosine)) < 30.0


def test_elbow_lies_one_humerus_away_from_the_shoulder(reference):
    rng = np.random.default_rng(0)
    posture = posture_from_angles(
        plane=rng.uniform(-1, 2, 20), elevation=rng.uniform(0, 2, 20), axial=rng.uniform(-1, 1, 20)
    )
    poses = body_poses(reference, posture)
    span = np.linalg.norm(poses.origin["ulna"] - poses.origin["humerus"], axis=-1)
    np.testing.assert_allclose(span, reference.sizes.humerus_length, rtol=1e-13)


def test_elbow_flexion_leaves_the_humerus_and_forearm_rotation_the_ulna(reference):
    still = body_poses(reference, posture_from_angles(0.4, 1.0, 0.2, 0.3, 0.5))
    bent = body_poses(reference, posture_from_angles(0.4, 1.0, 0.2, 1.3, 0.5))
    turned = body_poses(reference, posture_from_angles(0.4, 1.0, 0.2, 0.3, 1.5))
    np.testing.assert_array_equal(still.rotation["humerus"], bent.rotation["humerus"])
    np.testing.assert_array_equal(still.rotation["ulna"], turned.rotation["ulna"])
    np.testing.assert_array_equal(still.origin["ulna"], bent.origin["ulna"])


def test_forearm_rotation_keeps_both_points_of_its_axis(reference):
    angles = np.linspace(0.0, 150.0, 16) * DEG
    poses = body_poses(reference, posture_from_angles(elbow_flexion=1.0, forearm_rotation=angles))
    head = poses.point("radius", reference.site["radial_head"])
    np.testing.assert_allclose(head, np.broadcast_to(head[0], head.shape), atol=1e-15)
    # The lower point belongs to the ulna; in the radius it is where the axis leaves the bone.
    low = poses.point("ulna", reference.site["ulnar_head"])
    np.testing.assert_allclose(
        np.cross(head - low, poses.forearm_axis), 0.0, atol=1e-15, err_msg="axis off its points"
    )


def test_pronation_carries_the_radial_styloid_from_lateral_across_the_front(reference):
    angles = np.array([0.0, 90.0, 170.0]) * DEG
    poses = body_poses(reference, posture_from_angles(forearm_rotation=angles))
    styloid = poses.point("radius", reference.site["brachioradialis_insertion"])
    ulna = poses.point("ulna", reference.site["ulnar_head"])
    lateral = (styloid - ulna)[:, 2]
    forward = (styloid - ulna)[:, 0]
    assert lateral[0] > 0.015
    assert lateral[2] < lateral[1] < lateral[0]
    assert forward[1] > forward[0]


def test_bodies_of_a_batch_are_those_of_single_postures(reference):
    rng = np.random.default_rng(1)
    values = rng.uniform(0.1, 1.4, (5, 6))
    batch = body_poses(reference, posture_from_angles(*values))
    for k in range(6):
        one = body_poses(reference, posture_from_angles(*values[:, k]))
        for body in batch.rotation:
            np.testing.assert_allclose(batch.rotation[body][k], one.rotation[body], atol=1e-15)
            np.testing.assert_allclose(batch.origin[body][k], one.origin[body], atol=1e-15)


@pytest.mark.parametrize("shape", [(0,), (2, 0), (3, 4)])
def test_bodies_take_any_batch_shape(reference, shape):
    poses = body_poses(reference, posture_from_angles(elevation=np.full(shape, 0.5)))
    for body in poses.rotation:
        assert poses.rotation[body].shape == (*shape, 3, 3)
        assert poses.origin[body].shape == (*shape, 3)


def test_distance_of_sites_on_one_bone_does_not_depend_on_posture(reference):
    poses = body_poses(
        reference, posture_from_angles(0.3, np.array([0.2, 1.5]), 0.4, np.array([0.1, 2.0]), 1.0)
    )
    for a, b in (
        ("triceps_lateral_upper_origin", "brachialis_upper_origin"),
        ("triceps_insertion", "brachialis_insertion"),
        ("biceps_insertion", "pronator_teres_insertion"),
    ):
        span = distance(poses, reference, a, b)
        assert span[0] == pytest.approx(span[1], rel=1e-13)


def test_rotation_helper_and_hinge_agree(reference):
    poses = body_poses(reference, posture_from_angles(0.2, 0.8, 0.1, 0.7))
    wanted = poses.rotation["humerus"] @ rotation_about([0.0, 0.0, 1.0], 0.7)
    np.testing.assert_allclose(poses.rotation["ulna"], wanted, atol=1e-15)
