"""The solver in threads, forked and spawned processes and an event loop: the same digits."""

import asyncio
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import numpy as np
import pytest

from momentshare.errors import ShapeError
from momentshare.sharing import Solver, share


def frames(seed):
    rng = np.random.default_rng(seed)
    arms = rng.uniform(-0.05, 0.06, (40, 3, 10))
    capacity = rng.uniform(100.0, 900.0, (40, 10))
    moments = 0.3 * np.einsum("fji,fi->fj", arms, capacity * rng.random((40, 10)))
    return arms, capacity, moments


def forces(seed):
    return share(*frames(seed), chain=False).force


def stepped(seed):
    """A stream, with a solver of its own."""
    arms, capacity, moments = frames(seed)
    solver = Solver(heads=10)
    return np.array([solver.step(arms[f], capacity[f], moments[f]).force.copy() for f in range(40)])


def faulty(seed):
    return share([[0.1]], [-1.0], [seed])


SEEDS = range(6)


@pytest.mark.parametrize("work", [forces, stepped])
def test_threads_at_once_give_the_digits_of_one_after_the_other(work):
    alone = [work(seed) for seed in SEEDS]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(work, [*SEEDS] * 3))
    for found, wanted in zip(together, alone * 3, strict=True):
        np.testing.assert_array_equal(found, wanted)


# JAX, where another test has loaded it, warns of any fork; the child uses none of it.
@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
@pytest.mark.filterwarnings("ignore:os.fork:RuntimeWarning")
@pytest.mark.parametrize("method", ["fork", "spawn"])
def test_processes_give_the_same_digits_whichever_way_they_start(method):
    """Forked after the kernel has run, threads included; spawned, it is loaded anew."""
    if method not in multiprocessing.get_all_start_methods():
        pytest.skip(f"no {method} on this system")
    arms, capacity, moments = frames(0)
    share(np.tile(arms, (60, 1, 1)), np.tile(capacity, (60, 1)), np.tile(moments, (60, 1)))
    wanted = [forces(seed) for seed in SEEDS]
    context = multiprocessing.get_context(method)
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        for found, alone in zip(pool.map(forces, SEEDS), wanted, strict=True):
            np.testing.assert_array_equal(found, alone)
        assert pool.submit(os.getpid).result() != os.getpid()
        with pytest.raises(ShapeError, match="active_capacity"):
            pool.submit(faulty, 1).result()
        # Bad input has not broken the pool.
        np.testing.assert_array_equal(pool.submit(forces, 2).result(), wanted[2])


def test_an_event_loop_goes_on_while_frames_are_solved():
    async def serve():
        beats = 0
        done = asyncio.Event()

        async def beat():
            nonlocal beats
            while not done.is_set():
                beats += 1
                await asyncio.sleep(0)

        heart = asyncio.create_task(beat())
        found = await asyncio.gather(*(asyncio.to_thread(forces, seed) for seed in SEEDS))
        done.set()
        await heart
        return found, beats

    found, beats = asyncio.run(serve())
    assert beats > 1
    for force, seed in zip(found, SEEDS, strict=True):
        np.testing.assert_array_equal(force, forces(seed))
