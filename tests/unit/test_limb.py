"""The limb of a person: strength, fibre lengths and what measured tests change."""

import dataclasses

import numpy as np
import pytest

from momentshare.directions import ROWS, TESTED
from momentshare.errors import InputError, UnknownNameError
from momentshare.limb import (
    LimbOptions,
    MeasuredStrength,
    braced_strength,
    build_limb,
)
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.person import Person
from momentshare.posture import posture_from_angles

DEG = np.pi / 180.0
BENT = {"elevation": 10 * DEG, "elbow_flexion": 90 * DEG, "forearm_rotation": 90 * DEG}


@pytest.fixture(scope="module")
def model():
    return load_model()


def man(model, **changes):
    base = {
        "name": "Olav",
        "sex": "male",
        "stature": model.fits["male", "stature"].mean,
        "body_mass": model.fits["male", "body_mass"].mean,
    }
    return Person(**(base | changes))


@pytest.fixture(scope="module")
def limb(model):
    return build_limb(man(model), model)


def members(model, groups):
    return np.array([head.group in groups for head in model.heads])


def test_every_head_has_positive_force_fibre_and_tendon(limb):
    for name in ("greatest_isometric_force", "peak_fibre_length", "slack_length", "volume"):
        values = getattr(limb, name)
        assert values.shape == (len(limb.head_names),)
        assert np.all(np.isfinite(values)), name
        assert np.all(values > 0.0), name


def test_muscle_and_tendon_are_those_of_the_person_whatever_the_scapula_does(model, limb):
    turned = Numbers(
        quantities={
            f"scapula_{policy}_{angle}": model.number(f"scapula_{policy}_{angle}") + 15 * DEG
            for policy in model.scapula_policies
            for angle in ("internal", "upward", "anterior_tilt")
        }
    )
    for policy in model.scapula_policies:
        for numbers in (None, turned):
            other = build_limb(man(model), model, scapula=policy, numbers=numbers)
            for name in ("slack_length", "peak_fibre_length", "greatest_isometric_force"):
                np.testing.assert_array_equal(getattr(other, name), getattr(limb, name))


def test_force_is_area_times_specific_tension_times_group_factor(model, limb):
    area = limb.volume / limb.peak_fibre_length
    factor = np.array([model.number(f"strength_{head.group}") for head in model.heads])
    wanted = area * model.number("specific_tension") * factor
    np.testing.assert_allclose(limb.greatest_isometric_force, wanted, rtol=1e-13)


def test_average_man_has_the_volumes_of_the_files(model, limb):
    wanted = [head.volume.value for head in model.heads]
    np.testing.assert_allclose(limb.volume, wanted, rtol=1e-12)


def test_fibres_have_their_stated_length_in_the_reference_posture(model):
    resting = build_limb(man(model), model, scapula=model.reference_scapula)
    for index, head in enumerate(model.heads):
        angles = model.reference_postures[head.reference_posture]
        posture = posture_from_angles(
            **{k.removesuffix("_deg"): v * DEG for k, v in angles.items()}
        )
        state = resting.capacity(resting.paths(posture).length)
        # A rigid tendon takes up the rest exactly; rounding of lengths near 0.3 m only.
        assert state.fibre_length_normalised[index] == pytest.approx(
            head.reference_fibre_length.value, abs=1e-9
        ), head.name


@pytest.mark.parametrize("factor", [0.3, 1.3, 3.0])
def test_training_factor_scales_volume_and_force_alone(model, limb, factor):
    trained = build_limb(man(model, training_factor=factor), model)
    growth = np.array(
        [factor ** model.number(f"training_exponent_{head.group}") for head in model.heads]
    )
    np.testing.assert_allclose(trained.volume, growth * limb.volume, rtol=1e-13)
    np.testing.assert_allclose(
        trained.greatest_isometric_force, growth * limb.greatest_isometric_force, rtol=1e-13
    )
    np.testing.assert_array_equal(trained.slack_length, limb.slack_length)


