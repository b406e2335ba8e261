"""Tables as a reader wants them: numbers with sensible digits, names spelled out, units in headers.

The only HTML made here marks the places where a long name may be broken.
"""

from __future__ import annotations

import math
import re
from numbers import Real
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError
from momentshare.text import head_label, with_minus
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from markupsafe import Markup

    from momentshare.report.page.table import Table

__all__ = ["UNITS", "soft_breaks", "table_view"]

UNITS = {
    "per_nm": "1/(N·m)",
    "per_n": "1/N",
    "percent": "%",
    "cm3": "cm³",
    "cm2": "cm²",
    "mps": "m/s",
    "nm": "N·m",
    "ns": "N·s",
    "deg": "deg",
    "kg": "kg",
    "hz": "Hz",
    "mm": "mm",
    "cm": "cm",
    "ms": "ms",
    "n": "N",
    "m": "m",
    "s": "s",
}
"""Ending of a column name → unit in its header; the longer endings first."""

_HEADERS = {
    "f": "F",
    "p_holm": "p (Holm)",
    "p_holm_over_item": "p (Holm, all heads or rows)",
    "p_greenhouse_geisser": "p (Greenhouse–Geisser)",
    "epsilon_greenhouse_geisser": "ε (Greenhouse–Geisser)",
    "hedges_g_z": "Hedges’ g of differences",
    "cohen_d_z": "Cohen’s d of differences",
    "df_numerator": "df, numerator",
    "df_denominator": "df, denominator",
    "n_people": "people",
    "n_same_direction": "people in this direction",
    "sd": "SD",
    "se": "SE",
}
"""Names of columns that need other words than their own."""

_STATISTICS = {"mean", "sd", "median", "low", "high", "changed"}
"""What may follow the unit in the name of a column."""

_LOADS = ("greatest_load_kg", "held_load_kg", "raised_load_kg", "gain_kg", "difference_kg")
_FORMATS: dict[str, str | Callable[[Any], str]] = {
    "f": ".2f",
    "f_value": ".2f",
    **dict.fromkeys(_LOADS, in_kg),
}
"""Names of columns whose numbers have a usual form; two decimals of F: common practice."""

_GIVEN = {
    "person",
    "condition",
    "other",
    "file",
    "source",
    "layout",
}
"""Columns whose texts the user chose; they are shown as they are."""

_HEADS = {"head", "item", "changed_head", "about", "name"}
"""Columns that may hold heads as ``muscle/head``."""

_DIGITS = 3  # significant digits of the largest number of a column: common practice, no source
_MOST_DECIMALS = 4  # beyond, a power of ten is easier to read: common practice, no source
_NOISE = 1e-12  # of the largest of a column: what rounding leaves of nothing
_MISSING = "–"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_NUMBER_LIKE = re.compile(r"[-−+<>≤≥≈~ ]*\d")
_IDENTIFIER = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)+")
_HEAD = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*/[a-z0-9]+(_[a-z0-9]+)*")
# Width of a character and of the space between columns [em], for the size of print that lets a
# table keep its words whole. A digit of DejaVu Sans, one of the widest common fonts, is 0.636 em
# (measured with matplotlib's copy); bold headers are a little wider.
_EM_CHARACTER, _EM_GAP = 0.65, 1.2
_PORTRAIT_MM, _LANDSCAPE_MM = 174.0, 261.0  # A4 less margins of 18 mm
_PRINT_PT = (5.5, 8.5)  # smallest and greatest type of a printed table: common practice
_TURN_PT = 6.5  # a table that would need smaller type goes on a page turned sideways
_WIDEST_TEXT = 26  # characters beyond which the text of a cell is left to wrap
_SCREEN_CHARACTERS = 96  # that fit beside each other on a page of 1,200 pixels
_SCREEN_GAP = 1.6  # space between columns there [characters]
_LEAST_TEXT = 10  # characters that a column of texts keeps where a table is wide
_LONGEST_WORD = 18  # characters beyond which a word may be broken
_SOFT = re.compile(r"(?<=\w)([_/.\\-]+)(?=\w)")
_LONG_NAME = 12  # characters beyond which a name may be broken after its punctuation


