"""Read a cohort study file; every fault is reported with its field, value and remedy."""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from momentshare.cohort.expand import SHORT_FORMS, expanded
from momentshare.cohort.head_ids import with_head_ids
from momentshare.cohort.schema import (
    BestLiftEntry,
    CohortFile,
    CohortSettings,
    CohortStudy,
    EmgEntry,
    MaximalEntry,
    MeasuredCondition,
    ProcessingEntry,
    PublishedEntry,
    StaticEntry,
    StatisticsEntry,
    TrialEntry,
)
from momentshare.errors import StudyError, nearest_name
from momentshare.inputs import toml_data
from momentshare.study.factors import factor_faults
from momentshare.study.load import (
    checked_data,
    coded_people,
    parse_study,
    raise_faults,
    read_study_text,
    repeated_names,
    study_data,
    text_digest,
    unasked_codes,
)
from momentshare.study.pseudonyms import renamed
from momentshare.study.schema import PeopleEntry, PersonEntry, StrengthEntry
from momentshare.trial.formats.layout import LayoutEntry

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic import BaseModel

    from momentshare.study import Study
    from momentshare.trial.formats.layout import FileFormat

__all__ = ["load_any", "load_cohort", "parse_cohort"]

_SECTIONS: dict[str, type[BaseModel]] = {
    "settings": CohortSettings,
    "processing": ProcessingEntry,
    "emg": EmgEntry,
    "statistics": StatisticsEntry,
    "people": PeopleEntry,
    "person": PersonEntry,
    "strength": StrengthEntry,
    "layout": LayoutEntry,
    "condition": MeasuredCondition,
    "trial": TrialEntry,
    "maximal_contraction": MaximalEntry,
    "best_lift": BestLiftEntry,
    "static": StaticEntry,
    "published": PublishedEntry,
}


def load_cohort(path: str | Path) -> CohortStudy:
    """Read and check a cohort study file (TOML).

    File names in it are relative to its own folder. The files themselves are read when the cohort
    runs, so that one bad trial does not stop the others.

    Parameters
    ----------
    path : str or Path
        A file such as the one that ``momentshare demo … --lab`` writes.

    Returns
    -------
    CohortStudy

    Raises
    ------
    StudyError
        One line for each fault: file, field, value and remedy.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import load_cohort
    >>> from momentshare.demo.lab import write_lab
    >>> with TemporaryDirectory() as folder:
    ...     study = load_cohort(write_lab(Path(folder), people=1, repetitions=1))
    >>> [person.name for person in study.file.person]
    ['Ines']
    """
    place = Path(path)
    return parse_cohort(read_study_text(place), str(place), place.parent)


def load_any(path: str | Path) -> Study | CohortStudy:
    """Read a study file of either kind; one with trials, layouts or published tables is a cohort.

    Raises
    ------
    StudyError
        See :func:`load_cohort` and :func:`momentshare.study.load_study`.
    """
    place = Path(path)
    text = read_study_text(place)
    try:
        measured = not _MEASURED.isdisjoint(toml_data(text))
    except (ValueError, RecursionError):
        measured = False  # faults are reported where it is read
    if measured:
        return parse_cohort(text, str(place), place.parent)
    return parse_study(text, str(place))


_MEASURED = {"trial", "layout", "published", *SHORT_FORMS} - {"people", "strengths"}
"""Tables that only a cohort study has."""


def parse_cohort(text: str, source: str = "study", folder: Path | None = None) -> CohortStudy:
    """Check the text of a cohort study file; see :func:`load_cohort`."""
    raw = study_data(text, source)
    entries = raw.get("condition")
    entries = [e for e in entries if isinstance(e, dict)] if isinstance(entries, list) else []
    if _MEASURED.isdisjoint(raw) and any("exercise" in entry for entry in entries):
        raise StudyError(
            f"{source}: is a study of planned lifts (its conditions name an exercise); give it to "
            "'momentshare compare', or name a cohort study, with a [[trial]]"
        )
    folder = folder or Path()
    origins: dict[str, str] = {}
    data, faults = expanded(raw, folder, list(TrialEntry.model_fields), origins)
    coded = coded_people(data, source)
    on_disk: dict[str, str] = {}
    with coded.in_faults():
        raise_faults(source, faults)
        if coded:
            source = coded.file(source)
            data, on_disk = renamed(data, coded)
        file = checked_data(data, source, CohortFile, _SECTIONS, origins)
        raise_faults(source, _faults(file))
        file = with_head_ids(file, source)
    if coded:
        text = file.model_dump_json()
    elif not set(SHORT_FORMS).isdisjoint(raw):  # tables and files found are part of it
        text += file.model_dump_json()
    return CohortStudy(
        source=source,
        digest=text_digest(text),
        folder=folder,
        file=file,
        pseudonyms=coded,
        on_disk=on_disk,
    )


