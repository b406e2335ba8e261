"""From independent standard normals to limbs, postures and forces.

Every uncertain number is a function of standard normals z. Numbers of one kind that come from
one source share a common one:

    z = √s · z_common + √(1 - s) · z_own,   s = :attr:`Spreads.shared`.

Shared are volumes, fibre lengths and reference fibre lengths by source; sites by source and
body, axis by axis; surface radii by source; strength factors by source; the protraction of a press
on the chest and at lock-out; the three lengths of a person's arm; and, per person, posture, girdle,
load and lateral ratio over the conditions. A person's lifts have one slope of the sternum. All
other quantities are independent. A positive number
with median v and spread s is lognormal, ``v · exp(z · √log(1 + (s/v)²))``; angles, coordinates and
ratios are normal, ``v + s z``.
With z = 0 everything has the model's own value; |z| is cut at 3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError, MomentshareError
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.given import GIVEN_ANGLES, GIVEN_ROWS
from momentshare.limb import Limb, build_limbs
from momentshare.model.numbers import HEAD_FACTORS, Numbers
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.person import sizes
from momentshare.runs.cases import raised_limbs
from momentshare.uncertainty.layout import (
    ANGLES,
    GIRDLE,
    LENGTHS,
    SIZE_OFFSETS,
    STERNUM,
    shared_normal,
)
from momentshare.uncertainty.measured import MEASURED_ANGLES, turned_lift

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise, GivenMoments, Lift
    from momentshare.person import Person
    from momentshare.runs import Task
    from momentshare.skeleton import Skeleton
    from momentshare.uncertainty.layout import Layout


__all__ = ["CUT", "Draws", "first_line"]

CUT = 3.0
"""Standard normals are cut at this size, so that no draw is anatomically absurd."""

_ARM = ("humerus_length", "forearm_length", "grip_length")
_UPPER_ARM = 0.3
"""Change of touch point per radian of tuck [m]; the length of an upper arm, rounded."""


def _lognormal(spread: float, value: float, z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factor on a positive value."""
    return np.asarray(np.exp(z * math.sqrt(math.log1p((spread / value) ** 2))))


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """A batch of draws: standard normals of a layout, read as limbs, postures and forces.

    Parameters
    ----------
    layout : Layout
    z : float array, shape (draws, variables)
    """

    layout: Layout
    z: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.z)

    def _z(self, own: str, common: str | None = None) -> NDArray[np.float64]:
        layout = self.layout
        value = self.z[:, layout.at(own)]
        if common is not None:
            s = layout.spreads.shared
            value = math.sqrt(s) * self.z[:, layout.at(common)] + math.sqrt(1.0 - s) * value
        return np.asarray(layout.spreads.scale * value)

    def head_factors(self) -> dict[str, NDArray[np.float64]]:
        """Factors on the numbers of each head, shape (draws, heads)."""
        out = {}
        for quantity in HEAD_FACTORS:
            factors = np.ones((len(self), len(self.layout.model.heads)))
            for index, head in enumerate(self.layout.model.heads):
                n = getattr(head, quantity)
                if n.spread > 0.0:
                    z = self._z(f"{quantity}:{head.name}", f"{quantity}:source {n.source}")
                    factors[:, index] = _lognormal(n.spread, n.value, z)
            out[quantity] = factors
        return out

    def offsets(self) -> dict[str, NDArray[np.float64]]:
        """Shift of each site in its body frame, reference person [m], shape (draws, 3)."""
        return {
            site.name: site.spread
            * np.stack(
                [
                    self._z(f"site:{site.name}:{axis}", f"site:{site.source} on {site.body}:{axis}")
                    for axis in "xyz"
                ],
                axis=-1,
            )
            for site in self.layout.model.sites.values()
            if site.spread > 0.0
        }

    def radii(self) -> dict[str, NDArray[np.float64]]:
        """Surface radii, reference person [m]."""
        return {
            s.name: s.radius
            * _lognormal(
                s.spread, s.radius, self._z(f"radius:{s.name}", f"radius:source {s.source}")
            )
            for s in self.layout.model.surfaces.values()
            if s.spread > 0.0
        }

    def quantities(self) -> dict[str, NDArray[np.float64]]:
        """Model quantities that differ from the model's, with the study's scapula shift [SI]."""
        model = self.layout.model
        shifted = self.layout.setup.limbs.numbers.quantities
        out = {}
        for name, n in model.quantities.items():
            value = float(np.asarray(shifted.get(name, n.value)))
            if n.spread <= 0.0 or not self.layout.find_family(name):
                if name in shifted:
                    out[name] = np.full(len(self), value)
                continue
            z = self._z(f"quantity:{name}", shared_normal(name, n.source) or None)
            additive = n.unit == "deg" or value <= 0.0 or name.startswith("acromioclavicular_")
            out[name] = value + n.spread * z if additive else value * _lognormal(n.spread, value, z)
        return out

    def inertia(self, sex: str) -> dict[tuple[str, str], NDArray[np.float64]]:
        """Drawn numbers of the segments: (segment, quantity) → numbers."""
        return {
            key[1:]: n.value * _lognormal(n.spread, n.value, self._z(f"inertia:{key[1]}:{key[2]}"))
            for key, n in self.layout.model.inertia.items()
            if key[0] == sex and key[1] in ARM_SEGMENTS and n.spread > 0.0
        }

    def numbers(self, sex: str) -> Numbers:
        """All drawn numbers of the model."""
        return Numbers(
            quantities=self.quantities(),
            offsets=self.offsets(),
            radii=self.radii(),
            head_factors=self.head_factors(),
            inertia=self.inertia(sex),
        )

    def lengths(self, person: Person) -> dict[str, NDArray[np.float64]]:
        """Drawn lengths of a person of the setup [m].

        A length estimated from stature spreads by the residual of its fit, whose variance is
        ``sd² - slope² sd(stature)²`` for a least-squares line, and by its fixed offset; a
        measured one by the error of measurement.
        """
        model, spreads = self.layout.model, self.layout.spreads
        central = sizes(person, model)
        stature = model.fits[person.sex, "stature"]
        out: dict[str, NDArray[np.float64]] = {}
        for name, measure in LENGTHS.items():
            value = float(getattr(central, name))
            if name in central.estimated:
                fit = model.fits[person.sex, measure]
                variance = max(fit.sd**2 - (fit.slope * stature.sd) ** 2, 0.0)
                if name in SIZE_OFFSETS:
                    variance += model.quantities[SIZE_OFFSETS[name]].spread ** 2
                spread = math.sqrt(variance)
            else:
                spread = 1e-3 * spreads.measured_mm
            z = self._z(f"{person.name}:{name}", f"{person.name}:arm" if name in _ARM else None)
            out[name] = value * _lognormal(spread, value, z)
        return out

    def people(self, person: Person) -> list[Person | InputError]:
        """Return the person with the lengths of each draw, or why they are impossible."""
        lengths = self.lengths(person)
        out: list[Person | InputError] = []
        for k in range(len(self)):
            try:
                mine: dict[str, Any] = {name: float(values[k]) for name, values in lengths.items()}
                out.append(replace(person, **mine))
            except InputError as err:
                out.append(err)
        return out

    def limbs(self, row: int) -> tuple[Limb | None, dict[int, int], dict[int, str]]:
        """Limbs of the person in a row of the setup.

        A fibre and its path are drawn independently, so a fibre may come out longer than its path
        in the reference posture. No such limb exists: the fibre is shortened until a millimetre is
        left for the tendon, which cuts the spread of that head.

        Returns
        -------
        limbs : Limb or None
            Of all draws that have a limb; None if there is none.
        rows : dict
            Draw → row of its limb.
        reasons : dict
            Draw → why it has no limb.
        """
        plan = self.layout.setup.limbs
        people = self.people(plan.people[row])
        reasons = {k: first_line(p) for k, p in enumerate(people) if isinstance(p, InputError)}
        known = [k for k in range(len(self)) if k not in reasons]
        if not known:
            return None, {}, reasons
        some = Draws(self.layout, self.z[known])
        limbs, faults = build_limbs(
            [p for p in people if not isinstance(p, InputError)],
            self.layout.model,
            scapula=plan.scapula,
            strengths=[plan.strengths[row] if plan.strengths else ()] * len(known),
            numbers=some.numbers(plan.people[row].sex),
            options=plan.options,
            shorten=True,
        )
        if plan.raised:
            limbs = raised_limbs(limbs, [plan.raised[row]] * len(known))
        reasons |= {known[at]: first_line(err) for at, err in faults.items()}
        rows = {k: at for at, k in enumerate(known) if at not in faults}
        return (limbs if rows else None), rows, reasons

    def exercises(
        self, exercises: Mapping[int, Exercise], task: Task
    ) -> tuple[dict[int, Exercise], dict[int, str]]:
        """Exercises of a task by draw, with the drawn angles of arm and girdle; or why none."""
        spread = math.radians(self.layout.spreads.posture_deg)
        if spread == 0.0:
            return dict(exercises), {}
        girdle = f"{task.person}:{task.condition}:{GIRDLE}" in self.layout
        drawn = (*ANGLES, GIRDLE) if girdle else ANGLES
        shifts = {angle: spread * self._of_task(task, angle) for angle in drawn}
        out: dict[int, Exercise] = {}
        reasons: dict[int, str] = {}
        for k, exercise in exercises.items():
            try:
                out[k] = self._drawn(exercise, {name: float(v[k]) for name, v in shifts.items()})
            except InputError as err:
                reasons[k] = first_line(err)
        return out, reasons

    def _drawn(self, exercise: Exercise, shifts: Mapping[str, float]) -> Exercise:
        """Exercise with its angles moved; ``InputError`` where they make none."""
        changes: dict[str, object] = {}
        for angle, shift in shifts.items():
            profile = getattr(exercise, angle, None)
            if isinstance(profile, Profile):
                changes[angle] = Profile(tuple((f, v + shift) for f, v in profile.points))
        if isinstance(exercise, BenchPress) and exercise.tuck is None:
            # A larger tuck brings the touch point nearer the joint.
            moved_by = -_UPPER_ARM * shifts["tuck"]
            changes["path"] = replace(exercise.way, touch_shift=moved_by)
        return replace(exercise, **changes) if changes else exercise  # type: ignore[type-var]

    def measured(self, task: Task, skeleton: Skeleton, drawn: Mapping[int, int]) -> dict[int, Lift]:
        """Measured lift of a task by draw, rotated by the drawn errors of its posture.

        Parameters
        ----------
        task : Task
        skeleton : Skeleton
            Of the drawn limbs.
        drawn : mapping
            Draw → row of its limb.
        """
        assert task.lift is not None  # noqa: S101 - called for measured lifts only
        spread = math.radians(self.layout.spreads.measured_deg)
        turns = {angle: spread * self._of_task(task, angle) for angle in (*MEASURED_ANGLES, GIRDLE)}
        if task.slope_spread > 0.0:
            # A person has one sternum, so its slope is the same in every lift.
            own = math.sqrt(max(task.slope_spread**2 - task.slope_shared**2, 0.0))
            turns["pitch"] = turns["pitch"] + own * self._z(f"{task.person}:{STERNUM}")
            if task.slope_shared > 0.0:
                turns["pitch"] = turns["pitch"] + task.slope_shared * self._z(STERNUM)
        return {
            k: turned_lift(
                task.lift,
                skeleton.limb_girdle(np.array([row])),
                **{angle: float(values[k]) for angle, values in turns.items()},
            )
            for k, row in drawn.items()
        }

    def given(self, task: Task) -> list[GivenMoments]:
        """Return given moments and postures of a task by draw, shifted by their own spreads."""
        assert task.given is not None  # noqa: S101 - called for given moments only
        angles, rows = (
            np.stack([self._of_task(task, name) for name in names], axis=-1)
            for names in (GIVEN_ANGLES, GIVEN_ROWS)
        )
        return [task.given.moved(a, m) for a, m in zip(angles, rows, strict=True)]

    def _of_task(self, task: Task, what: str) -> NDArray[np.float64]:
        """Return standard normals of a task, partly shared with the person's other conditions."""
        return self._z(f"{task.person}:{task.condition}:{what}", f"{task.person}:{what}")

    def load_factors(self, task: Task) -> NDArray[np.float64]:
        """Drawn load over the one prescribed or measured."""
        return _lognormal(self.layout.spreads.load, 1.0, self._of_task(task, "load"))

    def ratio_shifts(self, task: Task) -> NDArray[np.float64]:
        """Shift of a given lateral ratio [1]."""
        return self.layout.spreads.lateral_ratio * self._of_task(task, "ratio")


def first_line(err: MomentshareError) -> str:
    """Return the first line of a message, and its first fault where that line only heads a list."""
    first, *others = str(err).split("\n")
    return (
        f"{first} {others[0].strip().removeprefix('- ')}"
        if others and first.endswith(":")
        else first
    )
