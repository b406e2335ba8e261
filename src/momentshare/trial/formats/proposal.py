"""Propose a layout for a file: what its labels show, and marks where a person has to look.

The proposal loads as it is. Lines that end with CHECK are not stated in the file; labels without a
recognisable role are listed as comments.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from momentshare.trial.formats.layout import FORCE_ROLES, MARKER_ROLES
from momentshare.trial.formats.proposed_axes import axis_lines
from momentshare.trial.formats.signal_units import unit_factor

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.trial.formats.contents import Contents, Signal

__all__ = ["proposed_layout"]

_WORDS = {
    "ij": ("ij", "jugular notch", "incisura jugularis", "sternal notch"),
    "px": ("px", "xiphoid", "xiphoid process", "processus xiphoideus"),
    "c7": ("c7",),
    "t8": ("t8", "th8"),
    "acromion": ("acromion", "ac", "acr", "acromial"),
    "gh": ("gh", "glenohumeral", "shoulder centre", "shoulder center"),
    "el": ("el", "lateral epicondyle", "epicondyle lateral", "elbow lateral"),
    "em": ("em", "medial epicondyle", "epicondyle medial", "elbow medial"),
    "rs": ("rs", "radial styloid", "wrist radial"),
    "us": ("us", "ulnar styloid", "wrist ulnar"),
    "grip": ("grip", "hand", "hand centre", "hand center"),
    "bar": ("bar", "barbell"),
    "hand_force": ("f", "force", "hand force", "fp"),
}
"""Words for landmarks and forces, without side."""

_SIDES = {"r": "right", "right": "right", "l": "left", "left": "left"}
_ENDING = re.compile(r"^(?P<stem>.*?)(?P<between>[ _.:\-]?)(?P<axis>[xyzXYZ])$")
_SHOWN = 200
_LONGEST = 180
"""Characters of a label that a layout holds, with an ending."""


def proposed_layout(contents: Contents) -> str:
    """Return TOML text of one ``[[layout]]`` for files like this one.

    Parameters
    ----------
    contents : Contents
        From :func:`momentshare.trial.formats.contents.file_contents`.
    """
    is_table = contents.format != "c3d"
    vectors, endings, single = _vectors(contents)
    prefix = _label_prefix(contents)
    markers, forces, emg, rest = _roles(contents, vectors, single, prefix)
    lines = ["[[layout]]", 'name = "proposed"', f'format = "{contents.format}"']
    seen, pushes = _places(contents, vectors, markers, forces)
    axes = axis_lines(contents.upward, seen, pushes)
    lines += axes if markers or forces or contents.format == "c3d" else axes[-1:]
    if is_table:
        lines += _table_lines(contents, endings, markers=bool(markers), forces=bool(forces))
        lines += _units(contents, markers, forces, emg, vectors)
    else:
        lines += _missing_units(contents, markers, forces, emg)
    if prefix:
        lines.append(
            f"label_prefix = {_quoted(prefix)}  # or with {{person}} for what differs between "
            "people: CHECK"
        )
    lines += ["", "[layout.markers]"]
    lines += [
        f"{role} = {_quoted(label.removeprefix(prefix))}{note}"
        for role, (label, note) in markers.items()
    ]
    lines += [f"#role = {_quoted(x)}" for x in _unnamed(contents, markers, prefix)]
    lines += ["", "[layout.forces]"]
    for role, (label, note) in forces.items():
        parts = vectors[label]
        alike = is_table and tuple(part.removeprefix(label) for part in parts) == endings
        value = _quoted(label) if alike else f"[{', '.join(map(_quoted, parts))}]"
        lines.append(f"{role} = {value}{note}")
    for plate in contents.platforms:
        word = "#" if forces or plate.fault or plate.number > 2 else ""
        role = FORCE_ROLES[(plate.number - 1) % 2]
        lines.append(f"{word}{role} = {{ plate = {plate.number} }}  # which hand: CHECK")
    lines += ["", "[layout.emg]"]
    lines += [f"{_quoted(head)} = {_quoted(label)}  # CHECK" for head, label in emg.items()]
    lines += [f'#"muscle/head" = {_quoted(label)}' for label in rest[:_SHOWN]]
    return "\n".join(lines) + "\n"


def _unnamed(contents: Contents, markers: dict[str, tuple[str, str]], prefix: str) -> list[str]:
    """Markers without a recognisable role, their names in a layout with this prefix."""
    named = {label for label, _ in markers.values()}
    points = [s.label for s in _usable(contents) if s.kind == "marker" and s.label not in named]
    return [label.removeprefix(prefix) for label in dict.fromkeys(points)][:_SHOWN]


def _label_prefix(contents: Contents) -> str:
    """Return what stands before a colon in the labels of all markers; empty where they differ."""
    points = [s.label for s in _usable(contents) if s.kind == "marker"]
    fronts = {label.rpartition(":")[0] for label in points}
    front = fronts.pop() if len(fronts) == 1 else ""
    return f"{front}:" if front else ""


def _places(
    contents: Contents,
    vectors: dict[str, tuple[str, str, str]],
    markers: dict[str, tuple[str, str]],
    forces: dict[str, tuple[str, str]],
) -> tuple[dict[str, NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Middles of landmarks by role, and of the forces of the hands."""
    middles = {s.label: s.middle for s in contents.signals}

    def of(label: str) -> NDArray[np.float64]:
        if len(middles.get(label, ())) == 3:
            return np.array(middles[label])
        return np.array([middles[part][0] for part in vectors[label]])

    return (
        {role: of(label) for role, (label, _) in markers.items()},
        [of(label) for label, _ in forces.values()],
    )


