"""Run a plan: chunks in processes or on a cluster, kept as they finish, resumed automatically.

Only the parent writes. A chunk arrives as the bytes of its Parquet file and is moved into the run
folder as a whole, so that a run stopped at any moment leaves only complete files; the next run of
the same plan reuses what is sound.
"""

from __future__ import annotations

import hashlib
from contextlib import closing
from dataclasses import replace
from functools import partial
from importlib import metadata
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError, SolverError
from momentshare.files import RunFolder, as_run_folder
from momentshare.model import load_model
from momentshare.processes import collect_answers
from momentshare.study.run import check_settings
from momentshare.uncertainty.chunks import MEASURES, Task, chunk_bytes, setup_cells
from momentshare.uncertainty.layout import build_layout
from momentshare.uncertainty.plan import CHUNK, UncertaintyPlan
from momentshare.uncertainty.sensitivity import Sensitivity, rank_families
from momentshare.uncertainty.summary import Summary, summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = ["COMMAND", "chunk_path", "folder_options", "run_uncertainty"]

COMMAND = "uncertainty"

_BYTES = 14
"""Bytes on the disk per number of a chunk, including its share of the column names (measured:
13.5)."""

_FIGURES = 5_000_000
"""Bytes of tables and figures."""


def _file(stage: str, index: int) -> str:
    return f"chunks/{stage}-{index:06d}.parquet"


def chunk_path(folder: Path, stage: str, index: int) -> Path:
    """Path of a chunk, absolute."""
    return folder.absolute() / _file(stage, index)


def folder_options(plan: UncertaintyPlan, model: Model) -> dict[str, Any]:
    """Arguments for the folder of a plan; see :func:`momentshare.files.run_folder`."""
    wanted = plan.manifest(model) | {"version": metadata.version("momentshare")}

    def accept(found: dict[str, Any]) -> None:
        faults = [
            f"{key}: the run has {found.get(key)!r}, asked for {wanted.get(key)!r}"
            for key in sorted({*wanted, *found})
            if found.get(key) != wanted.get(key)
        ]
        if faults:
            raise InputError(
                "holds another run; ask for the same or choose another folder for --out:",
                faults,
            )

    rows = plan.draws * len(wanted["people"]) * len(wanted["conditions"]) * len(plan.criteria)
    rows *= len(plan.study.file.settings.lateral)
    numbers = rows * len(MEASURES) * len(model.heads)
    return {
        "study": wanted,
        "accept": accept,
        "names": ["summary.json", "intervals.csv", "failures.csv"],
        "room": _BYTES * numbers + _FIGURES,
    }


def run_uncertainty(
    plan: UncertaintyPlan,
    folder: str | Path | RunFolder,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Summary:
    """Solve all draws of a plan and summarise them.

    Parameters
    ----------
    plan : UncertaintyPlan
    folder : str, Path or RunFolder
        Holds the chunks; sound chunks of the same plan are not solved again.
    workers : int, optional
        Processes; by default one per core. One solves in this process. The answer does not
        depend on it.
    scheduler : str, optional
        Address of a Dask scheduler, instead of processes on this machine.
    progress : callable, optional
        Called with the stage, the number of chunks done, and the total.

    Returns
    -------
    Summary

    Raises
    ------
    InputError
        The folder holds another run, or something in it is in the way.
    MissingExtraError
        A library of the extra ``scale`` is not installed.
    SolverError
        A worker process died; finished chunks are kept.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import UncertaintyPlan, run_uncertainty
    >>> from momentshare.demo import small_study
    >>> plan = UncertaintyPlan(study=small_study(), draws=8, frames=3, trajectories=0, sobol=0)
    >>> with TemporaryDirectory() as folder:
    ...     summary = run_uncertainty(plan, Path(folder) / "draws", workers=1)
    >>> bool(summary.condition_order["probability"].between(0.0, 1.0).all())
    True
    >>> bool((summary.intervals["low"] <= summary.intervals["high"]).all())
    True
    """
    if workers is not None and workers < 1:
        raise InputError(f"workers: must be 1 or more; got {workers}")
    model = load_model(plan.study.file.model)
    check_settings(plan.study.file.settings, model, plan.study.source)
    if plan.trajectories:
        import SALib  # noqa: F401 - missed now, not after the draws
    setup = plan.setup()
    setup_cells(setup)
    layout = build_layout(setup, plan.spreads)
    digest = plan.digest(model)
    bare: Any = None  # a model is not sent; each process reads it for itself
    task = partial(
        Task,
        setup=replace(setup, limbs=replace(setup.limbs, model=bare)),
        model=plan.study.file.model,
        model_digest=model.digest,
        spreads=plan.spreads,
        criteria=plan.criteria,
        seed=plan.seed,
        draws=plan.draws,
    )
    with as_run_folder(folder, COMMAND, **folder_options(plan, model)) as run:

        def stage(name: str, designs: Sequence[NDArray[np.float64]] | None) -> None:
            count = plan.chunks if designs is None else len(designs)
            tags = [_tag(digest, None if designs is None else designs[i]) for i in range(count)]
            todo = [i for i in range(count) if not run.has(_part(name, i), tags[i])]
            tasks = [
                (i, (task(index=i, normals=None if designs is None else designs[i]),)) for i in todo
            ]
            done = count - len(todo)
            _say(progress, name, done, count)
            solved = collect_answers(chunk_bytes, tasks, workers, scheduler=scheduler)
            with closing(solved):
                for index, data in solved:
                    if data is None:
                        raise SolverError(
                            "a worker process died, perhaps for lack of memory; finished chunks "
                            "are kept, so run again, with fewer --workers"
                        )
                    run.keep(_part(name, index), tags[index], {_file(name, index): data})
                    done += 1
                    _say(progress, name, done, count)

        stage("draws", None)
        ranked: Sensitivity | None = None
        if plan.trajectories:
            ranked = rank_families(
                plan, layout, lambda name, z: _designed(stage, run.path, name, z)
            )
        files = [chunk_path(run.path, "draws", i) for i in range(plan.chunks)]
        return summarise(plan, model, files, ranked)


def _part(stage: str, index: int) -> str:
    return f"{stage}-{index:06d}"


def _tag(run: str, normals: NDArray[np.float64] | None) -> str:
    """Tag for the inputs of a chunk, other than its number."""
    if normals is None:
        return run
    return f"{run} {hashlib.sha256(normals.tobytes()).hexdigest()[:16]}"


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
