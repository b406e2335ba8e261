"""Net moments about the joints of a linkage, by Newton and Euler.

For each joint, over the bodies b that it carries and the loads that act on them,

    moment = Σ (c_b - joint) × m_b (a_b - g) + I_b α_b + ω_b × I_b ω_b - Σ (p - joint) × F - Σ C,

with F the force and C the couple of a load on the body. A row is the part of it about the row's
axis; it is what the heads have to supply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import InputError, ShapeError, UnknownNameError
from momentshare.geometry.rotation import cross, dot, rotated
from momentshare.results import brief
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from momentshare.linkage.pose import LinkagePoses
    from momentshare.linkage.schema import Linkage

    Floats = NDArray[np.float64]

__all__ = ["EndLoad", "NetMoments", "net_moments"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndLoad:
    """What acts on a linkage from outside at one of its sites.

    Parameters
    ----------
    mass : float
        Mass that is carried at the site [kg]; its weight and its inertia load the limb.
    force : float array, shape (3,) or (frames, 3), or callable, optional
        Force on the limb [N], ground frame. A callable is called with ``time`` (frames,) [s] and
        ``position`` (frames, 3) of the site [m], ground frame, and gives the force (frames, 3);
        time is the number of the frame where no rate is known.
    couple : float array, shape (3,) or (frames, 3), optional
        Couple on the limb [N·m], ground frame.
    site : str
        Name of the site; the end of the linkage where empty.

    Raises
    ------
    InputError
        A negative mass.

    Examples
    --------
    A weight in the hand, and a spring that pulls the hand back to a wall:

    >>> from momentshare import EndLoad
    >>> dumbbell = EndLoad(mass=5.0)
    >>> spring = EndLoad(force=lambda time, position: -200.0 * position)
    >>> dumbbell.mass, spring.force is None
    (5.0, False)
    """

    mass: float = 0.0
    force: ArrayLike | Callable[[Floats, Floats], ArrayLike] | None = None
    couple: ArrayLike | None = None
    site: str = ""

    __repr__ = brief

    def __post_init__(self) -> None:
        if not np.isfinite(self.mass) or self.mass < 0.0:
            raise InputError(f"mass of a load: must be 0 kg or more; got {self.mass!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetMoments:
    """Net moments and forces of a linkage.

    Attributes
    ----------
    moments : float array, shape (frames, rows)
        Net moment about the axis of each row [N·m].
    joint_force : float array, shape (frames, joints, 3)
        Net force on what lies beyond each joint from what lies before it [N], ground frame.
    """

    moments: Floats
    joint_force: Floats


def net_moments(
    linkage: Linkage, poses: LinkagePoses, time: Floats, loads: Sequence[EndLoad]
) -> NetMoments:
    """Compute what the heads have to supply.

    Parameters
    ----------
    linkage : Linkage
    poses : LinkagePoses
    time : float array, shape (frames,)
        Handed on to forces that are functions.
    loads : sequence of EndLoad

    Raises
    ------
    UnknownNameError
        A load acts on a site that there is not.
    ShapeError
        A force or couple of another shape, or not finite where the posture is.
    """
    frames = len(time)
    weight = -GRAVITY * np.array(linkage.up)
    wanted: list[tuple[str, Floats, Floats, Floats]] = []  # body, point, force, couple
    for name, body in linkage.bodies.items():
        centre = np.array([number.value for number in body.centre] if body.centre else np.zeros(3))
        pull = body.mass.value * (poses.point_acceleration(name, centre) - weight)
        couple = np.zeros((frames, 3))
        if body.radii is not None:
            inertia = body.mass.value * np.array([r.value for r in body.radii]) ** 2
            rotation, spin = poses.rotation[name], poses.spin[name]
            tensor = (rotation * inertia) @ np.swapaxes(rotation, -1, -2)
            couple = rotated(tensor, poses.turning[name]) + cross(spin, rotated(tensor, spin))
        wanted.append((name, poses.point(name, centre), pull, couple))
    for load in loads:
        site = _site(linkage, load)
        body_name, place = linkage.sites[site].body, np.array(linkage.sites[site].position)
        point = poses.point(body_name, place)
        pull = load.mass * (poses.point_acceleration(body_name, place) - weight)
        given = load.force(time, point) if callable(load.force) else load.force
        pull = pull - _vectors("force", site, given, frames)
        wanted.append((body_name, point, pull, -_vectors("couple", site, load.couple, frames)))
    moments = np.zeros((frames, len(linkage.rows)))
    across = np.zeros((frames, len(linkage.joints), 3))
    for j, joint in enumerate(linkage.joints):
        beyond, centre = linkage.beyond(joint), poses.origin[joint.body]
        total = np.zeros((frames, 3))
        for name, point, pull, couple in wanted:
            if name in beyond:
                total += cross(point - centre, pull) + couple
                across[:, j] += pull
        for k in linkage.joint_rows(joint.name):
            moments[:, k] = dot(poses.axes[:, k], total)
    return NetMoments(moments=moments, joint_force=across)


def _site(linkage: Linkage, load: EndLoad) -> str:
    site = load.site or linkage.end
    if not site:
        raise InputError(
            f"load: linkage {linkage.name!r} has no end; name the site on which the load acts"
        )
    if site not in linkage.sites:
        raise UnknownNameError("site", site, linkage.sites, "load")
    return site


def _vectors(what: str, site: str, given: ArrayLike | None, frames: int) -> Floats:
    """Vectors of every frame; zero where none are given."""
    if given is None:
        return np.zeros((frames, 3))
    values = numbers(f"{what} at {site!r}", given)
    if values.shape not in {(3,), (frames, 3)}:
        raise ShapeError(
            f"{what} at {site!r}", f"shape (3,) or ({frames}, 3)", f"shape {values.shape}",
            "give x, y and z along the last axis, once or for each frame",
        )  # fmt: skip
    if np.isinf(values).any():
        wanted, advice = "finite numbers, or NaN where unknown", "write NaN for such frames"
        raise ShapeError(f"{what} at {site!r}", wanted, "infinity", advice)
    return np.broadcast_to(values, (frames, 3))
