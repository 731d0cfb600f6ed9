"""Files put back under the names that they once had, inside one new folder."""

from __future__ import annotations

import os
from hashlib import sha256, sha512
from pathlib import Path

from pipeline.edges import open_flags
from pipeline.edges.bags.writer import CHUNK_BYTES
from pipeline.edges.disk_errors import storage_trouble
from pipeline.errors import DestinationError


def restore_file(root: Path, name: str, source: Path) -> tuple[str, str]:
    """Copy one file into the folder, never over another.

    Args:
        root: The new folder.
        name: Inside it, `/` between the names; the caller has seen to it that it stays there.
        source: What to copy.

    Returns:
        SHA-256 and SHA-512 of the bytes written, in hex.

    Raises:
        DestinationError: Two names are one on this system.
        StorageError: The disk refused, or this system cannot have such a name.
    """
    target = root / name
    first, second = sha256(), sha512()
    with storage_trouble(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            handle = os.open(target, open_flags.NEW, 0o666)
        except FileExistsError as error:
            raise DestinationError(
                where=name,
                problem="is the same name as another file's on this system",
                remedy="Reopen the bag on a system that tells upper from lower case",
            ) from error
        with source.open("rb") as stream, os.fdopen(handle, "wb") as sink:
            while chunk := stream.read(CHUNK_BYTES):
                first.update(chunk)
                second.update(chunk)
                sink.write(chunk)
    return first.hexdigest(), second.hexdigest()


def write_inside(root: Path, name: str, content: bytes) -> None:
    """One new file directly inside a folder that is being built.

    Raises:
        StorageError: The disk refused.
    """
    with storage_trouble(root / name), os.fdopen(os.open(root / name, open_flags.NEW, 0o666), "wb") as sink:
        sink.write(content)
