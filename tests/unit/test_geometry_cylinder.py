"""Wrapping round a cylinder on a stored side: closed forms, limits and faults."""

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.geometry import LARGEST_WRAP_ANGLE, round_cylinder

ORIGIN, AXIS = np.zeros(3), np.array([0.0, 0.0, 1.0])


def on_circle(distance, angle, height=0.0):
    angle = np.asarray(angle)
    height = np.broadcast_to(height, angle.shape)
    return np.stack([distance * np.cos(angle), distance * np.sin(angle), height], axis=-1)


@pytest.mark.parametrize("turn", [0.3, 1.2, 2.5, 3.1])
def test_helix_on_the_surface(turn):
    r, h = 0.02, 0.03
    path = round_cylinder(on_circle(r, 0.4), on_circle(r, 0.4 + turn, h), ORIGIN, AXIS, r, 1)
    assert path.contact
    assert path.angle == pytest.approx(turn, rel=1e-12)
    assert path.length == pytest.approx(np.hypot(r * turn, h), rel=1e-12)
    assert path.arc_length == pytest.approx(path.length, rel=1e-12)


def test_tangents_and_helix_share_the_climb_in_proportion():
    # Points at 2r: planar tangents √3 r, 60° each; 180° apart leaves 60° on the surface.
    r, h = 0.03, 0.05
    path = round_cylinder(on_circle(2 * r, 0.0), on_circle(2 * r, np.pi, h), ORIGIN, AXIS, r, 1)
    tangent, arc = np.sqrt(3) * r, r * np.pi / 3
    planar = 2 * tangent + arc
    assert path.length == pytest.approx(np.hypot(planar, h), rel=1e-13)
    np.testing.assert_allclose(
        path.enter, on_circle(r, np.pi / 3, h * tangent / planar), rtol=0, atol=1e-16
    )
    np.testing.assert_allclose(
        path.leave, on_circle(r, 2 * np.pi / 3, h * (tangent + arc) / planar), rtol=0, atol=1e-16
    )
    assert path.arc_length == pytest.approx(arc * path.length / planar, rel=1e-13)


def test_directions_run_along_the_pieces():
    rng = np.random.default_rng(6)
    start = on_circle(0.05, rng.uniform(-0.2, 0.2, 100), rng.normal(size=100))
    end = on_circle(0.07, rng.uniform(2.9, 3.4, 100), rng.normal(size=100))
    path = round_cylinder(start, end, ORIGIN, AXIS, 0.02, 1)
    assert path.contact.all()
    first, last = path.enter - start, path.leave - end
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    last /= np.linalg.norm(last, axis=-1, keepdims=True)
    np.testing.assert_allclose(path.start_direction, first, atol=1e-13)
    np.testing.assert_allclose(path.end_direction, last, atol=1e-13)
    pieces = (
        np.linalg.norm(path.enter - start, axis=-1)
        + path.arc_length
        + np.linalg.norm(end - path.leave, axis=-1)
    )
    np.testing.assert_allclose(path.length, pieces, rtol=1e-13)


def test_sense_chooses_the_side_even_where_it_is_the_longer():
    distance = 0.02 / np.cos(0.5)  # each tangent takes 0.5 rad of the turn
    start, end = on_circle(distance, 0.0), on_circle(distance, 2.3)
    short = round_cylinder(start, end, ORIGIN, AXIS, 0.02, 1)
    long = round_cylinder(start, end, ORIGIN, AXIS, 0.02, -1)
    assert short.angle == pytest.approx(2.3 - 1.0, rel=1e-13)
    assert long.angle == pytest.approx(2 * np.pi - 2.3 - 1.0, rel=1e-13)
    assert long.length > short.length


def test_segment_on_the_stored_side_is_free_and_on_the_other_side_wraps():
    start, end = [2.0, 0.0, 0.0], [-2.0, 0.0, 0.0]
    above = np.array([0.0, 1.5, 0.0])
    free = round_cylinder(start + above, end + above, ORIGIN, AXIS, 1.0, 1)
    assert not free.contact
    assert free.length == 4.0
    np.testing.assert_array_equal(free.enter, above)
    crossed = round_cylinder(start - above, end - above, ORIGIN, AXIS, 1.0, 1)
    assert crossed.contact
    assert crossed.angle > np.pi / 2
    assert crossed.length > 4.0
    assert (crossed.enter[1] > 0.0) == (crossed.leave[1] > 0.0)


def test_segment_that_ends_before_the_cylinder_is_straight():
    path = round_cylinder([2, 0.1, 0], [5, 0.4, 1.0], ORIGIN, AXIS, 1.0, 1)
    assert not path.contact
    assert path.length == pytest.approx(np.sqrt(9 + 0.09 + 1), rel=1e-15)


def test_segment_along_the_axis_or_along_a_ray_is_straight():
    for start in (on_circle(1.0, 0.7), on_circle(3.0, 0.7), on_circle(50.0, 2.1)):
        for end in (start + 2.0 * AXIS, start * 1.37):
            for sense in (1, -1):
                assert not round_cylinder(start, end, ORIGIN, AXIS, 1.0, sense).contact


