"""Shared forces as a function that PyTorch differentiates.

``pip install 'momentshare[torch]'``. The sharing itself runs on the processor in double
precision, wherever the tensors lie; derivatives come from `force_gradients`, not from the steps
of the solver.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.sharing._pull_back import Shared

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._pull_back import Unsolved

__all__ = ["share_forces"]


@cache
def _function() -> Any:
    """Make the class that PyTorch calls, once it is asked for: PyTorch is slow to load."""
    import torch

    class Forces(torch.autograd.Function):  # type: ignore[misc]
        @staticmethod
        def forward(ctx: Any, shared: Shared, *given: Any) -> Any:
            ctx.shared = shared
            ctx.save_for_backward(*given)
            return _tensor(shared.forces(*map(_array, given)), given[0])

        @staticmethod
        @torch.autograd.function.once_differentiable  # type: ignore[untyped-decorator]
        def backward(ctx: Any, change: Any) -> Any:
            given = ctx.saved_tensors
            found = ctx.shared.pull_back(*map(_array, given), _array(change))
            return (None, *(_tensor(x, like) for x, like in zip(found, given, strict=True)))

    return Forces


def _array(tensor: Any) -> Any:
    return tensor.detach().cpu().double().numpy()


def _tensor(array: Any, like: Any) -> Any:
    import torch

    return torch.from_numpy(np.array(array)).to(dtype=like.dtype, device=like.device)


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
    """Give the forces of the heads as a tensor whose ``backward()`` reaches the four tensors given.

    Parameters
    ----------
    moment_arms, active_capacity, joint_moments, passive_force : Tensor
        Shapes (..., rows, heads) [m], (..., heads) [N], (..., rows) [N·m] and (..., heads) [N], of
        any precision. Tensors on another device are copied to the processor in each call.
    exponent : float
        p > 1, finite.
    weights : array_like, shape (heads,), optional
        Constants of the criterion.
    unsolved : {'nan', 'zero'}
        What goes back from frames without a derivative, a shortfall for instance.

    Returns
    -------
    Tensor, shape (..., heads)
        Active and passive force [N], in the precision and on the device of ``moment_arms``.

    Raises
    ------
    MissingExtraError
        Without PyTorch.
    ShapeError
        For input that :func:`~momentshare.sharing.share` refuses.
    """
    import torch

    given = [torch.as_tensor(x) for x in (moment_arms, active_capacity, joint_moments)]
    given.append(
        torch.zeros_like(given[1]) if passive_force is None else torch.as_tensor(passive_force)
    )
    kept = None if weights is None else np.asarray(weights, dtype=np.float64)
    shared = Shared(exponent=exponent, weights=kept, unsolved=unsolved)
    return _function().apply(shared, *given)
