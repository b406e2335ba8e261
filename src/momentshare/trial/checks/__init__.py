"""Residual checks of a trial: what was measured, held against itself."""
