"""What static and functional trials show about a person's trunk and shoulder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError
from momentshare.geometry.rotation import rotated, unit
from momentshare.trial.formats.layout import FLOOR_ROLES
from momentshare.trial.formats.wanted import LEFT_OUT
from momentshare.trial.motion.trunk import ASSUMED_SLOPE, SternumSlope, place_trunk, thorax
from momentshare.trial.motion.upper_arm import SKIN, UpperArm, elbow_paths, fit_upper_arm
from momentshare.trial.motion.ways import possible_ways
from momentshare.trial.recording import TRUNK_LANDMARKS
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.recording import Recording


__all__ = ["Calibration", "read_calibration"]

_MOVES = 0.15
"""Range of the elbow [m] from which a trial shows the point about which it turns; assumed."""

_FUNCTIONAL = 2.0
"""How much better a functional trial determines that point than a lift, which has one direction;
assumed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """What separate trials show about a person's trunk and shoulder.

    Parameters
    ----------
    sternum_slope : float or None
        See :data:`STERNUM_SLOPE` [rad]; None where it was not measured.
    likely_slope : SternumSlope
        What takes its place then.
    joint_offset : float array, shape (3,), or None
        Joint centre from the acromion, thorax axes of a right arm [m].
    upper_arm : UpperArm or None
        What all trials of the person show together; a joint offset of its own trial goes before.
    body_mass : float or None
        Weighed on platforms under the standing person [kg].
    notes : tuple of str
    """

    sternum_slope: float | None = None
    likely_slope: SternumSlope = ASSUMED_SLOPE
    joint_offset: NDArray[np.float64] | None = None
    upper_arm: UpperArm | None = None
    body_mass: float | None = None
    notes: tuple[str, ...] = ()

    def joined(self, other: Calibration) -> Calibration:
        """Combine both; where both give the same thing, the later one counts."""
        slope, offset = other.sternum_slope, other.joint_offset
        return Calibration(
            sternum_slope=self.sternum_slope if slope is None else slope,
            likely_slope=other.likely_slope if other.likely_slope.people else self.likely_slope,
            joint_offset=self.joint_offset if offset is None else offset,
            upper_arm=self.upper_arm if other.upper_arm is None else other.upper_arm,
            body_mass=self.body_mass if other.body_mass is None else other.body_mass,
            notes=(*self.notes, *other.notes),
        )


def read_calibration(recording: Recording, skeleton: Skeleton) -> Calibration:
    """Read a static or a functional trial of the right arm.

    The slope of the sternum needs IJ, PX, C7 and T8. The offset of the joint centre is that of
    ``right_gh`` from the acromion where both were recorded; where the arm moves about the shoulder
    instead, it is the point about which the elbow turns. Forces of the floor weigh the person.

    Raises
    ------
    InputError
        Neither can be determined from what was recorded.
    """
    at = {role: c.values for role, c in recording.channels.items() if not role.startswith("emg/")}
    slope, offset, notes = None, None, []
    if recording.has(*TRUNK_LANDMARKS):
        trunk = thorax(at["ij"], at["px"], at["c7"], at["t8"])
        up = np.nanmean(rotated(np.swapaxes(trunk, -1, -2), unit(at["ij"] - at["px"])), axis=0)
        slope = float(np.arctan2(-up[0], up[1]))
        notes.append(f"sternum slope {np.degrees(slope):.1f} degrees")
    ways = possible_ways(recording)["trunk"]
    if recording.has("right_acromion") and ways[0] != "condition":
        trunk = place_trunk(recording, np.eye(3), ground=True, slope=slope).values
        seen = np.swapaxes(trunk, -1, -2)
        if recording.has("right_gh"):
            offset = np.nanmean(rotated(seen, at["right_gh"] - at["right_acromion"]), axis=0)
        elif recording.has("right_el", "right_em"):
            paths = elbow_paths(recording, trunk, sides=["right"])
            moves = any(float(np.ptp(p.points, axis=0).max()) > _MOVES for p in paths)
            arm = fit_upper_arm(paths, skeleton, skin=SKIN / _FUNCTIONAL) if moves else None
            offset = None if arm is None else arm.offset
    if offset is not None:
        notes.append(
            "joint centre "
            + ", ".join(f"{1000 * v:+.0f}" for v in offset)
            + " mm from the acromion (forward, up, outward)"
        )
    mass = _weighed(recording)
    if mass is not None:
        notes.append(f"weighed {mass:.1f} kg on the platforms")
    if slope is None and offset is None and mass is None:
        raise InputError(
            f"{recording.source}: tells nothing about the person: record IJ, PX, C7 and T8 for the "
            "slope of the sternum; right_acromion with right_gh, or an arm that moves by more than "
            f"{100 * _MOVES:.0f} cm, for the joint centre; the force of the floor for the mass",
            [note for note in recording.notes if note.endswith(LEFT_OUT)],
        )
    return Calibration(sternum_slope=slope, joint_offset=offset, body_mass=mass, notes=tuple(notes))


def _weighed(recording: Recording) -> float | None:
    """Mass that stands on the platforms [kg]; None where none was recorded.

    The median over time, of whatever sign: a person who shifts from foot to foot moves nothing
    up or down for long.
    """
    forces = [recording.channels[role].values for role in FLOOR_ROLES if recording.has(role)]
    if not forces:
        return None
    return abs(sum(float(np.nanmedian(force[:, 1])) for force in forces)) / GRAVITY
