"""The band of the posture rule: what is moved, how far, and that it is solved as it says."""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.planned import TEXT

from momentshare.exercise import (
    BenchPress,
    OverheadPress,
    Profile,
    PushUp,
    lying_elbow_extension,
)
from momentshare.exercise.rule import LOCKOUT, SIGNS, TILT, TOUCH, TUCK, posture_rules, ruled
from momentshare.reading import (
    BAND_COLUMNS,
    HEADS_COLUMNS,
    condition_table,
    head_table,
    head_table_by_person,
    ordering_table,
)
from momentshare.report.figures.study import lateral_range
from momentshare.report.text.posture_band import band_note, band_sentences
from momentshare.runs import solve_setup
from momentshare.study import parse_study, plan_study, run_study

WIDTH = Profile.constant(0.6)
PATH = TEXT.replace("tuck_deg = [[0, 60], [1, 82]]\nforearm_tilt_deg = [[0, 7], [1, -6]]\n", "")


def test_edges_and_corners():
    assert SIGNS[1] == ((1,), (-1,))
    assert len(SIGNS[2]) == 4 + 4
    assert len(SIGNS[3]) == 6 + 8
    for count, signs in SIGNS.items():
        assert len(set(signs)) == len(signs)
        assert all(len(way) == count and any(way) for way in signs if count)


@pytest.mark.parametrize(
    ("exercise", "moved"),
    [
        (
            BenchPress(load_mass=1.0, spacing=WIDTH, tuck=WIDTH),
            lambda x: (x.tuck.points[0][1] - 0.6, x.tilt.points[0][1]),
        ),
        (
            OverheadPress(load_mass=1.0, spacing=WIDTH, plane=WIDTH, tilt=WIDTH),
            lambda x: (x.plane.points[0][1] - 0.6, x.tilt.points[0][1] - 0.6),
        ),
        (
            PushUp(spacing=WIDTH, tuck=WIDTH, tilt=WIDTH),
            lambda x: (x.tuck.points[0][1] - 0.6, x.tilt.points[0][1] - 0.6),
        ),
    ],
)
def test_angles_are_moved_all_along(exercise, moved):
    rules = posture_rules(exercise)[:2]
    out = ruled(exercise, rules, (1, -1))
    np.testing.assert_allclose(moved(out), (TUCK, -TILT), atol=1e-12)
    assert ruled(exercise, rules, (0, 0)) is exercise


def test_a_bar_path_moves_touch_point_and_lockout():
    press = BenchPress(load_mass=1.0, spacing=WIDTH)
    rules = posture_rules(press)[:2]
    out = ruled(press, rules, (-1, 1))
    assert out.path.touch_shift == pytest.approx(-TOUCH)
    assert out.path.lockout == pytest.approx(LOCKOUT)
    assert [rule.name for rule in rules] == ["touch point ±4 cm", "bar at lock-out ±3 cm"]


def test_a_guided_arm_moves_its_plane_and_elevation():
    arm = lying_elbow_extension(10.0)
    out = ruled(arm, posture_rules(arm)[:2], (1, 1))
    assert out.elevation.points[0][1] - arm.elevation.points[0][1] == pytest.approx(TUCK)
    assert posture_rules(object()) == ()


@pytest.fixture(scope="module")
def banded():
    return run_study(parse_study(PATH))


def test_each_variation_is_a_solve_of_its_own(banded):
    """Against each moved setup solved alone."""
    plan = plan_study(parse_study(PATH))
    for k in (0, 2, 5):
        tasks = []
        for task in plan.setup.tasks:
            rules = posture_rules(task.exercise, plan.model.quantities)
            signs = SIGNS[len(rules)][k]
            tasks.append(replace(task, exercise=ruled(task.exercise, rules, signs)))
        alone = solve_setup(replace(plan.setup, tasks=tuple(tasks)))
        for case, result in alone.pairs():
            varied = banded.band.posture[case.person, case.condition, result.lateral.mode]
            good = case.prepared.lift.reachable
            if not good.all():
                assert np.isnan(varied.activation[k + 1]).all()
                continue
            np.testing.assert_allclose(
                varied.activation[k + 1], result.activation.mean(axis=0), atol=1e-8
            )
            np.testing.assert_allclose(varied.load[k + 1], result.greatest.factor.min(), rtol=1e-8)


