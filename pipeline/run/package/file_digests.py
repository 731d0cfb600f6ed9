"""What the files of readings held when they were read: each must hold the same each time."""

from __future__ import annotations

from array import array
from collections.abc import Container, Iterator, Sequence

from pipeline.edges.steady import changed_between
from pipeline.flow import PlannedChip

_WIDTH = 32
"""Bytes of a SHA-256."""


class FileDigests:
    """SHA-256 of the files of all readings: 32 bytes a file, where a text and its place in a dict take 160.

    Args:
        chips: Of the project.
        shared: Paths of the files that readings of several chips name.
    """

    def __init__(self, chips: Sequence[PlannedChip], shared: Container[str]) -> None:
        self._chips = chips
        self._found = bytearray()
        self._starts = array("Q")
        self._of_several: dict[str, str] = {}
        self._shared = shared

    def add(self, planned: PlannedChip, digests: Sequence[str]) -> None:
        """Those of the next chip, in the plan's order.

        Raises:
            StorageError: A file that is read for several readings changed in between.
        """
        own: dict[str, str] = {}
        for path, sha256 in zip(planned.files, digests, strict=True):
            known = self._of_several if path in self._shared else own
            if known.setdefault(path, sha256) != sha256:
                raise changed_between(path)
        self._starts.append(len(self._found))
        self._found += bytes.fromhex("".join(digests))

    def compare(self, place: int, digests: Sequence[str]) -> None:
        """A chip that was read a second time.

        Args:
            place: Of the chip in the plan.
            digests: Of its files, in their order.

        Raises:
            StorageError: A file changed since it was read for the first time.
        """
        for (path, was), sha256 in zip(self._of(place), digests, strict=True):
            if was != sha256:
                raise changed_between(path)

    def each(self) -> Iterator[tuple[str, str]]:
        """(path in the project folder, SHA-256) of every file that was read."""
        for place in range(len(self._starts)):
            yield from self._of(place)

    def _of(self, place: int) -> Iterator[tuple[str, str]]:
        at = self._starts[place]
        for path in self._chips[place].files:
            yield path, self._found[at : at + _WIDTH].hex()
            at += _WIDTH
