"""Own results beside a published table, EMG beside prediction: against recomputation."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_1samp, ttest_ind_from_stats

from momentshare.cohort.outcomes.beside import beside_published, emg_by_condition

OWN = {"A": 20.0, "B": 26.0, "C": 23.0, "D": 31.0}


@pytest.fixture
def published(tmp_path):
    (tmp_path / "paper.csv").write_text(
        "condition,point,n,elbow_extension_nm,elbow_extension_sd_nm,plane_deg,elevation_deg,"
        "axial_deg,elbow_flexion_deg,forearm_rotation_deg,source,known\n"
        "wide,sticking region,12,29.0,5.0,40,60,0,90,90,a paper,invented\n"
        "narrow,sticking region,12,29.0,5.0,40,60,0,90,90,a paper,invented\n"
        "wide,top,12,29.0,5.0,40,60,0,90,90,a paper,invented\n",
        "utf-8",
    )
    return tmp_path


def result_of(folder, spread):
    file = SimpleNamespace(published=[SimpleNamespace(file="paper.csv", spread=spread)])
    return SimpleNamespace(study=SimpleNamespace(file=file, path=lambda name: folder / name))


def regions():
    rows = [
        {"person": who, "condition": "wide", "lateral": mode, "region": region,
         "quantity": "moment_nm", "item": "elbow_extension", "mean": v + off}
        for who, v in OWN.items()
        for region, off in (("sticking", 0.0), ("whole lift", -4.0))
        for mode in ("measured", "zero")
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize("spread", ["sd", "se"])
def test_only_lines_of_the_same_name_are_compared_by_welchs_interval(published, spread):
    table = beside_published(regions(), result_of(published, spread), "measured", 0.95)
    (row,) = table.to_dict("records")
    assert (row["condition"], row["region"], row["row"]) == ("wide", "sticking", "elbow_extension")
    own = np.array(list(OWN.values()))
    sd = 5.0 * (np.sqrt(12) if spread == "se" else 1.0)
    assert row["own_nm"] == pytest.approx(own.mean())
    assert row["own_sd_nm"] == pytest.approx(own.std(ddof=1))
    assert row["published_sd_nm"] == pytest.approx(sd)
    assert row["difference_nm"] == pytest.approx(own.mean() - 29.0)
    # The interval touches zero at the confidence whose complement is Welch's p.
    p = ttest_ind_from_stats(own.mean(), own.std(ddof=1), 4, 29.0, sd, 12, equal_var=False).pvalue
    edge = beside_published(regions(), result_of(published, spread), "measured", 1.0 - p)
    assert edge["difference_high_nm"].iloc[0] == pytest.approx(0.0, abs=1e-9)


def test_emg_of_a_condition_with_its_discrepancy():
    rng = np.random.default_rng(3)
    rows = []
    for who in "ABCDE":
        level = rng.uniform(0.2, 0.6)
        rows += [
            {"person": who, "condition": "wide", "head": "h", "lift_percent": lift,
             "emg": level + 0.1 + 0.01 * lift, "activation": level * 0.9 + 0.01 * lift}
            for lift in range(11)
        ]  # fmt: skip
    rows.append({"person": "F", "condition": "wide", "head": "h", "lift_percent": 0,
                 "emg": np.nan, "activation": 0.5})  # fmt: skip
    own = pd.DataFrame(rows)
    (row,) = emg_by_condition(own, 0.95).to_dict("records")
    mean = own.groupby("person")[["emg", "activation"]].mean().dropna()
    gap = mean["emg"] - mean["activation"]
    test = ttest_1samp(gap, 0.0).confidence_interval(0.95)
    assert row["people"] == 5
    assert row["emg"] == pytest.approx(mean["emg"].mean())
    assert row["discrepancy"] == pytest.approx(gap.mean())
    assert (row["discrepancy_low"], row["discrepancy_high"]) == pytest.approx(tuple(test))
