"""Published force-length and force-velocity curves, each set named author-year.

Every curve is dimensionless: force over greatest isometric force, fibre length over optimal
fibre length, tendon length over tendon slack length, velocity over maximal shortening
velocity with **shortening negative**. A set is a frozen dataclass of its constants, so one
constant is altered by ``dataclasses.replace(DeGrooteCurves(), passive_strain=0.5)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeAlias

import numpy as np

from momentshare.errors import UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import ArrayLike, NDArray

__all__ = ["CURVE_SETS", "CurveSet", "DeGrooteCurves", "ThelenCurves", "curve_set"]


CurveName: TypeAlias = Literal["degroote2016", "thelen2003"]


class CurveSet(Protocol):
    """What every set of curves offers; arrays of any shape in, the same shape out.

    A curve that would push, that is give negative force, gives zero instead, and its slope there is
    zero.
    """

    @property
    def name(self) -> str:
        """Source key that chooses the set in a study."""
        ...

    @property
    def title(self) -> str:
        """What a person reads, such as "curves of Thelen (2003)"."""
        ...

    @property
    def source(self) -> str:
        """Where the constants come from."""
        ...

    @property
    def source_key(self) -> str:
        """Key of the source in the bibliography."""
        ...

    def active_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Active force at full activation against normalised fibre length."""
        ...

    def active_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`active_force_length`."""
        ...

    def passive_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Passive force against normalised fibre length."""
        ...

    def passive_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`passive_force_length`."""
        ...

    def force_velocity(self, v: ArrayLike) -> NDArray[np.float64]:
        """Active force against normalised velocity, shortening negative."""
        ...

    def tendon_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Tendon force against normalised tendon length."""
        ...

    def tendon_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`tendon_force_length`."""
        ...


def _array(value: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(value, dtype=np.float64)


def _slope(slope: NDArray[np.float64], force: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slope of a force that is zero where its formula is negative."""
    return np.where(force < 0.0, 0.0, slope)


