"""Running a study: every person and condition is answered, refused with a reason, or neither."""

import numpy as np
import pytest

from momentshare.errors import (
    InputError,
    MomentshareError,
    PostureError,
    StudyError,
    UnknownNameError,
)
from momentshare.reading import condition_table, head_table
from momentshare.sharing import Status
from momentshare.study import parse_study, run_study

STUDY = """\
title = "Two people, three presses"
[settings]
frames = 7
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
reference_load_kg = 40
[[person]]
name = "Bram"
sex = "male"
stature_cm = 183
body_mass_kg = 88
biacromial_breadth_cm = 41.5
training_factor = 1.3
reference_load_kg = 70
[[condition]]
name = "with ratio"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_share = 0.5
lateral_ratio = 0.1
[[condition]]
name = "without ratio"
exercise = "bar_press"
spacing_cm = 50
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_kg = 25
duration_s = 1.4
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = [[0, 60], [1, 44]]
tuck_deg = 70
load_per_body_mass = 0.3
"""

IMPOSSIBLE_STRENGTH = """\
reference_load_kg = 70
[[person.strength]]
direction = "elbow_extension"
moment_nm = 9500
"""


def altered(old, new):
    assert old in STUDY
    return parse_study(STUDY.replace(old, new, 1), "study.toml")


@pytest.fixture(scope="module")
def result():
    return run_study(parse_study(STUDY, "study.toml"))


def cases(result):
    return {(c.person, c.condition): c for c in result.cases}


def test_every_person_meets_every_condition_in_the_order_of_the_file(result):
    assert [(c.person, c.condition) for c in result.cases] == [
        (p, c) for p in ("Edda", "Bram") for c in ("with ratio", "without ratio", "dumbbells")
    ]
    assert result.refusals == ()


def test_lateral_modes_follow_the_condition(result):
    modes = {
        c: tuple(r.lateral.mode for r in case.results) for (_, c), case in cases(result).items()
    }
    assert modes == {
        "with ratio": ("measured", "zero", "free"),
        "without ratio": ("zero", "free"),
        "dumbbells": ("zero",),
    }


def test_spacing_in_breadths_follows_the_person(result):
    for (_, condition), case in cases(result).items():
        hand = case.prepared.lift.hand[:, 2]
        size = case.prepared.limb.skeleton.sizes
        if condition == "with ratio":
            np.testing.assert_allclose(hand, 0.5 * 1.6 * size.biacromial_breadth, atol=1e-12)
        elif condition == "without ratio":
            np.testing.assert_allclose(hand, 0.25, atol=1e-12)
        else:
            np.testing.assert_allclose(hand[[0, -1]], [0.30, 0.22], atol=1e-12)


@pytest.mark.parametrize(
    ("person", "condition", "load"),
    [
        ("Edda", "with ratio", 20.0),
        ("Bram", "with ratio", 35.0),
        ("Edda", "without ratio", 25.0),
        ("Edda", "dumbbells", 19.2),
        ("Bram", "dumbbells", 26.4),
    ],
)
def test_load_is_given_in_kilograms_as_share_or_by_body_mass(result, person, condition, load):
    assert 2 * cases(result)[person, condition].prepared.lift.load_mass == pytest.approx(load)


def test_only_the_timed_condition_moves(result):
    for (_, condition), case in cases(result).items():
        assert (case.prepared.lift.motion is not None) == (condition == "without ratio")


def test_given_ratio_is_kept_and_zero_is_zero(result):
    case = cases(result)["Bram", "with ratio"]
    by_mode = {r.lateral.mode: r for r in case.results}
    np.testing.assert_allclose(by_mode["measured"].lateral_ratio, 0.1, atol=1e-15)
    np.testing.assert_array_equal(by_mode["zero"].lateral_force, 0.0)
    assert np.ptp(by_mode["free"].lateral_ratio) > 0.0


def test_free_lateral_force_costs_least(result):
    for case in result.cases:
        weights = case.prepared.limb.area_weights
        cost = {r.lateral.mode: np.sum(weights * r.activation**2, axis=1) for r in case.results}
        for mode in set(cost) - {"free"}:
            if "free" in cost:
                # The solver stops at gaps near 1e-9.
                assert np.all(cost["free"] <= cost[mode] + 1e-6)


def test_every_frame_is_certified_or_says_what_is_short(result):
    for _, answer in result.pairs():
        proof = answer.sharing.certificate
        assert not np.any(answer.sharing.status == Status.UNCERTIFIED)
        assert np.all(proof.bound_violation <= 1e-8)
        assert np.all((answer.activation >= -1e-9) & (answer.activation <= 1.0 + 1e-9))


