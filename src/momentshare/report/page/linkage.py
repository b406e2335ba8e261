"""The page of a limb of one's own along a motion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.report.page.document import Bullets, Page, Picture, Section, Table
from momentshare.report.page.parts import captioned, rows_table
from momentshare.report.text.linkage_opening import OWN, linkage_opening, order_table
from momentshare.report.writing.record import versions
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from momentshare.linkage import LinkageResult

__all__ = ["CAPTIONS", "linkage_page"]

CAPTIONS = {
    "limb_activation": "Activation of every head that works, along the motion.",
    "limb_moments": "Net moment of every row, and what of it the heads cannot supply.",
}


def linkage_page(
    result: LinkageResult,
    criteria: pd.DataFrame,
    settings: Mapping[str, Any],
    bibtex: str,
    pictures: Mapping[str, bytes],
) -> Page:
    """Assemble the page.

    Parameters
    ----------
    result : LinkageResult
    criteria : DataFrame
        From :func:`momentshare.report.text.linkage_opening.criteria_table`.
    settings : mapping
        Options of the command.
    bibtex : str
        Of the sources of the limb.
    pictures : mapping
        Name of a figure → bytes of its PNG.
    """
    linkage = result.linkage
    first, *others = CAPTIONS
    picture = next(
        (b for b in captioned(first, pictures, CAPTIONS) if isinstance(b, Picture)), None
    )
    means = criteria.pivot_table(
        index="head", columns="criterion", values="mean_activation", sort=False
    ).reset_index()
    means.columns.name = None
    orders = order_table(criteria)
    formats = {name: ".2f" for name in means.columns if name != "head"}
    sections = [
        Section(
            title="Moments and heads",
            anchor="heads",
            blocks=[
                *(block for name in others for block in captioned(name, pictures, CAPTIONS)),
                Table(
                    frame=_extremes(result),
                    caption="Net moments. All frames: limb_rows.csv.",
                    formats={"most_unmet_nm": ".2f"},
                ),
                Table(
                    frame=means,
                    caption="Mean activation by the criterion in force (first column) and by "
                    "others, over frames whose moments can be met. Also in limb_criteria.csv.",
                    formats=formats,
                ),
                Table(
                    frame=orders.assign(other=orders["other"].map(head_label)),
                    caption="Orders of two working heads: firm if every criterion gives them.",
                ),
            ],
        ),
        Section(title="Limits", anchor="limits", blocks=[Bullets(items=[OWN, *LIMITS])]),
        Section(
            title="Settings",
            anchor="settings",
            blocks=[
                rows_table(
                    [{"setting": name, "value": str(value)} for name, value in settings.items()],
                    "Every setting of the run.",
                ),
                rows_table(
                    [
                        {"kind": kind, "numbers": count}
                        for kind, count in sorted(linkage.kinds().items())
                    ],
                    "How the numbers of the limb are known; a point or an axis counts as one.",
                ),
            ],
        ),
    ]
    return Page(
        title=f"Load on each head: {head_label(linkage.name)}, {len(result.angles)} frames",
        subtitle=linkage.description,
        opening=linkage_opening(result, criteria).labelled(),
        picture=picture,
        sections=sections,
        sources_bibtex=bibtex,
        cautions=CAUTIONS,
        made_by=f"momentshare {versions()['momentshare']}\n"
        f"limb {linkage.name} {linkage.version}, digest {linkage.digest}",
    )


def _extremes(result: LinkageResult) -> pd.DataFrame:
    """Least and greatest net moment of every row, and the most that is unmet."""
    table = result.row_table()
    table = table[table["moment_nm"].notna()]
    return (
        table.assign(unmet_nm=table["unmet_nm"].abs())
        .groupby("row", sort=False)
        .agg(
            balanced=("balanced", "first"),
            least_nm=("moment_nm", "min"),
            greatest_nm=("moment_nm", "max"),
            most_unmet_nm=("unmet_nm", "max"),
        )
        .reset_index()
    )
