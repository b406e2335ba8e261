"""Make a text safe for where it goes: a terminal, a table.

Names come from people and from files. Each output has its own dangers, and each is handled here: a
terminal obeys control characters, a spreadsheet runs what begins with an equals sign. The page
escapes what it shows itself, a bibliography is parsed and rewritten, and no name reaches LaTeX.
"""

from __future__ import annotations

import io
import re
import unicodedata
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "csv_text",
    "for_table",
    "for_terminal",
    "head_label",
    "head_phrase",
    "percent_text",
    "plain_number",
    "schema_message",
    "shortened",
    "signed_number",
    "with_minus",
]

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
"""Categories of characters that control, reorder or hide other text."""

_JOINERS = "\u200c\u200d"
"""Invisible characters that some scripts need."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


_HEADS = frozenset({"long", "short", "lateral", "medial"})
"""Parts of a muscle that anatomy calls heads."""


def percent_text(share: float) -> str:
    """Write a share in per cent; a dash where it is not known.

    Examples
    --------
    >>> percent_text(0.975), percent_text(0.0), percent_text(float("nan"))
    ('98 %', '0 %', '–')
    """
    return f"{100.0 * share:.0f} %" if share >= 0.0 else "–"


def head_phrase(head: str) -> str:
    """Name a head as a sentence does, with its article.

    Parameters
    ----------
    head : str
        Anatomical name, ``muscle`` or ``muscle/part``.

    Examples
    --------
    >>> head_phrase("triceps_brachii/long"), head_phrase("pectoralis_major/sternocostal_upper")
    ('the long head of the triceps brachii', 'the upper sternocostal pectoralis major')
    """
    muscle, _, part = head.replace("_", " ").partition("/")
    if part in _HEADS:
        return f"the {part} head of the {muscle}"
    words = sorted(part.split(), key=lambda word: word not in {"upper", "lower"})
    return " ".join(["the", *words, muscle])


def head_label(head: str) -> str:
    """Spell out the anatomical name for a table or an axis.

    Examples
    --------
    >>> head_label("triceps_brachii/long"), head_label("pectoralis_major/sternocostal_upper")
    ('triceps brachii, long', 'pectoralis major, sternocostal upper')
    """
    return head.replace("/", ", ").replace("_", " ")


def shortened(text: str, most: int) -> str:
    """Leave out the middle of a text that is longer than ``most`` characters.

    Examples
    --------
    >>> shortened("abcdefghij", 8)
    'abc … ij'
    """
    if len(text) <= most:
        return text
    keep = max(most - 3, 2)
    return f"{text[: keep - keep // 2]} … {text[len(text) - keep // 2 :]}"


_HYPHEN_FOR_MINUS = re.compile(r"(?<![\w)\]}./-])-(?=\.?\d)")
"""A hyphen before a number that no word, number, path or bracket precedes."""


def with_minus(text: str) -> str:
    """Write the hyphen of a negative number as a minus sign; names and ranges keep theirs.

    Whatever is shown to people goes through it, terminal, page and figures; files for machines
    keep the hyphen.

    Examples
    --------
    >>> with_minus("from -3 to +2 N·m, 2020-05, 12-14 cm, -x") == (
    ...     "from \N{MINUS SIGN}3 to +2 N·m, 2020-05, 12-14 cm, -x"
    ... )
    True
    """
    return _HYPHEN_FOR_MINUS.sub("\N{MINUS SIGN}", text)


def plain_number(value: float, digits: int) -> str:
    """Write a number with its sign only where it is negative; what rounds to nothing is not.

    Examples
    --------
    >>> plain_number(-0.126, 2), plain_number(-1e-4, 2)
    ('-0.13', '0.00')
    """
    return f"{value:.{digits}f}" if round(value, digits) else f"{0.0:.{digits}f}"


def signed_number(value: float, digits: int) -> str:
    """Write a number with its sign; what rounds to nothing has none.

    Examples
    --------
    >>> signed_number(0.126, 2), signed_number(-1e-4, 2)
    ('+0.13', '0.00')
    """
    return f"{value:+.{digits}f}" if round(value, digits) else f"{0.0:.{digits}f}"


_SCHEMA_WORDS = (
    (r"^Value error, ", ""),
    (r"^Extra inputs are not permitted$", "there is no such field; take it out"),
    (r"^Field required$", "must be given"),
    (r"^\w+ should ", "must "),
    (r", unable to .*$", ""),
    (r" after validation, not .*$", ""),
    (r"\ba valid number\b", "a number"),
    (r"\ba valid integer\b.*$", "a whole number"),
    (r"\ba valid string\b", "text"),
    (r"\ba valid boolean\b", "true or false"),
    (r"\ba valid (list|tuple)\b", "a list"),
    (r"\ba valid dictionary\b.*$", "a table"),
)
"""Phrases of a schema's messages, and their form in messages here."""


def schema_message(message: str) -> str:
    """Rephrase a schema's message like every other one: what must hold.

    Examples
    --------
    >>> schema_message("Input should be a valid number, unable to parse string as a number")
    'must be a number'
    """
    for theirs, ours in _SCHEMA_WORDS:
        message = re.sub(theirs, ours, message)
    return message


def for_terminal(text: str, most: int | None = None) -> str:
    """Make control characters visible; line breaks stay.

    Examples
    --------
    >>> for_terminal("a" + chr(27) + "[2Jb") == "a" + chr(92) + "x1b[2Jb"
    True
    """
    if most is not None:
        text = shortened(text, most)
    if text.isprintable():
        return text
    return "".join(
        c
        if c == "\n" or c in _JOINERS or unicodedata.category(c) not in _UNSEEN
        else c.encode("unicode_escape").decode()
        for c in text
    )


def for_table(value: object) -> object:
    """Put an apostrophe before text that a spreadsheet would take for a formula.

    Numbers stay numbers, even those written as text. Control characters are made visible, because
    tables are shown on terminals too.

    Examples
    --------
    >>> for_table("=1+1"), for_table("-0.25"), for_table("wide")
    ("'=1+1", '-0.25', 'wide')
    """
    if not isinstance(value, str):
        return value
    safe = value if value.isprintable() else for_terminal(value)
    if not value.startswith(_FORMULA):
        return safe
    try:
        float(value)
    except ValueError:
        return f"'{safe}"
    return safe


def csv_text(table: pd.DataFrame, digits: str | None = None, *, header: bool = True) -> str:
    """Text of a table that every spreadsheet can open and none runs.

    Parameters
    ----------
    table : DataFrame
    digits : str, optional
        Format of floats, such as ``"%.7g"``.
    header : bool
        Whether the names of the columns stand before the rows.
    """
    import csv  # not with the solver, which imports this module

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    if header:
        writer.writerow([for_table(name) for name in table.columns])
    writer.writerows(zip(*(_cells(column, digits) for _, column in table.items()), strict=True))
    return text.getvalue()


def _cells(column: pd.Series, digits: str | None) -> list[Any]:
    """Cells of a column as they are written; what is missing is empty."""
    if column.dtype == "string":
        texts = column.tolist()
        safe = {text: for_table(text) if isinstance(text, str) else "" for text in set(texts)}
        return [safe[text] for text in texts]
    if column.dtype.kind != "f":
        pairs = zip(column.tolist(), column.isna(), strict=True)
        return ["" if missing else for_table(value) for value, missing in pairs]
    if digits is None:
        written = column.to_numpy().astype(str).tolist()
    else:  # all in one call
        values = tuple(column.to_numpy(dtype=float).tolist())
        written = ((digits + "\n") * len(values) % values).split("\n")[:-1]
    return ["" if text == "nan" else text for text in written]
