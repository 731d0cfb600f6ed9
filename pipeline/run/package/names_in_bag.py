"""Which name every file gets inside the bag."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from pipeline.bags.portable_names import name_key, portable_name, unique_names
from pipeline.flow import FoundFile, PlannedChip
from schemas.names import UNPLACED

UNNAMED = "data/readings-unnamed"
"""Dump files that no reading names: kept all the same, since they came off some chip."""


class SharedFile(NamedTuple):
    """A dump file that readings of several chips name.

    Attributes:
        name: Its path in the bag.
        owner: The first of the chips: its worker writes the file.
    """

    name: str
    owner: str


class DumpNames:
    """The bag paths of the dump files of readings, worked out a chip at a time: all together are megabytes.

    Args:
        chips: Of the project.

    Attributes:
        shared: Path in the project folder → what is known of it, of files of several chips.
    """

    def __init__(self, chips: Sequence[PlannedChip]) -> None:
        self.shared: dict[str, SharedFile] = {}
        first: dict[str, int] = {}
        places = {
            path: place
            for number, planned in enumerate(chips)
            for path in planned.files
            if (place := first.setdefault(path, number)) != number
        }
        for place in sorted({*places.values()}):
            owner = chips[place]
            # None of its own is in `shared` yet, but for those that came to an earlier chip.
            for path, name in self._own(owner).items():
                if path in places:
                    self.shared[path] = SharedFile(name, owner.chip.chip)

    def of(self, planned: PlannedChip) -> dict[str, str]:
        """Path in the project folder → path in the bag, of every file that a chip's readings name."""
        own = self._own(planned)
        return {path: own[path] if path in own else self.shared[path].name for path in planned.files}

    def written_for(self, planned: PlannedChip) -> frozenset[str]:
        """Those that the chip's worker writes, as paths in the project folder."""
        return frozenset(path for path in planned.files if self._is_own(planned, path))

    def _own(self, planned: PlannedChip) -> dict[str, str]:
        own = list(dict.fromkeys(path for path in planned.files if self._is_own(planned, path)))
        folder = f"data/readings/{planned.chip.board or UNPLACED}/{planned.chip.chip}"
        return {path: f"{folder}/{name}" for path, name in _within(own).items()}

    def _is_own(self, planned: PlannedChip, path: str) -> bool:
        return path not in self.shared or self.shared[path].owner == planned.chip.chip


def loose_names(chips: Sequence[PlannedChip], files: Mapping[str, FoundFile]) -> dict[str, str]:
    """The bag paths of dump files that no reading names.

    Args:
        chips: Of the project.
        files: Everything in the project folder.
    """
    loose = loose_dumps((path for planned in chips for path in planned.files), files)
    return {path: f"{UNNAMED}/{name}" for path, name in _within(loose).items()}


def loose_dumps(read: Iterable[str], files: Mapping[str, FoundFile]) -> list[str]:
    """Dump files that no reading names.

    Args:
        read: Paths that readings name.
        files: Everything in the project folder.
    """
    named = frozenset(read)
    return [
        path
        for path, found in files.items()
        if path.startswith("dumps/") and not found.refused and path not in named
    ]


def _within(paths: Sequence[str]) -> dict[str, str]:
    """Portable names within one folder: the file's own name, or its path where two files share one."""
    bases = [path.rsplit("/", 1)[-1] for path in paths]
    keys = [name_key(portable_name(base)) for base in bases]
    users = Counter(keys)
    plain = {
        path: base if users[key] == 1 else path.removeprefix("dumps/").replace("/", "_")
        for path, base, key in zip(paths, bases, keys, strict=True)
    }
    fit = unique_names(plain.values()) if len(set(plain.values())) == len(plain) else {}
    if not fit:
        # `a/b` and `a_b` are one name now; the number says which, and no file is called so by itself.
        full = {path: path.replace("/", "_") for path in paths}
        users = Counter(full.values())
        told = [
            f"{number}/{name}" if users[name] > 1 else name
            for number, name in enumerate(full.values(), start=1)
        ]
        fit = unique_names(told)
        return {path: fit[name] for path, name in zip(paths, told, strict=True)}
    return {path: fit[name] for path, name in plain.items()}


def attachment_names(files: Iterable[str]) -> dict[str, str]:
    """The bag paths of photographs and documents: their own folders, each name made portable.

    Args:
        files: Project paths beneath photos/ and docs/.
    """
    tree: dict[str, set[str]] = {}
    ordered = sorted(files)
    for path in ordered:
        pieces = path.split("/")
        for depth in range(1, len(pieces)):
            tree.setdefault("/".join(pieces[:depth]), set()).add(pieces[depth])
    fit = {folder: unique_names(names) for folder, names in tree.items()}
    out = {}
    for path in ordered:
        pieces = path.split("/")
        named = [pieces[0]]
        named += [fit["/".join(pieces[:depth])][pieces[depth]] for depth in range(1, len(pieces))]
        out[path] = "data/" + "/".join(named)
    return out
