"""Paths of heads: length, moment arms and line of action, and their course for drawings."""

from momentshare.paths.arms import Paths, paths

__all__ = ["Paths", "paths"]
