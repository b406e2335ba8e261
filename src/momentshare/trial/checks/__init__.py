"""Residual checks of a trial: measurements compared with each other."""
