"""What was compiled is found again by the next process."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("numba")

PROGRAM = """
from numba import types
from momentshare._kernels.compiling import inner, outermost

def made(rows):
    @inner
    def part(x):
        return x + rows

    def whole(x):
        return part(x) * 2.0

    signature = types.float64(types.float64)
    return outermost(signature, [__file__], closed_over=f"{rows} rows")(whole)

three, four = made(3), made(4)
assert (three(1.0), four(1.0)) == (8.0, 10.0)
print(*(sum(kernel.stats.cache_hits.values()) for kernel in (three, four)))
"""


def test_a_function_that_closes_over_another_is_compiled_once(tmp_path):
    program = tmp_path / "program.py"
    program.write_text(PROGRAM, encoding="utf-8")
    found = []
    for _ in range(2):
        run = subprocess.run(
            [sys.executable, str(program)],
            cwd=tmp_path,
            env={k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"},
            capture_output=True,
            text=True,
            check=True,
        )
        found.append(run.stdout.split())
    assert found == [["0", "0"], ["1", "1"]]
    assert len(list(Path(tmp_path).rglob("*.nbc"))) == 2


APART = """
import sys
import numpy as np
from momentshare.sharing import share

for rows in map(int, sys.argv[1:]):
    rng = np.random.default_rng(rows)
    arms, capacity = 0.03 * rng.normal(size=(16, rows, 26)), rng.uniform(200.0, 1500.0, (16, 26))
    moments = np.einsum("frh,fh->fr", arms, capacity * rng.random((16, 26)))
    found = [share(arms, capacity, moments, method=method) for method in ("compiled", "numpy")]
    print(np.abs(found[0].activation - found[1].activation).max() < 1e-9)
"""


@pytest.mark.slow
def test_kernels_of_one_source_compiled_in_two_processes_stay_apart(tmp_path):
    """Read back side by side each is itself, and not the one that was read first.

    With the kernels that compile quickest; all close over their rows in the same way.
    """
    program = tmp_path / "program.py"
    program.write_text(APART, encoding="utf-8")
    for rows in (["2"], ["3"], ["2", "3"]):
        run = subprocess.run(
            [sys.executable, str(program), *rows],
            cwd=tmp_path,
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "kept")},
            capture_output=True,
            text=True,
            check=True,
        )
        assert run.stdout.split() == ["True"] * len(rows)


def test_every_kernel_of_one_source_has_a_name_of_its_own():
    from momentshare.sharing._backends.kernels.bounded_lanes import within_kernel
    from momentshare.sharing._backends.kernels.plain_lanes import lane_kernel

    for kernels in (
        [lane_kernel(rows, exponent) for rows in (4, 5) for exponent in (2, 3)],
        [
            within_kernel(rows, exponent)
            for rows, exponent in ((4, 2), (5, 2), (4, 3))
            if lane_kernel(rows, exponent) is not None
        ],
    ):
        names = [kernel.py_func.__qualname__ for kernel in kernels if kernel is not None]
        assert len(set(names)) == len(names)


@pytest.mark.parametrize(("level", "wanted"), [(2, 2), (0, 0), (7, 3)])
def test_a_level_of_optimisation_holds_while_something_is_compiled(level, wanted):
    from numba import float64
    from numba.core import config

    from momentshare._kernels.compiling import outermost
    from momentshare._kernels.levels import optimised_to

    def double(x):
        return 2.0 * x

    usual = config.OPT
    with optimised_to(level):
        assert min(usual, wanted) == config.OPT
        made = outermost(float64(float64), [])(double)
    assert made(2.0) == 4.0
    assert config.OPT is usual
    with pytest.raises(KeyError), optimised_to(level):
        raise KeyError
    assert config.OPT is usual


TOGETHER = """
import sys
from pathlib import Path
from time import sleep
from numba import types
from momentshare._kernels.compiling import outermost

me, other = Path(sys.argv[1]), Path(sys.argv[2])
me.touch()
while not other.exists():
    sleep(0.01)

def whole(x):
    y = x
    PARTS
    return y

kernel = outermost(types.float64(types.float64), [__file__])(whole)
print(sum(kernel.stats.cache_misses.values()), kernel(1.0))
"""


def test_of_two_processes_that_start_together_one_compiles_and_the_other_reads(tmp_path):
    program = tmp_path / "program.py"
    parts = "\n    ".join(f"y = (y * {k}.5 + x) / (y * y + {k}.0)" for k in range(1, 200))
    program.write_text(TOGETHER.replace("PARTS", parts), encoding="utf-8")
    names = [str(tmp_path / name) for name in ("one", "two")]
    kept = tmp_path / "kept"
    runs = [
        subprocess.Popen(
            [sys.executable, str(program), *order],
            env={**os.environ, "NUMBA_CACHE_DIR": str(kept)},
            stdout=subprocess.PIPE,
            text=True,
        )
        for order in (names, names[::-1])
    ]
    said = [run.communicate(timeout=120)[0].split() for run in runs]
    assert sorted(misses for misses, _ in said) == ["0", "1"]
    assert len({answer for _, answer in said}) == 1
    assert len(list(kept.rglob("*.nbc"))) == 1
    assert not list(kept.rglob("*.lock"))
