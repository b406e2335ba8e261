"""What the girdle transmits to the trunk: force, and moment about the sternoclavicular joint.

Clavicle and scapula are taken as one massless body that moves slowly. In the model it is acted on
by:

- the humeral head on the glenoid, the opposite of the contact force;
- the heads that originate on clavicle or scapula, each where its path leaves them; where the
  deltoid rests on the humeral head, the head takes the force, at the joint centre;
- the heads that originate on the trunk and only press on the girdle (the upper latissimus at the
  border of the scapula): the resultant of both spans there.

Their sum is transmitted to the trunk by the ligaments of the sternoclavicular joint, the scapula on
the ribs, and the muscles between trunk and girdle, which the model does not have (trapezius,
serratus anterior, rhomboids, levator scapulae, pectoralis minor, subclavius) and therefore cannot
tell apart. Heads that run from the trunk to the humerus (pectoralis but for its clavicular part,
latissimus) pull on the trunk directly and do not count. The weight and inertia of the girdle
itself, and the pull of the neck's muscles on it, are left out.

The force has no single point of application, so it is given with its moment about the
sternoclavicular joint, which muscles and ribs have to resist: since a ball joint transmits no
moment, they must supply the opposite one. Components are along the axes of the thorax (Wu et al.
2005: x forward, y up, z to the right, of a right arm): a moment about +x lowers the clavicle, about
+y protracts it, about +z turns it backward about its own axis when it points to the side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, norm
from momentshare.girdle import girdle_pose
from momentshare.paths.tracing import trace_line
from momentshare.results import ReadOnly, brief
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.analysis.solve import LiftResult, Prepared

__all__ = ["GirdleLoad", "GirdlePull", "girdle_load", "girdle_pull"]

TRUNK = "thorax"
"""Body that supports the girdle."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GirdleLoad(ReadOnly):
    """Load of the girdle on the trunk in every frame; thorax axes of a right arm.

    Attributes
    ----------
    force : float array, shape (frames, 3)
        Of the girdle on the trunk [N]; the trunk holds the girdle with the opposite.
    moment : float array, shape (frames, 3)
        The same forces' moment about the sternoclavicular joint [N·m].
    """

    force: NDArray[np.float64]
    moment: NDArray[np.float64]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GirdlePull(ReadOnly):
    """Effect of every head on the girdle for a pull of 1 N, thorax axes.

    Attributes
    ----------
    force : float array, shape (frames, heads, 3)
    moment : float array, shape (frames, heads, 3)
        About the sternoclavicular joint [m].
    lever : float array, shape (frames, 3)
        From that joint to the glenohumeral centre [m].
    """

    force: NDArray[np.float64]
    moment: NDArray[np.float64]
    lever: NDArray[np.float64]

    __repr__ = brief


def girdle_pull(prepared: Prepared) -> GirdlePull:
    """Pull of every head on the girdle of a prepared lift of one limb.

    A path pulls on everything it touches with forces that balance each other, so what does not act
    on arm or trunk acts on the girdle.
    """
    limb, lift, found = prepared.limb, prepared.lift, prepared.paths
    skeleton = limb.skeleton
    root = skeleton.girdle.root
    lever = girdle_pose(skeleton.girdle, lift.posture).joint - root
    arm = found.line_of_action
    force = -arm
    moment = -(found.shoulder_moment + cross(lever[:, None, :], arm))
    poses = body_poses(skeleton, lift.posture)
    for index, head in enumerate(limb.model.heads):
        for line in head.lines:
            if all(_body(prepared, step.name, step.is_surface) != TRUNK for step in line):
                continue
            run = trace_line(skeleton, poses, line, lift.posture.shape)
            for k in range(len(run.points) - 1):
                on_trunk = (run.bodies[k] == TRUNK, run.bodies[k + 1] == TRUNK)
                if on_trunk[0] == on_trunk[1]:
                    continue
                span = run.points[k + 1] - run.points[k]
                pull = (span if on_trunk[0] else -span) / norm(span)[..., None]
                pull = pull / len(head.lines)
                force[:, index] -= pull
                moment[:, index] -= cross(run.points[k] - root, pull)
    return GirdlePull(force=force, moment=moment, lever=lever)


def girdle_load(result: LiftResult, pull: GirdlePull | None = None) -> GirdleLoad:
    """Load that the girdle transmits to the trunk.

    Parameters
    ----------
    result : LiftResult
        Of one limb.
    pull : GirdlePull, optional
        Of :func:`girdle_pull`, which several answers of one lift share.

    Returns
    -------
    GirdleLoad
        NaN out of reach, and where the moments of the lift are given without forces.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, girdle_load, load_model, prepare,
    ...     solve_lift,
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> ready = prepare(limb, press.lift(limb.skeleton))
    >>> load = girdle_load(solve_lift(ready, Lateral(mode="zero")))
    >>> load.force.shape, load.moment.shape
    ((5, 3), (5, 3))
    """
    acts = girdle_pull(result.prepared) if pull is None else pull
    head = -result.contact
    force = head + np.einsum("fh,fhk->fk", result.force, acts.force)
    moment = cross(acts.lever, head) + np.einsum("fh,fhk->fk", result.force, acts.moment)
    return GirdleLoad(force=force, moment=moment)


def _body(prepared: Prepared, name: str, is_surface: bool) -> str:
    model = prepared.limb.model
    return model.surfaces[name].body if is_surface else model.sites[name].body
