"""The page of a fit: what it brings into band, what it costs elsewhere, which numbers moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.calibration.fit import REACH
from momentshare.calibration.write import number_table, target_table
from momentshare.report.page.document import Page, Picture, Section, Table
from momentshare.report.page.parts import limits_section, report_page
from momentshare.report.page.validation import COMPARED_CURVES
from momentshare.report.text.opening import Opening, counted
from momentshare.validation.table import posture_words, quantity_words, told_rows

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.calibration import Calibration

__all__ = ["calibration_opening", "calibration_page"]

_SHOWN = [
    "quantity", "posture", "published", "unit", "before", "after", "in_band_after", "source",
]  # fmt: skip
_MOST = 40
"""Fitted numbers on the page, those that moved most; all are in their file."""


def calibration_opening(fit: Calibration) -> Opening:
    """Say what the fit brings into band, what changes in rows it did not use, and what it leaves.

    Parameters
    ----------
    fit : Calibration
    """
    table, numbers = target_table(fit), number_table(fit)
    used, other = (table[table["use"] == use] for use in ("calibration", "validation"))
    (was, now), (gained, lost) = _in_band(used), _crossed(used)
    (other_was, other_now), (came, went) = _in_band(other), _crossed(other)
    ends = int(numbers["at_bound"].sum())
    return Opening(
        firm=f"Of {counted(len(used), 'row')} that the fit uses, {now} lie within their published "
        f"band after it and {was} before; the fit brings {gained} in and {lost} out.",
        turns=f"Of {counted(len(other), 'row')} that judge the limb and that the fit does not see, "
        f"{other_now} lie within their band after it and {other_was} before: {came} come in and "
        f"{went} fall out.",
        unsaid="How well the limb predicts cannot be read from rows that it was fitted to; "
        "momentshare validate judges it on the others, beside null limbs. "
        f"{ends} of {counted(len(numbers), 'fitted number')} "
        f"{'stands' if ends == 1 else 'stand'} at the end of the allowed range"
        + (
            ", where the rows ask for more than the description of the limb allows."
            if ends
            else "."
        ),
        word="What the fit brings",
        second="What it changes elsewhere",
    )


def _in_band(table: pd.DataFrame) -> tuple[int, int]:
    """Count the rows in band before and after."""
    return int(table["in_band_before"].sum()), int(table["in_band_after"].sum())


def _crossed(table: pd.DataFrame) -> tuple[int, int]:
    """Count the rows that come into band and those that fall out."""
    before, after = table["in_band_before"].astype(bool), table["in_band_after"].astype(bool)
    return int((after & ~before).sum()), int((before & ~after).sum())


def calibration_page(fit: Calibration, picture: bytes) -> Page:
    """Assemble the page.

    Parameters
    ----------
    fit : Calibration
    picture : bytes
        PNG of :func:`momentshare.report.figures.calibration.fit_figure`.
    """
    table, numbers = target_table(fit), number_table(fit)
    table = table.assign(
        quantity=[quantity_words(target) for target in fit.targets],
        posture=[posture_words(target) for target in fit.targets],
    )
    references = fit.model.references
    used, other = (table[table["use"] == use] for use in ("calibration", "validation"))
    before, after = other["in_band_before"].astype(bool), other["in_band_after"].astype(bool)
    most = numbers.iloc[numbers["moved_spreads"].abs().argsort(kind="stable")[::-1]]
    caption = "Distance of the limb from every row that the fit used, before and after."
    sections = [
        Section(
            title="Rows that the fit uses",
            anchor="used",
            blocks=[
                Table(
                    frame=told_rows(used[_SHOWN], references),
                    caption="All are in calibration_report.csv.",
                ),
            ],
        ),
        Section(
            title="Rows that judge the limb",
            anchor="judging",
            blocks=[
                Table(
                    frame=told_rows(other[before != after][_SHOWN], references),
                    caption="Rows that the fit does not see and that come into band or fall out.",
                )
            ],
        ),
        Section(
            title="Fitted numbers",
            anchor="numbers",
            blocks=[
                Table(
                    frame=most.head(_MOST),
                    caption=f"The {min(_MOST, len(most))} of {len(most)} numbers that moved most. "
                    "Attachments, radii and fibre lengths may move by "
                    f"{REACH:g} of their spreads. All are in calibration_numbers.csv; "
                    "calibrated.csv is what a model folder takes.",
                )
            ],
        ),
        limits_section(fit.model),
    ]
    return report_page(
        (
            f"Fit of the {fit.model.name.replace('_', ' ')} to published values",
            fit.model.description,
        ),
        calibration_opening(fit),
        [Picture(image=picture, alt=caption, caption=caption)],
        sections,
        model=fit.model,
        curves=COMPARED_CURVES,
        digest="",
    )
