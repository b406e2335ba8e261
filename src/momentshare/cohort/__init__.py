"""Cohorts: people × conditions × repetitions from the laboratory's own files."""
