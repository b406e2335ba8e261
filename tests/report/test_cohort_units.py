"""Units on the way from a cohort's files to its tables: none is off by a factor."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.report.cohort_planted import page, planted
from tests.report.page_reader import PageReader

from momentshare.cohort.electromyograms import emg_settings
from momentshare.cohort.load import parse_cohort
from momentshare.cohort.measured import trial_processing
from momentshare.cohort.solve import solve_trial
from momentshare.demo.lab import write_lab
from momentshare.model import load_model
from momentshare.report.page.document import UNITS, Page, Section, Table, render

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")


def test_settings_of_a_study_become_si():
    file = planted().result.study.file
    processing, emg = trial_processing(file), emg_settings(file)
    assert processing.least_rise == pytest.approx(0.13)
    assert processing.fill_gaps == pytest.approx(0.15)
    assert (processing.cutoff, processing.force_cutoff) == (7.0, 12.0)
    assert (processing.order, processing.frames, processing.hinge) == (2, 11, "forearm")
    assert emg.delay_s == pytest.approx(0.045)
    assert (emg.low, emg.high, emg.cutoff, emg.method) == (30.0, 400.0, 5.0, "linear")


# Ending of a column → unit in its header; SI symbols as the BIPM brochure writes them (from
# memory), "deg" for the degree.
HEADERS = {
    "height_m": "height [m]", "stature_cm": "stature [cm]", "arm_mm": "arm [mm]",
    "duration_s": "duration [s]", "lag_ms": "lag [ms]", "force_n": "force [N]",
    "moment_nm": "moment [N·m]", "impulse_ns": "impulse [N·s]", "speed_mps": "speed [m/s]",
    "load_kg": "load [kg]", "cutoff_hz": "cutoff [Hz]", "angle_deg": "angle [deg]",
    "peak_percent": "peak [%]", "multiplier_per_nm": "multiplier [1/(N·m)]",
    "drive_per_n": "drive [1/N]", "area_cm2": "area [cm²]", "volume_cm3": "volume [cm³]",
}  # fmt: skip


def test_every_ending_has_its_unit_in_the_header():
    assert {name.split("_", 1)[1] for name in HEADERS} == set(UNITS)
    frame = pd.DataFrame([[1.0] * len(HEADERS)], columns=list(HEADERS))
    blocks = [Table(frame=frame, caption="c")]
    made = Page(title="t", sections=[Section(title="One", anchor="one", blocks=blocks)])
    (table,) = PageReader(render(made)).tables
    assert table.headers == list(HEADERS.values())


def test_no_unit_of_the_page_is_unknown():
    known = set(UNITS.values()) | {"% points"}
    shown = {
        h.rsplit("[", 1)[1].split("]")[0] for t in page().tables for h in t.headers if "[" in h
    }
    assert {"kg", "cm", "s", "m/s", "%", "N"} <= shown <= known


def test_a_stated_contraction_in_millivolt_is_the_scale_of_a_measured_trial(tmp_path):
    """The invented laboratory makes its electromyograms from the model's own answer."""
    lab = write_lab(tmp_path, people=2, repetitions=1)
    head, *trials = lab.read_text("utf-8").split("[[trial]]")
    (one,) = [t for t in trials if "runa_wide." in t]
    text = head + "[[trial]]" + one.split("[[published]]")[0]
    assert "envelope_mv = " in text
    study = parse_cohort(text, "study.toml", lab.parent)
    table = solve_trial(study, 1, load_model(study.file.model)).tables["emg"]
    mine = table[table["lateral"] == "measured"]
    assert mine["head"].nunique() == 5
    ratio = mine.groupby("head")["emg"].mean() / mine.groupby("head")["activation"].mean()
    assert np.all((ratio > 0.5) & (ratio < 2.5)), ratio
