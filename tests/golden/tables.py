"""What is stored of every table: its keys, its thinning and how closely it must come again."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"

CLOSE = 1e-9
"""Greatest difference over the scale of a column.

Run again, and on other numbers of processes and threads, every table comes back bit for bit.
With the compiled sharing, where each frame starts at the answer of the one before, in place
of the plain one, columns move by less than 1e-11; with every net moment off by 1e-13 of
itself, by less than 4e-10. Those that move by more are given a wider limit in
:mod:`tests.golden.specs`, with what was seen. Certificates are rounding and nothing else.
"""

MET = 1e-6
"""Unmet moment up to which a moment is met [N·m]; stored ones are below 1e-10 or above 0.06."""


@dataclass(frozen=True)
class Several:
    """Rows whose problem has several answers: those of a frame with a moment that is not met.

    Parameters
    ----------
    columns : tuple of str
        What tells which of the answers was found: only whether there is a number is compared.
    unmet : tuple of str
        Columns of unmet moments [N·m].
    within : tuple of str
        Keys that name a frame, which may have a row for each moment.
    """

    columns: tuple[str, ...]
    unmet: tuple[str, ...]
    within: tuple[str, ...]

    def rows(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Find the rows of such frames."""
        frames = [table[key] for key in self.within]
        worst = table[list(self.unmet)].abs().max(axis=1)
        worst = worst.groupby(frames, dropna=False).transform("max")
        return (worst > MET).to_numpy()


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
    several : Several
        Rows whose problem has several answers.
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
    several: Several | None = None

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
