"""Read a study file; report every fault with its field, value and remedy."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from datetime import date, time
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from momentshare.errors import StudyError, nearest_name
from momentshare.inputs import STUDY, read_text, toml_data
from momentshare.study.exercises import EXERCISES, condition_faults
from momentshare.study.factors import factor_faults
from momentshare.study.pseudonyms import NO_PSEUDONYMS, Pseudonyms, make_pseudonyms, renamed
from momentshare.study.schema import (
    ConditionEntry,
    PeopleEntry,
    PersonEntry,
    SettingsEntry,
    StrengthEntry,
    Study,
    StudyFile,
)
from momentshare.text import schema_message, shortened

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

__all__ = [
    "checked_data",
    "coded_people",
    "load_study",
    "parse_study",
    "raise_faults",
    "read_study_text",
    "repeated_names",
    "study_data",
    "text_digest",
    "unasked_codes",
]

File = TypeVar("File", bound=BaseModel)

_UNITS = {"cm": "centimetres", "kg": "kilograms", "deg": "degrees", "s": "seconds"}

_FIELDS: dict[str, type[BaseModel]] = {
    "people": PeopleEntry,
    "person": PersonEntry,
    "condition": ConditionEntry,
    "settings": SettingsEntry,
    "strength": StrengthEntry,
}


def load_study(path: str | Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : str or Path
        A TOML file as written by ``momentshare demo``.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        One line for each fault: file, field, value and remedy.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import load_study
    >>> from momentshare.demo import demo_text
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "study.toml"
    ...     _ = path.write_text(demo_text(), encoding="utf-8")
    ...     study = load_study(path)
    >>> study.file.settings.lateral
    ['measured', 'zero', 'free']
    """
    return parse_study(read_study_text(path), str(path))


def parse_study(text: str, source: str = "study") -> Study:
    """Check the text of a study file; see :func:`load_study`.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        Name used in messages.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        One line for each fault: source, field, value and remedy.

    Examples
    --------
    >>> from momentshare import MomentshareError, parse_study
    >>> try:
    ...     parse_study('title = "Empty"')
    ... except MomentshareError as err:
    ...     print(len(err.faults), err.exit_code)
    2 2
    """
    data = study_data(text, source)
    if measured := [name for name in ("trial", "layout", "published") if name in data]:
        raise StudyError(
            f"{source}: is a cohort study (it holds {', '.join(measured)}); give it to "
            "'momentshare cohort', or name a study of planned lifts"
        )
    coded = coded_people(data, source)
    source = coded.file(source)
    with coded.in_faults():
        if coded:
            data, _ = renamed(data, coded)
        file = checked_data(data, source, StudyFile, _FIELDS)
        faults = [*_repeated(file), *unasked_codes(file.people, file.person), *_impossible(file)]
        faults += factor_faults(file.condition)
        raise_faults(source, faults)
    digest = text_digest(file.model_dump_json() if coded else text)
    return Study(source=source, digest=digest, file=file, pseudonyms=coded)


def coded_people(data: Mapping[str, Any], source: str) -> Pseudonyms:
    """Codes for the people of a study that asks for them; none otherwise.

    Raises
    ------
    StudyError
        Duplicated codes, or codes for names that are codes.
    """
    wanted, people = data.get("people"), data.get("person")
    people = people if isinstance(people, list) else []
    if not isinstance(wanted, dict) or wanted.get("pseudonyms") is not True:
        return NO_PSEUDONYMS
    coded, faults = make_pseudonyms(people)
    with coded.in_faults():
        raise_faults(coded.file(source), faults)
    return coded


def unasked_codes(people: PeopleEntry, person: Sequence[PersonEntry]) -> list[str]:
    """Faults of codes in a study that does not ask for them."""
    return [
        f"person {entry.name!r} → code: is for studies with people → pseudonyms = true; add that, "
        "or remove the code"
        for entry in person
        if entry.code is not None and not people.pseudonyms
    ]


def read_study_text(path: str | Path) -> str:
    """Text of a study file; ``StudyError`` if it cannot be read."""
    return read_text(path, STUDY, StudyError)


def study_data(text: str, source: str) -> dict[str, Any]:
    """Read the text of a TOML file; ``StudyError`` if it is not one."""
    if not text.strip():
        raise StudyError(f"{source}: is empty; write a study or start from 'momentshare demo'")
    try:
        return toml_data(text)
    except RecursionError as err:
        raise StudyError(f"{source}: not readable as TOML: nested too deep") from err
    except ValueError as err:
        raise StudyError(
            f"{source}: not readable as TOML: {str(err)[:300]}; {_toml_remedy(str(err), text)}"
        ) from err


