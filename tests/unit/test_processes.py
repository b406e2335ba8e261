"""The pool of processes: lazy, one thread each, none left behind, nothing of the current folder."""

import os
import shutil
import signal
import subprocess
import sys
import time
import venv
from contextlib import closing
from importlib import metadata
from pathlib import Path

import pytest
from tests.process_tree import family, needs_proc, running, until

import momentshare
from momentshare import processes
from momentshare._kernels import cores
from momentshare._kernels.compiling import private_folder
from momentshare.errors import ProcessError, UnknownNameError
from momentshare.processes import (
    IN_FLIGHT,
    KEPT_MEMORY,
    ONE_THREAD,
    child_command,
    on_processes,
)


def test_processes_take_one_thread_each_and_leave_the_environment(monkeypatch):
    for name in ONE_THREAD:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MKL_NUM_THREADS", "3")  # what the user has set stays
    tasks = [(n, (name,)) for n, name in enumerate(ONE_THREAD)]
    with closing(on_processes(os.getenv, tasks, 2)) as answers:
        found = {ONE_THREAD[n]: value for n, value in answers}
    assert found == {
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "MKL_NUM_THREADS": "3",
    }
    assert "OMP_NUM_THREADS" not in os.environ
    assert os.environ["MKL_NUM_THREADS"] == "3"


def test_processes_keep_dropped_memory_unless_the_user_says_otherwise(monkeypatch):
    kept, own = KEPT_MEMORY
    monkeypatch.delenv(kept, raising=False)
    monkeypatch.setenv(own, "1000000")
    with closing(on_processes(os.getenv, [(name, (name,)) for name in KEPT_MEMORY], 1)) as answers:
        assert dict(answers) == {kept: KEPT_MEMORY[kept], own: "1000000"}
    assert kept not in os.environ


def test_a_process_that_dies_gives_no_answer():
    with closing(on_processes(os._exit, [(7, (3,))], 1)) as answers:
        assert list(answers) == [(7, None)]


def test_every_task_that_ends_its_process_is_answered_with_nothing():
    tasks = ((n, (3,)) for n in range(3 * IN_FLIGHT))
    with closing(on_processes(os._exit, tasks, 2)) as answers:
        assert sorted(answers) == [(n, None) for n in range(3 * IN_FLIGHT)]


def test_a_task_that_ends_its_process_takes_no_other_with_it():
    tasks = [(0, ("1 + 1",)), (1, ("__import__('os')._exit(3)",)), (2, ("2 + 2",))]
    with closing(on_processes(eval, tasks, 1)) as answers:
        assert sorted(answers) == [(0, 2), (1, None), (2, 4)]


@pytest.mark.parametrize("left", ["all answers", "the first answer"])
def test_processes_serve_where_there_is_neither_fork_nor_a_group_of_processes(monkeypatch, left):
    """What Windows lacks is not asked for: no fork, no groups, no users, no set of cores."""
    for name in ("fork", "killpg", "getpgrp", "setsid", "getuid", "sched_getaffinity"):
        monkeypatch.delattr(os, name, raising=False)
    children = []
    real = subprocess.Popen

    def noted(*given, **named):
        children.append(real(*given, **named))
        return children[-1]

    monkeypatch.setattr(subprocess, "Popen", noted)
    tasks = [(n, (f"{n} + 1",)) for n in range(6)]
    with closing(on_processes(eval, tasks, 2)) as answers:
        found = dict(answers) if left == "all answers" else dict([next(answers)])
    assert found == {n: n + 1 for n in found}
    assert len(found) == (6 if left == "all answers" else 1)
    assert children
    assert until(lambda: all(child.poll() is not None for child in children), 10.0)
    assert cores() >= 1
    assert private_folder().is_dir()


def test_an_error_of_a_task_comes_back_with_its_story():
    with (
        closing(on_processes(int, [(0, ("seven",))], 1)) as answers,
        pytest.raises(ValueError, match="'seven'") as caught,
    ):
        list(answers)
    assert "in a worker process" in caught.value.__notes__[0]


