"""Caches of a file of tests are emptied after it, those of the modules it imports are not."""

import sys
from functools import cache

from tests import conftest, planned


@cache
def kept():
    return object()


def test_own_caches_are_emptied_and_shared_ones_stay(monkeypatch):
    shared = next(f for f in vars(planned).values() if hasattr(f, "cache_clear"))
    module = sys.modules[__name__]
    monkeypatch.setattr(module, "shared", shared, raising=False)
    first = kept()
    assert kept() is first
    before = shared.cache_info()
    conftest.give_back(module)
    assert kept() is not first
    assert shared.cache_info() == before
