"""Points that a page draws: paths of the heads, shoulder girdle, trunk and bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import Lateral
from momentshare.explore.grid import HEIGHTS
from momentshare.paths.course import path_points
from momentshare.report.figures.arm import outline
from momentshare.report.figures.arm.geometry import arm_scene, views
from momentshare.skeleton import body_poses

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.explore.grid import Press
    from momentshare.limb import Limb
    from momentshare.report.figures.arm.geometry import ArmScene

    Floats = NDArray[np.float64]

__all__ = ["CLOSE", "drawn_points", "trunk_outlines"]

CLOSE = 0.0015
"""Distance by which a drawn path may miss the model's [m]: half the width of a thin line."""


def drawn_points(
    limbs: Limb, presses: Sequence[Press]
) -> tuple[dict[str, Floats], tuple[int, ...]]:
    """Points of every press at every height.

    Returns
    -------
    arrays : dict
        ``paths`` (presses, heights, points, 3) the middle line of every head in a row, ``joints``
        shoulder, elbow, wrist, hand, ``girdle`` clavicle (2 points), outline of the scapula, and
        its spine [m].
    sizes : tuple of int
        Points of each head in ``paths``.
    """
    paths: dict[str, list[Floats]] = {}
    joints, girdle = [], []
    bones: dict[int, Floats] = {}
    for press in presses:
        lift = press.lift
        assert lift is not None  # noqa: S101 - the caller has looked
        skeleton = limbs.skeleton.take(press.person)
        for head, lines in path_points(skeleton, lift.posture).items():
            paths.setdefault(head, []).append(lines[len(lines) // 2])
        along = float(skeleton.forearm_length / skeleton.grip_length)
        wrist = lift.elbow + along * (lift.hand - lift.elbow)
        joints.append(np.stack([lift.shoulder, lift.elbow, wrist, lift.hand], axis=1))
        if press.person not in bones:
            bones[press.person] = _bones_of_the_girdle(_scene(limbs, press))
        girdle.append(_girdle(limbs, press, bones[press.person]))
    kept = {head: _few(np.stack(points)) for head, points in paths.items()}
    return {
        "paths": np.concatenate([kept[head] for head in limbs.head_names], axis=2),
        "joints": np.stack(joints),
        "girdle": np.stack(girdle),
    }, tuple(kept[head].shape[2] for head in limbs.head_names)


def _few(points: Floats) -> Floats:
    """Drop points that the drawing does not need, (.., n, 3)."""
    sample = points.reshape(-1, *points.shape[2:])
    sample = sample[:: max(1, len(sample) // 300)]
    keep = list(range(sample.shape[1]))
    while len(keep) > 2:
        misses = [_miss(sample, keep, place) for place in range(1, len(keep) - 1)]
        best = int(np.argmin(misses))
        if misses[best] > CLOSE:
            break
        del keep[best + 1]
    return np.asarray(points[:, :, keep])


def _miss(sample: Floats, keep: list[int], place: int) -> float:
    """Greatest distance of the points between two kept ones from the span that would be drawn."""
    low, high = keep[place - 1], keep[place + 1]
    start, span = sample[:, low], sample[:, high] - sample[:, low]
    square = np.maximum(np.einsum("fk,fk->f", span, span), 1e-12)
    inner = sample[:, low + 1 : high] - start[:, None]
    share = np.clip(np.einsum("fpk,fk->fp", inner, span) / square[:, None], 0.0, 1.0)
    return float(np.linalg.norm(inner - share[..., None] * span[:, None], axis=-1).max())


def _scene(limbs: Limb, press: Press) -> ArmScene:
    """Scene of the first height within reach."""
    assert press.lift is not None  # noqa: S101 - the caller has looked
    prepared = prepare(limbs.take(press.person), press.lift)
    result = solve_lift(prepared, Lateral(mode="zero"), greatest_load=False)
    return arm_scene(result, int(np.argmax(press.lift.reachable)))


def _girdle(limbs: Limb, press: Press, bones: Floats) -> Floats:
    """Clavicle, scapula and its spine at every height, (heights, points, 3)."""
    lift = press.lift
    assert lift is not None  # noqa: S101 - the caller has looked
    poses = body_poses(limbs.skeleton.take(press.person), lift.posture)
    points = [poses.origin["clavicle"], *(poses.point("scapula", bone) for bone in bones)]
    return np.stack([np.broadcast_to(point, (HEIGHTS, 3)) for point in points], axis=1)


def _bones_of_the_girdle(scene: ArmScene) -> Floats:
    """Far end of the clavicle, outline and spine of the scapula in the scapula's frame."""
    points = np.concatenate(
        [outline.clavicle(scene)[1:], outline.scapula(scene), outline.spine_of_scapula(scene)]
    )
    origin, rotation = scene.poses.origin["scapula"], scene.poses.rotation["scapula"]
    return np.asarray((points - origin) @ rotation)


def trunk_outlines(limbs: Limb, press: Press) -> dict[str, dict[str, list[list[float]]]]:
    """Outlines of trunk, head, neck and bench in the two views, on the page [m].

    Returns
    -------
    dict
        View → part → corners; x to the right and y up, the origin that of the thorax frame.
    """
    scene = _scene(limbs, press)
    head, neck = outline.head_and_neck(scene)
    parts = {"trunk": outline.thorax(scene), "neck": neck, "head": head}
    pad = outline.bench(scene)
    if pad is not None:
        parts = {"bench": pad, **parts}
    return {
        view.name: {
            name: np.round(outline.hull(view.flat(points)), 4).tolist()
            for name, points in parts.items()
        }
        for view in views(scene)
    }
