"""Share joint moments among muscle heads, with proof."""

from momentshare.sharing._cone import cone_inequalities
from momentshare.sharing._feasible import (
    GreatestFactor,
    GreatestMoment,
    greatest_factor,
    greatest_moment,
)
from momentshare.sharing._result import Certificate, Sharing, Status
from momentshare.sharing._share import share

__all__ = [
    "Certificate",
    "GreatestFactor",
    "GreatestMoment",
    "Sharing",
    "Status",
    "cone_inequalities",
    "greatest_factor",
    "greatest_moment",
    "share",
]
