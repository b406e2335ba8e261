"""How results reach the disk: one folder per run, one writer for every kind of file."""

from momentshare.files.alone import lone_file
from momentshare.files.folder import RunFolder, as_run_folder, run_folder
from momentshare.files.given import given_files
from momentshare.files.shelf import Shelf
from momentshare.files.writer import FIGURES, Writer

__all__ = [
    "FIGURES",
    "RunFolder",
    "Shelf",
    "Writer",
    "as_run_folder",
    "given_files",
    "lone_file",
    "run_folder",
]
