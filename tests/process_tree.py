"""Processes that descend from one, read from /proc."""

import time
from pathlib import Path

import pytest

needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")


def family(root):
    """Numbers of all processes that descend from one."""
    parents = {}
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        parents[int(place.parent.name)] = int(fields[1])
    found = {root}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found - {root}


def running(numbers):
    """Those of some processes that have not ended."""
    alive = set()
    for number in numbers:
        try:
            state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            continue
        if state != "Z":
            alive.add(number)
    return alive


def until(condition, seconds):
    """Wait for a condition; whether it came in time."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True
