"""A run gives the same answer however it is cut, spread over workers, stopped and resumed."""

import os
import signal

import numpy as np
import pyarrow.parquet as pq
import pytest
from tests.absent import hide

from momentshare import reading
from momentshare.errors import InputError, MissingExtraError
from momentshare.study import parse_study, run_study
from momentshare.uncertainty import UncertaintyPlan, build_layout, run_uncertainty
from momentshare.uncertainty.chunks import random_normals, solve
from momentshare.uncertainty.plan import CHUNK
from momentshare.uncertainty.run import chunk_path
from momentshare.uncertainty.spreads import Spreads

STUDY = """
title = "Two presses"
[settings]
frames = 5
lateral = ["measured", "free"]
scapula_shift_deg = { upward = 4 }
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.5
tuck_deg = 65
load_kg = 25
lateral_ratio = 0.1
lateral_bounds = [-0.3, 0.3]
duration_s = 1.4
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
load_kg = 20
"""


@pytest.fixture(scope="module")
def study():
    return parse_study(STUDY)


def plan_of(study, **changes):
    given = {"draws": 2 * CHUNK + 4, "frames": 5, "trajectories": 0, "sobol": 0}
    return UncertaintyPlan(study=study, **(given | changes))


def same(one, two):
    for name in ("intervals", "condition_order", "head_order", "failures"):
        assert getattr(one, name).equals(getattr(two, name)), name


def chunk_files(folder):
    return {p.name: p.read_bytes() for p in sorted((folder / "chunks").iterdir())}


