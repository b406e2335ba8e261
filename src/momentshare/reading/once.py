"""Tables that are made once for a result, however many pages and sentences read them."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, TypeVar
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd


__all__ = ["made_once"]

Result = TypeVar("Result")


def made_once(make: Callable[[Result], pd.DataFrame]) -> Callable[[Result], pd.DataFrame]:
    """Let a table of a study, or of draws, be made the first time that it is asked for.

    Results never change, so their tables do not either. Everybody gets a copy, and the table goes
    with its result.
    """
    made: WeakKeyDictionary[Result, pd.DataFrame] = WeakKeyDictionary()

    @wraps(make)
    def table(result: Result) -> pd.DataFrame:
        found = made.get(result)
        if found is None:
            found = made[result] = make(result)
        return found.copy()

    return table