def test_tables_hold_the_range_about_the_result(banded):
    heads, own = head_table(banded), head_table_by_person(banded)
    assert tuple(heads.columns) == (*HEADS_COLUMNS, *BAND_COLUMNS)
    low, high = heads["mean_activation_posture_low"], heads["mean_activation_posture_high"]
    assert (low <= heads["mean_activation_mean"] + 1e-12).all()
    assert (high >= heads["mean_activation_mean"] - 1e-12).all()
    assert (high - low).max() > 0.01
    assert (own["mean_force_n_posture_low"] <= own["mean_force_n"] + 1e-9).all()
    free = heads[heads["condition"] == "dumbbells"]
    assert free["mean_activation_couples_low"].isna().all()
    bars = heads[heads["condition"] != "dumbbells"]
    assert bars["mean_activation_couples_low"].notna().all()
    loads = condition_table(banded)
    assert (loads["greatest_load_kg_posture_low"] <= loads["greatest_load_kg"] + 1e-9).all()
    assert (loads["greatest_load_kg_posture_high"] >= loads["greatest_load_kg"] - 1e-9).all()
    assert (loads["postures_varied"] > 0).all()


def test_the_mean_over_people_is_taken_before_the_range(banded):
    heads = head_table(banded).set_index(["condition", "lateral", "head"])
    key = ("wide", "zero", "triceps_brachii/lateral")
    at = banded.model.head_names.index(key[2])
    each = [banded.band.posture[p, "wide", "zero"].activation[:, at] for p in ("Edda", "Bram")]
    mean = np.mean(each, axis=0)
    assert heads.loc[key, "mean_activation_posture_low"] == pytest.approx(np.nanmin(mean))
    assert heads.loc[key, "mean_activation_posture_high"] == pytest.approx(np.nanmax(mean))


def test_an_order_that_turns_is_told(banded):
    table = ordering_table(banded)
    posture = banded.band.posture
    row = table[(table["lateral"] == "zero") & table["turns_with_posture"].astype(bool)].iloc[0]
    at = banded.model.head_names.index(row["head"])
    mean = [
        np.mean([posture[p, row[c], "zero"].activation[:, at] for p in ("Edda", "Bram")], axis=0)
        for c in ("condition", "other")
    ]
    assert (mean[0] < mean[1]).any()
    assert mean[0][0] >= mean[1][0]


def test_words_and_figure(banded):
    texts = band_sentences(banded)
    assert len(texts) == 2
    assert "touch point ±4 cm" in texts[0]
    assert "of two conditions within a head" in " ".join(texts[0].split())
    figure = lateral_range(banded)
    lines = [" ".join(text.get_text().split()) for text in figure.texts]
    assert any("range over the posture rule" in line for line in lines)


def test_without_a_band_nothing_is_said():
    plain = run_study(parse_study(PATH), band=False)
    assert plain.band is None
    assert tuple(head_table(plain).columns) == HEADS_COLUMNS
    assert "turns_with_posture" not in ordering_table(plain)
    assert band_sentences(plain) == []
    assert band_note(plain) == ""


def test_the_command_leaves_it_out_when_asked(tmp_path):
    from typer.testing import CliRunner

    from momentshare.cli.main import app

    place = tmp_path / "study.toml"
    place.write_text(PATH, encoding="utf-8")
    one = ["compare", str(place), "--person", "Edda", "--condition", "wide", "--no-figures"]
    for more, there in ((["--no-band"], False), ([], True)):
        out = tmp_path / str(there)
        run = CliRunner().invoke(app, [*one, "--out", str(out), *more])
        assert run.exit_code == 0, run.output
        assert ("band of the posture rule" in " ".join(run.output.split())) is there
        head = (out / "heads.csv").read_text("utf-8").splitlines()[0]
        assert ("posture_low" in head) is there
        assert json.loads((out / "run.json").read_text("utf-8"))["files"]
