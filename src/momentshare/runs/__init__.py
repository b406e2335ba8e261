"""Many lifts at once: blocks of frames, cases, variations."""

from momentshare.runs.block import Answer, Block, blocks_of

__all__ = ["Answer", "Block", "blocks_of"]
