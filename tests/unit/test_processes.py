"""The pool of processes: lazy, one thread each, none left behind."""

import os
import signal
import subprocess
import sys
import time
from contextlib import closing

from tests.process_tree import family, needs_proc, running, until

from momentshare.processes import IN_FLIGHT, ONE_THREAD, on_processes


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


def test_a_process_that_dies_gives_no_answer():
    with closing(on_processes(os._exit, [(7, (3,))], 1)) as answers:
        assert list(answers) == [(7, None)]


def test_every_task_of_a_dead_pool_is_answered_with_nothing():
    tasks = ((n, (3,)) for n in range(5 * IN_FLIGHT))
    with closing(on_processes(os._exit, tasks, 1)) as answers:
        assert sorted(answers) == [(n, None) for n in range(5 * IN_FLIGHT)]


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
if __name__ == "__main__":
    for _ in on_processes(time.sleep, ((n, (600.0,)) for n in range(4)), 2):
        pass
"""


@needs_proc
def test_workers_end_with_a_parent_that_is_killed(tmp_path):
    program = tmp_path / "sleepers.py"
    program.write_text(SLEEPERS)
    parent = subprocess.Popen([sys.executable, str(program)], start_new_session=True)
    # Two workers and the process that keeps account of semaphores.
    assert until(lambda: len(family(parent.pid)) >= 3, 60.0)
    time.sleep(1.0)  # until they have taken hold of the pipe
    workers = family(parent.pid)
    parent.kill()
    parent.wait()
    ended = until(lambda: not running(workers), 20.0)
    for pid in running(workers):
        os.kill(pid, signal.SIGKILL)
    assert ended
