"""Results written into a run folder: tables, drawings, sources and the record."""
