"""Arguments that would be misread are refused by name: masks, threads, words, degrees."""

import numpy as np
import pytest

from momentshare import (
    BenchPress,
    Criterion,
    GuidedArm,
    OverheadPress,
    Person,
    Profile,
    PushUp,
    build_limb,
    load_model,
    posture_from_angles,
    prepare,
)
from momentshare.errors import InputError, ShapeError
from momentshare.sharing import Cone, Solver, greatest_factor, greatest_moment, share

ARMS, CAPACITY, MOMENTS = [[0.05, 0.04]], [1000.0, 500.0], [25.0]
AT = Profile.constant


@pytest.mark.parametrize("threads", [0, -1, -4, 1.5, True, "2"])
@pytest.mark.parametrize("method", ["auto", "numpy"])
def test_threads_are_a_number_of_at_least_one(threads, method):
    calls = [
        lambda: share(ARMS, CAPACITY, MOMENTS, threads=threads, method=method),
        lambda: Solver(heads=2).solve(ARMS, CAPACITY, [MOMENTS], threads=threads),
        lambda: greatest_factor(ARMS, CAPACITY, [0.0], MOMENTS, threads=threads, method=method),
        lambda: greatest_moment(ARMS, CAPACITY, 0, 1.0, threads=threads, method=method),
    ]
    for call in calls:
        with pytest.raises(ShapeError, match="threads: must be a whole number of at least one"):
            call()


def test_threads_of_paths_are_a_number_of_at_least_one():
    limb = build_limb(Person(name="A", sex="male", stature=1.8, body_mass=80.0), load_model())
    lift = BenchPress(load_mass=20.0, spacing=AT(0.5), frames=3).lift(limb.skeleton)
    with pytest.raises(ShapeError, match="threads"):
        prepare(limb, lift, threads=-1)


def test_a_mask_is_not_lost_in_a_cone():
    hidden = np.ma.array([[1.0, 0.0, 0.0], [1.0, 0.0, 0.0]], mask=[[1, 0, 0], [0, 0, 0]])
    cone = Cone(lines=hidden, normals=[[1.0, 0.0, 0.0]], levels=[1.0])
    with pytest.raises(ShapeError, match="masked value"):
        share(ARMS, CAPACITY, MOMENTS, inequalities=cone)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"weights": "stress"}, "weights: must be area, volume or none; got 'stress'"),
        ({"exponent": 1.0}, "exponent: must be a number above 1"),
        ({"exponent": True}, "exponent: must be a number above 1"),
        ({"exponent": "2"}, "exponent: must be a number above 1"),
        ({"exponent": float("nan")}, "exponent: must be a number above 1"),
    ],
)
def test_a_criterion_names_what_it_cannot_be(change, words):
    with pytest.raises(InputError, match=words):
        Criterion(**change)


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: BenchPress(load_mass=20.0, spacing=AT(0.5), tuck=AT(60.0)), "tuck"),
        (lambda: BenchPress(load_mass=20.0, spacing=AT(0.5), tilt=AT(-20.0)), "tilt"),
        (lambda: BenchPress(load_mass=20.0, spacing=AT(0.5), shrug=AT(10.0)), "shrug"),
        (lambda: PushUp(spacing=AT(0.5), tuck=AT(60.0), tilt=AT(0.0)), "tuck"),
        (lambda: PushUp(spacing=AT(0.5), tuck=AT(1.0), tilt=AT(0.0), body_angle=9.0), "body_angle"),
        (
            lambda: OverheadPress(load_mass=20.0, spacing=AT(0.5), plane=AT(60.0), tilt=AT(0.0)),
            "plane",
        ),
        (
            lambda: GuidedArm(
                load_mass=2.0, plane=AT(1.0), elevation=AT(90.0), axial=AT(0.0),
                elbow_flexion=AT(0.0), forearm_rotation=AT(0.0),
            ),
            "elevation",
        ),
        (lambda: posture_from_angles(elevation=[0.0, 90.0]), "elevation"),
        (lambda: posture_from_angles(elbow_flexion=45.0), "elbow_flexion"),
    ],
)  # fmt: skip
def test_degrees_are_not_taken_for_radians(make, field):
    with pytest.raises(InputError, match=rf"{field}: must be radians within a whole turn.*degrees"):
        make()


def test_a_push_up_names_a_mass_that_cannot_be():
    with pytest.raises(InputError, match="extra_mass"):
        PushUp(spacing=AT(0.5), tuck=AT(1.0), tilt=AT(0.0), extra_mass=-1.0)
