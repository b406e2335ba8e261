"""The balance of moments in each frame, and the quantities derived from it.

In every frame the heads pull with forces F = capacity ∘ a + passive so that

    R F = m + l · q + T c,

with R the moment arms, m the net moments without a lateral force, q the outward push of the hand
along the bar and l the moment that one newton of it adds. The push is given as a ratio to the
vertical force of the hand, or left to the optimiser. The two couples with which the hands may twist
the bar against each other are treated in the same way (:mod:`momentshare.exercise.hand`). A
:class:`Balance` holds these arrays for any number of frames; it may come from a lift
(:meth:`momentshare.analysis.Prepared.balance`), or directly from moment arms and moments of any
other origin.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import InputError, ShapeError
from momentshare.results import brief, take_frames

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from momentshare.balance.glenoid import GlenoidLimit
    from momentshare.balance.lateral import Lateral

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["Equation", "LoadMoments", "product"]

_ALIKE = 1e-20
"""Square of the sine of the angle between two levers below which they count as parallel."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadMoments:
    """Moments that one more kilogram, in both hands together, requires of one arm.

    Attributes
    ----------
    fixed : float array, shape (..., rows)
        Net moments without any load [N·m].
    each : float array, shape (..., rows)
        Moments of one kilogram without lateral force [N·m/kg].
    vertical : float array, shape (...)
        Vertical force of one hand per kilogram [N/kg].
    """

    fixed: Floats
    each: Floats
    vertical: Floats

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equation:
    """The balance as an equation; its fields are described in :class:`momentshare.Balance`."""

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
    area_weights: Floats
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

    @classmethod
    def of_moments(
        cls,
        moment_arms: ArrayLike,
        active_capacity: ArrayLike,
        joint_moments: ArrayLike,
        *,
        passive_force: ArrayLike | None = None,
        volume_weights: ArrayLike | None = None,
        area_weights: ArrayLike | None = None,
        head_names: tuple[str, ...],
        row_names: tuple[str, ...],
    ) -> Self:
        """Make a balance from moment arms, capacities and net moments alone.

        Nothing is known about a hand, so there is no lateral force and no load to raise.

        Parameters
        ----------
        moment_arms : array_like, shape (..., rows, heads)
            [m]; masked values count as NaN, in each of the arrays.
        active_capacity, passive_force : array_like, shape (..., heads)
            [N]; passive forces are zero by default.
        joint_moments : array_like, shape (..., rows)
            [N·m].
        volume_weights, area_weights : array_like, shape (..., heads), optional
            Sizes of the heads, for a criterion that weights by them; one by default.
        head_names, row_names : tuple of str

        Raises
        ------
        ShapeError
            Arrays that do not fit the names or each other, or hold no numbers.
        """
        heads, rows = len(head_names), len(row_names)

        def of(name: str, given: ArrayLike, *own: int) -> Floats:
            values = numbers(name, given)
            if values.shape[-len(own) :] != own:
                wanted = f"shape (..., {', '.join(map(str, own))})"
                advice = f"there are {rows} row_names and {heads} head_names"
                raise ShapeError(name, wanted, f"shape {values.shape}", advice)
            return values

        arms = of("moment_arms", moment_arms, rows, heads)
        capacity = of("active_capacity", active_capacity, heads)
        moments = of("joint_moments", joint_moments, rows)
        passive = (
            np.zeros(heads) if passive_force is None else of("passive_force", passive_force, heads)
        )
        volumes, areas = (
            np.ones(heads) if given is None else of(name, given, heads)
            for name, given in {
                "volume_weights": volume_weights,
                "area_weights": area_weights,
            }.items()
        )
        batches = {
            "moment_arms": arms.shape[:-2],
            "active_capacity": capacity.shape[:-1],
            "joint_moments": moments.shape[:-1],
            "passive_force": passive.shape[:-1],
        }
        try:
            shape = np.broadcast_shapes(*batches.values())
        except ValueError as err:
            told = ", ".join(f"{name} {batch}" for name, batch in batches.items())
            raise ShapeError(
                "moment_arms", "batch axes like those of the other arrays", told,
                "give as many frames everywhere, or no frame axis where one serves all",
            ) from err  # fmt: skip
        zero = np.zeros(shape)
        return cls(
            head_names=head_names,
            row_names=row_names,
            arms=np.broadcast_to(arms, (*shape, rows, heads)),
            capacity=np.broadcast_to(capacity, (*shape, heads)),
            passive=np.broadcast_to(passive, (*shape, heads)).copy(),
            moments=np.broadcast_to(moments, (*shape, rows)),
            lever=np.zeros((*shape, rows)),
            vertical=zero,
            ratio=zero,
            posed=np.ones(shape, dtype=bool),
            volume_weights=volumes,
            area_weights=areas,
        )

    def take(self, frames: Any) -> Self:
        """Select frames by an index, a mask or a slice of the first leading axis."""
        whole = {"turns", "limits"}
        if self.volume_weights.ndim <= 1:  # the same in all frames
            whole |= {"volume_weights", "area_weights"}
        return take_frames(self, frames, axes=self.posed.ndim, whole=whole)

    def treated(self, *laterals: Lateral, counts: tuple[int, ...] = ()) -> Self:
        """Apply one treatment of lateral force and couples to all frames, or one per lift.

        Parameters
        ----------
        laterals : Lateral
            One for all frames, or several with their numbers of frames in ``counts``; all must
            leave the same values free.
        counts : tuple of int
        """
        first, shape = laterals[0], self.posed.shape
        kinds = {(lateral.mode == "free", lateral.free_couples) for lateral in laterals}
        if len(kinds) > 1:
            raise InputError("lateral force: treatments with different values free, solve each")
        sizes = counts or (int(np.prod(shape)),)

        def along(values: list[Any], *last: int) -> Floats:
            each = np.array(values, dtype=float)
            return np.repeat(each, sizes, axis=0).reshape(*shape, *last)

        free = first.mode == "free"
        given = [lateral.given_couples for lateral in laterals]
        couple = None if first.free_couples or not any(map(any, given)) else along(given, 2)
        if couple is not None and self.couple_lever is None:
            raise InputError("couples of the hands: this balance has no bar; drop them")
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
        """Free columns C of R F + C f = m, shape (..., rows, k): push, couples; may be None."""
        found = [-self.lever[..., None]] if self.free else []
        if (turning := self._free_couples) is not None:
            found.append(-turning)
        return np.concatenate(found, axis=-1) if found else None

    @property
    def free_bounds(self) -> tuple[Floats, Floats] | None:
        """Least and greatest free values [N, N·m], shape (..., k); None if nothing is bounded.

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
        """Push that a ratio stands for [N]; no ratio bounds the push of a hand without load."""
        with np.errstate(invalid="ignore"):
            return np.where(np.isinf(ratio), ratio, ratio * self.vertical)

    def _couple_bounds(self) -> tuple[Floats, Floats]:
        if self.couple_limit is None:
            raise InputError("couples of the hands: free ones need bounds; give couple_limit")
        return -self.couple_limit, self.couple_limit

    def push_weights(self) -> Floats:
        """Weights that turn unmet moments into a free push, whatever the couples [N/(N·m)].

        The shape is (..., rows).
        """
        lever = self.lever
        if (turning := self._free_couples) is not None:
            first, second = turning[..., 0], turning[..., 1]
            second = second - _along(second, first)
            lever = lever - _along(lever, first)
            lever = lever - _along(lever, second)
        size = product(lever, lever)[..., None]
        # A push that the couples can replace is no push, whatever rounding leaves of it.
        real = size > _ALIKE * product(self.lever, self.lever)[..., None]
        return np.asarray(np.where(real, lever / np.where(real, size, 1.0), 0.0))

    def moments_of_a_kilogram(self, ratio: Floats) -> Floats:
        """Moments per added kilogram, the push at a given ratio [N·m/kg], shape (..., rows)."""
        load = self._load()
        return np.asarray(load.each + (ratio * load.vertical)[..., None] * self.lever)

    def _load(self) -> LoadMoments:
        assert self.load is not None  # noqa: S101 - the public calls have looked
        return self.load


def product(a: Floats, b: Floats) -> Floats:
    """Scalar product over the last axis."""
    return np.asarray(np.einsum("...r,...r->...", a, b))


def _along(vector: Floats, onto: Floats) -> Floats:
    """Component of a vector along another, last axis; zero along a zero vector."""
    size = product(onto, onto)[..., None]
    return np.asarray(product(vector, onto)[..., None] * onto / np.where(size > 0.0, size, 1.0))
