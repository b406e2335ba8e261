"""People: plausible sizes pass, slips of unit are refused, missing lengths are estimated openly."""

import dataclasses

import pytest

from momentshare.errors import InputError
from momentshare.model import load_model
from momentshare.person import Person, sizes

LENGTHS = (
    "biacromial_breadth",
    "chest_depth",
    "humerus_length",
    "forearm_length",
    "grip_length",
)


@pytest.fixture(scope="module")
def model():
    return load_model()


def person(**changes):
    base = {"name": "Ada", "sex": "female", "stature": 1.66, "body_mass": 62.0}
    return Person(**(base | changes))


def test_every_missing_length_is_estimated_and_named(model):
    found = sizes(person(), model)
    assert set(found.estimated) == set(LENGTHS)
    assert set(found.to_dict()) == {"stature", "body_mass", *LENGTHS}


@pytest.mark.parametrize("name", LENGTHS)
def test_measured_length_is_kept_and_not_called_estimated(model, name):
    found = sizes(person(**{name: 0.31}), model)
    assert getattr(found, name) == 0.31
    assert name not in found.estimated
    assert len(found.estimated) == len(LENGTHS) - 1


@pytest.mark.parametrize("sex", ["female", "male"])
def test_person_of_mean_stature_has_the_mean_breadth_depth_and_arm(model, sex):
    # The fits are least-squares lines, which pass through the means; the tables round slope
    # to 4 and intercept to 1 decimal, which leaves 1e-4/2 · 1756 + 0.05 = 0.14 mm.
    found = sizes(person(sex=sex, stature=model.fits[sex, "stature"].mean), model)
    for name in ("biacromial_breadth", "chest_depth"):
        assert getattr(found, name) == pytest.approx(model.fits[sex, name].mean, abs=1.4e-4)


def test_reference_man_has_the_reference_lengths(model):
    # Coordinates are written for him, so that his scale factors must be one; 0.2 mm is
    # what the rounding of the fits leaves.
    found = sizes(person(sex="male", stature=model.number("reference_stature")), model)
    for name in LENGTHS[:4]:
        wanted = model.number(f"reference_{name}")
        assert getattr(found, name) == pytest.approx(wanted, abs=2e-4), name


@pytest.mark.parametrize("sex", ["female", "male"])
def test_taller_people_have_longer_limbs_and_wider_shoulders(model, sex):
    short, tall = (sizes(person(sex=sex, stature=s), model) for s in (1.55, 1.90))
    for name in LENGTHS:
        assert getattr(tall, name) > getattr(short, name)


def test_grip_lies_beyond_the_wrist(model):
    # The centre of the closed grip is past the stylion on every person.
    for stature in (1.45, 1.70, 2.05):
        for sex in ("female", "male"):
            found = sizes(person(sex=sex, stature=stature), model)
            assert found.grip_length > found.forearm_length


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("stature", 166.0),
        ("stature", -1.66),
        ("stature", float("nan")),
        ("body_mass", -62.0),
        ("body_mass", 0.0),
        ("body_mass", float("inf")),
        ("biacromial_breadth", 37.5),
        ("chest_depth", 240.0),
        ("humerus_length", 0.03),
        ("forearm_length", 27.0),
        ("grip_length", 34.0),
        ("training_factor", 0.0),
        ("training_factor", float("nan")),
    ],
)
def test_implausible_size_is_refused_with_name_field_value_and_remedy(field, value):
    with pytest.raises(InputError) as caught:
        person(**{field: value})
    text = str(caught.value)
    assert "'Ada'" in text
    assert field in text
    assert repr(value) in text
    assert "check the unit" in text


def test_unknown_sex_is_refused_with_the_known_ones():
    with pytest.raises(InputError, match="'female' or 'male'; got 'both'"):
        person(sex="both")


def test_all_faults_of_a_person_come_together():
    with pytest.raises(InputError) as caught:
        person(stature=166.0, body_mass=-1.0, sex="x")
    assert len(caught.value.faults) == 3


def test_person_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        person().stature = 1.7
