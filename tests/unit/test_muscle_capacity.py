"""State of a head: closed forms of the rigid tendon, balance of the elastic one."""

import dataclasses

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.muscle import (
    LARGEST_PENNATION,
    SHORTEST_FIBRE,
    DeGrooteCurves,
    ThelenCurves,
    capacity,
    head_state,
)

HEAD = {
    "peak_fibre_length": np.array([0.10, 0.08, 0.12]),
    "slack_length": np.array([0.20, 0.10, 0.02]),
    "pennation": np.array([0.0, 0.3, 0.15]),
    "greatest_isometric_force": np.array([1000.0, 600.0, 300.0]),
}
CURVES = DeGrooteCurves()


def path_length(fibre, head=HEAD):
    """Path of a rigid tendon at a normalised fibre length, by constant thickness."""
    length = np.asarray(fibre)[..., None] * head["peak_fibre_length"]
    sine = head["peak_fibre_length"] * np.sin(head["pennation"]) / length
    return head["slack_length"] + length * np.sqrt(1 - sine**2)


def balance(state, length, curves, *, passive=True):
    """Fibre and tendon force over maximal force, each from its own length."""
    fibre = state.length_factor + (
        curves.passive_force_length(state.fibre_length_normalised) if passive else 0.0
    )
    along = state.fibre_length * np.cos(state.pennation)
    tendon = (length - along) / HEAD["slack_length"]
    return fibre * np.cos(state.pennation), curves.tendon_force_length(tendon)


def test_fibre_length_and_pennation_come_back_from_the_path():
    wanted = np.linspace(0.5, 1.6, 23)
    state = head_state(path_length(wanted), None, **HEAD)
    np.testing.assert_allclose(
        state.fibre_length_normalised, np.repeat(wanted[:, None], 3, axis=1), rtol=1e-13
    )
    thickness = HEAD["peak_fibre_length"] * np.sin(HEAD["pennation"])
    np.testing.assert_allclose(
        state.fibre_length * np.sin(state.pennation),
        np.broadcast_to(thickness, (23, 3)),
        rtol=1e-12,
    )
    assert not state.floored.any()


def test_head_at_optimum_has_its_own_pennation_and_force():
    state = head_state(path_length(1.0), None, **HEAD)
    np.testing.assert_allclose(state.pennation, HEAD["pennation"], atol=1e-12)
    wanted = HEAD["greatest_isometric_force"] * CURVES.active_force_length(1.0)
    np.testing.assert_allclose(
        state.active_capacity, wanted * np.cos(HEAD["pennation"]), rtol=1e-12
    )
    np.testing.assert_allclose(state.passive_force, 0.0, atol=1e-10)


def test_capacity_is_the_product_of_its_factors():
    rng = np.random.default_rng(9)
    length = path_length(rng.uniform(0.5, 1.6, 40))
    state = head_state(length, rng.normal(size=(40, 3)) * 0.2, **HEAD)
    along = HEAD["greatest_isometric_force"] * np.cos(state.pennation)
    np.testing.assert_allclose(
        state.active_capacity, along * state.length_factor * state.velocity_factor, rtol=1e-13
    )
    np.testing.assert_allclose(
        state.length_factor, CURVES.active_force_length(state.fibre_length_normalised)
    )
    np.testing.assert_allclose(
        state.velocity_factor, CURVES.force_velocity(state.fibre_velocity_normalised)
    )
    np.testing.assert_allclose(
        state.passive_force, along * CURVES.passive_force_length(state.fibre_length_normalised)
    )
    assert (state.passive_force > 0.0).any()


def test_fibre_velocity_is_the_rate_of_the_fibre_length():
    h, rate = 1e-6, -0.3
    length = path_length([0.7, 1.0, 1.3])
    state = head_state(length, np.full(length.shape, rate), greatest_shortening_speed=8.0, **HEAD)
    ahead = head_state(length + rate * h, None, **HEAD).fibre_length_normalised
    behind = head_state(length - rate * h, None, **HEAD).fibre_length_normalised
    np.testing.assert_allclose(
        state.fibre_velocity_normalised, (ahead - behind) / (2 * h) / 8.0, rtol=1e-8
    )
    assert (state.velocity_factor < 1.0).all()


def test_held_still_is_exactly_one_and_zero_velocity_is_the_curve_at_rest():
    length = path_length(1.0)
    still = head_state(length, None, **HEAD)
    at_rest = head_state(length, np.zeros(3), **HEAD)
    np.testing.assert_array_equal(still.velocity_factor, 1.0)
    np.testing.assert_array_equal(still.fibre_velocity_normalised, 0.0)
    # De Groote et al. 2016 at v = 0, run with SymPy 1.14.0.
    np.testing.assert_allclose(at_rest.velocity_factor, 1.00232, atol=5e-6)


