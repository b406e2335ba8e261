"""Texts that a PNG holds about itself."""

from __future__ import annotations

__all__ = ["png_texts"]

_SIGNATURE = 8


def png_texts(image: bytes) -> dict[str, str]:
    """Return the uncompressed texts of a whole PNG by keyword.

    A ``tEXt`` chunk holds keyword, zero and text in Latin-1; ``iTXt`` holds keyword, zero, a flag
    and a method of compression, language and translated keyword, each ended by a zero, and text in
    UTF-8 (PNG specification, third edition, 11.3.3; from memory).
    """
    found: dict[str, str] = {}
    at = _SIGNATURE
    while at + 12 <= len(image):
        size, kind = int.from_bytes(image[at : at + 4], "big"), image[at + 4 : at + 8]
        body = image[at + 8 : at + 8 + size]
        if kind == b"tEXt":
            keyword, _, text = body.partition(b"\0")
            found[keyword.decode("latin-1")] = text.decode("latin-1")
        elif kind == b"iTXt":
            keyword, _, rest = body.partition(b"\0")
            if rest[:1] == b"\0":
                text = rest[2:].split(b"\0", 2)[-1]
                found[keyword.decode("latin-1")] = text.decode("utf-8", "replace")
        elif kind == b"IEND":
            break
        at += 12 + size
    return found
