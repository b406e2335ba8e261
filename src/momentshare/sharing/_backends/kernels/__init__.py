"""Compiled loops of the sharing, with what they are written of."""
