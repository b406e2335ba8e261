"""From one lift to forces, activation, multipliers, greatest load and contact force.

Terms, always used in this sense: **activation** a, 0 to 1; **force** along the tendon [N];
**capacity here** the greatest active force at this length and velocity, so that activation is
active force / capacity here; **strength fraction** force / greatest isometric force.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis.speeds import lengthening_speed
from momentshare.analysis.tables import frame_columns, head_columns, row_columns
from momentshare.balance import BALANCED, Balance, Criterion, GlenoidLimit, Lateral, LoadMoments
from momentshare.directions import ROWS
from momentshare.errors import InputError, require_kind
from momentshare.exercise.demand import Demand, demand
from momentshare.exercise.hand import hand_limits
from momentshare.limb.joint import glenoid_frame, stability_facets
from momentshare.results import ReadOnly, brief, places, take_frames

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.limb import Limb
    from momentshare.muscle.capacity import HeadState
    from momentshare.paths import Paths
    from momentshare.sharing import GreatestFactor, Sharing

__all__ = [
    "BALANCED",
    "Criterion",
    "HandChoice",
    "Lateral",
    "LiftResult",
    "Prepared",
    "assemble",
    "prepare",
    "require_bar",
    "solve_lift",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """Lifts with everything that does not depend on how the lateral force is treated.

    ``limb`` and ``lift`` may hold several limbs and the lifts of all of them in a row; every
    array has the frames of ``lift``.
    """

    limb: Limb
    lift: Lift
    paths: Paths
    state: HeadState
    demand: Demand

    def __repr__(self) -> str:
        return f"Prepared({self.limb!r}, {self.lift!r})"

    def balance(self, criterion: Criterion | None = None, *, glenoid: bool = False) -> Balance:
        """Return the balance of moments of every frame, with a given lateral force of zero.

        Parameters
        ----------
        criterion : Criterion, optional
            Says which rows are balanced.
        glenoid : bool
            Whether the balance includes the limits of the glenoid.
        """
        names = (criterion or Criterion()).rows
        rows = [ROWS.index(name) for name in names]
        need, lift = self.demand, self.lift
        index = lift.limb_in(self.limb.skeleton)
        volumes, areas = self.limb.volume_weights, self.limb.area_weights
        hand = hand_limits(self.limb.skeleton, lift)

        def chosen(values: NDArray[np.float64]) -> NDArray[np.float64]:
            # Laid out as sharing wants it, which values[:, rows] is not.
            return np.take(values, rows, axis=1)

        arms, moments = chosen(self.paths.moment_arms), chosen(need.moments())
        fixed = chosen(need.limb_moments)
        if lift.net_moments is not None:
            # A row without arms and moment is always met, as if it were not there.
            unknown = np.isnan(lift.net_moments[:, rows])
            arms = np.where(unknown[..., None], 0.0, arms)
            moments, fixed = (np.where(unknown, 0.0, values) for values in (moments, fixed))
        return Balance(
            head_names=self.limb.head_names,
            row_names=names,
            groups=tuple(head.group for head in self.limb.model.heads),
            arms=arms,
            capacity=self.state.active_capacity,
            passive=self.state.passive_force,
            moments=moments,
            lever=chosen(need.lateral_moments),
            vertical=need.hand_force(),
            ratio=np.zeros(len(lift.reachable)),
            posed=lift.reachable,
            volume_weights=volumes if index is None else volumes[index],
            area_weights=areas if index is None else areas[index],
            fraction=lift.fraction,
            friction=hand.friction,
            couple_lever=chosen(need.couple_moments),
            couple_limit=hand.couple,
            load=LoadMoments(
                fixed=fixed,
                # One kilogram in both hands together is half a kilogram in each.
                each=0.5 * chosen(need.load_moments),
                vertical=0.5 * need.vertical_force,
            ),
            glenoid=self._glenoid() if glenoid else None,
        )

    def _glenoid(self) -> GlenoidLimit:
        skeleton = self.limb.skeleton
        turns, limits = stability_facets(skeleton.model)
        return GlenoidLimit(
            lines=self.paths.line_of_action,
            across=self.demand.joint_force(),
            fixed=self.demand.joint_force_limb,
            each=0.5 * self.demand.joint_force_load,
            push_axis=self.demand.lateral_axis,
            frame=glenoid_frame(skeleton, self.lift.posture, self.lift.limb_in(skeleton)),
            turns=turns,
            limits=limits,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandChoice:
    """What the hand does in addition to carrying the load, given or chosen by the optimiser.

    Attributes
    ----------
    push : float array, shape (frames,)
        Outward push of one hand [N].
    couple : float array, shape (frames, 2)
        Couples with which it turns the bar, about :data:`momentshare.exercise.hand.COUPLES` [N·m].
    met : bool array, shape (frames, 3)
        Whether push and couples are at a bound, either given or set by what a hand can hold.
    """

    push: NDArray[np.float64]
    couple: NDArray[np.float64]
    met: NDArray[np.bool_]

    __repr__ = brief

    @classmethod
    def of(cls, balance: Balance, answer: Sharing) -> HandChoice:
        """Build from an answer."""
        return cls(
            push=balance.answer_push(answer),
            couple=balance.answer_couples(answer),
            met=balance.bounds_met(answer),
        )

    def ratio(self, vertical: NDArray[np.float64]) -> NDArray[np.float64]:
        """Push over the vertical force of the hand [N], shape (frames,); 0 where that bears none.

        Parameters
        ----------
        vertical : float array, shape (frames,)
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(vertical > 0.0, self.push / vertical, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiftResult(ReadOnly):
    """The answer for one or more lifts under one treatment of the lateral force.

    Every array has the frames of the lift; out of reach it holds NaN, and the status of
    ``sharing`` and ``greatest`` reads ``invalid``.

    Attributes
    ----------
    prepared : Prepared
    lateral : Lateral
    criterion : Criterion
    sharing : Sharing
        Balanced rows only, see ``criterion.rows``.
    moments : float array, shape (frames, rows)
        Net moments including the lateral force and couples of this answer [N·m], all ``ROWS``.
    lateral_force, lateral_ratio : float array, shape (frames,)
        Outward push of one hand [N], and over its vertical force.
    hand_couple : float array, shape (frames, 2)
        Couples with which the hand turns the bar [N·m], about
        :data:`momentshare.exercise.hand.COUPLES`.
    hand_bound_met : bool array, shape (frames, 3)
        Whether lateral force and couples are at a bound.
    greatest : GreatestFactor or None
        The factor is the greatest load [kg, both hands] at each height.
    contact : float array, shape (frames, 3)
        Force of the glenoid on the humeral head [N], thorax frame.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, load_model, prepare, solve_lift
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> prepared = prepare(limb, press.lift(limb.skeleton))
    >>> result = solve_lift(prepared, Lateral(mode="zero"))
    >>> result.moments.shape, result.contact.shape, result.greatest.factor.shape
    ((5, 5), (5, 3), (5,))
    >>> bool((result.activation >= 0.0).all()), bool((result.lateral_force == 0.0).all())
    (True, True)
    >>> contact = result.to_dict()["data_vars"]["contact"]
    >>> contact["dims"], contact["attrs"]["units"]
    (('frame', 'direction'), 'N')
    >>> chest = result[0]  # one frame, or several by slice or mask
    >>> chest.force.shape == (1, len(limb.head_names)), len(chest.frame_table())
    (True, 1)
    """

    prepared: Prepared
    lateral: Lateral
    criterion: Criterion
    sharing: Sharing
    moments: NDArray[np.float64]
    lateral_force: NDArray[np.float64]
    lateral_ratio: NDArray[np.float64]
    hand_couple: NDArray[np.float64]
    hand_bound_met: NDArray[np.bool_]
    greatest: GreatestFactor | None
    contact: NDArray[np.float64]

    def __repr__(self) -> str:
        return f"LiftResult({self.prepared!r}, lateral={self.lateral.mode!r}, {self.sharing!r})"

    def __getitem__(self, key: Any) -> LiftResult:
        """Answers of some frames: an index, which keeps one frame, a slice or a mask."""
        before = self.prepared
        frames = places(key, len(before.lift.reachable))
        prepared = replace(
            before,
            lift=before.lift.take(frames),
            paths=take_frames(before.paths, frames),
            state=take_frames(before.state, frames),
            demand=take_frames(before.demand, frames),
        )
        own: dict[str, Any] = {
            item.name: value[frames]
            for item in fields(self)
            if isinstance(value := getattr(self, item.name), np.ndarray)
        }
        return replace(
            self,
            **own,
            prepared=prepared,
            sharing=self.sharing[frames],
            greatest=None if self.greatest is None else take_frames(self.greatest, frames),
        )

    def head_table(self) -> pd.DataFrame:
        """One row per frame and head, with the columns of :func:`momentshare.frame_table`.

        The first ones there, which tell person, condition and treatment, are left out; NaN out of
        reach. Needs pandas, as the other tables.
        """
        import pandas as pd

        return pd.DataFrame(head_columns(self))

    def row_table(self) -> pd.DataFrame:
        """One row per frame and row of the moment, likewise of :func:`momentshare.moment_table`."""
        import pandas as pd

        return pd.DataFrame(row_columns(self))

    def frame_table(self) -> pd.DataFrame:
        """One row per frame.

        ``load_kg`` and ``greatest_load_kg`` (both hands), ``vertical_force_n`` and
        ``lateral_force_n`` of one hand, ``lateral_ratio``, ``contact_force_…_n`` of the glenoid on
        the humeral head in the thorax frame and its size ``glenohumeral_contact_n``,
        ``moment_residual_nm``, ``stationarity`` and ``duality_gap`` of the certificate, ``status``.
        """
        import pandas as pd

        return pd.DataFrame(frame_columns(self))

    def to_dict(self) -> dict[str, Any]:
        """Everything with its unit and the names of its axes, as plain Python values.

        In the layout that ``xarray.Dataset.from_dict`` reads, as
        :meth:`momentshare.sharing.Sharing.to_dict`, and with ``time``, ``height``, ``load_mass``,
        ``lateral_force``, ``greatest_load``, ``capacity``, ``passive_force``, ``path_length``,
        ``fibre_length``, ``fibre_velocity``, ``strength_fraction``, ``moment_arms``,
        ``net_moments`` (all rows, in the order of ``net_row``), ``contact`` and ``hand_couple``
        besides; NaN out of reach. ``attrs`` say what made it.
        """
        from momentshare.analysis.labels import labelled_lift

        return labelled_lift(self)

    def to_json(self) -> str:
        """Give the text of `to_dict` in strict JSON; NaN reads null, infinity ``"inf"``."""
        from momentshare.sharing._labelled import labelled_json

        return labelled_json(self.to_dict())

    @property
    def force(self) -> NDArray[np.float64]:
        """Active and passive force [N], shape (frames, heads)."""
        return self.sharing.force

    @property
    def activation(self) -> NDArray[np.float64]:
        """Activation, active force / capacity here, 0 to 1, shape (frames, heads)."""
        return self.sharing.activation


def prepare(limb: Limb, lift: Lift, *, threads: int | None = None) -> Prepared:
    """Compute paths, capacity and demand of lifts once, for any number of solves.

    Parameters
    ----------
    limb : Limb
        Of one person, or of all those that ``lift.limb`` indexes.
    lift : Lift
        One lift, or several in a row.
    threads : int, optional
        Maximum number of threads of the path kernel; by default one per available core. The answer
        does not depend on it.

    Returns
    -------
    Prepared
        With ``paths``, ``state`` (capacity), ``demand`` (net moments), each over the frames of the
        lift; ``balance()`` puts them together.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, load_model, prepare, solve_lift
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> prepared = prepare(limb, press.lift(limb.skeleton))
    >>> prepared.paths.moment_arms.shape == (5, 5, len(limb.head_names))  # frames, rows, heads [m]
    True
    >>> prepared.demand.moments().shape  # frames, rows [N·m]
    (5, 5)
    """
    index = lift.limb_in(limb.skeleton)
    found = limb.paths(lift.posture, index, threads=threads)
    velocity = None if lift.motion is None else lengthening_speed(limb, lift, found)
    return Prepared(
        limb=limb,
        lift=lift,
        paths=found,
        state=limb.capacity(found.length, velocity, index),
        demand=demand(limb.skeleton, lift),
    )


def solve_lift(
    prepared: Prepared,
    lateral: Lateral,
    criterion: Criterion | None = None,
    *,
    greatest_load: bool = True,
    glenoid: bool = False,
) -> LiftResult:
    """Share the moments of a lift among the heads.

    Parameters
    ----------
    prepared : Prepared
    lateral : Lateral
        Treatment of the lateral hand force; dumbbells allow ``zero`` only.
    criterion : Criterion, optional
        Default: Σ w a², w the greatest isometric force of the head.
    greatest_load : bool
        Also find the greatest load at each height.
    glenoid : bool
        Keep the contact force within the stability limits of the glenoid, at the greatest load
        as well.

    Returns
    -------
    LiftResult
        NaN in frames that are out of reach.

    Raises
    ------
    InputError
        A lateral force is requested of an implement that cannot carry one, or an argument is of
        another class.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, load_model, prepare, solve_lift
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> prepared = prepare(limb, press.lift(limb.skeleton))
    >>> result = solve_lift(prepared, Lateral(mode="free"))
    >>> result.force.shape == (5, len(limb.head_names))
    True
    >>> bool((result.sharing.certificate.moment_residual < 1e-6).all())
    True
    """
    require_kind("prepared", prepared, Prepared, "prepare(limb, lift) makes one")
    require_kind("lateral", lateral, Lateral, "such as Lateral(mode='zero')")
    require_bar(prepared.lift, lateral)
    chosen = Criterion() if criterion is None else criterion
    require_kind("criterion", chosen, Criterion, "such as Criterion(weights='area')")
    balance = prepared.balance(chosen, glenoid=glenoid).treated(lateral)
    answer = balance.share(chosen, glenoid=glenoid)
    greatest = balance.greatest_load(glenoid=glenoid) if greatest_load else None
    return assemble(prepared, lateral, chosen, HandChoice.of(balance, answer), answer, greatest)


def require_bar(lift: Lift, lateral: Lateral) -> None:
    """Raise ``InputError`` for a lateral force on an implement that cannot carry one."""
    if lift.lateral_free:
        return
    if lateral.mode != "zero":
        raise InputError(
            f"lateral mode {lateral.mode!r}: dumbbells cannot be pushed against each other; "
            "use 'zero'"
        )
    if lateral.free_couples or any(lateral.given_couples):
        raise InputError("couples of the hands: dumbbells cannot be turned against each other")


def assemble(
    prepared: Prepared,
    lateral: Lateral,
    criterion: Criterion,
    hand: HandChoice,
    answer: Sharing,
    greatest: GreatestFactor | None,
) -> LiftResult:
    """Combine an answer, and what the hand does in it, with the data that they came from."""
    need, push = prepared.demand, hand.push
    ratio = hand.ratio(need.hand_force())
    pull = np.einsum("fh,fhk->fk", answer.force, prepared.paths.line_of_action)
    return LiftResult(
        prepared=prepared,
        lateral=lateral,
        criterion=criterion,
        sharing=answer,
        moments=need.moments(push, hand.couple),
        lateral_force=push,
        lateral_ratio=np.where(prepared.lift.reachable, ratio, np.nan),
        hand_couple=hand.couple,
        hand_bound_met=hand.met,
        greatest=greatest,
        contact=need.joint_force(push) - pull,
    )
