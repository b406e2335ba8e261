"""What every report says about how far its numbers can be trusted."""

from __future__ import annotations

__all__ = ["CAUTIONS", "LIMITS"]

CAUTIONS = (
    (
        "Muscle forces are estimates of a model, not measurements; their absolute size is "
        "uncertain by tens of percent. Orders of conditions may be firmer, or not: look "
        "at how many people agree, at measured, zero and free lateral force side by side, and "
        "at 'momentshare uncertainty'."
    ),
    "This is neither a diagnosis nor a forecast of injury, nor medical or coaching advice.",
    (
        "A computed greatest load is a property of the model; it is not a load to put on a bar. "
        "Press with a spotter and with safeties set; keep to the rules of the place where you "
        "train."
    ),
    (
        "Where pressing is part of work, the law and the employer's rules on manual handling come "
        "first."
    ),
    (
        "With pain or after an injury, ask a qualified clinician first; decisions on treatment "
        "and on return to sport or duty belong to licensed practitioners."
    ),
    (
        "Recording people requires ethics approval and informed consent, and the protection of "
        "their personal data: results hold names, body sizes and strengths."
    ),
)

LIMITS = (
    (
        "Static optimisation gives little co-contraction: a rise of antagonist activity, for "
        "example of the biceps in wide grips or with dumbbells, will not be reproduced."
    ),
    (
        "EMG amplitude ranks neither muscles by force nor growth; compare within a muscle across "
        "conditions only."
    ),
    (
        "Activation refers to the capacity in the posture and at the speed of the task. Strength "
        "from another posture, speed or mode of contraction biases it."
    ),
)
