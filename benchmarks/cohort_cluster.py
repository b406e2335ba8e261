"""A cohort on a Dask cluster by address, beside the same cohort in this process.

    python benchmarks/cohort_cluster.py [--people 4] [--workers 2]

Starts a scheduler and workers as programs of their own, solves the invented laboratory through the
address, and compares every table that a trial keeps, byte for byte. Prints the time of both, and
the greatest resident memory of all programs together, of the scheduler and of each worker. Reads
/proc (Linux).
"""

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.cohort_scale import Watch

from momentshare.cohort.load import load_cohort
from momentshare.cohort.run import run_cohort
from momentshare.demo.lab import write_lab


def kept(folder):
    """Bytes of what a run keeps of its trials, by name."""
    place = folder / "trials"
    return {p.relative_to(place): p.read_bytes() for p in place.rglob("*") if p.is_file()}


def timed(study, folder, **where):
    began = time.monotonic()
    result = run_cohort(study, folder, **where)
    return time.monotonic() - began, len(result.solved)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=4)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask, local = [sys.executable, "-m"], ["--host", "127.0.0.1", "--no-dashboard"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with tempfile.TemporaryDirectory(prefix="momentshare-cluster-") as name:
        place = Path(name)
        study = load_cohort(write_lab(place, people=options.people, repetitions=1))
        commands = [[*dask, "distributed.cli.dask_scheduler", *local, "--port", str(port)]]
        commands += [
            [*dask, "distributed.cli.dask_worker", address, *local, "--nthreads", "1",
             "--local-directory", str(place / f"w{k}")]
            for k in range(options.workers)
        ]  # fmt: skip
        programs = [subprocess.Popen(command, **quiet) for command in commands]
        try:
            watches = [Watch(number) for number in (os.getpid(), *(p.pid for p in programs))]
            for watch in watches:
                watch.start()
            far, solved = timed(study, place / "far", scheduler=address)
            for watch in watches:
                watch.done.set()
                watch.join()
        finally:
            for program in programs:
                program.terminate()
            for program in programs:
                program.wait()
        here, _ = timed(study, place / "here", workers=1)
        same = kept(place / "far") == kept(place / "here")
    whole, scheduler, *workers = (watch.resident for watch in watches)
    print(f"{solved} trials: {far:.0f} s with {options.workers} workers at {address}, "
          f"{here:.0f} s in one process; tables {'the same' if same else 'DIFFER'}")  # fmt: skip
    print(f"greatest resident MB: all together {whole:.0f}, scheduler {scheduler:.0f}, workers "
          + ", ".join(f"{w:.0f}" for w in workers))  # fmt: skip
    if not same:
        sys.exit("tables differ")


if __name__ == "__main__":
    main()
