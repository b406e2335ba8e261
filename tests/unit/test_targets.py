"""Targets: the band follows from the row, settings are read or refused, kinds are kept apart."""

import os
import shutil

import pytest
from pydantic import ValidationError

from momentshare.errors import ModelError
from momentshare.model import load_model, models_folder
from momentshare.validation import load_targets
from momentshare.validation.evaluate import combined
from momentshare.validation.null import stored_null
from momentshare.validation.published import load_published_rows
from momentshare.validation.targets import Target, shared_sources

ROW = {
    "id": "a_row",
    "kind": "number",
    "quantity": "moment_arm",
    "subject": "brachialis",
    "direction": "elbow_flexion",
    "sex": "male",
    "scapula": "resting",
    "plane_deg": "0",
    "elevation_deg": "5",
    "axial_deg": "0",
    "elbow_flexion_deg": "90",
    "forearm_rotation_deg": "60",
    "setting": "",
    "value": "20",
    "sd": "",
    "scale": "",
    "unit": "mm",
    "source": "murray2000",
    "known": "abstract read",
    "use": "validation",
    "fit_sigma": "",
    "note": "for a test",
}


def target(**changes):
    return Target.model_validate(ROW | changes)


def test_band_is_twenty_per_cent_without_a_spread_and_two_spreads_with_one():
    assert (target().low, target().high) == (16.0, 24.0)
    assert (target(value="-20").low, target(value="-20").high) == (-24.0, -16.0)
    assert (target(sd="1.5").low, target(sd="1.5").high) == (17.0, 23.0)
    assert (target(value="0", scale="10").low, target(value="0", scale="10").high) == (-2.0, 2.0)


def test_right_means_in_band_for_numbers_and_positive_for_orders_and_senses():
    number = target()
    assert number.is_right(16.0)
    assert number.is_right(24.0)
    assert not number.is_right(15.99)
    assert not number.is_right(float("nan"))
    sense = target(kind="sense", value="")
    assert sense.is_right(1e-9)
    assert not sense.is_right(0.0)
    assert not sense.is_right(float("nan"))
    order = target(kind="order", value="", setting="elbow_flexion_deg=90 > elbow_flexion_deg=30")
    assert order.is_right(0.1)
    assert not order.is_right(-0.1)
    rank = target(kind="order", quantity="rank", value="2")
    assert [rank.is_right(k) for k in (1.0, 2.0, 3.0)] == [True, True, False]


def test_line_direction_is_right_within_a_fifth_of_the_force():
    line = target(
        quantity="line_direction", value="1", setting="force_lateral=-0.6;force_anterior=0.8"
    )
    assert (line.low, line.high) == (0.0, 0.2)
    assert line.published == "(-0.6, 0.8)"


def test_setting_gives_two_asks_that_share_what_stands_before_the_bar():
    row = target(
        value="0.5",
        setting="speed_deg_s=60 | sex=female;elbow_flexion_deg=30 / sex=male",
        quantity="strength",
        subject="",
    )
    top, bottom = row.asks
    assert row.combination == "ratio"
    assert (top.sex, bottom.sex) == ("female", "male")
    assert (top.elbow_flexion_deg, bottom.elbow_flexion_deg) == (30.0, 90.0)
    assert top.number("speed_deg_s", 0.0) == bottom.number("speed_deg_s", 0.0) == 60.0


