"""Readings of a study: tables per frame, per head, per condition and between conditions.

Every table is tidy (one row, one observation) and carries units in its column names.
``activation`` is active force over capacity here, 0 to 1; ``fibre_length`` is over the
peak fibre length; the lift mean is over frames, which are even in height for a
quasi-static lift and even in time for a timed one.
"""

from momentshare.reading.columns import frame_status
from momentshare.reading.conditions import condition_table, doubtful_heads
from momentshare.reading.frames import (
    certificate_table,
    frame_blocks,
    frame_table,
    moment_table,
    posture_table,
)
from momentshare.reading.glenoid import glenoid_head_table, glenoid_table
from momentshare.reading.heads import (
    BAND_COLUMNS,
    HEAD_OUTCOMES,
    HEADS_COLUMNS,
    head_table,
    head_table_by_person,
    over_people,
)
from momentshare.reading.loads import load_table
from momentshare.reading.pairs import ordering_table, ratio_table

__all__ = [
    "BAND_COLUMNS",
    "HEADS_COLUMNS",
    "HEAD_OUTCOMES",
    "certificate_table",
    "condition_table",
    "doubtful_heads",
    "frame_blocks",
    "frame_status",
    "frame_table",
    "glenoid_head_table",
    "glenoid_table",
    "head_table",
    "head_table_by_person",
    "load_table",
    "moment_table",
    "ordering_table",
    "over_people",
    "posture_table",
    "ratio_table",
]
