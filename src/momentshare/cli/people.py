"""``momentshare people``: whom each code stands for."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import echo

__all__ = ["people"]


def people(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY.toml", help="Study file (TOML), planned or measured.")
    ],
) -> None:
    """Print the code of each person of a STUDY that asks for pseudonyms, as CSV.

    No other command writes the key; send it to a file to keep it.
    """
    import pandas as pd

    from momentshare.cohort.load import load_any
    from momentshare.errors import InputError
    from momentshare.inputs import shown
    from momentshare.text import csv_text

    coded = load_any(study).pseudonyms
    if not coded:
        raise InputError(
            f"{shown(study)}: people → pseudonyms: is not true, so nobody has a code; add it"
        )
    rows = [(code, name) for name, code in coded.codes.items()]
    echo(csv_text(pd.DataFrame(rows, columns=["code", "name"])).rstrip("\n"))