@pytest.mark.parametrize("group", ["rotator_cuff", "elbow_flexors"])
def test_one_group_can_grow_more_than_the_others(model, group):
    numbers = Numbers(quantities={f"training_exponent_{group}": 1.5})
    person = man(model, training_factor=1.4)
    plain, changed = build_limb(person, model), build_limb(person, model, numbers=numbers)
    mine = np.array([head.group == group for head in model.heads])
    own = model.number(f"training_exponent_{group}")
    np.testing.assert_allclose(
        changed.volume[mine], plain.volume[mine] * 1.4 ** (1.5 - own), rtol=1e-13
    )
    np.testing.assert_array_equal(changed.volume[~mine], plain.volume[~mine])
    untrained = build_limb(man(model), model)
    np.testing.assert_array_equal(
        build_limb(man(model), model, numbers=numbers).volume, untrained.volume
    )


def test_woman_of_mean_size_has_the_stated_share_of_volume(model, limb):
    woman = Person(
        name="Ida",
        sex="female",
        stature=model.fits["female", "stature"].mean,
        body_mass=model.fits["female", "body_mass"].mean,
    )
    found = build_limb(woman, model)
    stated = [model.number(f"volume_women_over_men_{head.group}") for head in model.heads]
    np.testing.assert_allclose(found.volume / limb.volume, stated, rtol=1e-12)


def test_fibres_grow_with_stature_and_volumes_with_size(model, limb):
    tall = build_limb(man(model, stature=1.92, body_mass=95.0), model)
    np.testing.assert_allclose(
        tall.peak_fibre_length / limb.peak_fibre_length,
        1.92 / model.number("reference_stature"),
        rtol=1e-12,
    )
    assert np.all(tall.volume > limb.volume)


def test_head_factor_changes_the_named_quantity_of_one_head(model, limb):
    factor = np.ones(len(model.heads))
    factor[3] = 1.2
    changed = build_limb(man(model), model, numbers=Numbers(head_factors={"volume": factor}))
    np.testing.assert_allclose(changed.volume, factor * limb.volume, rtol=1e-13)
    np.testing.assert_allclose(
        changed.greatest_isometric_force, factor * limb.greatest_isometric_force, rtol=1e-13
    )


def test_longer_fibres_of_the_same_volume_pull_less(model, limb):
    factor = np.full(len(model.heads), 1.05)
    changed = build_limb(
        man(model), model, numbers=Numbers(head_factors={"peak_fibre_length": factor})
    )
    np.testing.assert_allclose(
        changed.greatest_isometric_force, limb.greatest_isometric_force / 1.05, rtol=1e-13
    )


def test_misspelt_head_factor_is_refused(model):
    with pytest.raises(InputError, match="volme"):
        build_limb(
            man(model), model, numbers=Numbers(head_factors={"volme": np.ones(len(model.heads))})
        )


def test_misspelt_quantity_is_refused(model):
    with pytest.raises(InputError, match="specific_tensoin"):
        build_limb(man(model), model, numbers=Numbers(quantities={"specific_tensoin": 3e5}))


def test_quantity_given_here_takes_the_place_of_the_model_s(model, limb):
    changed = build_limb(
        man(model),
        model,
        numbers=Numbers(quantities={"specific_tension": 2 * model.number("specific_tension")}),
    )
    np.testing.assert_allclose(
        changed.greatest_isometric_force, 2 * limb.greatest_isometric_force, rtol=1e-13
    )


def test_braced_strength_is_the_sum_of_useful_arms_times_capacity(limb):
    posture = posture_from_angles(**BENT)
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    arm = found.moment_arms[3]
    wanted = sum(
        max(a, 0.0) * f + a * p
        for a, f, p in zip(arm, state.active_capacity, state.passive_force, strict=True)
    )
    assert float(braced_strength(limb, posture, "elbow_extension")) == pytest.approx(wanted)


def strength_after_test(model, direction, *, passive):
    """Wanted and reached moment, and the limb, for a test 10 % above the model's strength."""
    angles = BENT | {"plane": 45 * DEG, "elevation": 60 * DEG}
    row, sign = TESTED[direction].row, TESTED[direction].sign
    posture = posture_from_angles(**angles)
    limb = build_limb(man(model), model, options=LimbOptions(passive=passive))
    wanted = 1.1 * float(braced_strength(limb, posture, row, sign))
    test = MeasuredStrength(direction=direction, moment=wanted, angles=angles)
    matched = build_limb(man(model), model, strengths=[test], options=LimbOptions(passive=passive))
    return wanted, float(braced_strength(matched, posture, row, sign)), matched


