"""Outlines of trunk, bones, hand and implement, as points in the thorax frame.

The limb model knows joints, sites and surfaces, not the shape of bones. The shapes here only
illustrate a drawing and enter no number: they pass through the joints of the posture and are scaled
to the person. Sizes are those of an adult man of the model's reference stature, chosen by eye.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.profile import curves_through

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.report.figures.arm.geometry import ArmScene, View

    Floats = NDArray[np.float64]

__all__ = [
    "bench",
    "clavicle",
    "fist",
    "handle",
    "head_and_neck",
    "hull",
    "limb_bone",
    "scapula",
    "spine_of_scapula",
    "thorax",
]

_RINGS = (
    # up [m], half breadth over biacromial breadth, back and front as parts of back → chest surface
    (0.03, 0.11, 0.20, 0.52),
    (-0.01, 0.22, 0.08, 0.62),
    (-0.07, 0.31, 0.02, 0.82),
    (-0.16, 0.35, 0.00, 1.00),
    (-0.26, 0.34, 0.03, 0.97),
    (-0.36, 0.31, 0.08, 0.86),
)
"""Cross-sections of the trunk from the root of the neck to the waist."""

_SCAPULA = np.array(
    [
        [0.002, 0.022, -0.024],
        [0.010, 0.027, -0.036],
        [-0.010, 0.044, -0.098],
        [-0.022, 0.002, -0.112],
        [-0.015, -0.115, -0.088],
        [-0.004, -0.085, -0.070],
        [0.000, -0.021, -0.024],
    ]
)
"""Glenoid, upper border, medial border, lower angle and lateral border; scapula frame [m]."""

_SPINE = np.array(
    [[-0.022, 0.002, -0.112], [-0.038, 0.010, -0.040], [-0.034, 0.034, 0.002], [0.0, 0.040, 0.006]]
)
"""From the medial border along the spine to the tip of the acromion; scapula frame [m]."""

_TURN = np.linspace(0.0, 2.0 * np.pi, 33)[:-1]


def hull(points: Floats) -> Floats:
    """Corners of the outline of projected points, shape (n, 2), anticlockwise."""
    found: list[tuple[float, float]] = []
    rising = sorted({(float(x), float(y)) for x, y in points.tolist()})
    for order in (rising, rising[::-1]):  # below from left to right, then above
        chain: list[tuple[float, float]] = []
        for x, y in order:
            while len(chain) > 1:
                (a, b), (c, d) = chain[-2:]
                if (c - a) * (y - b) > (d - b) * (x - a):  # a turn to the left
                    break
                chain.pop()
            chain.append((x, y))
        found += chain[:-1]
    return np.array(found)


def _back_and_front(scene: ArmScene) -> tuple[float, float]:
    """Forward place of the back and of the chest surface, on which a bar comes to rest [m]."""
    skeleton = scene.skeleton
    height = float(skeleton.chest_height) - skeleton.model.number("bar_radius")
    front = float(skeleton.joint_centre[0]) + height
    return front - skeleton.sizes.chest_depth, front


def thorax(scene: ArmScene) -> Floats:
    """Points on the trunk, shape (n, 3)."""
    back, front = _back_and_front(scene)
    breadth = scene.skeleton.sizes.biacromial_breadth
    given = np.array(_RINGS)[::-1]
    levels = np.linspace(given[0, 0], given[-1, 0], 25)
    rings = []
    for up, half, low, high in zip(
        levels, *curves_through(given[:, 0], given[:, 1:].T, levels), strict=True
    ):
        middle = back + 0.5 * (low + high) * (front - back)
        deep = 0.5 * (high - low) * (front - back)
        ring = np.stack(
            [
                middle + deep * np.cos(_TURN),
                np.full_like(_TURN, scene.bone * up),
                half * breadth * np.sin(_TURN),
            ],
            axis=-1,
        )
        rings.append(ring)
    return np.concatenate(rings)


def head_and_neck(scene: ArmScene) -> tuple[Floats, Floats]:
    """Points on head and neck, each of shape (n, 3)."""
    back, _ = _back_and_front(scene)
    size, lift = scene.bone, -np.cos(np.linspace(0.0, np.pi, 21))
    wide = np.sqrt(1.0 - lift**2)
    radii = size * np.array([0.095, 0.118, 0.076])
    centre = np.array([back + radii[0] + 0.012 * size, 0.205 * size, 0.0])
    head = np.concatenate(
        [
            centre
            + radii
            * np.stack([w * np.cos(_TURN), np.full_like(_TURN, h), w * np.sin(_TURN)], axis=-1)
            for h, w in zip(lift, wide, strict=True)
        ]
    )
    low = np.array([back + 0.085 * size, 0.0, 0.0])
    high = np.array([centre[0], 0.13 * size, 0.0])
    ring = 0.056 * size * np.stack([np.cos(_TURN), np.zeros_like(_TURN), np.sin(_TURN)], axis=-1)
    return head, np.concatenate([low + ring, high + 0.95 * ring])


def bench(scene: ArmScene) -> Floats | None:
    """Corners of the pad under the back; None where the trunk does not lie."""
    if scene.support == "ground" or scene.up[0] < 0.15:
        return None
    back, _ = _back_and_front(scene)
    size = scene.bone
    box = np.array(np.meshgrid([back - 0.055, back], [-0.38, 0.30], [-0.14, 0.14])).reshape(3, -1)
    return np.asarray(box.T * np.array([1.0, size, size]))


def clavicle(scene: ArmScene) -> Floats:
    """Sternoclavicular to acromioclavicular joint, shape (2, 3)."""
    number = scene.skeleton.model.number
    corner = scene.bone * np.array([number(f"acromioclavicular_joint_{a}") for a in "xyz"])
    return np.stack([scene.poses.origin["clavicle"], scene.poses.point("scapula", corner)])


def scapula(scene: ArmScene) -> Floats:
    """Outline of the blade, shape (n, 3)."""
    return _on(scene, _SCAPULA)


def spine_of_scapula(scene: ArmScene) -> Floats:
    """Line along spine and acromion, shape (n, 3)."""
    return _on(scene, _SPINE)


def _on(scene: ArmScene, points: Floats) -> Floats:
    return np.stack([scene.poses.point("scapula", scene.bone * point) for point in points])


def limb_bone(ends: Floats, near: float, middle: float, far: float) -> Floats:
    """Outline of a long bone between two points of the page, (2, 2), as a shape (n, 2).

    ``near``, ``middle`` and ``far`` are half thicknesses [m] at the ends and along the shaft; a
    bone that points at the viewer shrinks to its thicker end.
    """
    start, end = ends
    span = end - start
    length = float(np.hypot(*span))
    along = span / length if length > 0.0 else np.array([0.0, -1.0])
    across = np.array([-along[1], along[0]])
    flare = min(0.16 * length, 0.05)
    stations = [0.0, flare, length - flare, length]
    halves = [near, middle, middle, far]
    left = [start + s * along + h * across for s, h in zip(stations, halves, strict=True)]
    right = [start + s * along - h * across for s, h in zip(stations, halves, strict=True)]
    return np.array([*left, *right[::-1]])


def fist(scene: ArmScene, view: View) -> Floats:
    """Outline of the closed hand round the grip, shape (n, 2)."""
    circle = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=-1)
    wrist, hand = (view.flat(scene.joints[name]) for name in ("wrist", "hand"))
    size = scene.bone
    return hull(np.concatenate([wrist + 0.021 * size * circle, hand + 0.040 * size * circle]))


def handle(scene: ArmScene) -> Floats:
    """Return the ends of bar, dumbbell or handle of a cable, shape (2, 3)."""
    hand = scene.joints["hand"]
    if scene.support == "bar":
        beyond = scene.outward * 0.20
        across = hand - (hand[2] + 0.22) / max(float(scene.outward[2]), 0.2) * scene.outward
        return np.stack([across, hand + beyond])
    grip = scene.poses.rotation["radius"][:, 2]
    half = 0.13 if scene.support == "dumbbell" else 0.05
    return np.stack([hand - half * grip, hand + half * grip])
