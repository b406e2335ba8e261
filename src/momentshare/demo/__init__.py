"""The invented studies, shipped as text."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from momentshare.study import Study

__all__ = ["demo_text", "small_study"]


def demo_text() -> str:
    """Return the study file of the invented demo."""
    return (resources.files("momentshare.demo") / "harbour_rescue.toml").read_text("utf-8")


def small_study() -> Study:
    """Return an invented study that runs at once: one person, two spacings, five frames.

    Returns
    -------
    Study
        Bar presses ``narrow`` and ``wide`` of 20 kg, the lateral force zero and free.

    Examples
    --------
    >>> small_study()
    Study('Two spacings', people=1, conditions=2)
    """
    from momentshare.study import parse_study

    text = (resources.files("momentshare.demo") / "two_spacings.toml").read_text("utf-8")
    return parse_study(text, "two_spacings.toml")
