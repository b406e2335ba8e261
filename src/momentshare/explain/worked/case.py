"""Numbers of the small case: three heads, two rows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from numpy.typing import NDArray


__all__ = ["WorkedCase"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedCase:
    """Numbers of the small case.

    Parameters
    ----------
    heads : tuple of str
        Two-joint head L, elbow head E, shoulder head S.
    rows : tuple of str
        Elbow row e, shoulder row s.
    capacity : tuple of float
        F_L, F_E, F_S [N].
    two_joint_arms : tuple of float
        Arms of L at elbow and shoulder [m].
    elbow_arm, shoulder_arm : float
        Arms of E and S [m].
    moments : tuple of float
        M_e, M_s [N·m].
    weights : tuple of float
        Of Σ w aᵖ.
    exponent : float
        Of the study; worked in addition to 2 and 3.
    origin : str
        Where the numbers come from.
    """

    heads: tuple[str, str, str] = (
        "two-joint head",
        "elbow head",
        "shoulder head",
    )
    rows: tuple[str, str] = ("elbow", "shoulder")
    capacity: tuple[float, float, float]
    two_joint_arms: tuple[float, float]
    elbow_arm: float
    shoulder_arm: float
    moments: tuple[float, float]
    weights: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exponent: float = 2.0
    origin: str = "Numbers as given."

    def __post_init__(self) -> None:
        given = {
            "capacity": (*self.capacity,),
            "arms": (*self.two_joint_arms, self.elbow_arm, self.shoulder_arm),
            "moments": (*self.moments,),
            "weights": (*self.weights,),
        }
        for name, values in given.items():
            if not all(math.isfinite(v) for v in values):
                raise ShapeError(name, "finite numbers", f"{values}")
        if min(self.capacity) <= 0.0 or min(self.weights) <= 0.0:
            raise ShapeError(
                "capacity, weights",
                "positive numbers",
                f"{self.capacity}, {self.weights}",
                "a head that cannot pull has no part in the small case",
            )
        if self.elbow_arm == 0.0 or self.shoulder_arm == 0.0:
            raise ShapeError(
                "elbow_arm, shoulder_arm", "arms other than zero",
                f"{self.elbow_arm}, {self.shoulder_arm}",
            )  # fmt: skip

    @property
    def arms(self) -> NDArray[np.float64]:
        """Moment arms, rows e and s, heads L, E and S [m]."""
        at_elbow, at_shoulder = self.two_joint_arms
        return np.array([[at_elbow, self.elbow_arm, 0.0], [at_shoulder, 0.0, self.shoulder_arm]])

    def numbers(self) -> dict[str, float]:
        """Values of the symbols of the derivation, by name."""
        F_L, F_E, F_S = self.capacity
        r_Le, r_Ls = self.two_joint_arms
        w_L, w_E, w_S = self.weights
        return {
            "F_L": F_L, "F_E": F_E, "F_S": F_S,
            "r_Le": r_Le, "r_Ls": r_Ls, "r_E": self.elbow_arm, "r_S": self.shoulder_arm,
            "h_Le": F_L * r_Le, "h_Ls": F_L * r_Ls,
            "h_E": F_E * self.elbow_arm, "h_S": F_S * self.shoulder_arm,
            "M_e": self.moments[0], "M_s": self.moments[1],
            "w_L": w_L, "w_E": w_E, "w_S": w_S,
        }  # fmt: skip
