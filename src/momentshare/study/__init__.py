"""Studies: people and conditions read from a file and run."""

from momentshare.runs import Case, Refusal
from momentshare.study.load import load_study, parse_study
from momentshare.study.run import PlannedStudy, StudyResult, plan_study, run_study
from momentshare.study.schema import Study, StudyFile

__all__ = [
    "Case",
    "PlannedStudy",
    "Refusal",
    "Study",
    "StudyFile",
    "StudyResult",
    "load_study",
    "parse_study",
    "plan_study",
    "run_study",
]
