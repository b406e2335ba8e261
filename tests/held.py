"""A girdle held where it is in a posture, as moment arms of the balance mean it."""

from dataclasses import fields, is_dataclass, replace

import numpy as np

from momentshare.geometry.rotation import yxz_from_rotation
from momentshare.girdle import Girdle, girdle_pose
from momentshare.skeleton import Skeleton

SIGNS = np.array([1.0, -1.0, 1.0, 1.0, -1.0, 1.0])
"""From the girdle's angles to turns about y, x and z."""


def held_at(skeleton, posture):
    """Limbs of one skeleton, one for each posture of a batch (n,), with the girdle held there.

    Trace them with ``limb=np.arange(n)``.
    """
    count = len(posture.elbow_flexion)
    pose = girdle_pose(skeleton.girdle, posture)

    def each(value):
        if isinstance(value, np.ndarray) or np.isscalar(value):
            return np.broadcast_to(value, (count, *np.shape(value))).copy()
        if isinstance(value, dict):
            return {name: each(item) for name, item in value.items()}
        if is_dataclass(value):
            return replace(value, **{f.name: each(getattr(value, f.name)) for f in fields(value)})
        return value

    alike = {"people", "people_sizes", "model", "scapula_policy", "shape"}
    changes = {
        f.name: each(getattr(skeleton, f.name)) for f in fields(Skeleton) if f.name not in alike
    }
    return replace(
        skeleton,
        **(changes | {"girdle": still_girdle(skeleton, pose, count)}),
        people=skeleton.people * count,
        people_sizes=skeleton.people_sizes * count,
        shape=(count,),
    )


def still_girdle(skeleton, pose, count):
    """Girdle of several limbs that stands in the poses given, whatever the arm does."""
    turns = [yxz_from_rotation(np.asarray(r)) for r in (pose.clavicle, pose.scapula)]
    angles = np.concatenate([np.stack(t, axis=-1) for t in turns], axis=-1) * SIGNS
    own = skeleton.girdle
    return Girdle(
        root=np.broadcast_to(own.root, (count, 3)),
        length=np.broadcast_to(own.length, (count,)),
        corner=np.broadcast_to(own.corner, (count, 3)),
        hanging=np.broadcast_to(angles, (count, 6)),
        rise=np.zeros((count, 6)),
        reach=np.zeros((count, 6)),
        follow=np.zeros((count, 2, 6)),
        setting=np.broadcast_to(own.setting, (count,)),
    )
