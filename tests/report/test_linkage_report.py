"""The page of a limb of one's own, its figures and its sentences hold what its tables hold."""

from __future__ import annotations

import functools
import json
import re
from dataclasses import replace
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from tests.drawn import panels, plain, points
from tests.report.page_reader import PageReader
from typer.testing import CliRunner

from momentshare import Criterion, EndLoad, load_linkage, solve_linkage
from momentshare.cli.main import app
from momentshare.errors import InputError
from momentshare.linkage.solve import shared_again
from momentshare.report.figures import style
from momentshare.report.figures.linkage import activation_figure, moment_figure
from momentshare.report.text.linkage_opening import (
    WORKING,
    criteria_table,
    linkage_opening,
    linkage_title,
    order_table,
)
from momentshare.text import head_label, head_phrase

TIME = np.arange(21) / 20.0
ANGLES = {
    "elbow_flexion": np.radians(75.0 - 55.0 * np.cos(np.pi * TIME)),
    "shoulder_flexion": np.radians(20.0 * TIME),
}


@functools.cache
def solved(mass=5.0, exponent=2.0, weights="area"):
    return solve_linkage(
        load_linkage("textbook_arm"),
        ANGLES,
        rate=20.0,
        loads=EndLoad(mass=mass),
        criterion=Criterion(exponent=exponent, weights=weights),
    )


@functools.cache
def criteria():
    return criteria_table(solved(), Criterion())


def means(exponent, weights):
    """Mean activation by head, solved from the start by this criterion."""
    found = solved(exponent=exponent, weights=weights)
    mean = found.activation.mean(axis=0)
    return dict(zip(found.linkage.head_names, mean, strict=True))


def test_other_criteria_are_those_of_a_fresh_solution():
    table = criteria()
    assert table["criterion"].nunique() == 9
    for exponent in (2.0, 3.0, 5.0):
        for weights, words in (
            ("area", "weights by area"), ("volume", "weights by volume"), ("none", "no weights"),
        ):  # fmt: skip
            own = table[table["criterion"] == f"p = {exponent:g}, {words}"]
            assert own["in_force"].all() == (exponent == 2.0 and weights == "area")
            wanted = means(exponent, weights)
            got = dict(zip(own["head"], own["mean_activation"], strict=True))
            assert got == pytest.approx(wanted, abs=1e-6)


def test_statements_count_orders_from_fresh_solutions():
    every = [means(p, w) for w in ("area", "volume", "none") for p in (2.0, 3.0, 5.0)]
    own = every[0]
    working = [h for h in own if own[h] >= WORKING]
    firm, turning = [], []
    for one, two in combinations(working, 2):
        high, low = (one, two) if own[one] >= own[two] else (two, one)
        assert own[high] - own[low] >= 0.01  # none is close here
        holds = all(m[high] > m[low] for m in every)
        (firm if holds else turning).append((own[high] - own[low], high, low))
    assert firm
    assert turning
    said = linkage_opening(solved(), criteria())
    total = len(firm) + len(turning)
    assert f"{len(firm)} of {total} orders" in said.firm
    assert "all 9 criteria" in said.firm
    gap, high, low = max(firm)
    widest = f"{head_phrase(high)} works above {head_phrase(low)} by {round(100 * gap)} points"
    assert widest in said.firm
    assert widest in linkage_title(criteria())
    gap, high, low = max(turning)
    assert f"{head_phrase(high)} works above {head_phrase(low)}" in said.turns
    reversing = sum(m[high] <= m[low] for m in every)
    assert f"by {reversing} of them" in said.turns
    kinds = solved().linkage.kinds()
    assert f"Of {sum(kinds.values())} numbers of the limb, {kinds['assumed']} are" in said.unsaid


def test_frames_that_fall_short_carry_no_order():
    heavy = solved(mass=8.0)
    short = int((heavy.status == "shortfall").sum())
    assert 0 < short < 21
    table = criteria_table(heavy, Criterion())
    met = heavy.status == "solved"
    own = table[table["in_force"]]
    assert own["mean_activation"].to_numpy() == pytest.approx(heavy.activation[met].mean(axis=0))
    said = linkage_opening(heavy, table)
    assert f"In {short} of 21 frames the heads cannot supply the moments." in said.unsaid


