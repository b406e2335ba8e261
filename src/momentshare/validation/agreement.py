"""How often published orders are right, by how many drawn limbs agree on them.

A firm order is one on which nearly all draws agree. Here the draws of the limb alone are held
against published orders and senses that no fit has used. A wrong one that a limit covers is marked
wherever it is shown; limits were written from these rows, so what they leave is no independent
test.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ModelError
from momentshare.validation.scores import AS_OFTEN, GROUPS, KIND_NAMES, markdown_table
from momentshare.validation.stored import rows_under, stored_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.model import Model

__all__ = [
    "AGREEMENT_FILE",
    "BANDS",
    "Agreement",
    "Reach",
    "agreement_markdown",
    "agreement_rows",
    "agreement_table",
    "agreements",
    "firm_orders",
    "is_firm",
    "reaches",
    "split",
    "stored_agreements",
]

AGREEMENT_FILE = "agreement.csv"
"""Counts of a model, beside its targets, from which reports say how far firm orders go."""

BANDS = ((0.95, 1.0), (0.7, 0.95), (0.5, 0.7))
"""Shares of drawn limbs on one side of an order, least and most; the first is a firm order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Orders or senses on which about as many drawn limbs agree.

    Attributes
    ----------
    group : str
        ``other sources``, or ``sources the limb also used``.
    kind : str
        ``orders`` or ``senses``.
    least, most : float
        Share of the drawn limbs on the side that most are on.
    rows, right : int
        Published rows, and those that are on that side.
    alike, alike_right : int
        The same of rows on which at least nine of ten null limbs take that side too, so that
        posture and load decide them.
    covered : int
        Rows on the other side that a limit of the limb covers.
    """

    group: str
    kind: str
    least: float
    most: float
    rows: int
    right: int
    alike: int
    alike_right: int
    covered: int

    @property
    def words(self) -> str:
        """Shares of the drawn limbs in words."""
        return (
            f"{100 * self.least:.0f} % or more"
            if self.most == 1.0
            else f"{100 * self.least:.0f} to {100 * self.most:.0f} %"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Published numbers whose band the interval of the drawn limbs meets."""

    group: str
    rows: int
    reached: int


def agreements(table: pd.DataFrame) -> tuple[Agreement, ...]:
    """Count orders and senses of validation by the share of drawn limbs that agree on them.

    Parameters
    ----------
    table : DataFrame
        With ``kind``, ``use``, ``source_used``, ``null_right``, ``drawn_right`` and ``limit``,
        such as :func:`momentshare.validation.table.validation_table` returns.

    Returns
    -------
    tuple of Agreement
        Without rows that have no draws; empty bands are left out.
    """
    judged = _judged(table)
    share = judged["drawn_right"].to_numpy(dtype=float)
    null = judged["null_right"].to_numpy(dtype=float)
    side = np.maximum(share, 1.0 - share)
    alike = np.where(share > 0.5, null, 1.0 - null) >= AS_OFTEN
    found = []
    for group, shared in GROUPS:
        for kind in ("order", "sense"):
            own = ((judged["kind"] == kind) & (judged["source_used"] == shared)).to_numpy()
            for least, most in BANDS:
                here = own & (side >= least) & ((side < most) | (most == 1.0))
                right = here & (share > 0.5)
                covered = here & ~right & (judged["limit"] != "").to_numpy()
                if here.any():
                    found.append(
                        Agreement(
                            group=group, kind=KIND_NAMES[kind], least=least, most=most,
                            rows=int(here.sum()), right=int(right.sum()),
                            alike=int((here & alike).sum()),
                            alike_right=int((right & alike).sum()),
                            covered=int(covered.sum()),
                        )
                    )  # fmt: skip
    return tuple(found)


def reaches(table: pd.DataFrame) -> tuple[Reach, ...]:
    """Count published numbers whose band the interval of the drawn limbs meets."""
    judged = _judged(table)
    numbers = judged[judged["kind"] == "number"]
    met = (numbers["drawn_low"] <= numbers["high"]) & (numbers["drawn_high"] >= numbers["low"])
    return tuple(
        Reach(group=group, rows=int(own.sum()), reached=int((met & own).sum()))
        for group, shared in GROUPS
        if (own := numbers["source_used"] == shared).any()
    )


