"""``momentshare inspect``: what a laboratory's file holds, and a layout for files like it."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import echo

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from rich.console import Console

    from momentshare.trial.formats.contents import Contents

__all__ = ["inspect"]

_MOST = 400
"""Number of signals listed on the screen."""


def inspect(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="C3D, CSV or Parquet file.")],
    layout: Annotated[
        Path | None, typer.Option("--layout", help="File for the proposed layout (TOML).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
) -> None:
    """List what a measured FILE holds and propose a layout for it."""
    import json
    import math
    from contextlib import nullcontext

    from momentshare.cli.tables import console
    from momentshare.errors import InputError
    from momentshare.files import lone_file
    from momentshare.trial.formats.contents import file_contents
    from momentshare.trial.formats.proposal import proposed_layout

    if layout is not None and layout.exists():
        raise InputError(f"{layout}: exists; choose another name for the layout")
    place: AbstractContextManager[Callable[[bytes], None] | None] = (
        nullcontext() if layout is None else lone_file(layout)
    )
    with place as write:
        contents = file_contents(file)
        proposal = proposed_layout(contents)
        if as_json:
            record = {"record_version": 1, **contents.to_dict(), "proposed_layout": proposal}
            for signal in record["signals"]:
                numbers = {k: v for k, v in signal.items() if isinstance(v, float)}
                signal.update({k: None for k, v in numbers.items() if not math.isfinite(v)})
            typer.echo(json.dumps(record, indent=2, allow_nan=False))
        else:
            _print(console(), contents)
            if layout is None:
                echo("\nProposed layout; look at every line that says CHECK:\n")
                echo(proposal)
        if write is not None:
            write(proposal.encode("utf-8"))
            if not as_json:
                echo(f"Wrote {layout}; look at every line that says CHECK")


def _print(screen: Console, contents: Contents) -> None:
    from rich.table import Table
    from rich.text import Text

    from momentshare.text import for_terminal

    def plain(text: str) -> Text:
        return Text(for_terminal(text, 80))

    screen.print(plain(contents.source))
    screen.print(
        f"{contents.format}, {contents.duration:.3f} s from {contents.start:.3f} s", highlight=False
    )
    table = Table()
    for heading in ("kind", "label", "unit"):
        table.add_column(heading)
    for heading in ("rate [Hz]", "samples", "lost", "longest gap [s]", "least", "greatest"):
        table.add_column(heading, justify="right")
    for signal in contents.signals[:_MOST]:
        table.add_row(
            signal.kind,
            plain(signal.label or "(no label)"),
            plain(signal.unit or "–"),
            f"{signal.rate:g}",
            str(signal.samples),
            str(signal.missing),
            f"{signal.longest_gap:.3f}" if signal.missing else "–",
            f"{signal.least:.4g}",
            f"{signal.greatest:.4g}",
        )
    screen.print(table)
    if len(contents.signals) > _MOST:
        screen.print(f"and {len(contents.signals) - _MOST} more signals")
    for plate in contents.platforms:
        told = plate.fault or f"type {plate.type}, channels {', '.join(plate.channels)}"
        screen.print(plain(f"platform {plate.number}: {told}"))
    for note in contents.notes:
        screen.print(plain(f"note: {note}"))
