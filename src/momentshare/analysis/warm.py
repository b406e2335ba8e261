"""Compile ahead of time what the first calls would compile."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from momentshare._kernels import is_available
from momentshare.errors import InputError, MissingExtraError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from typing import Any

__all__ = ["WarmKernel", "warm_up"]

MOST_ROWS = 6
"""Rows up to which kernels for frames side by side are written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmKernel:
    """One compiled loop that is ready.

    Attributes
    ----------
    name : str
        What it computes.
    kept : bool
        Whether it was read back, having been compiled before.
    folder : str
        Where it is kept for the next process; empty where no folder can be written to, so that
        each process compiles anew.

    Examples
    --------
    >>> from momentshare import WarmKernel
    >>> WarmKernel(name="paths", kept=True, folder="/var/cache/kernels").kept
    True
    """

    name: str
    kept: bool
    folder: str


def warm_up(
    rows: Sequence[int] = (3, 4, 5),
    *,
    paths: bool = True,
    progress: Callable[[str], None] | None = None,
) -> tuple[WarmKernel, ...]:
    """Compile every kernel now, or read back what an earlier process has compiled.

    For an image that is built once, a service that must answer its first request at once, or a
    real-time loop. A process that calls this never compiles later; other processes of the same
    user, machine type and installation find the kernels in the folder named in the answer.

    Parameters
    ----------
    rows : sequence of int
        Numbers of balance rows for which frames are to be solved side by side, each 1 to 6.
        More rows, and every criterion but p = 2, are solved by one kernel for all sizes.
    paths : bool
        Include the kernels of muscle paths and presses.
    progress : callable, optional
        Called with the name of each kernel before it is compiled.

    Returns
    -------
    tuple of WarmKernel

    Raises
    ------
    InputError
        A number of rows is out of range.
    MissingExtraError
        Numba is not installed, so that nothing can be compiled.

    Examples
    --------
    >>> from momentshare import warm_up
    >>> ready = warm_up([2], paths=False)  # doctest: +SKIP
    """
    wanted = sorted(set(rows))
    for count in wanted:
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_ROWS:
            raise InputError(f"rows: must be whole numbers from 1 to {MOST_ROWS}; got {count!r}")
    if not is_available():
        raise MissingExtraError("numba", "fast", "compiling ahead of time")
    made = []
    for name, load in _kernels(wanted):
        if progress is not None:
            progress(name)
        kernel = load()
        if kernel is not None:  # a machine without eight lanes has none side by side
            made.append(_looked_at(name, kernel))
    if paths:
        for name in ("paths", "presses"):
            if progress is not None:
                progress(name)
        made += _lift_kernels()
    return tuple(made)


def _kernels(rows: Sequence[int]) -> Iterator[tuple[str, Callable[[], Any]]]:
    """Name of every kernel of the sharing, and what loads it."""

    def single() -> Any:
        from momentshare.sharing._backends.kernels.frames import solve_frames

        return solve_frames

    def minmax() -> Any:
        from momentshare.sharing._backends.kernels.minmax import solve_minmax_frames

        return solve_minmax_frames

    def peaks() -> Any:
        from momentshare.sharing._backends.kernels.peaks import solve_peaks

        return solve_peaks

    def greatest() -> Any:
        from momentshare.sharing._backends.kernels.climb import climb_frames

        return climb_frames

    def projected() -> Any:
        from momentshare.sharing._backends.kernels.projected import project_frames

        return project_frames

    def lanes(count: int, exponent: int) -> Any:
        from momentshare.sharing._backends.kernels.plain_lanes import lane_kernel

        return lane_kernel(count, exponent)

    def within(count: int, exponent: int) -> Any:
        from momentshare.sharing._backends.kernels.bounded_lanes import within_kernel

        return None if lanes(count, exponent) is None else within_kernel(count, exponent)

    yield "sharing, any exponent, one frame after the other", single
    yield "sharing, min–max by greatest factors", peaks
    yield "sharing, min–max", minmax
    yield "greatest factors and moments", greatest
    yield "sharing with one free value", projected
    for count in rows:
        for exponent in (2, 3):
            name = f"sharing, p = {exponent}, {count} rows side by side"
            yield name, partial(lanes, count, exponent)
            name = f"sharing within inequalities, p = {exponent}, {count} rows side by side"
            yield name, partial(within, count, exponent)


def _lift_kernels() -> list[WarmKernel]:
    """Run a small press, so that the kernels of paths and presses are compiled for it."""
    from momentshare._kernels.paths import trace_frames
    from momentshare._kernels.presses import settle_frames
    from momentshare.analysis.solve import prepare
    from momentshare.exercise import BarPath, BenchPress, Profile
    from momentshare.limb import build_limb
    from momentshare.model import load_model
    from momentshare.person import Person

    limb = build_limb(
        Person(name="nobody", sex="female", stature=1.65, body_mass=62.0), load_model()
    )
    press = BenchPress(
        load_mass=10.0,
        spacing=Profile.constant(0.5),
        path=BarPath(),
        tilt=Profile.constant(0.0),
        frames=3,
    )
    prepare(limb, press.lift(limb.skeleton))
    found = [("paths", trace_frames), ("presses", settle_frames)]
    return [_looked_at(name, kernel) for name, kernel in found]


def _looked_at(name: str, kernel: Any) -> WarmKernel:
    stats = kernel.stats
    return WarmKernel(
        name=name,
        kept=math.fsum(stats.cache_hits.values()) > 0,
        folder=str(stats.cache_path or ""),
    )