def table_view(table: Table) -> dict[str, Any]:
    """Return what the template shows of a table: columns, rows of cells, size of print."""
    frame = table.frame
    decimals = _alike(table)
    columns: list[dict[str, Any]] = []
    texts, widths = [], []
    for place, name in enumerate(frame.columns):
        values = frame.iloc[:, place].tolist()
        cells, numeric = _cells(table, name, values, decimals.get(name))
        words, unit = _header(table, name)
        like = [
            len(c) <= _WIDEST_TEXT and bool(_NUMBER_LIKE.match(c)) for c in cells if c != _MISSING
        ]
        right = numeric or (place > 0 and bool(like) and all(like))
        marks = list(table.highlight.get(name, [False] * len(cells)))
        texts.append(list(zip(cells, marks, strict=True)))
        head = [*words.split(), f"[{unit}]" if unit else ""]
        wanted = _longest(cells) if right else min(_longest(cells), _WIDEST_TEXT)
        widths.append(max(min(_longest(head), _WIDEST_TEXT), wanted))
        columns.append(
            {
                "words": words,
                "unit": unit,
                "right": right,
                "least": wanted,
                "breaks": _longest(_pieces([*head, *([] if right else cells)])) > _LONGEST_WORD,
            }
        )
    for column, least in zip(columns, _least(columns, widths), strict=True):
        column["least"] = least
    size, turned, tight = _print_size(sum(widths), len(widths))
    rows = [list(row) for row in zip(*texts, strict=True)]
    return {
        "columns": columns,
        "rows": list(zip(rows, _groups([row[0][0] for row in rows]), strict=True)),
        "titled": bool(columns) and not columns[0]["right"],
        "print_pt": f"{size:.1f}",
        "turned": turned,
        "tight": tight,
        "dense": sum(widths) + _SCREEN_GAP * len(widths) > _SCREEN_CHARACTERS,
    }


def soft_breaks(text: str) -> Markup:
    """Escape a text and let its long names be broken after their punctuation, not in a word."""
    from markupsafe import Markup, escape

    words = re.split(r"(\s+)", text)
    parts = [str(escape(word)) for word in words]
    return Markup(  # noqa: S704 - every part is escaped
        "".join(
            _SOFT.sub(r"\1<wbr>", part) if len(word) > _LONG_NAME else part
            for word, part in zip(words, parts, strict=True)
        )
    )


def _pieces(texts: Iterable[str]) -> list[str]:
    """Parts of texts between which a line may be broken."""
    words = [word for text in texts for word in text.split()]
    return [
        piece
        for word in words
        for piece in (_SOFT.sub(r"\1 ", word).split() if len(word) > _LONG_NAME else [word])
    ]


def _longest(texts: Iterable[str]) -> int:
    return max(map(len, texts), default=0)


def _groups(names: list[str]) -> list[bool]:
    """Rows that start a new run of names, where the runs divide the table into groups."""
    starts = [i > 0 and names[i] != names[i - 1] for i in range(len(names))]
    runs = sum(starts) + 1
    return starts if runs == len(set(names)) < len(names) else [False] * len(names)


def _least(columns: list[dict[str, Any]], widths: list[int]) -> list[int]:
    """Least width of each column on a screen [characters]: texts wrap sooner in a wide table."""
    over = sum(widths) + _SCREEN_GAP * len(widths) - _SCREEN_CHARACTERS
    texts = sum(not column["right"] for column in columns)
    if over <= 0 or not texts:
        return [column["least"] for column in columns]
    cut = math.ceil(over / texts)
    return [
        c["least"] if c["right"] else min(c["least"], max(c["least"] - cut, _LEAST_TEXT))
        for c in columns
    ]


def _print_size(characters: int, columns: int) -> tuple[float, bool, bool]:
    """Size of type [pt] of a printed table; if it lies on its side; if words have to break."""
    width = _EM_CHARACTER * characters + _EM_GAP * columns
    size = _PORTRAIT_MM / max(width, 1.0) / 25.4 * 72.0
    turned = size < _TURN_PT
    if turned:
        size *= _LANDSCAPE_MM / _PORTRAIT_MM
    return min(max(size, _PRINT_PT[0]), _PRINT_PT[1]), turned, size < _PRINT_PT[0]


def _heading(name: object) -> tuple[str, str]:
    """Split the name of a column into words and unit."""
    text = ", ".join(map(str, name)) if isinstance(name, tuple) else str(name)
    given = re.fullmatch(r"(.*\S)\s*\[([^\[\]]+)\]", text, re.DOTALL)
    if given:
        return given.group(1), given.group(2)
    name, _, statistic = text.rpartition("_")
    if statistic not in _STATISTICS:
        name, statistic = text, ""
    for ending, unit in UNITS.items():
        if name.endswith("_" + ending) and " " not in text:
            words = name.removesuffix("_" + ending).replace("_", " ")
            return f"{words} {_HEADERS.get(statistic, statistic)}".rstrip(), unit
    return (text if " " in text else text.replace("_", " ")), ""


def _header(table: Table, name: Any) -> tuple[str, str]:
    """Words and unit of the header of a column."""
    if name not in table.labels and isinstance(name, str) and name in _HEADERS:
        return _HEADERS[name], ""
    return _heading(table.labels.get(name, name))


def _spelled(name: object, text: str) -> str:
    """Spell out an identifier of the library; what the user named is left as it is."""
    if not isinstance(name, str) or name in _GIVEN:
        return text
    if name == "head" or (name in _HEADS and _HEAD.fullmatch(text)):
        return head_label(text)
    if not _IDENTIFIER.fullmatch(text):
        return text
    words, unit = _heading(text)
    return f"{words} [{unit}]" if unit else words


