"""What holds for every path round a surface, whatever the numbers."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.geometry import rotation_about, round_cylinder, round_sphere

ROWS = 60
POINTS = ("enter", "leave")
DIRECTIONS = ("start_direction", "end_direction")
NUMBERS = ("length", "angle", "arc_length", "margin")
FLAGS = ("contact", "inside")
seeds = st.integers(0, 2**32 - 1)
surfaces = pytest.mark.parametrize("kind", ["sphere", "cylinder"])


def scene(seed, rows=ROWS):
    """Points and surface, away from the places where a path begins, jumps or is inside."""
    rng = np.random.default_rng(seed)
    case = {
        "start": rng.normal(size=(rows, 3)),
        "end": rng.normal(size=(rows, 3)),
        "centre": 0.3 * rng.normal(size=(rows, 3)),
        "axis": rng.normal(size=(rows, 3)),
        "radius": rng.uniform(0.1, 0.9, rows),
        "sense": rng.choice([-1.0, 1.0], rows),
    }
    sphere = path("sphere", case)
    cylinder = path("cylinder", case)
    keep = np.ones(rows, dtype=bool)
    for kind in (sphere, cylinder):
        keep &= (kind.margin > 1e-3) & ~(kind.contact & (kind.angle < 1e-3))
    return {name: value[keep] for name, value in case.items()}


def path(kind, case):
    names = ["start", "end", "centre", "radius"]
    if kind == "cylinder":
        names += ["axis", "sense"]
    chosen = {name: case[name] for name in names}
    return round_sphere(**chosen) if kind == "sphere" else round_cylinder(**chosen)


def same(got, wanted, turn=None, shift=0.0):
    turn = np.eye(3) if turn is None else turn
    for name in NUMBERS:
        np.testing.assert_allclose(getattr(got, name), getattr(wanted, name), atol=1e-9)
    for name in POINTS:
        moved = getattr(wanted, name) @ turn.T + shift
        np.testing.assert_allclose(getattr(got, name), moved, atol=1e-9)
    for name in DIRECTIONS:
        moved = getattr(wanted, name) @ turn.T
        np.testing.assert_allclose(getattr(got, name), moved, atol=1e-9)
    for name in FLAGS:
        np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name))


@surfaces
@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_rigid_motion_moves_the_path_with_it(kind, seed):
    case = scene(seed)
    rng = np.random.default_rng(seed)
    turn = rotation_about(rng.normal(size=3), rng.uniform(-3, 3))
    shift = rng.normal(size=3)
    moved = dict(case, axis=case["axis"] @ turn.T)
    for name in ("start", "end", "centre"):
        moved[name] = case[name] @ turn.T + shift
    same(path(kind, moved), path(kind, case), turn, shift)


@surfaces
@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_mirrored_points_with_turned_sense_give_the_mirrored_path(kind, seed):
    case = scene(seed)
    mirror = np.diag([1.0, 1.0, -1.0])
    image = dict(case, sense=-case["sense"])
    for name in ("start", "end", "centre", "axis"):
        image[name] = case[name] @ mirror
    same(path(kind, image), path(kind, case), mirror)


@surfaces
@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_going_backwards_with_turned_sense_is_the_same_path(kind, seed):
    case = scene(seed)
    there = path(kind, case)
    back = path(kind, dict(case, start=case["end"], end=case["start"], sense=-case["sense"]))
    swapped = dataclasses.replace(
        back,
        enter=back.leave.copy(),
        leave=back.enter.copy(),
        start_direction=back.end_direction.copy(),
        end_direction=back.start_direction.copy(),
    )
    same(swapped, there)


@surfaces
@given(seed=seeds, factor=st.floats(1e-3, 1e3))
@settings(max_examples=40, deadline=None)
def test_length_scales_with_the_scene_and_angles_stay(kind, seed, factor):
    case = scene(seed)
    large = dict(case)
    for name in ("start", "end", "centre", "radius"):
        large[name] = factor * case[name]
    got, wanted = path(kind, large), path(kind, case)
    np.testing.assert_allclose(got.length, factor * wanted.length, rtol=1e-9)
    np.testing.assert_allclose(got.angle, wanted.angle, atol=1e-9)


@surfaces
@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_direction_is_minus_the_gradient_of_the_length(kind, seed):
    case = scene(seed)
    got = path(kind, case)
    # Central differences are useless where the stencil reaches a non-smooth place; second
    # derivatives grow without bound where an end touches the surface.
    reach = np.min(
        [
            np.linalg.norm(case["start"] - got.enter, axis=-1),
            np.linalg.norm(case["end"] - got.leave, axis=-1),
        ],
        axis=0,
    )
    usable = ~got.inside & (reach > 0.05) & (got.margin > 0.05)
    h = 1e-6
    for end, direction in (("start", got.start_direction), ("end", got.end_direction)):
        slope = np.empty_like(direction)
        for i, step in enumerate(h * np.eye(3)):
            ahead = path(kind, dict(case, **{end: case[end] + step})).length
            behind = path(kind, dict(case, **{end: case[end] - step})).length
            slope[:, i] = (ahead - behind) / (2 * h)
        np.testing.assert_allclose(slope[usable], -direction[usable], atol=1e-6)


@surfaces
@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_path_is_no_shorter_than_the_straight_line_and_stays_out_of_the_surface(kind, seed):
    case = scene(seed)
    got = path(kind, case)
    straight = np.linalg.norm(case["end"] - case["start"], axis=-1)
    assert (got.length >= straight * (1 - 1e-12)).all()
    touch = got.contact
    for name in POINTS:
        away = getattr(got, name) - case["centre"]
        if kind == "cylinder":
            axis = case["axis"] / np.linalg.norm(case["axis"], axis=-1, keepdims=True)
            away = away - np.sum(away * axis, axis=-1, keepdims=True) * axis
        depth = np.linalg.norm(away, axis=-1) - case["radius"]
        np.testing.assert_allclose(depth[touch], 0.0, atol=1e-12)
    for name in DIRECTIONS:
        np.testing.assert_allclose(np.linalg.norm(getattr(got, name), axis=-1), 1.0, rtol=1e-12)


@given(seed=seeds)
@settings(max_examples=40, deadline=None)
def test_sphere_is_touched_exactly_when_the_segment_would_cut_it(seed):
    case = scene(seed)
    got = path("sphere", case)
    share = np.linspace(0.0, 1.0, 2001)[:, None, None]
    line = case["start"] + share * (case["end"] - case["start"]) - case["centre"]
    sampled = np.linalg.norm(line, axis=-1).min(axis=0) - case["radius"]
    clear = ~got.inside & (np.abs(sampled) > 1e-4)
    np.testing.assert_array_equal(got.contact[clear], sampled[clear] < 0.0)


@surfaces
@given(seed=seeds)
@settings(max_examples=10, deadline=None)
def test_batch_equals_a_loop(kind, seed):
    case = scene(seed, rows=20)
    rows = len(case["start"])
    whole = path(kind, case)
    for row in range(rows):
        one = path(kind, {name: value[row] for name, value in case.items()})
        for field in dataclasses.fields(whole):
            np.testing.assert_allclose(
                getattr(one, field.name), getattr(whole, field.name)[row], rtol=0, atol=1e-13
            )


@surfaces
def test_leading_axes_broadcast(kind):
    case = scene(11, rows=30)
    rows = len(case["start"])
    frames = case["start"] + np.zeros((7, 1, 1))
    got = path(kind, dict(case, start=frames))
    assert got.length.shape == (7, rows)
    np.testing.assert_allclose(got.length[3], path(kind, case).length, rtol=1e-13)
