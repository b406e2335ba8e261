"""The command line."""

from __future__ import annotations

import sys

__all__ = ["start"]


def start() -> None:
    """Run the command line, or say what to install where its libraries are missing."""
    from momentshare.errors import MissingExtraError

    try:
        from momentshare.cli.main import main
    except MissingExtraError as err:
        sys.stderr.write(f"error: {err}\n")
        sys.exit(err.exit_code)
    main()
