"""Arrays laid aside in a file, and long tables written from blocks of their rows."""

import gc
import mmap
import os
import pickle
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
from pyarrow import parquet

from momentshare import reading
from momentshare.demo import small_study
from momentshare.files import Shelf, Writer
from momentshare.files.shelf import fetched, laid_aside
from momentshare.files.writer import parquet_bytes
from momentshare.runs import shelf_in
from momentshare.study import plan_study

LONG = (
    reading.moment_table,
    reading.load_table,
    reading.certificate_table,
    reading.posture_table,
    reading.glenoid_table,
)


@dataclass(frozen=True, eq=False)
class Kept:
    """What is shared, and arrays of every sort."""

    model: "Model"
    force: np.ndarray
    names: np.ndarray
    empty: np.ndarray
    turned: np.ndarray
    words: MappingProxyType


@dataclass(frozen=True)
class Model:
    """Stays in memory."""

    name: str


def sample():
    return Kept(
        model=Model("limb"),
        force=np.linspace(0.0, 1.0, 1000).reshape(10, 100),
        names=np.array(["a", "b"], dtype=object),
        empty=np.zeros((0, 3)),
        turned=np.arange(12.0).reshape(3, 4).T[::2],
        words=MappingProxyType({"a": np.arange(3)}),
    )


def test_objects_come_back_as_they_were_with_arrays_that_cannot_be_written(tmp_path):
    given = sample()
    shelf = Shelf(tmp_path, (Model,))
    one, two = shelf.put([given, given])
    assert one is two
    assert one.model is given.model
    for name in ("force", "names", "empty", "turned"):
        np.testing.assert_array_equal(getattr(one, name), getattr(given, name))
    np.testing.assert_array_equal(one.words["a"], [0, 1, 2])
    assert not one.force.flags.writeable
    assert one.force.ctypes.data % 64 == 0
    assert list(tmp_path.iterdir()) == []  # no name, hence nothing to be left behind


def test_what_is_kept_takes_no_memory_until_it_is_read(tmp_path):
    """Pages of the process that lie in files, before and after reading and giving back."""
    if not (Path("/proc/self/statm").exists() and hasattr(mmap, "MADV_DONTNEED")):
        pytest.skip("Linux tells how much of a file is in memory")

    def mapped():
        return int(Path("/proc/self/statm").read_text("ascii").split()[2]) * mmap.PAGESIZE

    size = 64_000_000
    shelf = Shelf(tmp_path)
    kept = shelf.put({"force": np.ones(size // 8)})
    gc.collect()
    before = mapped()
    assert kept["force"].sum() == size // 8
    assert mapped() - before > 0.9 * size
    shelf.release()
    assert mapped() - before < 0.1 * size
    assert kept["force"][-1] == 1.0


def test_a_shelf_stays_where_it_is():
    told = pickle.dumps({"shelf": Shelf(os.curdir)})
    assert pickle.loads(told) == {"shelf": None}  # noqa: S301 - our own


def test_another_process_maps_what_was_laid_aside(tmp_path):
    place = tmp_path / "arrays"
    with place.open("wb") as file:
        told, spans = laid_aside(sample(), file)
    assert len(told) < 4000  # the force is not in it
    with place.open("rb") as file:
        found = fetched(told, spans, file)
    np.testing.assert_array_equal(found.force, sample().force)
    assert found.model == sample().model


def test_nothing_but_small_things_needs_no_file(tmp_path):
    assert Shelf(tmp_path).put({"a": 1}) == {"a": 1}


@pytest.fixture(scope="module")
def solved():
    return plan_study(small_study()).solve()


@pytest.fixture(scope="module")
def shelved(tmp_path_factory):
    return plan_study(small_study()).solve(shelf=shelf_in(tmp_path_factory.mktemp("shelf")))


def test_a_shelved_study_says_what_one_in_memory_says(solved, shelved):
    assert shelved.cases[0].prepared.limb is shelved.cases[1].prepared.limb
    assert shelved.cases[0].results[0].prepared is shelved.cases[0].prepared
    assert isinstance(shelved.cases[0].results[0].force.base, memoryview | np.ndarray)
    for table in (*LONG, reading.head_table, reading.condition_table, reading.frame_table):
        pd.testing.assert_frame_equal(table(solved), table(shelved), check_exact=True)


@pytest.mark.parametrize("table", LONG)
def test_blocks_of_a_csv_give_the_bytes_of_the_whole(tmp_path, solved, shelved, table):
    writer = Writer(tmp_path)
    writer.csv("whole.csv", table(solved))
    writer.csv_blocks("blocks.csv", (table(one) for one in shelved.parts()))
    assert (tmp_path / "blocks.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


def test_a_table_without_columns_is_written_alike(tmp_path):
    writer = Writer(tmp_path)
    writer.csv("whole.csv", pd.DataFrame())
    writer.csv_blocks("none.csv", iter(()))
    writer.csv_blocks("empty.csv", iter([pd.DataFrame(), pd.DataFrame()]))
    whole = (tmp_path / "whole.csv").read_bytes()
    assert (tmp_path / "none.csv").read_bytes() == whole
    assert (tmp_path / "empty.csv").read_bytes() == whole


def test_blocks_of_a_parquet_file_give_the_bytes_of_the_whole(tmp_path, solved, shelved):
    writer = Writer(tmp_path)
    writer.parquet_blocks("blocks.parquet", reading.frame_blocks(shelved))
    whole = parquet_bytes(reading.frame_table(solved))
    assert (tmp_path / "blocks.parquet").read_bytes() == whole


@pytest.mark.parametrize("rows", [1, 100, 130, 519, 520, 521])
def test_a_long_parquet_file_has_groups_of_so_many_rows(tmp_path, solved, rows):
    writer = Writer(tmp_path)
    whole = reading.frame_table(solved)
    writer.parquet_blocks("blocks.parquet", reading.frame_blocks(solved), rows)
    about = parquet.ParquetFile(tmp_path / "blocks.parquet").metadata
    counts = [about.row_group(k).num_rows for k in range(about.num_row_groups)]
    assert sum(counts) == len(whole) == 520
    assert counts == [rows] * (520 // rows) + [520 % rows] * (520 % rows > 0)
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "blocks.parquet"), whole)
