"""``momentshare explore``: a page that computes, in one file."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import Conditions, People, console, echo

__all__ = ["explore"]


def explore(
    out: Annotated[Path, typer.Option("--out", help="The page to write, such as press.html.")],
    study: Annotated[
        Path | None,
        typer.Argument(
            help="Study file (TOML) with people and conditions; an example if left out."
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
    from momentshare.study import load_study

    if out.is_dir() or out.suffix.lower() not in {".html", ".htm"}:
        raise InputError(f"--out: wanted a file that ends in .html, got {str(out)!r}")
    chosen = example_study() if study is None else load_study(study)
    chosen = chosen.only(person or (), condition or ())
    with console(quiet=quiet).status("presses") as status:
        page = build_page(chosen, draws=draws, progress=status.update)
    out.parent.mkdir(parents=True, exist_ok=True)
    part = out.with_name(f".{out.name}.part")
    part.write_text(page, encoding="utf-8")
    part.replace(out)
    if not quiet:
        echo(f"Wrote {out} ({len(page.encode()) / 1e6:.1f} MB)")
