"""An invented laboratory at a bench, with a body and mechanics of its own.

Nothing here uses the library's skeleton, chain or inverse dynamics: another trunk, other segment
numbers (Dempster's, by way of Winter's textbook, from memory), a girdle that moves, two rods and a
point mass, and moments straight from d'Alembert in the room. What is seen of it is what a bench
leaves to see: sternum, acromia, epicondyles, styloids, a knuckle and the ends of the bar, each on
skin that slides, with gaps. All lengths and spreads are invented, in the range of grown people.

World axes as in :mod:`momentshare.trial.recording`: x to the feet, y up, z to the person's right.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from momentshare.trial.recording import Channel, Recording

G = 9.80665
GRIPS = {"narrow": 1.15, "medium": 1.40, "wide": 1.70, "widest": 1.95}
"""Spacing of the middle fingers over the breadth between the acromia."""

RATIOS = {"narrow": -0.06, "medium": 0.04, "wide": 0.12, "widest": 0.16}
"""Outward push over vertical force."""

SKIN = 0.005
"""Root mean square distance of a landmark on the skin from its bone [m]."""

RATE, FORCE_RATE = 100.0, 500.0


@dataclass(frozen=True)
class Lifter:
    """One invented person; lengths in metres, angles in radians.

    ``arch`` lowers the head end of the trunk in every lift, beside what differs from set to set.
    """

    name: str
    sex: str
    stature: float
    mass: float
    load: float
    upper: float
    fore: float
    grip: float
    half_breadth: float
    sternum: float
    sternum_angle: float
    joint: np.ndarray = field(repr=False)
    left: bool = False
    zero_n: float = 0.0
    arch: float = 0.0


def lifters(count, seed=0):
    """Draw people; the joint centre lies below the acromion by ``joint``, thorax axes."""
    rng = np.random.default_rng(seed)
    people = []
    for k in range(count):
        male = k % 3 != 2
        stature = (1.77 if male else 1.65) + 0.06 * rng.standard_normal()
        mass = (24.5 + 1.5 * rng.standard_normal()) * stature**2
        people.append(
            Lifter(
                name=f"P{k + 1:02d}",
                sex="male" if male else "female",
                stature=round(stature, 3),
                mass=round(mass, 1),
                load=round(((1.10 if male else 0.65) + 0.12 * rng.standard_normal()) * mass, 1),
                upper=0.162 * stature + 0.006 * rng.standard_normal(),
                fore=0.157 * stature + 0.005 * rng.standard_normal(),
                grip=0.062 + 0.003 * rng.standard_normal(),
                half_breadth=(0.117 if male else 0.112) * stature + 0.006 * rng.standard_normal(),
                sternum=0.096 * stature + 0.006 * rng.standard_normal(),
                sternum_angle=np.radians(15.0 + 4.0 * rng.standard_normal()),
                joint=np.array([-0.004, -0.043, -0.004]) + 0.005 * rng.standard_normal(3),
                left=k % 6 == 4,
            )
        )
    return people


@dataclass(frozen=True)
class Pressed:
    """The truth of one trial; arrays over samples at ``RATE``."""

    lifter: Lifter
    condition: str
    time: np.ndarray
    points: dict
    force: np.ndarray
    moments: np.ndarray
    ratio: np.ndarray
    trunk: np.ndarray
    marks: np.ndarray


def press(lifter, condition, seed, repetitions=3):
    """Carry out a set: down, pause, up with a sticking region, rest."""
    rng = np.random.default_rng([seed, 1])
    time, share, marks = _tempo(rng, repetitions)
    pitch = np.radians(8.0 + 3.0 * rng.standard_normal()) + np.radians(1.0) * (0.5 - share)
    pitch = pitch - lifter.arch
    trunk = _lying(pitch)

    def turn(v):
        return np.einsum("nij,nj->ni", trunk, np.broadcast_to(v, (len(trunk), 3)))

    notch = np.array([0.0, 0.55, 0.0]) + 0.003 * (1.0 - share[:, None]) * [0.0, 1.0, 0.0]
    # The girdle: drawn back at the chest, forward and a little up at lock-out.
    reach = np.array([-0.085, 0.004, lifter.half_breadth])
    girdle = np.stack([0.014 * share, 0.006 * share, -0.004 * share], axis=-1)
    acromion_in = reach + girdle
    tip = -0.15 * share
    joint_in = acromion_in + _about_x(tip, lifter.joint)
    acromion, joint = notch + turn(acromion_in), notch + turn(joint_in)
    half = GRIPS[condition] * lifter.half_breadth
    elbow, hand, bar_height = _arm(lifter, joint, share, half, condition, rng)
    forearm = _unit(hand - elbow)
    shaft = _unit(elbow - joint)
    hinge = _unit(np.cross(shaft, forearm))
    wrist = elbow + lifter.fore * forearm
    ratio = RATIOS[condition] + 0.04 * (0.5 - share) + 0.01 * rng.standard_normal()
    lift = _second(bar_height, time)
    vertical = 0.5 * lifter.load * (G + lift)
    sway = 0.5 * lifter.load * _second(hand[:, 0], time)
    force = np.stack([-sway, -vertical, -ratio * vertical], axis=-1)
    moments = _moments(lifter, time, (joint, elbow, wrist, hand), force, trunk, hinge)
    thumb = _unit(np.cross(forearm, [1.0, 0.0, 0.0]))
    axis = _unit(hinge + np.radians(3.0) * rng.standard_normal(3) * [1.0, 1.0, 1.0])
    sternum = np.array([np.sin(lifter.sternum_angle), -np.cos(lifter.sternum_angle), 0.0])
    arm = {
        "acromion": acromion,
        "gh": joint,
        "el": elbow + 0.037 * axis,
        "em": elbow - 0.037 * axis,
        "rs": wrist + 0.029 * thumb,
        "us": wrist - 0.029 * thumb,
        "grip": hand + 0.022 * forearm + np.array([-0.014, 0.0, 0.003]),
    }
    flip = np.array([1.0, 1.0, -1.0])
    points = {f"right_{k}": v for k, v in arm.items()}
    points |= {f"left_{k}": v * flip for k, v in arm.items()}
    points |= {
        "ij": notch,
        "px": notch + turn(lifter.sternum * sternum),
        "bar_right": np.stack([hand[:, 0], hand[:, 1], np.full(len(time), 0.66)], axis=-1),
        "bar_left": np.stack([hand[:, 0], hand[:, 1], np.full(len(time), -0.66)], axis=-1),
    }
    return Pressed(lifter, condition, time, points, force, moments, ratio, trunk, marks)


def seen(truth, seed, *, skin=SKIN, gaps=True, joint_seen=False):
    """What the laboratory records: skin, noise, gaps, a hand force on either side."""
    rng = np.random.default_rng([seed, 2])
    channels = {}
    share = _share(truth)
    for role, place in truth.points.items():
        if role.endswith("_gh") and not joint_seen:
            continue
        rigid = role.startswith("bar")
        values = place + (0.0 if rigid else _slide(rng, share, skin))
        values = values + 0.0004 * rng.standard_normal(place.shape)
        if gaps and not rigid and rng.random() < 0.4:
            first = rng.integers(len(values) - 20)
            values[first : first + rng.integers(3, 15)] = np.nan
        channels[role] = Channel(label=role, values=values, rate=RATE, unit="m")
    fine = np.arange(int(truth.time[-1] * FORCE_RATE)) / FORCE_RATE
    force = CubicSpline(truth.time, truth.force)(fine)
    uneven = 0.01 * rng.standard_normal()
    for side, sign in (("right", 1.0), ("left", -1.0)):
        values = force * [1.0, 1.0 + sign * uneven, sign] + 3.0 * rng.standard_normal(force.shape)
        values[:, 1] -= truth.lifter.zero_n if side == "right" else 0.0
        role = f"{side}_hand_force"
        channels[role] = Channel(label=role, values=values, rate=FORCE_RATE, unit="N")
    return Recording(source="bench", digest="bench", channels=channels)


def standing(lifter, seed, *, skin=SKIN, seconds=2.0):
    """A static trial: the person stands and the back of the trunk is seen."""
    rng = np.random.default_rng([seed, 3])
    count = int(seconds * RATE)
    px = lifter.sternum * np.array([np.sin(lifter.sternum_angle), -np.cos(lifter.sternum_angle), 0])
    c7 = np.array([-0.132, 0.062, 0.0])
    # The middles of the upper and the lower pair lie on the long axis.
    t8 = np.array([c7[0] - px[0], px[1] - 0.012, 0.0])
    side = np.array([-0.06, 0.01, lifter.half_breadth])
    points = {"ij": np.zeros(3), "px": px, "c7": c7, "t8": t8}
    points |= {"right_acromion": side, "left_acromion": side * [1.0, 1.0, -1.0]}
    channels = {}
    for role, place in points.items():
        own = place + 0.6 * skin * rng.standard_normal(3) / np.sqrt(3.0)
        values = own + np.array([0.0, 1.4, 0.0]) + 0.0004 * rng.standard_normal((count, 3))
        channels[role] = Channel(label=role, values=values, rate=RATE, unit="m")
    return Recording(source="standing", digest="standing", channels=channels)


def circling(lifter, seed, *, skin=SKIN, seconds=12.0):
    """A functional trial: the straight arm goes round beside the standing person."""
    rng = np.random.default_rng([seed, 4])
    time = np.arange(int(seconds * RATE)) / RATE
    lead, lift = 0.9 * np.sin(0.9 * time), 0.75 + 0.45 * np.sin(1.4 * time)
    shaft = np.stack([np.sin(lead) * np.sin(lift), -np.cos(lift), np.cos(lead) * np.sin(lift)], -1)
    side = np.array([-0.06, 0.01, lifter.half_breadth])
    elbow = side + lifter.joint + lifter.upper * shaft
    hinge = _unit(np.cross(shaft, [1.0, 0.0, 0.2]))
    still = np.zeros((len(time), 3))
    px = lifter.sternum * np.array([np.sin(lifter.sternum_angle), -np.cos(lifter.sternum_angle), 0])
    points = {
        "ij": still,
        "px": still + px,
        "right_acromion": still + side,
        "left_acromion": still + side * [1.0, 1.0, -1.0],
        "right_el": elbow + 0.037 * hinge,
        "right_em": elbow - 0.037 * hinge,
    }
    channels = {}
    for role, place in points.items():
        values = place + 0.5 * _slide(rng, 0.5 + 0.5 * np.sin(1.4 * time), skin)
        channels[role] = Channel(label=role, values=values, rate=RATE, unit="m")
    return Recording(source="circling", digest="circling", channels=channels)


def turned_room(recording, angle):
    """Return the recording in a room that is turned about the vertical [rad]."""
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    channels = {
        role: replace(x, values=x.values @ turn.T) if x.values.ndim == 2 else x
        for role, x in recording.channels.items()
    }
    return replace(recording, channels=channels)


def later(recording, seconds):
    """Return the recording on a clock that began earlier [s]."""
    channels = {r: replace(x, start=x.start + seconds) for r, x in recording.channels.items()}
    return replace(recording, channels=channels)


def _tempo(rng, repetitions):
    """Time, height share and times of chest and lock-out."""
    knots, marks, now = [(0.0, 1.0), (0.7, 1.0)], [], 0.7
    for _ in range(repetitions):
        down, pause, up = 1.3, 0.35, 1.7 + 0.2 * rng.standard_normal()
        now += down
        knots += [(now, 0.0), (now + pause, 0.0)]
        now += pause
        marks.append((now, now + up))
        knots += [(now + up, 1.0), (now + up + 0.7, 1.0)]
        now += up + 0.7
    time = np.arange(int(now * RATE)) / RATE
    at, level = np.array(knots).T
    smooth = np.empty_like(time)
    for k in range(len(at) - 1):
        inside = (time >= at[k]) & (time <= at[k + 1])
        s = (time[inside] - at[k]) / (at[k + 1] - at[k])
        rise = s**3 * (10.0 - 15.0 * s + 6.0 * s**2)
        if level[k + 1] > level[k]:  # slower in the middle
            rise = rise + 0.045 * np.sin(2.0 * np.pi * s) * (s * (1.0 - s)) * 4.0
        smooth[inside] = level[k] + (level[k + 1] - level[k]) * rise
    return time, gaussian_filter1d(smooth, 4.0), np.array(marks)


def _share(truth):
    height = truth.points["bar_right"][:, 1]
    return (height - height.min()) / np.ptp(height)


def _lying(pitch):
    """Thorax to world, lying face up, head end raised by ``pitch``."""
    c, s, o, i = np.cos(pitch), np.sin(pitch), np.zeros_like(pitch), np.ones_like(pitch)
    # Columns: the thorax's x (forward: up), y (to the head: -x of the room), z (right).
    return np.stack(
        [np.stack([s, c, o], -1), np.stack([-c, s, o], -1), np.stack([o, o, i], -1)], axis=-1
    )


def _about_x(angle, vector):
    c, s = np.cos(angle), np.sin(angle)
    x, y, z = vector
    return np.stack([np.full_like(c, x), c * y - s * z, s * y + c * z], axis=-1)


def _arm(lifter, joint, share, half, condition, rng):
    """Elbow and hand: two spheres meet in a circle, on which the elbow finds its place."""
    reach = lifter.fore + lifter.grip
    rank = list(GRIPS).index(condition)
    low = np.array([0.125 - 0.012 * rank + 0.008 * rng.standard_normal(), 0.15, 0.0])
    aside = half - joint[:, 2]
    top = np.sqrt((0.985 * (lifter.upper + reach)) ** 2 - aside.max() ** 2)
    rise = low[1] + share * (top - low[1])
    foot = low[0] * (1.0 - share) + 0.015
    base = joint.mean(axis=0)
    hand = np.stack([base[0] + foot, base[1] + rise, np.full_like(share, half)], axis=-1)
    across = hand - joint
    far = np.linalg.norm(across, axis=-1)
    along = (lifter.upper**2 - reach**2 + far**2) / (2.0 * far)
    radius = np.sqrt(np.maximum(lifter.upper**2 - along**2, 1e-8))
    axis = across / far[:, None]
    # Under the bar, as near as the hand's place along it allows.
    wanted = hand + reach * np.array([-0.08, -1.0, 0.12]) - joint
    aim = _unit(wanted - np.sum(wanted * axis, axis=-1)[:, None] * axis)
    return joint + along[:, None] * axis + radius[:, None] * aim, hand, hand[:, 1]


def _moments(lifter, time, places, force, trunk, hinge):
    """Net moments in the arm's directions [N·m]: internal rotation, elevation, horizontal
    adduction, elbow extension."""
    joint, elbow, wrist, hand = places
    weight = np.array([0.0, -G, 0.0])
    m_upper, m_fore, m_hand = (f * lifter.mass for f in (0.028, 0.016, 0.006))
    c_upper = joint + 0.436 * (elbow - joint)
    c_fore = elbow + 0.430 * (wrist - elbow)
    c_hand = wrist + 0.8 * (hand - wrist)

    def pull(mass, place):
        return mass * (_second(place, time) - weight)

    def spin(mass, radius, begin, end):
        rod = _unit(end - begin)
        inertia = mass * (radius * np.linalg.norm(end - begin, axis=-1).mean()) ** 2
        return inertia * np.cross(rod, _second(rod, time))

    fore = spin(m_fore, 0.303, elbow, wrist) + spin(m_hand, 0.297, wrist, hand)
    at_elbow = (
        fore
        + np.cross(c_fore - elbow, pull(m_fore, c_fore))
        + np.cross(c_hand - elbow, pull(m_hand, c_hand))
        - np.cross(hand - elbow, force)
    )
    at_joint = (
        fore
        + spin(m_upper, 0.322, joint, elbow)
        + np.cross(c_fore - joint, pull(m_fore, c_fore))
        + np.cross(c_hand - joint, pull(m_hand, c_hand))
        + np.cross(c_upper - joint, pull(m_upper, c_upper))
        - np.cross(hand - joint, force)
    )
    shaft = _unit(elbow - joint)
    rise = _unit(np.cross(shaft, trunk[:, :, 1]))
    across = np.cross(rise, shaft)
    return np.stack(
        [
            -np.sum(shaft * at_joint, axis=-1),
            np.sum(rise * at_joint, axis=-1),
            np.sum(across * at_joint, axis=-1),
            -np.sum(hinge * at_elbow, axis=-1),
        ],
        axis=-1,
    )


def _slide(rng, share, size):
    """Skin over bone: placement, a part that follows the lift, and a part that wanders."""
    place = 0.5 * rng.standard_normal(3)
    follow = np.stack([share - 0.5, (share - 0.5) ** 2 - 0.1], axis=-1) @ rng.standard_normal(
        (2, 3)
    )
    wander = gaussian_filter1d(rng.standard_normal((len(share), 3)), 60.0, axis=0)
    wander /= wander.std()
    follow /= max(float(np.sqrt(np.mean(follow**2))), 1e-9)
    raw = place + 0.7 * follow + 0.5 * wander
    return size * raw / np.sqrt(3.0)


def _unit(vector):
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def _second(values, time):
    return CubicSpline(time, values).derivative(2)(time)
