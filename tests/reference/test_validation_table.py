"""The public comparison: complete, honest, and the same for people and machines.

Published values stand in models/reference_limb/targets.csv and in validation/claims.py, each
with its source and how it is known. Here only the table itself is tested, and the
conclusions that a limb must support to be worth shipping; misses are shown, not hidden.
"""

import json

import numpy as np
import pytest

from momentshare.model import load_model
from momentshare.validation.table import VALIDATION_COLUMNS, validation_record, validation_table


@pytest.fixture(scope="module")
def model():
    return load_model()


@pytest.fixture(scope="module")
def table(model):
    return validation_table(model)


def test_at_least_sixty_rows_that_no_fit_has_used(table):
    assert (table["use"] == "validation").sum() >= 60


def test_misses_come_first(table):
    assert table["in_band"].is_monotonic_increasing


def test_every_row_has_source_band_reason_and_a_finite_value(model, table):
    assert tuple(table.columns) == VALIDATION_COLUMNS
    assert set(table["source"]) <= set(model.references)
    assert table["band_reason"].str.len().min() > 10
    assert np.isfinite(table["model"]).all()
    assert not table["id"].duplicated().any()


def test_in_band_says_what_band_and_value_say(table):
    inside = (table["low"] <= table["model"]) & (table["model"] <= table["high"])
    assert (inside == table["in_band"]).all()


def test_record_is_valid_json_with_a_version(model, table):
    text = json.dumps(validation_record(model, table), allow_nan=False)
    assert json.loads(text)["record_version"] == 1


@pytest.mark.parametrize(
    "row",
    [
        "triceps_arm_30_mri",  # Sugisaki 2010, read
        "triceps_arm_110_mri",
        "free_lateral_ratio_rises",  # Larsen 2021, read
        "shoulder_moment_wide_over_narrow",  # Mausehund 2022, read
        "elbow_moment_narrow_over_wide",
        "activity_pectoralis_major_abdominal_measured",
    ],
)
def test_conclusions_called_firm_are_supported(table, row):
    assert table.set_index("id").loc[row, "in_band"]
