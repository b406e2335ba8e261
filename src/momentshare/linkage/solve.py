"""From joint angles to the load on each head of a linkage, in one call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.balance import Balance, Criterion
from momentshare.errors import InputError, ShapeError, UnknownNameError, require_kind
from momentshare.geometry.radians import require_radians
from momentshare.linkage.dynamics import EndLoad, net_moments
from momentshare.linkage.fibres import Fibres, linkage_fibres
from momentshare.linkage.lines import linkage_paths
from momentshare.linkage.pose import place_bodies
from momentshare.linkage.result import LinkageResult
from momentshare.linkage.schema import Linkage
from momentshare.signals import derivative, second_derivative

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from momentshare.linkage.lines import LinkagePaths
    from momentshare.muscle.curves import CurveName

    Floats = NDArray[np.float64]

__all__ = ["linkage_moment_arms", "shared_again", "solve_linkage"]


def solve_linkage(
    linkage: Linkage,
    angles: Mapping[str, ArrayLike],
    *,
    rate: float | None = None,
    loads: EndLoad | Sequence[EndLoad] = (),
    moments: Mapping[str, ArrayLike] | None = None,
    criterion: Criterion | None = None,
    curves: CurveName = "degroote2016",
) -> LinkageResult:
    """Share the net joint moments of a linkage among its heads.

    Parameters
    ----------
    linkage : Linkage
    angles : mapping
        Row → angle [rad], shape () or (frames,); rows left out stay at zero. A frame with NaN has
        no posture, and its answer is NaN.
    rate : float, optional
        Frames a second [Hz]. Velocities and accelerations then follow from the angles by central
        differences, so filter measured ones first (``momentshare.signals.low_pass``); four frames
        or more. Without a rate each frame is held still.
    loads : EndLoad or sequence of EndLoad
        What acts from outside besides the weight of the bodies.
    moments : mapping, optional
        Row → net moment [N·m], shape () or (frames,), positive like the row, in place of those
        that bodies and loads ask for; rows left out are zero.
    criterion : Criterion, optional
        Σ w a² by default, w the greatest isometric force of the head.
    curves : str
        ``"degroote2016"`` or ``"thelen2003"``.

    Returns
    -------
    LinkageResult
        Activation and force of every head, moments, multipliers and unmet moments of every row;
        ``head_table()`` and ``row_table()`` give tables.

    Raises
    ------
    UnknownNameError
        A row, site or set of curves that there is not.
    ShapeError
        Arrays of unlike length, infinite values, or angles in degrees where radians are meant.
    InputError
        An angle beyond the table of a head, loads besides given moments, a criterion that does
        not fit, or a head without volume where volumes count.

    Examples
    --------
    A forearm held level with 5 kg in the hand:

    >>> import numpy as np
    >>> from momentshare import EndLoad, load_linkage, solve_linkage
    >>> arm = load_linkage("textbook_arm")
    >>> held = solve_linkage(arm, {"elbow_flexion": np.pi / 2}, loads=EndLoad(mass=5.0))
    >>> float(held.moments[0, 1].round(1))  # N·m of elbow flexion
    20.6
    >>> table = held.head_table()
    >>> list(table.columns[:4]), len(table)
    (['frame', 'time_s', 'head', 'activation'], 8)
    >>> str(held.sharing.status_text[0])
    'solved'
    """
    chosen = _criterion(criterion)
    angle = row_array(linkage, angles, "angles", rate=rate)
    frames = len(angle)
    for k, row in enumerate(linkage.row_names):
        require_radians(f"angles[{row!r}]", angle[:, k])
    posed: NDArray[np.bool_] = np.asarray(np.isfinite(angle).all(axis=1))
    rates = changes = None
    if rate is not None:
        rates, changes = derivative(angle, rate), second_derivative(angle, rate)
        posed = np.asarray(posed & np.isfinite(rates + changes).all(axis=1))
    time = np.arange(frames) / (1.0 if rate is None else rate)
    poses = place_bodies(linkage, *_at_rest(posed, angle, rates, changes))
    found = linkage_paths(linkage, poses, *_at_rest(posed, angle, rates))
    fibres = linkage_fibres(linkage, angle, found, moving=rate is not None, curves=curves)
    if moments is None:
        acting = _acting(loads)
        need = net_moments(linkage, poses, time, acting)
        net, across = need.moments, need.joint_force
    else:
        if isinstance(loads, EndLoad) or len(loads):
            raise InputError("loads: net moments are given, so loads would not count; drop one")
        net = row_array(linkage, moments, "moments", frames=frames)
        across = np.full((frames, len(linkage.joints), 3), np.nan)
    posed = np.asarray(posed & np.isfinite(net).all(axis=1))
    balance = _balance(linkage, found, fibres, net, posed, chosen)
    lost = ~posed
    net, across = (np.where(_like(lost, a), np.nan, a) for a in (net, across))
    return LinkageResult(
        linkage=linkage,
        curves=curves,
        time=None if rate is None else time,
        angles=angle,
        poses=poses,
        paths=found,
        fibres=fibres,
        moments=net,
        joint_force=across,
        posed=posed,
        sharing=balance.share(chosen),
    )


def shared_again(result: LinkageResult, criterion: Criterion) -> LinkageResult:
    """Share the same moments among the same heads by another criterion.

    Raises
    ------
    InputError
        As :func:`solve_linkage` does of a criterion.
    """
    chosen = _criterion(criterion)
    balance = _balance(
        result.linkage, result.paths, result.fibres, result.moments, result.posed, chosen
    )
    return replace(result, sharing=balance.share(chosen))


def linkage_moment_arms(linkage: Linkage, angles: Mapping[str, ArrayLike]) -> Floats:
    """Moment arms of every head about every row.

    Parameters
    ----------
    linkage : Linkage
    angles : mapping
        Row → angle [rad], shape () or (frames,); rows left out stay at zero.

    Returns
    -------
    float array, shape (frames, rows, heads)
        [m], positive where the head turns in the positive sense of the row; at hinges and pairs
        −∂(path length)/∂(angle).

    Raises
    ------
    UnknownNameError, ShapeError, InputError
        As :func:`momentshare.solve_linkage`.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare import linkage_moment_arms, load_linkage
    >>> arm = load_linkage("textbook_arm")
    >>> arms = linkage_moment_arms(arm, {"elbow_flexion": np.radians([30.0, 90.0])})
    >>> arms.shape
    (2, 2, 8)
    >>> k = arm.head_names.index("brachialis")
    >>> arms[:, 1, k].round(4)  # about the elbow [m]
    array([0.0118, 0.0287])
    """
    angle = row_array(linkage, angles, "angles")
    return linkage_paths(linkage, place_bodies(linkage, angle), angle).moment_arms


def row_array(
    linkage: Linkage,
    given: Mapping[str, ArrayLike],
    what: str,
    *,
    frames: int | None = None,
    rate: float | None = None,
) -> Floats:
    """Put values by row into one array (frames, rows); rows left out are zero."""
    require_kind("linkage", linkage, Linkage, "load_linkage reads one")
    require_kind(what, given, Mapping, f"such as {{{linkage.row_names[0]!r}: 0.5}}")
    values: dict[str, Floats] = {}
    for name, value in given.items():
        if name not in linkage.row_names:
            raise UnknownNameError("row", name, linkage.row_names, what)
        array = numbers(f"{what}[{name!r}]", value)
        if array.ndim > 1:
            raise ShapeError(
                f"{what}[{name!r}]", "shape () or (frames,)", f"shape {array.shape}",
                "give one value for all frames, or one for each",
            )  # fmt: skip
        if np.isinf(array).any():
            raise ShapeError(
                f"{what}[{name!r}]", "finite numbers, or NaN where unknown", "infinity",
                "write NaN for such frames",
            )  # fmt: skip
        values[name] = array
    counts = {name: len(array) for name, array in values.items() if array.ndim}
    if frames is not None:
        counts = {"the frames": frames} | counts
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{name} {count}" for name, count in counts.items())
        raise ShapeError(
            what, "the same number of values in every row", told,
            "sample them at the same instants, or give one value where a row stays",
        )  # fmt: skip
    count = next(iter(counts.values()), 1)
    if count == 0:
        raise ShapeError(what, "at least one frame long", "no frame", "give at least one value")
    if rate is not None and count < 4:
        raise ShapeError(what, "at least four frames long with a rate", f"{count}", "drop the rate")
    out = np.zeros((count, len(linkage.rows)))
    for name, array in values.items():
        out[:, linkage.row_names.index(name)] = array
    return out


def _acting(loads: EndLoad | Sequence[EndLoad]) -> tuple[EndLoad, ...]:
    if isinstance(loads, EndLoad):
        return (loads,)
    require_kind("loads", loads, Sequence, "give EndLoad(mass=5.0), or several in a list")
    for load in loads:
        require_kind("loads", load, EndLoad, "such as EndLoad(mass=5.0)")
    return tuple(loads)


def _criterion(criterion: Criterion | None) -> Criterion:
    chosen = Criterion() if criterion is None else criterion
    require_kind("criterion", chosen, Criterion, "such as Criterion(weights='area')")
    if chosen.balance_forearm:
        raise InputError(
            "criterion: balance_forearm belongs to the reference limb; rows.csv says which rows "
            "of a linkage are balanced"
        )
    return chosen


def _at_rest(posed: NDArray[np.bool_], *arrays: Floats | None) -> tuple[Floats, ...]:
    """Put zeros where there is no posture, so that geometry has something to stand on."""
    return tuple(
        np.where(posed[:, None], array, 0.0) if array is not None else np.zeros(1)
        for array in arrays
        if array is not None
    )


def _like(lost: NDArray[np.bool_], array: Floats) -> NDArray[np.bool_]:
    return lost.reshape(-1, *[1] * (array.ndim - 1))


def _balance(
    linkage: Linkage,
    found: LinkagePaths,
    fibres: Fibres,
    net: Floats,
    posed: NDArray[np.bool_],
    criterion: Criterion,
) -> Balance:
    rows = [k for k, balanced in enumerate(linkage.balanced) if balanced]
    balance = Balance.of_moments(
        found.moment_arms[:, rows],
        fibres.capacity,
        net[:, rows],
        passive_force=fibres.passive,
        head_names=linkage.head_names,
        row_names=tuple(linkage.row_names[k] for k in rows),
    )
    balance = replace(balance, posed=posed)
    if criterion.by_size == "volume":
        return replace(balance, volume_weights=_over_mean(linkage, "volume", fibres.volume))
    if criterion.by_size == "area":
        return replace(balance, area_weights=_over_mean(linkage, "area", fibres.greatest))
    return balance


def _over_mean(linkage: Linkage, what: str, sizes: Floats) -> Floats:
    """Sizes of the heads over their mean."""
    lacking = [n for n, v in zip(linkage.head_names, sizes, strict=True) if not v > 0.0]
    if lacking:
        raise InputError(
            f"criterion: weights by {what}, and head {lacking[0]!r} has none; add volume, or "
            "greatest_isometric_force and peak_fibre_length, to heads.csv, or take "
            "Criterion(weights='none')"
        )
    return np.asarray(sizes / np.mean(sizes))
