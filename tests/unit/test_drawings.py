"""Figures are the same whoever draws them, and a fault of another process is seen here."""

import threading
import time
from functools import partial

import pytest

from momentshare import run_study
from momentshare.demo import small_study
from momentshare.files import Writer
from momentshare.report.figures.arm.drawing import draw_arm
from momentshare.report.figures.study import study_drawings, write
from momentshare.report.writing.drawings import drawing_processes, drawn_ahead, write_drawings
from momentshare.report.writing.study_figures import figures_ahead

CHOSEN = ("activation_by_head", "greatest_load", "arm_wide")


@pytest.fixture(scope="module")
def drawings():
    made, shown = study_drawings(run_study(small_study(), band=False), "figures/")
    return {f"figures/{name}": made[f"figures/{name}"] for name in CHOSEN}, shown


def written(folder):
    return {p.name: p.read_bytes() for p in sorted((folder / "figures").iterdir())}


def test_figures_are_the_same_whoever_draws_them(drawings, tmp_path):
    made, shown = drawings
    alone = Writer(tmp_path / "alone")
    write_drawings(alone, made, shown)
    wanted = written(tmp_path / "alone")
    assert sorted(wanted) == sorted(f"{n}.{e}" for n in CHOSEN for e in ("png", "svg"))
    for processes in (0, 1):
        folder = tmp_path / str(processes)
        writer = Writer(folder)
        with (
            drawing_processes(processes) as helpers,
            drawn_ahead(made, shown, helpers=helpers) as ahead,
        ):
            while processes and len(ahead.shared.left) == len(made):  # until the other has begun
                time.sleep(0.02)
            ahead.write(writer)
        assert written(folder) == wanted
        assert writer.names == alone.names  # in order, whoever was first


def test_arms_that_are_begun_before_the_rest_are_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(write, "FIGURES", {"lateral_force": write.FIGURES["lateral_force"]})
    study = run_study(small_study(), band=False)
    found = []
    for processes in (0, 1):
        writer = Writer(tmp_path / str(processes))
        with drawing_processes(processes) as helpers, figures_ahead(helpers) as ahead:
            if processes:
                ahead.begin_arms(study)
            ahead.begin(study)
            ahead.write(writer)
        found.append((writer.names, written(writer.folder)))
    assert found[0] == found[1]
    arms = ("narrow", "wide", "along_lift", "side_by_side")
    wanted = ["figures/lateral_force", *(f"figures/arm_{name}" for name in arms)]
    assert found[0][0] == tuple(f"{name}.{ending}" for name in wanted for ending in ("png", "svg"))


def test_a_fault_of_another_process_is_raised_where_figures_are_wanted(drawings, tmp_path):
    made, shown = drawings
    wrong = {"wrong": partial(draw_arm, None, title="", note="", scale=1.0), **made}
    with (
        pytest.raises(AttributeError, match="NoneType"),
        drawing_processes(1) as helpers,
        drawn_ahead(wrong, shown, helpers=helpers) as ahead,
    ):
        ahead.write(Writer(tmp_path))


def test_drawings_that_are_not_wanted_after_all_end_with_the_block(drawings):
    made, shown = drawings
    with (
        pytest.raises(ValueError, match="given up"),
        drawing_processes(1) as helpers,
        drawn_ahead(made, shown, helpers=helpers),
    ):
        raise ValueError("given up")


def test_processes_that_get_nothing_to_draw_end_with_the_block():
    before = threading.active_count()
    with drawing_processes(1):
        assert threading.active_count() > before
    assert threading.active_count() == before