@pytest.fixture(scope="module")
def whole(study, tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole") / "run"
    return folder, run_uncertainty(plan_of(study), folder, workers=1)


@pytest.mark.parametrize("frames", [1, 12, 10**6])
def test_no_digit_depends_on_how_many_frames_are_solved_at_a_time(study, monkeypatch, frames):
    layout = build_layout(plan_of(study).setup(), Spreads())
    normals = random_normals(5, 0, 3, len(layout))
    usual = solve(layout, ("study",), normals)
    monkeypatch.setattr("momentshare.uncertainty.chunks._FRAMES", frames)
    assert solve(layout, ("study",), normals).equals(usual)


@pytest.mark.parametrize("scapula", ["", "pressing"])
def test_the_central_draw_is_the_study_itself(study, scapula):
    if scapula:
        # A girdle that is held, beside the one that moves with the arm.
        study = parse_study(STUDY.replace("frames = 5", f'frames = 5\nscapula = "{scapula}"'))
    plan = plan_of(study)
    layout = build_layout(plan.setup(), plan.spreads)
    table = solve(layout, plan.criteria, np.zeros((1, len(layout)))).to_pandas()
    nominal = reading.head_table_by_person(run_study(study))
    for line in table.itertuples(index=False):
        part = nominal[
            (nominal["condition"] == line.condition) & (nominal["lateral"] == line.lateral)
        ]
        got = table[(table["condition"] == line.condition) & (table["lateral"] == line.lateral)]
        for column in ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n"):
            found = got[[f"{column}:{h}" for h in part["head"]]].to_numpy()[0]
            np.testing.assert_allclose(found, part[column], rtol=1e-5, atol=1e-6)
    assert len(table) == 3


def test_draws_solved_together_equal_draws_solved_alone(study):
    plan = plan_of(study)
    layout = build_layout(plan.setup(), plan.spreads)
    z = random_normals(9, 0, 4, len(layout))
    together = solve(layout, plan.criteria, z).to_pandas()
    alone = [solve(layout, plan.criteria, z[k : k + 1], first=k).to_pandas() for k in range(4)]
    columns = [c for c in together if ":" in c]
    values = np.concatenate([part[columns].to_numpy() for part in alone])
    np.testing.assert_allclose(together[columns].to_numpy(), values, rtol=1e-6, atol=1e-7)


def test_any_number_of_workers_gives_the_same_bytes(study, whole, tmp_path):
    other = run_uncertainty(plan_of(study), tmp_path / "run", workers=2)
    same(whole[1], other)
    assert chunk_files(whole[0]) == chunk_files(tmp_path / "run")


def test_resumed_equals_uninterrupted(study, whole, tmp_path):
    class Stop(Exception):  # noqa: N818 - not an error
        pass

    def stop(stage, done, total):
        if done == 1:
            raise Stop

    folder = tmp_path / "run"
    with pytest.raises(Stop):
        run_uncertainty(plan_of(study), folder, workers=1, progress=stop)
    assert len(chunk_files(folder)) == 1
    # A file cut short by the disk.
    data = chunk_path(folder, "draws", 0).read_bytes()
    chunk_path(folder, "draws", 0).write_bytes(data[:-9])
    resumed = run_uncertainty(plan_of(study), folder, workers=1)
    same(whole[1], resumed)
    assert chunk_files(whole[0]) == chunk_files(folder)


def test_a_finished_run_is_only_read_again(study, whole):
    before = {p: p.stat().st_mtime_ns for p in (whole[0] / "chunks").iterdir()}
    again = run_uncertainty(plan_of(study), whole[0])
    same(whole[1], again)
    assert before == {p: p.stat().st_mtime_ns for p in (whole[0] / "chunks").iterdir()}


@pytest.mark.parametrize(
    "change", [{"seed": 2}, {"draws": 7}, {"frames": 6}, {"spreads": Spreads(load=0.5)}]
)
def test_another_run_is_not_resumed_into(study, whole, change):
    with pytest.raises(InputError, match=next(iter(change))):
        run_uncertainty(plan_of(study, **change), whole[0])


def test_zero_spread_has_zero_width(study, tmp_path):
    found = run_uncertainty(plan_of(study, spreads=Spreads(scale=0.0)), tmp_path / "run", workers=1)
    table = found.intervals
    # Draws of a chunk start each other, which moves the last digits of a solve.
    np.testing.assert_allclose(table["low"], table["high"], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(table["sd"], 0.0, atol=1e-7 * table["mean"].abs().max())
    order = found.condition_order["probability"]
    assert set(order) <= {0.0, 0.5, 1.0}


def test_a_heavier_load_surely_asks_more(study, tmp_path):
    text = STUDY.split('[[condition]]\nname = "dumbbells"', maxsplit=1)[0]
    # Light loads: where a moment falls short a heavier load may leave a head less to do.
    text = text.replace("load_kg = 25", "load_kg = 12")
    bar = text.split("[[condition]]")[1]
    twice = (
        text
        + "[[condition]]"
        + bar.replace('"bar"', '"heavy"').replace("load_kg = 12", "load_kg = 16")
    )
    study = parse_study(twice)
    # The two conditions share posture and ratio; only the load on the hand tells them apart.
    plan = plan_of(study, draws=16, spreads=Spreads(posture_deg=0.0, lateral_ratio=0.0))
    found = run_uncertainty(plan, tmp_path / "run", workers=1)
    order = found.condition_order
    part = order[(order["head"] == "triceps_brachii/lateral") & (order["lateral"] == "measured")]
    assert part["probability"].tolist() == [0.0]


def test_a_draw_out_of_reach_is_counted(study, tmp_path):
    far = parse_study(STUDY.replace("spacing_cm = 50", "spacing_cm = 128"))
    found = run_uncertainty(
        plan_of(far, spreads=Spreads(posture_deg=12.0)), tmp_path / "run", workers=1
    )
    counts = found.failures.set_index("condition")
    lost = counts.loc["dumbbells"]
    draws = 2 * CHUNK + 4
    assert lost["draws"] == draws
    assert lost["failed"] + lost["partly_out_of_reach"] > 0
    assert bool(lost["reasons"]) == (lost["failed"] > 0)
    table = found.intervals
    used = table.loc[table["condition"] == "dumbbells", "draws"].unique()
    assert used.tolist() == [draws - lost["failed"]]


def test_ranking_covers_all_families_and_gives_no_weight_to_what_does_not_act(study, tmp_path):
    plan = plan_of(study, draws=1, trajectories=4, sobol=4, few=2)
    found = run_uncertainty(plan, tmp_path / "run", workers=1)
    ranked = found.sensitivity
    assert set(ranked.overall["family"]) == set(build_layout(plan.setup(), plan.spreads).families)
    assert ranked.overall["relative_mu_star"].is_monotonic_decreasing
    assert (ranked.screening["mu_star"] >= 0).all()
    # Dumbbells carry no lateral force: its ratio can change nothing there.
    idle = ranked.screening[
        (ranked.screening["family"] == "lateral_ratio")
        & (ranked.screening["condition"] == "dumbbells")
        & (ranked.screening["measure"] == "mean_activation")
    ]
    assert len(idle) > 0
    np.testing.assert_allclose(idle["mu_star"], 0.0, atol=1e-6)
    assert ranked.indices["family"].nunique() == 2
    tables = {p.name for p in (tmp_path / "run" / "chunks").iterdir()}
    assert any(name.startswith("screening-") for name in tables)
    assert any(name.startswith("indices-") for name in tables)


def test_memory_holds_reductions_not_frames(study, whole):
    table = pq.read_table(chunk_path(whole[0], "draws", 0))
    # One person, (2 + 1) lateral modes: one row per draw each, whatever the frames.
    assert table.num_rows == CHUNK * 3


@pytest.mark.parametrize(
    ("library", "how"), [("distributed", {"scheduler": "tcp://127.0.0.1:9"}), ("SALib", {})]
)
def test_a_missing_library_names_its_extra(study, tmp_path, monkeypatch, library, how):
    hide(monkeypatch, library)
    plan = plan_of(study, trajectories=2) if library == "SALib" else plan_of(study)
    with pytest.raises(MissingExtraError, match=r"momentshare\[scale\]"):
        run_uncertainty(plan, tmp_path / "run", workers=1, **how)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(study, tmp_path):
    distributed = pytest.importorskip("distributed")
    plan = plan_of(study, draws=12 * CHUNK)
    alone = run_uncertainty(plan, tmp_path / "alone", workers=1)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        lost = []

        def kill_one(stage, done, total):
            if done == 3 and not lost:
                pid = cluster.workers[0].process.pid
                os.kill(pid, signal.SIGKILL)
                lost.append(pid)

        found = run_uncertainty(
            plan, tmp_path / "cluster", scheduler=cluster.scheduler_address, progress=kill_one
        )
        assert lost
    same(alone, found)
    assert chunk_files(tmp_path / "alone") == chunk_files(tmp_path / "cluster")
