"""The balance of moments in each frame: its data, and the questions asked of it."""

from momentshare.balance.criterion import BALANCED, Criterion
from momentshare.balance.equation import LoadMoments
from momentshare.balance.glenoid import GlenoidLimit, stability_cone
from momentshare.balance.lateral import APART, Lateral
from momentshare.balance.solve import Balance

__all__ = [
    "APART",
    "BALANCED",
    "Balance",
    "Criterion",
    "GlenoidLimit",
    "Lateral",
    "LoadMoments",
    "stability_cone",
]
