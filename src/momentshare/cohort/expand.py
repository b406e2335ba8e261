"""A study in small files: people and trials as CSV, files by pattern, layouts based on others.

A cohort study may name tables and patterns instead of one block per item. They are expanded here,
before anything is checked, into the blocks that :mod:`~momentshare.cohort.schema` defines:

- ``people``, ``strengths``, ``trials``: CSV files whose columns are the fields of ``[[person]]``
  (and ``best_lift_kg`` with ``best_lift_condition``), of its strength tests (with ``person``), and
  of ``[[trial]]``. ``people`` may also be a table with ``file`` and ``pseudonyms``.
- ``[[files]]``: ``pattern`` with ``{person}``, ``{condition}`` and any other name, ``layout``,
  ``more`` and any field of a trial. Every file that fits is a trial; rows of ``trials`` without a
  ``file`` give the rest, such as ``load_kg``, and count for all files of what they name: a person,
  a condition, and any column that is named as a placeholder. Of several rows the one that names
  more counts. A row that fits no file is an error.
- ``[[static]]``: ``pattern`` with ``{person}``, ``layout`` and any field of a static trial; the
  side is that of the person's trials unless it is given.
- ``[[maximal]]``: ``pattern`` with ``{person}`` and ``layout``; for every head of the layout the
  greatest level of the person's files is the maximum.
- ``based_on`` of a layout: everything that the other layout says and this one does not.

``file_label`` of a person or condition is its name in file names (and in label prefixes).
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, Any, cast

from momentshare.cohort.patterns import PLACEHOLDER, fitting_files
from momentshare.cohort.rows import contradictions, listed_twice, read_rows
from momentshare.errors import nearest_name
from momentshare.study.schema import PersonEntry, StrengthEntry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    from momentshare.cohort.rows import Row

__all__ = ["SHORT_FORMS", "expanded"]

SHORT_FORMS = ("people", "strengths", "trials", "files", "maximal")
"""Keys of a study file that expand to many blocks."""

_DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}|\d{1,2}[-. ][^\W\d]{3,}|[^\W\d]{3,}[-. ]\d{2}")
"""What spreadsheets write in place of a text such as 1-2 or 3/4."""

_MOST_BASES = 20
"""Layouts of which one is based on another, and so on; assumed."""

_DEEPEST = 4
"""Tables within tables of a layout; a layout that loads has fewer."""

_BEST = ("best_lift_kg", "best_lift_condition")
"""Columns of the table of people for a person's best lift, and its condition."""


