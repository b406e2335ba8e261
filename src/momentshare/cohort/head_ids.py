"""Heads of a cohort study by their ids, whatever names its file gives them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.errors import MomentshareError, StudyError
from momentshare.head_names import find_head, is_head_name
from momentshare.study.run import study_model

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from momentshare.cohort.schema import CohortFile, MaximalEntry
    from momentshare.trial.formats.layout import LayoutEntry

__all__ = ["check_heads", "with_head_ids"]


def named_heads(file: CohortFile) -> Iterator[tuple[str, str]]:
    """Names of heads in a cohort study, and the field of each."""
    for layout in file.layout:
        yield from ((head, f"layout {layout.name!r} → emg") for head in layout.emg)
    yield from ((m.head, "maximal_contraction → head") for m in file.maximal_contraction)
    yield from ((head, "statistics → heads") for head in file.statistics.heads)


def check_heads(file: CohortFile, known: Sequence[str], source: str) -> None:
    """Refuse names that no head of the model has, or several."""
    for head, field in named_heads(file):
        find_head(head, known, f"{source}: {field}")


def with_head_ids(file: CohortFile, source: str) -> CohortFile:
    """Put the ids of heads in place of the names that a file gives them.

    A name that is not known stays, for :func:`check_heads` to tell; so do all where the model
    cannot be read.

    Raises
    ------
    StudyError
        Two names of one layout mean the same head.
    """
    names = {head for head, _ in named_heads(file)}
    if not names:
        return file
    try:
        known = study_model(file.model, source).head_names
    except MomentshareError:
        return file
    ids = {name: find_head(name, known) for name in names if is_head_name(name, known)}
    if all(ids.get(name, name) == name for name in names):
        return file
    statistics = file.statistics
    heads = list(dict.fromkeys(ids.get(head, head) for head in statistics.heads))
    return file.model_copy(
        update={
            "layout": [_layout(entry, ids, source) for entry in file.layout],
            "maximal_contraction": [_maximal(entry, ids) for entry in file.maximal_contraction],
            "statistics": statistics.model_copy(update={"heads": heads}),
        }
    )


def _layout(entry: LayoutEntry, ids: dict[str, str], source: str) -> LayoutEntry:
    emg = {ids.get(name, name): label for name, label in entry.emg.items()}
    if len(emg) < len(entry.emg):
        heads = [ids.get(name, name) for name in entry.emg]
        twice = next(head for head in heads if heads.count(head) > 1)
        names = [repr(name) for name in entry.emg if ids.get(name, name) == twice]
        raise StudyError(
            f"{source}: the study cannot be used:",
            [f"layout {entry.name!r} → emg: {' and '.join(names)} are one head; remove one"],
        )
    return entry.model_copy(update={"emg": emg})


def _maximal(entry: MaximalEntry, ids: dict[str, str]) -> MaximalEntry:
    return entry.model_copy(update={"head": ids.get(entry.head, entry.head)})
