"""The balance of moments in each frame, and all that is asked of it.

In every frame the heads pull with forces F = capacity ∘ a + passive so that

    R F = m + l · q + T c,

with R the moment arms, m the net moments without a lateral force, q the outward push of the hand
along the bar and l the moment that one newton of it adds. The push is given as a ratio to the
vertical force of the hand, or free for the optimiser. The two couples with which the hands may
turn the bar against each other stand beside it in the same way (:mod:`momentshare.hand`). A
:class:`Balance` holds these arrays for
any number of frames; it may come from a lift (:meth:`momentshare.analysis.Prepared.balance`), or
directly from moment arms and moments that somebody else has.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np

from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.exercise.profile import Profile
from momentshare.sharing import (
    Cone,
    GreatestFactor,
    Sharing,
    Status,
    contact_cone,
    greatest_factor,
    share,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = [
    "APART",
    "BALANCED",
    "Balance",
    "Criterion",
    "GlenoidLimit",
    "Lateral",
    "LoadMoments",
    "stability_cone",
]

BALANCED = ROWS[:4]
"""Rows balanced by default: three at the shoulder and elbow extension.

The couple about the forearm is left out, because the grip can carry it.
"""

LateralMode = Literal["measured", "zero", "free"]
_T = TypeVar("_T")

_ALIKE = 1e-20
"""Square of the sine between two levers below which they are one."""

_EVEN = np.linspace(0.0, 1.0, 101)
"""Heights over which the mean of a profile is taken."""

_MET = 1e-9
"""Part of the way between bounds within which a value stands at one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateral:
    """How the lateral hand force along the bar is known, and the couples that go with it.

    Parameters
    ----------
    mode : {"measured", "zero", "free"}
        A given ratio, no lateral force, or the optimiser's choice.
    ratio : float, tuple of float or Profile
        Outward push over vertical force, for ``measured``; one value, one a frame, or a profile
        along the lift.
    bounds : pair of float, optional
        Least and greatest ratio for ``free``; by default what friction can hold.
    couples : {"zero", "free"} or pair of float
        The couples of the hands that cancel left against right: none, chosen by the optimiser
        within what a hand can hold, or given [N·m] about the axes of
        :data:`momentshare.hand.COUPLES`. None by default, since nothing in the criterion says
        what they cost the wrist, so that free ones go to their bounds.

    Raises
    ------
    InputError
        A ratio, bound or couple that is not finite or contradicts the mode.

    Examples
    --------
    >>> from momentshare import Lateral
    >>> Lateral(mode="measured", ratio=0.05).ratios(3)
    array([0.05, 0.05, 0.05])
    >>> Lateral(mode="free", bounds=(0.0, 0.3)).free_couples
    False
    """

    mode: LateralMode
    ratio: float | tuple[float, ...] | Profile = 0.0
    bounds: tuple[float, float] | None = None
    couples: Literal["zero", "free"] | tuple[float, float] = "zero"

    def __post_init__(self) -> None:
        if self.mode not in {"measured", "zero", "free"}:
            raise InputError(f"lateral mode: wanted measured, zero or free, got {self.mode!r}")
        given = self._values()
        bad = given[~(np.abs(given) <= 2.0)]
        if bad.size:
            raise InputError(
                f"lateral ratio: wanted -2 to 2 (force over force), got {float(bad[0])!r}"
            )
        if self.bounds is not None and not self.bounds[0] <= self.bounds[1]:
            raise InputError(f"lateral bounds: wanted low <= high, got {self.bounds!r}")
        if isinstance(self.couples, str):
            if self.couples not in {"zero", "free"}:
                raise InputError(
                    f"couples of the hands: wanted zero, free or two numbers, got {self.couples!r}"
                )
        elif len(self.couples) != 2 or not np.all(np.isfinite(self.couples)):
            raise InputError(
                f"couples of the hands: wanted two numbers [N·m], got {self.couples!r}"
            )

    @property
    def free_couples(self) -> bool:
        """Whether the optimiser chooses the couples of the hands."""
        return self.couples == "free"

    @property
    def given_couples(self) -> tuple[float, float]:
        """Couples that are given [N·m]; zero where none are."""
        return (0.0, 0.0) if isinstance(self.couples, str) else self.couples

    def _values(self) -> Floats:
        """Numbers that the ratio is given by."""
        if isinstance(self.ratio, Profile):
            return np.array([value for _, value in self.ratio.points])
        return np.asarray(self.ratio, dtype=float)

    @property
    def mean_ratio(self) -> float:
        """Mean of the given ratio along the lift."""
        if isinstance(self.ratio, Profile):
            return float(self.ratio(_EVEN).mean())
        return float(self._values().mean())

    def shifted(self, by: float) -> Lateral:
        """Return the same with its ratio shifted."""
        if isinstance(self.ratio, Profile):
            moved: Any = Profile(tuple((f, v + by) for f, v in self.ratio.points))
        else:
            ratio = self._values() + by
            moved = float(ratio) if ratio.ndim == 0 else tuple(map(float, ratio))
        return replace(self, ratio=moved)

    def ratios(self, frames: int, fraction: Floats | None = None) -> Floats:
        """Ratio in each frame: the given one when measured, otherwise zero; shape (frames,).

        A profile needs the height ``fraction`` of every frame.
        """
        if self.mode == "measured" and isinstance(self.ratio, Profile):
            if fraction is None:
                raise InputError("lateral ratio: a profile needs the heights of a lift")
            return self.ratio(np.asarray(fraction, dtype=float))
        given = np.asarray(self._values() if self.mode == "measured" else 0.0, dtype=float)
        if given.ndim and given.shape != (frames,):
            raise InputError(
                f"lateral ratio: wanted one value or one for each of {frames} frames, "
                f"got {given.size}"
            )
        return np.broadcast_to(given, (frames,))


