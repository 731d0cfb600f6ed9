"""Documents that are to go out: which a program can read whole, and what it can see of the others.

A plain text is read whole. Of a word processor's file or a PDF some places can be seen (members of a zip,
packed streams), which is enough to find a private value and not enough to say that there is none: such a
document goes out only where a person vouches for it by name, and stays behind even then where a value is
found in it.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator

MOST_SEEN = 64 << 20
"""Bytes unpacked of one document at most; a book of scans is larger, and its text is not."""
_STREAM = re.compile(rb"stream\r?\n")
_MARKUP = re.compile(rb"<[^<>]*>")
_TEXT_SHARE = 0.02
"""Characters that no text has, of all, below which a file is a text; common practice, no source."""


def is_text(content: bytes) -> bool:
    """Whether a file is a plain text in some encoding, so that all that it says can be read."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return len(content) % 2 == 0 and b"\0\0\0" not in content
    if b"\0" in content or content.startswith((b"%PDF", b"{\\rtf", b"PK")):
        return False
    odd = len(content.translate(None, bytes(range(32, 256)) + b"\t\n\r\f\x1a"))
    return odd <= len(content) * _TEXT_SHARE


def seen_in(content: bytes) -> Iterator[bytes]:
    """The document's bytes, and whatever of it can be unpacked, with and without its markup."""
    yield content
    left = MOST_SEEN
    for unpacked in _unpacked(content):
        piece = unpacked[:left]
        left -= len(piece)
        yield piece
        yield _MARKUP.sub(b"", piece)
        yield _MARKUP.sub(b" ", piece)
        if left <= 0:
            return


def _unpacked(content: bytes) -> Iterator[bytes]:
    if content.startswith(b"PK"):
        yield from _members(content)
    for found in _STREAM.finditer(content):
        inflating = zlib.decompressobj()
        try:
            yield inflating.decompress(content[found.end() :], MOST_SEEN)
        except zlib.error:
            continue


def _members(content: bytes) -> Iterator[bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            for member in packed.infolist():
                yield member.filename.encode("utf-8", "replace")
                with packed.open(member) as stream:
                    yield stream.read(MOST_SEEN)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, ValueError, OSError):
        return
