"""The entries of manifests as the BagIt library asks for them, at a quarter of what its dicts of texts take.

It holds a dict and a text for each hash of each file: half a kilobyte, a hundred megabytes for 200,000 files.
Two dicts more hold every path in its normal form, which nearly always is the path.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from pipeline.bags.parse_tag_files import DIGEST_BYTES


class SpelledOtherwise(dict[str, str]):
    """A name in its normal form → the name as it is spelled, of those that are spelled otherwise.

    Asked for any other it gives that name again, as the library's own dicts of all names would.
    """

    def __setitem__(self, normal: str, spelled: str) -> None:
        if normal == spelled:
            self.pop(normal, None)
        else:
            super().__setitem__(normal, spelled)

    def __missing__(self, normal: str) -> str:
        return normal

    def update(self, names: Iterable[tuple[str, str]]) -> None:  # type: ignore[override] # as the library asks
        """Several of them."""
        for normal, spelled in names:
            self[normal] = spelled


class PackedEntries(Mapping[str, "Hashes"]):
    """Path → algorithm → hash; paths in the order in which they came."""

    def __init__(self) -> None:
        self._places: dict[str, int] = {}
        self._paths: list[str] = []
        self._columns: dict[str, _Column] = {}

    def own(self, path: str) -> str:
        """The same path, held once where the manifests have it."""
        place = self._places.get(path)
        return path if place is None else self._paths[place]

    def setdefault(self, path: str, _none: object) -> Hashes:
        """What is said of a path, of which nothing may have been said so far."""
        place = self._places.setdefault(path, len(self._places))
        if place == len(self._paths):
            self._paths.append(path)
        return Hashes(self._columns, place)

    def __contains__(self, path: object) -> bool:
        return path in self._places

    def __getitem__(self, path: str) -> Hashes:
        return Hashes(self._columns, self._places[path])

    def __iter__(self) -> Iterator[str]:
        return iter(self._paths)

    def __len__(self) -> int:
        return len(self._places)


class Hashes:
    """Algorithm → hash of one file, in the manifests' own words."""

    __slots__ = ("_columns", "_place")

    def __init__(self, columns: dict[str, _Column], place: int) -> None:
        self._columns, self._place = columns, place

    def __iter__(self) -> Iterator[str]:
        return iter(self.texts())

    def __contains__(self, name: str) -> bool:
        return name in self._columns and self._columns[name].holds(self._place)

    def __getitem__(self, name: str) -> str:
        return self.texts()[name]

    def __setitem__(self, name: str, text: str) -> None:
        if name not in self._columns:
            self._columns[name] = _Column(DIGEST_BYTES.get(name, 0))
        self._columns[name].put(self._place, text)

    def texts(self) -> dict[str, str]:
        """All at once."""
        place = self._place
        found = {name: column.get(place) for name, column in self._columns.items()}
        return {name: text for name, text in found.items() if text is not None}


class _Column:
    """The hashes of one algorithm, of one place after the other.

    Args:
        width_bytes: Of a hash.
    """

    def __init__(self, width_bytes: int) -> None:
        self._width = width_bytes
        self._plain = bytearray()
        self._odd: dict[int, str | None] = {}
        self._count = 0

    def put(self, place: int, text: str) -> None:
        """Keep a hash: as bytes, if these give the very text again."""
        try:
            plain = bytes.fromhex(text)
        except ValueError:
            plain = b""
        if place == self._count and len(plain) == self._width and plain.hex() == text:
            self._plain += plain  # nearly all, as manifests list the same files in the same order
            self._count += 1
            return
        for missing in range(self._count, place + 1):
            self._odd[missing] = None
            self._plain += bytes(self._width)
            self._count += 1
        self._odd[place] = text

    def holds(self, place: int) -> bool:
        """Whether there is a hash at a place."""
        return place < self._count and self._odd.get(place, "") is not None

    def get(self, place: int) -> str | None:
        """The hash at a place, if any."""
        if place >= self._count or place in self._odd:
            return self._odd.get(place)
        return self._plain[place * self._width : (place + 1) * self._width].hex()
