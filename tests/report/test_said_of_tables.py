"""Sentences and figures from small made-up tables: every number is looked up in its own column.

All names and numbers are invented.
"""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from rich.console import Console
from tests.drawn import panels, plain

from momentshare.cohort.peers import compare_with_peers
from momentshare.maximal import MAXIMAL, MaximalReport
from momentshare.report.figures import style
from momentshare.report.figures.maximal import (
    findings_table,
    lift_figure,
    loads_figure,
    sentences,
)
from momentshare.report.text import cohort_peers, posture_band, uncertainty_opening
from momentshare.report.text.cohort_peers import peer_texts, standing_texts
from momentshare.report.text.cohort_places import places_text
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.report.text.effects import print_effects
from momentshare.trial.motion.ways import WAY_TEXTS

# ------------------------------------------------------------------ people of a cohort


def test_who_stands_out_is_told_with_the_value_of_the_person_and_that_of_the_others():
    row = {
        "person": "Ama", "check": "hinge", "value": 12.5, "others_median": 4.25, "unit": "deg",
        "spreads_away": 6.4, "stands_out": True,
    }  # fmt: skip
    signed = row | {"person": "Bo", "check": "EMG behind prediction", "value": -310.0,
                    "others_median": 25.0, "unit": "ms", "spreads_away": -9.0}  # fmt: skip
    quiet = row | {"person": "Cy", "stands_out": False}
    summary = SimpleNamespace(tables={"peers": pd.DataFrame([row, signed, quiet])})
    plainly, late = peer_texts(summary)
    assert plainly == (
        "Ama stands out in hinge: 12.5 against 4.25 deg in the others, 6 times their spread away."
    )
    assert late.startswith(
        "Bo stands out in EMG behind prediction: -310 against +25 ms in the others, 9 times their "
        "spread away; it may be a separate clock"
    )


def test_one_person_who_stands_out_in_several_values_is_told_once():
    row = {"person": "Ama", "unit": "N", "stands_out": True, "others_median": 1.0}
    rows = [
        row | {"check": "force balance", "value": 5.0, "spreads_away": 6.0},
        row | {"check": "vertical force less load × (g + a)", "value": 25.0, "spreads_away": 9.0},
    ]
    (text,) = peer_texts(SimpleNamespace(tables={"peers": pd.DataFrame(rows)}))
    assert text == (
        "Ama stands out in 2 values: force balance (5 against 1 N in the others, 6 times their "
        "spread); vertical force less load × (g + a) (+25 against +1 N in the others, 9 times "
        "their spread); it may be a zero error of the force cells or a wrong load."
    )


def lags(*values):
    """Lags of EMG of as many people, compared with each other."""
    trials = [
        SimpleNamespace(
            number=k, person=f"P{k}", condition="wide", record={"emg_behind_force_ms": value}
        )
        for k, value in enumerate(values, start=1)
    ]
    return compare_with_peers(pd.DataFrame(), trials)


def test_without_a_clear_majority_both_groups_are_told():
    """With half of the EMG late, nobody can be held against the others."""
    peers = lags(-4.0, 350.0, 5.0, 346.0, 0.0, 361.0)
    assert peers["stands_out"].all()
    (text,) = standing_texts(peers)
    assert text == (
        "EMG behind the hand force: the people fall into two groups without a clear majority, "
        "P1, P5, P3 at -4 to +5 ms and P4, P2, P6 at +346 to +361 ms; one group may show a "
        "separate clock of the EMG (offset_s or delay_s)."
    )


def test_with_a_clear_majority_the_person_is_told():
    (text,) = standing_texts(lags(-4.0, 350.0, 5.0, 3.0, 0.0, 2.0))
    assert text.startswith("P2 stands out in EMG behind the hand force: +350 against +2 ms in the")


@pytest.mark.parametrize(
    ("modes", "wanted"),
    [
        (["zero"], ""),
        (["zero", "free"], "No order is sure under one treatment and open under another"),
    ],
)
def test_orders_between_treatments_are_spoken_of_only_where_there_are_several(modes, wanted):
    orders = pd.DataFrame({"lateral": modes, "criterion": "p2"})
    plan = SimpleNamespace(measured=None)
    found = SimpleNamespace(condition_order=orders, sensitivity=None, plan=plan)
    pairs = pd.DataFrame({"head": ["a/b"], "verdict": ["firm"]})
    assert uncertainty_opening._turning(found, pairs) == wanted
    assert uncertainty_opening._moved(found) == "inputs were not ranked"


