"""A person's limb: scaled bones with the strength and fibre lengths of every head.

    greatest isometric force = volume / peak fibre length × specific tension × strength factor

Volume follows sex, body size and training, by group of heads; the strength factor of a group
accounts for the measured joint strength that areas and specific tension leave unexplained. The
tendon slack length places the fibre at its stated length in the head's reference posture, with the
girdle at the model's reference; it belongs to the person, so no posture of the girdle in a task
changes it. A :class:`Limb` holds one limb, shape (), or several side by side, shape (limbs,):
people, draws, variants.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS, TESTED, TestedName, row_named
from momentshare.errors import InputError, MomentshareError, UnknownNameError
from momentshare.limb.matching import (
    GREATEST_FACTOR,
    LEAST_FACTOR,
    StrengthReadings,
    matched_factors,
)
from momentshare.limb.scaling import reference_lengths, volume_factors
from momentshare.model.numbers import Numbers
from momentshare.muscle.capacity import HeadState, head_state
from momentshare.muscle.curves import CurveName, curve_set
from momentshare.paths import Paths, paths
from momentshare.posture import Posture, posture_from_angles
from momentshare.results import ReadOnly
from momentshare.skeleton import Skeleton, build_skeletons

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from momentshare.model import Model
    from momentshare.person import Person

__all__ = [
    "Limb",
    "LimbOptions",
    "MeasuredStrength",
    "braced_strength",
    "build_limb",
    "build_limbs",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStrength:
    """One strength test of a person: greatest isometric moment in a posture.

    Parameters
    ----------
    direction : str
        A key of :data:`momentshare.directions.TESTED`.
    moment : float
        [N·m], positive.
    angles : mapping
        Angles of :func:`momentshare.posture.posture_from_angles` [rad].

    Examples
    --------
    >>> from momentshare import MeasuredStrength, Person, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> test = MeasuredStrength(
    ...     direction="elbow_extension", moment=60.0, angles={"elbow_flexion": 1.57}
    ... )
    >>> limb = build_limb(ada, load_model(), strengths=[test])
    >>> sorted(limb.strength_changes[0])
    ['elbow_extensors']
    """

    direction: TestedName
    moment: float
    angles: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimbOptions:
    """How capacity is computed; options of :func:`momentshare.muscle.capacity.head_state`.

    Parameters
    ----------
    curves : str
        Name of a curve set.
    elastic_tendon : bool
    passive : bool
        Whether passive force counts.

    Raises
    ------
    UnknownNameError
        There is no such curve set.

    Examples
    --------
    >>> from momentshare import LimbOptions, Person, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> options = LimbOptions(curves="thelen2003", passive=False)
    >>> build_limb(ada, load_model(), options=options).options.curves
    'thelen2003'
    """

    curves: CurveName = "degroote2016"
    elastic_tendon: bool = False
    passive: bool = True

    def __post_init__(self) -> None:
        curve_set(self.curves)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limb(ReadOnly):
    """Bones and heads of one limb or of several; arrays are read-only.

    Attributes
    ----------
    skeleton : Skeleton
    greatest_isometric_force : float array, shape (..., heads)
        At the peak fibre length, along the fibre [N].
    passive_scale : float array, shape (..., heads)
        Force on which the curve of passive force counts [N]: area × specific tension. A strength
        factor or a measured strength makes a muscle stronger, not stiffer.
    peak_fibre_length, slack_length : float array, shape (..., heads)
        [m]
    pennation : float array, shape (heads,)
        At peak fibre length [rad].
    volume : float array, shape (..., heads)
        [m³]
    greatest_shortening_speed : float array, shape (...)
        Peak fibre lengths per second.
    strength_changes : tuple of mapping
        One per limb: group → factor that a measured strength put on it.
    options : LimbOptions

    Examples
    --------
    >>> from momentshare import Person, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> limb.greatest_isometric_force.shape == (len(limb.head_names),)
    True
    >>> bool((limb.slack_length > 0.0).all())
    True
    """

    skeleton: Skeleton
    greatest_isometric_force: NDArray[np.float64]
    passive_scale: NDArray[np.float64]
    peak_fibre_length: NDArray[np.float64]
    slack_length: NDArray[np.float64]
    pennation: NDArray[np.float64]
    volume: NDArray[np.float64]
    greatest_shortening_speed: NDArray[np.float64]
    strength_changes: tuple[Mapping[str, float], ...]
    options: LimbOptions = LimbOptions()

    def __repr__(self) -> str:
        return f"Limb({self.skeleton!r}, heads={len(self.head_names)})"

    @property
    def model(self) -> Model:
        """The model the limb was scaled from."""
        return self.skeleton.model

    @property
    def head_names(self) -> tuple[str, ...]:
        """Names of the heads in the order of every array."""
        return self.model.head_names

    @property
    def shape(self) -> tuple[int, ...]:
        """() for one limb, (limbs,) for several."""
        return self.skeleton.shape

    @property
    def volume_weights(self) -> NDArray[np.float64]:
        """Volume of each head over the mean of its limb, shape (..., heads)."""
        return np.asarray(self.volume / self.volume.mean(axis=-1, keepdims=True))

    @property
    def area_weights(self) -> NDArray[np.float64]:
        """Greatest isometric force of each head over the mean of its limb, shape (..., heads)."""
        force = self.greatest_isometric_force
        return np.asarray(force / force.mean(axis=-1, keepdims=True))

    def take(self, limb: int | NDArray[np.intp]) -> Limb:
        """Select one limb by its index, or one per entry of an index array."""
        if not self.shape:
            return self
        chosen = [limb] if np.ndim(limb) == 0 else np.asarray(limb)
        return Limb(
            skeleton=self.skeleton.take(limb),
            pennation=self.pennation,
            strength_changes=tuple(self.strength_changes[int(k)] for k in chosen),
            options=self.options,
            **{name: np.asarray(getattr(self, name)[limb]) for name in _PER_LIMB},
        )

    def paths(
        self, posture: Posture, limb: NDArray[np.intp] | None = None, *, threads: int | None = None
    ) -> Paths:
        """Path geometry in a batch of postures; ``limb`` as in :func:`momentshare.paths.paths`."""
        return paths(self.skeleton, posture, limb=limb, threads=threads)

    def capacity(
        self,
        path_length: ArrayLike,
        path_velocity: ArrayLike | None = None,
        limb: NDArray[np.intp] | None = None,
    ) -> HeadState:
        """Greatest active and passive force of each head at a length and velocity.

        Parameters
        ----------
        path_length, path_velocity : float array, shape (..., heads)
            [m] and [m/s], lengthening positive; no velocity means isometric.
        limb : int array, shape (...), optional
            Limb of each row; needed where there are several.
        """

        def of(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return values if limb is None else np.asarray(values[limb])

        fastest = of(self.greatest_shortening_speed)
        strength, stiffness = of(self.greatest_isometric_force), of(self.passive_scale)
        return head_state(
            path_length,
            path_velocity,
            peak_fibre_length=of(self.peak_fibre_length),
            slack_length=of(self.slack_length),
            pennation=self.pennation,
            greatest_isometric_force=strength,
            greatest_shortening_speed=fastest if limb is None else fastest[..., None],
            passive_share=stiffness / np.where(strength > 0.0, strength, np.inf),
            curves=curve_set(self.options.curves),
            elastic_tendon=self.options.elastic_tendon,
            passive=self.options.passive,
        )


_PER_LIMB = (
    "greatest_isometric_force",
    "passive_scale",
    "peak_fibre_length",
    "slack_length",
    "volume",
    "greatest_shortening_speed",
)
"""Arrays of a limb that have a leading axis where there are several."""

_LEAST_TENDON = 1e-3
"""Tendon left to a fibre that a draw makes longer than its path [m]; assumed."""


def build_limb(
    person: Person,
    model: Model,
    *,
    scapula: str | None = None,
    strengths: Sequence[MeasuredStrength] = (),
    numbers: Numbers | None = None,
    options: LimbOptions | None = None,
) -> Limb:
    """Build the limb of a person.

    Parameters
    ----------
    person, model
        Who, and which limb.
    scapula : str, optional
        Scapula policy; the model's default when not given.
    strengths : sequence of MeasuredStrength
        Tests that rescale strength groups; no two tests may claim the same group.
    numbers : Numbers, optional
        Numbers that replace the model's.
    options : LimbOptions, optional

    Returns
    -------
    Limb
        Of one person: arrays have the shape (heads,).

    Raises
    ------
    InputError, UnknownNameError
        A strength that names no direction, is not positive, or claims a group twice; a number
        that the model lacks; a fibre longer than its path.

    Examples
    --------
    >>> from momentshare import Person, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> limb.skeleton.person.name, limb.shape
    ('Ada', ())
    """
    limbs, faults = build_limbs(
        [person], model, scapula=scapula, strengths=[strengths], numbers=numbers, options=options
    )
    if faults:
        raise faults[0]
    return limbs.take(0)


def build_limbs(
    people: Sequence[Person],
    model: Model,
    *,
    scapula: str | None = None,
    strengths: Sequence[Sequence[MeasuredStrength]] | None = None,
    numbers: Numbers | None = None,
    options: LimbOptions | None = None,
    shorten: bool = False,
) -> tuple[Limb, dict[int, MomentshareError]]:
    """Build several limbs at once.

    Parameters
    ----------
    people : sequence of Person
        One per limb.
    strengths : sequence of sequence of MeasuredStrength, optional
        Tests of each limb.
    numbers : Numbers, optional
        Numbers in place of the model's, shared or one per limb.
    shorten : bool
        Shorten a fibre that would be longer than its path in the reference posture, as can happen
        in a draw, instead of reporting a fault.
    model, scapula, options
        As for :func:`build_limb`.

    Returns
    -------
    limbs : Limb
        Of shape (limbs,); one with a fault holds NaN.
    faults : dict
        Index of the limb → why it cannot be built.
    """
    changed = numbers or Numbers()
    changed.check(model)
    skeleton = build_skeletons(people, model, scapula=scapula, numbers=changed)
    count = len(people)

    def number(name: str) -> NDArray[np.float64]:
        return np.broadcast_to(changed.quantity(model, name), (count,))

    stature = np.array([size.stature for size in skeleton.people_sizes])
    bone = (stature / number("reference_stature"))[:, None]
    volume = changed.heads(model, "volume") * volume_factors(people, model, number)
    optimal = changed.heads(model, "peak_fibre_length") * bone
    reference = changed.heads(model, "reference_fibre_length")
    pennation = np.array([h.pennation.value for h in model.heads])
    length = reference_lengths(people, model, changed)
    # Constant thickness: the sine of the pennation falls as the fibre lengthens. In peak fibre
    # lengths, along the tendon:
    along = np.sqrt(np.maximum(reference**2 - np.sin(pennation) ** 2, 0.0))
    slack = length - along * optimal
    if shorten and np.any(slack <= 0.0):
        room = length - _LEAST_TENDON
        fits = np.where(along * optimal > room, room / (along * optimal), 1.0)
        cut = np.where((slack <= 0.0).any(axis=1, keepdims=True), fits, 1.0)
        optimal = optimal * cut
        slack = length - along * optimal
    faults: dict[int, MomentshareError] = {}
    for k in np.flatnonzero((slack <= 0.0).any(axis=1)):
        bad = [n for n, s in zip(model.head_names, slack[k], strict=True) if s <= 0.0]
        faults[int(k)] = InputError(
            f"model {model.name!r}: no length is left for the tendon of {', '.join(bad)}; "
            "the fibre is longer than the path in the reference posture, so shorten it in heads.csv"
        )
    slack[list(faults)] = np.nan
    factor = np.stack([number(f"strength_{h.group}") for h in model.heads], axis=-1)
    scale = volume / optimal * number("specific_tension")[:, None]
    limbs = Limb(
        skeleton=skeleton,
        greatest_isometric_force=scale * factor,
        passive_scale=scale,
        peak_fibre_length=optimal,
        slack_length=slack,
        pennation=pennation,
        volume=np.broadcast_to(volume, optimal.shape).copy(),
        greatest_shortening_speed=number("greatest_shortening_speed").copy(),
        strength_changes=({},) * count,
        options=options or LimbOptions(),
    )
    return _match_all(limbs, strengths, faults), faults


def braced_strength(limb: Limb, posture: Posture, row: str, sign: int = 1) -> NDArray[np.float64]:
    """Greatest moment in one direction with every other axis externally braced [N·m].

    Every head with a useful arm is fully active, the others are inactive; passive forces of all
    heads count.

    Returns
    -------
    float array, shape (...)
    """
    active, passive = _braced(limb, posture, row, sign)
    return np.asarray(np.sum(active + passive, axis=-1))


def _braced(
    limb: Limb, posture: Posture, row: str, sign: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Active and passive moment of every head in one direction, braced [N·m]."""
    row_named(row)
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    arm = sign * found.moment_arms[..., ROWS.index(row), :]
    return np.maximum(arm, 0.0) * state.active_capacity, arm * state.passive_force


