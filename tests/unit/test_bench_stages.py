"""The cold start of the benchmark of stages: its program runs, and a failure says what failed."""

import pytest
from benchmarks import bench_stages


def test_the_program_of_a_cold_start_runs(capsys):
    exec(bench_stages.COLD, {})  # noqa: S102 - here, where the kernels are compiled already
    assert len([float(part) for part in capsys.readouterr().out.split()]) == 4


def test_a_cold_start_that_fails_says_what_failed():
    with pytest.raises(SystemExit, match=r"ended with 1:\n(.*\n)*KeyError: 'no such thing'"):
        bench_stages.cold_starts("raise KeyError('no such thing')")
