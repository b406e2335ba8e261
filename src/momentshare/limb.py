"""A person's limb: scaled bones with the strength and fibre lengths of every head.

    max isometric force = volume / optimal fibre length × specific tension × strength factor

Volume follows sex, body size and training; the strength factor belongs to a group of heads
and takes up what areas and specific tension leave unexplained of measured joint strength.
The tendon slack length places the fibre at its stated length in the head's reference posture.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, UnknownNameError
from momentshare.muscle.capacity import HeadState, head_state
from momentshare.muscle.curves import curve_set
from momentshare.paths import ROWS, Paths, paths
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import Skeleton, build_skeleton

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from momentshare.model import Model
    from momentshare.person import Person

_HEAD_FACTORS = ("volume", "optimal_fibre_length", "reference_fibre_length")

__all__ = ["STRENGTH_DIRECTIONS", "Limb", "MeasuredStrength", "braced_strength", "build_limb"]

STRENGTH_DIRECTIONS: dict[str, tuple[str, int, tuple[str, ...]]] = {
    "elbow_extension": ("elbow_extension", 1, ("elbow_extensors",)),
    "elbow_flexion": ("elbow_extension", -1, ("elbow_flexors",)),
    "shoulder_horizontal_adduction": (
        "shoulder_horizontal_adduction",
        1,
        ("shoulder_flexors_adductors", "deltoid"),
    ),
    "shoulder_elevation": ("shoulder_elevation", 1, ("deltoid",)),
    "shoulder_adduction": (
        "shoulder_elevation",
        -1,
        ("shoulder_flexors_adductors", "shoulder_extensors"),
    ),
    "shoulder_internal_rotation": ("shoulder_internal_rotation", 1, ("rotator_cuff",)),
}
"""Direction of a strength test → row, sign, and the groups that its result rescales."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStrength:
    """One strength test of a person: greatest isometric moment in a posture.

    Parameters
    ----------
    direction : str
        A key of :data:`STRENGTH_DIRECTIONS`.
    moment : float
        [N·m], positive.
    angles : mapping
        Angles of :func:`momentshare.posture.posture_from_angles` [rad].
    """

    direction: str
    moment: float
    angles: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limb:
    """Bones and heads of one person; per-head arrays have shape (heads,) and are read-only.

    Attributes
    ----------
    skeleton : Skeleton
    max_isometric_force : float array
        At optimal fibre length, along the fibre [N].
    optimal_fibre_length, tendon_slack_length : float array
        [m]
    pennation : float array
        At optimal fibre length [rad].
    volume : float array
        [m³]
    max_velocity : float
        Optimal fibre lengths per second.
    strength_changes : mapping
        Group → factor that a measured strength put on it.
    curves : str
        Name of the curve set.
    elastic_tendon : bool
    passive : bool
        Whether passive force counts.
    """

    skeleton: Skeleton
    max_isometric_force: NDArray[np.float64]
    optimal_fibre_length: NDArray[np.float64]
    tendon_slack_length: NDArray[np.float64]
    pennation: NDArray[np.float64]
    volume: NDArray[np.float64]
    max_velocity: float
    strength_changes: Mapping[str, float]
    curves: str = "DeGroote2016"
    elastic_tendon: bool = False
    passive: bool = True

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def model(self) -> Model:
        """The model the limb was scaled from."""
        return self.skeleton.model

    @property
    def head_names(self) -> tuple[str, ...]:
        """Names of the heads in the order of every array."""
        return self.model.head_names

    def paths(self, posture: Posture) -> Paths:
        """Path geometry in a batch of postures."""
        return paths(self.skeleton, posture)

    def capacity(self, mtu_length: ArrayLike, mtu_velocity: ArrayLike | None = None) -> HeadState:
        """Greatest active and passive force of each head at a length and velocity.

        Parameters
        ----------
        mtu_length, mtu_velocity : float array, shape (..., heads)
            [m] and [m/s], lengthening positive; no velocity means isometric.
        """
        return head_state(
            mtu_length,
            mtu_velocity,
            optimal_fibre_length=self.optimal_fibre_length,
            tendon_slack_length=self.tendon_slack_length,
            pennation_at_optimum=self.pennation,
            max_isometric_force=self.max_isometric_force,
            max_velocity=self.max_velocity,
            curves=curve_set(self.curves),
            elastic_tendon=self.elastic_tendon,
            passive=self.passive,
        )


