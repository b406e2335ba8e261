"""Run the code cells of a notebook from top to bottom: python run_notebook.py FILE"""

import json
import sys
from pathlib import Path

notebook = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
names = {"__name__": "__main__"}
for number, cell in enumerate(notebook["cells"], start=1):
    if cell["cell_type"] == "code":
        exec(compile("".join(cell["source"]), f"cell {number}", "exec"), names)
