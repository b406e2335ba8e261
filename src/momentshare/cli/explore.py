"""``momentshare explore``: a page that computes, in one file."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import Conditions, People, console, echo

__all__ = ["explore"]

_PAGE = 3_000_000
"""Maximum size of a page in bytes."""

_MARK = b'<meta name="generator" content="momentshare explore">'
"""What tells a page of this command, which may be replaced, from another."""


def explore(
    out: Annotated[Path, typer.Option("--out", help="The page to write, such as press.html.")],
    study: Annotated[
        Path | None,
        typer.Argument(
            metavar="STUDY.toml",
            help="Study file (TOML) with people and conditions; an example if left out.",
        ),
    ] = None,
    person: People = None,
    condition: Conditions = None,
    draws: Annotated[
        int,
        typer.Option(
            "--draws", min=0, max=200, help="Draws of the limb behind ranges; 0 leaves them out."
        ),
    ] = 32,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Write a page that shows an arm pressing and shares its moments as you move the controls.

    The file needs no server and no network; open it in a browser.
    """
    from momentshare.errors import InputError
    from momentshare.explore import build_page, example_study
    from momentshare.files import lone_file
    from momentshare.study import load_study

    if out.suffix.lower() not in {".html", ".htm"}:
        raise InputError(f"--out: must be a file that ends in .html; got {str(out)!r}")
    chosen = example_study() if study is None else load_study(study)
    chosen = chosen.only(person or (), condition or ())
    with lone_file(out, room=_PAGE, mark=_MARK) as write:
        with console(quiet=quiet).status("presses") as status:
            page = build_page(chosen, draws=draws, progress=status.update).encode()
        write(page)
    if not quiet:
        echo(f"Wrote {out} ({len(page) / 1e6:.1f} MB)")
