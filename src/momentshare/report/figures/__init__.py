"""Figures of results; they read tables and compute nothing new."""
