"""Run a plan: chunks on processes or on a cluster, kept as they finish, resumed at will.

The parent alone writes. A chunk arrives as the bytes of its Parquet file, is written beside
its place and moved in, so that a run stopped at any moment leaves whole files only.
"""

from __future__ import annotations

import json
import os
import tempfile
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError, MissingExtraError, SolverError
from momentshare.inputs import RECORD, read_text
from momentshare.model import load_model
from momentshare.processes import IN_FLIGHT, on_processes
from momentshare.study.run import check_settings
from momentshare.uncertainty.chunks import Task, chunk_bytes, read_tag
from momentshare.uncertainty.draws import build_layout
from momentshare.uncertainty.plan import CHUNK, Plan
from momentshare.uncertainty.sensitivity import Sensitivity, rank_families
from momentshare.uncertainty.summary import Summary, summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = ["MANIFEST", "chunk_path", "keep", "run_uncertainty"]

MANIFEST = "manifest.json"


def chunk_path(folder: Path, stage: str, index: int) -> Path:
    """Where a chunk is kept."""
    return folder / "chunks" / f"{stage}-{index:06d}.parquet"


def run_uncertainty(
    plan: Plan,
    folder: str | Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    resume: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> Summary:
    """Solve all draws of a plan and sum them up.

    Parameters
    ----------
    plan : Plan
    folder : str or Path
        Keeps the manifest and the chunks.
    workers : int, optional
        Processes; by default one a core. One solves in this process. The answer does not
        depend on it.
    scheduler : str, optional
        Address of a Dask scheduler, in place of processes of this machine.
    resume : bool
        Go on with the run that the folder holds.
    progress : callable, optional
        Called with the stage, the number of chunks done and of all.

    Returns
    -------
    Summary

    Raises
    ------
    InputError
        The folder holds a run and ``resume`` is not set, or it holds another run.
    MissingExtraError
        A library of the extra ``scale`` is not installed.
    SolverError
        A worker process died; chunks that were done are kept.
    """
    place = Path(folder)
    if workers is not None and workers < 1:
        raise InputError(f"workers: wanted 1 or more, got {workers}")
    model = load_model(plan.study.file.model)
    check_settings(plan.study.file.settings, model, plan.study.source)
    if plan.trajectories:
        _require_salib()
    _open(plan, model, place, resume=resume)
    run = plan.digest(model)
    layout = build_layout(plan.study, model, plan.spreads, plan.people)

    def stage(name: str, designs: Sequence[NDArray[np.float64]] | None) -> None:
        count = plan.chunks if designs is None else len(designs)
        todo = [i for i in range(count) if not _is_done(chunk_path(place, name, i), run, name, i)]
        tasks = (
            Task(plan, model.digest, name, i, run, None if designs is None else designs[i])
            for i in todo
        )
        done = count - len(todo)
        _say(progress, name, done, count)
        with closing(_solve_all(tasks, len(todo), workers, scheduler)) as answers:
            for index, data in answers:
                keep(chunk_path(place, name, index), data)
                done += 1
                _say(progress, name, done, count)

    stage("draws", None)
    ranked: Sensitivity | None = None
    if plan.trajectories:
        ranked = rank_families(plan, layout, lambda name, z: _designed(stage, place, name, z))
    count = plan.chunks
    files = [chunk_path(place, "draws", i) for i in range(count)]
    return summarise(plan, model, files, ranked)


def _designed(
    stage: Callable[[str, Sequence[NDArray[np.float64]] | None], None],
    place: Path,
    name: str,
    normals: NDArray[np.float64],
) -> list[Path]:
    """Solve given standard normals; return the chunk files in order."""
    parts = [normals[i : i + CHUNK] for i in range(0, len(normals), CHUNK)]
    stage(name, parts)
    return [chunk_path(place, name, i) for i in range(len(parts))]


def _say(progress: Callable[[str, int, int], None] | None, name: str, done: int, all_: int) -> None:
    if progress is not None:
        progress(name, done, all_)


def _require_salib() -> None:
    try:
        import SALib  # noqa: F401
    except ImportError as err:
        raise MissingExtraError("SALib", "scale", "ranking the inputs") from err


def _open(plan: Plan, model: Model, place: Path, *, resume: bool) -> None:
    """Write the manifest, or check that the folder's is the same."""
    if place.exists() and not place.is_dir():
        raise InputError(f"{place}: is a file; give a folder for the results")
    wanted = plan.manifest(model)
    path = place / MANIFEST
    if path.exists():
        if not resume:
            raise InputError(
                f"{place}: holds an earlier run; add --resume to go on with it, or choose "
                "another folder"
            )
        try:
            found = json.loads(read_text(path, RECORD))
        except (ValueError, RecursionError) as err:
            raise InputError(f"{path}: cannot be read ({err}); choose another folder") from err
        if not isinstance(found, dict):
            raise InputError(f"{path}: is no manifest of a run; choose another folder")
        if found != wanted:
            faults = [
                f"{key}: the run has {found.get(key)!r}, asked for {wanted.get(key)!r}"
                for key in sorted({*wanted, *found})
                if found.get(key) != wanted.get(key)
            ]
            raise InputError(
                f"{place}: holds another run; ask for the same or choose another folder:", faults
            )
    elif (place / "chunks").exists():
        raise InputError(f"{place}: holds chunks without {MANIFEST}; choose another folder")
    (place / "chunks").mkdir(parents=True, exist_ok=True)
    for left in (place / "chunks").glob(".part-*"):
        left.unlink(missing_ok=True)
    if not path.exists():
        text = json.dumps(wanted, indent=2, ensure_ascii=False)
        keep(path, (text + "\n").encode())


def _is_done(path: Path, run: str, stage: str, index: int) -> bool:
    if not path.exists():
        return False
    return read_tag(str(path)) == {"run": run, "stage": stage, "index": index}


def keep(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    handle, name = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _solve_all(
    tasks: Iterator[Task], count: int, workers: int | None, scheduler: str | None
) -> Generator[tuple[int, bytes]]:
    """Yield the number and the bytes of each chunk as it finishes."""
    if count == 0:
        return
    if scheduler is not None:
        yield from _on_cluster(tasks, scheduler)
        return
    processes = min(workers or os.cpu_count() or 1, count)
    if processes == 1:
        for task in tasks:
            yield task.index, chunk_bytes(task)
        return
    yield from _on_processes(tasks, processes)


def _on_processes(tasks: Iterator[Task], processes: int) -> Generator[tuple[int, bytes]]:
    with closing(
        on_processes(chunk_bytes, ((task.index, (task,)) for task in tasks), processes)
    ) as answers:
        for index, data in answers:
            if data is None:
                raise SolverError(
                    "a worker process died, perhaps for want of memory; finished chunks are "
                    "kept, so run again with --resume, with fewer --workers"
                )
            yield index, data


def _on_cluster(tasks: Iterator[Task], address: str) -> Generator[tuple[int, bytes]]:
    """Solve on a Dask cluster; the scheduler gives the chunks of a lost worker to another."""
    try:
        from distributed import Client, as_completed
    except ImportError as err:
        raise MissingExtraError("distributed", "scale", "running on a cluster") from err
    make: Any = Client
    try:
        client = make(address, timeout="15s", set_as_default=False)
    except (OSError, ValueError) as err:
        raise InputError(
            f"--scheduler {address!r}: no scheduler answers there ({err}); check the address"
        ) from err
    with client:
        threads = sum(client.nthreads().values()) or 1
        indices: dict[Any, int] = {}

        def submit(task: Task) -> Any:
            future = client.submit(chunk_bytes, task, pure=False, retries=3)
            indices[future.key] = task.index
            return future

        gather: Any = as_completed
        ready = gather([submit(t) for t in islice(tasks, IN_FLIGHT * threads)], loop=client.loop)
        for future in ready:
            data: bytes = future.result()
            index = indices.pop(future.key)
            future.release()
            for task in islice(tasks, 1):
                ready.add(submit(task))
            yield index, data