def test_forces_of_the_heads_balance_the_moments_that_are_reported(result):
    for case, answer in result.pairs():
        arms = case.prepared.paths.moment_arms[:, :4]
        made = np.einsum("frh,fh->fr", arms, answer.force)
        wanted = answer.moments[:, :4] - answer.sharing.unmet
        np.testing.assert_allclose(made, wanted, atol=1e-6)


def test_progress_counts_every_case_to_the_end():
    seen = []
    study = altered("lateral_ratio = 0.1", "")
    run_study(study, band=False, progress=lambda *step: seen.append(step))
    # Lifts are solved in blocks, the timed ones apart from the others.
    assert [s[0] for s in seen] == [0, 4, 6]
    assert {s[1] for s in seen} == {6}
    run_study(study, progress=lambda *step: seen.append(step))
    assert seen[-1][0] == seen[-1][1] > 6
    assert seen[-1][2] == "posture band"


def test_hands_wider_than_the_arms_reach_are_a_refusal_with_person_condition_and_reason():
    result = run_study(altered("spacing_cm = 50", "spacing_cm = 150"))
    # Bram, 15 cm taller, still reaches.
    assert len(result.cases) == 5
    assert [(r.person, r.condition) for r in result.refusals] == [("Edda", "without ratio")]
    for refusal in result.refusals:
        assert "cannot be reached" in refusal.reason
        assert "bring the hands closer" in refusal.reason


def test_study_in_which_nothing_can_be_performed_is_refused_with_all_reasons():
    text = STUDY[: STUDY.index("[[condition]]")] + (
        '[[condition]]\nname = "too wide"\nexercise = "bar_press"\nspacing_cm = 150\n'
        "tuck_deg = 10\nload_kg = 20\n"
    )
    with pytest.raises(PostureError) as caught:
        run_study(parse_study(text, "study.toml"))
    assert str(caught.value).startswith("study.toml: no condition can be performed")
    assert len(caught.value.faults) == 2


def test_unknown_curves_are_refused_with_the_known_ones():
    wanted = r"study\.toml: settings → curves: .*'Hill'.*degroote2016"
    with pytest.raises(UnknownNameError, match=wanted):
        run_study(altered("frames = 7", 'frames = 7\ncurves = "Hill"'))


@pytest.mark.parametrize(
    ("old", "new", "known", "fault"),
    [
        ("frames = 7", 'frames = 7\nscapula = "shrugging"', "resting", UnknownNameError),
        ("[settings]", 'model = "reference_leg"\n[settings]', "reference_limb", StudyError),
    ],
)
def test_unknown_scapula_or_model_offers_the_known_ones(old, new, known, fault):
    with pytest.raises(fault, match=known):
        run_study(altered(old, new))


def test_measured_strength_changes_the_forces_of_its_group_only(result):
    strong = run_study(
        altered(
            "reference_load_kg = 70",
            'reference_load_kg = 70\n[[person.strength]]\ndirection = "elbow_extension"\n'
            "moment_nm = 95\nelevation_deg = 10\n",
        )
    )
    before, after = (cases(r)["Bram", "dumbbells"].prepared.limb for r in (result, strong))
    ratio = after.greatest_isometric_force / before.greatest_isometric_force
    mine = np.array([h.group == "elbow_extensors" for h in after.model.heads])
    np.testing.assert_array_equal(ratio[~mine], 1.0)
    assert np.all(ratio[mine] != 1.0)
    other = [cases(r)["Edda", "dumbbells"].prepared.limb for r in (result, strong)]
    np.testing.assert_array_equal(
        other[0].greatest_isometric_force, other[1].greatest_isometric_force
    )


def test_passive_force_can_be_left_out():
    result = run_study(altered("frames = 7", "frames = 7\npassive_force = false"))
    for case in result.cases:
        np.testing.assert_array_equal(case.prepared.state.passive_force, 0.0)


def test_bounded_lateral_ratio_stays_in_its_bounds(result):
    bounded = run_study(
        altered("lateral_ratio = 0.1", "lateral_ratio = 0.1\nlateral_bounds = [-0.02, 0.03]")
    )
    pick = {r.lateral.mode: r for r in cases(bounded)["Bram", "with ratio"].results}
    free = {r.lateral.mode: r for r in cases(result)["Bram", "with ratio"].results}["free"]
    assert np.any((free.lateral_ratio > 0.03) | (free.lateral_ratio < -0.02))
    assert np.all(pick["free"].lateral_ratio >= -0.02 - 1e-9)
    assert np.all(pick["free"].lateral_ratio <= 0.03 + 1e-9)