def test_path_shorter_than_its_tendon_is_flagged_and_floored():
    state = head_state(HEAD["slack_length"] - 0.01, None, **HEAD)
    assert state.slack.all()
    assert state.floored.all()
    assert (state.fibre_length_normalised >= SHORTEST_FIBRE * (1 - 1e-14)).all()
    assert (state.pennation <= LARGEST_PENNATION + 1e-12).all()
    assert state.fibre_length_normalised[0] == pytest.approx(SHORTEST_FIBRE)
    # Where the thickness forbids a fifth of the optimal length, the angle is the limit.
    assert state.pennation[1] == pytest.approx(LARGEST_PENNATION)
    assert (state.active_capacity < 0.01 * HEAD["greatest_isometric_force"]).all()


@pytest.mark.parametrize("elastic", [False, True])
def test_forces_have_no_jump_where_the_floor_begins(elastic):
    span = np.linspace(-0.02, 0.06, 8001)
    length = HEAD["slack_length"] + span[:, None]
    state = head_state(length, None, elastic_tendon=elastic, **HEAD)
    assert state.floored.any(axis=0).all()
    assert not state.floored.all(axis=0).any()
    # Steepest slope of active force over fibre length is below 5 Fmax / l_opt.
    step = (span[1] - span[0]) * 5.0 / HEAD["peak_fibre_length"]
    jump = np.abs(np.diff(state.active_capacity, axis=0)).max(axis=0)
    assert (jump <= step * HEAD["greatest_isometric_force"]).all()


@pytest.mark.parametrize("curves", [DeGrooteCurves(), ThelenCurves()], ids=lambda c: c.name)
@pytest.mark.parametrize("passive", [True, False])
def test_elastic_tendon_balances_the_fibre(curves, passive):
    span = np.linspace(0.3, 1.8, 400)[:, None] * HEAD["peak_fibre_length"]
    length = HEAD["slack_length"] + span
    state = head_state(length, None, curves=curves, elastic_tendon=True, passive=passive, **HEAD)
    fibre, tendon = balance(state, length, curves, passive=passive)
    free = ~state.floored
    assert free.mean() > 0.9
    np.testing.assert_allclose(fibre[free], tendon[free], rtol=1e-10)
    np.testing.assert_allclose(
        state.tendon_length, length - state.fibre_length * np.cos(state.pennation), rtol=1e-13
    )


def test_elastic_balance_holds_for_many_unlike_heads():
    rng = np.random.default_rng(10)
    n = 20000
    head = {
        "peak_fibre_length": rng.uniform(0.02, 0.3, n),
        "slack_length": rng.uniform(0.005, 0.4, n),
        "pennation": rng.uniform(0.0, 0.6, n),
        "greatest_isometric_force": np.ones(n),
    }
    span = rng.uniform(0.3, 1.7, n) * head["peak_fibre_length"]
    length = head["slack_length"] + span
    state = head_state(length, None, elastic_tendon=True, **head)
    along = state.fibre_length * np.cos(state.pennation)
    fibre = state.active_capacity + state.passive_force
    tendon = CURVES.tendon_force_length((length - along) / head["slack_length"])
    free = ~state.floored
    assert free.mean() > 0.7
    np.testing.assert_allclose(fibre[free], tendon[free], rtol=1e-10)


def test_elastic_tendon_shortens_the_fibre_and_a_stiff_one_does_not():
    length = path_length(np.linspace(0.7, 1.4, 15))
    rigid = head_state(length, None, **HEAD)
    elastic = head_state(length, None, elastic_tendon=True, **HEAD)
    assert (elastic.fibre_length < rigid.fibre_length).all()
    assert (elastic.tendon_length > HEAD["slack_length"]).all()
    np.testing.assert_array_equal(
        rigid.tendon_length, np.broadcast_to(HEAD["slack_length"], (15, 3))
    )
    stiff = dataclasses.replace(ThelenCurves(), tendon_strain=1e-7)
    near = head_state(length, None, curves=stiff, elastic_tendon=True, **HEAD)
    np.testing.assert_allclose(near.fibre_length, rigid.fibre_length, rtol=1e-6)


def test_without_passive_force_there_is_none():
    state = head_state(path_length(1.5), None, passive=False, **HEAD)
    np.testing.assert_array_equal(state.passive_force, 0.0)


def test_passive_force_counts_on_its_own_share_of_the_greatest_force():
    length = path_length(np.linspace(1.05, 1.5, 10))
    share = np.array([0.5, 1.0, 0.25])
    whole = head_state(length, None, **HEAD)
    part = head_state(length, None, passive_share=share, **HEAD)
    np.testing.assert_allclose(part.passive_force, share * whole.passive_force, rtol=1e-14)
    np.testing.assert_array_equal(part.active_capacity, whole.active_capacity)