def build_limb(
    person: Person,
    model: Model,
    *,
    scapula: str | None = None,
    strengths: Sequence[MeasuredStrength] = (),
    skeleton: Skeleton | None = None,
    head_factors: Mapping[str, ArrayLike] | None = None,
    quantities: Mapping[str, float] | None = None,
    curves: str = "DeGroote2016",
    elastic_tendon: bool = False,
    passive: bool = True,
) -> Limb:
    """Build the limb of a person.

    Parameters
    ----------
    person, model
        Who, and which limb.
    scapula : str, optional
        Scapula policy; the model's default when not given.
    strengths : sequence of MeasuredStrength
        Tests that rescale strength groups; each group may be claimed by one test.
    skeleton : Skeleton, optional
        Scaled bones to use in place of the ones built here.
    head_factors : mapping, optional
        Factors per head, shape (heads,), on ``volume``, ``optimal_fibre_length`` or
        ``reference_fibre_length``.
    quantities : mapping, optional
        Model quantities to use in place of the model's [SI].
    curves : str
        Name of a curve set.
    elastic_tendon, passive : bool
        Options of :func:`momentshare.muscle.capacity.head_state`.

    Raises
    ------
    InputError, UnknownNameError
        A strength that names no direction, is not positive, or claims a group twice.
    """
    changed = quantities or {}
    for name in changed:
        if name not in model.quantities:
            raise UnknownNameError("model quantity", name, model.quantities)
    for name in head_factors or {}:
        if name not in _HEAD_FACTORS:
            raise UnknownNameError("head factor", name, _HEAD_FACTORS)
    factors = {k: np.asarray(v, dtype=float) for k, v in (head_factors or {}).items()}

    def number(name: str) -> float:
        return changed.get(name, model.number(name))

    if skeleton is None:
        skeleton = build_skeleton(person, model, scapula=scapula, quantities=changed)
    heads = model.heads
    growth = _volume_factor(person, model, number)
    bone = skeleton.sizes.stature / number("reference_stature")
    volume = np.array([h.volume.value for h in heads]) * growth * factors.get("volume", 1.0)
    optimal = np.array([h.optimal_fibre_length.value for h in heads]) * bone
    optimal = optimal * factors.get("optimal_fibre_length", 1.0)
    pennation = np.array([h.pennation.value for h in heads])
    strength = np.array([number(f"strength_{h.group}") for h in heads])
    force = volume / optimal * number("specific_tension") * strength
    reference = np.array([h.reference_fibre_length.value for h in heads])
    reference = reference * factors.get("reference_fibre_length", 1.0)
    limb = Limb(
        skeleton=skeleton,
        max_isometric_force=force,
        optimal_fibre_length=optimal,
        tendon_slack_length=_slack_lengths(skeleton, optimal, pennation, reference),
        pennation=pennation,
        volume=volume,
        max_velocity=number("max_fibre_velocity"),
        strength_changes={},
        curves=curves,
        elastic_tendon=elastic_tendon,
        passive=passive,
    )
    return _match_strengths(limb, strengths)


def _volume_factor(person: Person, model: Model, number: object) -> float:
    """Volume of this person's muscles over those of the reference man."""
    read = number if callable(number) else model.number
    mean_mass = model.fits[person.sex, "body_mass"].mean
    mean_stature = model.fits[person.sex, "stature"].mean
    size = (person.body_mass * person.stature) / (mean_mass * mean_stature)
    sex = read("volume_women_over_men") if person.sex == "female" else 1.0
    return float(sex * size ** read("volume_size_exponent") * person.training_factor)


