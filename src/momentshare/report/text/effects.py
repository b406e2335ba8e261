"""Print what each modelling choice does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.markup import escape
from rich.table import Table

from momentshare.text import head_label, signed_number

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

__all__ = ["print_effects"]


def print_effects(
    console: Console, tables: tuple[pd.DataFrame, pd.DataFrame], *, of: str = ""
) -> None:
    """One row per switch: the heads that change most, and the change of the greatest load.

    ``of`` names what was solved if it is not obvious.
    """
    heads, lifts = tables
    table = Table(
        title="One change at a time: greatest change of lift-mean activation [% points]"
        + (f"; {of}" if of else ""),
        title_justify="left",
    )
    for name in ("switch", "most changed head", "condition", "lateral force"):
        table.add_column(name, no_wrap=name == "most changed head")
    for name in ("activation [%]", "change", "mean of all heads", "greatest load [%]"):
        table.add_column(name, justify="right")
    for switch, part in heads.groupby("switch", sort=False):
        known = part.dropna(subset=["difference"])
        if known.empty:
            continue
        top = known.iloc[int(known["difference"].abs().to_numpy().argmax())]
        load = lifts[lifts["switch"] == switch]
        change = "–"
        if "greatest_load_kg" in load:
            ratio = load["greatest_load_kg_changed"] / load["greatest_load_kg"] - 1.0
            change = " to ".join(signed_number(100 * v, 1) for v in (ratio.min(), ratio.max()))
        table.add_row(
            str(switch),
            head_label(str(top["head"])),
            escape(str(top["condition"])),
            str(top["lateral"]),
            f"{100 * top['mean_activation']:.0f} → {100 * top['mean_activation_changed']:.0f}",
            signed_number(100 * top["difference"], 1),
            f"{100 * known['difference'].abs().mean():.1f}",
            change,
        )
    console.print(table)
