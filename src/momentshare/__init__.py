"""From net joint moments to the load on each muscle head in pressing exercises.

The public names, by what they are for:

- people and limb: ``Person``, ``StrengthTest``, ``MeasuredStrength``, ``load_model`` (a ``Model``),
  ``build_limb`` with ``LimbOptions`` (a ``Limb``), ``Posture``, ``posture_from_angles``,
  ``path_points``
- exercises: ``BenchPress`` along a ``BarPath``, ``OverheadPress``, ``PushUp``, ``GuidedArm``,
  ``lying_elbow_extension``, ``overhead_elbow_extension``, ``straight_arm_pull_down``, values along
  the lift as ``Profile``, ``lift_from_angles``; each makes a ``Lift``
- a lift: ``prepare``, ``solve_lift`` with ``Lateral`` and ``Criterion`` (a ``LiftResult``),
  ``girdle_load``, ``draw_arm``
- a study: ``load_study``, ``parse_study`` (a ``Study``), ``plan_study``, ``run_study`` (a
  ``StudyResult``) and the tables ``head_table``, ``frame_table``, ``condition_table``,
  ``load_table``, ``moment_table``, ``glenoid_table``
- a laboratory: ``read_recording`` with a ``LayoutEntry``, ``process_trial``, ``load_cohort``,
  ``run_cohort``
- moments from elsewhere: ``read_published``, ``heads_of_published``, ``Balance.of_moments``;
  ``share`` (``Sharing``, ``Status``, ``Certificate``), ``greatest_factor`` (``GreatestFactor``) and
  ``greatest_moment`` (``GreatestMoment``)
- why: ``explain_head``, ``explain_difference``, ``explain_heads_apart``, ``explanation_text``,
  ``counterfactuals``, ``equal_moments``, ``frame_problem``, ``limiting_strength``,
  ``joint_strength``, ``study_strength``
- a limb of your own: ``load_linkage`` (a ``Linkage`` of ``LinkageHead``), ``solve_linkage`` with
  ``EndLoad`` (a ``LinkageResult``), ``linkage_moment_arms``
- how sure: ``effect_tables``, ``run_uncertainty`` with an ``UncertaintyPlan``
- the greatest load: ``maximal_lifts``, ``driven_path``, ``drive_load``, ``greatest_passing_load``
- compiled ahead of time: ``warm_up`` (``WarmKernel``)
- whatever goes wrong: ``MomentshareError``

They load on first use, so that importing the package is quick. ``momentshare.sharing`` is the
other public module; all else may change without notice.
"""

import os as _os
import sys as _sys

# ``python -m momentshare`` puts the current folder first, and a file ``typing.py`` beside the data
# must not be run. Python has both modules above at hand; nothing else may come before this, not
# even ``__future__``. What Python itself looks for before it comes here stays (``python -P``).
_PARENT = _os.path.dirname(_os.path.dirname(_os.path.realpath(__file__)))
if _sys.argv[:1] == ["-m"] and _sys.path[:1] == [_os.getcwd()] != [_PARENT]:
    del _sys.path[0]

from importlib import import_module
from typing import TYPE_CHECKING, Any

from momentshare.extras import watch_imports

if TYPE_CHECKING:
    from momentshare.analysis import (
        LiftResult,
        prepare,
        solve_lift,
    )
    from momentshare.analysis.girdle_forces import (
        girdle_load,
    )
    from momentshare.analysis.warm import (
        WarmKernel,
        warm_up,
    )
    from momentshare.balance import (
        Balance,
        Criterion,
        Lateral,
    )
    from momentshare.cohort.load import (
        load_cohort,
    )
    from momentshare.cohort.run import run_cohort
    from momentshare.errors import (
        MomentshareError,
    )
    from momentshare.exercise import (
        BarPath,
        BenchPress,
        GuidedArm,
        Lift,
        OverheadPress,
        Profile,
        PushUp,
        lift_from_angles,
        lying_elbow_extension,
        overhead_elbow_extension,
        straight_arm_pull_down,
    )
    from momentshare.explain import (
        counterfactuals,
        equal_moments,
        explain_difference,
        explain_head,
        explain_heads_apart,
        explanation_text,
        frame_problem,
        limiting_strength,
    )
    from momentshare.limb import (
        Limb,
        LimbOptions,
        MeasuredStrength,
        build_limb,
    )
    from momentshare.linkage import (
        EndLoad,
        Linkage,
        LinkageHead,
        LinkageResult,
        linkage_moment_arms,
        load_linkage,
        solve_linkage,
    )
    from momentshare.maximal import (
        drive_load,
        driven_path,
        greatest_passing_load,
        maximal_lifts,
    )
    from momentshare.model import (
        Model,
        load_model,
    )
    from momentshare.paths.course import (
        path_points,
    )
    from momentshare.person import (
        Person,
    )
    from momentshare.posture import (
        Posture,
        posture_from_angles,
    )
    from momentshare.published import (
        heads_of_published,
        read_published,
    )
    from momentshare.reading import (
        condition_table,
        frame_table,
        glenoid_table,
        head_table,
        load_table,
        moment_table,
    )
    from momentshare.reading.effects import (
        effect_tables,
    )
    from momentshare.report import draw_arm
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
    from momentshare.strength import (
        StrengthTest,
        joint_strength,
        study_strength,
    )
    from momentshare.study import (
        Study,
        StudyResult,
        load_study,
        parse_study,
        plan_study,
        run_study,
    )
    from momentshare.trial.formats.layout import (
        LayoutEntry,
    )
    from momentshare.trial.formats.read import (
        read_recording,
    )
    from momentshare.trial.process import (
        process_trial,
    )
    from momentshare.uncertainty import (
        UncertaintyPlan,
        run_uncertainty,
    )