@pytest.mark.parametrize("direction", sorted(TESTED))
def test_measured_strength_is_met_in_its_own_posture(model, direction):
    wanted, reached, matched = strength_after_test(model, direction, passive=False)
    # The factor is found by one division: rounding only.
    assert reached == pytest.approx(wanted, rel=1e-12)
    assert set(matched.strength_changes[0]) == set(TESTED[direction].groups)


def test_measured_strength_is_met_with_passive_force_too(model):
    wanted, reached, _ = strength_after_test(model, "shoulder_internal_rotation", passive=True)
    assert reached == pytest.approx(wanted, rel=1e-12)


def test_a_stronger_muscle_is_not_a_stiffer_one(model, limb):
    _, _, matched = strength_after_test(model, "shoulder_internal_rotation", passive=True)
    changed = matched.greatest_isometric_force != limb.greatest_isometric_force
    assert changed.any()
    length = limb.slack_length + 1.3 * limb.peak_fibre_length
    before, after = limb.capacity(length), matched.capacity(length)
    assert (before.passive_force > 0.0).all()
    np.testing.assert_allclose(after.passive_force, before.passive_force, rtol=1e-12)
    assert not np.any(after.active_capacity[changed] == before.active_capacity[changed])


def test_passive_force_counts_on_area_without_the_strength_factor(model, limb):
    factor = [model.number(f"strength_{head.group}") for head in model.heads]
    np.testing.assert_allclose(
        limb.greatest_isometric_force, limb.passive_scale * factor, rtol=1e-12
    )


def test_measured_strength_leaves_the_other_groups_alone(model, limb):
    test = MeasuredStrength(direction="elbow_extension", moment=90.0, angles=BENT)
    matched = build_limb(man(model), model, strengths=[test])
    mine = members(model, ("elbow_extensors",))
    ratio = matched.greatest_isometric_force / limb.greatest_isometric_force
    np.testing.assert_array_equal(ratio[~mine], 1.0)
    np.testing.assert_allclose(ratio[mine], matched.strength_changes[0]["elbow_extensors"])


@pytest.mark.parametrize("moment", [0.0, -40.0, float("nan"), float("inf")])
def test_strength_that_is_no_positive_moment_is_refused(model, moment):
    test = MeasuredStrength(direction="elbow_extension", moment=moment, angles=BENT)
    with pytest.raises(InputError, match=r"'Olav'.*positive moment"):
        build_limb(man(model), model, strengths=[test])


def test_strength_in_an_unknown_direction_offers_the_known_ones(model):
    test = MeasuredStrength(direction="elbow_extention", moment=60.0, angles=BENT)
    with pytest.raises(UnknownNameError, match="elbow_extension"):
        build_limb(man(model), model, strengths=[test])


def test_several_tests_of_one_joint_are_met_together(model):
    """Elbow extension at four angles from a limb made 1.4 times as strong: 1.4 comes back."""
    strong, tests = readings(model, 1.4, (50.0, 75.0, 90.0, 115.0))
    matched = build_limb(man(model), model, strengths=tests)
    # The prior pulls each factor a little towards 1.
    assert matched.strength_changes[0]["elbow_extensors"] == pytest.approx(1.4, rel=0.01)
    for test in tests:
        mine = braced_strength(matched, posture_from_angles(**test.angles), "elbow_extension")
        assert float(mine) == pytest.approx(test.moment, rel=0.01)
    assert strong


def test_one_test_that_contradicts_the_others_counts_by_its_share(model):
    _, tests = readings(model, 1.4, (50.0, 75.0, 90.0, 115.0))
    odd = MeasuredStrength(direction="elbow_extension", moment=2.0 * tests[2].moment, angles=BENT)
    one = build_limb(man(model), model, strengths=[odd]).strength_changes[0]["elbow_extensors"]
    all_ = build_limb(man(model), model, strengths=[*tests, odd])
    assert 1.4 < all_.strength_changes[0]["elbow_extensors"] < 0.5 * (1.4 + one)


