"""What was compiled is found again by the next process."""

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
            capture_output=True,
            text=True,
            check=True,
        )
        found.append(run.stdout.split())
    assert found == [["0", "0"], ["1", "1"]]
    assert len(list(Path(tmp_path).rglob("*.nbc"))) == 2
