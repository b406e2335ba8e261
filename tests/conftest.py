"""What a file of tests has kept is given back when its last test is done.

A worker runs file after file in one process. Drawings and solved studies that a file keeps for its
own tests would stay until the worker ends, and the allocator keeps what they leave.
"""

import ctypes
import gc
import sys

import pytest


def give_back(module):
    """Empty the caches of functions that a module defines, and return free memory to the system."""
    for value in vars(module).values():
        own = getattr(getattr(value, "__wrapped__", None), "__module__", None) == module.__name__
        if own and hasattr(value, "cache_clear"):
            value.cache_clear()
    gc.collect()
    if sys.platform == "linux" and (trim := getattr(ctypes.CDLL(None), "malloc_trim", None)):
        trim(0)


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item, nextitem):
    module = getattr(item, "module", None)
    if module is not None and module is not getattr(nextitem, "module", None):
        give_back(module)