def test_tests_that_share_groups_are_solved_together(model):
    """Tests of horizontal adduction and of elevation both cover the deltoid."""
    angles = BENT | {"elevation": 60 * DEG}
    directions = ("shoulder_horizontal_adduction", "shoulder_elevation")
    limb = build_limb(man(model), model)
    tests = []
    for name, factor in zip(directions, (1.3, 1.15), strict=True):
        side = TESTED[name]
        moment = braced_strength(limb, posture_from_angles(**angles), side.row, side.sign)
        tests.append(MeasuredStrength(direction=name, moment=factor * float(moment), angles=angles))
    matched = build_limb(man(model), model, strengths=tests)
    for test in tests:
        side = TESTED[test.direction]
        mine = braced_strength(matched, posture_from_angles(**angles), side.row, side.sign)
        assert float(mine) == pytest.approx(test.moment, rel=0.04)
    assert set(matched.strength_changes[0]) == set(sum((TESTED[d].groups for d in directions), ()))


def readings(model, factor, angles):
    """Elbow extension of a limb whose extensors are stronger by a factor, without noise."""
    limb = build_limb(man(model), model)
    mine = members(model, ("elbow_extensors",))
    strong = dataclasses.replace(
        limb,
        greatest_isometric_force=limb.greatest_isometric_force * np.where(mine, factor, 1.0),
    )
    tests = []
    for degrees in angles:
        at = BENT | {"elbow_flexion": degrees * DEG}
        moment = float(braced_strength(strong, posture_from_angles(**at), "elbow_extension"))
        tests.append(MeasuredStrength(direction="elbow_extension", moment=moment, angles=at))
    return strong, tests


@pytest.mark.parametrize("moment", [0.5, 5000.0])
def test_strength_far_from_the_model_is_refused_with_both_numbers(model, moment):
    test = MeasuredStrength(direction="elbow_extension", moment=moment, angles=BENT)
    with pytest.raises(InputError, match=rf"{moment:g} N\*m would need"):
        build_limb(man(model), model, strengths=[test])


def test_unknown_moment_row_offers_the_known_ones(limb):
    with pytest.raises(UnknownNameError, match="elbow_extension"):
        braced_strength(limb, posture_from_angles(), "elbow_extensor")


def test_arrays_of_a_limb_are_read_only(limb):
    with pytest.raises(ValueError, match="read-only"):
        limb.volume[0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        limb.greatest_shortening_speed = 8.0


def test_paths_name_rows_and_heads_and_are_read_only(limb):
    found = limb.paths(posture_from_angles(elevation=[0.4, 0.9]))
    assert found.head_names == limb.head_names
    assert found.moment_arms.shape == (2, len(ROWS), len(limb.head_names))
    with pytest.raises(ValueError, match="read-only"):
        found.length[0, 0] = 0.0


def test_heads_on_one_side_of_a_joint_have_no_arm_there(limb):
    found = limb.paths(posture_from_angles(0.5, 1.0, 0.2, 1.1, 0.8))
    arms = dict(zip(limb.head_names, np.swapaxes(found.moment_arms, 0, 1), strict=True))
    for head in ("brachialis", "anconeus", "triceps_brachii/lateral", "brachioradialis"):
        np.testing.assert_array_equal(arms[head][:3], 0.0)
    for head in ("deltoid/acromial", "supraspinatus", "pectoralis_major/clavicular"):
        np.testing.assert_array_equal(arms[head][3:], 0.0)
    for head in ("triceps_brachii/long", "biceps_brachii/long"):
        assert np.abs(arms[head][:3]).max() > 1e-3
        assert abs(arms[head][3]) > 1e-3


# Anatomy texts (from memory): action of each head at the elbow.
@pytest.mark.parametrize(
    ("head", "sign"),
    [
        ("triceps_brachii/long", 1),
        ("triceps_brachii/lateral", 1),
        ("triceps_brachii/medial", 1),
        ("anconeus", 1),
        ("biceps_brachii/long", -1),
        ("biceps_brachii/short", -1),
        ("brachialis", -1),
        ("brachioradialis", -1),
        ("pronator_teres", -1),
    ],
)
def test_head_extends_or_flexes_the_elbow_over_the_whole_range(limb, head, sign):
    posture = posture_from_angles(
        elevation=20 * DEG, elbow_flexion=np.arange(5, 141) * DEG, forearm_rotation=60 * DEG
    )
    arm = limb.paths(posture).moment_arms[:, 3, limb.head_names.index(head)]
    assert np.all(sign * arm > 0.0)