def test_an_error_that_cannot_travel_comes_back_as_text():
    task = "raise_(__import__('momentshare.errors').errors.UnknownNameError('head', 'x', ['y']))"
    text = f"(lambda raise_: {task})(lambda err: (_ for _ in ()).throw(err))"
    assert issubclass(UnknownNameError, Exception)
    with (
        closing(on_processes(eval, [(0, (text,))], 1)) as answers,
        pytest.raises((UnknownNameError, RuntimeError), match="unknown head 'x'"),
    ):
        list(answers)


def test_what_a_task_prints_is_no_answer(capfd):
    with closing(on_processes(print, [(0, ("hello",)), (1, ("again",))], 1)) as answers:
        assert sorted(answers) == [(0, None), (1, None)]
    assert capfd.readouterr().err.split() == ["hello", "again"]


def test_large_tasks_and_answers_pass():
    tasks = [(n, (bytes(5_000_000),)) for n in range(4)]
    with closing(on_processes(bytes.__len__, tasks, 2)) as answers:
        assert sorted(answers) == [(n, 5_000_000) for n in range(4)]
    with closing(on_processes(bytes, [(0, (5_000_000,))], 1)) as answers:
        assert list(answers) == [(0, bytes(5_000_000))]


def test_a_process_that_cannot_start_is_an_error(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no-python"))
    with (
        closing(on_processes(abs, [(0, (1,))], 1)) as answers,
        pytest.raises(ProcessError, match="cannot start"),
    ):
        list(answers)
    monkeypatch.setattr(sys, "executable", "")
    with pytest.raises(ProcessError, match="is not known"):
        child_command()


def test_a_process_that_ends_while_starting_is_an_error(monkeypatch):
    monkeypatch.setattr(
        processes, "child_command", lambda *_: [sys.executable, "-c", "raise SystemExit(9)"]
    )
    with (
        closing(on_processes(abs, [(n, (1,)) for n in range(9)], 2)) as answers,
        pytest.raises(ProcessError, match="exit code 9"),
    ):
        list(answers)


def test_tasks_are_read_as_processes_become_free():
    read = []

    def tasks():
        for n in range(6):
            read.append(n)
            yield n, (n,)

    with closing(on_processes(abs, tasks(), 1)) as answers:
        first = next(answers)
        assert len(read) == IN_FLIGHT + 1
        assert sorted([first, *answers]) == [(n, n) for n in range(6)]


SLEEPERS = """
import sys, time
from momentshare.processes import on_processes
for _ in on_processes(time.sleep, ((n, (600.0,)) for n in range(4)), 2):
    pass
"""


@needs_proc
def test_workers_end_with_a_parent_that_is_killed(tmp_path):
    program = tmp_path / "sleepers.py"
    program.write_text(SLEEPERS)
    parent = subprocess.Popen([sys.executable, str(program)], start_new_session=True)
    assert until(lambda: len(family(parent.pid)) >= 2, 60.0)
    time.sleep(1.0)  # until they are at work
    workers = family(parent.pid)
    parent.kill()
    parent.wait()
    ended = until(lambda: not running(workers), 20.0)
    for pid in running(workers):
        os.kill(pid, signal.SIGKILL)
    assert ended


# ------------------------------------------------------------------ nothing of the current folder

TRAPS = (
    *("random", "numpy", "json", "pickle", "pandas", "site_of_lab", "ezc3d", "struct", "queue"),
    *("typing", "pathlib", "re", "enum", "urllib", "fnmatch", "dataclasses", "__future__"),
)

PROGRAM = """
import sys
from contextlib import closing
from momentshare.processes import on_processes
text = "[__import__(n).__file__ for n in ('random', 'numpy', 'json', 'pickle', 'momentshare')]"
with closing(on_processes(eval, [(0, (text,))], 1)) as answers:
    for _, found in answers:
        print(*found, sep="\\n")
"""

HOME = str(Path(momentshare.__file__).parents[1])


def program_run(command, folder, path=HOME):
    """Run a program in a folder, with a path for modules or none."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    env |= {"PYTHONPATH": path} if path else {}
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=False)


@pytest.fixture
def trapped(tmp_path):
    """A folder with modules that tell when they are run, and a program that is elsewhere."""
    data, elsewhere = tmp_path / "data", tmp_path / "elsewhere"
    data.mkdir()
    elsewhere.mkdir()
    for name in TRAPS:
        (data / f"{name}.py").write_text(
            f"open({str(tmp_path / 'sprung')!r}, 'a').write({name!r} + '\\n')\n"
            "raise RuntimeError('run from the current folder')\n"
        )
    (elsewhere / "program.py").write_text(PROGRAM)
    return data, elsewhere / "program.py", tmp_path / "sprung"


def test_children_run_nothing_of_the_current_folder(trapped):
    data, program, sprung = trapped
    run = program_run([sys.executable, str(program)], data)
    assert run.returncode == 0, run.stderr
    assert not sprung.exists(), sprung.read_text()
    assert len(run.stdout.split()) == 5


AFTERWARDS = """
import os, sys, runpy
import random, numpy, json, pickle, struct, queue, pandas, momentshare.processes
os.chdir({data!r})
sys.path[:0] = ["", {data!r}]
os.environ["PYTHONPATH"] = os.pathsep + {data!r} + os.pathsep + os.environ["PYTHONPATH"]
runpy.run_path({program!r})
"""


def test_children_leave_out_the_current_folder_of_a_parent_that_takes_modules_there(trapped):
    data, program, sprung = trapped
    run = program_run(
        [sys.executable, "-c", AFTERWARDS.format(data=str(data), program=str(program))],
        program.parent,
    )
    assert run.returncode == 0, run.stderr
    assert not sprung.exists(), sprung.read_text()
    assert len(run.stdout.split()) == 5


def test_children_find_the_library_in_the_current_folder_when_it_is_there(trapped):
    _, program, _ = trapped
    run = program_run(
        [sys.executable, "-c", f"import runpy; runpy.run_path({str(program)!r})"], HOME, path=""
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.split()[-1].startswith(HOME)


def test_children_work_where_the_library_is_linked_into_another_environment(trapped):
    """An editable install is a file of paths in the environment's own folder."""
    _, program, _ = trapped
    place = program.parent / "env"
    venv.create(place, symlinks=True, with_pip=False)
    (site,) = (place / "lib").glob("python*/site-packages")
    others = [p for p in sys.path if p.endswith("site-packages")]
    (site / "linked.pth").write_text("\n".join([HOME, *others]) + "\n")
    run = program_run([str(place / "bin" / "python"), str(program)], program.parent, path="")
    shutil.rmtree(place)
    assert run.returncode == 0, run.stderr
    assert run.stdout.split()[-1].startswith(HOME)


def test_the_command_line_as_a_module_runs_nothing_of_the_current_folder(trapped):
    data, _, sprung = trapped
    run = program_run(
        [sys.executable, "-m", "momentshare", "compare", "no.toml", "--out", "out"], data
    )
    assert run.returncode == 2, run.stderr
    assert "no.toml: no such file" in run.stderr
    assert not sprung.exists(), sprung.read_text()


@pytest.mark.parametrize("way", ["the command", "python -P -m"])
def test_the_command_runs_nothing_of_the_current_folder_whatever_it_is_called(trapped, way):
    """Every module of Python, every library and this one have a namesake beside the data."""
    data, _, sprung = trapped
    trap = (data / "random.py").read_text()
    for name in {*sys.stdlib_module_names, *metadata.packages_distributions(), "momentshare"}:
        if "/" not in name:
            (data / f"{name}.py").write_text(trap.replace("'random'", repr(name)))
    command = data.parent / "elsewhere" / "momentshare"
    command.write_text("import sys\nfrom momentshare.cli import start\nsys.exit(start())\n")
    words = [str(command)] if way == "the command" else ["-P", "-m", "momentshare"]
    run = program_run([sys.executable, *words, "compare", "no.toml", "--out", "out"], data)
    assert run.returncode == 2, run.stderr
    assert "no.toml: no such file" in run.stderr
    assert not sprung.exists(), sprung.read_text()
