"""A table of the page, as given; :mod:`momentshare.report.page.cells` writes its cells."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

from momentshare.errors import InputError, ShapeError, UnknownNameError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Table", "several_texts"]

Format = str | Callable[[Any], str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A table, one row of the frame per row.

    Parameters
    ----------
    frame : DataFrame
        The index is shown only when it has a name. A column name such as ``peak_force_n``
        becomes the header "peak force [N]"; the endings are those of ``cells.UNITS``.
    caption : str
        What the rows are; the number of the table is put before it.
    note : str
        Small print below, such as what a highlighted cell means.
    formats : mapping
        Column → a format specification such as ``".1f"``, ``"p"`` for probabilities (three
        decimals, "< 0.001" below), or a function from value to text. Otherwise numbers get as
        many decimals as give the largest of their column three significant digits, and columns
        named ``head`` and ``row`` are spelled out.
    labels : mapping
        Column → header to use instead of its name.
    highlight : mapping
        Column → one truth value per row; true cells are bold and tinted.
    alike : sequence of sequences
        Columns whose numbers get the same decimals, such as ``[("estimate", "low", "high")]``.
        An estimate and the interval beside it (``estimate, low, high`` or ``x, x_low, x_high``,
        with a unit at the end or not) are treated alike without being named.
    by : column or None
        Rows with the same value here share decimals, those with another have their own: for
        columns that hold forces in some rows and activations in others.
    """

    kind: ClassVar[str] = "table"
    frame: pd.DataFrame
    caption: str
    note: str = ""
    formats: Mapping[Any, Format] = field(default_factory=dict)
    labels: Mapping[Any, str] = field(default_factory=dict)
    highlight: Mapping[Any, Sequence[bool]] = field(default_factory=dict)
    alike: Sequence[Sequence[Any]] = ()
    by: Any = None

    def __post_init__(self) -> None:
        frame = self.frame
        if any(name is not None for name in frame.index.names):
            taken = {str(c) for c in frame.columns} & {str(n) for n in frame.index.names}
            if taken:
                raise InputError(
                    f"table {self.caption!r}: {sorted(taken)} name both an index and a column; "
                    "rename one of them"
                )
            frame = frame.reset_index()
        if not frame.columns.is_unique:
            twice = frame.columns[frame.columns.duplicated()].tolist()
            raise InputError(f"table {self.caption!r}: columns {twice} are duplicated; rename one")
        object.__setattr__(self, "frame", frame.copy())
        known = {str(name) for name in frame.columns}
        object.__setattr__(
            self, "alike", tuple(several_texts("Table.alike", g) for g in self.alike)
        )
        named: dict[str, list[Any]] = {
            "formats": list(self.formats),
            "labels": list(self.labels),
            "highlight": list(self.highlight),
            "alike": [name for group in self.alike for name in group],
            "by": [] if self.by is None else [self.by],
        }
        for what, names in named.items():
            for name in names:
                if name not in frame.columns:
                    raise UnknownNameError(
                        "column", str(name), known, f"table {self.caption!r}, {what}"
                    )
        for name, marks in self.highlight.items():
            if len(marks) != len(frame):
                raise ShapeError(
                    f"highlight of column {name!r}",
                    f"{len(frame)} truth values, one per row",
                    str(len(marks)),
                )


def several_texts(what: str, items: Sequence[str]) -> tuple[str, ...]:
    """Return texts as a tuple; a single text instead of several is refused."""
    if isinstance(items, str):
        raise InputError(f"{what}: must be several texts; got one text {items!r}; put it in a list")
    return tuple(items)
