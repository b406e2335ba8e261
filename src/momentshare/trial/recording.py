"""What a laboratory recorded, in SI and in one frame, whatever the file.

World frame, in the manner of an ISB laboratory frame: **y** up against gravity, **z** to the
person's right, **x** = y × z (forward when the person stands; towards the feet when the person
lies face up). A channel is known by its *role*:

=================================  ==============================================  =======
role                               what                                            unit
=================================  ==============================================  =======
``ij px c7 t8``                    landmarks of the thorax (Wu et al. 2005)        m
``right_acromion right_gh``        top of the shoulder, centre of the joint        m
``right_el right_em``              lateral and medial epicondyle                   m
``right_rs right_us``              radial and ulnar styloid                        m
``right_grip``                     centre of the closed hand                       m
``bar_right bar_left``             the bar near its ends                           m
``right_hand_force``               force ON the hand from what it holds            N
``right_floor_force``              force under a standing foot, or both feet       N
``right_plane right_elevation``    joint angles of ``posture_from_angles``         rad
``right_axial``
``right_elbow_flexion``
``right_forearm_rotation``
``emg/<muscle>/<head>``            raw electromyogram of a head                    V
=================================  ==============================================  =======

and likewise ``left_…`` for the left arm.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = [
    "ANGLES",
    "ARM_LANDMARKS",
    "BAR_LANDMARKS",
    "SIDES",
    "TRUNK_LANDMARKS",
    "Channel",
    "Recording",
    "as_recorded",
    "mirrored",
]

SIDES = ("right", "left")
TRUNK_LANDMARKS = ("ij", "px", "c7", "t8")
ARM_LANDMARKS = ("acromion", "gh", "el", "em", "rs", "us", "grip")
BAR_LANDMARKS = ("bar_right", "bar_left")
ANGLES = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")

_SIDE = re.compile(r"(?<![A-Za-z])(right|left)(?![A-Za-z])")

_MIRROR = np.array([1.0, 1.0, -1.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel(ReadOnly):
    """One signal.

    Parameters
    ----------
    label : str
        Its name in the file.
    values : float array, shape (samples,) or (samples, 3)
        SI; vectors in the world frame; NaN where nothing was recorded.
    rate : float
        [Hz]
    start : float
        Time of the first sample on the recording's clock [s].
    unit : str
        SI unit of the values.
    """

    label: str
    values: NDArray[np.float64]
    rate: float
    start: float = 0.0
    unit: str = ""

    __repr__ = brief

    @property
    def time(self) -> NDArray[np.float64]:
        """Time of every sample [s]."""
        return self.start + np.arange(len(self.values)) / self.rate

    @property
    def end(self) -> float:
        """Time of the last sample [s]."""
        return self.start + (len(self.values) - 1) / self.rate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """All channels of one trial.

    Parameters
    ----------
    source : str
        The file or files, as the user named them.
    digest : str
        SHA-256 of their bytes, shortened.
    channels : mapping
        Role → channel.
    notes : tuple of str
        What reading had to decide.
    """

    source: str
    digest: str
    channels: Mapping[str, Channel]
    notes: tuple[str, ...] = field(default=())

    __repr__ = brief

    def has(self, *roles: str) -> bool:
        """Whether every one of these roles was recorded."""
        return all(role in self.channels for role in roles)


def mirrored(recording: Recording) -> Recording:
    """Return the mirrored recording: left becomes right and right becomes left.

    Positions and forces change the sign of z; joint angles follow ISB conventions that are
    the mirror images of each other already, so they only change sides. Electromyograms belong
    to the side under study and stay.
    """
    swapped = {}
    for role, channel in recording.channels.items():
        turned = channel
        if channel.values.ndim == 2:
            turned = replace(channel, values=channel.values * _MIRROR)
        swapped[_other_side(role)] = turned
    return replace(recording, channels=swapped)


def as_recorded(text: str, side: str) -> str:
    """Name the arm that was recorded: after mirroring, right and left are exchanged.

    Examples
    --------
    >>> as_recorded("only the right hand was measured, most in right_em", "left")
    'only the left hand was measured, most in left_em'
    """
    if side == "right":
        return text
    return _SIDE.sub(lambda found: "left" if found.group() == "right" else "right", text)


def _other_side(role: str) -> str:
    for here, there in (SIDES, SIDES[::-1]):
        if role.startswith(f"{here}_"):
            return there + role.removeprefix(here)
        if role.endswith(f"_{here}"):
            return role.removesuffix(here) + there
    return role