def _toml_remedy(reason: str, text: str) -> str:
    """Say what to do about a line that is not TOML."""
    place = re.search(r"at line (\d+)", reason)
    line = text.splitlines()[int(place[1]) - 1] if place else ""
    comma = re.search(r"=\s*([-+]?\d+),(\d+)\s*(#|$)", line)
    if comma:
        return f"write the decimal mark as a point, {comma[1]}.{comma[2]}"
    table = re.match(r"\s*\[\[?(person|condition|trial|layout)\]", line)
    if table:
        return f"write [[{table[1]}]], with two brackets, above each {table[1]}"
    if "'\\n'" in reason or "Unterminated string" in reason:
        return "is a quotation mark left open there?"
    if reason.startswith("The integer"):
        return "write a smaller number"
    if reason.startswith("Invalid value"):
        return 'write text in quotes there, as in name = "wide", and a number without'
    return "correct that line ('momentshare help study' shows how one is written)"


def checked_data(
    data: dict[str, Any],
    source: str,
    schema: type[File],
    sections: Mapping[str, type[BaseModel]],
    origins: Mapping[str, str] | None = None,
) -> File:
    """Check what was read from a TOML file against a schema.

    ``sections`` names the tables of the file whose fields a message may suggest, ``origins`` the
    rows of CSV files that blocks were made from: what a fault begins with → what it is to say.
    """
    try:
        return schema.model_validate(data)
    except ValidationError as err:
        found = [dict(item) for item in err.errors(include_url=False)]
        items = _without_misspelt(_meant(found[:_MOST_FAULTS]))
        faults = [_placed(_fault(item, data, schema, sections), origins or {}) for item in items]
        if len(found) > _MOST_FAULTS:
            faults.append(f"{len(found) - _MOST_FAULTS} faults after these are not described")
        raise StudyError(f"{source}: the study cannot be used:", faults) from err


_MOST_FAULTS = 1000
"""Faults of a file that are described; each takes a tenth of a millisecond."""