class _ExponentialPassive:
    """Passive force that both sets share: ``(exp(s (x - 1) / e) - 1) / (exp(s) - 1)``."""

    __slots__ = ()
    passive_shape: float
    passive_strain: float

    def passive_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Passive force: zero up to the peak fibre length, one at ``1 + passive_strain``.

        Parameters
        ----------
        x : float array, any shape
            Fibre length / peak fibre length.

        Returns
        -------
        float array, same shape
            Force / greatest isometric force.
        """
        rise = np.expm1(self.passive_shape * (_array(x) - 1.0) / self.passive_strain)
        return np.asarray(np.maximum(rise / np.expm1(self.passive_shape), 0.0))

    def passive_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`passive_force_length`."""
        length = _array(x)
        rate = self.passive_shape / self.passive_strain
        slope = rate * np.exp(rate * (length - 1.0)) / np.expm1(self.passive_shape)
        return _slope(slope, length - 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeGrooteCurves(_ExponentialPassive):
    """Smooth curves of De Groote et al. 2016.

    - active: ``Σᵢ hᵢ exp(-½ ((x - cᵢ) / (wᵢ + kᵢ x))²)``, three terms
    - passive: ``(exp(s (x - 1) / e) - 1) / (exp(s) - 1)``
    - velocity: ``d ln(u + √(u² + 1)) + f``, ``u = a v + b``
    - tendon: ``m exp(n (x - t)) - o``

    Notes
    -----
    The active curve is 0.994, not 1, at peak fibre length, and the velocity curve is 1.0023 at
    rest and 1.79 at v = +1. The width of the second active term vanishes at x = 0.1495:
    below ``shortest_length`` the active curve keeps its value there. The passive and tendon
    formulas are negative below the peak fibre length and just above slack length (to 1.0016), and
    the velocity formula below v = -1.04; the curves are zero there.

    References
    ----------
    De Groote F, Kinney AL, Rao AV, Fregly BJ 2016, Ann Biomed Eng 44:2922-2936; constants as
    coded in SymPy 1.14.0 (BSD).

    Examples
    --------
    >>> round(float(DeGrooteCurves().active_force_length(1.0)), 3)
    0.994
    """

    name: str = "degroote2016"
    title: str = "curves of De Groote et al. (2016)"
    source: str = (
        "De Groote F, Kinney AL, Rao AV, Fregly BJ 2016, Ann Biomed Eng 44:2922-2936; "
        "constants as coded in SymPy 1.14.0 (BSD)"
    )
    source_key: str = "degroote2016"
    active_heights: tuple[float, float, float] = (0.814, 0.433, 0.1)
    active_centres: tuple[float, float, float] = (1.06, 0.717, 1.0)
    active_widths: tuple[float, float, float] = (0.162, -0.0299, 0.354)
    active_width_slopes: tuple[float, float, float] = (0.0633, 0.2, 0.0)
    shortest_length: float = 0.2
    passive_strain: float = 0.6
    passive_shape: float = 4.0
    velocity_scale: float = -0.318
    velocity_slope: float = -8.149
    velocity_shift: float = -0.374
    velocity_offset: float = 0.886
    tendon_scale: float = 0.2
    tendon_shift: float = 0.995
    tendon_offset: float = 0.25
    tendon_stiffness: float = 33.93669377311689

    def _bells(self, length: NDArray[np.float64]) -> Iterator[tuple[Any, ...]]:
        """Each term of the active force, its place on the bell, the width and that width's rise."""
        terms = zip(
            self.active_heights,
            self.active_centres,
            self.active_widths,
            self.active_width_slopes,
            strict=True,
        )
        for height, centre, width, rise in terms:
            spread = rise * length
            spread += width
            z = length - centre
            z /= spread
            part = np.square(z)
            part *= -0.5
            part = np.exp(part)
            part *= height
            yield part, z, spread, rise

    def active_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Active force at full activation.

        Parameters
        ----------
        x : float array, any shape
            Fibre length / peak fibre length; below ``shortest_length`` the value there.

        Returns
        -------
        float array, same shape
            Force / greatest isometric force.
        """
        length = np.maximum(_array(x), self.shortest_length)
        force = np.zeros_like(length)
        for part, *_ in self._bells(length):
            force += part
        return force

    def active_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`active_force_length`; zero below ``shortest_length``."""
        given = _array(x)
        length = np.maximum(given, self.shortest_length)
        slope = np.zeros_like(length)
        for part, z, spread, rise in self._bells(length):
            slope = slope - part * z * (1.0 - rise * z) / spread
        return np.where(given < self.shortest_length, 0.0, slope)

    def force_velocity(self, v: ArrayLike) -> NDArray[np.float64]:
        """Active force against velocity; 1.0023 at rest, zero where v is below -1.04.

        Parameters
        ----------
        v : float array, any shape
            Fibre velocity / maximal shortening velocity, shortening negative.

        Returns
        -------
        float array, same shape
            Force / isometric force at the same length.
        """
        u = self.velocity_slope * _array(v) + self.velocity_shift
        return np.maximum(self.velocity_scale * np.arcsinh(u) + self.velocity_offset, 0.0)

    def tendon_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Tendon force; one at a strain of 4.9 %, zero below 0.16 %.

        Parameters
        ----------
        x : float array, any shape
            Tendon length / tendon slack length.

        Returns
        -------
        float array, same shape
            Force / greatest isometric force.
        """
        rise = np.exp(self.tendon_stiffness * (_array(x) - self.tendon_shift))
        return np.maximum(self.tendon_scale * rise - self.tendon_offset, 0.0)

    def tendon_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`tendon_force_length`."""
        rise = self.tendon_scale * np.exp(self.tendon_stiffness * (_array(x) - self.tendon_shift))
        return _slope(self.tendon_stiffness * rise, rise - self.tendon_offset)


@dataclass(frozen=True, slots=True, kw_only=True)
class ThelenCurves(_ExponentialPassive):
    """Curves of Thelen 2003 for young adults; formulas and constants **from memory**.

    - active: ``exp(-(x - 1)² / g)``
    - passive: ``(exp(s (x - 1) / e) - 1) / (exp(s) - 1)``
    - velocity, shortening: ``(1 + v) / (1 - v / a)``; lengthening:
      ``(1 + k v m) / (1 + k v)`` with ``k = (2 + 2/a) / (m - 1)``
    - tendon, strain ``ε = x - 1``: exponential toe to ``ε_t``, then a straight line

    Notes
    -----
    The slope of the velocity curve doubles at rest, from shortening to lengthening. Where
    toe and line of the tendon meet, the slopes differ by 0.1 %, and the force at
    ``tendon_strain`` is 0.9994 with the constants as recalled. For older adults the same
    source is recalled to give passive strain 0.5, lengthening plateau 1.8 and a maximal
    velocity of 8 in place of 10 peak fibre lengths a second.

    References
    ----------
    Thelen DG 2003, J Biomech Eng 125:70-77 (from memory).
    """

    name: str = "thelen2003"
    title: str = "curves of Thelen (2003)"
    source: str = "Thelen DG 2003, J Biomech Eng 125:70-77; formulas and constants from memory"
    source_key: str = "thelen2003"
    active_width: float = 0.45
    passive_strain: float = 0.6
    passive_shape: float = 5.0
    velocity_shape: float = 0.25
    lengthening_plateau: float = 1.4
    tendon_strain: float = 0.033
    tendon_toe_force: float = 0.33
    tendon_toe_share: float = 0.609
    tendon_toe_shape: float = 3.0
    tendon_line_slope: float = 1.712

    def active_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Active force at full activation; one at peak fibre length.

        Parameters
        ----------
        x : float array, any shape
            Fibre length / peak fibre length.

        Returns
        -------
        float array, same shape
            Force / greatest isometric force.
        """
        return np.asarray(np.exp(-((_array(x) - 1.0) ** 2) / self.active_width), dtype=np.float64)

    def active_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`active_force_length`."""
        return -2.0 * (_array(x) - 1.0) / self.active_width * self.active_force_length(x)

    @property
    def _lengthening(self) -> float:
        return (2.0 + 2.0 / self.velocity_shape) / (self.lengthening_plateau - 1.0)

    def force_velocity(self, v: ArrayLike) -> NDArray[np.float64]:
        """Active force against velocity; one at rest, zero where v is below -1.

        Parameters
        ----------
        v : float array, any shape
            Fibre velocity / maximal shortening velocity, shortening negative.

        Returns
        -------
        float array, same shape
            Force / isometric force at the same length.
        """
        speed = _array(v)
        shorter, longer = np.minimum(speed, 0.0), self._lengthening * np.maximum(speed, 0.0)
        force = np.where(
            speed > 0.0,
            (1.0 + longer * self.lengthening_plateau) / (1.0 + longer),
            (1.0 + shorter) / (1.0 - shorter / self.velocity_shape),
        )
        return np.maximum(force, 0.0)

    @property
    def _toe(self) -> tuple[float, float]:
        return (
            self.tendon_toe_share * self.tendon_strain,
            self.tendon_line_slope / self.tendon_strain,
        )

    def tendon_force_length(self, x: ArrayLike) -> NDArray[np.float64]:
        """Tendon force; zero below slack length, close to one at ``tendon_strain``.

        Parameters
        ----------
        x : float array, any shape
            Tendon length / tendon slack length.

        Returns
        -------
        float array, same shape
            Force / greatest isometric force.
        """
        strain = _array(x) - 1.0
        toe_strain, line_slope = self._toe
        toe = np.expm1(self.tendon_toe_shape * np.minimum(strain, toe_strain) / toe_strain)
        line = line_slope * np.maximum(strain - toe_strain, 0.0)
        force = self.tendon_toe_force * toe / np.expm1(self.tendon_toe_shape) + line
        return np.asarray(np.maximum(force, 0.0))

    def tendon_force_length_slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative of :meth:`tendon_force_length`."""
        strain = _array(x) - 1.0
        toe_strain, line_slope = self._toe
        rate = self.tendon_toe_shape / toe_strain
        toe = (
            self.tendon_toe_force
            * rate
            * np.exp(rate * np.minimum(strain, toe_strain))
            / np.expm1(self.tendon_toe_shape)
        )
        return _slope(np.where(strain > toe_strain, line_slope, toe), strain)


CURVE_SETS: Mapping[str, type[DeGrooteCurves | ThelenCurves]] = {
    "degroote2016": DeGrooteCurves,
    "thelen2003": ThelenCurves,
}
"""Name → class of each set that ships with the library."""


def curve_set(name: str) -> CurveSet:
    """Return the named set of curves with its published constants.

    Parameters
    ----------
    name : str
        One of :data:`CURVE_SETS`.

    Returns
    -------
    CurveSet

    Raises
    ------
    UnknownNameError
        If no set answers to ``name``; the nearest names are offered.
    """
    if name not in CURVE_SETS:
        raise UnknownNameError("curve set", name, CURVE_SETS)
    return CURVE_SETS[name]()
