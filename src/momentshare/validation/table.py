"""One table of every comparison with published values."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.cautions import CAUTIONS
from momentshare.directions import DIRECTIONS
from momentshare.text import with_minus
from momentshare.validation.answers import answers
from momentshare.validation.drawn import DrawnRow, drawn_shares, stored_drawn
from momentshare.validation.limits import limit_outcomes, limits_behind, out_of_date
from momentshare.validation.null import DISPLACEMENT, null_share, stored_null
from momentshare.validation.probe import Probe
from momentshare.validation.scores import AS_OFTEN, scores
from momentshare.validation.targets import Target, load_targets, read_setting, shared_sources
from momentshare.validation.terms import QUANTITIES, published_words, said, unit_words

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from momentshare.model import Model
    from momentshare.model.sources import Reference

__all__ = [
    "VALIDATION_COLUMNS",
    "posture_words",
    "quantity_words",
    "row_labels",
    "told_rows",
    "validation_record",
    "validation_table",
]

VALIDATION_COLUMNS = (
    "id",
    "kind",
    "quantity",
    "posture",
    "published",
    "low",
    "high",
    "unit",
    "model",
    "right",
    "relative_error",
    "null_right",
    "telling",
    "drawn_right",
    "drawn_low",
    "drawn_high",
    "limit",
    "known",
    "use",
    "source",
    "source_used",
    "note",
)
"""Columns of the table; an order or a sense is right above zero, which ``low`` repeats."""

_RECORD_VERSION = 2
_USES = ("validation", "comparison", "calibration")


def validation_table(
    model: Model,
    null: Mapping[str, str] | None = None,
    drawn: Mapping[str, DrawnRow] | None = None,
) -> pd.DataFrame:
    """Every target with the limb's value, and what null limbs and drawn limbs get of it.

    Parameters
    ----------
    model : Model
    null : mapping, optional
        Marks of the null limbs by target, as :func:`momentshare.validation.null.stored_null`
        reads them; by default those. A target without marks has NaN and counts as telling.
    drawn : mapping, optional
        What drawn limbs get by target, as :func:`momentshare.validation.drawn.read_drawn` reads
        it; by default what is stored.

    Returns
    -------
    DataFrame
        Columns :data:`VALIDATION_COLUMNS`; misses of validation first.
    """
    targets = load_targets(model)
    found = answers(targets, Probe(model))
    shares = null_share(targets, stored_null(model) if null is None else null)
    spread = drawn_shares(targets, stored_drawn(model) if drawn is None else drawn)
    shared = shared_sources(targets, model)
    behind = limits_behind(model.limits)
    rows = [
        {
            "id": t.id,
            "kind": t.kind,
            "quantity": quantity_words(t),
            "posture": posture_words(t),
            "published": t.published,
            "low": t.low,
            "high": t.high,
            "unit": t.unit,
            "model": float(value),
            "right": t.is_right(value),
            "relative_error": _relative(t, value),
            "null_right": float(share),
            "telling": not share >= AS_OFTEN,
            "drawn_right": float(own[0]),
            "drawn_low": float(own[1]),
            "drawn_high": float(own[2]),
            "limit": behind.get(t.id, ""),
            "known": t.known,
            "use": t.use,
            "source": t.source,
            "source_used": t.source in shared,
            "note": t.note,
        }
        for t, value, share, own in zip(targets, found, shares, spread, strict=True)
    ]
    table = pd.DataFrame(rows, columns=list(VALIDATION_COLUMNS))
    order = table["right"].astype(int) * len(_USES) + table["use"].map(_USES.index)
    return table.iloc[np.argsort(order.to_numpy(), kind="stable")].reset_index(drop=True)


def told_rows(table: pd.DataFrame, references: Mapping[str, Reference]) -> pd.DataFrame:
    """Write the cells of published rows for a reader: citations, values and units as in a text.

    Parameters
    ----------
    table : DataFrame
        With any of ``source``, ``published``, ``unit``, ``model``, ``before`` and ``after``.
    references : mapping
        Bibliography of the limb.
    """
    words: dict[str, Callable[[Any], str]] = {
        "source": lambda key: references[key].cited if key in references else key,
        "published": published_words,
        "unit": unit_words,
        # Each row has a unit of its own, hence digits of its own.
        **dict.fromkeys(("model", "before", "after"), lambda value: with_minus(f"{value:.3g}")),
    }
    return table.assign(
        **{name: table[name].map(tell) for name, tell in words.items() if name in table}
    )


def validation_record(model: Model, table: pd.DataFrame) -> dict[str, Any]:
    """Return the table as plain data with a version field; what is not finite is null."""
    found = scores(table)
    outcomes = limit_outcomes(model.limits, table)
    return {
        "record_version": _RECORD_VERSION,
        "model": model.name,
        "model_version": model.version,
        "model_digest": model.digest,
        "null_limb": {
            "site_displacement_in_spreads": DISPLACEMENT,
            "as_often_from": AS_OFTEN,
        },
        "scores": [{k: _plain(v) for k, v in asdict(s).items()} for s in found],
        "limits": [{str(k): _plain(v) for k, v in r.items()} for r in outcomes.to_dict("records")],
        "limits_possibly_out_of_date": list(out_of_date(outcomes)),
        "cautions": list(CAUTIONS),
        "rows": [{str(k): _plain(v) for k, v in r.items()} for r in table.to_dict("records")],
    }


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _relative(t: Target, value: float) -> float:
    """Distance from the published number over its size; NaN for orders and senses."""
    if t.kind != "number" or t.value is None:
        return float("nan")
    if t.quantity == "line_direction":
        return float(value)
    size = t.scale or abs(t.value)
    return abs(value - t.value) / size if size else float("nan")


def quantity_words(t: Target) -> str:
    """Describe in words what a target is about."""
    parts = [QUANTITIES[t.quantity]]
    if t.direction:
        known = DIRECTIONS.get(t.direction)
        parts.append(known.label if known else t.direction.replace("_", " "))
    words = " ".join(parts)
    return f"{words}: {_heads(t.subjects)}" if t.subject else words


def row_labels(targets: Sequence[Target], references: Mapping[str, Reference]) -> list[str]:
    """Name rows in words, each as briefly as tells it from the others.

    Quantity, direction and heads; the posture and the source where several rows share these.

    Parameters
    ----------
    targets : sequence of Target
    references : mapping
        Bibliography of the limb.
    """
    labels = [_row_words(t) for t in targets]
    ways: list[Callable[[Sequence[Target]], list[str]]] = [
        _places_apart,
        lambda rows: [_citation(t, references) for t in rows],
    ]
    for more in ways:
        groups: dict[str, list[int]] = {}
        for k, label in enumerate(labels):
            groups.setdefault(label, []).append(k)
        for label, alike in groups.items():
            if len(alike) > 1:
                for k, words in zip(alike, more([targets[i] for i in alike]), strict=True):
                    labels[k] = f"{label}, {words}" if words else label
    return [
        with_minus(label) + (" (from memory)" if t.known == "from memory" else "")
        for t, label in zip(targets, labels, strict=True)
    ]


def _row_words(t: Target) -> str:
    """Name what a row is about, with the two sides where it compares them."""
    known = DIRECTIONS.get(t.direction)
    direction = known.label if known else t.direction.replace("_", " ")
    quantity = "line of action" if t.quantity == "line_of_action" else QUANTITIES[t.quantity]
    words = ", ".join(part for part in (quantity, direction) if part)
    about = [_heads(t.subjects)] if t.subject else []
    if any(mark in t.setting for mark in _SAID_BETWEEN):
        about.append(posture_words(t).rpartition("; ")[2])
    return f"{words}: {', '.join(about)}" if about else words


def _places_apart(targets: Sequence[Target]) -> list[str]:
    """Say the angles in which some postures differ, for each of them, and no more than it takes."""
    told = [
        {w: f"{w} {a:g}" for w, a in zip(_PLACES, t.asks[0].angles, strict=True)} for t in targets
    ]
    apart = [w for w in _PLACES if len({words[w] for words in told}) > 1]
    for word in ("axial rotation", "elbow"):
        rest = [w for w in apart if w != word]
        if len({tuple(words[w] for w in rest) for words in told}) == len(targets):
            apart = rest
    return [", ".join(words[w] for w in apart) + (" deg" if apart else "") for words in told]


def _citation(t: Target, references: Mapping[str, Reference]) -> str:
    return references[t.source].cited if t.source in references else t.source


def _heads(names: Sequence[str]) -> str:
    """Name heads in words, those of one muscle together."""
    muscles: dict[str, list[str]] = {}
    for name in names:
        muscle, _, head = name.replace("_", " ").partition("/")
        muscles.setdefault(muscle, []).extend([head] if head else [])
    return "; ".join(" ".join((m, ", ".join(heads))).strip() for m, heads in muscles.items())


def posture_words(t: Target) -> str:
    """Describe in words whose limb is tested, where and with what setting."""
    people = {"male": "men", "female": "women"}
    parts = [] if "sex=" in t.setting else [people[t.sex]]
    if not t.quantity.startswith(("press_", "push_up_")):
        words = zip(_PLACES, t.asks[0].angles, strict=True)
        shown = [f"{w} {a:g}" for w, a in words if a or w != "axial rotation"]
        parts.append(", ".join(shown) + " deg")
    if t.setting and t.quantity != "line_direction":
        shared, _, rest = t.setting.rpartition("|")
        parts += [said(read_setting(shared))] if shared else []
        mark = next((m for m in _SAID_BETWEEN if m in rest), "")
        sides = [said(read_setting(side)) for side in (rest.split(mark) if mark else [rest])]
        parts.append(_SAID_BETWEEN.get(mark, "").join(sides))
    return "; ".join(parts)


_PLACES = ("plane", "elevation", "axial rotation", "elbow", "forearm")
_SAID_BETWEEN = {" > ": " over ", " / ": " over ", " - ": " less ", " & ": " and "}
