"""A posture of the arm: singularity-free inside, angles at the interface.

The humerus is held as a rotation matrix relative to the thorax (ISB axes of Wu et al. 2005:
x forward, y towards the head, z to the right), so an arm hanging at the side is not a singularity.
Elbow flexion counts from full extension, forearm rotation from full supination (pronation
positive).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.arrays import numbers
from momentshare.geometry.radians import require_radians
from momentshare.geometry.rotation import rotation_from_yxy, yxy_from_rotation
from momentshare.results import brief

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Posture", "arm_frame", "posture_from_angles"]

Floats = "NDArray[np.float64]"

_HANGING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Posture:
    """Postures in a batch.

    Parameters
    ----------
    humerus : float array, shape (..., 3, 3)
        Rotation from the humerus frame to the thorax frame.
    elbow_flexion, forearm_rotation : float array, shape (...)
        [rad]
    girdle : float array, shape (..., 2), or None
        Protraction and elevation of the clavicle [rad] that a task adds to the course that follows
        the arm (:mod:`momentshare.girdle`); None is zero.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare import posture_from_angles
    >>> posture = posture_from_angles(elevation=np.radians([30.0, 60.0, 90.0]))
    >>> posture.shape, posture.humerus.shape
    ((3,), (3, 3, 3))
    """

    humerus: NDArray[np.float64]
    elbow_flexion: NDArray[np.float64]
    forearm_rotation: NDArray[np.float64]
    girdle: NDArray[np.float64] | None = None

    __repr__ = brief

    @property
    def shape(self) -> tuple[int, ...]:
        """Batch shape."""
        return self.elbow_flexion.shape

    def __getitem__(self, index: Any) -> Posture:
        """Select postures by an index into the batch axes."""
        return Posture(
            humerus=self.humerus[index],
            elbow_flexion=self.elbow_flexion[index],
            forearm_rotation=self.forearm_rotation[index],
            girdle=None if self.girdle is None else self.girdle[index],
        )

    def reshape(self, *shape: int) -> Posture:
        """Give the batch another shape."""
        return Posture(
            humerus=self.humerus.reshape(*shape, 3, 3),
            elbow_flexion=self.elbow_flexion.reshape(shape),
            forearm_rotation=self.forearm_rotation.reshape(shape),
            girdle=None if self.girdle is None else self.girdle.reshape(*shape, 2),
        )

    def angles(self) -> dict[str, NDArray[np.float64]]:
        """Return the angles [rad]: plane, elevation, axial, elbow_flexion, forearm_rotation."""
        plane, elevation, axial = yxy_from_rotation(self.humerus)
        return {
            "plane": plane,
            "elevation": elevation,
            "axial": axial,
            "elbow_flexion": self.elbow_flexion,
            "forearm_rotation": self.forearm_rotation,
        }


def posture_from_angles(
    plane: ArrayLike = 0.0,
    elevation: ArrayLike = 0.0,
    axial: ArrayLike = 0.0,
    elbow_flexion: ArrayLike = 0.0,
    forearm_rotation: ArrayLike = 0.0,
) -> Posture:
    """Make postures from joint angles that broadcast together.

    Parameters
    ----------
    plane : array_like, shape (...)
        Plane of elevation [rad]: 0 abduction, 90° forward flexion.
    elevation : array_like, shape (...)
        Humerus from the trunk [rad]: 0 hanging, positive upward.
    axial : array_like, shape (...)
        Rotation about the humerus [rad], internal rotation positive.
    elbow_flexion : array_like, shape (...)
        [rad], 0 straight.
    forearm_rotation : array_like, shape (...)
        [rad], 0 supine, pronation positive.

    Returns
    -------
    Posture
        Batch shape (...). The shoulder angles are the Y-X-Y sequence of Wu et al. (2005) with the
        sign of the elevation reversed.

    Raises
    ------
    ShapeError
        An angle beyond a whole turn: degrees in place of radians; text or complex numbers.

    Examples
    --------
    >>> import numpy as np
    >>> posture = posture_from_angles(elevation=np.pi / 2)
    >>> (posture.humerus @ [0.0, -1.0, 0.0]).round(6) + 0.0
    array([0., 0., 1.])
    """
    given: list[NDArray[np.float64]] = []
    for name, values in {
        "plane": plane, "elevation": elevation, "axial": axial,
        "elbow_flexion": elbow_flexion, "forearm_rotation": forearm_rotation,
    }.items():  # fmt: skip
        given.append(numbers(name, values))
        require_radians(name, given[-1])
    parts = np.broadcast_arrays(*given)
    return Posture(
        humerus=rotation_from_yxy(parts[0], parts[1], parts[2]),
        elbow_flexion=parts[3].copy(),
        forearm_rotation=parts[4].copy(),
    )


def arm_frame(humerus: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the three anatomical axes in which shoulder moments are reported.

    Parameters
    ----------
    humerus : float array, shape (..., 3, 3)
        Rotation from the humerus frame to the thorax frame.

    Returns
    -------
    float array, shape (..., 3, 3)
        Rows are unit vectors in the thorax frame: about the humeral axis (internal rotation
        positive), in the plane of elevation (elevation positive), and across it (horizontal
        adduction positive). They are orthonormal. With the arm exactly along the trunk the plane of
        elevation is undefined; the sagittal plane is then used.
    """
    shaft = -humerus[..., :, 1]
    cranial = np.zeros_like(shaft)
    cranial[..., 1] = 1.0
    elevation = np.cross(shaft, cranial)
    size = np.linalg.norm(elevation, axis=-1, keepdims=True)
    sagittal = np.zeros_like(shaft)
    sagittal[..., 2] = 1.0
    elevation = np.where(
        size > _HANGING, elevation / np.where(size > _HANGING, size, 1.0), sagittal
    )
    across = np.cross(elevation, shaft)
    return np.stack([-shaft, elevation, across], axis=-2)
