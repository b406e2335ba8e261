"""Store the tables of every run: ``python -m tests.golden.make [RUN ...]``.

Do so only where numbers are meant to change, and say in the commit which and why.
"""

from __future__ import annotations

import json
import sys
from inspect import getdoc

from tests.golden.runs import RUNS
from tests.golden.specs import TABLES
from tests.golden.tables import DATA, described, packed, path_of


def main(names: list[str]) -> None:
    """Run, reduce and store; tables of other runs stay as they are."""
    from momentshare import load_model

    unknown = [name for name in names if name not in RUNS]
    if unknown:
        sys.exit(f"unknown runs: {', '.join(unknown)}; known: {', '.join(RUNS)}")
    record = described() if (DATA / "runs.json").exists() else {}
    for run in names or list(RUNS):
        sizes = {}
        for part, table in RUNS[run]().items():
            name = f"{run}/{part}"
            kept = TABLES[name].reduced(table)
            path_of(name).parent.mkdir(parents=True, exist_ok=True)
            path_of(name).write_bytes(packed(kept))
            sizes[part] = {"rows": len(kept), "rows_of_the_run": len(table)}
        what = " ".join((getdoc(RUNS[run]) or "").split())
        record[run] = {"what": what, "model_digest": load_model().digest, "tables": sizes}
    kept_runs = {run: record[run] for run in RUNS if run in record}
    text = json.dumps(kept_runs, indent=1, ensure_ascii=False)
    (DATA / "runs.json").write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
