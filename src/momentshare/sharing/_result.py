"""Result of a sharing solve: values, status and certificate per frame."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import IntEnum
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    import pandas as pd

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int8]
BoolArray: TypeAlias = NDArray[np.bool_]


class Status(IntEnum):
    """Outcome of one frame; ``meaning`` describes it in words.

    The members are codes of the arrays ``status``: ``SOLVED``, ``SHORTFALL`` (the moment cannot be
    met; the nearest one is), ``UNCERTIFIED`` (limited by rounding), ``INVALID`` (no usable input),
    ``UNBOUNDED`` and ``INFEASIBLE`` (greatest factors and moments, limits that no forces obey).

    Examples
    --------
    >>> from momentshare.sharing import Status, share
    >>> answer = share([[0.05, 0.04]], [1000.0, 500.0], [[25.0], [99.0]])
    >>> [Status(code).name for code in answer.status]
    ['SOLVED', 'SHORTFALL']
    """

    SOLVED = 0
    SHORTFALL = 1
    UNCERTIFIED = 2
    INVALID = 3
    UNBOUNDED = 4
    INFEASIBLE = 5

    @property
    def meaning(self) -> str:
        """One sentence: what happened and what to try next."""
        return _MEANINGS[self]


_MEANINGS = {
    Status.SOLVED: "the moment is met with least effort and the certificate holds",
    Status.SHORTFALL: (
        "the moment cannot be met; the answer comes as close as the heads can and `unmet` "
        "says what is missing; greatest_factor gives the largest part that can be met"
    ),
    Status.UNCERTIFIED: (
        "the certificate does not hold to its tolerance; look at `certificate`, then check "
        "the scaling of moment arms and weights or try an exponent nearer to 2"
    ),
    Status.INVALID: "the input of this frame is not finite or negative; its results are NaN",
    Status.UNBOUNDED: "the scaled part asks nothing of the heads, so no factor is too great",
    Status.INFEASIBLE: (
        "no forces obey the inequalities, or no factor meets the balance; share without "
        "inequalities, or of the fixed part, says what is missing"
    ),
}


STATUSES = tuple(member.name.lower() for member in Status)
"""Names of the codes, from zero."""


def status_text(status: IntArray) -> NDArray[np.str_]:
    """Name of every status, lower case, same shape."""
    return np.asarray(np.array(STATUSES)[status])


def of_frames(result: Any, key: Any) -> dict[str, Any]:
    """Arrays of a result in some frames: an index, slice, mask or tuple over the batch axes.

    Raises
    ------
    IndexError
        There is no such frame, or there are more indices than batch axes.
    """
    arrays = {item.name: getattr(result, item.name) for item in fields(result)}
    arrays = {name: x for name, x in arrays.items() if isinstance(x, np.ndarray)}
    axes = getattr(result, "status", next(iter(arrays.values())))  # has the batch axes alone
    axes[key]
    places = _over_batch(key, axes.ndim)
    return {name: x[places] for name, x in arrays.items()}


def _over_batch(key: Any, axes: int) -> tuple[Any, ...]:
    """Write a key over the batch axes for arrays with more, which give views where they can."""
    parts = key if isinstance(key, tuple) else (key,)
    for place, part in enumerate(parts):
        if part is Ellipsis:
            others = (*parts[:place], *parts[place + 1 :])
            used = sum(_axes_taken(other) for other in others)
            whole = (slice(None),) * (axes - used)
            return (*parts[:place], *whole, *parts[place + 1 :], Ellipsis)
    return (*parts, Ellipsis)


def _axes_taken(part: Any) -> int:
    """Count the axes that one part of a key stands for."""
    if part is None:
        return 0
    values = np.asarray(part) if not isinstance(part, slice) else None
    return values.ndim if values is not None and values.dtype == np.bool_ else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate(ReadOnly):
    """Evidence computed from the problem data and the answer alone, one value per frame.

    Attributes
    ----------
    moment_residual : float array, shape (...)
        [N·m]. Where the moment is met: the greatest unmet moment over the rows. In a
        shortfall: a bound on how much closer to the required moment the heads could come.
    bound_violation : float array, shape (...)
        Greatest distance of an activation from the interval 0 to 1, and of an inequality
        from being kept, relative to the size of its terms.
    stationarity : float array, shape (...)
        Greatest distance of a head from the optimality condition, relative. For each head
        the smaller of two measures counts: the mismatch of marginal effort and drive over
        the greatest marginal effort, and the mismatch in activation. The first is
        taken over 1e-5 of the largest term of a drive where that is more: rounding.
    duality_gap : float array, shape (...)
        (effort − dual value) / effort, over 1e-5 of Σ |λ| × (size of the row) where that
        is more; never negative apart from rounding.

    Examples
    --------
    >>> from momentshare.sharing import share
    >>> proof = share([[0.05, 0.04]], [1000.0, 500.0], [25.0]).certificate
    >>> bool(proof.moment_residual < 1e-9), bool(proof.stationarity < 1e-9)
    (True, True)
    """

    moment_residual: FloatArray
    bound_violation: FloatArray
    stationarity: FloatArray
    duality_gap: FloatArray

    __repr__ = brief

    @classmethod
    def of(cls, proof: FloatArray) -> Certificate:
        """Make the certificate of an array whose last axis holds the fields in their order."""
        return cls(**{item.name: proof[..., k] for k, item in enumerate(fields(cls))})


class PerFrame:
    """What answers of frames have in common: words, tables and plain values."""

    __slots__ = ()

    if TYPE_CHECKING:
        activation: FloatArray
        active_force: FloatArray
        force: FloatArray
        unmet: FloatArray
        status: IntArray
        exponent: float
        method: str
        head_names: tuple[str, ...]
        row_names: tuple[str, ...]

        @property
        def frame_index(self) -> pd.Index[Any] | None: ...

    def __repr__(self) -> str:
        counts = {
            Status(int(code)).name.lower(): int(count)
            for code, count in zip(*np.unique(self.status, return_counts=True), strict=True)
        }
        return (
            f"{type(self).__name__}(frames={self.status.shape}, heads={self.activation.shape[-1]}, "
            f"rows={self.unmet.shape[-1]}, exponent={self.exponent:g}, "
            f"method={self.method!r}, status={counts})"
        )

    def frame_labels(self, found: dict[str, Any], key: Any) -> pd.Index[Any] | None:
        """Labels of the frames that a key has ``found``; none where it leaves no frame axis."""
        if self.frame_index is None or found["status"].ndim != 1:
            return None
        return self.frame_index[key[0] if isinstance(key, tuple) else key]

    @property
    def status_text(self) -> NDArray[np.str_]:
        """Status of every frame in words."""
        return status_text(self.status)

    @property
    def certified(self) -> BoolArray:
        """Frames whose certificate holds: solved or shortfall."""
        return np.asarray(self.status <= Status.SHORTFALL)

    def to_dataframe(self) -> pd.DataFrame:
        """One line per frame and head, columns with units in their names.

        The index is that of the moments, or else of the capacities, where these came as a
        DataFrame; columns ``axis 0``, … count the frames where there is none.
        """
        import pandas as pd

        heads = self.activation.shape[-1]
        frames = int(self.status.size)
        names = self.head_names or tuple(f"head {i}" for i in range(heads))
        columns: dict[str, object] = {}
        if self.frame_index is None:
            for axis, place in enumerate(np.indices(self.status.shape)):
                columns[f"axis {axis}"] = np.repeat(place.ravel(), heads)
        columns["head"] = np.tile(np.array(names, dtype=object), frames)
        columns["activation"] = self.activation.ravel()
        columns["active force [N]"] = self.active_force.ravel()
        columns["force [N]"] = self.force.ravel()
        columns["status"] = np.repeat(self.status_text.ravel(), heads)
        index = None if self.frame_index is None else self.frame_index.repeat(heads)
        return pd.DataFrame(columns, index=index)

    def to_dict(self) -> dict[str, Any]:
        """Everything with its unit and the names of its axes, as plain Python values.

        The layout is that which ``xarray.Dataset.from_dict`` reads: ``coords``, ``data_vars``
        with ``dims``, ``data`` and ``attrs["units"]``, and ``attrs``.
        """
        from momentshare.sharing._labelled import labelled

        return labelled(self, STATUSES)

    def to_json(self) -> str:
        """Give the text of `to_dict` in strict JSON; NaN reads null, infinity ``"inf"``."""
        from momentshare.sharing._labelled import labelled_json

        return labelled_json(self.to_dict())


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Sharing(PerFrame, ReadOnly):
    """Joint moments shared among heads, with multipliers, shortfall and certificate.

    Attributes
    ----------
    activation : float array, shape (..., heads)
        Dimensionless, 0 to 1.
    active_force, force : float array, shape (..., heads)
        Active force and active plus passive force along the tendon [N].
    multipliers : float array, shape (..., rows)
        λ, the price of moment in effort per N·m. Where 0 < a < 1,
        ``p w a**(p − 1) = active_capacity * Σ_j λ_j R_ji``: the sum is the drive of the
        head. λ is positive where more moment would cost more effort.
    unmet : float array, shape (..., rows)
        m − R F − C f [N·m]; zero apart from rounding where the moment is met.
    free_values : float array, shape (..., k)
        f, the unknowns behind the free columns, in the unit of N·m per column unit.
    inequality_multipliers : float array, shape (..., facets)
        Price in effort per N of each inequality, at least zero; no facets if there are no
        inequalities. The drive of a head is then ``active_capacity * (Rᵀλ − Gᵀμ)_i``.
    shortfall_prices : float array, shape (..., facets), or None
        ν ≥ 0, how much each inequality adds to a shortfall: with u the unmet moment, every
        row divided by its norm s, no force within the inequalities lies farther along u
        than ``Σ_i max(0, capacity_i (Σ_j R_ji u_j / s_j − Σ_g G_gi ν_g)) + Σ_g ν_g h_g``
        (h less what passive forces take). Zero where the moment is met.
    status : int array, shape (...)
        Codes of :class:`Status`; ``status_text`` spells them.
    certificate : Certificate
        Evidence per frame.
    exponent : float
        p of Σ w aᵖ; infinity is min–max.
    method : str
        Which route computed the answer.
    head_names, row_names : tuple of str
        Labels for tables.
    frame_index : pandas.Index, or None
        Labels of the frames where the moments, or the capacities, came as a DataFrame.

    Examples
    --------
    >>> from momentshare.sharing import share
    >>> answer = share([[0.05, 0.04]], [1000.0, 500.0], [[25.0], [99.0]])
    >>> answer.force.shape, answer.multipliers.shape
    ((2, 2), (2, 1))
    >>> str(answer[1].status_text)  # one frame, or several by slice or mask
    'shortfall'
    >>> answer.unmet.round(6)  # 70 N·m is the most that these heads can hold
    array([[ 0.],
           [29.]])
    """

    activation: FloatArray
    active_force: FloatArray
    force: FloatArray
    multipliers: FloatArray
    unmet: FloatArray
    free_values: FloatArray
    inequality_multipliers: FloatArray
    status: IntArray
    certificate: Certificate
    exponent: float
    method: str
    shortfall_prices: FloatArray | None = None
    head_names: tuple[str, ...] = ()
    row_names: tuple[str, ...] = ()
    frame_index: pd.Index[Any] | None = None

    def __getitem__(self, key: Any) -> Sharing:
        """Answers of some frames: an index, slice, mask or tuple over the batch axes."""
        found = of_frames(self, key)
        proof = Certificate(**of_frames(self.certificate, key))
        return replace(self, **found, certificate=proof, frame_index=self.frame_labels(found, key))


@dataclass(frozen=True, slots=True, kw_only=True)
class RawSharing:
    """Flat result of a backend: every array has the frame axis first."""

    activation: FloatArray
    active: FloatArray  # active force, (frames, heads) [N]
    force: FloatArray  # with the passive one; the same array where there is none
    multipliers: FloatArray
    unmet: FloatArray
    free_values: FloatArray
    held: FloatArray  # multipliers of the inequalities, (frames, facets)
    parted: FloatArray  # prices of the inequalities in unmet moment, (frames, facets)
    status: IntArray
    numbers: FloatArray  # the fields of the certificate in their order, (frames, 4)

    def take(self, frames: NDArray[Any]) -> RawSharing:
        """Return the result of some frames, by index or mask."""
        return RawSharing(**{f.name: getattr(self, f.name)[frames] for f in fields(self)})


def joined(parts: list[RawSharing]) -> RawSharing:
    """Put the results of frames one behind the other."""
    return RawSharing(
        **{
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in RawSharing.__dataclass_fields__
        }
    )


def put(raw: RawSharing, frames: NDArray[np.intp] | slice, part: RawSharing) -> None:
    """Write the results of some frames into their places."""
    for name in RawSharing.__dataclass_fields__:
        getattr(raw, name)[frames] = getattr(part, name)


def replaced(raw: RawSharing, frames: NDArray[np.intp], part: RawSharing) -> RawSharing:
    """Return ``raw`` with the results of some frames taken from ``part``."""
    merged = {}
    for name in RawSharing.__dataclass_fields__:
        merged[name] = getattr(raw, name).copy()
        merged[name][frames] = getattr(part, name)
    return RawSharing(**merged)
