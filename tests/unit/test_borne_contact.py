"""A surface of the scapula that stands for the humeral head presses on the humerus."""

import dataclasses

import numpy as np
import pytest

from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.paths.course import path_points
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

MAN = Person(name="Olav", sex="male", stature=1.80, body_mass=80.0)
RAISED = posture_from_angles(
    plane=np.radians([0.0, 40.0, 90.0]), elevation=np.radians([60.0, 40.0, 30.0]), elbow_flexion=0.5
)
DELTOID = ("deltoid/clavicular", "deltoid/acromial", "deltoid/spinal")


@pytest.fixture(scope="module")
def model():
    return load_model()


def borne(model, body):
    """The model with the deltoid's surfaces borne by another body."""
    surfaces = {
        name: dataclasses.replace(s, borne_by=body) if name.startswith("deltoid_") else s
        for name, s in model.surfaces.items()
    }
    return dataclasses.replace(model, surfaces=surfaces)


@pytest.mark.parametrize("method", ["numpy", "auto"])
def test_who_bears_the_contact_changes_the_line_but_no_length_and_no_arm(model, method):
    on_head, on_scapula = (
        paths(build_skeleton(MAN, borne(model, body)), RAISED, method=method)
        for body in ("humerus", "scapula")
    )
    np.testing.assert_array_equal(on_head.length, on_scapula.length)
    np.testing.assert_array_equal(on_head.moment_arms, on_scapula.moment_arms)
    np.testing.assert_array_equal(on_head.shoulder_moment, on_scapula.shoulder_moment)
    touched = on_head.contact & np.isin(model.head_names, DELTOID)
    assert touched.any()
    same = np.all(on_head.line_of_action == on_scapula.line_of_action, axis=-1)
    assert not same[touched].any()
    assert same[~np.isin(model.head_names, DELTOID)[None] & np.ones_like(touched)].all()


def test_pull_on_the_arm_is_the_mean_of_the_spans_at_the_scapula(model):
    skeleton = build_skeleton(MAN, model)
    found = paths(skeleton, RAISED)
    head = model.heads[model.head_names.index("deltoid/acromial")]
    column = model.head_names.index(head.name)
    assert found.contact[0, column]
    poses = body_poses(skeleton, RAISED)
    ways = []
    for line, drawn in zip(head.lines, path_points(skeleton, RAISED[0])[head.name], strict=True):
        origin = poses.point("scapula", skeleton.site[line[0].name])[0]
        np.testing.assert_allclose(drawn[0], origin, atol=1e-12)
        # Points off the surface lie in the origin's straight span; the first others tell its way.
        apart = np.linalg.norm(drawn - origin, axis=-1)
        first = drawn[np.flatnonzero(apart > 1e-9)[0]] - origin
        ways.append(first / np.linalg.norm(first))
    mean = np.mean(ways, axis=0)
    np.testing.assert_allclose(found.line_of_action[0, column], -mean, atol=1e-9)
