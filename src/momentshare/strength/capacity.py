"""Greatest moment in one direction of a joint, in a posture, at a speed.

A direction is a moment row with a sign. Two definitions, named in every output:

``balanced``
    The heads keep the net moment of the other balanced rows at zero at the same time: the
    strength of an unsupported limb.
``braced``
    The other rows are carried externally and ignored: the strength that a dynamometer with a
    strapped limb reads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np

from momentshare.balance import BALANCED
from momentshare.directions import ROWS, DirectionName, direction_named
from momentshare.errors import InputError, UnknownNameError
from momentshare.posture import posture_from_angles
from momentshare.sharing import Status, greatest_moment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.limb import Limb
    from momentshare.muscle.capacity import HeadState
    from momentshare.paths import Paths
    from momentshare.posture import Posture

__all__ = [
    "DEFINITIONS",
    "Mode",
    "StrengthTest",
    "joint_strength",
    "posture_strength",
]

Definition: TypeAlias = Literal["braced", "balanced"]

DEFINITIONS: tuple[Definition, ...] = ("braced", "balanced")
"""How the other rows are treated; see the module's text."""

Mode = Literal["isometric", "concentric", "eccentric"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthTest:
    """Posture, speed and mode of a strength test; angles in degrees, as is usual for tests.

    Parameters
    ----------
    plane_deg, elevation_deg, axial_deg : float
        Upper arm on the trunk, as in :func:`momentshare.posture.posture_from_angles` [deg].
        By default it hangs 10 degrees away from the trunk; at exactly 0 the plane of elevation is
        undefined and the sagittal plane is used, so elevation there means flexion.
    elbow_flexion_deg, forearm_rotation_deg : float
        From full extension, and from full supination [deg].
    mode : {"isometric", "concentric", "eccentric"}
        Whether the joint is held still, moves in the direction of the moment, or against it.
    speed_deg_s : float
        Speed of the tested joint [deg/s], zero when isometric, positive otherwise. The
        velocity of each fibre follows from its moment arm and pennation.

    Raises
    ------
    InputError
        An angle or speed out of range, or a speed that does not match the mode.

    Examples
    --------
    >>> from momentshare import StrengthTest
    >>> test = StrengthTest(elbow_flexion_deg=90.0)
    >>> test.mode, test.posture().shape
    ('isometric', ())
    """

    plane_deg: float = 0.0
    elevation_deg: float = 10.0
    axial_deg: float = 0.0
    elbow_flexion_deg: float = 90.0
    forearm_rotation_deg: float = 90.0
    mode: Mode = "isometric"
    speed_deg_s: float = 0.0

    def __post_init__(self) -> None:
        faults = [
            f"{item.name}: must be a finite number; got {getattr(self, item.name)!r}"
            for item in fields(self)
            if item.name != "mode" and not math.isfinite(getattr(self, item.name))
        ]
        if self.mode not in get_args(Mode):
            faults.append(f"mode: must be isometric, concentric or eccentric; got {self.mode!r}")
        elif self.mode == "isometric" and self.speed_deg_s != 0.0:
            faults.append(
                f"speed_deg_s: an isometric test has none; got {self.speed_deg_s:g}; "
                "set it to 0 or choose concentric or eccentric"
            )
        elif self.mode != "isometric" and not self.speed_deg_s > 0.0:
            faults.append(
                f"speed_deg_s: a {self.mode} test needs a positive speed [deg/s]; got "
                f"{self.speed_deg_s:g}"
            )
        if not 0.0 <= self.elbow_flexion_deg <= 160.0:
            faults.append(
                f"elbow_flexion_deg: must be between 0 and 160; got {self.elbow_flexion_deg:g}"
            )
        if not 0.0 <= self.elevation_deg <= 170.0:
            faults.append(f"elevation_deg: must be between 0 and 170; got {self.elevation_deg:g}")
        if faults:
            raise InputError("strength test:", faults)

    @property
    def speed(self) -> float:
        """Speed of the joint in the direction of the moment [rad/s]; eccentric negative."""
        sign = {"isometric": 0.0, "concentric": 1.0, "eccentric": -1.0}[self.mode]
        return sign * math.radians(self.speed_deg_s)

    def angles(self) -> dict[str, float]:
        """Angles of :func:`momentshare.posture.posture_from_angles` [rad]."""
        names = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
        return {name: math.radians(getattr(self, f"{name}_deg")) for name in names}

    def posture(self) -> Posture:
        """Return the posture, without batch axes."""
        return posture_from_angles(**self.angles())

    def text(self) -> str:
        """Describe posture, mode and speed in one line."""
        speed = "" if self.mode == "isometric" else f" at {self.speed_deg_s:g} deg/s"
        return (
            f"{self.mode}{speed}; elbow {self.elbow_flexion_deg:g}, elevation "
            f"{self.elevation_deg:g}, plane {self.plane_deg:g}, axial {self.axial_deg:g}, "
            f"forearm {self.forearm_rotation_deg:g} deg"
        )


def joint_strength(
    limb: Limb,
    posture: Posture,
    direction: DirectionName,
    *,
    others: Definition = "braced",
    speed: float = 0.0,
    rows: tuple[str, ...] = BALANCED,
) -> NDArray[np.float64]:
    """Greatest moment in a direction [N·m], for a batch of postures.

    Parameters
    ----------
    limb : Limb
    posture : Posture
        Any batch shape.
    direction : str
        A key of :data:`momentshare.directions.DIRECTIONS`.
    others : {"braced", "balanced"}
        How the other rows are treated.
    speed : float
        Speed of the joint in the direction of the moment, the other joints at rest [rad/s]:
        positive shortens the heads that help (concentric), negative stretches them.
    rows : tuple of str
        Rows that ``balanced`` keeps at zero net moment; the direction's own row is added.

    Returns
    -------
    float array, shape (...)
        Passive forces of all heads count. NaN where the other rows cannot be held at zero;
        negative where passive forces exceed what the heads can do.

    Examples
    --------
    >>> from momentshare import Person, StrengthTest, build_limb, joint_strength, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb, test = build_limb(ada, load_model()), StrengthTest(elevation_deg=45.0)
    >>> braced = joint_strength(limb, test.posture(), "elbow_extension")
    >>> held = joint_strength(limb, test.posture(), "elbow_extension", others="balanced")
    >>> bool(held < braced + 1e-6)
    True
    """
    pulled = direction_named(direction)
    found = limb.paths(posture)
    velocity = None
    if speed != 0.0:
        velocity = -pulled.sign * speed * found.moment_arms[..., ROWS.index(pulled.row), :]
    state = limb.capacity(found.length, velocity)
    return posture_strength(found, state, direction, others=others, rows=rows)


def posture_strength(
    found: Paths,
    state: HeadState,
    direction: str,
    *,
    others: Definition = "braced",
    rows: tuple[str, ...] = BALANCED,
) -> NDArray[np.float64]:
    """Greatest moment from paths and head states already computed; see :func:`joint_strength`."""
    pulled = direction_named(direction)
    if others not in DEFINITIONS:
        raise UnknownNameError("definition", others, DEFINITIONS)
    kept = tuple(name for name in ROWS if name in rows or name == pulled.row)
    at = [ROWS.index(name) for name in kept]
    arms = found.moment_arms[..., at, :]
    single = arms.ndim == 2
    lead = (np.newaxis,) if single else ()
    answer = greatest_moment(
        arms[lead],
        state.active_capacity[lead],
        kept.index(pulled.row),
        pulled.sign,
        passive_force=state.passive_force[lead],
        others="braced" if others == "braced" else "balanced",
    )
    # NaN where the solution is not certified.
    value = np.where(answer.status == Status.SOLVED, pulled.sign * answer.moment, np.nan)
    return np.asarray(value[0] if single else value)
