"""What every explanation adds: draws, limits and published rows, and what limits the load."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from momentshare.cautions import CAUTIONS
from momentshare.text import signed_number, with_minus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.figure import Figure
    from rich.console import Console

    from momentshare.analysis import LiftResult
    from momentshare.cli.explain_lifts import SolvedLifts
    from momentshare.explain.drawn import Share
    from momentshare.explain.frame_pairs import EqualMoments
    from momentshare.explain.limiting import LimitingStrength
    from momentshare.limits import LiftKind, Limit, Limits
    from momentshare.model import Model
    from momentshare.validation.bearing import BearingRow

__all__ = [
    "EQUAL_CAPTION",
    "Bearing",
    "bearing",
    "draw_equal_moments",
    "equal_tables",
    "limiting",
    "limiting_table",
    "named_limits",
    "print_table",
    "shares_of_limiting",
    "show_paragraphs",
    "solve_drawn_lifts",
    "told_text",
    "touched",
]


def told_text(paragraphs: Sequence[str]) -> str:
    """Write an explanation as a text to be read, with its cautions."""
    return with_minus("\n\n".join([*paragraphs, "Cautions", *CAUTIONS])) + "\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """Limits and published rows that concern what is said."""

    keys: tuple[str, ...]
    rows: tuple[BearingRow, ...]
    texts: tuple[str, ...]
    brief: tuple[str, ...]
    """The texts as they stand on a page with a table of these rows."""


def bearing(
    model: Model,
    heads: Sequence[str],
    kinds: Sequence[LiftKind] = (),
    *,
    height: float = 0.0,
    lateral: str = "",
) -> Bearing:
    """Look up what the limb does not support about the heads, and the published rows it misses.

    Parameters
    ----------
    model : Model
    heads : sequence of str
    kinds : sequence of LiftKind
        Lifts that are compared, whose limits are looked up at this height fraction and lateral
        treatment; without them, published rows only.
    """
    from momentshare.explain.phrases import capital
    from momentshare.limits import height_third
    from momentshare.text import head_phrase
    from momentshare.validation.bearing import misses, rows_on_heads

    texts = []
    keys: dict[str, None] = {}
    if kinds:
        for head in heads:
            own = model.limits.at(
                "activation", "force", head=head, kinds=kinds, part=height_third(height),
                claim="order", lateral=lateral,
            )  # fmt: skip
            keys |= dict.fromkeys(row.key for row in own)
            texts += _limit_texts(own, f"what is said about {head_phrase(head)}")
        whole = model.limits.at("greatest_load", kinds=kinds, lateral=lateral)
        keys |= dict.fromkeys(row.key for row in whole)
        texts += _limit_texts(whole, "what is said about the greatest load")
    rows = rows_on_heads(model, heads)
    missed = misses(rows)
    brief = list(texts)
    if missed:
        start = f"Of {len(rows)} published rows on the heads named here, the limb misses"
        brief.append(f"{start} {len(missed)}; they are listed under Published rows.")
        said = "; ".join(row.text for row in missed[:_SHOWN_ROWS])
        more = f"; and {len(missed) - _SHOWN_ROWS} more" if len(missed) > _SHOWN_ROWS else ""
        texts.append(f"{start} {len(missed)} (published_rows.csv): {said}{more}.")
    elif rows:
        texts.append(f"The limb meets all {len(rows)} published rows on the heads named here.")
    else:
        texts.append("No published row concerns the heads named here.")
    brief += texts[len(brief) :]
    return Bearing(
        keys=tuple(keys),
        rows=rows,
        texts=tuple(capital(text) for text in texts),
        brief=tuple(capital(text) for text in brief),
    )


_SHOWN_ROWS = 3


def _limit_texts(rows: Sequence[Limit], about: str) -> list[str]:
    """State each limit with the reasons of its rows that apply, and the published rows behind."""
    out = []
    for key in dict.fromkeys(row.key for row in rows):
        own = [row for row in rows if row.key == key]
        reasons = "; ".join(dict.fromkeys(row.reason for row in own))
        behind = tuple(dict.fromkeys(name for row in own for name in row.targets))
        rows_text = f"{len(behind)} published row{'s' * (len(behind) > 1)}"
        more = f"; {rows_text} behind it" if behind else ""
        title = next((row.title for row in own if row.title), "")
        out.append(f"limit {key} concerns {about}: {title} ({reasons}{more}).")
    return out


def solve_drawn_lifts(
    lifts: SolvedLifts, conditions: Sequence[str], modes: Sequence[str], draws: int
) -> list[tuple[LiftResult, ...]]:
    """Solve lifts for draws; a draw in which a lift cannot be performed is left out."""
    from momentshare.explain.drawn import drawn_results

    if not draws:
        return []
    wanted = [(lifts.tasks[name], mode) for name, mode in zip(conditions, modes, strict=True)]
    return drawn_results(lifts.setup, wanted, draws)


def limiting(result: LiftResult) -> LimitingStrength | None:
    """Find what limits the load of a lift; None where no load is known."""
    from momentshare.errors import InputError
    from momentshare.explain.limiting import limiting_strength

    try:
        return limiting_strength(result)
    except InputError:
        return None


def limiting_table(
    found: Sequence[tuple[str, LimitingStrength]], marks: Mapping[str, str]
) -> pd.DataFrame:
    """One line per lift and strength: the greatest load as it is and with the strength raised.

    ``marks`` are those of :func:`touched`.
    """
    import pandas as pd

    table = pd.concat(
        [own.to_dataframe().assign(condition=name) for name, own in found], ignore_index=True
    )
    return table.assign(limit=[marks.get(name, "") for name in table["name"]])


def touched(model: Model, kinds: Sequence[LiftKind], modes: Sequence[str]) -> dict[str, str]:
    """Head and strength group → keys of the limits that concern its activation in some lifts.

    Those that concern the greatest load stand under ``greatest_load``. ``modes`` are the treatments
    of the lateral force of the lifts.
    """
    from momentshare.limits import keys_text

    out = {"greatest_load": keys_text(model.limits.at("greatest_load", kinds=kinds))}
    for head in model.heads:
        own = [
            row for kind, mode in zip(kinds, modes, strict=True)
            for row in model.limits.at(
                "activation", "force", head=head.name, kinds=[kind], lateral=mode
            )
        ]  # fmt: skip
        out[head.name] = keys = keys_text(own)
        out[head.group] = " ".join(dict.fromkeys(f"{out.get(head.group, '')} {keys}".split()))
    return out


def shares_of_limiting(results: Sequence[LiftResult], found: LimitingStrength) -> dict[str, Share]:
    """Draws in which the same group, and the same head, raises the greatest load most."""
    from momentshare.explain.drawn import Share

    known = [own for result in results if (own := limiting(result)) is not None]
    if not known:
        return {}
    return {
        kind: Share(sum(own.best(kind)[0] == found.best(kind)[0] for own in known), len(known))
        for kind in ("group", "head")
    }


EQUAL_CAPTION = (
    "Two heights with nearly equal net moments at which the heads work differently: the activation "
    "of each head in both."
)
"""What the page says of the drawing of a pair of frames."""


def equal_tables(
    pairs: Sequence[EqualMoments],
    lifts: Mapping[str, LiftResult],
    limits: Limits,
    kinds: Mapping[str, LiftKind],
) -> dict[str, pd.DataFrame]:
    """Tables of the pairs of frames with equal moments, and of every head in the one drawn."""
    from momentshare.explain.frame_pairs import most_unlike, pair_heads_table, pairs_table
    from momentshare.limits import with_limits

    out = {"equal_moments.csv": pairs_table(pairs)}
    if pairs:
        heads = pair_heads_table(most_unlike(pairs)[0], lifts)
        out["equal_moments_heads.csv"] = with_limits(heads, limits, kinds, "activation")
    return out


def draw_equal_moments(
    pairs: Sequence[EqualMoments],
    lifts: Mapping[str, LiftResult],
    title: str,
    kinds: Mapping[str, LiftKind],
) -> dict[str, partial[Figure]]:
    """Drawing of the pair of frames whose heads differ most; none without a pair."""
    from momentshare.explain.frame_pairs import most_unlike
    from momentshare.report.figures.equal_moments import equal_moments_figure

    if not pairs:
        return {}
    limits = next(iter(lifts.values())).prepared.limb.model.limits
    drawing = partial(
        equal_moments_figure, most_unlike(pairs)[0], lifts, title, limits=limits, kinds=kinds
    )
    return {"equal_moments": drawing}


def named_limits(texts: Sequence[str], limits: Limits) -> list[str]:
    """Keys of limits that texts name."""
    whole = " ".join(texts)
    return [key for key in limits.keys if re.search(rf"\b{re.escape(key)}\b", whole)]


def show_paragraphs(screen: Console, texts: Sequence[str], *, bold: bool = False) -> None:
    """Print paragraphs with a blank line between them."""
    for text in texts:
        screen.print(text, highlight=False, markup=False, style="bold" if bold else None)
        screen.print()


def print_table(screen: Console, data: pd.DataFrame, title: str) -> None:
    """Print a table of an explanation: forces whole, the rest with sign and three decimals."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left", collapse_padding=True, pad_edge=False)
    for name in data.columns:
        numeric = data[name].dtype.kind == "f"
        title = f"{name[:-2]} [N]" if name.endswith("_n") else name
        table.add_column(
            escape(title.replace("_", " ")),
            justify="right" if numeric else "left",
            no_wrap=name == "head",
        )
    for line in data.itertuples(index=False):
        cells = zip(data.columns, line, strict=True)
        table.add_row(
            *(
                escape(str(v)) if isinstance(v, str)
                else f"{v:.0f}" if str(n).endswith("_n") else signed_number(v, 3)
                for n, v in cells
            )
        )  # fmt: skip
    screen.print(table)
