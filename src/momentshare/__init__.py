"""From net joint moments to the load on each muscle head in pressing exercises.

The public names below load on first use, so that importing the package is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult, prepare, solve_lift
    from momentshare.balance import Balance, Criterion, Lateral
    from momentshare.cohort.load import load_cohort
    from momentshare.cohort.run import run_cohort
    from momentshare.errors import MomentshareError
    from momentshare.exercise import BenchPress, Lift, Profile
    from momentshare.limb import Limb, MeasuredStrength, build_limb
    from momentshare.model import Model, load_model
    from momentshare.person import Person
    from momentshare.posture import Posture, posture_from_angles
    from momentshare.sharing import (
        Certificate,
        GreatestFactor,
        GreatestMoment,
        Sharing,
        Status,
        greatest_factor,
        greatest_moment,
        share,
    )
    from momentshare.study import Study, StudyResult, load_study, parse_study, run_study
    from momentshare.trial.process import process_trial
    from momentshare.trial.read import read_recording

_HOME = {
    "Balance": "balance",
    "BenchPress": "exercise",
    "Certificate": "sharing",
    "Criterion": "balance",
    "GreatestFactor": "sharing",
    "GreatestMoment": "sharing",
    "Lateral": "balance",
    "Lift": "exercise",
    "LiftResult": "analysis",
    "Limb": "limb",
    "MeasuredStrength": "limb",
    "Model": "model",
    "MomentshareError": "errors",
    "Person": "person",
    "Posture": "posture",
    "Profile": "exercise",
    "Sharing": "sharing",
    "Status": "sharing",
    "Study": "study",
    "StudyResult": "study",
    "build_limb": "limb",
    "greatest_factor": "sharing",
    "greatest_moment": "sharing",
    "load_cohort": "cohort.load",
    "load_model": "model",
    "load_study": "study",
    "parse_study": "study",
    "posture_from_angles": "posture",
    "prepare": "analysis",
    "process_trial": "trial.process",
    "read_recording": "trial.read",
    "run_cohort": "cohort.run",
    "run_study": "study",
    "share": "sharing",
    "solve_lift": "analysis",
}

__all__ = [
    "Balance",
    "BenchPress",
    "Certificate",
    "Criterion",
    "GreatestFactor",
    "GreatestMoment",
    "Lateral",
    "Lift",
    "LiftResult",
    "Limb",
    "MeasuredStrength",
    "Model",
    "MomentshareError",
    "Person",
    "Posture",
    "Profile",
    "Sharing",
    "Status",
    "Study",
    "StudyResult",
    "build_limb",
    "greatest_factor",
    "greatest_moment",
    "load_cohort",
    "load_model",
    "load_study",
    "parse_study",
    "posture_from_angles",
    "prepare",
    "process_trial",
    "read_recording",
    "run_cohort",
    "run_study",
    "share",
    "solve_lift",
]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("importlib.metadata").version("momentshare")
    if name in _HOME:
        return getattr(import_module(f"momentshare.{_HOME[name]}"), name)
    raise AttributeError(f"module 'momentshare' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