def test_a_band_that_reverses_only_what_the_limb_does_not_support_counts_none(monkeypatch):
    table = pd.DataFrame(
        {"verdict": ["beyond the limb", "firm"], "turns_with": ["posture rule", ""]}
    )
    order = pd.DataFrame({"turns_with_posture": [True, False]})
    monkeypatch.setattr(posture_band, "verdict_table", lambda _: table)
    monkeypatch.setattr(posture_band.reading, "ordering_table", lambda _: order)
    said = posture_band._turns(None)
    assert "reverses 1 of 2 orders of two conditions within a head, none of them among" in said
    both = table.assign(turns_with="posture rule", verdict=["beyond the limb", "turns"])
    monkeypatch.setattr(posture_band, "verdict_table", lambda _: both)
    assert "reverses 2 of 2 orders of two conditions within a head, 1 of them among" in (
        posture_band._turns(None)
    )


def test_on_whom_firm_orders_depend_is_counted_from_most_to_least(monkeypatch):
    rows = [("Ama", True, "a/b"), ("Bo", True, "a/b"), ("Bo", True, "c"), ("Cy", False, "a/b")]
    rows += [("Bo", True, "not firm"), ("Cy", True, "not firm")]
    table = pd.DataFrame(rows, columns=["person", "turns", "item"])
    table = table.assign(condition="narrow", other="wide", outcome="mean_activation")
    firm = [{"head": head, "order": "wide above narrow"} for head in ("a/b", "c")]
    monkeypatch.setattr(cohort_peers, "of_named", lambda _: SimpleNamespace(firm=firm))
    summary = SimpleNamespace(tables={"influence": table}, confidence=0.95)
    (said,) = peer_texts(summary)
    assert said == (
        "Without one of these people a firm order changes sign, or is no longer below p 0.05 by "
        "itself: Bo (2), Ama (1); see influence.csv."
    )
    table["turns"] &= table["item"] == "not firm"
    (said,) = peer_texts(summary)
    assert said == (
        "Whichever person is left out, every firm order keeps its sign and stays below p 0.05 by "
        "itself (influence.csv)."
    )


def trial(number, person, load, *, counts):
    return SimpleNamespace(
        number=number, person=person, condition="wide", used=True, fault="", limb_verdict="pass",
        record={"load_kg": load}, counts=counts,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kept", "lost", "word", "away"),
    [(40.0, 80.0, "lighter", "heavier"), (80.0, 40.0, "heavier", "lighter")],
)
def test_a_selection_by_load_names_its_direction(kept, lost, word, away):
    every = [trial(1, "Ama", kept, counts=True), trial(2, "Bo", lost, counts=False)]
    counted = [one for one in every if one.counts]
    result = SimpleNamespace(
        outcomes=every, solved=every, counted=counted, heads_counted=counted,
        failures=lambda one: [] if one.counts else ["hinge"],
        study=SimpleNamespace(conditions_left_out=()),
    )  # fmt: skip
    left_out, selection = selection_texts(result)
    assert left_out.endswith("because a check of the measurement failed: hinge (1).")
    assert f"was {away} ({lost:.0f} against {kept:.0f} kg on average)" in selection
    assert f"so means describe {word} lifts than were measured" in selection
    assert selection.endswith("No trial of Bo is left.")


def test_another_way_is_told_with_the_moment_it_changes_most():
    changes = pd.DataFrame(
        [
            ("joint_centre", "trunk", "elbow_extension", 3.0),
            ("joint_centre", "trunk", "elbow_extension", 5.0),
            ("joint_centre", "trunk", "shoulder_elevation", 1.0),
            ("joint_centre", "trunk", "shoulder_elevation", 1.0),
            ("grip", "bar", "shoulder_elevation", 2.0),
        ],
        columns=["place", "other", "row", "rms_change_nm"],
    )
    record = {"places": {"joint_centre": {"way": "acromion"}}}
    result = SimpleNamespace(counted=[SimpleNamespace(record=record)] * 3, table=lambda _: changes)
    text = places_text(result)
    ways = {way: WAY_TEXTS["joint_centre", way] for way in ("acromion", "trunk")}
    assert f"The joint centre was taken {ways['acromion']} (3 trials)" in text
    # √((3² + 5²) / 2) = 4.1
    said = f"taken {ways['trunk']} instead, it would change elbow extension most, by 4.1 N·m root"
    assert said in text
    assert "The trunk" not in text


