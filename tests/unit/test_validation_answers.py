"""What the judging reads off a limb, against the library's own functions and by hand."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.balance import Lateral
from momentshare.directions import ROWS
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import braced_strength
from momentshare.model import load_model
from momentshare.posture import posture_from_angles
from momentshare.validation.evaluate import posture_values
from momentshare.validation.probe import Press, Probe, course, weakest
from momentshare.validation.targets import Ask
from momentshare.validation.tasks import task_value

MODEL = load_model()
PROBE = Probe(MODEL, frames=11)
TRICEPS = "triceps_brachii/long+triceps_brachii/lateral+triceps_brachii/medial"


def ask(quantity, subject="", direction="", *, setting=(), scapula="resting", **angles):
    posture = {
        "plane_deg": 0.0,
        "elevation_deg": 5.0,
        "axial_deg": 0.0,
        "elbow_flexion_deg": 90.0,
        "forearm_rotation_deg": 60.0,
    }
    return Ask(
        quantity=quantity,
        subject=subject,
        direction=direction,
        sex="male",
        scapula=scapula,
        **(posture | angles),
        setting=tuple(setting),
    )


def value(*asked):
    found = posture_values(asked, PROBE.limb)
    return found[0] if len(found) == 1 else found


def test_moment_arm_is_the_slope_of_the_path_length():
    """In a plane of elevation without axial rotation, elevation is one coordinate."""
    low, high = value(
        ask("path_length", "deltoid/acromial", elevation_deg=59.99),
        ask("path_length", "deltoid/acromial", elevation_deg=60.01),
    )
    arm = value(ask("moment_arm", "deltoid/acromial", "shoulder_elevation", elevation_deg=60.0))
    assert arm == pytest.approx(-(high - low) / np.radians(0.02), abs=1e-3)


def test_elbow_arm_of_a_muscle_is_the_mean_of_its_heads_and_changes_sign_with_the_direction():
    whole = value(ask("moment_arm", TRICEPS, "elbow_extension"))
    heads = value(*(ask("moment_arm", h, "elbow_extension") for h in TRICEPS.split("+")))
    assert whole == pytest.approx(np.mean(heads))
    assert value(ask("moment_arm", "triceps_brachii", "elbow_extension")) == pytest.approx(whole)
    assert value(ask("moment_arm", TRICEPS, "elbow_flexion")) == pytest.approx(-whole)


def test_strength_is_the_braced_strength_of_the_library():
    posture = posture_from_angles(
        elevation=np.radians(5.0), elbow_flexion=np.radians(90.0), forearm_rotation=np.radians(60.0)
    )
    limb = PROBE.limb("male", "resting")
    for direction, row, sign in (
        ("elbow_extension", "elbow_extension", 1),
        ("elbow_flexion", "elbow_extension", -1),
        ("shoulder_lowering", "shoulder_elevation", -1),
    ):
        wanted = float(braced_strength(limb, posture, row, sign))
        assert value(ask("strength", direction=direction)) == pytest.approx(wanted)


def test_shortening_weakens_and_lengthening_strengthens():
    slow, still, long = value(
        ask("strength", direction="elbow_flexion", setting=[("speed_deg_s", "120")]),
        ask("strength", direction="elbow_flexion"),
        ask("strength", direction="elbow_flexion", setting=[("speed_deg_s", "-120")]),
    )
    assert slow < 0.95 * still
    assert long > 1.05 * still


def test_shares_of_the_flexors_add_up_to_one():
    among = [("among", "brachialis+biceps_brachii+brachioradialis")]
    parts = value(
        *(
            ask("torque_share", muscle, "elbow_flexion", setting=among)
            for muscle in ("brachialis", "biceps_brachii", "brachioradialis")
        )
    )
    assert sum(parts) == pytest.approx(1.0)
    assert min(parts) > 0.05


def test_rank_counts_the_muscles_with_a_larger_arm():
    limb = PROBE.limb("male", "resting")
    posture = posture_from_angles(
        elevation=np.radians(60.0),
        elbow_flexion=np.radians(90.0),
        forearm_rotation=np.radians(60.0),
    )
    arms = limb.paths(posture).moment_arms[ROWS.index("shoulder_elevation")]
    groups = {}
    for name, arm in zip(limb.head_names, arms, strict=True):
        key = name if name.startswith("deltoid") else name.split("/")[0]
        groups.setdefault(key, []).append(arm)
    ordered = sorted(groups, key=lambda key: -np.mean(groups[key]))
    for place, name in enumerate(ordered[:4], start=1):
        assert value(ask("rank", name, "shoulder_elevation", elevation_deg=60.0)) == place
    both = "+".join(ordered[1:3])
    assert value(ask("rank", both, "shoulder_elevation", elevation_deg=60.0)) == 2


def test_girdle_at_rest_has_the_angles_of_the_policy():
    upward, internal, tilt = value(
        *(
            ask("girdle", direction=f"scapula_{name}")
            for name in ("upward", "internal", "posterior_tilt")
        )
    )
    assert upward == pytest.approx(np.degrees(MODEL.number("scapula_resting_upward")))
    assert internal == pytest.approx(np.degrees(MODEL.number("scapula_resting_internal")))
    assert tilt == pytest.approx(-np.degrees(MODEL.number("scapula_resting_anterior_tilt")))


def test_upward_rotation_follows_the_course_of_the_girdle():
    degrees = (30.0, 90.0)
    low, high = value(
        *(
            ask("girdle", direction="scapula_upward", scapula="moving", elevation_deg=e)
            for e in degrees
        )
    )
    # The reach of upward rotation is zero, so the elevation alone counts, beyond its setting.
    assert MODEL.number("girdle_scapula_upward_reach") == 0.0
    setting = np.degrees(MODEL.number("girdle_setting_elevation"))
    first, last = (np.hypot(e, setting) for e in degrees)
    assert high - low == pytest.approx((last - first) * MODEL.number("girdle_scapula_upward_rise"))


def test_area_and_volume_are_those_of_the_limb():
    limb = PROBE.limb("male", "resting")
    k = limb.head_names.index("brachialis")
    area, volume = value(ask("pcsa", "brachialis"), ask("volume", "brachialis"))
    assert volume == pytest.approx(1e6 * limb.volume[k])
    assert area == pytest.approx(1e4 * limb.volume[k] / limb.peak_fibre_length[k])


def test_line_direction_is_zero_at_the_limbs_own_line_and_grows_with_the_difference():
    lines = {
        name: value(ask("line_of_action", "deltoid/acromial", name, elevation_deg=60.0))
        for name in ("lateral", "anterior", "superior")
    }
    assert np.linalg.norm(list(lines.values())) == pytest.approx(1.0)
    own = [(f"force_{name}", repr(v)) for name, v in lines.items()]
    at = {"elevation_deg": 60.0}
    assert value(ask("line_direction", "deltoid/acromial", setting=own, **at)) < 1e-12
    off = [(name, repr(float(v) + 0.1)) for name, v in own]
    found = value(ask("line_direction", "deltoid/acromial", setting=off, **at))
    assert found == pytest.approx(0.1 * np.sqrt(3.0))


def test_passive_factor_turns_into_a_margin():
    at = {"elevation_deg": 75.0, "axial_deg": -75.0}
    bare = value(ask("passive_factor", "subscapularis", **at))
    under = value(ask("passive_factor", "subscapularis", setting=[("under", "0.5")], **at))
    over = value(ask("passive_factor", "subscapularis", setting=[("over", "0.01")], **at))
    assert under == pytest.approx(0.5 - bare)
    assert over == pytest.approx(bare - 0.01)


def test_press_quantities_are_read_off_the_solved_lift():
    setting = [("spacing", "1.7"), ("lateral", "measured"), ("ratio", "0.144")]
    press = Press(scapula="pressing", spacing=1.7, lateral="measured", ratio=0.144)
    result = PROBE.press(press, greatest=True)

    def said(quantity, subject="", direction="", extra=()):
        asked = ask(quantity, subject, direction, setting=[*setting, *extra], scapula="pressing")
        return task_value(asked, PROBE)

    assert said("press_lateral_ratio") == pytest.approx(0.144)
    assert said("press_load") == weakest(result)[0] == np.min(result.greatest.factor)
    row = result.moments[:, ROWS.index("elbow_extension")]
    assert said("press_moment", direction="elbow_extension") == pytest.approx(row.mean())
    k = result.prepared.limb.head_names.index("deltoid/clavicular")
    part = result.prepared.lift.fraction
    activation = result.activation[:, k]
    assert said("press_activation", "deltoid/clavicular") == pytest.approx(activation.mean())
    last = said("press_activation", "deltoid/clavicular", extra=[("region", "last third")])
    assert last == pytest.approx(activation[part >= 2 / 3].mean())
    height = result.prepared.lift.height
    assert said("press_travel") == pytest.approx(100.0 * (height.max() - height.min()))
    arm = course(result, "elbow_extension")[1]
    least = part[np.argmin(arm)]
    found = said("press_gravity_least", direction="elbow_extension")
    assert found == pytest.approx(min(least, 1.0 - least) - 0.05)


def test_a_part_of_the_greatest_load_is_that_part():
    free = Press(scapula="pressing", relative=0.5)
    greatest = weakest(PROBE.press(Press(scapula="pressing"), greatest=True))[0]
    carried = PROBE.press(free).prepared.lift.load_mass
    assert 2.0 * np.max(carried) == pytest.approx(0.5 * greatest)


def test_the_load_of_a_press_is_that_of_the_exercise():
    limb = PROBE.limb("male", "pressing", training=MODEL.number("volume_athlete_over_student"))
    press = BenchPress(
        load_mass=55.0,
        spacing=Profile.constant(1.4 * limb.skeleton.sizes.biacromial_breadth),
        frames=11,
    )
    given = replace(press, tuck=Profile(((0.0, np.radians(50)), (1.0, np.radians(82)))))
    for tuck, own in ((None, press), (50.0, given)):
        found = PROBE.press(Press(scapula="pressing", load=55.0, tuck=tuck)).prepared.lift
        wanted = own.lift(limb.skeleton)
        assert found.load_mass == pytest.approx(wanted.load_mass)
        np.testing.assert_allclose(found.hand, wanted.hand)


def test_dumbbells_are_pressed_without_lateral_force():
    result = PROBE.press(Press(scapula="pressing", implement="dumbbells", lateral="free"))
    assert result.lateral == Lateral(mode="zero")
    assert np.abs(result.lateral_force).max() == 0.0


def test_contact_splits_into_compression_and_shear():
    angles = np.array([[30.0, 90.0, 0.0, 5.0, 90.0]])
    compression, shear = PROBE.contact("male", "resting", angles)
    at = {
        "plane_deg": 30.0,
        "elevation_deg": 90.0,
        "elbow_flexion_deg": 5.0,
        "forearm_rotation_deg": 90.0,
    }
    force = task_value(ask("contact_force", **at), PROBE)
    weight = MODEL.fits["male", "body_mass"].mean * 9.80665
    assert force == pytest.approx(np.hypot(compression[0], shear[0]) / weight, rel=1e-4)
    ratio = task_value(ask("contact_shear", **at), PROBE)
    assert ratio == pytest.approx(shear[0] / compression[0])
    margin = ask("contact_margin", direction="shear", setting=[("bound", "0.6")], **at)
    assert task_value(margin, PROBE) == pytest.approx(0.6 - ratio)
