"""Share joint moments among muscle heads, with proof."""

from momentshare.sharing._result import Certificate, Sharing, Status
from momentshare.sharing._share import share

__all__ = ["Certificate", "Sharing", "Status", "share"]
