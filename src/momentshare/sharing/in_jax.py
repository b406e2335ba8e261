"""Shared forces as a function that JAX differentiates and compiles into larger programs.

``pip install 'momentshare[jax]'``. The sharing itself runs on the processor through a callback, in
double precision; derivatives come from `force_gradients`, not from the steps of the solver. Turn
``jax_enable_x64`` on, or the results are rounded to single precision.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.sharing._pull_back import Shared

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._pull_back import Unsolved

__all__ = ["share_forces"]


def share_forces(
    moment_arms: Any,
    active_capacity: Any,
    joint_moments: Any,
    passive_force: Any = None,
    *,
    exponent: float = 2.0,
    weights: ArrayLike | None = None,
    unsolved: Unsolved = "nan",
) -> Any:
    """Give the forces of the heads to a program that ``jax.grad``, ``jit`` or ``vmap`` transforms.

    A compiled program calls back for it: the whole batch at once for forces, under ``vmap`` one
    element after the other for derivatives.

    Parameters
    ----------
    moment_arms : Array, shape (..., rows, heads)
        [m]
    active_capacity, passive_force : Array, shape (..., heads)
        [N]
    joint_moments : Array, shape (..., rows)
        [N·m]
    exponent, weights
        Of the criterion, see :func:`~momentshare.sharing.share`: p finite, weights the same for all
        frames. They are constants to JAX.
    unsolved : {'nan', 'zero'}
        The derivative where there is none, as in a shortfall.

    Returns
    -------
    Array, shape (..., heads)
        Forces [N], active and passive, in the widest precision of the arguments.

    Raises
    ------
    MissingExtraError
        Where JAX is missing.
    ShapeError
        For unusable input; from within ``jax.jit`` wrapped in an error of JAX.
    """
    import jax

    numbers = jax.numpy
    kept = None if weights is None else np.asarray(weights, dtype=np.float64)
    shared = Shared(exponent=exponent, weights=kept, unsolved=unsolved)
    arms, capacity, moments = map(numbers.asarray, (moment_arms, active_capacity, joint_moments))
    passive = (
        numbers.zeros_like(capacity) if passive_force is None else numbers.asarray(passive_force)
    )
    kind = numbers.result_type(arms, capacity, moments, passive, numbers.float32)

    def plain(*given: Any) -> Any:
        return shared.forces(*(np.asarray(x, dtype=np.float64) for x in given)).astype(kind)

    def pulled(*given: Any) -> Any:
        found = shared.pull_back(*(np.asarray(x, dtype=np.float64) for x in given))
        return tuple(x.astype(kind) for x in found)

    @jax.custom_vjp  # type: ignore[untyped-decorator]
    def forces(*given: Any) -> Any:
        batch = np.broadcast_shapes(given[0].shape[:-2], *(x.shape[:-1] for x in given[1:]))
        shape = jax.ShapeDtypeStruct((*batch, given[0].shape[-1]), kind)
        return jax.pure_callback(plain, shape, *given, vmap_method="expand_dims")

    def forward(*given: Any) -> Any:
        return forces(*given), given

    def backward(given: Any, change: Any) -> Any:
        shapes = tuple(jax.ShapeDtypeStruct(x.shape, kind) for x in given)
        return jax.pure_callback(pulled, shapes, *given, change, vmap_method="sequential")

    forces.defvjp(forward, backward)
    return forces(*(x.astype(kind) for x in (arms, capacity, moments, passive)))
