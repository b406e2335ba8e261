"""Tables that are made once for a study, however many pages and sentences read them."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, TypeVar
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from momentshare.runs import CaseSet

__all__ = ["made_once"]

Cases = TypeVar("Cases", bound="CaseSet")


def made_once(make: Callable[[Cases], pd.DataFrame]) -> Callable[[Cases], pd.DataFrame]:
    """Let a table of a study be made the first time that it is asked for.

    Results never change, so their tables do not either. Everybody gets a copy, and the table goes
    with its study.
    """
    made: WeakKeyDictionary[Cases, pd.DataFrame] = WeakKeyDictionary()

    @wraps(make)
    def table(study: Cases) -> pd.DataFrame:
        found = made.get(study)
        if found is None:
            found = made[study] = make(study)
        return found.copy()

    return table
