"""One page that shows an arm pressing and computes in the browser.

The library solves postures, paths, capacities and moments on a grid of presses; the page holds
them, and its own solver (``page/share.js``) shares the moments at every change of a control.
"""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from momentshare.explore.info import EXAMPLE
from momentshare.explore.page import build_page
from momentshare.study import parse_study

if TYPE_CHECKING:
    from momentshare.study import Study

__all__ = ["build_page", "example_study"]


def example_study() -> Study:
    """Two invented people, for a page made without a study."""
    text = (resources.files("momentshare.explore") / "default.toml").read_text("utf-8")
    return parse_study(text, EXAMPLE)
