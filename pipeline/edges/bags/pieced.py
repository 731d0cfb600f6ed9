"""Files of a bag that are put together of what lies in other files: here, or in a process of its own.

PREMIS of 10,000 chips is 200 MB: who works on a chip sets its part aside, and nobody else handles it before
it is written.
"""

from __future__ import annotations

import os
from array import array
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import CHUNK_BYTES, MemberStream
from pipeline.edges.disk_errors import storage_trouble


class Stretches(NamedTuple):
    """Bytes that lie in a file, in one or several stretches.

    Attributes:
        file: Its path.
        places: Of each stretch where it begins, and how many bytes it has; one after the other.
    """

    file: str
    places: array[int]

    @property
    def size_bytes(self) -> int:
        """How many bytes there are."""
        return sum(self.places[1::2])

    def chunks(self) -> Iterator[bytes]:
        """The bytes, a megabyte at a time or less."""
        with Path(self.file).open("rb") as stream:
            for start, left in zip(self.places[::2], self.places[1::2], strict=True):
                stream.seek(start)
                while chunk := stream.read(min(left, CHUNK_BYTES)):
                    left -= len(chunk)  # noqa: PLW2901 - of this stretch
                    yield chunk


class Pieced(NamedTuple):
    """A file of the bag that is still to be put together.

    Attributes:
        path: In the bag.
        pieces: What it holds, one after the other.
    """

    path: str
    pieces: Sequence[bytes | Stretches]

    @property
    def size_bytes(self) -> int:
        """How long it will be."""
        return sum(len(one) if isinstance(one, bytes) else one.size_bytes for one in self.pieces)

    def chunks(self) -> Iterator[bytes]:
        """What it will hold, a megabyte at a time or less."""
        for piece in self.pieces:
            yield from (piece,) if isinstance(piece, bytes) else piece.chunks()


def set_aside(folder: Path, parts: Mapping[str, bytes]) -> dict[str, Stretches]:
    """Parts of files that are put together later, appended to one file that this process alone writes.

    Args:
        folder: In which it lies.
        parts: What each is → the part.

    Returns:
        Where each lies.

    Raises:
        StorageError: The disk refused.
    """
    lies = {}
    file = folder / f"parts-{os.getpid()}"
    with storage_trouble(file), file.open("ab") as stream:
        for name, part in parts.items():
            lies[name] = Stretches(str(file), array("Q", (stream.tell(), len(part))))
            stream.write(part)
    return lies


def write_pieced(root: Path, files: Sequence[Pieced]) -> list[BagEntry]:
    """Each file put together; its entry is what landed.

    Raises:
        DestinationError, StorageError: As `writer.write_member`; a piece cannot be read.
    """
    return [_written(root, one) for one in files]


def _written(root: Path, one: Pieced) -> BagEntry:
    with MemberStream(root, one.path) as stream, storage_trouble(root):
        for chunk in one.chunks():
            stream.write(chunk)
    return stream.entry
