"""Arguments of balances, limbs and exercises that cannot be used are named, with the remedy."""

import numpy as np
import pytest

from momentshare import Balance, BenchPress, Criterion, GuidedArm, LimbOptions, Profile, PushUp
from momentshare.errors import InputError, ShapeError, UnknownNameError

NAMES = {"head_names": ("a", "b"), "row_names": ("r",)}
GIVEN = {
    "moment_arms": [[0.1, 0.2]],
    "active_capacity": [100.0, 200.0],
    "joint_moments": [5.0],
}


def test_a_balance_of_lists_is_one_of_arrays():
    plain = Balance.of_moments(**GIVEN, **NAMES).share(Criterion(weights="none"))
    arrays = {name: np.array(values) for name, values in GIVEN.items()}
    same = Balance.of_moments(**arrays, **NAMES).share(Criterion(weights="none"))
    np.testing.assert_array_equal(plain.force, same.force)
    assert float(np.array([0.1, 0.2]) @ plain.force) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"moment_arms": [["a", 0.2]]}, "moment_arms: must be an array of numbers"),
        ({"joint_moments": [1j]}, "joint_moments: must be an array of numbers"),
        (
            {"moment_arms": [[0.1, 0.2, 0.3]]},
            r"moment_arms: must have shape \(..., 1, 2\); got shape \(1, 3\)",
        ),
        ({"active_capacity": 3.0}, r"active_capacity: must have shape \(..., 2\); got shape \(\)"),
        (
            {"active_capacity": np.ones((3, 2)), "joint_moments": np.ones((4, 1))},
            (
                r"batch axes like those of the other arrays; got "
                r".*active_capacity \(3,\), joint_moments \(4,\)"
            ),
        ),
        ({"passive_force": [1.0]}, "passive_force: must have shape"),
    ],
)
def test_what_does_not_fit_a_balance_is_named(change, words):
    with pytest.raises(ShapeError, match=words):
        Balance.of_moments(**(GIVEN | change), **NAMES)


def test_a_mask_of_a_balance_is_kept():
    hidden = np.ma.masked_array([5.0], [True])
    balance = Balance.of_moments(**(GIVEN | {"joint_moments": hidden}), **NAMES)
    assert np.isnan(balance.moments).all()


def test_a_set_of_curves_is_looked_for_when_it_is_named():
    with pytest.raises(UnknownNameError, match="unknown curve set 'mine'"):
        LimbOptions(curves="mine")


def test_a_number_is_no_profile():
    still = dict.fromkeys(
        ("plane", "elevation", "axial", "forearm_rotation"), Profile.constant(0.0)
    )  # fmt: skip
    for make in (
        lambda: BenchPress(load_mass=20.0, spacing=0.5),
        lambda: PushUp(spacing=0.5, tuck=Profile.constant(0.7), tilt=Profile.constant(0.0)),
        lambda: GuidedArm(load_mass=2.0, elbow_flexion=0.5, **still),
    ):
        with pytest.raises(InputError, match=r"must be a Profile; got 0.5; Profile.constant"):
            make()
    with pytest.raises(InputError, match=r"a whole number of 2 or more; got 5\.5"):
        BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5.5)
