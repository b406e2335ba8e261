"""``python -m momentshare`` is the command line."""

from momentshare.cli.main import main

if __name__ == "__main__":
    main()
