"""``python -m momentshare`` is the command line."""

from momentshare.cli import start

if __name__ == "__main__":
    start()
