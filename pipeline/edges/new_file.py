"""One new file, whole or not at all, and never over another."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.flush import sync_file, sync_folder
from pipeline.edges.names import refuse_existing, rename_new
from pipeline.edges.one_place import refuse_in_a_bag


def need_folder(path: Path) -> None:
    """Refuse a file that is to be written into a folder that is not there, or into a bag.

    Raises:
        DestinationError: It is not, it is no folder, or it lies in a bag.
    """
    from pipeline.errors import DestinationError

    if not path.parent.is_dir():
        raise DestinationError(
            where=str(path.parent), problem="there is no such folder", remedy="Make it, or choose another"
        )
    refuse_in_a_bag(path)


def write_new(path: Path, content: bytes) -> None:
    """Write a file under a name that is free: a temporary one beside it, flushed, then renamed.

    Raises:
        DestinationError: Something has that name, or its folder does not exist.
        StorageError: The disk refused; nothing has the name.
    """
    refuse_existing(path)
    need_folder(path)
    # Forty signs take 160 bytes at most: a name of 255 bytes is as long as any, and this one is no longer.
    beside = path.parent / f".{path.name[:40]}.part-{os.urandom(4).hex()}"
    try:
        with storage_trouble(path):
            beside.write_bytes(content)
            sync_file(beside)
            rename_new(beside, path)
            sync_folder(path.parent)
    finally:
        if os.path.lexists(beside):
            beside.unlink()
