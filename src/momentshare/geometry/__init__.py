"""Paths round simple surfaces, and rotations, on plain arrays with leading batch axes."""

from momentshare.geometry.cylinder import LARGEST_WRAP_ANGLE, round_cylinder
from momentshare.geometry.rotation import (
    cross,
    dot,
    norm,
    rotation_about,
    rotation_from_axes,
    rotation_from_yxy,
    rotation_from_yxz,
    unit,
    yxy_from_rotation,
    yxz_from_rotation,
)
from momentshare.geometry.sphere import Wrap, round_sphere

__all__ = [
    "LARGEST_WRAP_ANGLE",
    "Wrap",
    "cross",
    "dot",
    "norm",
    "rotation_about",
    "rotation_from_axes",
    "rotation_from_yxy",
    "rotation_from_yxz",
    "round_cylinder",
    "round_sphere",
    "unit",
    "yxy_from_rotation",
    "yxz_from_rotation",
]
