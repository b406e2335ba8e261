"""Whatever comes in, it is read or refused with a message; nothing else ever happens.

Two thousand numbered cases and some hundred drawn ones; ``python benchmarks/fuzz.py --cases N``
runs any number.
"""

import json
from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests import fuzz

from momentshare.errors import InputError
from momentshare.files import run_folder
from momentshare.files.manifest import Part, _record_digest, journal_entries, journal_line
from momentshare.files.writer import json_text

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
    # The damage is felt; that of one file of a run folder is always mended.
    assert counts["refused"] > 0 or kind == "run folder"


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
    place = tmp_path / "run"
    with run_folder(place, "cohort") as run:
        run.keep("trials/0001", "tag", {"trials/0001/trial.json": b"{}"})
    (tmp_path / "beside.txt").write_text("mine")
    account = json.loads((place / "manifest.json").read_text("utf-8"))
    files = account["parts"]["trials/0001"]["files"]
    files[name] = files.pop("trials/0001/trial.json")
    del account["momentshare"]["digest"]
    account["momentshare"]["digest"] = _record_digest(account)  # nothing else is wrong with it
    for file in ("manifest.json", ".momentshare.json"):
        (place / file).write_text(json_text(account), encoding="utf-8")
    with pytest.raises(InputError, match="not a manifest"), run_folder(place, "cohort"):
        pass
    line = journal_line(0, "trials/0001", Part("tag", {name: "0" * 64}))
    assert journal_entries([line]) == []
    assert journal_entries([line.replace(json.dumps(name).encode(), b'"a"')]) == []
    assert (tmp_path / "beside.txt").read_text() == "mine"


def test_a_journal_line_that_is_sound_is_taken_over():
    part = Part("tag", {"chunks/a": "0" * 64})
    lines = [journal_line(0, "a", part), journal_line(1, "b", part), journal_line(2, "a", None)]
    assert journal_entries([b"".join(lines)]) == [("a", part), ("b", part), ("a", None)]
    assert journal_entries([lines[1], lines[2] + lines[0][:40]]) == [("b", part), ("a", None)]
    assert journal_entries([lines[0].replace(b"chunks/a", b"chunks/b")]) == []
