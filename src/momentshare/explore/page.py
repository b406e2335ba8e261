"""Build the page: presses, arrays, script and style in one file."""

from __future__ import annotations

import json
from html import escape
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError
from momentshare.explore.bundle import bundle, page_text
from momentshare.explore.draws import drawn_ranges
from momentshare.explore.grid import LEVELS, grid_presses
from momentshare.explore.info import page_info
from momentshare.explore.payload import pack
from momentshare.explore.tables import press_tables
from momentshare.study import plan_study

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from momentshare.explore.grid import Nodes
    from momentshare.study import Study

__all__ = ["DRAWS", "MOST_BYTES", "build_page"]

MOST_BYTES = 3_000_000
"""Size of a page that still opens and travels easily (common practice, no source)."""

DRAWS = 32
"""Default number of draws: the ends of the middle 80 % are then accurate to a few per cent."""

_LIFT_BYTES = 16_000
"""Upper estimate of the page's bytes per geometry; only decides where the search begins."""


def build_page(
    study: Study,
    *,
    draws: int = DRAWS,
    levels: Sequence[Nodes] = LEVELS,
    progress: Callable[[str], None] | None = None,
) -> str:
    """Build the page of a study.

    Parameters
    ----------
    study : Study
        Its people are offered, and its conditions as they are.
    draws : int
        Number of draws of the limb behind the ranges of activations, moments and loads; 0 leaves
        the ranges out.
    levels : sequence of Nodes
        Grids from fine to coarse; the page uses the finest with which it is no larger than
        :data:`MOST_BYTES`.
    progress : callable, optional
        Called with what is being done.

    Returns
    -------
    str
        A whole HTML document.

    Raises
    ------
    InputError
        There are too many people and conditions for one page.
    PostureError
        Nothing can be performed.
    """
    say = progress or (lambda _: None)
    limbs = plan_study(study).limbs()
    people = len(study.file.person)
    conditions = people * len(study.file.condition)
    for nodes in levels:
        if (people * nodes.size + conditions) * _LIFT_BYTES > 1.2 * MOST_BYTES:
            continue
        say("presses")
        presses = grid_presses(study, limbs, nodes)
        say("paths and capacities")
        tables = press_tables(limbs, presses)
        arrays = tables.geometry | tables.task
        if draws:
            say(f"{draws} draws of the limb")
            arrays |= drawn_ranges(study, limbs, nodes, tables, draws=draws)
        say("page")
        index, data = pack(arrays)
        info = page_info(study, limbs, nodes, presses, tables)
        info |= {"arrays": index, "draws": draws}
        page = _html(study.title, info, data)
        if len(page.encode()) <= MOST_BYTES:
            return page
    raise InputError(
        f"{study.source}: {people} people and {len(study.file.condition)} conditions do not fit "
        f"into a page of {MOST_BYTES / 1e6:g} MB; choose some with --person and --condition"
    )


def _html(title: str, info: dict[str, Any], data: str) -> str:
    """Put the parts into the frame of the page."""
    plain = json.dumps(info, ensure_ascii=False, separators=(",", ":"))
    fill = {
        "title": escape(title),
        "style": page_text("page.css"),
        # A closing tag inside the data would end the script element.
        "info": plain.replace("<", "\\u003c"),
        "data": data,
        "script": bundle(),
    }
    page = page_text("page.html")
    for name, text in fill.items():
        page = page.replace(f"<!--{name}-->", text, 1)
    return page
