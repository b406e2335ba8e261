"""``python -m momentshare`` is the command line."""

import sys
from pathlib import Path

# Python puts the current folder first; a file ``random.py`` beside the data must not be run.
if sys.path and sys.path[0] == str(Path.cwd()) != str(Path(__file__).resolve().parents[1]):
    del sys.path[0]

from momentshare.cli import start

if __name__ == "__main__":
    start()
