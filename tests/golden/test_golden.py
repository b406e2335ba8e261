"""Numbers of whole runs stay as they were stored.

The stored values are the project's own, and say nothing about whether they are right: they
guard a change of structure, which must not change numbers. :mod:`tests.golden.make` stores them
again.
"""

from functools import cache

import pytest

from tests.golden.compare import differences
from tests.golden.runs import RUNS
from tests.golden.specs import TABLES
from tests.golden.tables import DATA, described, stored

pytestmark = pytest.mark.slow


@pytest.fixture(scope="session")
def tables():
    """Tables of a run by its name; each run happens once."""
    return cache(lambda run: RUNS[run]())


@pytest.mark.parametrize("name", TABLES)
def test_numbers_stay(tables, name):
    run, part = name.split("/")
    found = differences(name, TABLES[name], stored(name), tables(run)[part])
    assert not found, _told(run, found)


@pytest.mark.parametrize("run", RUNS)
def test_no_table_comes_or_goes_unseen(tables, run):
    wanted = {name.split("/")[1] for name in TABLES if name.startswith(f"{run}/")}
    assert set(tables(run)) == wanted


def test_stored_files_are_those_listed():
    found = {str(p.relative_to(DATA).with_suffix("")) for p in DATA.rglob("*.parquet")}
    assert found == set(TABLES)
    assert set(described()) == set(RUNS)


def test_stored_tables_stay_small():
    assert sum(p.stat().st_size for p in DATA.rglob("*.parquet")) < 3_100_000


def _told(run, found):
    from momentshare import load_model

    lines = found
    if load_model().digest != described()[run]["model_digest"]:
        lines = ["the model's files have changed since the table was stored", *found]
    return "\n" + "\n".join(lines)
