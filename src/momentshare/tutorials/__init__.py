"""Tutorials: a text, its files, and commands that run from top to bottom."""

from momentshare.tutorials.write import TUTORIALS, write_tutorial

__all__ = ["TUTORIALS", "write_tutorial"]
