"""Published rows that bear on a claim: about heads, or about the strength in a direction.

Only rows that depend on postures are computed, which takes a fraction of a second; rows that need a
whole lift are left to ``momentshare validate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.directions import DIRECTIONS, direction_named
from momentshare.validation.evaluate import evaluate, is_posture
from momentshare.validation.probe import Probe
from momentshare.validation.table import posture_words, quantity_words
from momentshare.validation.targets import load_targets
from momentshare.validation.terms import AS_NAMED, unit_words

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Sequence

    import pandas as pd

    from momentshare.model import Model
    from momentshare.validation.targets import Ask, Target

__all__ = ["BearingRow", "misses", "rows_on_heads", "rows_on_strength", "rows_table"]

_STRENGTH = frozenset({"strength", "peak_angle", "passive_moment"})
_OF_A_HEAD = frozenset(
    {
        "moment_arm", "peak_moment_arm", "mean_moment_arm", "peak_moment_arm_abduction",
        "mean_moment_arm_abduction", "rank", "torque_share", "fibre_length", "fibre_range",
        "active_factor", "passive_factor", "pcsa", "volume", "elbow_excursion",
    }
)  # fmt: skip
_POSTURE = ("plane_deg", "elevation_deg", "axial_deg", "elbow_flexion_deg", "scapula")


@dataclass(frozen=True, slots=True, kw_only=True)
class BearingRow:
    """One published row beside the limb's value.

    Attributes
    ----------
    id : str
        As in ``targets.csv``.
    about : str
        Head or direction that it is about here.
    quantity, posture, published, unit, source, use : str
    cited : str
        Authors and year of the source.
    model : float
        The limb's value.
    right : bool
    compares : bool
        Whether it compares two postures or speeds in one direction, so that it bears on a ratio
        between them and not on a size alone.
    """

    id: str
    about: str
    quantity: str
    posture: str
    published: str
    unit: str
    source: str
    cited: str
    use: str
    model: float
    right: bool
    compares: bool

    @property
    def text(self) -> str:
        """Describe the row in one line."""
        unit = f" {unit_words(self.unit)}".rstrip()
        size = f"{abs(self.model):.3g}{unit}"
        if self.published == "larger":
            found = "larger" if self.model > 0.0 else "smaller"
            whole = f"published: larger; in this limb {found}, by {size}"
        elif self.published == "sense":
            found = AS_NAMED if self.model > 0.0 else "the reverse"
            whole = f"published: {AS_NAMED}; in this limb {found}, {size}"
        else:
            whole = f"published {self.published}{unit}, in this limb {self.model:.3g}{unit}"
        return f"{self.quantity} ({self.posture}): {whole} ({self.cited})"


def rows_on_heads(model: Model, heads: Sequence[str]) -> tuple[BearingRow, ...]:
    """Compute the published rows that name one of some heads, or its muscle.

    Parameters
    ----------
    model : Model
    heads : sequence of str
    """
    return _computed(model, _OF_A_HEAD, heads, _names)


def rows_on_strength(model: Model, directions: Iterable[str]) -> tuple[BearingRow, ...]:
    """Compute the published rows on the strength in some directions.

    Rows that only compare sexes are left out: they cancel in a ratio of two postures.

    Parameters
    ----------
    model : Model
    directions : iterable of str
        Names of :data:`momentshare.directions.DIRECTIONS`.
    """
    names = [direction_named(name).name for name in directions]
    return _computed(
        model, _STRENGTH, names, lambda ask, name: ask.direction == name, leave_out=_of_sexes
    )


def misses(rows: Iterable[BearingRow]) -> tuple[BearingRow, ...]:
    """Keep the rows that the limb does not meet, those that compare postures first."""
    return tuple(sorted((row for row in rows if not row.right), key=lambda row: not row.compares))


def rows_table(rows: Iterable[BearingRow]) -> pd.DataFrame:
    """One line per row."""
    import pandas as pd

    names = [name for name in BearingRow.__dataclass_fields__ if name != "cited"]
    return pd.DataFrame([[getattr(row, n) for n in names] for row in rows], columns=names)


def _names(ask: Ask, head: str) -> bool:
    return any(subject in {head, head.split("/", maxsplit=1)[0]} for subject in ask.subjects)


def _of_sexes(target: Target) -> bool:
    """Whether two settings that are compared differ in nothing but the sex."""
    asks = target.asks
    if target.combination not in {"difference", "ratio"}:
        return False
    return asks[0].sex != asks[1].sex and _same(asks, (*_POSTURE, "direction"))


def _same(asks: Collection[Ask], fields: Sequence[str]) -> bool:
    first, second = asks
    return all(getattr(first, name) == getattr(second, name) for name in fields)


def _compares(target: Target) -> bool:
    if target.quantity == "peak_angle":
        return True
    asks = target.asks
    if len(asks) < 2 or asks[0].direction != asks[1].direction:
        return False
    return not _same(asks, _POSTURE) or asks[0].setting != asks[1].setting


def _computed(
    model: Model,
    quantities: Collection[str],
    names: Sequence[str],
    concerns: Callable[[Ask, str], bool],
    leave_out: Callable[[Target], bool] = lambda _: False,
) -> tuple[BearingRow, ...]:
    """Compute the rows on some quantities that concern one of some names, the first of which."""
    wanted = []
    for target in load_targets(model):
        if target.quantity not in quantities or not is_posture(target) or leave_out(target):
            continue
        asks = target.asks
        about = [n for n in names if any(concerns(ask, n) for ask in asks)]
        if about:
            wanted.append((target, about[0]))
    if not wanted:
        return ()
    values = evaluate([target for target, _ in wanted], Probe(model).limb)
    return tuple(
        BearingRow(
            id=target.id,
            about=about if about not in DIRECTIONS else DIRECTIONS[about].name,
            quantity=quantity_words(target),
            posture=posture_words(target),
            published=target.published,
            unit=target.unit,
            source=target.source,
            cited=model.references[target.source].cited,
            use=target.use,
            model=float(value),
            right=target.is_right(float(value)),
            compares=_compares(target),
        )
        for (target, about), value in zip(wanted, values, strict=True)
    )
