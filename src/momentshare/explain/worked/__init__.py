"""A small sharing problem derived line by line: two rows, a two-joint head, two one-joint heads."""

from momentshare.explain.worked.case import WorkedCase
from momentshare.explain.worked.cut import case_from_frame
from momentshare.explain.worked.example import Step, WorkedAnswer, WorkedExample
from momentshare.explain.worked.solve import work

__all__ = ["Step", "WorkedAnswer", "WorkedCase", "WorkedExample", "case_from_frame", "work"]
