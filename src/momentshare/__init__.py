"""momentshare."""
