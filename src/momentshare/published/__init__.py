"""Net moments from elsewhere: a published table yields heads with intervals."""

from momentshare.published.solve import PublishedResult, heads_of_published
from momentshare.published.table import PublishedLine, PublishedTable, read_published

__all__ = [
    "PublishedLine",
    "PublishedResult",
    "PublishedTable",
    "heads_of_published",
    "read_published",
]