APART = Lateral(mode="zero", couples=(0.0, 0.0))
"""Hands that hold nothing in common, such as dumbbells: neither force nor couples, ever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """What the optimiser minimises: Σ w aᵖ.

    With weights by volume the answer does not depend on how a muscle is cut into heads: parts
    with one arm and one fibre length cost together what the whole costs. With equal weights it
    does (Holmberg and Klarbring 2012, abstract read; that volume is the weight which keeps the
    answer is arithmetic).

    Parameters
    ----------
    exponent : float
        p > 1, or infinity for the smallest greatest activation. There weights drop out, as
        (Σ w aᵖ)^(1/p) goes to the greatest activation whatever they are; so cutting a muscle
        changes nothing there either.
    weights : {"volume", "none"}
        Weights in proportion to the volume of the head, or equal weights.
    balance_forearm : bool
        Whether the forearm rotation row is balanced too.

    Raises
    ------
    InputError
        An exponent that is not above 1.

    Examples
    --------
    >>> from momentshare import Criterion
    >>> bool(Criterion(exponent=3.0).by_volume)
    True
    >>> Criterion(balance_forearm=True).rows[-1]
    'forearm_pronation'
    """

    exponent: float = 2.0
    weights: Literal["volume", "none"] = "volume"
    balance_forearm: bool = False

    @property
    def by_volume(self) -> bool:
        """Whether the volumes of the heads count; not for the smallest greatest activation."""
        return self.weights == "volume" and np.isfinite(self.exponent)

    @property
    def rows(self) -> tuple[str, ...]:
        """Names of the balanced rows."""
        return ROWS if self.balance_forearm else BALANCED


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadMoments:
    """What one more kilogram, in both hands together, asks of one arm.

    Attributes
    ----------
    fixed : float array, shape (..., rows)
        Net moments without any load [N·m].
    each : float array, shape (..., rows)
        Moments of one kilogram without lateral force [N·m/kg].
    vertical : float array, shape (...)
        Vertical force of one hand for it [N/kg].
    """

    fixed: Floats
    each: Floats
    vertical: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GlenoidLimit:
    """What keeps the contact force within the stability limits of the glenoid.

    Attributes
    ----------
    lines : float array, shape (..., heads, 3)
        Force on the arm for a pull of 1 N, thorax frame.
    across : float array, shape (..., 3)
        Net force across the shoulder on the arm without lateral force [N].
    fixed, each : float array, shape (..., 3), optional
        Its part without any load [N], and what one more kilogram in both hands together adds
        [N/kg]; needed for greatest loads within the limits.
    push_axis : float array, shape (..., 3)
        Outward direction of the lateral force.
    frame : float array, shape (..., 3, 3)
        Rows forward, upward and outward of the glenoid.
    turns, limits : float array, shape (facets,)
        Directions of the facets from forward [rad], right-handed about the inward normal, and
        the stability ratio in each.
    """

    lines: Floats
    across: Floats
    push_axis: Floats
    frame: Floats
    turns: Floats
    limits: Floats
    fixed: Floats | None = None
    each: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Moments against heads in any number of frames; leading axes (...) first.

    Attributes
    ----------
    head_names, row_names : tuple of str
    groups : tuple of str
        Strength group of each head; empty where not known.
    arms : float array, shape (..., rows, heads)
        R [m].
    capacity, passive : float array, shape (..., heads)
        Greatest active force and passive force [N].
    moments : float array, shape (..., rows)
        m, net moments without a lateral force [N·m].
    lever : float array, shape (..., rows)
        l, moment of one newton of outward push [N·m/N].
    vertical : float array, shape (...)
        Force of the hand against the load [N].
    ratio : float array, shape (...)
        Given outward push over ``vertical``.
    free : bool
        Whether the optimiser chooses the push in place of ``ratio``.
    ratio_bounds : pair of float array, each of shape (...), optional
        Least and greatest ratio of a free push.
    fraction : float array, shape (...), optional
        Height fraction, 0 chest to 1 lock-out; needed for a ratio that is a profile.
    friction : float array, shape (...), optional
        Greatest ratio that friction can hold; bounds a free push where no others are given.
    couple_lever : float array, shape (..., rows, 2), optional
        T, moment of one newton metre of each couple [N·m/N·m].
    couple_limit : float array, shape (..., 2), optional
        Greatest couples in either sense [N·m]; needed for free ones.
    couple : float array, shape (..., 2), optional
        c, given couples [N·m]; none where not given.
    couples_free : bool
        Whether the optimiser chooses the couples in place of ``couple``.
    volume_weights : float array, shape (heads,) or (..., heads)
        Volume of each head over the mean of its limb.
    posed : bool array, shape (...)
        Whether there is a posture; answers hold NaN where not.
    load : LoadMoments, optional
        Needed for greatest loads.
    glenoid : GlenoidLimit, optional
        Needed to keep its limits.

    Examples
    --------
    Of arms and moments of your own:

    >>> import numpy as np
    >>> from momentshare import Balance, Criterion
    >>> balance = Balance.of_moments(
    ...     np.array([[0.022, 0.022, 0.000], [-0.020, 0.000, 0.035]]),
    ...     np.array([800.0, 1000.0, 1200.0]),
    ...     np.array([20.0, 30.0]),
    ...     head_names=("biarticular", "flexor", "extensor"),
    ...     row_names=("elbow", "shoulder"),
    ... )
    >>> answer = balance.share(Criterion(weights="none"))
    >>> answer.force.shape, str(answer.status_text)
    ((3,), 'solved')
    """

    head_names: tuple[str, ...]
    row_names: tuple[str, ...]
    arms: Floats
    capacity: Floats
    passive: Floats
    moments: Floats
    lever: Floats
    vertical: Floats
    ratio: Floats
    posed: Flags
    volume_weights: Floats
    groups: tuple[str, ...] = ()
    free: bool = False
    ratio_bounds: tuple[Floats, Floats] | None = None
    fraction: Floats | None = field(default=None, repr=False)
    friction: Floats | None = None
    couple_lever: Floats | None = field(default=None, repr=False)
    couple_limit: Floats | None = field(default=None, repr=False)
    couple: Floats | None = None
    couples_free: bool = False
    load: LoadMoments | None = field(default=None, repr=False)
    glenoid: GlenoidLimit | None = field(default=None, repr=False)

    def __repr__(self) -> str:
        push = "free" if self.free else "given"
        return (
            f"Balance(frames={self.posed.shape}, rows={len(self.row_names)}, "
            f"heads={len(self.head_names)}, lateral force {push})"
        )

    @classmethod
    def of_moments(
        cls,
        arms: Floats,
        capacity: Floats,
        moments: Floats,
        *,
        passive: Floats | None = None,
        volume_weights: Floats | None = None,
        head_names: tuple[str, ...],
        row_names: tuple[str, ...],
    ) -> Balance:
        """Make a balance from moment arms, capacities and net moments alone.

        Nothing is known of a hand, so there is no lateral force and no load to raise.
        """
        shape = np.broadcast_shapes(arms.shape[:-2], capacity.shape[:-1], moments.shape[:-1])
        zero = np.zeros(shape)
        heads, rows = len(head_names), len(row_names)
        return cls(
            head_names=head_names,
            row_names=row_names,
            arms=np.broadcast_to(arms, (*shape, rows, heads)),
            capacity=np.broadcast_to(capacity, (*shape, heads)),
            passive=np.zeros((*shape, heads)) if passive is None else passive,
            moments=np.broadcast_to(moments, (*shape, rows)),
            lever=np.zeros((*shape, rows)),
            vertical=zero,
            ratio=zero,
            posed=np.ones(shape, dtype=bool),
            volume_weights=np.ones(heads) if volume_weights is None else volume_weights,
        )

    def take(self, frames: Any) -> Balance:
        """Pick frames by an index, a mask or a slice of the first leading axis."""
        first = self.posed.ndim

        def picked(value: Any) -> Any:
            if is_dataclass(value) and not isinstance(value, type):
                return replace(
                    value,
                    **{
                        item.name: picked(getattr(value, item.name))
                        for item in fields(value)
                        if item.name not in {"turns", "limits"}
                    },
                )
            if isinstance(value, tuple) and value and isinstance(value[0], np.ndarray):
                return tuple(picked(item) for item in value)
            if isinstance(value, np.ndarray) and value.ndim >= first:
                return value[frames]
            return value

        kept = {"head_names", "row_names", "groups", "free"}
        if self.volume_weights.ndim <= 1:  # the same in all frames
            kept.add("volume_weights")
        names = [item.name for item in fields(self) if item.name not in kept]
        return replace(self, **{name: picked(getattr(self, name)) for name in names})

    def treated(self, *laterals: Lateral, counts: tuple[int, ...] = ()) -> Balance:
        """Treat the lateral force and the couples of the hands in one way, or lift by lift.

        Parameters
        ----------
        laterals : Lateral
            One for all frames, or several with their numbers of frames in ``counts``; those must
            have the same values free.
        counts : tuple of int
        """
        first, shape = laterals[0], self.posed.shape
        kinds = {(lateral.mode == "free", lateral.free_couples) for lateral in laterals}
        if len(kinds) > 1:
            raise InputError("lateral force: treatments with different values free, solve each")
        sizes = counts or (int(np.prod(shape)),)

        def along(values: list[Any], *last: int) -> Floats:
            parts = [
                np.broadcast_to(np.asarray(v, dtype=float), (n, *last))
                for v, n in zip(values, sizes, strict=True)
            ]
            return np.concatenate(parts).reshape(*shape, *last)

        free = first.mode == "free"
        given = [lateral.given_couples for lateral in laterals]
        couple = None if first.free_couples or not any(map(any, given)) else along(given, 2)
        if couple is not None and self.couple_lever is None:
            raise InputError("couples of the hands: this balance knows of no bar; drop them")
        bounds = None
        if free and (self.friction is not None or any(lt.bounds is not None for lt in laterals)):
            widest = np.full(shape, np.inf) if self.friction is None else self.friction
            low, high = (
                along([np.nan if lt.bounds is None else lt.bounds[k] for lt in laterals])
                for k in (0, 1)
            )
            bounds = (
                np.where(np.isnan(low), -widest, low),
                np.where(np.isnan(high), widest, high),
            )
        ratio = np.zeros(shape)
        if not free:
            edges = np.cumsum([0, *sizes])
            heights = None if self.fraction is None else np.reshape(self.fraction, -1)
            each = [
                lateral.ratios(n, None if heights is None else heights[first : first + n])
                for lateral, n, first in zip(laterals, sizes, edges[:-1], strict=True)
            ]
            ratio = np.concatenate(each).reshape(shape)
        return replace(
            self,
            free=free,
            ratio=ratio,
            ratio_bounds=bounds,
            couple=couple,
            couples_free=first.free_couples and self.couple_lever is not None,
        )

    @property
    def push(self) -> Floats:
        """Given outward push [N], shape (...)."""
        return np.asarray(self.ratio * self.vertical)

    @property
    def known_moments(self) -> Floats:
        """Net moments with the given push and couples [N·m], shape (..., rows)."""
        return np.asarray(self.moments + self._given_couple + self.push[..., None] * self.lever)

    @property
    def _given_couple(self) -> Floats | float:
        """Moments of the given couples [N·m]."""
        if self.couple is None or self.couple_lever is None:
            return 0.0
        return np.asarray(np.sum(self.couple_lever * self.couple[..., None, :], axis=-1))

    @property
    def _free_couples(self) -> Floats | None:
        """Lever of the couples where they are free."""
        return self.couple_lever if self.couples_free else None

    @property
    def columns(self) -> Floats | None:
        """Free columns of R F + C f = m, shape (..., rows, k): push, couples; None without any."""
        found = [-self.lever[..., None]] if self.free else []
        if (turning := self._free_couples) is not None:
            found.append(-turning)
        return np.concatenate(found, axis=-1) if found else None

    @property
    def free_bounds(self) -> tuple[Floats, Floats] | None:
        """Least and greatest free values [N, N·m], shape (..., k); None without any bound.

        A pulling hand swaps the bounds of its push.
        """
        found: list[tuple[Floats, Floats]] = []
        if self.free:
            if self.ratio_bounds is None:
                endless = np.full((*self.posed.shape, 1), np.inf)
                found.append((-endless, endless))
            else:
                low, high = (self._pushed(limit) for limit in self.ratio_bounds)
                found.append((np.minimum(low, high)[..., None], np.maximum(low, high)[..., None]))
        if self.couples_free:
            found.append(self._couple_bounds())
        if not found or not any(np.isfinite(side).any() for pair in found for side in pair):
            return None
        low, high = (np.concatenate([pair[k] for pair in found], axis=-1) for k in (0, 1))
        return low, high

    def _pushed(self, ratio: Floats) -> Floats:
        """Push that a ratio stands for [N]; no ratio bounds no push of a hand without load."""
        with np.errstate(invalid="ignore"):
            return np.where(np.isinf(ratio), ratio, ratio * self.vertical)

    def _couple_bounds(self) -> tuple[Floats, Floats]:
        if self.couple_limit is None:
            raise InputError("couples of the hands: free ones need bounds; give couple_limit")
        return -self.couple_limit, self.couple_limit

    def weights(self, criterion: Criterion) -> Floats | None:
        """Weights of a criterion; None where all are equal."""
        return self.volume_weights if criterion.by_volume else None

    def share(
        self,
        criterion: Criterion,
        *,
        glenoid: bool = False,
        chain: bool = True,
        threads: int | None = None,
    ) -> Sharing:
        """Share the moments among the heads; NaN and ``invalid`` where there is no posture.

        Parameters
        ----------
        criterion : Criterion
        glenoid : bool
            Keep the contact force within the stability limits of the glenoid.
        chain, threads
            As for :func:`momentshare.sharing.share`.
        """
        if not np.all(self.posed):
            answer = self.take(self.posed).share(
                criterion, glenoid=glenoid, chain=chain, threads=threads
            )
            return _among(answer, self.posed)
        return share(
            self.arms,
            self.capacity,
            self.known_moments,
            passive_force=self.passive,
            exponent=criterion.exponent,
            weights=self.weights(criterion),
            free_columns=self.columns,
            free_bounds=self.free_bounds,
            inequalities=self._cone() if glenoid else None,
            chain=chain,
            threads=threads,
            head_names=self.head_names,
            row_names=self.row_names,
        )

    def push_of(self, answer: Sharing) -> Floats:
        """Outward push that belongs to an answer [N], shape (...)."""
        if self.free:
            return np.asarray(answer.free_values[..., 0])
        return np.where(self.posed, self.push, np.nan)

    def couple_of(self, answer: Sharing) -> Floats:
        """Couples of the hand that belong to an answer [N·m], shape (..., 2)."""
        if self.couples_free:
            return np.asarray(answer.free_values[..., -2:])
        given = 0.0 if self.couple is None else self.couple
        return np.where(self.posed[..., None], given, np.nan) * np.ones(2)

    def bounds_met(self, answer: Sharing) -> Flags:
        """Whether push and couples of an answer stand at a bound of theirs, shape (..., 3)."""
        met = np.zeros((*self.posed.shape, 3), dtype=bool)
        bounds = self.free_bounds
        if bounds is not None:
            low, high = bounds
            value = answer.free_values
            reach = _MET * np.where(np.isfinite(high - low), high - low, 0.0)
            at = ((value <= low + reach) | (value >= high - reach)) & (high > low)
            met[..., (0 if self.free else 1) : (3 if self.couples_free else 1)] = at
        return met

    def greatest_load(self, *, glenoid: bool = False) -> GreatestFactor:
        """Largest load [kg, both hands] that can be held in each frame.

        The lateral force grows with the load: a given ratio is kept, a free push is chosen anew.
        Where a free ratio would leave its bounds, the nearer bound is best, because the loads
        and forces that can be met form a convex set.

        Parameters
        ----------
        glenoid : bool
            Keep the contact force within the stability limits of the glenoid.
        """
        if self.load is None:
            raise InputError("greatest load: this balance knows of no load; make it from a lift")
        if not np.all(self.posed):
            return _among(self.take(self.posed).greatest_load(glenoid=glenoid), self.posed)
        if not self.free:
            return self.greatest_load_at(self.ratio, glenoid=glenoid)
        cone, gains = self._load_cone(None) if glenoid else (None, None)
        best = greatest_factor(
            self.arms,
            self.capacity,
            self.load.fixed,
            self.load.each,
            passive_force=self.passive,
            free_columns=self.columns,
            free_bounds=self._load_bounds(),
            inequalities=cone,
            scaled_levels=gains,
        )
        if self.ratio_bounds is None:
            return best
        chosen = self._ratio_at(best)
        kept = np.clip(chosen, *self.ratio_bounds)
        # Where no bound is in the way, the multipliers are those of a free push; at a given
        # ratio they would not be unique.
        moved = np.asarray(kept != chosen)
        if not moved.any():
            return best
        held = self.take(moved).greatest_load_at(kept[moved], glenoid=glenoid)
        return _with_frames(best, moved, held)

    def greatest_load_at(self, ratio: Floats, *, glenoid: bool = False) -> GreatestFactor:
        """Greatest load [kg, both hands] with the push in a given ratio, shape (...)."""
        cone, gains = self._load_cone(ratio) if glenoid else (None, None)
        return greatest_factor(
            self.arms,
            self.capacity,
            self._load().fixed + self._given_couple,
            self.moments_of_a_kilogram(ratio),
            passive_force=self.passive,
            free_columns=None if (turning := self._free_couples) is None else -turning,
            free_bounds=self._couple_bounds() if self.couples_free else None,
            inequalities=cone,
            scaled_levels=gains,
        )

    def _load_bounds(self) -> tuple[Floats, Floats] | None:
        """Bounds of a free push, which none bounds here, and of free couples."""
        if not self.couples_free:
            return None
        endless = np.full((*self.posed.shape, 1), np.inf)
        low, high = self._couple_bounds()
        return np.concatenate([-endless, low], axis=-1), np.concatenate([endless, high], axis=-1)

    def push_weights(self) -> Floats:
        """Weights with which unmet moments give a free push, whatever the couples [N/(N·m)].

        The shape is (..., rows).
        """
        lever = self.lever
        if (turning := self._free_couples) is not None:
            first, second = turning[..., 0], turning[..., 1]
            second = second - _along(second, first)
            lever = lever - _along(lever, first)
            lever = lever - _along(lever, second)
        size = _times(lever, lever)[..., None]
        # What rounding leaves of a push that the couples can stand for is no push.
        real = size > _ALIKE * _times(self.lever, self.lever)[..., None]
        return np.asarray(np.where(real, lever / np.where(real, size, 1.0), 0.0))

    def moments_of_a_kilogram(self, ratio: Floats) -> Floats:
        """Moments of one more kilogram with the push in a ratio [N·m/kg], shape (..., rows)."""
        load = self._load()
        return np.asarray(load.each + (ratio * load.vertical)[..., None] * self.lever)

    def _load(self) -> LoadMoments:
        assert self.load is not None  # noqa: S101 - the public calls have looked
        return self.load

    def _ratio_at(self, best: GreatestFactor) -> Floats:
        """Ratio of the push that goes with a greatest load; from the balance it must close."""
        load = self._load()
        force = best.activation * self.capacity + self.passive
        pull = np.einsum("...rh,...h->...r", self.arms, force)
        with np.errstate(divide="ignore", invalid="ignore"):
            left = pull - load.fixed - self._given_couple - best.factor[..., None] * load.each
            ratio = _times(self.push_weights(), left) / (best.factor * load.vertical)
        return np.where(np.isfinite(ratio), ratio, 0.0)

    def _cone(self) -> Cone:
        """Planes that keep the head's force on the glenoid within the stability limits."""
        held = self._held()
        across = held.across + self.push[..., None] * held.push_axis
        if not self.free:
            return stability_cone(held, held.lines, across)
        lines, pushed = self._with_free_push(held)
        rest = _times(pushed, self.known_moments)
        return stability_cone(held, lines, across + rest[..., None] * held.push_axis)

    def _load_cone(self, ratio: Floats | None) -> tuple[Cone, Floats]:
        """Planes without any load, and what one kilogram adds to their levels [N/kg].

        With the push in a given ratio, or where there is none free.
        """
        held, load = self._held(), self._load()
        if held.fixed is None or held.each is None:
            raise InputError("glenoid: this balance knows of no force of a load on the joint")
        lines, fixed, each = held.lines, held.fixed, held.each
        if ratio is not None:
            each = each + (ratio * load.vertical)[..., None] * held.push_axis
        else:
            lines, pushed = self._with_free_push(held)
            rest = _times(pushed, load.fixed + self._given_couple)
            fixed = fixed + rest[..., None] * held.push_axis
            each = each + _times(pushed, load.each)[..., None] * held.push_axis
        cone = stability_cone(held, lines, fixed)
        return cone, _times(cone.normals, np.broadcast_to(each, fixed.shape)[..., None, :])

    def _held(self) -> GlenoidLimit:
        if self.glenoid is None:
            raise InputError("glenoid: this balance knows of no joint force; make it from a lift")
        return self.glenoid

    def _with_free_push(self, held: GlenoidLimit) -> tuple[Floats, Floats]:
        """Lines of the heads with the push that each calls for, and the push of one N·m asked.

        A free lateral force adds to the joint force. It follows from the balance R F + C f = m
        as f = C·(m - R F) / C·C, with C square to the levers of free couples; that is linear in
        the head forces, so it joins their lines. Couples add no force.
        """
        weight = -self.push_weights()
        by_head = np.einsum("...r,...rh->...h", weight, self.arms)
        return held.lines + by_head[..., None] * held.push_axis[..., None, :], weight


