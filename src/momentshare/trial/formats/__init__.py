"""From a laboratory's files to recordings: layouts, signals, C3D and tables."""