def _quoted(text: str) -> str:
    """Text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _vectors(
    contents: Contents,
) -> tuple[dict[str, tuple[str, str, str]], tuple[str, ...], list[Signal]]:
    """Columns and channels that are three components of one thing, and all others."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    labels = [s.label for s in _usable(contents) if s.kind in {"channel", "column"}]
    for label in labels:
        if match := _ENDING.match(label):
            key = (match["stem"], match["between"])
            found.setdefault(key, {}).setdefault(match["axis"].lower(), label)
    groups = {key: parts for key, parts in found.items() if len(parts) == 3 and key[0]}
    endings: tuple[str, ...] = ()
    if groups and contents.format != "c3d":
        counts: dict[tuple[str, ...], int] = {}
        for (stem, _), parts in groups.items():
            ending = _endings(stem, parts)
            counts[ending] = counts.get(ending, 0) + 1
        endings = max(counts, key=lambda e: counts[e])
        groups = {
            key: parts
            for key, parts in groups.items()
            if _endings(key[0], parts) == endings or _role(key[0])[0] in FORCE_ROLES
        }
    vectors = {stem: (parts["x"], parts["y"], parts["z"]) for (stem, _), parts in groups.items()}
    used = {label for parts in vectors.values() for label in parts}
    return vectors, endings, [s for s in _usable(contents) if s.label not in used]