def expanded(
    data: dict[str, Any],
    folder: Path,
    trial_fields: Sequence[str],
    origins: dict[str, str] | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Expand the short forms of a study.

    Parameters
    ----------
    data : dict
        As read from TOML; not changed.
    folder : Path
        Folder to which file names are relative.
    trial_fields : sequence of str
        Fields that a trial may have.
    origins : dict, optional
        Takes the place in a table (file and row) of the blocks that are made from it, by the name
        that faults give the block, such as ``person[2]`` or ``trial[4] → side``.

    Returns
    -------
    data : dict
        Without short forms.
    faults : list of str
    """
    data = dict(data)
    faults: list[str] = []
    origins = {} if origins is None else origins
    fields = [*PersonEntry.model_fields, *_BEST]
    asked = data.pop("people", None)
    if isinstance(asked, dict):
        data["people"] = {k: v for k, v in asked.items() if k != "file"}
        asked = asked.get("file")
    listed = read_rows(asked, "people", folder, fields, faults)
    people, before = [row.cells for row in listed], len(data.get("person", []))
    origins |= {
        f"person[{n}]": f"{asked}: row {row.number}" for n, row in enumerate(listed, before + 1)
    }
    faults += listed_twice(str(asked), listed)
    unread = bool(faults)
    data["best_lift"] = [*data.get("best_lift", []), *_best_lifts(people, faults)]
    data["person"] = [*data.get("person", []), *people]
    data["layout"] = _layouts(data.get("layout", []), faults)
    patterns = _blocks(data.pop("files", []), "files", faults)
    places = {name for block in patterns for name in PLACEHOLDER.findall(str(block["pattern"]))}
    free = sorted(places - {"person", "condition"} - set(trial_fields))
    name = data.pop("trials", None)
    rows = read_rows(name, "trials", folder, [*trial_fields, *free], faults, words=free)
    faults += contradictions(str(name), rows, free)
    if unread:  # what follows would only say that people are not described
        return data, faults
    _add_strengths(data, folder, faults)
    whole = [row for row in rows if "file" in row.cells]
    partial = [row for row in rows if "file" not in row.cells]
    stated = [{k: v for k, v in row.cells.items() if k in trial_fields} for row in whole]
    trials = [*data.get("trial", []), *stated]
    told: list[dict[str, int]] = [{} for _ in data.get("trial", [])]
    told += [dict.fromkeys(trial_fields, row.number) for row in whole]
    maximal = _blocks(data.pop("maximal", []), "maximal", faults)
    efforts = {id(b): fitting_files(b["pattern"], folder, "maximal", faults) for b in maximal}
    static, standing = _static_files(data, folder, faults)
    others = {file for found in efforts.values() for file, _ in found} | standing
    idle = {row.number for row in partial}
    for block in patterns:
        for trial, mine in _trials(block, partial, data, folder, trial_fields, others, faults):
            trials.append(trial)
            told.append({field: row.number for row in mine for field in row.cells})
            idle -= {row.number for row in mine}
    origins |= {
        f"trial[{n}] → {field}": f"{name}: row {row} → {field}"
        for n, by in enumerate(told, start=1)
        for field, row in by.items()
    }
    if partial and not patterns:
        faults.append("trials: rows without a file need a [[files]] block with a pattern; add one")
    elif not faults:
        faults += [_idle(str(name), row, free, data) for row in partial if row.number in idle]
    if static or "static" in data:
        data["static"] = [_with_side(entry, trials) for entry in static]
    data["trial"] = trials
    for block in maximal:
        data["maximal_contraction"] = [
            *data.get("maximal_contraction", []),
            *_maxima(block, efforts[id(block)], data, faults),
        ]
    return {k: v for k, v in data.items() if v != [] or k == "person"}, faults


def _best_lifts(people: list[dict[str, Any]], faults: list[str]) -> list[dict[str, Any]]:
    """Move the best lifts out of the rows of people."""
    found = []
    for row in people:
        given = {name: row.pop(name) for name in _BEST if name in row}
        if len(given) == 1:
            missing = next(name for name in _BEST if name not in given)
            faults.append(
                f"people: {row.get('name')!r}: {missing} is missing; give both, or neither"
            )
        elif given:
            load, condition = (given[name] for name in _BEST)
            found.append({"person": row.get("name"), "condition": condition, "load_kg": load})
    return found


def _blocks(value: Any, name: str, faults: list[str]) -> list[dict[str, Any]]:
    found = [value] if isinstance(value, dict) else value
    if not isinstance(found, list) or not all(isinstance(b, dict) for b in found):
        faults.append(f"{name}: must be [[{name}]] blocks; got {value!r}")
        return []
    faults += [
        f"{name}[{number}] → {field}: is missing; add it"
        for number, block in enumerate(found, start=1)
        for field in ("pattern", "layout")
        if not isinstance(block.get(field), str)
    ]
    return [b for b in found if isinstance(b.get("pattern"), str)]


def _add_strengths(data: dict[str, Any], folder: Path, faults: list[str]) -> None:
    """Give each person the tests of the table of tests."""
    name = data.pop("strengths", None)
    tests = read_rows(name, "strengths", folder, ["person", *StrengthEntry.model_fields], faults)
    by_name = {p.get("name"): p for p in data["person"] if isinstance(p, dict)}
    for number, row in tests:
        who = row.pop("person", None)
        if who not in by_name:
            near = nearest_name(str(who), [str(n) for n in by_name])
            faults.append(f"{name}: row {number}: person {who!r} is not described; {near}")
            continue
        by_name[who]["strength"] = [*by_name[who].get("strength", []), row]


def _layouts(given: Any, faults: list[str]) -> Any:
    """Layouts with the entries inherited from the one that they are based on."""
    if not isinstance(given, list) or not all(isinstance(x, dict) for x in given):
        return given
    by_name = {str(x.get("name")): x for x in given}

    def whole(layout: dict[str, Any], seen: tuple[str, ...]) -> dict[str, Any]:
        base, own = layout.get("based_on"), {k: v for k, v in layout.items() if k != "based_on"}
        if base is None:
            return own
        if base not in by_name or base in seen:
            reason = "is based on itself" if base in seen else nearest_name(str(base), by_name)
            faults.append(f"layout {layout.get('name')!r} → based_on: unknown {base!r}; {reason}")
            return own
        if len(seen) > _MOST_BASES:
            faults.append(
                f"layout {layout.get('name')!r} → based_on: is based on more than {_MOST_BASES} "
                "layouts in turn; name one nearer to the last"
            )
            return own
        return cast("dict[str, Any]", _merged(whole(by_name[base], (*seen, base)), own))

    return [whole(x, (str(x.get("name")),)) for x in given]


def _merged(base: Any, own: Any, depth: int = 0) -> Any:
    """Tables of a layout, one over the other; deeper ones than any has stay as they are."""
    if depth > _DEEPEST or not (isinstance(base, dict) and isinstance(own, dict)):
        return own
    return {
        k: _merged(base[k], own[k], depth + 1)
        if k in base and k in own
        else own.get(k, base.get(k))
        for k in [*base, *(k for k in own if k not in base)]
    }


def _named(entries: Any, label: str) -> str | None:
    """Name of the entry whose name or ``file_label`` this is, however its accents are written."""
    label = unicodedata.normalize("NFC", label)
    for entry in entries if isinstance(entries, list) else []:
        if not isinstance(entry, dict):
            continue
        known = (entry.get("name"), entry.get("file_label"))
        if label in {unicodedata.normalize("NFC", n) for n in known if isinstance(n, str)}:
            return str(entry.get("name"))
    return None


def _static_files(data: Mapping[str, Any], folder: Path, faults: list[str]) -> tuple[Any, set[str]]:
    """Return static trials, those by pattern written out, and the files that patterns fit."""
    given = data.get("static", [])
    entries = given if isinstance(given, list) else [given]
    patterns = _blocks([e for e in entries if isinstance(e, dict) and "pattern" in e], "static",
                       faults)  # fmt: skip
    out = [e for e in entries if not (isinstance(e, dict) and "pattern" in e)]
    standing = set()
    for block in patterns:
        for file, said in fitting_files(block["pattern"], folder, "static", faults):
            standing.add(file)
            name = _person(block, said, file, "static", data, faults)
            if name is not None:
                rest = {k: v for k, v in block.items() if k != "pattern"}
                out.append(rest | {"person": name, "file": file})
    return out, standing


def _with_side(entry: Any, trials: Sequence[Any]) -> Any:
    """Give a static trial the side of its person's trials if they are all of one side."""
    if not isinstance(entry, dict) or "side" in entry:
        return entry
    mine = [t for t in trials if isinstance(t, dict) and t.get("person") == entry.get("person")]
    sides = {str(t.get("side", "right")) for t in mine}
    return entry | {"side": sides.pop()} if len(sides) == 1 else entry


def _person(
    block: Mapping[str, Any],
    said: Mapping[str, str],
    file: str,
    kind: str,
    data: Mapping[str, Any],
    faults: list[str],
) -> str | None:
    """Name of the person to whom a file that fits a pattern belongs."""
    name = _named(data.get("person"), str(said.get("person", block.get("person"))))
    if name is None:
        faults.append(
            f"{kind} → pattern: {file!r} is of a person who is not described; add {{person}} "
            "to the pattern, or file_label to the person"
        )
    return name


def _idle(table: str, row: Row, free: Sequence[str], data: Mapping[str, Any]) -> str:
    """Say what is wrong with a row that fits no file."""
    said, hint = [], "correct it, or take out the row"
    for key in ("person", "condition", *free):
        if key not in row.cells:
            continue
        said.append(f"{key} {row.cells[key]!r}")
        entries = data.get(key, []) if key in {"person", "condition"} else None
        names = [str(e.get("name")) for e in entries or [] if isinstance(e, dict)]
        if entries is not None and row.cells[key] not in names:
            hint = nearest_name(str(row.cells[key]), names)
            break
        if entries is None and _DATE.search(str(row.cells[key])):
            hint = "a spreadsheet made a date of it: format the column as text, and write it again"
    return f"{table}: row {row.number}: no file is of {', '.join(said) or 'anybody'}; {hint}"


def _same(cell: str, label: str) -> bool:
    """Whether a cell names what a file is called; spreadsheets take the zeros off 02."""
    both = cell.isdecimal() and label.isdecimal()
    return cell.lstrip("0") == label.lstrip("0") if both else cell == label


def _trials(
    block: Mapping[str, Any],
    rows: Sequence[Row],
    data: Mapping[str, Any],
    folder: Path,
    fields: Sequence[str],
    others: set[str],
    faults: list[str],
) -> Iterable[tuple[dict[str, Any], list[Row]]]:
    """Expand one ``[[files]]`` block into trials, each with its rows; of two, the later one counts.

    Files that serve another purpose (``others``, or a further file of a trial) are not trials.
    """
    known = {"pattern", "more", *fields}
    faults += [
        f"files → {key}: unknown field; {nearest_name(key, sorted(known))}"
        for key in block
        if key not in known
    ]
    unknown = {"person": dict[str, str](), "condition": dict[str, str]()}
    found = fitting_files(block["pattern"], folder, "files", faults)
    more = [_more(m, said) for _, said in found for m in block.get("more", [])]
    others = others | {str(m.get("file")) for m in more if isinstance(m, dict)}
    for file, said in sorted(found, key=lambda item: _rank(item[1], block, data)):
        if file in others:
            continue
        names = {}
        for kind in ("person", "condition"):
            label = said.get(kind, block.get(kind))
            name = _named(data.get(kind), str(label))
            if name is None:
                unknown[kind].setdefault(str(label), file)
            names[kind] = name
        if None in names.values():
            continue
        trial = {k: v for k, v in block.items() if k in fields} | {"file": file, **names}
        free = {k: v for k, v in said.items() if k not in names}
        mine = [
            row
            for row in rows
            if all(row.cells.get(k, v) == v for k, v in names.items())
            and all(_same(row.cells[k], v) for k, v in free.items() if k in row.cells)
        ]
        mine.sort(key=lambda row: sum(k in row.cells for k in (*names, *free)))
        for row in mine:
            trial |= {k: v for k, v in row.cells.items() if k in fields and k not in names}
        trial["more"] = [_more(m, said) for m in block.get("more", [])]
        yield trial, mine
    for kind, labels in unknown.items():
        faults += [
            f"files → pattern: {file!r} is of {kind} {label!r}, which is not described; add it, or "
            f"give file_label to the {kind} of this name"
            + (
                ", or [[static]] or [[maximal]] a pattern that fits it"
                if kind == "condition"
                else ""
            )
            for label, file in labels.items()
        ]


def _rank(said: Mapping[str, str], block: Mapping[str, Any], data: Mapping[str, Any]) -> list[int]:
    """Place of a file's person and condition in the study, which tables and figures keep."""
    places = []
    for kind in ("person", "condition"):
        entries = data.get(kind)
        names = [e.get("name") for e in entries or () if isinstance(e, dict)]
        name = _named(entries, str(said.get(kind, block.get(kind))))
        places.append(names.index(name) if name in names else len(names))
    return places


def _more(entry: Any, said: Mapping[str, str]) -> Any:
    """One further file of a trial, its pattern filled in from the name of the first file."""
    if not isinstance(entry, dict) or "pattern" not in entry:
        return entry
    fill: Callable[[re.Match[str]], str] = lambda m: said.get(m[1], m[0])  # noqa: E731
    rest = {k: v for k, v in entry.items() if k != "pattern"}
    return rest | {"file": PLACEHOLDER.sub(fill, str(entry["pattern"]))}


def _maxima(
    block: Mapping[str, Any],
    found: Sequence[tuple[str, dict[str, str]]],
    data: Mapping[str, Any],
    faults: list[str],
) -> Iterable[dict[str, Any]]:
    """Expand one ``[[maximal]]`` block: every person × head of the layout, with all files."""
    known = [x for x in data.get("layout") or [] if isinstance(x, dict)]
    layout = next((x for x in known if x.get("name") == block.get("layout")), {})
    files: dict[str, list[str]] = {}
    for file, said in found:
        name = _person(block, said, file, "maximal", data, faults)
        if name is None:
            continue
        files.setdefault(name, []).append(file)
    heads = block.get("heads", list(layout.get("emg", {})))
    if not heads:
        faults.append(f"maximal → layout: {block.get('layout')!r} names no electromyogram; add emg")
    return [
        {"person": person, "head": head, "files": names, "layout": block.get("layout")}
        for person, names in files.items()
        for head in heads
    ]