def _match_all(
    limbs: Limb,
    strengths: Sequence[Sequence[MeasuredStrength]] | None,
    faults: dict[int, MomentshareError],
) -> Limb:
    """Rescale the groups of every limb that was tested; failures are added to ``faults``."""
    if strengths is None or not any(strengths):
        return limbs
    force = limbs.greatest_isometric_force.copy()
    changes: list[Mapping[str, float]] = [{} for _ in strengths]
    for k, tests in enumerate(strengths):
        if not tests or k in faults:
            continue
        try:
            force[k], changes[k] = _match_strengths(limbs.take(k), tests)
        except MomentshareError as err:
            faults[k] = err
    return replace(limbs, greatest_isometric_force=force, strength_changes=tuple(changes))


def _match_strengths(
    limb: Limb, strengths: Sequence[MeasuredStrength]
) -> tuple[NDArray[np.float64], dict[str, float]]:
    """Rescale the groups of one limb to tests; return its forces and the factors by group."""
    name = limb.skeleton.person.name
    groups = tuple(dict.fromkeys(head.group for head in limb.model.heads))
    active, passive = np.zeros((len(strengths), len(groups))), np.zeros(len(strengths))
    claimed = []
    for at, test in enumerate(strengths):
        if test.direction not in TESTED:
            raise UnknownNameError("strength direction", test.direction, TESTED)
        direction = TESTED[test.direction]
        if not np.isfinite(test.moment) or test.moment <= 0.0:
            raise InputError(
                f"person {name!r}: strength {test.direction!r} must be a positive moment [N*m]; "
                f"got {test.moment!r}"
            )
        posture = posture_from_angles(**test.angles)
        # A test changes how hard the groups pull, not how stiff they are.
        pull, stiff = _braced(limb, posture, direction.row, direction.sign)
        for k, group in enumerate(groups):
            active[at, k] = pull[[head.group == group for head in limb.model.heads]].sum()
        passive[at] = stiff.sum()
        claimed.append(tuple(groups.index(g) for g in direction.groups))
    factors = matched_factors(
        StrengthReadings(
            measured=np.array([test.moment for test in strengths]),
            active=active,
            passive=passive,
            claimed=claimed,
        )
    )
    for test, mine, given in zip(strengths, claimed, active.sum(axis=1) + passive, strict=True):
        beyond = factors[list(mine)]
        if not ((beyond > LEAST_FACTOR) & (beyond < GREATEST_FACTOR)).all():
            raise InputError(
                f"person {name!r}: strength {test.direction!r} of {test.moment:g} N*m would need "
                f"{', '.join(groups[k] for k in mine)} at {beyond.max():.2g} times the model's "
                f"{given:.1f} N*m; check moment, unit and posture"
            )
    touched = sorted({k for mine in claimed for k in mine})
    scale = np.array([factors[groups.index(head.group)] for head in limb.model.heads])
    return limb.greatest_isometric_force * scale, {groups[k]: float(factors[k]) for k in touched}