def _endings(stem: str, parts: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(parts[axis].removeprefix(stem) for axis in "xyz")


def _usable(contents: Contents) -> list[Signal]:
    """Signals whose labels a layout may hold."""
    return [s for s in contents.signals if s.label.isprintable() and 0 < len(s.label) <= _LONGEST]


def _roles(
    contents: Contents,
    vectors: dict[str, tuple[str, str, str]],
    single: Sequence[Signal],
    prefix: str = "",
) -> tuple[dict[str, tuple[str, str]], dict[str, tuple[str, str]], dict[str, str], list[str]]:
    """Roles of markers and forces with label and remark, heads of electrodes, all others."""
    markers: dict[str, tuple[str, str]] = {}
    forces: dict[str, tuple[str, str]] = {}
    points = [s.label for s in _usable(contents) if s.kind == "marker"]
    counts = Counter(points)
    for label in [label for label in points if counts[label] == 1] + list(vectors):
        role, note = _role(label.removeprefix(prefix))
        if role in MARKER_ROLES and (label in points or contents.format != "c3d"):
            markers.setdefault(role, (label, note))
        elif role in FORCE_ROLES and label in vectors:
            forces.setdefault(role, (label, note))
    emg: dict[str, str] = {}
    rest: dict[str, None] = {}
    platform = {label for plate in contents.platforms for label in plate.channels}
    for signal in single:
        if signal.kind not in {"channel", "column"} or signal.label in platform:
            continue
        head = _head(signal.label)
        if head and head not in emg:
            emg[head] = signal.label
        elif signal.label:
            rest[signal.label] = None
    return markers, forces, emg, list(rest)


def _role(label: str) -> tuple[str, str]:
    """Role that a label names, or an empty text, and a remark."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", label)
    tokens = [t for t in re.split(r"[^a-z0-9]+", spaced.casefold()) if t]
    side = next((_SIDES[t] for t in tokens if t in _SIDES), "")
    name = _name(" ".join(t for t in tokens if t not in _SIDES))
    if not name and not side and len(tokens) == 1:
        token = tokens[0]
        for letter, rest in ((token[:1], token[1:]), (token[-1:], token[:-1])):
            if letter in _SIDES and _name(rest):
                side, name = _SIDES[letter], _name(rest)
                break
    if name in {"ij", "px", "c7", "t8"}:
        return name, ""
    if not name:
        return "", ""
    note = "" if side else "  # which side: CHECK"
    side = side or "right"
    return (f"bar_{side}" if name == "bar" else f"{side}_{name}"), note


def _name(words: str) -> str:
    return next((name for name, known in _WORDS.items() if words in known), "")


def _head(label: str) -> str:
    """Head whose muscle and part a label abbreviates, if there is exactly one."""
    tokens = [t for t in re.split(r"[^a-z]+", label.casefold()) if t not in {"emg", "", *_SIDES}]
    if len(tokens) < 2 or any(len(t) < 3 for t in tokens):
        return ""
    fitting = [
        head
        for head in _heads()
        if all(any(w.startswith(t) for w in re.split(r"[/_]", head)) for t in tokens)
    ]
    return fitting[0] if len(fitting) == 1 else ""


@cache
def _heads() -> tuple[str, ...]:
    """Names of the heads of the reference limb."""
    from momentshare.model import load_model

    return tuple(load_model().head_names)


def _table_lines(
    contents: Contents, endings: Sequence[str], *, markers: bool, forces: bool
) -> list[str]:
    text = contents.text
    lines = []
    if text is not None and contents.format == "csv":
        lines += [f"delimiter = {_quoted(text.delimiter)}", f"decimal = {_quoted(text.decimal)}"]
        lines.append(f"header_rows = {list(text.header_rows)}")
        if text.units_row is not None:
            lines.append(f"units_row = {text.units_row}")
        lines.append(f"first_row = {text.first_row}")
    if text is not None and text.time_column in {s.label for s in _usable(contents)}:
        lines.append(f"time_column = {_quoted(text.time_column)}")
        unit = next((s.unit for s in contents.signals if s.label == text.time_column), "")
        if unit_factor("time", unit) == unit_factor("time", "ms"):
            lines.append('time_unit = "ms"')
    else:
        lines.append("rate_hz = 100.0  # no column of times was found: CHECK")
    if endings and (markers or forces):
        lines.append(f"axes = [{', '.join(map(_quoted, endings))}]")
    return lines


def _units(
    contents: Contents,
    markers: dict[str, tuple[str, str]],
    forces: dict[str, tuple[str, str]],
    emg: dict[str, str],
    vectors: dict[str, tuple[str, str, str]],
) -> list[str]:
    """Units of a table, if no row of it states them."""
    if contents.text is not None and contents.text.units_row is not None:
        return []
    sizes = {s.label: max(abs(s.least), abs(s.greatest)) for s in contents.signals}
    found = []
    if markers:
        largest = max(sizes[part] for label, _ in markers.values() for part in vectors[label])
        found.append(f'markers = "{"mm" if largest > 20.0 else "m"}"')
    if forces:
        found.append('forces = "N"')
    electrodes = list(emg.values()) or [x for x in sizes if "emg" in x.casefold()]
    found.append(f'emg = "{"mV" if any(sizes[label] > 0.05 for label in electrodes) else "V"}"')
    return [f"units = {{ {', '.join(found)} }}  # by the size of the numbers: CHECK"]


def _missing_units(
    contents: Contents,
    markers: dict[str, tuple[str, str]],
    forces: dict[str, tuple[str, str]],
    emg: dict[str, str],
) -> list[str]:
    """Units that a C3D file leaves out or writes in a way of its own."""
    stated = {s.label: s.unit for s in contents.signals}
    wanted = {
        "markers": [label for label, _ in markers.values()],
        "emg": list(emg.values()),
    }
    found = [
        f'{kind} = "{unit}"'
        for kind, unit in (("markers", "mm"), ("emg", "mV"))
        if any(unit_factor(kind, stated[label]) is None for label in wanted[kind])
    ]
    force_channels = [c for plate in contents.platforms for c in plate.channels]
    if any(not stated.get(c) for c in force_channels) or (
        not force_channels and forces and not any(stated.values())
    ):
        found.append('forces = "N"')
    return [f"units = {{ {', '.join(found)} }}  # not stated in the file: CHECK"] if found else []
