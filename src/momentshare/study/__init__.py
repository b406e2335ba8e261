"""Studies: people and conditions read from a file, run, and handed on."""

from momentshare.study.load import load_study, parse_study
from momentshare.study.run import Case, Refusal, StudyResult, run_study
from momentshare.study.schema import Study, StudyFile

__all__ = [
    "Case",
    "Refusal",
    "Study",
    "StudyFile",
    "StudyResult",
    "load_study",
    "parse_study",
    "run_study",
]
