"""While a cohort is solved, the terminal shows how far it is and how long it still takes."""

import io
import re
from types import SimpleNamespace

import pytest
from rich.console import Console

from momentshare.cli import cohort as command
from momentshare.cohort import run


@pytest.mark.parametrize(
    ("done", "total", "each", "left"),
    [(4, 10, 30.0, "0:03:00"), (100, 1200, 6.0, "1:50:00"), (9, 10, 2.0, "0:00:02")],
)
def test_time_left_follows_from_the_trials_done(monkeypatch, done, total, each, left):
    """The clock is ours: so many trials of so many seconds each, and the rest at that pace."""
    now = [0.0]

    def solve(study, folder, *, workers, scheduler, progress):
        for number in range(1, done + 1):
            now[0] += each
            progress(number, total, f"trial {number}.c3d")
        return "result"

    monkeypatch.setattr(run, "run_cohort", solve)
    said = io.StringIO()
    screen = Console(file=said, force_terminal=True, width=100, get_time=lambda: now[0])
    study = SimpleNamespace(numbers=tuple(range(total)))
    assert command._run(study, None, screen, workers=1, scheduler=None) == "result"
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", said.getvalue()).replace("\r", "\n")
    last = [line for line in shown.splitlines() if line.strip()][-1]
    assert f"trial {done}.c3d" in last
    assert f"{done}/{total}" in last
    assert last.rstrip().endswith(left)
