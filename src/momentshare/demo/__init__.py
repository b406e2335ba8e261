"""The invented demo study, shipped as text."""

from __future__ import annotations

from importlib import resources

__all__ = ["demo_text"]


def demo_text() -> str:
    """Return the study file of the invented demo."""
    return (resources.files("momentshare.demo") / "harbour_rescue.toml").read_text("utf-8")
