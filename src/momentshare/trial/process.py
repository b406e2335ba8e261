"""One trial from its recording to checked, filtered repetitions.

What was done is recorded in ``ProcessedTrial.record``: cut-offs, orders, clocks, filled gaps.
Landmarks and forces are filtered in the same way by default, because different cut-offs produce
false moments at quick changes (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.results import ReadOnly, brief
from momentshare.signals import (
    Repetition,
    common_clock,
    find_repetitions,
    lift_percent,
    press_events,
    resample,
)
from momentshare.trial.checks.placement import hand_spacing
from momentshare.trial.checks.trial import Signals, Task, check_trial
from momentshare.trial.checks.verdict import Check, count_possible, worst_verdict
from momentshare.trial.motion.girdle import StatedGirdle, with_stated
from momentshare.trial.motion.kinematics import HingeChoice, track_arm
from momentshare.trial.motion.lift import track_lift
from momentshare.trial.motion.others import OtherWay, other_ways
from momentshare.trial.motion.repetition import MeasuredRepetition
from momentshare.trial.motion.smooth import choose_cutoff, filtered, gaps_text, gone, mend, moved
from momentshare.trial.motion.static import Calibration
from momentshare.trial.motion.ways import Ways
from momentshare.trial.recording import SIDES, Channel, Recording, as_recorded, mirrored

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.checks.trial import Verdict
    from momentshare.trial.motion.lift import MeasuredLift
    from momentshare.trial.motion.track import ArmTrack

__all__ = ["ProcessedTrial", "Processing", "process_trial"]

_LEAST_OVERLAP = 0.5
"""Time [s] that all channels must have in common; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Processing:
    """How trials are treated; every choice is written into the record.

    Parameters
    ----------
    cutoff : float or "residual"
        Low-pass of landmarks and angles [Hz], or chosen by residual analysis, the median over
        landmarks (Winter's textbook method, from memory).
    force_cutoff : float or None
        Low-pass of forces [Hz]; None takes that of the landmarks.
    order : int
        Order of the whole Butterworth filter, run forward and backward, each pass at half the
        order; even.
    fill_gaps : float
        Longest gap that is filled [s]; 0 fills none.
    least_rise : float
        Least rise of a repetition [m].
    frames : int
        Frames of a repetition, even in time from chest to lock-out.
    hinge : {"epicondyles", "forearm"}
    ways : Ways
        How trunk, joint centre, grip and girdle are found.
    girdle : StatedGirdle
        What the lifter adds to the course of the girdle where no landmark shows it.
    """

    cutoff: float | Literal["residual"] = 6.0
    force_cutoff: float | None = None
    order: int = 4
    fill_gaps: float = 0.2
    least_rise: float = 0.10
    frames: int = 101
    hinge: HingeChoice = "epicondyles"
    ways: Ways = field(default_factory=Ways)
    girdle: StatedGirdle = field(default_factory=StatedGirdle)

    def __post_init__(self) -> None:
        faults = []
        for name in ("cutoff", "force_cutoff", "fill_gaps", "least_rise"):
            value = getattr(self, name)
            if value is None or (name == "cutoff" and value == "residual"):
                continue
            zero = name == "fill_gaps"
            good = isinstance(value, (int, float)) and np.isfinite(value)
            if not good or value < 0.0 or (value == 0.0 and not zero):
                rule = "zero or more" if zero else "a number above zero"
                faults.append(f"{name}: must be {rule}; got {value!r}")
        if self.hinge not in {"epicondyles", "forearm"}:
            faults.append(f"hinge: must be 'epicondyles' or 'forearm'; got {self.hinge!r}")
        if not isinstance(self.frames, int) or self.frames < 5:
            faults.append(f"frames: must be 5 or more; got {self.frames!r}")
        if faults:
            raise InputError("processing:", faults)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProcessedTrial(ReadOnly):
    """A trial ready for the muscles.

    Attributes
    ----------
    track : ArmTrack
        Filtered, of the right arm (a left one was mirrored).
    forces : mapping
        Side → force on the hand, world frame [N], shape (samples, 3), on the track's clock.
    repetitions : tuple of MeasuredRepetition
    refused : tuple of str
        Repetitions that could not be used, and why.
    checks : tuple of Check
    record : mapping
        What was done, ready for JSON.
    recording : Recording
        As read, mirrored if need be; for electromyograms.
    others : tuple of OtherWay
        What another way of placing trunk, joint centre or grip would change.
    slope_spread : float
        Spread of the slope of the sternum if the trunk rests on one that was not measured, else
        0 [rad].
    slope_shared : float
        Part of that spread that the trials of all people have in common [rad].
    """

    track: ArmTrack
    forces: Mapping[str, NDArray[np.float64]]
    repetitions: tuple[MeasuredRepetition, ...]
    refused: tuple[str, ...]
    checks: tuple[Check, ...]
    record: Mapping[str, Any]
    recording: Recording
    others: tuple[OtherWay, ...] = ()
    slope_spread: float = 0.0
    slope_shared: float = 0.0

    __repr__ = brief

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of the checks."""
        return worst_verdict(self.checks)

    @property
    def possible(self) -> tuple[int, int]:
        """How many checks were possible, and of how many."""
        return count_possible(self.checks)


def process_trial(
    recording: Recording,
    skeleton: Skeleton,
    processing: Processing | None = None,
    *,
    side: Literal["right", "left"] = "right",
    load: float | None = None,
    one_bar: bool = True,
    trunk_angle: float = 0.0,
    ground: bool = False,
    repetitions: Sequence[int] | None = None,
    calibration: Calibration | None = None,
) -> ProcessedTrial:
    """Filter, reconstruct, find and check repetitions, and extract them.

    Parameters
    ----------
    recording : Recording
    skeleton : Skeleton
        Of the person.
    processing : Processing, optional
    side : {"right", "left"}
        The arm under study; a left one is mirrored on entry.
    load : float, optional
        Whole load, both hands [kg]; with the hands on the ground, what lies on the back.
    one_bar : bool
        Whether the hands can push along what they hold.
    trunk_angle : float
        Of the condition [rad]: used for a trunk without landmarks, checked otherwise.
    ground : bool
        The hands rest on the ground and the trunk moves, face down.
    repetitions : sequence of int, optional
        Numbers of the repetitions to use, from 1; all by default.
    calibration : Calibration, optional
        What trials of their own tell of the person.

    Returns
    -------
    ProcessedTrial
        ``repetitions`` hold a :class:`~momentshare.Lift` each (``measured.lift``) with the measured
        lateral ratio (``measured.lateral``); ``verdict`` and ``checks`` say how far to trust them.

    Raises
    ------
    InputError
        Nothing can be used: no common time, no repetition, missing landmarks, impossible arm
        lengths. The message names the file.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Person, Profile, build_limb, load_model, process_trial
    ... )
    >>> from momentshare.trial.invent import Tempo, invent_press, recorded
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> skeleton = build_limb(ada, load_model()).skeleton
    >>> press = BenchPress(load_mass=30.0, spacing=Profile.constant(0.5))
    >>> recording = recorded(invent_press(press, skeleton, Tempo()))
    >>> trial = process_trial(recording, skeleton, load=30.0)
    >>> len(trial.repetitions), trial.repetitions[0].measured.lift.posture.shape
    (1, (101,))
    """
    chosen = processing or Processing()
    _check_options(side, load, trunk_angle, repetitions)
    if side == "left":
        recording = mirrored(recording)
    record: dict[str, Any] = {"source": recording.source, "digest": recording.digest, "side": side}
    notes = list(recording.notes)
    moving = {
        role: channel
        for role, channel in recording.channels.items()
        if not role.startswith("emg/") and not role.endswith("_hand_force")
    }
    pressing = {
        role.removesuffix("_hand_force"): channel
        for role, channel in recording.channels.items()
        if role.endswith("_hand_force")
    }
    if not moving:
        raise InputError(f"{recording.source}: holds neither landmarks nor joint angles")
    moving, missing, filled = mend(moving, chosen.fill_gaps)
    record["filled_gaps"] = filled
    cutoff, analysed = choose_cutoff(recording, moving, chosen.cutoff)
    force_cutoff = cutoff if chosen.force_cutoff is None else chosen.force_cutoff
    record["filter"] = {
        "kind": "zero-lag Butterworth, forward and backward",
        "effective_order": chosen.order,
        "landmarks_hz": cutoff,
        "forces_hz": force_cutoff,
        "chosen_by": "residual analysis" if chosen.cutoff == "residual" else "the study",
        "residual_analysis": analysed,
    }
    smooth = {role: filtered(c, cutoff, chosen.order, recording) for role, c in moving.items()}
    force = {s: filtered(c, force_cutoff, chosen.order, recording) for s, c in pressing.items()}
    noise = {role: moved(c, smooth[role], cutoff) for role, c in moving.items() if c.unit == "m"}
    rate = max(c.rate for c in moving.values())
    clock = _clock(recording, [*smooth.values(), *force.values()], rate)
    record["clock"] = {
        "rate_hz": rate,
        "from_s": float(clock[0]),
        "to_s": float(clock[-1]),
        "rates_hz": {role: c.rate for role, c in sorted(recording.channels.items())},
        "starts_s": {role: c.start for role, c in sorted(recording.channels.items())},
    }
    aligned = {
        role: replace(c, values=_at(c, clock), rate=rate, start=float(clock[0]))
        for role, c in smooth.items()
    }
    forces = {s: _at(c, clock) for s, c in force.items()}
    seen = replace(recording, channels=aligned)

    stated = chosen.girdle.on(skeleton, trunk_angle=trunk_angle, ground=ground)

    own = calibration or Calibration()

    def tracked(ways: Ways, steeper: float = 0.0) -> ArmTrack:
        turned = replace(own, sternum_slope=own.likely_slope.angle + steeper)
        return track_arm(
            seen,
            skeleton,
            trunk_angle=trunk_angle,
            ground=ground,
            hinge=chosen.hinge,
            ways=ways,
            calibration=turned if steeper else own,
            stated=stated,
        )

    try:
        track = tracked(chosen.ways)
    except InputError as err:
        raise InputError(as_recorded(str(err), side)) from err
    ascents = _ascents(recording, track, chosen, repetitions)
    ends = [(repetition.chest, repetition.lockout) for _, repetition in ascents]
    if track.posture.girdle is not None and chosen.girdle != StatedGirdle():
        notes.append("girdle: landmarks show it, so what the condition states does not count")
    track = with_stated(track, stated, ends)
    holds = partial(
        track_lift,
        skeleton=skeleton,
        load_mass=None if load is None else load / 2.0,
        hand_force=forces.get("right", _other_hand(forces)),
        one_bar=one_bar,
        ground=ground,
    )
    used, refused = _cut(track, ascents, chosen, holds, aligned)

    def again(ways: Ways, steeper: float = 0.0) -> list[MeasuredLift]:
        other = with_stated(tracked(ways, steeper), stated, ends)
        return [holds(other, positions=item.positions) for item in used]

    by_sternum = bool(track.placed) and track.placed["trunk"].way == "sternum"
    guessed = own.likely_slope if by_sternum and own.sternum_slope is None else None
    spread = 0.0 if guessed is None else guessed.spread
    measured = [item.measured for item in used]
    others = other_ways(seen, track, skeleton, chosen.ways, measured, again, slope_spread=spread)
    if "right" not in forces and forces:
        notes.append("hand force: measured on the other hand only; both sides are assumed equal")
    judged = [item.repetition for item in used] or [repetition for _, repetition in ascents]
    signals = Signals(
        forces=forces,
        grips={s: aligned[f"{s}_grip"].values for s in ("right", "left") if f"{s}_grip" in aligned},
        bar_middle=0.5 * (aligned["bar_right"].values + aligned["bar_left"].values)
        if {"bar_right", "bar_left"} <= set(aligned)
        else None,
        noise=noise,
        missing=missing | {f"{side}_hand_force": gone(c) for side, c in pressing.items()},
    )
    checks = check_trial(
        track,
        signals,
        Task(load=load, one_bar=one_bar, trunk_angle=trunk_angle, ground=ground),
        skeleton,
        used=used,
        spans=[(repetition.chest, repetition.lockout) for repetition in judged],
    )
    checks = tuple(
        replace(
            check,
            note=as_recorded(check.note, side),
            curves={as_recorded(k, side): v for k, v in check.curves.items()},
            axis=as_recorded(check.axis, side),
        )
        for check in checks
    )
    refused = [as_recorded(text, side) for text in refused]
    record["notes"] = [*notes, *(as_recorded(note, side) for note in track.notes)]
    record["places"] = {
        place: {"way": item.way, **item.numbers} for place, item in track.placed.items()
    }
    record["hand_spacing_m"] = hand_spacing(track, signals.grips)
    record["repetitions"] = [_events_record(item, track) for item in used]
    record["refused"] = refused
    return ProcessedTrial(
        track=track,
        forces=forces,
        repetitions=tuple(used),
        refused=tuple(refused),
        checks=checks,
        record=record,
        recording=recording,
        others=others,
        slope_spread=spread,
        slope_shared=0.0 if guessed is None else guessed.shared,
    )


def _check_options(
    side: str, load: float | None, trunk_angle: float, repetitions: Sequence[int] | None
) -> None:
    faults = []
    if side not in SIDES:
        faults.append(f"side: must be 'right' or 'left'; got {side!r}")
    number = isinstance(load, (int, float)) and np.isfinite(load) and load >= 0.0
    if load is not None and not number:
        faults.append(f"load: must be a mass of zero or more [kg]; got {load!r}")
    if not (np.isfinite(trunk_angle) and abs(trunk_angle) <= np.pi):
        faults.append(
            f"trunk_angle: must be between -pi and pi [rad]; got {trunk_angle!r}; is it in degrees?"
        )
    if repetitions is not None and (
        not isinstance(repetitions, (list, tuple, range))
        or not repetitions
        or any(not isinstance(n, int) or isinstance(n, bool) for n in repetitions)
    ):
        faults.append(f"repetitions: must be a list of numbers from 1; got {repetitions!r}")
    if faults:
        raise InputError("trial:", faults)


def _clock(recording: Recording, channels: Sequence[Channel], rate: float) -> NDArray[np.float64]:
    begin, end = max(c.start for c in channels), min(c.end for c in channels)
    if end - begin < _LEAST_OVERLAP:
        late = max(channels, key=lambda c: c.start)
        early = min(channels, key=lambda c: c.end)
        raise InputError(
            f"{recording.source}: the channels have no time in common: {late.label!r} begins at "
            f"{late.start:.3f} s and {early.label!r} ends at {early.end:.3f} s; check offset_s"
        )
    return common_clock([(c.start, c.end) for c in channels], rate)


def _at(channel: Channel, clock: NDArray[np.float64]) -> NDArray[np.float64]:
    same = (
        abs(channel.rate * (clock[1] - clock[0]) - 1.0) < 1e-12
        and abs((clock[0] - channel.start) * channel.rate % 1.0) < 1e-9
    )
    if same:
        first = round((clock[0] - channel.start) * channel.rate)
        return channel.values[first : first + len(clock)]
    return resample(channel.values, channel.rate, channel.start, clock)


def _ascents(
    recording: Recording,
    track: ArmTrack,
    chosen: Processing,
    wanted: Sequence[int] | None,
) -> list[tuple[int, Repetition]]:
    """Repetitions to use with their numbers."""
    found = find_repetitions(track.height, track.rate, least_rise=chosen.least_rise)
    if not found:
        rise = float(np.nanmax(track.height) - np.nanmin(track.height))
        raise InputError(
            f"{recording.source}: no repetition found: the height of the load varies by "
            f"{rise:.3f} m; must rise by {chosen.least_rise:g} m or more; check the up axis "
            "and units of the layout"
        )
    numbered = list(enumerate(found, start=1))
    if wanted is None:
        return numbered
    unknown = [n for n in wanted if not 1 <= n <= len(found)]
    if unknown:
        raise InputError(
            f"{recording.source}: repetitions: {unknown[0]} asked for, {len(found)} found"
        )
    return [item for item in numbered if item[0] in set(wanted)]


def _other_hand(forces: Mapping[str, NDArray[np.float64]]) -> NDArray[np.float64] | None:
    """Force on the other hand, mirrored, if only that one was measured."""
    left = forces.get("left")
    return None if left is None else left * np.array([1.0, 1.0, -1.0])


def _cut(
    track: ArmTrack,
    ascents: Sequence[tuple[int, Repetition]],
    chosen: Processing,
    holds: Callable[..., MeasuredLift],
    channels: Mapping[str, Channel],
) -> tuple[list[MeasuredRepetition], list[str]]:
    """Extract the repetitions; ``holds`` makes a lift of a track and positions.

    ``channels`` of landmarks and angles, on the clock of the track, tell where gaps are.
    """
    used: list[MeasuredRepetition] = []
    refused: list[str] = []
    for number, repetition in ascents:
        if not repetition.completed:
            why = repetition.note or "the lift was not completed"
            refused.append(f"repetition {number}: {why}")
            continue
        positions = lift_percent(repetition, chosen.frames)
        try:
            events = press_events(track.height, track.rate, repetition)
            measured = holds(track, positions=positions)
        except InputError as err:
            gaps = gaps_text(channels, repetition.chest, repetition.lockout)
            refused.append(f"repetition {number}: {err}" + (f" ({gaps})" if gaps else ""))
            continue
        used.append(
            MeasuredRepetition(
                number=number,
                repetition=repetition,
                events=events,
                positions=positions,
                measured=measured,
            )
        )
    return used, refused


def _events_record(item: MeasuredRepetition, track: ArmTrack) -> dict[str, Any]:
    def seconds(sample: int | None) -> float | None:
        return None if sample is None else round(track.start + sample / track.rate, 4)

    events = item.events
    return {
        "number": item.number,
        "chest_s": seconds(events.chest),
        "first_peak_s": seconds(events.first_peak),
        "minimum_s": seconds(events.minimum),
        "second_peak_s": seconds(events.second_peak),
        "lockout_s": seconds(events.lockout),
        "sticking_region": events.has_sticking_region,
        "note": events.note,
    }