def _slack_lengths(
    skeleton: Skeleton,
    optimal: NDArray[np.float64],
    pennation: NDArray[np.float64],
    reference: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Tendon slack length = path length in the reference posture − fibre length along it."""
    model = skeleton.model
    names = list(model.reference_postures)
    angles = {
        key: np.radians([model.reference_postures[n][f"{key}_deg"] for n in names])
        for key in ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
    }
    length = paths(skeleton, posture_from_angles(**angles)).length
    chosen = np.array([names.index(h.reference_posture) for h in model.heads])
    mtu = length[chosen, np.arange(len(model.heads))]
    fibre = reference * optimal
    # Constant thickness: the sine of the pennation falls as the fibre lengthens.
    along = np.sqrt(np.maximum(fibre**2 - (optimal * np.sin(pennation)) ** 2, 0.0))
    slack = mtu - along
    if np.any(slack <= 0.0):
        bad = [n for n, s in zip(model.head_names, slack, strict=True) if s <= 0.0]
        raise InputError(
            f"model {model.name!r}: no length is left for the tendon of {', '.join(bad)}; "
            "the fibre is longer than the path in the reference posture, so shorten it in heads.csv"
        )
    return np.asarray(slack)


def braced_strength(
    limb: Limb, posture: Posture, row: str, sign: int = 1, groups: Sequence[str] | None = None
) -> NDArray[np.float64]:
    """Greatest moment in one direction with every other axis braced from outside [N·m].

    Every head with a useful arm pulls with all it has here, the others rest; passive forces
    of all heads count. ``groups`` restricts the sum to the heads of some groups.

    Returns
    -------
    float array, shape (...)
    """
    if row not in ROWS:
        raise UnknownNameError("moment row", row, ROWS)
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    arm = sign * found.moment_arms[..., ROWS.index(row), :]
    moment = np.maximum(arm, 0.0) * state.active_capacity + arm * state.passive_force
    if groups is not None:
        moment = moment * np.array([h.group in groups for h in limb.model.heads])
    return np.asarray(np.sum(moment, axis=-1))


def _match_strengths(limb: Limb, strengths: Sequence[MeasuredStrength]) -> Limb:
    force = limb.max_isometric_force.copy()
    changes: dict[str, float] = {}
    for test in strengths:
        if test.direction not in STRENGTH_DIRECTIONS:
            raise UnknownNameError("strength direction", test.direction, STRENGTH_DIRECTIONS)
        row, sign, groups = STRENGTH_DIRECTIONS[test.direction]
        taken = sorted(set(groups) & set(changes))
        if taken:
            raise InputError(
                f"person {limb.skeleton.person.name!r}: strength {test.direction!r} rescales "
                f"{', '.join(taken)}, which another test already did; keep one of the two"
            )
        if not np.isfinite(test.moment) or test.moment <= 0.0:
            raise InputError(
                f"person {limb.skeleton.person.name!r}: strength {test.direction!r} must be a "
                f"positive moment [N*m], got {test.moment!r}"
            )
        posture = posture_from_angles(**test.angles)
        mine = float(braced_strength(limb, posture, row, sign, groups))
        rest = float(braced_strength(limb, posture, row, sign)) - mine
        factor = (test.moment - rest) / mine if mine > 0.0 else np.inf
        if not 0.1 <= factor <= 10.0:
            raise InputError(
                f"person {limb.skeleton.person.name!r}: strength {test.direction!r} of "
                f"{test.moment:g} N*m would need {', '.join(groups)} at {factor:.2g} times the "
                f"model's {mine + rest:.1f} N*m; check moment, unit and posture"
            )
        for index, head in enumerate(limb.model.heads):
            if head.group in groups:
                force[index] *= factor
        changes.update(dict.fromkeys(groups, float(factor)))
    if not changes:
        return limb
    return replace(limb, max_isometric_force=force, strength_changes=changes)