def test_elastic_tendon_balances_a_fibre_with_its_own_passive_share():
    share = np.array([0.5, 1.0, 0.25])
    length = path_length(np.linspace(0.9, 1.4, 12))
    state = head_state(length, None, elastic_tendon=True, passive_share=share, **HEAD)
    x, cosine = state.fibre_length_normalised, np.cos(state.pennation)
    fibre = (state.length_factor + share * CURVES.passive_force_length(x)) * cosine
    tendon = (length - state.fibre_length * cosine) / HEAD["slack_length"]
    np.testing.assert_allclose(fibre, CURVES.tendon_force_length(tendon), atol=1e-9)


@pytest.mark.parametrize("elastic", [False, True])
def test_batch_equals_a_loop(elastic):
    rng = np.random.default_rng(12)
    length = path_length(rng.uniform(0.3, 1.6, (4, 5)))
    velocity = rng.normal(size=length.shape) * 0.2
    whole = head_state(length, velocity, elastic_tendon=elastic, **HEAD)
    for row in np.ndindex(4, 5):
        one = head_state(length[row], velocity[row], elastic_tendon=elastic, **HEAD)
        for field in dataclasses.fields(whole):
            np.testing.assert_allclose(
                getattr(one, field.name), getattr(whole, field.name)[row], rtol=1e-12
            )


@pytest.mark.parametrize("elastic", [False, True])
@pytest.mark.parametrize("speeds", ["none", "of every head", "of every frame"])
def test_parts_of_a_large_batch_change_no_bit(monkeypatch, elastic, speeds):
    rng = np.random.default_rng(13)
    length = path_length(rng.uniform(0.3, 1.6, (53, 2))) - 0.02
    own = HEAD | {"slack_length": HEAD["slack_length"] + rng.uniform(0.0, 0.01, (53, 1, 3))}
    velocity = {"none": None, "of every head": np.array([0.0, 0.1, -0.2])}.get(
        speeds, 0.2 * rng.normal(size=(53, 1, 3))
    )
    whole = head_state(length, velocity, elastic_tendon=elastic, **own)
    monkeypatch.setattr(capacity, "_BLOCK", 40)
    parts = head_state(length, velocity, elastic_tendon=elastic, **own)
    for field in dataclasses.fields(whole):
        np.testing.assert_array_equal(getattr(parts, field.name), getattr(whole, field.name))


@pytest.mark.parametrize("elastic", [False, True])
def test_empty_batch_keeps_its_shape(elastic):
    state = head_state(np.zeros((0, 3)), np.zeros((0, 3)), elastic_tendon=elastic, **HEAD)
    assert state.active_capacity.shape == (0, 3)


@pytest.mark.parametrize("elastic", [False, True])
def test_nan_stays_in_its_row(elastic):
    length = path_length([1.0, 1.1])
    length[0] = np.nan
    state = head_state(length, None, elastic_tendon=elastic, **HEAD)
    assert np.isnan(state.active_capacity[0]).all()
    assert np.isfinite(state.active_capacity[1]).all()


def test_result_cannot_be_changed():
    state = head_state(path_length(1.0), None, **HEAD)
    with pytest.raises(ValueError, match="read-only"):
        state.active_capacity[0] = 0.0
    assert repr(state) == "HeadState(shape=(3,), slack=0, floored=0)"


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("peak_fibre_length", -0.1, "positive lengths"),
        ("slack_length", -0.1, "0 or more"),
        ("pennation", 1.6, "angles from 0 to 1.471 rad"),
        ("greatest_isometric_force", -1.0, "forces of 0 or more"),
        ("greatest_shortening_speed", 0.0, "positive"),
        ("peak_fibre_length", np.nan, "positive lengths"),
    ],
)
def test_parameter_out_of_range_is_named(field, value, said):
    with pytest.raises(ShapeError, match=said) as caught:
        head_state(np.full(3, 0.3), None, **{**HEAD, field: np.array([0.1, value, 0.1])})
    assert caught.value.argument == field
    assert caught.value.got == f"{value:g}"


def test_elastic_tendon_needs_a_tendon():
    head = {**HEAD, "slack_length": np.zeros(3)}
    head_state(np.full(3, 0.1), None, **head)
    with pytest.raises(ShapeError, match="elastic_tendon=True"):
        head_state(np.full(3, 0.1), None, elastic_tendon=True, **head)


def test_heads_that_do_not_match_are_shown():
    with pytest.raises(ShapeError, match=r"path_length \(5, 2\)"):
        head_state(np.full((5, 2), 0.3), None, **HEAD)
