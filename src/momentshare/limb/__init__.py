"""A person's limb: its heads, with strengths and fibre lengths."""

from momentshare.limb.build import (
    Limb,
    LimbOptions,
    MeasuredStrength,
    braced_strength,
    build_limb,
    build_limbs,
)

__all__ = [
    "Limb",
    "LimbOptions",
    "MeasuredStrength",
    "braced_strength",
    "build_limb",
    "build_limbs",
]
