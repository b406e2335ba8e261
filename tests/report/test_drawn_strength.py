"""Strength as drawn and as printed: each value under its direction, condition and definition."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from tests.drawn import (
    head_of_figure,
    labelled,
    legend,
    line_like,
    lines_like,
    look,
    panels,
    places,
    plain,
    points,
    printed_tables,
    with_hyphens,
)
from tests.planned import CONDITIONS, PEOPLE, TEXT, solved
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.directions import ROWS
from momentshare.limits import LiftKind, Limit, Limits
from momentshare.model import load_model
from momentshare.posture import posture_from_angles
from momentshare.report.figures import strength as report
from momentshare.report.text.strength_opening import bias_table, strength_opening
from momentshare.strength import NetMoment, StrengthTest, joint_strength, study_strength
from momentshare.strength.study import moments_report
from momentshare.study import parse_study

HERE, TESTED, BIAS = "utilisation_here", "utilisation_tested", "test_posture_bias"
STRONGEST, CORRECTED = "greatest_moment_nm", "corrected_utilisation"
DEFINITIONS = {"others braced": "braced", "others balanced at zero": "balanced"}
PLUS_MINUS = {
    "shoulder_internal_rotation": ("shoulder_internal_rotation", "shoulder_external_rotation"),
    "shoulder_elevation": ("shoulder_elevation", "shoulder_lowering"),
    "shoulder_horizontal_adduction": (
        "shoulder_horizontal_adduction",
        "shoulder_horizontal_abduction",
    ),
    "elbow_extension": ("elbow_extension", "elbow_flexion"),
    "forearm_pronation": ("forearm_pronation", "forearm_supination"),
}
LABELS = {
    **{pair[0]: labelled(pair[0]) for pair in PLUS_MINUS.values()},
    "shoulder_external_rotation": "external rotation",
    "shoulder_lowering": "lowering of the arm",
    "shoulder_horizontal_abduction": "horizontal abduction",
    "elbow_flexion": "elbow flexion",
    "forearm_supination": "supination",
}
WORDS_OF = {
    name: label if name in {"shoulder_lowering", "elbow_extension", "elbow_flexion"}
    else f"{name.split('_')[0]} {label}"
    for name, label in LABELS.items()
}  # fmt: skip
SWEPT = {
    "shoulder_internal_rotation": ("axial", "axial rotation, internal + [deg]"),
    "shoulder_elevation": ("elevation", "elevation [deg]"),
    "shoulder_horizontal_adduction": ("plane", "plane of elevation, forward + [deg]"),
    "elbow_extension": ("elbow_flexion", "elbow flexion [deg]"),
    "forearm_pronation": ("forearm_rotation", "forearm rotation, pronation + [deg]"),
}
ADDUCTION = "strength_shoulder_horizontal_adduction"
TEST = StrengthTest(
    plane_deg=30.0, elevation_deg=40.0, axial_deg=-20.0, elbow_flexion_deg=75.0,
    forearm_rotation_deg=80.0,
)  # fmt: skip
WORDS = ["--test-plane-deg", "30", "--test-elevation-deg", "40", "--test-axial-deg", "-20"]
WORDS += ["--test-elbow-deg", "75", "--test-forearm-deg", "80"]


@cache
def found():
    return study_strength(parse_study(TEXT), TEST, frames=7)


@pytest.fixture(scope="module")
def command(tmp_path_factory):
    """Run the command once; what it computes is the report that the figures are drawn from."""
    folder = tmp_path_factory.mktemp("strength")
    (folder / "study.toml").write_text(TEXT, encoding="utf-8")
    given: dict[str, object] = {}

    def known(_, test, **options):
        given.update(options, test=test)
        return found()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("momentshare.strength.study_strength", known)
        words = ["strength", str(folder / "study.toml"), "--out", str(folder / "out"), *WORDS]
        done = CliRunner().invoke(app, [*words, "--no-figures"])
    assert done.exit_code == 0, done.output
    assert given["test"] == TEST
    return done.output, {p.stem: pd.read_csv(p) for p in (folder / "out").glob("*.csv")}


@pytest.fixture(scope="module")
def tables(command):
    return command[1]


def limb_and_lift(person: str, condition: str):
    (case,) = (c for c in solved().cases if (c.person, c.condition) == (person, condition))
    return case.prepared.limb, case.prepared.lift


def test_each_figure_is_written_under_its_own_name(tmp_path, monkeypatch):
    (tmp_path / "study.toml").write_text(TEXT, encoding="utf-8")
    given: dict[str, dict[str, object]] = {}
    monkeypatch.setattr("momentshare.strength.study_strength", lambda *_, **__: found())
    monkeypatch.setattr(
        "momentshare.cli.output.Output.write",
        lambda _, __, what: given.update(figures=what.figures, tables=what.tables),
    )
    words = ["strength", str(tmp_path / "study.toml"), "--out", str(tmp_path / "out"), *WORDS]
    assert CliRunner().invoke(app, words).exit_code == 0
    made = {name: make.func for name, make in given["figures"].items()}
    assert made == {
        "strength_curves": report.curves_figure,
        "utilisation_along_lift": report.utilisation_figure,
        "test_posture_bias": report.bias_figure,
    }
    assert all(make.args[0].along is found().along for make in given["figures"].values())
    assert given["figures"]["utilisation_along_lift"].args[1] == parse_study(TEXT).factors
    tables = given["tables"]
    assert tables.pop("published_rows.csv") is not None
    wanted = {
        "strength_along_lift.csv": found().along,
        "utilisation_along_lift.csv": found().frames,
        "utilisation.csv": found().utilisation,
        "strength_test.csv": found().tests,
        "strength_curves.csv": found().curves,
    }
    assert set(tables) == set(wanted)
    for name, table in wanted.items():
        pd.testing.assert_frame_equal(tables[name][list(table.columns)], table)


# --------------------------------------------------------------- tables


def test_bias_is_strength_in_the_task_over_strength_in_the_test(tables):
    lines = tables["utilisation_along_lift"]
    checked = lines[lines["frame"].isin([1, 4]) & (lines["lateral"] == "zero")]
    for person in PEOPLE:
        limb, _ = limb_and_lift(person, "wide")
        part = checked[(checked["person"] == person) & (checked["condition"] == "wide")]
        for line in part.itertuples():
            lift = limb_and_lift(person, "wide")[1]
            posture = lift.posture[line.frame]
            here = float(joint_strength(limb, posture, line.direction, others=line.others))
            there = float(joint_strength(limb, TEST.posture(), line.direction, others=line.others))
            assert line.greatest_here_nm == pytest.approx(here, rel=1e-5)
            assert line.greatest_test_nm == pytest.approx(there, rel=1e-5)
            assert line.test_posture_bias == pytest.approx(here / there, rel=1e-5)
            assert line.utilisation_here == pytest.approx(abs(line.moment_nm) / here, rel=1e-5)
            assert line.utilisation_tested == pytest.approx(abs(line.moment_nm) / there, rel=1e-5)


def test_moments_are_those_of_the_study_and_their_sign_names_the_direction(tables):
    lines = tables["utilisation_along_lift"]
    for case, result in solved().pairs():
        part = lines[
            (lines["person"] == case.person)
            & (lines["condition"] == case.condition)
            & (lines["lateral"] == result.lateral.mode)
        ]
        for (row, others), own in part.groupby(["row", "others"]):
            wanted = result.moments[:, ROWS.index(row)]
            np.testing.assert_allclose(own["moment_nm"], wanted, rtol=1e-5, atol=1e-6)
            names = [PLUS_MINUS[row][int(value < 0.0)] for value in wanted]
            assert list(own["direction"]) == names
            along = tables["strength_along_lift"]
            along = along[
                (along["person"] == case.person)
                & (along["condition"] == case.condition)
                & (along["others"] == others)
            ].set_index(["direction", "frame"])[STRONGEST]
            table = own.set_index(["direction", "frame"])["greatest_here_nm"]
            np.testing.assert_allclose(table, along.loc[table.index], rtol=1e-6)
            tested = tables["strength_test"]
            tested = tested[(tested["person"] == case.person) & (tested["others"] == others)]
            tested = tested.set_index("direction")[STRONGEST]
            np.testing.assert_allclose(
                own["greatest_test_nm"], tested.loc[own["direction"]], rtol=1e-6
            )


def test_peaks_stand_where_utilisation_is_greatest(tables):
    keys = ["person", "condition", "lateral", "row", "others"]
    peaks = tables["utilisation"].set_index(keys)
    lines = tables["utilisation_along_lift"]
    for key, part in lines.groupby(keys):
        top = part.loc[part[HERE].idxmax()]
        line = peaks.loc[key]
        for name in ("height_fraction", "direction", "moment_nm", HERE, TESTED, BIAS):
            assert line[name] == top[name]
        assert line["mean_utilisation_here"] == pytest.approx(part[HERE].mean(), rel=1e-5)
        assert line["mean_utilisation_tested"] == pytest.approx(part[TESTED].mean(), rel=1e-5)
        assert line["frames_without_strength"] == 0
    assert len(peaks) == lines.groupby(keys).ngroups


def test_curves_sweep_the_angle_of_their_own_joint(tables):
    curves = tables["strength_curves"]
    limb, _ = limb_and_lift("Bram", "wide")
    for row, directions in PLUS_MINUS.items():
        for direction in directions:
            part = curves[(curves["direction"] == direction) & (curves["person"] == "Bram")]
            assert set(part["angle"]) == {SWEPT[row][0]}
            line = part[part["others"] == "braced"].iloc[9]
            angles = TEST.angles() | {SWEPT[row][0]: math.radians(line["angle_deg"])}
            value = float(joint_strength(limb, posture_from_angles(**angles), direction))
            assert line[STRONGEST] == pytest.approx(value, rel=1e-4)


# --------------------------------------------------------------- terminal


def test_printed_means_are_those_of_the_peaks(command):
    output, tables = command
    output = with_hyphens(output)
    assert f"Strength test: {TEST.text()}" in plain(output)
    assert TEST.text().startswith("isometric; elbow 75, elevation 40, plane 30, axial -20, forea")
    (title,) = printed_tables(output)
    assert title == "Utilisation where it is greatest, means over people"
    rows = printed_tables(output)[title]
    table = tables["utilisation"]
    keys = ["condition", "direction", "others"]
    shown = table[(table["lateral"] == "measured") | (table["condition"] == "dumbbells")]
    assert len(rows) == len(shown[keys].drop_duplicates())
    counted = 0
    for cells in rows:
        assert cells["lateral"] == ("zero" if cells["condition"] == "dumbbells" else "measured")
        part = table[table["direction"].map(WORDS_OF) == cells["direction"]]
        for name in ("condition", "lateral", "others"):
            part = part[part[name] == cells[name]]
        counted += len(part)
        for name in (TESTED, BIAS, HERE):
            assert float(cells[name.replace("_", " ")]) == pytest.approx(
                part[name].mean(), abs=0.0051
            )
    assert counted == len(shown.dropna(subset=["direction"]))
    assert (
        "greatest moment in the task's posture over that in the test's; above 1 the test makes the "
        "task look harder than it is" in plain(output)
    )


# --------------------------------------------------------------- limits

LIMITED = Limits(
    (
        Limit(
            key="L7", title="Strength of extension", quantity="strength_elbow_extension",
            claim="order", reason="r",
        ),
        Limit(
            key="L8", title="Adduction in presses", quantity=ADDUCTION, exercises=("bar_press",),
            claim="size", reason="r",
        ),
    )
)  # fmt: skip


def titled(figure):
    """Title with the marks of limits → panel."""
    return {plain(ax.get_title(loc="left")): ax for ax in figure.axes}


KINDS = {"wide": LiftKind("bar_press", 1.8), "dumbbells": LiftKind("dumbbell_press", 1.4)}


def test_cells_of_a_direction_carry_its_limits(command):
    """The shipped limits stand in the tables and below the printed one."""
    output, tables = command
    limits = load_model().limits
    marked = 0
    for name, claims in (
        ("utilisation", ("size", "order")),
        ("strength_test", ("size",)),
        ("strength_curves", ("size",)),
    ):
        table = tables[name]
        for direction, part in table.groupby("direction"):
            rows = [r for c in claims for r in limits.at(f"strength_{direction}", claim=c)]
            wanted = " ".join(dict.fromkeys(row.key for row in rows))
            assert set(part["limit"].fillna("")) == {wanted}
            marked += bool(wanted)
    assert marked
    (rows,) = printed_tables(output).values()
    shown = {key for cells in rows for key in cells["limit"].split()}
    assert shown
    assert all(f"{key}: {limits.of(key)[0].title}" in plain(output) for key in shown)


def test_a_comparison_of_postures_is_hatched_where_a_limit_concerns_it():
    figure = report.bias_figure(found(), LIMITED, KINDS)
    hatched = {
        title: {round(p.get_y() + 0.5) for p in ax.patches if p.get_hatch()}
        for title, ax in titled(figure).items()
    }
    conditions = list(dict.fromkeys(found().frames["condition"]))
    extended = found().utilisation
    extended = extended[(extended["direction"] == "elbow_extension") & extended[BIAS].notna()]
    wanted = {conditions.index(name) for name in extended["condition"]}
    (own,) = [rows for title, rows in hatched.items() if "L7" in title]
    assert own == wanted
    (own,) = [rows for title, rows in hatched.items() if "L8" in title]  # a strength is half of it
    assert own <= {conditions.index("wide"), conditions.index("narrow")}
    assert own
    assert all(not rows for title, rows in hatched.items() if "L" not in title)
    note = head_of_figure(figure)
    assert "Strength of extension (L7)" in note
    assert "Adduction in presses (L8)" in note
    assert "Such rows are hatched." in note
    assert "Not supported" not in head_of_figure(report.bias_figure(found()))


def test_a_moment_is_marked_in_its_panel():
    curves = report.curves_figure(found(), LIMITED)
    marked = [title for title in titled(curves) if "L8" in title or "L7" in title]
    assert marked == ["shoulder horizontal adduction L8", "elbow extension L7"]
    for title, ax in titled(curves).items():
        assert any(p.get_hatch() for p in ax.patches) == (title in marked)
    along = report.utilisation_figure(found(), None, LIMITED, KINDS)
    shown = [title for title in titled(along) if "L8" in title]
    assert shown
    for title, ax in titled(along).items():
        assert any(p.get_hatch() for p in ax.patches) == ("L8" in title)
    assert "Such stretches are hatched." in head_of_figure(along)
    assert all("horizontal adduction" in title for title in shown)
    assert not any("L7" in title for title in titled(along))  # nothing is compared
    assert "Adduction in presses (L8)" in head_of_figure(along)


def test_axes_of_utilisation_begin_at_nothing():
    for ax in report.utilisation_figure(found()).axes:
        assert ax.get_ylim()[0] == 0.0


def test_a_limited_bias_is_no_finding():
    table = found().utilisation
    free = bias_table(table)
    limited = bias_table(table, LIMITED, KINDS)
    beyond = limited["verdict"] == "beyond the limb"
    # An order of extension; a strength of adduction, which is half of the bias, in bar presses.
    adducts = (limited["direction"] == ADDUCTION.removeprefix("strength_")) & (
        limited["condition"] != "dumbbells"
    )
    extends = limited["direction"] == "elbow_extension"
    assert beyond.tolist() == (extends | adducts).tolist()
    assert adducts.any()
    assert extends.any()
    pd.testing.assert_frame_equal(free[~beyond], limited[~beyond])
    said = strength_opening(table, pd.DataFrame(), (), LIMITED, KINDS)
    assert (
        f"{beyond.sum()} pairs lie beyond what this limb supports (L7, L8; see Limits)"
        in said.unsaid
    )
    assert "elbow extension" not in said.firm + said.turns
    counts = limited["verdict"].value_counts()
    assert f"makes {counts.get('harder', 0) or 'none'} look harder" in said.firm


# --------------------------------------------------------------- figures


def test_curves_are_drawn_under_their_direction_and_definition(tables):
    figure = report.curves_figure(found())
    keys = legend(figure)
    curves = tables["strength_curves"]
    assert set(panels(figure)) == {WORDS_OF[d] for pair in PLUS_MINUS.values() for d in pair}
    for row, directions in PLUS_MINUS.items():
        for direction in directions:
            ax = panels(figure)[WORDS_OF[direction]]
            assert plain(ax.get_xlabel()) == SWEPT[row][1]
            assert plain(ax.get_ylabel()) == "greatest moment [N·m]"
            part = curves[curves["direction"] == direction]
            for label, others in DEFINITIONS.items():
                wide = part[part["others"] == others].groupby("angle_deg")[STRONGEST]
                wanted = wide.mean()
                drawn = points(line_like(ax, keys[label]))
                np.testing.assert_allclose(drawn[:, 0], wanted.index, rtol=1e-5, atol=1e-5)
                np.testing.assert_allclose(drawn[:, 1], wanted, rtol=1e-5, atol=1e-4)
                if others == "braced":
                    (band,) = ax.collections
                    corners = band.get_paths()[0].vertices
                    for edge in (wide.min(), wide.max()):
                        for at, value in edge.items():
                            assert np.abs(corners - (at, value)).max(axis=1).min() < 1e-3
            (test,) = lines_like(ax, keys["angle of the strength test"])
            tested = math.degrees(TEST.angles()[SWEPT[row][0]])
            assert test.get_xdata()[0] == pytest.approx(tested)
    band = keys["range over people, others braced"].get_facecolor()
    assert to_hex(band) == to_hex(ax.collections[0].get_facecolor()[0])
    assert TEST.text() in head_of_figure(figure)


def test_a_curve_is_broken_where_no_strength_is_known():
    report_ = found()
    curves = report_.curves.copy()
    own = (curves["direction"] == "elbow_extension") & (curves["others"] == "braced")
    angles = np.sort(curves.loc[own, "angle_deg"].unique())
    curves.loc[own & curves["angle_deg"].isin(angles[10:12]), STRONGEST] = np.nan
    figure = report.curves_figure(replace(report_, curves=curves))
    line = line_like(panels(figure)["elbow extension"], legend(figure)["others braced"])
    gap = np.isnan(points(line)[:, 1])
    assert list(np.flatnonzero(gap)) == [10, 11]
    assert len(gap) == len(angles)


def test_utilisation_along_the_lift_is_that_of_its_row_and_condition(tables):
    figure = report.utilisation_figure(found())
    keys, lines = legend(figure), tables["utilisation_along_lift"]
    assert "lateral force measured" in head_of_figure(figure)
    assert set(keys) == set(CONDITIONS)
    seen = 0
    for title, ax in panels(figure).items():
        directions, meaning = title.split(", ", 1)
        own = lines[lines["others"] == DEFINITIONS[meaning]]
        part = own[own["row"] == row_called(own, directions)]
        for condition in CONDITIONS:
            mode = "zero" if condition == "dumbbells" else "measured"
            own = part[(part["condition"] == condition) & (part["lateral"] == mode)]
            wanted = 100 * own.groupby("height_fraction")[HERE].mean()
            drawn = points(line_like(ax, keys[condition]))
            np.testing.assert_allclose(drawn[:, 0], 100 * wanted.index, rtol=1e-5, atol=1e-4)
            np.testing.assert_allclose(drawn[:, 1], wanted, rtol=1e-5)
            seen += 1
    assert seen == 4 * 2 * 3
    labels = {plain(ax.get_ylabel()) for ax in figure.axes} - {""}
    assert labels == {"utilisation here [%]"}


def test_bias_is_drawn_for_its_row_condition_and_definition(tables):
    figure = report.bias_figure(found())
    keys, table = legend(figure), tables["utilisation"]
    names = places(figure.axes[0].yaxis)
    assert set(names) == set(CONDITIONS)
    heading = head_of_figure(figure)
    ranges = tables["utilisation"].groupby(["condition", "direction"])["test_posture_bias"]
    low, high = ranges.min().dropna(), ranges.max().dropna()
    harder, easier = int((low > 1.0).sum()), int((high < 1.0).sum())
    assert harder + easier > 0
    assert heading.startswith(
        f"The test makes {harder} of {len(low)} pairs of condition and direction look harder and "
        f"{easier} easier, throughout"
    )
    assert "Greatest moment in the posture of the task over that in the test".lower() in (
        heading.lower()
    )
    for title, ax in panels(figure).items():
        for label, others in DEFINITIONS.items():
            key = keys[f"{label}, mean"]
            means = [line for line in lines_like(ax, key) if line.get_markersize() == 5]
            assert len(means) == len(CONDITIONS)
            for line in means:
                (x,), (at,) = line.get_data()
                (condition,) = [c for c, place in names.items() if abs(place - at) < 0.3]
                own = peaks_of(table, title, condition, others)
                assert x == pytest.approx(own.mean(), rel=1e-5)
                small = [
                    other
                    for other in ax.lines
                    if len(other.get_xdata()) == len(PEOPLE) and set(other.get_ydata()) == {at}
                ]
                (people,) = small
                assert sorted(people.get_xdata()) == pytest.approx(sorted(own), rel=1e-5)
        assert plain(ax.get_xlabel()) == "test-posture bias [1]"


def row_called(table: pd.DataFrame, directions: str) -> str:
    """Row of a panel that is called by the directions in which the row is loaded."""
    loaded = table[(table[HERE] > 0.0) & table["lateral"].isin(["measured", "zero"])]
    shown = loaded[(loaded["lateral"] == "measured") | (loaded["condition"] == "dumbbells")]
    (row,) = (
        row
        for row, part in shown.groupby("row")
        if {LABELS[d] for d in part["direction"]} == set(directions.split(" or "))
    )
    return str(row)


def peaks_of(table: pd.DataFrame, directions: str, condition: str, others: str) -> pd.Series:
    mode = "zero" if condition == "dumbbells" else "measured"
    return table[
        (table["row"] == row_called(table, directions))
        & (table["condition"] == condition)
        & (table["lateral"] == mode)
        & (table["others"] == others)
    ][BIAS]


MOMENTS = [
    NetMoment(condition="wide", row="elbow_extension", moment=20.0, sd=3.0, measured=45.0,
              height_fraction=0.4),
    NetMoment(condition="wide", row="shoulder_horizontal_adduction", moment=-15.0, sd=2.0,
              angles={"elevation": 1.2, "elbow_flexion": 1.0, "forearm_rotation": 1.5}),
    NetMoment(condition="narrow", row="elbow_extension", moment=25.0, measured=40.0,
              height_fraction=0.2),
]  # fmt: skip


@cache
def corrected():
    return moments_report(parse_study(TEXT), MOMENTS, TEST)


def test_a_correction_divides_by_the_bias():
    table = corrected()
    assert len(table) == len(MOMENTS) * len(PEOPLE) * 2
    for line in table.itertuples():
        (item,) = [m for m in MOMENTS if (m.condition, m.row) == (line.condition, line.row)]
        bias = line.greatest_here_nm / line.greatest_test_nm
        assert line.test_posture_bias == pytest.approx(bias)
        assert line.direction == PLUS_MINUS[item.row][int(item.moment < 0.0)]
        measured = line.greatest_test_nm if item.measured is None else item.measured
        wanted = abs(item.moment) / measured / bias
        assert line.corrected_utilisation == pytest.approx(wanted)
        if item.sd is not None:
            assert line.corrected_utilisation_sd == pytest.approx(item.sd / measured / bias)
        limb, lift = limb_and_lift(line.person, line.condition)
        if item.height_fraction is None:
            here = joint_strength(
                limb, posture_from_angles(**item.angles), line.direction, others=line.others
            )
            assert line.greatest_here_nm == pytest.approx(float(here))
        else:
            heights = np.linspace(0.0, 1.0, len(lift.fraction))
            near = joint_strength(limb, lift.posture, line.direction, others=line.others)
            wanted = np.interp(item.height_fraction, heights, near)
            # Strength bends between the few frames of the study; a height is met within 5 %.
            assert line.greatest_here_nm == pytest.approx(wanted, rel=0.05)


def test_utilisation_before_and_after_the_correction_is_drawn_in_its_place():
    table = corrected()
    figure = report.corrected_figure(table)
    (ax,) = figure.axes
    keys, names = legend(figure), places(ax.yaxis)
    braced = table[table["others"] == "braced"]
    assert set(names) == {
        f"{c}: {WORDS_OF[d]}" for c, d in zip(braced["condition"], braced["direction"], strict=True)
    }
    boxes = {}
    for box in ax.containers:
        for label, key in keys.items():
            if look(box.lines[0]) == look(key):
                boxes.setdefault(label, []).append(box)
    for name, place in names.items():
        condition, direction = name.split(": ")
        part = braced[
            (braced["condition"] == condition) & (braced["direction"].map(WORDS_OF) == direction)
        ]
        before, after = part["utilisation_of_measured"].fillna(part[TESTED]), part[CORRECTED]
        for label, values, spread in (
            ("by the test posture", before, 0 * before),
            (
                "corrected to the task",
                after,
                part["corrected_utilisation_sd"].fillna(0),
            ),
        ):
            (box,) = [b for b in boxes[label] if abs(b.lines[0].get_ydata()[0] - place) < 0.3]
            np.testing.assert_allclose(np.asarray(box.lines[0].get_xdata(), float), 100 * values)
            for stroke, value, sd in zip(
                box.lines[2][0].get_segments(), values, spread, strict=True
            ):
                ends = stroke[:, 0]
                np.testing.assert_allclose(ends, [100 * (value - sd), 100 * (value + sd)])
    (full,) = [line for line in ax.lines if set(line.get_xdata()) == {100.0}]
    assert full.get_visible()
    assert plain(ax.get_xlabel()).startswith("utilisation [%], other rows braced")


def test_given_moments_are_printed_as_the_table_has_them(tmp_path):
    (tmp_path / "study.toml").write_text(TEXT, encoding="utf-8")
    (tmp_path / "m.csv").write_text(
        "condition,row,moment_nm,measured_nm,height_fraction\nwide,elbow_extension,-20,45,0.4\n",
        encoding="utf-8",
    )
    words = ["strength", str(tmp_path / "study.toml"), "--moments", str(tmp_path / "m.csv")]
    done = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "out"), "--no-figures"])
    assert done.exit_code == 0, done.output
    table = pd.read_csv(tmp_path / "out" / "corrected_utilisation.csv")
    ((title, rows),) = printed_tables(done.output).items()
    assert title == "Utilisation by the test's posture, and corrected to the task's"
    for cells, (_, line) in zip(rows, table.iterrows(), strict=True):
        for name in ("person", "condition", "others"):
            assert cells[name] == line[name]
        assert cells["direction"] == WORDS_OF[line["direction"]]
        for name in ("moment_nm", TESTED, BIAS, CORRECTED):
            # A moment is printed beside its direction, so its size needs no sign.
            wanted = abs(line[name]) if name == "moment_nm" else line[name]
            assert float(cells[name.replace("_", " ")]) == pytest.approx(
                wanted, rel=6e-3, abs=0.0051
            )
        assert line["direction"] == "elbow_flexion"
