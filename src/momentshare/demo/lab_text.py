"""The cohort study of the invented laboratory, as text."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from momentshare.demo.lab_files import FORCES, LABELS
from momentshare.demo.lab_plan import (
    BROKEN,
    MUSCLES,
    PUBLISHED,
    SPACINGS,
    Plan,
)

if TYPE_CHECKING:
    from momentshare.study.schema import PersonEntry


__all__ = [
    "broken_lines",
    "header",
    "maximal_lines",
    "maximal_value",
    "published_lines",
    "trial_lines",
]

_NOTE = (
    "Invented people, files and numbers. EMG is made from the model's own answer, with gain and "
    "noise drawn for each trial: its agreement is no evidence."
)


def published_lines(person: str) -> str:
    """Name the published table."""
    return (
        "# Moments that came from elsewhere: mean ± SD of a table, here an invented one.\n"
        f"[[published]]\nfile = {_quoted('lab/' + PUBLISHED)}\nperson = {_quoted(person)}\n"
        'spread = "sd"\n'
    )


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def header(entries: list[PersonEntry]) -> str:
    """Open the study: settings, layouts, people, conditions."""
    people = "\n".join(_person_lines(entry) for entry in entries)
    markers = "\n".join(f"{role} = {_quoted(label)}" for role, label in LABELS.items())
    forces = "\n".join(
        f'{role} = ["{label}x", "{label}y", "{label}z"]' for role, label in FORCES.items()
    )
    emg = "\n".join(f"{_quoted(head)} = {_quoted(label)}" for head, label in MUSCLES.items())
    conditions = "\n".join(
        f'[[condition]]\nname = "{name}"\nimplement = "bar"\nnote = "hands {ratio:g} times the '
        f'biacromial breadth apart"\n'
        for name, ratio in SPACINGS.items()
    )
    return f"""\
# An invented laboratory study: nobody was measured, and truth.json holds what the files were
# made from. The electromyograms are made from the model's own answer, with gain and noise drawn
# for each trial: their agreement with it shows how the comparison works and is no evidence.

title = "Harbour rescue team: hand spacing in the laboratory"
note = "{_NOTE}"
model = "reference_limb"

[settings]
lateral = ["measured", "zero", "free"]  # how the force along the bar is treated
exponent = 2.0
frames = 101                            # even in time from chest (0 %) to lock-out (100 %)

[processing]
cutoff_hz = 6.0                         # or "residual"
fill_gaps_s = 0.1                       # 0 fills none
failed_checks = "leave out"             # of means and comparisons, or "keep"

[emg]
band_hz = [20, 450]
envelope_hz = 6.0
pull_weight = 1.0                       # remove to leave out activations pulled toward EMG

{people}
# ------------------------------------------------------------- layouts
# up and right are axes of the laboratory: against gravity, and to the person's right.

[[layout]]
name = "motion capture"
format = "c3d"
up = "+z"
right = "-y"
force_on = "bar"

[layout.markers]
{markers}

[layout.forces]
{forces}

[layout.emg]
{emg}

[[layout]]
name = "table"
up = "+z"
right = "-y"
force_on = "bar"
delimiter = ","
time_column = "time_s"
units = {{ markers = "mm", forces = "N" }}

[layout.markers]
{markers}

[layout.forces]
{forces}

[[layout]]
name = "emg table"
up = "+z"
right = "-y"
delimiter = ","
time_column = "time_s"
units = {{ emg = "mV" }}

[layout.emg]
{emg}

[[layout]]
name = "maximal"
format = "c3d"
up = "+z"
right = "-y"

[layout.emg]
{emg}

{conditions}"""


def _person_lines(entry: PersonEntry) -> str:
    given = entry.model_dump(exclude_none=True, exclude_defaults=True, exclude={"strength"})
    lines = ["[[person]]"]
    for key, value in given.items():
        lines.append(f"{key} = {_quoted(value) if isinstance(value, str) else f'{value:g}'}")
    for test in entry.strength:
        lines.append("\n  [[person.strength]]")
        for key, value in test.model_dump(exclude_defaults=True).items():
            lines.append(f"  {key} = {_quoted(value) if isinstance(value, str) else f'{value:g}'}")
    return "\n".join(lines) + "\n"


def trial_lines(plan: Plan, name: str, *, table: bool, late: bool) -> str:
    """Name a trial."""
    lines = [
        "[[trial]]",
        f"person = {_quoted(plan.entry.name)}",
        f"condition = {_quoted(plan.condition)}",
        f"file = {_quoted('lab/' + name)}",
        f"layout = {_quoted('table' if table else 'motion capture')}",
        f"load_kg = {plan.load:g}",
    ]
    if table:
        stem, ending = name.rsplit(".", 1)
        lines += [
            'side = "left"',
            "",
            "  [[trial.more]]",
            f"  file = {_quoted(f'lab/{stem}_emg.{ending}')}",
            '  layout = "emg table"',
        ]
    if late:
        lines[1:1] = ["# the force clock of this person runs 20 ms late, and the checks say so"]
    return "\n".join(lines) + "\n"


def broken_lines(plan: Plan) -> str:
    """Name the file that ends half-way."""
    return "# this file ends half-way: it is reported and skipped\n" + trial_lines(
        plan, BROKEN, table=False, late=False
    )


def maximal_lines(person: str, head: str, name: str) -> str:
    """Name the file of a maximal contraction."""
    return (
        f"[[maximal_contraction]]\nperson = {_quoted(person)}\nhead = {_quoted(head)}\n"
        f'file = {_quoted("lab/" + name)}\nlayout = "maximal"\n'
    )


def maximal_value(person: str, head: str, millivolt: float) -> str:
    """State the size of a maximal contraction [mV]."""
    return (
        f"[[maximal_contraction]]\nperson = {_quoted(person)}\nhead = {_quoted(head)}\n"
        f"envelope_mv = {millivolt:.4g}\n"
    )
