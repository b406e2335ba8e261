"""What is stored of every table: its keys, its thinning and how closely it must come again."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

DATA = Path(__file__).parent / "data"

CLOSE = 1e-9
"""Greatest difference over the scale of a column.

Run again, and on other numbers of processes and threads, every table comes back bit for bit.
With the compiled sharing, where each frame starts at the answer of the one before, in place
of the plain one, columns move by less than 1e-11; with every net moment off by 1e-13 of
itself, by less than 4e-10. Those that move by more are given a wider limit in
:mod:`tests.golden.specs`, with what was seen. Certificates are rounding and nothing else.
"""


@dataclass(frozen=True)
class Table:
    """One stored table.

    Parameters
    ----------
    keys : tuple of str
        Columns that name a row; together they are unique. Numbers among them are matched to
        six decimals.
    scale_by : tuple of str
        Keys within which a column has one unit, and so one scale.
    every : int
        Only frames that are multiples of this are stored.
    only : dict
        Key column → values that are stored.
    drop : tuple of str
        Columns that are not stored.
    words : tuple of str
        Columns of prose: only where there is text is stored, never which.
    noise : dict
        Columns that hold rounding only, with the greatest size that they may have.
    least_scale : dict
        Columns that may hold nothing but rounding → the scale to measure that by.
    loose : dict
        Columns that need more than :data:`CLOSE` → greatest difference over the scale.
    loose_rows : tuple
        Word in a key of rows that need more than :data:`CLOSE`, and their greatest difference;
        without a word, of all rows.
    several : tuple
        Word in a key of rows whose problem has several answers, and the columns that tell which
        of them was found: only whether there is a number is compared.
    """

    keys: tuple[str, ...]
    scale_by: tuple[str, ...] = ()
    every: int = 1
    only: dict[str, tuple[str, ...]] | None = None
    drop: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    noise: dict[str, float] | None = None
    least_scale: dict[str, float] | None = None
    loose: dict[str, float] | None = None
    loose_rows: tuple[str, float] | None = None
    several: tuple[str, tuple[str, ...]] | None = None

    def reduced(self, table: pd.DataFrame) -> pd.DataFrame:
        """Keep what is stored, with prose as truth values; twice is as good as once."""
        kept = table.drop(columns=[c for c in self.drop if c in table])
        if self.every > 1:
            kept = kept[kept["frame"] % self.every == 0]
        exact = {k: kept[k].round(6) for k in self.keys if k in kept and kept[k].dtype == float}
        kept = kept.assign(**exact)
        for key, values in (self.only or {}).items():
            kept = kept[kept[key].isin(values)]
        said = {
            name: kept[name].notna() & (kept[name].astype(str) != "")
            for name in self.words
            if name in kept and kept[name].dtype != bool
        }
        return kept.assign(**said).reset_index(drop=True)


def path_of(name: str) -> Path:
    """Where a table lies; names are ``run/table``."""
    return DATA / f"{name}.parquet"


def stored(name: str) -> pd.DataFrame:
    """Read a stored table."""
    return pd.read_parquet(path_of(name))


def packed(table: pd.DataFrame) -> bytes:
    """Bytes of a Parquet file that holds every number exactly, as small as it goes."""
    plain = pa.Table.from_pandas(table, preserve_index=False).replace_schema_metadata(None)
    texts = [f.name for f in plain.schema if not pa.types.is_floating(f.type)]
    best = b""
    for repeated in (True, False):
        buffer = io.BytesIO()
        pq.write_table(
            plain,
            buffer,
            compression="zstd",
            compression_level=19,
            use_dictionary=True if repeated else texts,
            column_encoding=None
            if repeated
            else {
                f.name: "BYTE_STREAM_SPLIT" for f in plain.schema if pa.types.is_floating(f.type)
            },
            write_statistics=False,
            store_schema=False,
        )
        data = buffer.getvalue()
        if not best or len(data) < len(best):
            best = data
    return best


def described() -> dict[str, dict[str, object]]:
    """What made each run, as stored."""
    return json.loads((DATA / "runs.json").read_text("utf-8"))