# ------------------------------------------------------------------ a study


def test_the_band_is_told_by_its_median_and_its_widest_head(monkeypatch):
    low, high = np.array([0.10, 0.30, 0.50]), np.array([0.14, 0.36, 0.80])
    table = pd.DataFrame(
        {
            "head": ["m/a", "m/b", "m/c"], "condition": "wide", "lateral": "free",
            "mean_activation_mean": 0.5 * (low + high),
            "mean_activation_posture_low": low, "mean_activation_posture_high": high,
            "mean_activation_couples_low": low, "mean_activation_couples_high": low + 0.02,
        }
    )  # fmt: skip
    monkeypatch.setattr(posture_band.reading, "head_table", lambda _: table)
    monkeypatch.setattr(posture_band, "verdict_table", lambda _: pd.DataFrame({"verdict": []}))
    study = SimpleNamespace(band=SimpleNamespace(rules={"wide": ("touch point ±4 cm",)}))
    posture, couples = posture_band.band_sentences(study)
    assert "(touch point ±4 cm)" in posture
    widest = "(the c m, 'wide', lateral force free: 50 to 80 %)"
    assert f"spans 6 points in the median and 30 at most {widest}" in plain(posture)
    assert "by 2 points in the median and 2 at most" in couples


def test_an_effect_is_printed_from_as_it_is_to_changed():
    heads = pd.DataFrame(
        {
            "switch": "other curves", "head": ["m/a", "m/b"], "condition": "wide",
            "lateral": "free", "mean_activation": [0.30, 0.10],
            "mean_activation_changed": [0.34, 0.02], "difference": [0.04, -0.08],
        }
    )  # fmt: skip
    lifts = pd.DataFrame(
        {"switch": "other curves", "greatest_load_kg": [100.0, 50.0],
         "greatest_load_kg_changed": [110.0, 45.0]}
    )  # fmt: skip
    screen = Console(width=160, record=True, quiet=False, file=None, force_terminal=False)
    with screen.capture() as printed:
        print_effects(screen, (heads, lifts))
    (line,) = [row for row in printed.get().splitlines() if "other curves" in row]
    cells = [cell.strip() for cell in line.replace("│", "|").strip("| ").split("|")]
    assert cells == [
        "other curves",
        "m, b",
        "wide",
        "free",
        "10 → 2",
        "-8.0",
        "6.0",
        "-10.0 to +10.0",
    ]


# ------------------------------------------------------------------ maximal lifts

HEIGHT = np.linspace(0.0, 1.0, 11)
SHARES = ("50 %", MAXIMAL)


@pytest.fixture(scope="module")
def report():
    loads, lifts, curves, held = [], [], [], []
    for k, condition in enumerate(("narrow", "wide")):
        keys = {"person": "Ama", "condition": condition, "lateral": "zero"}
        loads.append(keys | {"greatest_load_kg": 60.0 + 20.0 * k, "held_load_kg": 70.0 + 20.0 * k,
                             "weak_height_fraction": 0.3 + 0.1 * k})  # fmt: skip
        for j, lift in enumerate(SHARES):
            speed = (2.0 - j + 0.1 * k) * HEIGHT * (1.0 - HEIGHT)
            curves += [keys | {"lift": lift, "height_fraction": h, "speed_mps": v}
                       for h, v in zip(HEIGHT, speed, strict=True)]  # fmt: skip
        lifts.append(keys | {"lift": MAXIMAL, "dip": True, "mean_speed_mps": 0.2 + 0.1 * k,
                             "first_peak_mps": 0.4 + 0.1 * k, "first_peak_fraction": 0.2,
                             "minimum_mps": 0.1 + 0.1 * k, "minimum_fraction": 0.5})  # fmt: skip
        held += [keys | {"height_fraction": h, "held_load_kg": 70.0 + 20.0 * k + 10.0 * h}
                 for h in HEIGHT]  # fmt: skip
    tables = (pd.DataFrame(rows) for rows in (loads, lifts, curves, held))
    return MaximalReport(**dict(zip(("loads", "lifts", "curves", "held"), tables, strict=True)),
                         refusals=())  # fmt: skip