_HOME = {
    name: module
    for module, names in {
        "analysis": "LiftResult prepare solve_lift",
        "balance": "Balance Criterion Lateral",
        "cohort.load": "load_cohort",
        "cohort.run": "run_cohort",
        "reading.effects": "effect_tables",
        "errors": "MomentshareError",
        "exercise": (
            "BarPath BenchPress GuidedArm Lift lift_from_angles lying_elbow_extension "
            "overhead_elbow_extension OverheadPress Profile PushUp straight_arm_pull_down"
        ),
        "explain": (
            "counterfactuals equal_moments explain_difference explain_head explain_heads_apart "
            "explanation_text frame_problem limiting_strength"
        ),
        "analysis.girdle_forces": "girdle_load",
        "limb": "build_limb Limb LimbOptions MeasuredStrength",
        "linkage": (
            "EndLoad Linkage linkage_moment_arms LinkageHead LinkageResult load_linkage "
            "solve_linkage"
        ),
        "maximal": "drive_load driven_path greatest_passing_load maximal_lifts",
        "model": "load_model Model",
        "paths.course": "path_points",
        "person": "Person",
        "posture": "Posture posture_from_angles",
        "published": "heads_of_published read_published",
        "reading": "condition_table frame_table glenoid_table head_table load_table moment_table",
        "report": "draw_arm",
        "sharing": (
            "Certificate greatest_factor greatest_moment GreatestFactor GreatestMoment share "
            "Sharing Status"
        ),
        "strength": "joint_strength StrengthTest study_strength",
        "study": "load_study parse_study plan_study run_study Study StudyResult",
        "trial.formats.layout": "LayoutEntry",
        "trial.formats.read": "read_recording",
        "trial.process": "process_trial",
        "uncertainty": "run_uncertainty UncertaintyPlan",
        "analysis.warm": "warm_up WarmKernel",
    }.items()
    for name in names.split()
}
"""Name → module that holds it."""

__all__ = [
    "Balance",
    "BarPath",
    "BenchPress",
    "Certificate",
    "Criterion",
    "EndLoad",
    "GreatestFactor",
    "GreatestMoment",
    "GuidedArm",
    "Lateral",
    "LayoutEntry",
    "Lift",
    "LiftResult",
    "Limb",
    "LimbOptions",
    "Linkage",
    "LinkageHead",
    "LinkageResult",
    "MeasuredStrength",
    "Model",
    "MomentshareError",
    "OverheadPress",
    "Person",
    "Posture",
    "Profile",
    "PushUp",
    "Sharing",
    "Status",
    "StrengthTest",
    "Study",
    "StudyResult",
    "UncertaintyPlan",
    "WarmKernel",
    "build_limb",
    "condition_table",
    "counterfactuals",
    "draw_arm",
    "drive_load",
    "driven_path",
    "effect_tables",
    "equal_moments",
    "explain_difference",
    "explain_head",
    "explain_heads_apart",
    "explanation_text",
    "frame_problem",
    "frame_table",
    "girdle_load",
    "glenoid_table",
    "greatest_factor",
    "greatest_moment",
    "greatest_passing_load",
    "head_table",
    "heads_of_published",
    "joint_strength",
    "lift_from_angles",
    "limiting_strength",
    "linkage_moment_arms",
    "load_cohort",
    "load_linkage",
    "load_model",
    "load_study",
    "load_table",
    "lying_elbow_extension",
    "maximal_lifts",
    "moment_table",
    "overhead_elbow_extension",
    "parse_study",
    "path_points",
    "plan_study",
    "posture_from_angles",
    "prepare",
    "process_trial",
    "read_published",
    "read_recording",
    "run_cohort",
    "run_study",
    "run_uncertainty",
    "share",
    "solve_lift",
    "solve_linkage",
    "straight_arm_pull_down",
    "study_strength",
    "warm_up",
]

watch_imports()


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("importlib.metadata").version("momentshare")
    if name == "sharing":
        return import_module("momentshare.sharing")
    if name in _HOME:
        return getattr(import_module(f"momentshare.{_HOME[name]}"), name)
    raise AttributeError(f"module 'momentshare' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