def agreement_rows(table: pd.DataFrame) -> list[dict[str, str]]:
    """Return both counts as rows of text, the same for a screen and a page."""
    rows = [
        {
            "sources": a.group,
            "judged": a.kind,
            "drawn limbs that agree": a.words,
            "right": _of(a.right, a.rows),
            "right where null limbs agree": _of(a.alike_right, a.alike),
            "right elsewhere": _of(a.right - a.alike_right, a.rows - a.alike),
            "wrong, under a limit": str(a.covered),
            "wrong, under none": str(a.rows - a.right - a.covered),
        }
        for a in agreements(table)
    ]
    return rows + [
        {
            "sources": r.group,
            "judged": "numbers",
            "drawn limbs that agree": "their 90 % interval meets the band",
            "right": _of(r.reached, r.rows),
            "right where null limbs agree": "–",
            "right elsewhere": "–",
            "wrong, under a limit": "–",
            "wrong, under none": "–",
        }
        for r in reaches(table)
    ]


def agreement_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return the counts of orders and senses as a table, with the columns of :class:`Agreement`."""
    import pandas as pd

    return pd.DataFrame([asdict(a) for a in agreements(table)])


def agreement_markdown(table: pd.DataFrame) -> str:
    """Return the counts as a Markdown table; empty without drawn limbs."""
    rows = agreement_rows(table)
    return markdown_table(rows) if rows else ""


def is_firm(found: Agreement) -> bool:
    """Whether it counts firm orders from sources that the limb has not used."""
    return found.kind == "orders" and found.most == 1.0 and found.group == GROUPS[0][0]


def firm_orders(found: Sequence[Agreement]) -> str:
    """Say how many firm orders from other sources are right; empty without drawn limbs."""
    firm = [a for a in found if is_firm(a)]
    if not firm:
        return ""
    own = firm[0]
    wrong = own.rows - own.right
    said = (
        f"Of {own.rows} published orders on which at least {100 * own.least:.0f} % of limbs drawn "
        f"within this limb's spreads agree, {own.right} are right: {own.alike_right} of the "
        f"{own.alike} that at least nine of ten null limbs give too, and {split(own)}"
    )
    if not wrong:
        return f"{said}."
    covered = "those" if own.covered == wrong else f"{own.covered} of those"
    return f"{said}. Limits, written from such rows, cover {covered} that are wrong."


def split(own: Agreement) -> str:
    """Say how many of the other orders are right."""
    return f"{own.right - own.alike_right} of the other {own.rows - own.alike}"


def stored_agreements(model: Model) -> tuple[Agreement, ...]:
    """Read ``agreement.csv`` of a model; empty where it has no such file.

    Raises
    ------
    ModelError
        The file has other columns, or a row that is none.
    """
    stored = stored_text(model, AGREEMENT_FILE)
    if stored is None:
        return ()
    text, where = stored
    names = [field.name for field in fields(Agreement)]
    found = []
    for number, row in rows_under(text, where, names):
        try:
            group, kind, *numbers = row
            least, most = (float(share) for share in numbers[:2])
            rows, right, alike, alike_right, covered = (int(count) for count in numbers[2:])
        except ValueError:
            raise ModelError(
                f"{where} row {number}: must hold a group, a kind, two shares and five counts; "
                f"got {row}; make the file again with momentshare validate --out"
            ) from None
        found.append(
            Agreement(
                group=group, kind=kind, least=least, most=most,
                rows=rows, right=right, alike=alike, alike_right=alike_right,
                covered=covered,
            )
        )  # fmt: skip
    return tuple(found)


def _judged(table: pd.DataFrame) -> pd.DataFrame:
    return table[(table["use"] == "validation") & table["drawn_right"].notna()]


def _of(right: int, rows: int) -> str:
    return f"{right} of {rows}" + (f" ({100 * right / rows:.0f} %)" if rows else "")