def test_a_maximal_lift_is_told_with_its_own_numbers(report):
    narrow, wide, order = sentences(report)
    assert "at most 60 kg pass" in narrow
    assert "held is least at 40 % of the lift, 90 kg" in wide
    assert "slows from 0.50 m/s at 20 % of the lift to 0.20 m/s at 50 %" in wide
    assert wide.endswith("its mean speed is 0.30 m/s.")
    assert order.endswith("wide 80 kg, narrow 60 kg.")


def test_the_table_of_findings_has_the_numbers_of_the_sentences(report):
    table = findings_table(report)
    for text, row in zip(sentences(report), table.astype(str).to_numpy(), strict=False):
        numbers = re.findall(r"[\d.]*\d", text)
        load, weak, held, first, at, low, below, mean = numbers
        assert tuple(row[:2]) == re.match(r"(\w+), lateral force (\w+)", text).groups()
        assert list(row[2:]) == [
            load, f"{held} at {weak} % of the lift", mean,
            f"from {first} at {at} % to {low} at {below} %",
        ]  # fmt: skip
    still = replace(report, lifts=report.lifts.assign(dip=[False, True]))
    assert findings_table(still)["slows [m/s]"].iloc[0] == "nowhere"
    none = replace(report, loads=report.loads.assign(greatest_load_kg=[0.0, 80.0]))
    assert list(findings_table(none).iloc[0, 2:]) == ["none", "–", "–", "–"]


def points(ax, marker):
    return {
        to_hex(line.get_color()): (line.get_xdata()[0], line.get_ydata()[0])
        for line in ax.lines
        if line.get_marker() == marker and len(line.get_xdata()) == 1
    }


def test_peak_minimum_and_load_are_marked_where_they_are(report):
    figure = lift_figure(report)
    shown = panels(figure)
    speed = next(ax for title, ax in shown.items() if title.startswith("Speed"))
    held = next(ax for title, ax in shown.items() if title.startswith("Greatest load held"))
    for marker, wanted in (("^", [(20.0, 0.4), (20.0, 0.5)]), ("v", [(50.0, 0.1), (50.0, 0.2)])):
        np.testing.assert_allclose(sorted(points(speed, marker).values()), wanted)
    at_edge = points(held, 8)
    assert sorted(y for _, y in at_edge.values()) == [60.0, 80.0]
    # A mark has the colour of its condition's line.
    for line in (one for one in held.lines if len(one.get_xdata()) > 2):
        assert line.get_ydata()[0] == at_edge[to_hex(line.get_color())][1] + 10.0
    for line in (one for one in speed.lines if len(one.get_xdata()) > 2):
        colour = to_hex(line.get_color())
        first = 0.4 if max(line.get_ydata()) < 0.26 else 0.5
        assert (points(speed, "^")[colour][1], points(speed, "v")[colour][1]) == (
            pytest.approx(first), pytest.approx(first - 0.3)
        )  # fmt: skip


def test_every_load_has_the_look_of_its_legend(report):
    figure = loads_figure(report)
    looks = {
        text.get_text(): to_hex(handle.get_color())
        for legend in figure.legends
        for text, handle in zip(legend.get_texts(), legend.legend_handles, strict=True)
    }
    assert list(looks) == ["50 % of the greatest load", MAXIMAL]
    for condition, ax in panels(figure).items():
        mine = report.curves[report.curves["condition"] == condition.split(",")[0]]
        for lift, label in zip(SHARES, looks, strict=True):
            (line,) = [one for one in ax.lines if to_hex(one.get_color()) == looks[label]]
            assert max(line.get_ydata()) == pytest.approx(
                mine[mine["lift"] == lift]["speed_mps"].max()
            )
    assert len({to_hex(style.condition_style(k)["color"]) for k in range(2)}) == 2
