"""The one place that writes tables, records, texts and figures."""

from __future__ import annotations

import io
import json
from itertools import chain
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from momentshare.files.names import unportable
from momentshare.text import csv_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    import pandas as pd
    import pyarrow as pa
    from matplotlib.figure import Figure

__all__ = [
    "FIGURES",
    "Writer",
    "figure_bytes",
    "json_text",
    "parquet_bytes",
    "stored_rows",
    "stored_table",
]

_METADATA: dict[str, dict[str, Any]] = {"svg": {"Date": None}, "png": {"Software": None}}
"""Settings that keep the bytes of a figure independent of date and library version."""


_PACKED = {"compress_level": 3}
"""Three times as fast as the default level, for files a tenth larger."""

ROWS = 262_144
"""Rows in a group of a long Parquet file, some 40 MB of a study's frames."""

FIGURES = (".png", ".svg")
"""File extensions of figures."""


def json_text(record: object, *, allow_nan: bool = False) -> str:
    """Text of a record, indented; NumPy numbers become plain ones.

    Raises
    ------
    ValueError
        A number is not finite, unless ``allow_nan``.
    """
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=allow_nan, default=float)
    return text + "\n"


def parquet_bytes(table: pd.DataFrame) -> bytes:
    """Bytes of a Parquet file, without the index."""
    buffer = io.BytesIO()
    table.to_parquet(buffer, index=False)
    return buffer.getvalue()


