"""The self-contained HTML page of a report: its blocks, its cells and the pages of commands."""
