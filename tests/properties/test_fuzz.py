"""Whatever comes in, it is read or refused with a message; nothing else ever happens.

Two thousand numbered cases and some hundred drawn ones; ``python benchmarks/fuzz.py --cases N``
runs any number.
"""

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests import fuzz

from momentshare.errors import InputError

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
    for number in range(2_000):
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


def test_an_input_that_fills_memory_is_told_apart(folder, monkeypatch):
    told = iter([5_000, 5_000 + fuzz.HUGE + 1, 5_000 + fuzz.HUGE + 1])
    monkeypatch.setattr(fuzz, "most_memory", lambda: next(told))
    found, _ = fuzz.outcome("CSV", folder, 0, [])
    assert found == "huge"


@pytest.mark.parametrize("name", ["../beside.txt", "/etc/hostname", "a\\b", "c:x", "aux", ""])
def test_a_manifest_cannot_lead_out_of_its_folder(tmp_path, name):
    """A folder from somebody else, whose account names files that are not its own."""
    (tmp_path / "beside.txt").write_text("mine")
    for damaged in ("run_manifest.json", "run_journal"):
        ended, inside = fuzz.RUN_FILES[damaged]
        raw = fuzz.run_files(ended=ended)[inside]
        told = raw.replace(b"trials/0001/trial.json", name.replace("\\", "\\\\").encode())
        assert told != raw
        place = tmp_path / damaged
        place.write_bytes(told)
        if damaged == "run_journal":
            fuzz.run_again(place)  # such a line says nothing
        else:
            with pytest.raises(InputError, match="not a manifest"):
                fuzz.run_again(place)
        assert (tmp_path / "beside.txt").read_text() == "mine"
