"""Numeric routes to the shared forces; each takes checked problems and is judged alike."""
