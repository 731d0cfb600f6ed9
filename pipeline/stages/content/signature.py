"""The signature of a chip: a few hundred bytes by which its kin are found without holding any image.

Ten thousand images do not fit into a modest memory, so each chip is reduced, in a worker process, to what the
joins need: digests, and hashes of the windows of 16 words whose hashes are smallest. Two images that share a
stretch share the windows in it, wherever the stretch lies in either.

Source: choosing the smallest hashes is bottom-k sketching (Broder 1997, "On the resemblance and containment
of documents"), the theory from memory.
"""

from __future__ import annotations

import hashlib
from array import array
from collections.abc import Iterator
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.model import Region
from pipeline.words import Words, distinct
from schemas.names import Organisation

WINDOW = 16
_LEAST_CHANGES = 8
_ODD = (
    0x9E3779B97F4A7C15,
    0xC2B2AE3D27D4EB4F,
    0x165667B19E3779F9,
    0xD6E8FEB86659FD93,
    0xFF51AFD7ED558CCD,
)
HASH, PLACE = np.dtype(np.uint64), np.dtype(np.uint32)


class Signature(NamedTuple):
    """What is kept of an image to find its kin.

    Windows are kept as bytes: ten thousand signatures wait for one another, and an array of 64 numbers that
    came from another process takes three times as much.

    Attributes:
        organisation: Words and bits.
        digest: 16 bytes over the words.
        inverse: 16 bytes over the complemented words.
        blank: Nearly nothing in it, so that equality says nothing.
        hashes: The chosen windows, ascending, as `HASH`.
        places: Where each window starts, as `PLACE`.
        fill: Word, first address and end of the longest fill, or None.
    """

    organisation: Organisation
    digest: bytes
    inverse: bytes
    blank: bool
    hashes: bytes
    places: bytes
    fill: tuple[str, int, int] | None = None

    @property
    def windows(self) -> int:
        """How many windows were chosen."""
        return len(self.hashes) // HASH.itemsize


class Column(Protocol):
    """Bytes appended piece by piece, wherever they are kept."""

    def add(self, piece: bytes) -> None:
        """Append some."""

    def chunks(self) -> Iterator[bytes]:
        """All of them, in pieces whose length is a power of two, but for the last; as often as needed."""


class InMemory:
    """A column of few images."""

    def __init__(self) -> None:
        self._content = bytearray()

    def add(self, piece: bytes) -> None:
        """Append some bytes."""
        self._content += piece

    def chunks(self) -> Iterator[bytes]:
        """All of them at once."""
        yield bytes(self._content)


class Windows:
    """The windows of many images: 0.8 KB each, of which nothing is asked until all are there.

    Args:
        hashes: Takes the hashes, as `HASH`.
        places: Takes where each window starts, as `PLACE`.

    Attributes:
        counts: How many windows each image has, in the order in which they came.
    """

    def __init__(self, hashes: Column, places: Column) -> None:
        self._hashes, self._places = hashes, places
        self.counts = array("I")

    def add(self, sign: Signature) -> None:
        """Those of one more image."""
        self.counts.append(sign.windows)
        of_width = np.uint64(sign.organisation.bits * _ODD[0] % (1 << 64))
        self._hashes.add((np.frombuffer(sign.hashes, HASH) ^ of_width).tobytes())
        self._places.add(sign.places)

    def hashes(self) -> Iterator[NDArray[np.uint64]]:
        """The hashes of all, some after the others; those of words of two widths never meet."""
        return (np.frombuffer(some, HASH) for some in self._hashes.chunks())

    def places(self, wanted: NDArray[np.int64]) -> NDArray[np.int64]:
        """Where some windows start.

        Args:
            wanted: Which of all windows, ascending.
        """
        found, first = [np.zeros(0, np.int64)], 0
        for some in self._places.chunks():
            places = np.frombuffer(some, PLACE).astype(np.int64)
            begin, end = np.searchsorted(wanted, (first, first + len(places)))
            found.append(places[wanted[begin:end] - first])
            first += len(places)
        return np.concatenate(found)


def _windows(words: Words) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """A hash of every window of 16 words, and whether the window has enough change in it to count."""
    value = words.astype(np.uint64) + np.uint64(1)
    value *= np.uint64(_ODD[0])
    span = 1
    for odd in _ODD[1:]:
        value = (value[:-span] * np.uint64(odd)) + value[span:]
        value ^= value >> np.uint64(29)
        span *= 2
    value *= np.uint64(_ODD[4])
    value ^= value >> np.uint64(32)
    fresh = np.zeros(len(words), dtype=np.uint8)
    fresh[2:] = (words[2:] != words[1:-1]) & (words[2:] != words[:-2])
    for by in (1, 2, 4, 8):
        fresh = fresh[by:] + fresh[:-by]
    return value, fresh >= _LEAST_CHANGES


def _kept(total: int) -> int:
    """How many windows stand for an image of so many words."""
    return min(1024, max(64, total // 32))


def signature(
    words: Words, bits: int, found: tuple[Region, ...] = (), *, known: NDArray[np.bool_] | None = None
) -> Signature:
    """The signature of one image.

    An image with words that nobody read has no kin: it is blank here, whatever stands in their place.

    Args:
        words: Shape (n,).
        bits: Bits a word.
        found: Its regions, for the fill that sister chips may share.
        known: Where words were read; None where all were.

    Returns:
        About 12 bytes a window, 64 windows for a chip of up to 2K words. Nothing is raised.
    """
    if known is not None:
        none = hashlib.blake2b(known.tobytes(), digest_size=16, key=b"not read").digest()
        return Signature(Organisation(len(words), bits), none, none[::-1], blank=True, hashes=b"", places=b"")
    raw = words.tobytes()
    top = words.dtype.type((1 << bits) - 1)
    digest = hashlib.blake2b(raw, digest_size=16).digest()
    inverse = hashlib.blake2b((words ^ top).tobytes(), digest_size=16).digest()
    hashes = places = b""
    if len(words) >= WINDOW:
        value, counts = _windows(words)
        at = np.flatnonzero(counts)
        if len(at):
            value = value[at]
            many = _kept(len(words))
            if len(at) > many:
                smallest = np.argpartition(value, many)[:many]
                value, at = value[smallest], at[smallest]
            order = np.argsort(value)
            hashes, places = value[order].tobytes(), at[order].astype(PLACE).tobytes()
    fills = [one for one in found if one.kind == "fill" and one.detail.get("period") == 1]
    longest = max(fills, key=lambda one: one.end - one.start, default=None)
    fill = None if longest is None else (str(longest.detail["word"]), longest.start, longest.end)
    return Signature(
        Organisation(len(words), bits),
        digest,
        inverse,
        blank=distinct(words[:64]) < 3 and len(hashes) == 0,
        hashes=hashes,
        places=places,
        fill=fill,
    )
