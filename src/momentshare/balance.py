"""The balance of moments in each frame, and all that is asked of it.

In every frame the heads pull with forces F = capacity ∘ a + passive so that

    R F = m + l · q,

with R the moment arms, m the net moments without a lateral force, q the outward push of the hand
along the bar and l the moment that one newton of it adds. The push is given as a ratio to the
vertical force of the hand, or free for the optimiser. A :class:`Balance` holds these arrays for
any number of frames; it may come from a lift (:meth:`momentshare.analysis.Prepared.balance`), or
directly from moment arms and moments that somebody else has.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np

from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.sharing import (
    GreatestFactor,
    Sharing,
    Status,
    cone_inequalities,
    greatest_factor,
    share,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = ["BALANCED", "Balance", "Criterion", "GlenoidLimit", "Lateral", "LoadMoments"]

BALANCED = ROWS[:4]
"""Rows balanced by default: three at the shoulder and elbow extension.

The couple about the forearm is left out, because the grip can carry it.
"""

LateralMode = Literal["measured", "zero", "free"]
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateral:
    """How the lateral hand force along the bar is known.

    Parameters
    ----------
    mode : {"measured", "zero", "free"}
        A given ratio, no lateral force, or the optimiser's choice.
    ratio : float or tuple of float
        Outward push over vertical force, for ``measured``; one value, or one a frame.
    bounds : pair of float, optional
        Least and greatest ratio for ``free``, set by grip friction or by the couple that the
        hand can carry.
    """

    mode: LateralMode
    ratio: float | tuple[float, ...] = 0.0
    bounds: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.mode not in {"measured", "zero", "free"}:
            raise InputError(f"lateral mode: wanted measured, zero or free, got {self.mode!r}")
        given = np.asarray(self.ratio, dtype=float)
        bad = given[~(np.abs(given) <= 2.0)]
        if bad.size:
            raise InputError(
                f"lateral ratio: wanted -2 to 2 (force over force), got {float(bad[0])!r}"
            )
        if self.bounds is not None and not self.bounds[0] <= self.bounds[1]:
            raise InputError(f"lateral bounds: wanted low <= high, got {self.bounds!r}")

    def ratios(self, frames: int) -> Floats:
        """Ratio in each frame: the given one when measured, otherwise zero; shape (frames,)."""
        given = np.asarray(self.ratio if self.mode == "measured" else 0.0, dtype=float)
        if given.ndim and given.shape != (frames,):
            raise InputError(
                f"lateral ratio: wanted one value or one for each of {frames} frames, "
                f"got {given.size}"
            )
        return np.broadcast_to(given, (frames,))


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
    push_axis : float array, shape (..., 3)
        Outward direction of the lateral force.
    frame : float array, shape (..., 3, 3)
        Rows forward, upward and outward of the glenoid.
    limits : float array, shape (facets,)
        Stability ratio in the direction of each facet: forward, down, back, up.
    """

    lines: Floats
    across: Floats
    push_axis: Floats
    frame: Floats
    limits: Floats


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
    volume_weights : float array, shape (heads,) or (..., heads)
        Volume of each head over the mean of its limb.
    posed : bool array, shape (...)
        Whether there is a posture; answers hold NaN where not.
    load : LoadMoments, optional
        Needed for greatest loads.
    glenoid : GlenoidLimit, optional
        Needed to keep its limits.
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
                        if item.name != "limits"
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

    def treated(self, lateral: Lateral) -> Balance:
        """Treat the lateral force of all frames in one way."""
        if lateral.mode == "free":
            bounds = lateral.bounds
            limits = None
            if bounds is not None:
                limits = (
                    np.full(self.posed.shape, bounds[0]),
                    np.full(self.posed.shape, bounds[1]),
                )
            return replace(self, free=True, ratio=np.zeros(self.posed.shape), ratio_bounds=limits)
        ratio = lateral.ratios(self.posed.shape[0] if self.posed.ndim else 1)
        return replace(
            self, free=False, ratio=ratio if self.posed.ndim else ratio[0], ratio_bounds=None
        )

    @property
    def push(self) -> Floats:
        """Given outward push [N], shape (...)."""
        return np.asarray(self.ratio * self.vertical)

    @property
    def known_moments(self) -> Floats:
        """Net moments with the given push [N·m], shape (..., rows)."""
        return np.asarray(self.moments + self.push[..., None] * self.lever)

    @property
    def columns(self) -> Floats | None:
        """Free column of R F + C f = m, shape (..., rows, 1); None where the push is given."""
        return -self.lever[..., None] if self.free else None

    @property
    def push_bounds(self) -> tuple[Floats, Floats] | None:
        """Least and greatest free push [N], shape (..., 1); a pulling hand swaps the two."""
        if not self.free or self.ratio_bounds is None:
            return None
        low, high = (limit * self.vertical for limit in self.ratio_bounds)
        return np.minimum(low, high)[..., None], np.maximum(low, high)[..., None]

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
            free_bounds=self.push_bounds,
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

    def greatest_load(self) -> GreatestFactor:
        """Largest load [kg, both hands] that can be held in each frame.

        The lateral force grows with the load: a given ratio is kept, a free push is chosen anew.
        Where a free ratio would leave its bounds, the nearer bound is best, because the loads
        and forces that can be met form a convex set.
        """
        if self.load is None:
            raise InputError("greatest load: this balance knows of no load; make it from a lift")
        if not np.all(self.posed):
            return _among(self.take(self.posed).greatest_load(), self.posed)
        if not self.free:
            return self._greatest_at(self.ratio)
        best = greatest_factor(
            self.arms,
            self.capacity,
            self.load.fixed,
            self.load.each,
            passive_force=self.passive,
            free_columns=self.columns,
        )
        if self.ratio_bounds is None:
            return best
        chosen = self._ratio_at(best)
        kept = np.clip(chosen, *self.ratio_bounds)
        # Where no bound is in the way, the multipliers are those of a free push; at a given
        # ratio they would not be unique.
        return _one_or_other(kept != chosen, self._greatest_at(kept), best)

    def _greatest_at(self, ratio: Floats) -> GreatestFactor:
        """Greatest load with the push in a given ratio."""
        return greatest_factor(
            self.arms,
            self.capacity,
            self._load().fixed,
            self.moments_of_a_kilogram(ratio),
            passive_force=self.passive,
        )

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
            left = pull - load.fixed - best.factor[..., None] * load.each
            push = np.einsum("...r,...r->...", self.lever, left)
            push = push / np.einsum("...r,...r->...", self.lever, self.lever)
            ratio = push / (best.factor * load.vertical)
        return np.where(np.isfinite(ratio), ratio, 0.0)

    def _cone(self) -> tuple[Floats, Floats]:
        """Inequalities that keep the head's force on the glenoid within the stability limits.

        A free lateral force adds to the joint force. It follows from the balance R F + C f = m
        as f = C·(m - R F) / C·C, which is linear in the head forces, so it joins their lines.
        """
        held = self.glenoid
        if held is None:
            raise InputError("glenoid: this balance knows of no joint force; make it from a lift")
        across, lines = held.across + self.push[..., None] * held.push_axis, held.lines
        columns = self.columns
        if columns is not None:
            column = columns[..., 0]
            size = np.einsum("...r,...r->...", column, column)
            weight = column / np.where(size > 0.0, size, 1.0)[..., None]
            rest = np.einsum("...r,...r->...", weight, self.known_moments)
            across = across + rest[..., None] * held.push_axis
            by_head = np.einsum("...r,...rh->...h", weight, self.arms)
            lines = lines + by_head[..., None] * held.push_axis[..., None, :]
        return cone_inequalities(
            lines, -across, held.limits, axis=-held.frame[..., 2, :], towards=held.frame[..., 0, :]
        )


def _one_or_other(first: Flags, one: GreatestFactor, other: GreatestFactor) -> GreatestFactor:
    """Take each frame from one answer or from the other."""
    values: dict[str, Any] = {}
    for item in fields(one):
        a, b = getattr(one, item.name), getattr(other, item.name)
        mask = first.reshape(first.shape + (1,) * (a.ndim - first.ndim))
        values[item.name] = np.where(mask, a, b)
    return replace(one, **values)


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
