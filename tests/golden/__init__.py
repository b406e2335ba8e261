"""Stored tables of whole runs, and the tests that the numbers stay as they are."""