def _alike(table: Table) -> dict[Any, list[int]]:
    """Decimals of each row, for the columns whose numbers go together."""
    frame = table.frame
    groups = [set(group) for group in table.alike]
    lows = [n for n in frame.columns if isinstance(n, str) and "low" in n.split("_")]
    groups += [set(_interval(name)) & set(frame.columns) for name in lows]
    if table.by is not None:
        groups += [{name} for name in frame.columns if not any(name in g for g in groups)]
    blocks = [0] * len(frame)
    if table.by is not None:
        keys = frame[table.by].astype(str).tolist()
        blocks = [keys.index(key) for key in keys]
    found: dict[Any, list[int]] = {}
    for group in groups:
        columns = {n: frame[n].tolist() for n in frame.columns if n in group}
        columns = {n: v for n, v in columns.items() if _are_numbers(v)}
        if len(columns) < 2 and table.by is None:
            continue
        if all(abs(v) < 10.0**-_MOST_DECIMALS for c in columns.values() for v in c):
            continue  # all of them need a power of ten
        decimals = {}
        for block in set(blocks):
            values = [v for c in columns.values() for v, b in zip(c, blocks, strict=True)
                      if b == block and not _is_missing(v)]  # fmt: skip
            decimals[block] = _decimals(values)
        for name in columns:
            found.setdefault(name, [decimals[block] for block in blocks])
    return found


def _interval(low: str) -> list[str]:
    """Names of the columns that a lower limit of this name goes with, its own among them."""
    parts = low.split("_")
    place = parts.index("low")
    if parts == ["low"]:
        return ["estimate", "low", "high"]
    others = [[], ["low"], ["high"], ["median"], ["mean"]]
    return ["_".join(parts[:place] + other + parts[place + 1 :]) for other in others]


def _is_missing(value: Any) -> bool:
    import pandas as pd

    return bool(pd.api.types.is_scalar(value) and pd.isna(value))


def _are_numbers(values: Sequence[Any]) -> bool:
    """Whether there are values and all are numbers, truth values not counted."""
    import numpy as np

    present = [v for v in values if not _is_missing(v)]
    return bool(present) and all(
        isinstance(v, Real) and not isinstance(v, bool | np.bool_) for v in present
    )


def _cells(
    table: Table, name: object, values: list[Any], alike: list[int] | None
) -> tuple[list[str], bool]:
    """Text of every cell of a column, and whether they are numbers."""
    import numpy as np

    missing = [_is_missing(v) for v in values]
    present = [v for v, gone in zip(values, missing, strict=True) if not gone]
    truth = (bool, np.bool_)
    numeric = _are_numbers(values)
    form = table.formats.get(name)
    if form is None and isinstance(name, str) and numeric:
        form = "p" if name == "p" or name.startswith("p_") or name.endswith("_p") else None
        form = form or _FORMATS.get(name)
    if numeric:
        least = _NOISE * max((abs(float(v)) for v in present if math.isfinite(v)), default=0.0)
        values = [0.0 if not gone and abs(v) < least else v
                  for v, gone in zip(values, missing, strict=True)]  # fmt: skip
    decimals = alike or [_decimals(present) if numeric else 0] * len(values)

    def show(value: Any, places: int) -> str:
        if callable(form):
            return form(value)
        if form == "p":
            return _probability(value)
        if form is not None:
            return with_minus(format(value, form))
        if isinstance(value, truth):
            return "yes" if value else "no"
        if not numeric:
            return _spelled(name, str(value))
        return _number(float(value), places, keep=alike is not None)

    cells = []
    for row, (value, gone) in enumerate(zip(values, missing, strict=True)):
        try:
            cells.append(_MISSING if gone else str(show(value, decimals[row])))
        except (TypeError, ValueError) as err:
            raise InputError(
                f"table {table.caption!r}, row {row + 1}, column {name!r}: {value!r} cannot be "
                f"shown with format {form!r} ({err}); give the column another format"
            ) from err
    return cells, numeric


def _decimals(values: list[Any]) -> int:
    """Decimals that give the largest number of a column three significant digits."""
    sizes = [abs(float(v)) for v in values if math.isfinite(v)]
    largest = max(sizes, default=0.0)
    if largest == 0.0 or all(size.is_integer() for size in sizes):
        return 0
    return min(max(_DIGITS - 1 - math.floor(math.log10(largest)), 0), _MOST_DECIMALS)


def _number(value: float, decimals: int, *, keep: bool = False) -> str:
    """Text of a number; where decimals are fixed, a tiny one shows as zero with its sign."""
    if not math.isfinite(value):
        return "∞" if value > 0 else "−∞"
    if value and not keep and abs(value) < 0.5 * 10.0**-decimals:  # all digits would be lost
        if abs(value) >= 10.0**-_MOST_DECIMALS:
            return with_minus(f"{value:.2g}")
        mantissa, power = f"{value:.1e}".split("e")
        return with_minus(mantissa) + " × 10" + str(int(power)).translate(_SUPERSCRIPT)
    return with_minus(f"{value + 0.0:.{decimals}f}")  # adding zero removes the sign of −0


def _probability(value: float) -> str:
    if not 0.0 <= value <= 1.0:
        raise ValueError("must be a probability from 0 to 1")
    return "< 0.001" if value < 0.001 else f"{value:.3f}"
