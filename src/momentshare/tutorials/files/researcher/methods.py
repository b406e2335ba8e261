"""Methods paragraph and sources of a run: python methods.py results"""

import json
import sys
from pathlib import Path

folder = Path(sys.argv[1])
record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
text = record["methods"]
print(text if isinstance(text, str) else "\n\n".join(text))
lines = (folder / "sources.bib").read_text(encoding="utf-8").splitlines()
entries = sum(line.startswith("@") for line in lines)
print(f"\nmomentshare {record['versions']['momentshare']}; {entries} entries in sources.bib")
