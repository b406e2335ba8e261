"""Strength in a posture, corrected utilisation and the reading of net moments."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from momentshare.analysis import BALANCED
from momentshare.directions import DIRECTIONS, ROWS, moment_direction
from momentshare.errors import InputError, UnknownNameError
from momentshare.limb import braced_strength, build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.strength import (
    NetMoment,
    StrengthTest,
    corrected_utilisation,
    curve_table,
    joint_strength,
    read_moments,
)

TASK = {
    "elevation": math.radians(70),
    "plane": math.radians(20),
    "elbow_flexion": math.radians(60),
    "forearm_rotation": math.radians(90),
}


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    return build_limb(person, load_model())


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_braced_strength_is_the_sum_over_helping_heads(limb, direction):
    row, sign = DIRECTIONS[direction].row, DIRECTIONS[direction].sign
    posture = posture_from_angles(**TASK)
    wanted = braced_strength(limb, posture, row, sign)
    assert joint_strength(limb, posture, direction) == pytest.approx(float(wanted), rel=1e-12)


@pytest.mark.parametrize("direction", ["elbow_extension", "elbow_flexion", "shoulder_lowering"])
def test_balanced_strength_is_the_optimum_of_a_linear_programme(limb, direction):
    row, sign = DIRECTIONS[direction].row, DIRECTIONS[direction].sign
    posture = posture_from_angles(**TASK)
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    at = [ROWS.index(name) for name in BALANCED]
    arms = found.moment_arms[at]
    own = BALANCED.index(row)
    rest = [k for k in range(len(BALANCED)) if k != own]
    answer = linprog(
        -sign * arms[own] * state.active_capacity,
        A_eq=arms[rest] * state.active_capacity,
        b_eq=-arms[rest] @ state.passive_force,
        bounds=(0.0, 1.0),
    )
    wanted = -answer.fun + sign * arms[own] @ state.passive_force
    got = joint_strength(limb, posture, direction, others="balanced")
    assert got == pytest.approx(wanted, rel=1e-7)


@given(
    elevation=st.floats(15, 110),
    plane=st.floats(-20, 80),
    elbow=st.floats(10, 130),
    direction=st.sampled_from(sorted(DIRECTIONS)),
)
@settings(max_examples=25, deadline=None)
def test_balancing_the_other_rows_never_adds_strength(limb, elevation, plane, elbow, direction):
    posture = posture_from_angles(
        plane=math.radians(plane),
        elevation=math.radians(elevation),
        elbow_flexion=math.radians(elbow),
        forearm_rotation=1.5,
    )
    braced = joint_strength(limb, posture, direction)
    balanced = joint_strength(limb, posture, direction, others="balanced")
    assert np.isnan(balanced) or balanced <= braced * (1 + 1e-9) + 1e-9


def test_a_batch_of_postures_equals_a_loop(limb):
    elbows = np.radians([30.0, 75.0, 120.0])
    batch = posture_from_angles(**(TASK | {"elbow_flexion": elbows}))
    for others in ("braced", "balanced"):
        whole = joint_strength(limb, batch, "elbow_flexion", others=others)
        parts = [
            joint_strength(
                limb, posture_from_angles(**(TASK | {"elbow_flexion": e})),
                "elbow_flexion", others=others,
            )
            for e in elbows
        ]  # fmt: skip
        np.testing.assert_allclose(whole, parts, rtol=1e-9)


def test_shortening_lowers_and_stretching_raises_strength(limb):
    still, concentric, eccentric = (
        float(joint_strength(limb, test.posture(), "elbow_extension", speed=test.speed))
        for test in (
            StrengthTest(),
            StrengthTest(mode="concentric", speed_deg_s=120),
            StrengthTest(mode="eccentric", speed_deg_s=120),
        )
    )
    assert concentric < 0.95 * still
    assert eccentric > 1.05 * still


def test_joint_speed_becomes_path_velocity_by_central_difference(limb):
    speed, step = 1.3, 1e-5
    test = StrengthTest(elevation_deg=50, elbow_flexion_deg=80)
    here = test.angles()
    found = limb.paths(test.posture())

    def length(flexion):
        return limb.paths(posture_from_angles(**(here | {"elbow_flexion": flexion}))).length

    # Extension lowers flexion, so the flexion rate of a concentric extension is -speed.
    flexion = here["elbow_flexion"]
    rate = -speed * (length(flexion + step) - length(flexion - step)) / (2 * step)
    state = limb.capacity(found.length, rate)
    arm = found.moment_arms[ROWS.index("elbow_extension")]
    wanted = np.sum(np.maximum(arm, 0) * state.active_capacity) + arm @ state.passive_force
    got = joint_strength(limb, test.posture(), "elbow_extension", speed=speed)
    assert got == pytest.approx(wanted, rel=1e-6)


def test_bias_is_one_where_task_and_test_share_the_posture(limb):
    test = StrengthTest(elevation_deg=70, plane_deg=20, elbow_flexion_deg=60)
    moments = [
        NetMoment(condition="a", row=row, moment=m, angles=TASK)
        for row in BALANCED
        for m in (12.0, -12.0)
    ]
    table = corrected_utilisation(limb, moments, test)
    np.testing.assert_allclose(table["test_posture_bias"], 1.0, rtol=1e-12)
    assert set(table["direction"]) == set(list(DIRECTIONS)[:8])


def test_bias_corrects_what_the_test_posture_distorts(limb):
    test = StrengthTest(elbow_flexion_deg=10)
    item = NetMoment(
        condition="a", row="elbow_extension", moment=30.0, sd=3.0, measured=50.0, angles=TASK
    )
    line = corrected_utilisation(limb, [item], test).query("others == 'braced'").iloc[0]
    here = float(joint_strength(limb, posture_from_angles(**TASK), "elbow_extension"))
    there = float(joint_strength(limb, test.posture(), "elbow_extension"))
    assert abs(here / there - 1) > 0.05
    assert line["test_posture_bias"] == pytest.approx(here / there)
    assert line["utilisation_here"] == pytest.approx(30 / here)
    assert line["utilisation_tested"] == pytest.approx(30 / there)
    assert line["corrected_utilisation"] == pytest.approx(30 / 50 * there / here)
    assert line["corrected_utilisation_sd"] == pytest.approx(line["corrected_utilisation"] / 10)


def test_twice_the_strength_leaves_the_bias_and_halves_the_utilisation(limb):
    from dataclasses import replace

    # Passive force has to double too: by itself strength makes nothing stiffer.
    strong = replace(
        limb,
        greatest_isometric_force=2 * limb.greatest_isometric_force,
        passive_scale=2 * limb.passive_scale,
    )
    item = NetMoment(condition="a", row="elbow_extension", moment=-20.0, angles=TASK)
    one, two = (corrected_utilisation(x, [item], StrengthTest()) for x in (limb, strong))
    np.testing.assert_allclose(one["test_posture_bias"], two["test_posture_bias"], rtol=1e-7)
    np.testing.assert_allclose(one["utilisation_here"], 2 * two["utilisation_here"], rtol=1e-7)


def test_no_strength_in_a_direction_is_said_not_divided_by(limb):
    from dataclasses import replace

    weak = replace(limb, greatest_isometric_force=0.0 * limb.greatest_isometric_force)
    item = NetMoment(condition="a", row="elbow_extension", moment=20.0, angles=TASK)
    line = corrected_utilisation(weak, [item], StrengthTest()).query("others == 'braced'").iloc[0]
    assert math.isnan(line["utilisation_here"])
    assert "no strength" in line["note"]


def test_curve_at_the_test_angle_is_the_test(limb):
    test = StrengthTest(elbow_flexion_deg=72.5)
    table = curve_table(limb, test, directions=("elbow_extension",), points=3)
    middle = table[(table["others"] == "braced") & (table["angle_deg"] == 72.5)]
    wanted = float(joint_strength(limb, test.posture(), "elbow_extension"))
    assert middle["greatest_moment_nm"].item() == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"mode": "fast"}, "mode"),
        ({"mode": "concentric"}, "positive speed"),
        ({"speed_deg_s": 60.0}, "isometric"),
        ({"elbow_flexion_deg": 300.0}, "elbow_flexion_deg"),
        ({"plane_deg": math.nan}, "plane_deg"),
    ],
)
def test_an_impossible_test_names_its_field(change, wanted):
    with pytest.raises(InputError, match=wanted):
        StrengthTest(**change)


def test_unknown_names_are_refused_with_the_nearest(limb):
    with pytest.raises(UnknownNameError, match="elbow_extension"):
        joint_strength(limb, StrengthTest().posture(), "elbow_extensoin")
    with pytest.raises(UnknownNameError, match="moment row"):
        moment_direction("elbow", 1.0)
    item = NetMoment(condition="a", row="elbow_extension", moment=1.0)
    with pytest.raises(InputError, match="posture is missing"):
        corrected_utilisation(limb, [item], StrengthTest())


HEADER = "condition,row,moment_nm,sd_nm,elbow_flexion_deg,elevation_deg\n"


def test_moments_are_read_in_radians_with_defaults(tmp_path):
    place = tmp_path / "m.csv"
    place.write_text(HEADER + "wide,elbow_extension,31.5,2,80,70\n", encoding="utf-8")
    (item,) = read_moments(place)
    assert item.moment == 31.5
    assert item.sd == 2.0
    assert item.angles["elbow_flexion"] == pytest.approx(math.radians(80))
    assert item.angles["forearm_rotation"] == pytest.approx(math.pi / 2)
    assert item.angles["axial"] == 0.0


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "is empty"),
        (HEADER, "no moments"),
        ("condition,row\na,elbow_extension\n", "column 'moment_nm' is missing"),
        (HEADER.replace("sd_nm", "sd"), "unknown column 'sd'"),
        (HEADER + "a,elbow_flexion,3,,80,70\n", "row 2, row: unknown moment row"),
        (HEADER + "a,elbow_extension,three,,80,70\n", "row 2, moment_nm: must be a number"),
        (HEADER + "a,elbow_extension,nan,,80,70\n", "row 2, moment_nm: must be between -1000"),
        (HEADER + "a,elbow_extension,3,-1,80,70\n", "row 2, sd_nm"),
        (HEADER + "a,elbow_extension,3,,80,\n", "a posture needs"),
        (HEADER + "a,elbow_extension,3,,,\n", "posture is missing"),
        (HEADER + "a,elbow_extension,3\n", "row 2: must have 6 fields"),
        (HEADER + ",elbow_extension,3,,80,70\n", "row 2, condition: is empty"),
    ],
)
def test_every_fault_of_a_moment_file_names_row_and_field(tmp_path, text, wanted):
    place = tmp_path / "m.csv"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_moments(place)
    assert wanted in str(caught.value)
    assert "m.csv" in str(caught.value)


def test_all_faults_of_a_file_are_reported_together(tmp_path):
    place = tmp_path / "m.csv"
    place.write_text(HEADER + "a,elbow,3,,80,70\nb,elbow_extension,x,,80,70\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_moments(place)
    assert len(caught.value.faults) == 2