def test_an_answer_without_any_order_says_so():
    hopeless = solved(mass=60.0)
    assert (hopeless.status == "shortfall").all()
    table = criteria_table(hopeless, Criterion())
    assert order_table(table).empty
    said = linkage_opening(hopeless, table)
    assert said.word == "Answer"
    assert "no frame whose moments the heads can supply" in said.firm
    assert linkage_title(table) == ""


def test_criteria_that_need_sizes_are_left_out_where_there_are_none():
    result = solved()
    without = replace(
        result, fibres=replace(result.fibres, volume=np.zeros_like(result.fibres.volume))
    )
    with pytest.raises(InputError, match="weights by volume"):
        shared_again(without, Criterion(weights="volume"))
    names = set(criteria_table(without, Criterion())["criterion"])
    assert len(names) == 6
    assert not any("volume" in name for name in names)


def test_curves_are_those_of_the_tables():
    result = solved()
    with mpl.rc_context(style.settings()):
        heads, rows = activation_figure(result), moment_figure(result)
    table = result.head_table()
    shown = panels(heads)
    peaks = table.groupby("head")["activation"].max()
    assert set(shown) == {head_label(h) for h in peaks.index[peaks >= WORKING]}
    for head in peaks.index[peaks >= WORKING]:
        (line,) = [x for x in shown[head_label(head)].lines if len(x.get_xdata()) == 21]
        own = table[table["head"] == head]
        np.testing.assert_allclose(
            points(line), np.column_stack([own["time_s"], 100.0 * own["activation"]])
        )
    table, shown = result.row_table(), panels(rows)
    for row in result.linkage.row_names:
        (line,) = [x for x in shown[row.replace("_", " ")].lines if len(x.get_xdata()) == 21]
        own = table[table["row"] == row]
        np.testing.assert_allclose(points(line)[:, 1], own["moment_nm"])


def test_frames_that_fall_short_are_shaded_and_counted():
    heavy = solved(mass=8.0)
    short = heavy.status == "shortfall"
    assert 0 < short.sum() < 21
    with mpl.rc_context(style.settings()):
        made = activation_figure(heavy), moment_figure(heavy), activation_figure(solved())
    for figure in made[:2]:
        assert f"In {short.sum()} of them, shaded," in plain(figure.texts[1].get_text())
        for ax in panels(figure).values():
            spans = [p.get_extents().transformed(ax.transData.inverted()).intervalx
                     for p in ax.patches if p.get_gid() == "shortfall"]  # fmt: skip
            inside = [any(a < t < b for a, b in spans) for t in TIME]
            assert inside == list(short)
    assert "shaded" not in plain(made[2].texts[1].get_text())
    assert not any(p.get_gid() == "shortfall" for ax in made[2].axes for p in ax.patches)


def test_the_command_writes_the_page_and_says_the_same(tmp_path):
    columns = {f"{name}_deg": np.degrees(a) for name, a in ANGLES.items()}
    place = tmp_path / "curl.csv"
    pd.DataFrame({"time_s": TIME, **columns}).to_csv(place, index=False)
    words = ["limb", "textbook_arm", "--angles", str(place), "--mass", "5"]
    done = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    out = tmp_path / "out"
    page = PageReader((out / "report.html").read_text("utf-8"))
    said = linkage_opening(solved(), criteria())
    for text in (said.firm, said.turns, said.unsaid):
        assert plain(text) in plain(done.output)
        assert plain(text) in plain(page.text("In short"))
    assert len(page.pictures) == 2
    stored = pd.read_csv(out / "limb_criteria.csv")
    shown = page.table("Mean activation by the criterion in force")
    for row in shown.records():
        own = stored[stored["head"].map(head_label) == row["head"]]
        for name, part in own.groupby("criterion"):
            assert float(row[name]) == pytest.approx(part["mean_activation"].iloc[0], abs=0.0051)
    unmet = page.table("Net moments. All frames").column("most unmet [N·m]")
    assert all(re.fullmatch(r"\d+\.\d\d", cell) for cell in unmet)
    record = json.loads((out / "limb.json").read_text("utf-8"))
    assert all((out / name).is_file() for name in record["files"])
    assert "report.html" in record["files"]
