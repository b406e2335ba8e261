"""A balance of moments in each frame, and the questions it can answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance.equation import Equation, product
from momentshare.balance.glenoid import GlenoidLimit, stability_cone
from momentshare.errors import InputError
from momentshare.results import put_frames, spread_frames
from momentshare.sharing import (
    Cone,
    GreatestFactor,
    Sharing,
    Status,
    greatest_factor,
    share,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.balance.criterion import Criterion

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["Balance"]

_MET = 1e-9
"""Fraction of the range between bounds within which a value counts as at a bound."""

_NO_POSTURE = {"status": Status.INVALID}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Balance(Equation):
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
        c, given couples [N·m]; zero where not given.
    couples_free : bool
        Whether the optimiser chooses the couples in place of ``couple``.
    volume_weights : float array, shape (heads,) or (..., heads)
        Volume of each head over the mean volume of its limb.
    area_weights : float array, of the same shape
        Greatest isometric force of each head over the mean of its limb.
    posed : bool array, shape (...)
        Whether there is a posture; answers hold NaN where there is none.
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

    def __repr__(self) -> str:
        push = "free" if self.free else "given"
        return (
            f"Balance(frames={self.posed.shape}, rows={len(self.row_names)}, "
            f"heads={len(self.head_names)}, lateral force {push})"
        )

    def weights(self, criterion: Criterion) -> Floats | None:
        """Weights of a criterion; None where all are equal."""
        return criterion.weights_of(self)

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
            return spread_frames(answer, self.posed, _NO_POSTURE)
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

    def answer_push(self, answer: Sharing) -> Floats:
        """Outward push in an answer [N], shape (...)."""
        if self.free:
            return np.asarray(answer.free_values[..., 0])
        return np.where(self.posed, self.push, np.nan)

    def answer_couples(self, answer: Sharing) -> Floats:
        """Couples of the hand in an answer [N·m], shape (..., 2)."""
        if self.couples_free:
            return np.asarray(answer.free_values[..., -2:])
        given = 0.0 if self.couple is None else self.couple
        return np.where(self.posed[..., None], given, np.nan) * np.ones(2)

    def bounds_met(self, answer: Sharing) -> Flags:
        """Whether push and couples of an answer are at a bound, shape (..., 3)."""
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

        The lateral force grows with the load: a given ratio is kept, a free push is chosen again.
        Where a free ratio would leave its bounds, the nearer bound is best, because the loads
        and forces that can be met form a convex set.

        Parameters
        ----------
        glenoid : bool
            Keep the contact force within the stability limits of the glenoid.
        """
        if self.load is None:
            raise InputError("greatest load: this balance has no load; make it from a lift")
        if not np.all(self.posed):
            best = self.take(self.posed).greatest_load(glenoid=glenoid)
            return spread_frames(best, self.posed, _NO_POSTURE)
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
        return put_frames(best, moved, held)

    def greatest_load_at(self, ratio: Floats, *, glenoid: bool = False) -> GreatestFactor:
        """Greatest load [kg, both hands] with the push at a given ratio, shape (...)."""
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
        """Bounds of a free push, unbounded here, and of free couples."""
        if not self.couples_free:
            return None
        endless = np.full((*self.posed.shape, 1), np.inf)
        low, high = self._couple_bounds()
        return np.concatenate([-endless, low], axis=-1), np.concatenate([endless, high], axis=-1)

    def _ratio_at(self, best: GreatestFactor) -> Floats:
        """Ratio of the push that goes with a greatest load, from the balance that it closes."""
        load = self._load()
        force = best.activation * self.capacity + self.passive
        pull = np.einsum("...rh,...h->...r", self.arms, force)
        with np.errstate(divide="ignore", invalid="ignore"):
            left = pull - load.fixed - self._given_couple - best.factor[..., None] * load.each
            ratio = product(self.push_weights(), left) / (best.factor * load.vertical)
        return np.where(np.isfinite(ratio), ratio, 0.0)

    def _cone(self) -> Cone:
        """Planes that keep the force of the humeral head within the stability limits."""
        held = self._held()
        across = held.across + self.push[..., None] * held.push_axis
        if not self.free:
            return stability_cone(held, held.lines, across)
        lines, pushed = self._with_free_push(held)
        rest = product(pushed, self.known_moments)
        return stability_cone(held, lines, across + rest[..., None] * held.push_axis)

    def _load_cone(self, ratio: Floats | None) -> tuple[Cone, Floats]:
        """Planes without any load, and what one kilogram adds to their levels [N/kg].

        With the push at a given ratio, or where none is free.
        """
        held, load = self._held(), self._load()
        if held.fixed is None or held.each is None:
            raise InputError("glenoid: this balance has no force of a load on the joint")
        lines, fixed, each = held.lines, held.fixed, held.each
        if ratio is not None:
            each = each + (ratio * load.vertical)[..., None] * held.push_axis
        else:
            lines, pushed = self._with_free_push(held)
            rest = product(pushed, load.fixed + self._given_couple)
            fixed = fixed + rest[..., None] * held.push_axis
            each = each + product(pushed, load.each)[..., None] * held.push_axis
        cone = stability_cone(held, lines, fixed)
        return cone, product(cone.normals, np.broadcast_to(each, fixed.shape)[..., None, :])

    def _held(self) -> GlenoidLimit:
        if self.glenoid is None:
            raise InputError("glenoid: this balance has no joint force; make it from a lift")
        return self.glenoid

    def _with_free_push(self, held: GlenoidLimit) -> tuple[Floats, Floats]:
        """Lines of the heads including the push that each requires, and the push per N·m demanded.

        A free lateral force adds to the joint force. It follows from the balance R F + C f = m
        as f = C·(m - R F) / C·C, with C perpendicular to the levers of free couples; it is linear
        in the head forces, so it is added to their lines. Couples add no force.
        """
        weight = -self.push_weights()
        by_head = np.einsum("...r,...rh->...h", weight, self.arms)
        return held.lines + by_head[..., None] * held.push_axis[..., None, :], weight
