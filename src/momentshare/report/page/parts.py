"""Sections shared by the reports of all commands: limits, settings, sources, provenance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.report.page.document import (
    Block,
    Bullets,
    Heading,
    Page,
    Paragraph,
    Picture,
    Section,
    Table,
)
from momentshare.report.writing.citations import citations, run_keys
from momentshare.report.writing.record import versions
from momentshare.validation.agreement import firm_orders, stored_agreements

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from momentshare.model import Model
    from momentshare.report.text.opening import Opening

__all__ = [
    "captioned", "limits_section", "made_by", "report_page", "rows_table", "settings_section",
    "sources_bibtex",
]  # fmt: skip


def captioned(name: str, pictures: Mapping[str, bytes], captions: Mapping[str, str]) -> list[Block]:
    """Return a figure with its caption; nothing if it was not drawn."""
    if name not in pictures:
        return []
    caption = captions[name]
    return [Picture(image=pictures[name], alt=caption, caption=caption)]


def rows_table(rows: Sequence[Mapping[str, Any]], caption: str) -> Table:
    """Show rows of names and values as a table."""
    import pandas as pd

    return Table(frame=pd.DataFrame(list(rows)), caption=caption)


def limits_section(
    model: Model, more: Sequence[str] = (), concerned: Iterable[str] = ()
) -> Section:
    """Return the limits of the method and of this limb.

    Parameters
    ----------
    model : Model
    more : sequence of str
        Limits that the run has shown.
    concerned : iterable of str
        Cells with the keys of the limits that concern what is reported; they come first, with
        their reasons.
    """
    first = model.limits.notes(concerned)
    rest = [
        text
        for key, text in zip(model.limits.keys, model.limits.titles, strict=True)
        if not any(told.startswith(f"{key}: ") for told in first)
    ]
    trusted = firm_orders(stored_agreements(model))
    blocks: list[Block] = [Bullets(items=[*LIMITS, *([trusted] if trusted else []), *more])]
    if first:
        blocks += [
            Heading(text="What this limb does not support and this report concerns"),
            Bullets(items=first),
        ]
    if rest or not first:
        also = (
            "What else this limb does not support" if first else "What this limb does not support"
        )
        blocks += [Heading(text=also), Bullets(items=rest or ["Nothing was stated."])]
    return Section(title="Limits", anchor="limits", blocks=blocks)


def settings_section(
    texts: Sequence[str], people: Sequence[Mapping[str, Any]], settings: Sequence[Mapping[str, Any]]
) -> Section:
    """Return people and settings, with the methods in sentences."""
    blocks: list[Block] = [Paragraph(text=text) for text in texts]
    if people:
        blocks.append(
            rows_table(people, "People; sizes that were not measured are estimated from stature.")
        )
    blocks.append(rows_table(settings, "Every setting of the study."))
    return Section(title="Settings", anchor="settings", blocks=blocks)


def made_by(model: Model, study_digest: str) -> str:
    """Return program, limb and study, if there is one: one per line."""
    lines = [
        f"momentshare {versions()['momentshare']}",
        f"limb {model.name} {model.version}, digest {model.digest}",
        f"study digest {study_digest}" if study_digest else "",
    ]
    return "\n".join(filter(None, lines))


def sources_bibtex(model: Model, curves: str) -> str:
    """BibTeX of the sources behind any run of a limb with these curves."""
    return citations(model, run_keys(model, curves)).bibtex()


def report_page(
    about: tuple[str, str],
    opening: Opening,
    picture: Sequence[Block],
    sections: Sequence[Section],
    *,
    model: Model,
    curves: str,
    digest: str,
) -> Page:
    """Assemble a report.

    Parameters
    ----------
    about : (str, str)
        Title and note of the study.
    opening : Opening
    picture : sequence of Block
        The figure of the opening, or nothing.
    sections : sequence of Section
    model : Model
    curves : str
        Set of muscle curves.
    digest : str
        Of the study.
    """
    first = [block for block in picture if isinstance(block, Picture)]
    return Page(
        title=about[0],
        subtitle=about[1],
        opening=opening.labelled(),
        picture=first[0] if first else None,
        sections=sections,
        sources_bibtex=sources_bibtex(model, curves),
        cautions=CAUTIONS,
        made_by=made_by(model, digest),
    )
