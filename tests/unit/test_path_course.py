"""Points along paths: they are those whose length and moment arms the library uses."""

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.paths.course import path_points
from momentshare.person import Person
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton

RUNA = Person(name="Runa", sex="female", stature=1.63, body_mass=61.0)
POSTURES = posture_from_angles(
    plane=np.radians([30.0, 60.0, 0.0, 90.0]),
    elevation=np.radians([10.0, 75.0, 90.0, 120.0]),
    axial=np.radians([0.0, -40.0, 10.0, -60.0]),
    elbow_flexion=np.radians([5.0, 60.0, 110.0, 130.0]),
    forearm_rotation=np.radians([90.0, 0.0, 150.0, 90.0]),
)


@pytest.fixture(scope="module", params=["pressing", "moving"])
def skeleton(request):
    return build_skeleton(RUNA, load_model(), scapula=request.param)


def spans(points):
    return np.linalg.norm(np.diff(points, axis=-2), axis=-1).sum(axis=-1)


def test_spans_add_up_to_the_length_of_the_path(skeleton):
    """A chord of a turn by a misses a share a²/24 of its arc: 1e-6 with 400 points a turn of π."""
    found = path_points(skeleton, POSTURES, arc=801)
    length = paths(skeleton, POSTURES).length
    for k, (head, lines) in enumerate(found.items()):
        mean = np.mean([spans(points) for points in lines], axis=0)
        np.testing.assert_allclose(mean, length[:, k], rtol=2e-6, err_msg=head)


def test_points_keep_their_distance_from_the_surface_they_touch(skeleton):
    poses = body_poses(skeleton, POSTURES)
    arc = 11
    touched = 0
    drawn = path_points(skeleton, POSTURES, arc=arc)
    for line, points in (
        pair
        for head in skeleton.model.heads
        for pair in zip(head.lines, drawn[head.name], strict=True)
    ):
        at = 0
        for step in line:
            if not step.is_surface:
                site = skeleton.model.sites[step.name]
                wanted = poses.point(site.body, skeleton.site[step.name])
                np.testing.assert_array_equal(points[:, at], wanted)
                at += 1
                continue
            surface = skeleton.model.surfaces[step.name]
            centre = poses.point(surface.body, skeleton.centre[step.name])
            radial = points[:, at : at + arc] - centre[:, None]
            if surface.shape == "cylinder":
                axis = poses.rotation[surface.body] @ np.array(surface.axis)
                axis /= np.linalg.norm(axis, axis=-1, keepdims=True)
                radial -= np.einsum("fpk,fk->fp", radial, axis)[..., None] * axis[:, None]
            distance = np.linalg.norm(radial, axis=-1)
            on = np.ptp(points[:, at : at + arc], axis=1).max(axis=-1) > 1e-9
            np.testing.assert_allclose(distance[on], skeleton.radius[step.name], rtol=1e-9)
            touched += int(on.sum())
            at += arc
    assert touched > 20


def test_a_posture_alone_has_the_points_it_has_in_a_batch(skeleton):
    alone = Posture(
        humerus=POSTURES.humerus[2],
        elbow_flexion=POSTURES.elbow_flexion[2],
        forearm_rotation=POSTURES.forearm_rotation[2],
    )
    batch = path_points(skeleton, POSTURES)
    for head, lines in path_points(skeleton, alone).items():
        for points, whole in zip(lines, batch[head], strict=True):
            np.testing.assert_allclose(points, whole[2], atol=1e-12)


def test_one_point_on_a_surface_is_refused(skeleton):
    with pytest.raises(ShapeError, match="2 points or more"):
        path_points(skeleton, POSTURES, arc=1)