@pytest.mark.parametrize("distances", [(1.0, 1.0), (1.05, 1.2), (1.5, 3.0), (8.0, 20.0)])
@pytest.mark.parametrize("sense", [1, -1])
def test_contact_holds_from_the_tangent_to_the_one_stated_jump(distances, sense):
    # The end circles the axis once; δ is known by construction.
    near, far = distances
    delta = np.linspace(0.0, 2 * np.pi, 20001)[1:-1]
    path = round_cylinder(
        on_circle(near, 0.3), on_circle(far, 0.3 + sense * delta), ORIGIN, AXIS, 1.0, sense
    )
    free = np.arccos(1 / near) + np.arccos(1 / far)
    jump = LARGEST_WRAP_ANGLE + free
    np.testing.assert_array_equal(path.contact, (delta > free) & (delta < jump))
    off = np.abs(delta - jump)
    np.testing.assert_allclose(path.margin, np.minimum(off, 2 * np.pi - off), atol=1e-12)


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("height", [0.0, 0.4])
def test_length_and_direction_are_continuous_up_to_the_jump(sense, height):
    # The end runs across the stored side, through the cylinder and out on the other side.
    y = sense * np.linspace(2.0, -2.5, 45001)
    end = np.stack([np.full_like(y, -2.0), y, np.full_like(y, height)], axis=-1)
    start = np.array([1.6, sense * 0.9, 0.0])
    path = round_cylinder(start, end, ORIGIN, AXIS, 1.0, sense)
    assert not path.contact[0]
    assert path.contact[-1]
    assert np.count_nonzero(np.diff(path.contact.astype(int))) == 1
    step = np.abs(y[1] - y[0])
    # The unrolled path is a straight line to an end that moves by one step.
    assert np.abs(np.diff(path.length)).max() <= step * (1 + 1e-9)
    turned = np.linalg.norm(np.diff(path.start_direction, axis=0), axis=-1)
    assert turned.max() <= step / path.length.min() * (1 + 1e-3)
    # Seen from the moving end the tangent turns no faster than step / tangent length.
    reach = np.sqrt(np.min(end[:, 0] ** 2 + end[:, 1] ** 2) - 1.0)
    turned = np.linalg.norm(np.diff(path.end_direction, axis=0), axis=-1)
    assert turned.max() <= (step / reach + step / path.length.min()) * (1 + 1e-3)


def test_wrapped_and_straight_length_agree_where_contact_begins():
    free = np.arccos(1 / 1.5) + np.arccos(1 / 2.5)
    for offset in (-1e-7, 1e-7):
        start, end = on_circle(1.5, 0.0), on_circle(2.5, free + offset, 0.3)
        path = round_cylinder(start, end, ORIGIN, AXIS, 1.0, 1)
        assert path.contact == (offset > 0)
        # The difference is of third order in the wrap angle.
        assert path.length == pytest.approx(np.linalg.norm(end - start), rel=1e-14)


def test_points_within_the_cylinder_are_flagged_and_straight():
    path = round_cylinder([[0.5, 0, 7], [0, 0, 7], [1.5, 0, 7]], [-2, 0, 0], ORIGIN, AXIS, 1.0, 1)
    np.testing.assert_array_equal(path.inside, [True, True, False])
    np.testing.assert_array_equal(path.contact, [False, False, True])
    assert path.length[0] == pytest.approx(np.hypot(2.5, 7.0), rel=1e-15)


def test_length_of_the_axis_does_not_matter():
    start, end = on_circle(1.5, 0.0), on_circle(1.5, 3.0, 1.0)
    one = round_cylinder(start, end, ORIGIN, AXIS, 1.0, 1)
    two = round_cylinder(start, end, [0, 0, 5.0], 30 * AXIS, 1.0, 1)
    assert two.length == pytest.approx(one.length, rel=1e-14)
    np.testing.assert_allclose(two.enter, one.enter, atol=1e-14)


def test_nan_stays_in_its_row():
    start = [[np.nan, 0, 0], [2, 0, 0]]
    path = round_cylinder(start, [-2, 0.1, 0], ORIGIN, AXIS, 1.0, 1)
    assert np.isnan(path.length[0])
    assert path.contact[1]
    assert np.isfinite(path.length[1])


def test_empty_batch_keeps_its_shape():
    path = round_cylinder(np.zeros((0, 4, 3)), np.ones(3), ORIGIN, AXIS, np.ones(4), np.ones(4))
    assert path.length.shape == (0, 4)
    assert path.end_direction.shape == (0, 4, 3)


@pytest.mark.parametrize("sense", [0, 2, 0.5, np.nan])
def test_sense_must_be_plus_or_minus_one(sense):
    with pytest.raises(ShapeError, match=r"sense: must be \+1"):
        round_cylinder([2, 0, 0], [0, 2, 0], ORIGIN, AXIS, 1.0, sense)


def test_axis_must_have_a_direction():
    with pytest.raises(ShapeError, match="axis: must be directions"):
        round_cylinder([2, 0, 0], [0, 2, 0], ORIGIN, ORIGIN, 1.0, 1)


def test_path_comes_off_at_the_largest_turn_angle_and_the_margin_says_how_far_it_is():
    # Both ends on the surface: the wrap angle is the turn.
    turns = np.array([0.5, 1.9, 2.1, 3.0])
    start, end = on_circle(1.0, 0.0), np.array([on_circle(1.0, t) for t in turns])
    path = round_cylinder(start, end, ORIGIN, AXIS, 1.0, 1, largest=2.0)
    np.testing.assert_array_equal(path.contact, [True, True, False, False])
    np.testing.assert_allclose(path.margin, [1.5, 0.1, 0.1, 1.0], atol=1e-9)
    np.testing.assert_allclose(path.length[2:], 2.0 * np.sin(turns[2:] / 2.0), rtol=1e-9)


@pytest.mark.parametrize("largest", [0.0, -1.0, 3.2, np.nan])
def test_largest_turn_angle_must_lie_up_to_half_a_turn(largest):
    with pytest.raises(ShapeError, match="largest"):
        round_cylinder([2, 0, 0], [0, 2, 0], ORIGIN, AXIS, 1.0, 1, largest=largest)