def test_running_twice_gives_the_same_numbers(result):
    again = run_study(parse_study(STUDY, "study.toml"))
    for (_, a), (_, b) in zip(result.pairs(), again.pairs(), strict=True):
        np.testing.assert_array_equal(a.activation, b.activation)


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("stature_cm = 168", "stature_cm = 1.68", "stature_cm"),
        ("body_mass_kg = 64", "body_mass_kg = 6400", "body_mass_kg"),
        ("reference_load_kg = 70", IMPOSSIBLE_STRENGTH, "moment_nm"),
    ],
)
def test_value_refused_in_the_run_is_named_with_file_and_field(old, new, field):
    with pytest.raises(InputError) as caught:
        run_study(altered(old, new))
    assert "study.toml" in str(caught.value)
    assert field in str(caught.value)


def test_lockout_below_the_chest_is_a_refusal_that_names_the_field():
    result = run_study(altered("load_kg = 25", "load_kg = 25\nlockout_height_cm = 5"))
    assert result.refusals
    assert "lockout_height_cm" in result.refusals[0].reason


def test_condition_without_a_reachable_frame_is_a_refusal():
    result = run_study(
        altered("load_kg = 25", "load_kg = 25\nchest_height_cm = 70\nlockout_height_cm = 80")
    )
    try:
        head_table(result)
        condition_table(result)
    except MomentshareError:
        pytest.fail("the other conditions have answers")
    assert {r.condition for r in result.refusals} == {"without ratio"}


def test_frames_out_of_reach_stay_empty_and_the_others_are_solved():
    result = run_study(altered("load_kg = 25", "load_kg = 25\nlockout_height_cm = 68"))
    case = cases(result)["Edda", "without ratio"]
    good = case.prepared.lift.reachable
    assert good.any()
    assert not good.all()
    for answer in case.results:
        assert np.isnan(answer.activation[~good]).all()
        assert np.isfinite(answer.activation[good]).all()
    table = condition_table(result)
    row = table[(table["person"] == "Edda") & (table["condition"] == "without ratio")].iloc[0]
    assert row["frames_out_of_reach"] == np.count_nonzero(~good)
    assert "reach of the hand" in row["limits"]


def test_a_press_that_leaves_the_hand_does_not_end_the_study():
    """In 0.4 s the bar is slowed down faster than it would fall: the vertical force turns."""
    thrown = STUDY.replace("duration_s = 1.4", "duration_s = 0.4\nlateral_bounds = [-0.1, 0.3]")
    assert thrown != STUDY
    result = run_study(parse_study(thrown, "study.toml"), band=False)
    found = cases(result)
    assert len(found) + len(result.refusals) == 6
    for person in ("Edda", "Bram"):
        assert (person, "with ratio") in found
        turned = found[person, "without ratio"]
        vertical = turned.prepared.demand.hand_force()
        assert vertical.min() < 0.0 < vertical.max()  # the case that is meant
        for answer in turned.results:
            known = ~np.isin(answer.sharing.status, (Status.INVALID, Status.INFEASIBLE))
            assert known.any()
            assert np.isfinite(answer.activation[known]).all()


def test_what_ends_a_load_does_not_depend_on_the_bounds_of_another_condition():
    bar = (
        '[[condition]]\nname = "{name}"\nexercise = "bar_press"\nspacing_biacromial = 1.2\n'
        "tuck_deg = [[0, 60], [1, 115]]\nbench_angle_deg = 30\nload_kg = 50\n"
    )
    head = (
        'title = "t"\n[settings]\nframes = 5\nlateral = ["free"]\n[[person]]\nname = "Una"\n'
        'sex = "male"\nstature_cm = 182\nbody_mass_kg = 88\n'
    )
    bounded = bar.format(name="bounded") + "lateral_bounds = [-0.02, 0.02]\n"
    alone = run_study(parse_study(head + bar.format(name="plain")))
    both = run_study(parse_study(head + bar.format(name="plain") + bounded))
    one, beside = (study.cases[0].results[0].greatest for study in (alone, both))
    np.testing.assert_allclose(beside.multipliers, one.multipliers, rtol=1e-9)
    np.testing.assert_allclose(beside.factor, one.factor, rtol=1e-9)
    other = both.cases[1].results[0].greatest
    assert np.any(np.abs(other.multipliers - one.multipliers) > 1e-3)
