"""Numeric routes to the shared forces; each takes checked problems, all share one certificate."""