def _without_misspelt(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Leave out missing fields of which a misspelt one is there; that fault suggests them."""
    missing: dict[tuple[Any, ...], list[str]] = {}
    for item in items:
        if item["type"] == "missing":
            missing.setdefault(item["loc"][:-1], []).append(str(item["loc"][-1]))
    meant: set[tuple[Any, ...]] = set()
    for item in items:
        front, name = item["loc"][:-1], str(item["loc"][-1])
        if item["type"] == "extra_forbidden":
            found = get_close_matches(name, missing.get(front, ()), n=1, cutoff=_MISSPELT)
            meant |= {(*front, own) for own in found}
    return [i for i in items if i["type"] != "missing" or i["loc"] not in meant]


_MISSPELT = 0.8
"""Likeness [1] from which an unknown field is a missing one misspelt; assumed."""


def _placed(fault: str, origins: Mapping[str, str]) -> str:
    """Name the row of a CSV file in place of the block that was made from it."""
    front = next((f for f in origins if re.match(rf"{re.escape(f)}(?!\w)", fault)), None)
    if front is None:
        return fault
    return origins[front] + fault[len(front) :].replace("a number without quotes", "a number")


def raise_faults(source: str, faults: Sequence[str]) -> None:
    """Raise ``StudyError`` when there are faults."""
    if faults:
        raise StudyError(f"{source}: the study cannot be used:", faults)


def text_digest(text: str) -> str:
    """Short digest of a study's text."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


_BRANCHES = ("list[", "literal[", "function-", "constrained-", "float", "tuple[", "[key]")
"""How a schema names the branch of a union, which means nothing to the reader."""

_MEANT: dict[type, tuple[str, ...]] = {
    list: ("list", "number", "literal"),
    str: ("literal", "number", "list"),
}
"""Branches of a union in the order in which a value is meant for them; others mean a number."""


def _meant(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Leave out faults of the branches of a union that a value is not meant for."""
    fields: dict[tuple[Any, ...], dict[str, list[dict[str, Any]]]] = {}
    values: dict[tuple[Any, ...], Any] = {}
    for item in items:
        loc = item["loc"]
        at = next((k for k, x in enumerate(loc) if str(x).startswith(_BRANCHES)), len(loc))
        tag = str(loc[at]) if at < len(loc) else ""
        kind = next((k for k in ("list", "literal") if f"{k}[" in tag), "number")
        fields.setdefault(loc[:at], {}).setdefault(kind, []).append(item)
        if at == len(loc) - 1:
            values[loc[:at]] = item["input"]
    kept = []
    for field, found in fields.items():
        order = _MEANT.get(type(values.get(field)), ("number", "literal", "list"))
        kind = next(k for k in order if k in found)
        if kind == "literal" and "number" in found:
            words = ("should be ", "should be a number or ")
            found[kind] = [i | {"msg": i["msg"].replace(*words)} for i in found[kind]]
        kept += found[kind]
    return kept


_LONGEST_NAME = 80
"""Characters shown of a field or a name in the place of a fault; as many as a name may have."""


def _fault(
    item: dict[str, Any],
    data: dict[str, Any],
    schema: type[BaseModel],
    sections: Mapping[str, type[BaseModel]],
) -> str:
    """Describe one fault: where, what must hold, what was found, what to do."""
    place, section = _where(item["loc"], data, sections)
    kind, got = item["type"], item["input"]
    if kind == "extra_forbidden":
        known = sections.get(section, schema).model_fields
        if len(item["loc"]) == 1:
            known = schema.model_fields
        return f"{place}: unknown field; {nearest_name(str(item['loc'][-1]), known)}"
    if kind == "missing":
        return f"{place}: is missing; {_added(item, sections.get(section, schema), schema)}"
    message = schema_message(item["msg"])
    if kind in {"greater_than_equal", "less_than_equal"}:
        unit = next((u for u in _UNITS if place.endswith(f"_{u}")), "")
        limit = item["ctx"]["ge" if kind == "greater_than_equal" else "le"]
        side = "at least" if kind == "greater_than_equal" else "at most"
        check = f"; is the value in {_UNITS[unit]}?" if unit else ""
        if side == "at least" and limit == 0:
            check = "; leave the sign out"
        return f"{place}: must be {side} {limit:g} {unit}".rstrip() + f"; got {got!r}{check}"
    if kind == "list_type" and isinstance(got, str):
        return f"{place}: {message}; got {_written(got)}; write [{_short(json.dumps(got))}]"
    if kind == "list_type" and isinstance(got, dict) and len(item["loc"]) == 1:
        return f"{place}: must be a list of tables; write [[{place}]] above each, not [{place}]"
    if "; got " in message or (kind == "value_error" and isinstance(got, dict)):
        return f"{place}: {_short(message)}"
    return f"{place}: {message}; got {'a table' if isinstance(got, dict) else _written(got)}"


def _added(item: dict[str, Any], section: type[BaseModel], schema: type[BaseModel]) -> str:
    """Say what to add where a field is missing."""
    top = len(item["loc"]) == 1
    field = (schema if top else section).model_fields.get(str(item["loc"][-1]))
    if field is None:
        return "add it"
    if get_origin(field.annotation) is Literal:
        return f"add it: {' or '.join(map(repr, get_args(field.annotation)))}"
    if top and get_origin(field.annotation) is list:
        return f"add a block [[{item['loc'][0]}]]"
    return "add it"


def _where(
    loc: tuple[Any, ...], data: dict[str, Any], sections: Mapping[str, type[BaseModel]]
) -> tuple[str, str]:
    """Return the place of a fault in words, and the section of the file that it is in."""
    where: list[str] = []
    node: Any = data
    section = ""
    for part in loc:
        if isinstance(part, int):
            try:
                node = node[part]
            except (IndexError, KeyError, TypeError):
                node = None
            label = node.get("name") if isinstance(node, dict) else None
            label = shortened(label, _LONGEST_NAME) if isinstance(label, str) else label
            where[-1] += f"[{part + 1}]" + (f" {label!r}" if label else "")
            continue
        if part in sections:
            section = part
        if part.startswith(_BRANCHES):
            continue
        where.append(shortened(str(part), _LONGEST_NAME))
        node = node.get(part) if isinstance(node, dict) else None
    return " → ".join(where) or "study", section


def _written(value: object) -> str:
    """Return a value as a study file writes it, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    return _short(str(value) if isinstance(value, date | time) else repr(value))


def _short(text: str) -> str:
    """Cut a value that would fill the screen."""
    return text if len(text) <= 160 else f"{text[:150]}… ({len(text)} characters)"


def _repeated(file: StudyFile) -> list[str]:
    return repeated_names(
        {"person": [p.name for p in file.person], "condition": [c.name for c in file.condition]}
    )


def repeated_names(names: Mapping[str, Sequence[str]]) -> list[str]:
    """Faults of duplicated names, by the kind of thing that they name."""
    faults = []
    for kind, given in names.items():
        for name, count in Counter(given).items():
            if count > 1:
                faults.append(f"{kind} {name!r}: appears {count} times; names must differ")
    return faults


def _impossible(file: StudyFile) -> list[str]:
    faults: list[str] = []
    for condition in file.condition:
        faults.extend(condition_faults(condition))
        kind = EXERCISES.get(condition.exercise)
        if (
            kind is not None
            and kind.lateral
            and condition.lateral_ratio is None
            and file.settings.lateral == ["measured"]
        ):
            faults.append(
                f"condition {condition.name!r} → lateral_ratio: is missing, but settings → "
                "lateral asks for 'measured' only; add the ratio or another treatment"
            )
    return [*faults, *_without_reference(file)]


def _without_reference(file: StudyFile) -> list[str]:
    """Name the people, by their place in the file too, whose load cannot be worked out."""
    shares = [repr(c.name) for c in file.condition if c.load_share is not None]
    if not shares:
        return []
    word, verb = ("condition", "gives its") if len(shares) == 1 else ("conditions", "give their")
    return [
        f"person {person.name!r} (number {number} in the file) → reference_load_kg: is missing, "
        f"but {word} {', '.join(shares)} {verb} load as load_share; add it"
        for number, person in enumerate(file.person, start=1)
        if person.reference_load_kg is None
    ]
