"""Whether two paths lead to one place, and whether one lies in a bag: by the disk, not by their spelling."""
# ruff: noqa: PTH118 - text paths, because they are the ledger's keys

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

from pipeline.errors import DestinationError


def folded(path: str) -> str:
    """One text for all spellings that some file system takes for one name."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def is_one(one: str, other: str) -> bool:
    """Whether two spellings lead to the same folder or file: by inode, or as their folder lists them.

    Some mounts (exFAT through FUSE) give each spelling an inode of its own.
    """
    try:
        return one == other or Path(one).samefile(other) or _as_listed(one) == _as_listed(other)
    except OSError:
        return False


def _as_listed(path: str) -> str:
    """A path with each name as its folder lists it, where that is another spelling of it and the only one."""
    before, name = os.path.split(path)
    if not name:
        return path
    before = _as_listed(before)
    with os.scandir(before) as entries:
        names = [entry.name for entry in entries]
    alike = [each for each in names if folded(each) == folded(name)]
    return os.path.join(before, alike[0] if name not in names and len(alike) == 1 else name)


def lies_in(path: Path, folder: Path) -> bool:
    """Whether a path, of which the last names may not be there yet, is a folder or lies below it.

    Args:
        path: Any path; links in it are followed.
        folder: Is there.
    """
    real = Path(os.path.realpath(path))
    return any(is_one(str(each), str(folder)) for each in (real, *real.parents) if each.exists())


def refuse_in_a_bag(path: Path) -> None:
    """Nothing is added to a bag: whatever else lies in it is in no manifest.

    Args:
        path: Of what is to be written.

    Raises:
        DestinationError: A folder above it is a bag.
    """
    parent = Path(os.path.realpath(path.parent))
    bag = next((each for each in (parent, *parent.parents) if (each / "bagit.txt").is_file()), None)
    if bag is not None:
        raise DestinationError(
            where=str(path),
            problem=f"this lies inside the bag {bag}, which would then no longer be whole",
            remedy="Choose a folder outside it",
        )
