"""Load of the glenoid and the stability limits."""

import numpy as np
import pytest

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import build_limb
from momentshare.limb.joint import (
    FACETS,
    glenoid_frame,
    glenoid_load,
    stability_facets,
    stability_limits,
)
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles

DEGREE = np.pi / 180
RAISED = posture_from_angles(plane=0.5, elevation=1.2)


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ada", sex="female", stature=1.68, body_mass=63.0, training_factor=1.4)
    return build_limb(person, load_model())


@pytest.fixture(scope="module")
def ready(limb):
    press = BenchPress(
        load_mass=44.0,  # enough for the head to leave the cone with and without a lateral force
        spacing=Profile.constant(0.5),
        tuck=Profile(((0.0, 60 * DEGREE), (1.0, 82 * DEGREE))),
        tilt=Profile(((0.0, 6 * DEGREE), (1.0, -6 * DEGREE))),
        frames=7,
    )
    return prepare(limb, press.lift(limb.skeleton))


def test_glenoid_axes_are_orthonormal_and_right_handed(limb):
    for elevation in (0.0, 1.2, 2.4):
        frame = glenoid_frame(limb.skeleton, posture_from_angles(plane=0.5, elevation=elevation))
        np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-12)
        np.testing.assert_allclose(np.cross(frame[0], frame[1]), frame[2], atol=1e-12)


def test_glenoid_faces_up_with_the_scapula(limb):
    posture = posture_from_angles(plane=0.6, elevation=[0.2, 1.8])
    outward = glenoid_frame(limb.skeleton, posture)[:, 2]
    assert outward[1, 1] > outward[0, 1] + 0.3


def test_pure_compression_is_centred_and_pure_shear_has_no_margin(limb):
    frame = glenoid_frame(limb.skeleton, RAISED)
    centred = glenoid_load(limb.skeleton, 100.0 * frame[2], RAISED)
    assert centred.compression == pytest.approx(100.0)
    assert centred.margin == pytest.approx(1.0)
    sheared = glenoid_load(limb.skeleton, 50.0 * frame[0] - 1.0 * frame[2], RAISED)
    assert sheared.anterior == pytest.approx(-50.0)
    assert sheared.margin == -np.inf


def test_share_angle_and_direction_say_where_the_force_stands(limb):
    """A force turned from the inward normal by a known angle, towards each eighth of a turn."""
    frame = glenoid_frame(limb.skeleton, RAISED)
    turn = np.arange(8) * np.pi / 4.0
    shear = np.cos(turn)[:, None] * frame[0] + np.sin(turn)[:, None] * frame[1]
    for degrees in (2.0, 80.0):
        # On the glenoid presses the opposite of the contact force.
        pressed = np.tan(np.radians(degrees)) * shear - frame[2]
        load = glenoid_load(limb.skeleton, -100.0 * pressed, RAISED)
        assert load.direction.tolist() == [
            "anterior", "anterior-superior", "superior", "posterior-superior", "posterior",
            "posterior-inferior", "inferior", "anterior-inferior",
        ]  # fmt: skip
        np.testing.assert_allclose(
            np.degrees(load.inside_limit_by), np.degrees(np.arctan(load.limit)) - degrees, atol=1e-9
        )
        np.testing.assert_array_equal(load.share_of_limit < 1.0, load.inside_limit_by > 0.0)
        assert (load.share_of_limit < 1.0).all() == (degrees == 2.0)
    lifted = glenoid_load(limb.skeleton, -100.0 * (shear[0] + frame[2]), RAISED)
    assert lifted.share_of_limit == np.inf
    assert lifted.inside_limit_by < -np.pi / 4.0
    centred = glenoid_load(limb.skeleton, 100.0 * frame[2], RAISED)
    assert centred.share_of_limit == pytest.approx(0.0, abs=1e-12)
    unknown = glenoid_load(limb.skeleton, np.full(3, np.nan), RAISED)
    assert unknown.direction == "unknown"
    assert np.isnan(unknown.inside_limit_by)


def test_facets_touch_the_limit_from_outside(limb):
    """Every force within the limit keeps every facet; just beyond it some facet stops it."""
    turn = np.linspace(0.0, 2.0 * np.pi, 721)
    limit = stability_limits(limb.model, np.cos(turn), np.sin(turn))
    turns, facets = stability_facets(limb.model)
    assert turns.shape == facets.shape == (FACETS,)
    # Turns run clockwise: forward, down, back, up.
    reached = limit[:, None] * np.cos(turn[:, None] + turns) / facets
    assert (reached <= 1.0 + 1e-12).all()
    assert (reached.max(axis=1) > 0.98).all()
    np.testing.assert_allclose(reached.max(axis=0), 1.0, atol=1e-4)


def test_limits_meet_the_four_directions_of_the_table(limb):
    # lippitt1993 (read) up and down, halder2001 (from memory) forward.
    number = limb.model.number
    forward = np.array([1.0, -1.0, 0.0, 0.0])
    upward = np.array([0.0, 0.0, 1.0, -1.0])
    names = ("anterior", "posterior", "superior", "inferior")
    np.testing.assert_allclose(
        stability_limits(limb.model, forward, upward), [number(f"stability_{n}") for n in names]
    )


@pytest.mark.parametrize("mode", ["zero", "free"])
def test_constraint_keeps_the_head_within_the_cone_and_costs_activation(limb, ready, mode):
    plain = solve_lift(ready, Lateral(mode=mode), greatest_load=False)
    kept = solve_lift(ready, Lateral(mode=mode), greatest_load=False, glenoid=True)
    assert glenoid_load(limb.skeleton, plain.contact, ready.lift.posture).margin.min() < 0.0
    met = kept.sharing.status == 0
    assert met.sum() >= 5
    # The facets of the cone touch the ellipse from outside: at most 1 - cos(pi / facets) of a
    # circle beyond it, and for axes of 0.32 and 0.60 at most that times the axes' ratio squared.
    slack = (1.0 / np.cos(np.pi / FACETS) - 1.0) * (0.60 / 0.32) ** 2
    held = glenoid_load(limb.skeleton, kept.contact, ready.lift.posture)
    assert held.margin[met].min() > -slack
    weights = limb.area_weights
    costs = [(weights * r.activation**2).sum(axis=1) for r in (plain, kept)]
    assert np.all(costs[1][met] >= costs[0][met] * (1 - 1e-6))


def test_constrained_answer_still_balances_the_moments(ready):
    kept = solve_lift(ready, Lateral(mode="free"), greatest_load=False, glenoid=True)
    met = kept.sharing.status == 0
    assert met.sum() >= 5
    supplied = np.einsum("frh,fh->fr", ready.paths.moment_arms[:, :4], kept.force)
    np.testing.assert_allclose(supplied[met], kept.moments[met, :4], atol=1e-5)


def test_frames_without_a_force_stay_unknown(limb):
    load = glenoid_load(limb.skeleton, np.full((2, 3), np.nan), RAISED)
    assert np.isnan(load.margin).all()