def _faults(file: CohortFile) -> list[str]:
    """Faults across the tables of a study that are sound individually."""
    names = {
        "person": [p.name for p in file.person],
        "layout": [x.name for x in file.layout],
        "condition": [c.name for c in file.condition],
    }
    faults = [*repeated_names(names), *unasked_codes(file.people, file.person)]
    faults += [f"layout {x.name!r} → {fault}" for x in file.layout for fault in x.faults()]
    faults += _misfits(file)
    for number, trial in enumerate(file.trial, start=1):
        place = f"trial[{number}] {trial.file!r}"
        faults += _unknown(place, "person", trial.person, names["person"])
        faults += _unknown(place, "condition", trial.condition, names["condition"])
        condition = next((c for c in file.condition if c.name == trial.condition), None)
        if condition is not None and not condition.ground and not trial.load_kg:
            faults.append(
                f"{place} → load_kg: is missing or zero; give the whole load of both hands, which "
                "the hand forces are judged against"
            )
        for layout in (trial.layout, *(m.layout for m in trial.more)):
            faults += _unknown(place, "layout", layout, names["layout"])
    for number, maximal in enumerate(file.maximal_contraction, start=1):
        place = f"maximal_contraction[{number}]"
        faults += _unknown(place, "person", maximal.person, names["person"])
        if maximal.layout is not None:
            faults += _unknown(place, "layout", maximal.layout, names["layout"])
    faults += _best_lifts(file, names) + factor_faults(file.condition)
    for number, static in enumerate(file.static, start=1):
        place = f"static[{number}]"
        faults += _unknown(place, "person", static.person, names["person"])
        faults += _unknown(place, "layout", static.layout, names["layout"])
    for number, table in enumerate(file.published, start=1):
        faults += _unknown(f"published[{number}]", "person", table.person, names["person"])
    faults += _twice(file)
    if file.emg.pull_weight is not None and file.settings.exponent != 2.0:
        faults.append(
            f"emg → pull_weight: needs settings → exponent 2; got {file.settings.exponent:g}; "
            "remove one of them"
        )
    if not file.trial and not file.published:
        faults.append("trial: there is none, and no published table; add a [[trial]]")
    return faults


def _best_lifts(file: CohortFile, names: dict[str, list[str]]) -> list[str]:
    """Faults of best lifts: unknown names, hands on the ground, two for one condition."""
    faults: list[str] = []
    seen: dict[tuple[str, str], int] = {}
    for number, best in enumerate(file.best_lift, start=1):
        place, key = f"best_lift[{number}]", (best.person, best.condition)
        faults += _unknown(place, "person", best.person, names["person"])
        faults += _unknown(place, "condition", best.condition, names["condition"])
        if any(c.ground for c in file.condition if c.name == best.condition):
            faults.append(
                f"{place} → condition: {best.condition!r} has the hands on the ground, where a "
                "load says little of the hands; name a condition with a bar or dumbbells"
            )
        if key in seen:
            faults.append(
                f"{place}: {best.person!r}, {best.condition!r} is given in best_lift[{seen[key]}] "
                "already; keep the heavier one"
            )
        seen.setdefault(key, number)
    return faults


def _unknown(place: str, field: str, name: str, known: Iterable[str]) -> list[str]:
    have = list(known)
    if name in have:
        return []
    if not have:
        return [f"{place} → {field}: {name!r} is not described; add a [[{field}]] of this name"]
    return [f"{place} → {field}: unknown name {name!r}; {nearest_name(name, have)}"]


def _misfits(file: CohortFile) -> list[str]:
    """Faults of layouts that fit none of their files, judged by the files' extensions."""
    named = [(t.layout, t.file) for t in file.trial]
    named += [(m.layout, m.file) for t in file.trial for m in t.more]
    named += [(m.layout, m.file) for m in file.static]
    named += [(m.layout, f) for m in file.maximal_contraction for f in m.every_file if m.layout]
    faults: list[str] = []
    for layout in file.layout:
        if layout.format is not None or layout.faults():
            continue
        mine: dict[FileFormat | None, list[str]] = {}
        for name in dict.fromkeys(name for key, name in named if key == layout.name):
            mine.setdefault(layout.format_for(PurePath(name).suffix), []).append(name)
        misfit = {key: layout.faults(key) for key in mine if key is not None}
        if not misfit or None in mine or not all(misfit.values()):
            continue
        for key, found in misfit.items():
            names = mine[key]
            use = f"{len(names)} files" if len(names) > 1 else "one file"
            faults += [f"layout {layout.name!r} → {f} (for {use}: {names[0]!r})" for f in found]
    return faults


def _twice(file: CohortFile) -> list[str]:
    """Trials that are the same measurement, and maximal contractions stated twice."""
    faults: list[str] = []
    seen: dict[tuple[object, ...], int] = {}
    for number, trial in enumerate(file.trial, start=1):
        key = (trial.file, trial.side, tuple(trial.repetitions or ()))
        if key in seen:
            faults.append(
                f"trial[{number}] {trial.file!r}: the same file and arm are in "
                f"trial[{seen[key]}] already; remove one, or say which repetitions"
            )
        seen.setdefault(key, number)
    stated = set()
    for number, maximal in enumerate(file.maximal_contraction, start=1):
        if (maximal.person, maximal.head) in stated:
            faults.append(
                f"maximal_contraction[{number}]: {maximal.person!r}, {maximal.head!r} is stated "
                "twice; keep one"
            )
        stated.add((maximal.person, maximal.head))
    return faults