def stability_cone(held: GlenoidLimit, lines: Floats, across: Floats) -> Cone:
    """Planes of the stability limits for heads with these lines and a force across the joint."""
    return contact_cone(
        lines,
        -across,
        held.limits,
        axis=-held.frame[..., 2, :],
        towards=held.frame[..., 0, :],
        turns=held.turns,
    )


def _times(a: Floats, b: Floats) -> Floats:
    """Scalar product over the last axis."""
    return np.asarray(np.einsum("...r,...r->...", a, b))


def _along(vector: Floats, onto: Floats) -> Floats:
    """Part of a vector along another, last axis; zero along one of zeros."""
    size = _times(onto, onto)[..., None]
    return np.asarray(_times(vector, onto)[..., None] * onto / np.where(size > 0.0, size, 1.0))


def _with_frames(best: GreatestFactor, frames: Flags, part: GreatestFactor) -> GreatestFactor:
    """Put the answers of some frames in place of those that are there."""
    values: dict[str, Any] = {}
    for item in fields(best):
        value = np.array(getattr(best, item.name))
        value[frames] = getattr(part, item.name)
        values[item.name] = value
    return replace(best, **values)


def _among(answer: _T, posed: Flags) -> _T:
    """Put the frames that have a posture back among all frames; NaN and ``invalid`` elsewhere."""
    values: dict[str, Any] = {}
    for item in fields(answer):  # type: ignore[arg-type]
        value = getattr(answer, item.name)
        if isinstance(value, np.ndarray):
            empty: Any = np.nan
            if value.dtype == np.bool_:
                empty = False
            elif item.name == "status":
                empty = Status.INVALID
            out = np.full((*posed.shape, *value.shape[1:]), empty, dtype=value.dtype)
            out[posed] = value
            values[item.name] = out
        elif is_dataclass(value):
            values[item.name] = _among(value, posed)
    return replace(answer, **values)  # type: ignore[type-var]
