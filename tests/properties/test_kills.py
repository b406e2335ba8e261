"""A run may be ended at any moment; the next one leaves what an undisturbed one does."""

import pytest
from tests import kills

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    from momentshare.demo.lab import write_lab

    lab = write_lab(tmp_path_factory.mktemp("lab"), people=1, repetitions=1)
    with kills.bench(tmp_path_factory.mktemp("kills"), lab) as found:
        yield found


CASES = {
    "compare": kills.WAYS,
    "uncertainty": ("kill", "term", "full disk"),
    "cohort": ("kill", "interrupt", "lost disk"),
    "explore": ("kill",),
    "strength": ("term",),
}
"""Every way once with the quickest command; all of all by ``benchmarks/kills.py``."""

ALIKE = {"maximal-lift", "explain", "limb", "calibrate", "validate"}
"""Commands that write all at the end as ``strength`` does, by the same function."""


def test_every_command_and_way_is_among_the_cases():
    assert {*CASES, *ALIKE} == set(kills.COMMANDS)


@pytest.mark.parametrize(
    ("command", "way"), [(command, way) for command, ways in CASES.items() for way in ways]
)
def test_a_run_ended_at_some_moment_is_made_whole_by_the_next(bench, command, way):
    when = 0.3 + 0.4 * (len(command) % 3) / 2 if way != "two runs" else 0.2
    kills.run(bench, kills.Case(command, way, when))


def test_what_a_disturbed_run_left_is_seen(bench):
    """The comparison itself: a file too many, and a byte changed, are found."""
    bench.undisturbed("compare")
    case = kills.Case("compare", "full disk", 1.0)
    before = dict(bench.whole["compare"])
    for change in ({"out/heads.csv": b"other"}, {"out/more.csv": b""}):
        bench.whole["compare"] = before | change
        with pytest.raises(AssertionError):
            kills.run(bench, case)
    bench.whole["compare"] = before