def test_minus_signs_of_values_are_no_differences():
    row = target(setting="axial_deg=-90")
    assert row.combination == "one"
    assert row.asks[0].axial_deg == -90.0
    assert target(setting="axial_deg=-90 - axial_deg=0").combination == "difference"
    both = target(setting="sex=female & sex=male")
    assert [ask.sex for ask in both.asks] == ["female", "male"]
    assert combined(both, [60.0, 130.0]) == 95.0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"known": "from memory"}, "from memory validates nothing"),
        ({"known": "common practice"}, "fits and validates nothing"),
        ({"quantity": "moment_arms"}, "did you mean 'moment_arm'"),
        ({"use": "calibration"}, "'fit_sigma' belongs to a row of calibration"),
        ({"fit_sigma": "1"}, "'fit_sigma' belongs to a row of calibration"),
        ({"kind": "sense"}, "a sense has no value"),
        ({"value": ""}, "a number needs a value"),
        ({"kind": "order", "value": ""}, "needs two settings"),
        ({"setting": "spacing"}, "'spacing' is not name=value"),
        ({"setting": "to=1 > to=2 > to=3"}, "more than two settings"),
        ({"setting": "speed=60"}, "'speed' is unknown; did you mean 'speed_deg_s'"),
        ({"setting": "speed_deg_s=fast"}, "could not convert"),
        ({"setting": "lateral=fre"}, "did you mean 'free'"),
        ({"setting": "sex=male / elevation_deg=high"}, "could not convert"),
        ({"sd": "-1"}, "greater than 0"),
        ({"value": "nan"}, "finite"),
        ({"unit": "inch"}, "Input should be"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused(changes, words):
    with pytest.raises(ValidationError, match=words):
        target(**changes)


def test_a_recalled_value_may_be_fitted():
    row = target(known="from memory", use="calibration", fit_sigma="5")
    assert row.use == "calibration"


def test_sources_that_the_limb_has_used_are_no_independent_judges():
    model = load_model()
    fitted = target(id="b", use="calibration", fit_sigma="1", source="tsunoda1993")
    used = shared_sources([target(source="hik2019"), fitted], model)
    assert "tsunoda1993" in used
    assert "murray2000" in used  # fibre lengths of the elbow muscles
    assert "hik2019" not in used


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "limb"
    shutil.copytree(models_folder() / "reference_limb", place)
    shutil.copy(models_folder() / "references.bib", place / "references.bib")
    return place


def test_faults_name_row_field_and_remedy(folder):
    path = folder / "targets.csv"
    lines = path.read_text("utf-8").splitlines()
    lines[1] = lines[1].replace("resting", "restful")
    lines[2] = lines[2].replace(",elbowpolynomials,", ",elbowpolynomial,")
    lines[3] = lines[2]
    lines[4] = lines[4].replace(",brachioradialis,elbow_flexion,", ",brachioradial,elbow_bending,")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    with pytest.raises(ModelError) as caught:
        load_targets(load_model(folder))
    text = str(caught.value)
    assert "row 2: field 'scapula': 'restful' is not a policy" in text
    assert "row 3: field 'source': 'elbowpolynomial'" in text
    assert "row 4: id 'elbow_arm_brachioradialis_60' is duplicated" in text
    assert "row 5: 'brachioradial' is not a head or muscle of the model; did you mean" in text
    assert "row 5: field 'direction': 'elbow_bending' is none of 'moment_arm'" in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (",line_", ",limb_", "'limb_.*' is not in targets.csv"),
        (",the limb has no such head", ",x,the limb has no such head", "number of columns"),
        (",the limb has no such head", ",", "needs either targets or a reason"),
    ],
)
def test_a_published_row_without_target_or_reason_is_refused(folder, old, new, words):
    path = folder / "published_rows.csv"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    model = load_model(folder)
    with pytest.raises(ModelError, match=words):
        load_published_rows(model, {t.id for t in load_targets(model)})


def test_a_model_without_published_rows_has_none(folder):
    (folder / "published_rows.csv").unlink()
    assert load_published_rows(load_model(folder), set()) == ()


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("published_rows.csv", lambda f: load_published_rows(load_model(f), set())),
        ("null_limb.csv", lambda f: stored_null(load_model(f))),
        ("targets.csv", load_model),
        ("references.bib", load_model),
        ("limb.toml", load_model),
    ],
)
def test_what_a_model_may_leave_out_is_no_pipe_where_it_is_there(folder, name, read):
    """A pipe was taken for a file that is missing, and the parent's bibliography for it."""
    (folder / name).unlink(missing_ok=True)
    os.mkfifo(folder / name)
    with pytest.raises(ModelError) as caught:
        read(folder)
    assert "is not a plain file" in str(caught.value)
