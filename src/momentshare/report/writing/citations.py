"""The publications behind a result: sources of the model, the methods and the settings."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from momentshare.model import models_folder
from momentshare.model.sources import Citations, Reference, cite, read_bibliography
from momentshare.muscle import curve_set

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from momentshare.linkage import Linkage
    from momentshare.model import Model

__all__ = ["citations", "run_keys"]

_FRAMES = "wuisb2005"
"""Source of the frames and angles used in every result."""


def run_keys(model: Model, curves: str) -> set[str]:
    """Source keys behind any run of a model with these curves.

    Raises
    ------
    UnknownNameError
        If no set of curves answers to ``curves``.
    """
    return {*model.source_keys(), curve_set(curves).source_key, _FRAMES}


def citations(model: Model | Linkage, keys: Iterable[str]) -> Citations:
    """Sort the publications among these keys; the library's own bibliography fills in.

    Parameters
    ----------
    model : Model or Linkage
        Its bibliography comes first.
    keys : iterable of str

    Raises
    ------
    UnknownNameError
        A key is in neither bibliography.
    """
    return cite({**_shipped(), **model.references}, keys)


@cache
def _shipped() -> Mapping[str, Reference]:
    return read_bibliography(models_folder() / "references.bib")