def stored_table(place: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """Read a Parquet file that a run wrote.

    It is opened here: the library takes names for homes ("~") or addresses ("a:b"), and as UTF-8
    whatever the system's encoding of names is.
    """
    import pyarrow.parquet as pq

    with place.open("rb") as file:
        return pq.read_table(file, columns=None if columns is None else list(columns))


def stored_rows(place: Path) -> int:
    """Count the rows of a Parquet file that a run wrote, without reading them."""
    import pyarrow.parquet as pq

    with place.open("rb") as file:
        return int(pq.read_metadata(file).num_rows)


class Writer:
    """Writes files into a folder, created if needed, and remembers their names.

    Parameters
    ----------
    folder : Path

    Examples
    --------
    >>> import tempfile
    >>> writer = Writer(Path(tempfile.mkdtemp()))
    >>> writer.text("notes/first.txt", "seen")
    >>> writer.names
    ('notes/first.txt',)
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()
        self._names: dict[str, None] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the files written, in order, with ``/`` between folders."""
        return tuple(self._names)

    def _place(self, name: str) -> Path:
        parts = PurePosixPath(name).parts
        if not parts or ".." in parts or PurePosixPath(name).is_absolute():
            raise ValueError(f"{name!r}: no name within the folder")
        if reason := unportable(name, self._names):
            raise ValueError(f"{name!r}: {reason}")
        place = self.folder.joinpath(*parts)
        place.parent.mkdir(parents=True, exist_ok=True)
        self._names[name] = None
        return place

    def raw(self, name: str, data: bytes) -> None:
        """Write bytes as they are."""
        self._place(name).write_bytes(data)

    def text(self, name: str, text: str) -> None:
        """Write a text, UTF-8, lines as given."""
        self.raw(name, text.encode("utf-8"))

    def csv(self, name: str, table: pd.DataFrame, digits: str | None = "%.7g") -> None:
        """Write a table that every spreadsheet can open and none runs; see ``text.csv_text``."""
        self.text(name, csv_text(table, digits))

    def csv_blocks(self, name: str, blocks: Iterable[pd.DataFrame]) -> None:
        """Write a table from blocks of its rows, of which one at a time is in memory.

        The bytes are those of the whole table: blocks have the same columns, and one without
        any is left out.
        """
        header = True
        with self._place(name).open("wb") as file:
            for block in blocks:
                if len(block.columns):
                    file.write(csv_text(block, "%.7g", header=header).encode("utf-8"))
                    header = False
            if header:
                file.write(b"\n")  # as of a table without columns

    def parquet_blocks(self, name: str, blocks: Iterable[pd.DataFrame], rows: int = ROWS) -> None:
        """Write a table from blocks of its rows, of which few at a time are in memory.

        Up to ``rows`` rows the bytes are those of the whole table; a longer table is cut into
        groups of so many rows. Blocks have the same columns of the same types; labels know all
        that occur in any of them.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        found = (pa.Table.from_pandas(block, preserve_index=False) for block in blocks)
        first = next(found)
        with self._place(name).open("wb") as raw, pq.ParquetWriter(raw, first.schema) as file:
            waiting, count = [first], len(first)
            for table in chain(found, [None]):
                while count >= rows or (table is None and count):
                    whole = pa.concat_tables(waiting)
                    file.write_table(whole.slice(0, rows).combine_chunks(), row_group_size=rows)
                    waiting, count = [whole.slice(rows)], max(count - rows, 0)
                if table is not None:
                    waiting.append(table)
                    count += len(table)

    def parquet_parts(self, name: str, parts: Callable[[], Iterable[pd.DataFrame]]) -> bool:
        """Write one long table from its parts, of which one at a time is in memory.

        Columns are the union over all parts, filled with null where a part has no such column;
        labels are written as text.

        Parameters
        ----------
        name : str
        parts : callable
            Returns the parts afresh at each call: they are traversed twice if they are unlike.

        Returns
        -------
        bool
            False where there was no row, and then no file.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        def arrow(part: pd.DataFrame) -> pa.Table:
            labels = part.select_dtypes("category").columns
            plain = part.assign(**{label: part[label].astype(str) for label in labels})
            return pa.Table.from_pandas(plain, preserve_index=False)

        def write(tables: Iterable[pa.Table], schema: pa.Schema) -> None:
            with self._place(name).open("wb") as raw, pq.ParquetWriter(raw, schema) as file:
                for table in tables:
                    columns = [
                        table[field.name].cast(field.type)
                        if field.name in table.column_names
                        else pa.nulls(len(table), field.type)
                        for field in schema
                    ]
                    file.write_table(pa.Table.from_arrays(columns, schema=schema))

        # Parts that are alike, as most are, are written as they come; others show only then which
        # columns there are.
        schemas: dict[pa.Schema, None] = {}

        def alike(tables: Iterator[pa.Table]) -> Iterator[pa.Table]:
            for table in tables:
                schemas.setdefault(table.schema.remove_metadata())
                if len(schemas) == 1:
                    yield table

        found = map(arrow, parts())
        first = next(found, None)
        if first is None:
            return False
        write(alike(chain([first], found)), first.schema.remove_metadata())
        if len(schemas) > 1:
            write(map(arrow, parts()), pa.unify_schemas(schemas, promote_options="permissive"))
        return True

    def json(self, name: str, record: object, *, allow_nan: bool = False) -> None:
        """Write a record; see :func:`json_text`."""
        self.text(name, json_text(record, allow_nan=allow_nan))

    def figure(
        self,
        name: str,
        figure: Figure,
        *,
        formats: Sequence[str] = ("png", "svg"),
        dpi: float | None = None,
    ) -> None:
        """Write a figure as ``name.png`` and so on, under the settings in force."""
        for ending in formats:
            self.raw(f"{name}.{ending}", figure_bytes(figure, ending, dpi))


def figure_bytes(
    figure: Figure, ending: str, dpi: float | None = None, texts: Mapping[str, str] | None = None
) -> bytes:
    """Bytes of a figure under the settings in force; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
    ending : str
        Extension of the file, such as ``png``.
    dpi : float, optional
        Resolution; by default that of the figure.
    texts : mapping, optional
        What a PNG says about itself, such as its ``Title``.
    """
    # An SVG is written in many small pieces, each encoded on its own where bytes are asked for.
    buffer = io.StringIO() if ending == "svg" else io.BytesIO()
    more: dict[str, Any] = {"pil_kwargs": _PACKED} if ending == "png" else {}
    about = _METADATA.get(ending)
    if ending == "png":
        about = {**_METADATA["png"], **(texts or {})}
    figure.savefig(
        buffer,
        format=ending,
        dpi="figure" if dpi is None else dpi,
        metadata=about,
        **more,
    )
    found = buffer.getvalue()
    return found.encode("utf-8") if isinstance(found, str) else found
