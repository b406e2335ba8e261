"""The page of a comparison with published values: scores, misses, limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.page.document import Page, Section, Table
from momentshare.report.page.parts import captioned, limits_section, report_page
from momentshare.report.text.opening import Opening, counted, joined
from momentshare.text import percent_text
from momentshare.validation.agreement import agreement_rows, agreements, firm_orders
from momentshare.validation.limits import limit_outcomes, out_of_date
from momentshare.validation.scores import score_rows, scores
from momentshare.validation.table import told_rows

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from momentshare.model import Model

__all__ = ["COMPARED_CURVES", "validation_opening", "validation_page"]

COMPARED_CURVES = "degroote2016"
"""Muscle curves of every limb that is compared."""

_MISS = [
    "kind", "quantity", "posture", "published", "unit", "model", "null_right", "drawn_right",
    "limit", "source",
]  # fmt: skip


_CAPTIONS = {
    "scores": "Share of published rows that the limb and its null limbs get right.",
    "agreement": "Share of published orders and senses that are right, by how many limbs drawn "
    "within the model's spreads agree on them.",
}


def validation_opening(model: Model, table: pd.DataFrame) -> Opening:
    """Say how much is right, what null limbs get right as well, and what is missed.

    Parameters
    ----------
    model : Model
    table : DataFrame
        From :func:`momentshare.validation.table.validation_table`.
    """
    found = scores(table)
    if not found:
        nothing = "No published row can judge this limb."
        return Opening(firm=nothing, turns=nothing, unsaid=nothing)
    first = [score for score in found if score.group == found[0].group]
    right = joined([f"{s.right} of {s.rows} {s.kind}" for s in first])
    null = joined([f"{100 * s.null:.0f} % of {s.kind}" for s in first if s.null == s.null])
    told, of = sum(s.telling_right for s in first), sum(s.telling for s in first)
    judged = table[table["use"] == "validation"]
    missed = int((~judged["right"].astype(bool)).sum())
    keys = [row.key for key in model.limits.keys for row in model.limits.of(key)[:1] if row.targets]
    old = out_of_date(limit_outcomes(model.limits, table))
    firm = f"Of rows from {found[0].group} that no fit has used, {right} are right."
    return Opening(
        firm=f"{firm} {firm_orders(agreements(table))}".strip(),
        turns=(
            f"Null limbs get {null} right too; of {counted(of, 'row')} that fewer than nine of "
            f"ten of them get right, the limb gets {told}."
            if null
            else "Without null limbs it is not known what any limb would get right."
        ),
        unsaid=(
            f"{counted(missed, 'row')} of {len(judged):,} {'is' if missed == 1 else 'are'} missed; "
            f"{counted(len(keys), 'limit')} of the limb follow from such misses"
            + (f", of which {', '.join(old)} may be out of date" if old else "")
            + ". Recalled values and rules of thumb are compared but never counted."
        ),
        word="What is right",
        second="What any limb gets right",
    )


def validation_page(model: Model, table: pd.DataFrame, pictures: Mapping[str, bytes]) -> Page:
    """Assemble the page.

    Parameters
    ----------
    model : Model
    table : DataFrame
        From :func:`momentshare.validation.table.validation_table`.
    pictures : mapping of str to bytes
        PNG of ``scores`` and, with drawn limbs, of ``agreement``.
    """
    import pandas as pd

    judged = table[table["use"] == "validation"]
    misses = judged[~judged["right"].astype(bool)].sort_values("telling", kind="stable")
    outcomes = limit_outcomes(model.limits, table)
    sections = [
        Section(
            title="Scores",
            anchor="scores",
            blocks=[
                Table(
                    frame=pd.DataFrame(score_rows(scores(table))),
                    caption="Right, kind by kind. Sources that the limb used, in its fit or for a "
                    "number of its model, are scored separately. All rows are in validation.csv.",
                )
            ],
        ),
        *_agreement_section(table, pictures),
        Section(
            title="Misses",
            anchor="misses",
            blocks=[
                Table(
                    frame=told_rows(misses[_MISS], model.references),
                    labels={
                        "model": "this limb",
                        "null_right": "null limbs right",
                        "drawn_right": "drawn limbs right",
                    },
                    formats={"null_right": percent_text, "drawn_right": percent_text},
                    caption="Rows that the limb misses; those that nine of ten null limbs get "
                    "right come first. A row that hardly any drawn limb gets right lies beyond the "
                    "limb's spreads, and the limit, if it has one, says why; one that many get "
                    "right lies within what they leave open.",
                )
            ],
        ),
        Section(
            title="Limits and the rows behind them",
            anchor="behind",
            blocks=[Table(frame=outcomes, caption="What the limb does not support, and why.")],
        ),
        limits_section(model),
    ]
    return report_page(
        (f"The {model.name.replace('_', ' ')} beside published values", model.description),
        validation_opening(model, table),
        captioned("scores", pictures, _CAPTIONS),
        sections,
        model=model,
        curves=COMPARED_CURVES,
        digest="",
    )


def _agreement_section(table: pd.DataFrame, pictures: Mapping[str, bytes]) -> list[Section]:
    """Return how far firm orders can be trusted; nothing without drawn limbs."""
    import pandas as pd

    rows = agreement_rows(table)
    if not rows:
        return []
    return [
        Section(
            title="How far firm orders can be trusted",
            anchor="agreement",
            blocks=[
                *captioned("agreement", pictures, _CAPTIONS),
                Table(
                    frame=pd.DataFrame(rows),
                    caption="Limbs drawn within the model's spreads, as in uncertainty. Right: "
                    "the side that most drawn limbs take; the limb itself may be on the other. "
                    "Limits were written from these rows, so what they leave is no independent "
                    "test.",
                ),
            ],
        )
    ]
