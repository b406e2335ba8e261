"""``momentshare explain``: why a head works as much as it does, and what would change it."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from momentshare.cli.output import Output
from momentshare.cli.tables import console, folder_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.cohort.schema import CohortStudy
    from momentshare.study import Study

__all__ = ["explain"]

_WEAKEST = "that is where the greatest load that can be held is least"
_HARDEST = "that is where the heads work hardest together"


def explain(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY.toml", help="Study file or cohort study file (TOML).")
    ],
    person: Annotated[
        str | None, typer.Option(help="Name of a person; the first of the study if left out.")
    ] = None,
    condition: Annotated[
        str | None, typer.Option(help="Name of a condition; the first of the study if left out.")
    ] = None,
    head: Annotated[
        str | None,
        typer.Option(
            help="Head to explain, as muscle/head or by a name such as 'anterior deltoid'; all "
            "heads in brief if left out."
        ),
    ] = None,
    against: Annotated[
        str | None,
        typer.Option(
            help="What to compare it with: another condition, whose difference is explained, or a "
            "second head."
        ),
    ] = None,
    height: Annotated[
        float | None,
        typer.Option(
            help="Height of the bar, 0 chest to 1 lock-out; where the greatest load is least if "
            "left out."
        ),
    ] = None,
    lateral: Annotated[
        str | None,
        typer.Option(
            help="Lateral force: measured, zero or free; the first of the study if left out."
        ),
    ] = None,
    repetition: Annotated[
        int, typer.Option(min=1, help="Repetition of a measured condition, counted from 1.")
    ] = 1,
    worked: Annotated[
        bool, typer.Option("--worked", help="Also derive a small case line by line.")
    ] = False,
    draws: Annotated[
        int,
        typer.Option(
            min=0,
            max=2000,
            help="Draws of limb, posture and force that say how sure statements are; 0 for none.",
        ),
    ] = 20,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
    no_figures: Annotated[bool, typer.Option("--no-figures", help="Write no figure.")] = False,
) -> None:
    """Explain a head, or why it works more in one condition, or than another head."""
    from momentshare.balance.lateral import LateralMode
    from momentshare.cli.explain_difference import Asked
    from momentshare.cli.explain_heads import explain_all, explain_heads
    from momentshare.cli.explain_lifts import HeadsAsked, chosen_names, pick, solve_lifts
    from momentshare.cli.show_difference import show_conditions
    from momentshare.cohort.load import load_any
    from momentshare.errors import InputError, UnknownNameError
    from momentshare.explain import frame_at, weakest_frame
    from momentshare.head_names import find_head
    from momentshare.report.writing.study_folder import study_identity
    from momentshare.study.run import study_model

    source = load_any(study)
    who, task = chosen_names(source, person, condition)
    known = study_model(source.file.model, source.source).head_names
    head = head and find_head(head, known, "--head")
    other = _other_condition(source, task, against, known)
    if against is not None and other is None:
        against = find_head(against, known, "--against")
    if head is None and (worked or (against is not None and other is None)):
        raise InputError("--head: is missing, but --against or --worked needs it; name a head")
    if worked and other is not None:
        raise InputError("--worked: is not used where two conditions are compared; leave it out")
    if head is not None and head == against:
        raise InputError(f"--against: {against!r} is the head itself; name another")
    if height is not None and not 0.0 <= height <= 1.0:
        raise InputError(
            "--height: must be a fraction from 0 (chest) to 1 (lock-out), 0.5 for 50 %; "
            f"got {height!r}"
        )
    modes = get_args(LateralMode)
    if lateral not in {None, *modes}:
        raise UnknownNameError("lateral mode", str(lateral), modes, "--lateral")
    with folder_for(out, "explain", study=study_identity(source), names=["explain.json"]) as run:
        output = Output(run=run, as_json=as_json, figures=not no_figures)
        with console(stderr=True).status("solving"):
            if other is not None:
                asked = Asked(
                    person=who, conditions=(task, other), head=head, height=height,
                    lateral=lateral, repetition=repetition, draws=draws,
                )  # fmt: skip
                said = show_conditions(source, asked, output)
                output.print_json(said.record)
                output.write("explain.json", said)
                return
            lifts = solve_lifts(source, who, [task], repetition)
            mode = pick(lifts.results[task], lateral, task)
            result = lifts.results[task][mode]
            frame = weakest_frame(result) if height is None else frame_at(result, height)
        note = "" if height is not None else _WEAKEST if result.greatest else _HARDEST
        heads = tuple(name for name in (head, against) if name is not None)
        one = HeadsAsked(lifts=lifts, condition=task, mode=mode, frame=frame, note=note,
                         heads=heads, worked=worked, draws=draws)  # fmt: skip
        said = (explain_all if head is None else explain_heads)(source, one, output)
        output.print_json(said.record)
        output.write("explain.json", said)


def _other_condition(
    source: Study | CohortStudy, task: str, against: str | None, heads: Sequence[str]
) -> str | None:
    """Condition that ``--against`` names; None if it names a head or is not given."""
    from momentshare.errors import InputError
    from momentshare.head_names import find_head

    if against is None:
        return None
    tasks = [entry.name for entry in source.file.condition]
    if against in tasks and against in heads:
        raise InputError(
            f"--against: {against!r} is a condition and a head; give the condition another name"
        )
    if against in tasks:
        if against == task:
            raise InputError(f"--against: {against!r} is the condition itself; name another")
        return against
    find_head(against, heads, "--against", kind="condition or head", others=tasks)
    return None
