"""Trials: what a laboratory recorded, from its files to lifts."""
