"""Whatever comes in, it is read or refused with a message; nothing else ever happens.

A few hundred cases; ``python benchmarks/fuzz.py --cases N`` runs any number.
"""

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests import fuzz

GOOD = {"read", "refused"}

mutations = st.lists(
    st.tuples(
        st.sampled_from(fuzz.OPERATIONS),
        st.floats(0.0, 1.0, exclude_max=True),
        st.integers(0, (1 << 16) - 1),
    ),
    min_size=1,
    max_size=6,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("kind", fuzz.KINDS)
def test_sound_inputs_are_read(kind, folder):
    assert [found for found, _ in fuzz.sound(kind, folder)] == ["read"] * len(
        fuzz.KINDS[kind].seeds()
    )


@pytest.mark.parametrize("kind", fuzz.KINDS)
def test_damaged_inputs_are_read_or_refused(kind, folder):
    counts = Counter()

    @settings(
        max_examples=8 if kind == "model" else 40,
        derandomize=True,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(which=st.integers(0, 63), damage=mutations)
    def run(which, damage):
        found, story = fuzz.outcome(kind, folder, which, damage)
        counts[found] += 1
        assert found in GOOD, story

    run()
    assert counts["refused"] > 0  # the damage is felt


def test_numbered_cases_are_read_or_refused(folder):
    counts = Counter()
    for number in range(400):
        kind, which, damage = fuzz.seeded(number)
        found, story = fuzz.outcome(kind, folder, which, damage)
        counts[found] += 1
        assert found in GOOD, f"case {number}, {kind}: {story}"
    assert set(counts) == GOOD


def test_a_fault_of_ours_is_told_apart(folder, monkeypatch):
    def breaks(place):
        raise TypeError("ours")

    broken = fuzz.Kind(fuzz.KINDS["CSV"].seeds, breaks)
    monkeypatch.setitem(fuzz.KINDS, "CSV", broken)
    found, story = fuzz.outcome("CSV", folder, 0, [])
    assert found == "crash"
    assert "TypeError: ours" in story
