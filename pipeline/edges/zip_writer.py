"""A zip whose bytes depend on nothing but what is in it and one moment.

Members in the order of their names' UTF-8 bytes, stored, with one time, one mode and one creating system.
Stored, because two builds of the compression library give different bytes for the same input.

Source: what varies in Python's zipfile was read in its source (CPython 3.11); SOURCE_DATE_EPOCH for the
moment.
"""

from __future__ import annotations

import hashlib
import os
import zipfile
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from pipeline.edges.disk_errors import storage_trouble

_EARLIEST, _LATEST = datetime(1980, 1, 1, tzinfo=UTC), datetime(2107, 12, 31, 23, 59, 58, tzinfo=UTC)
"""What the two 16-bit words of a zip's time can say."""
_UNIX = 3
_MODE = 0o100644 << 16
_CHUNK_BYTES = 1 << 20


def write_zip(target: Path, folder: Path, moment: datetime) -> str:
    """Write a folder as a zip.

    Args:
        target: The new file; the caller has seen to it that nothing has that name.
        folder: Everything regular below it goes in, under the folder's own name.
        moment: Aware; the time of every member, in UTC.

    Returns:
        SHA-256 of the zip, in hex.

    Raises:
        StorageError: The disk refused.
    """
    fit = min(max(moment.astimezone(UTC), _EARLIEST), _LATEST)
    with storage_trouble(target):
        with zipfile.ZipFile(target, "x", zipfile.ZIP_STORED) as packed:
            for path in sorted(_files(folder), key=str.encode):
                _add(packed, f"{folder.name}/{path}", folder / path, fit)
        digest = hashlib.sha256()
        with target.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                digest.update(chunk)
    return digest.hexdigest()


def _files(folder: Path) -> Iterable[str]:
    for inside, _, names in os.walk(folder):
        base = Path(inside).relative_to(folder)
        for name in names:
            yield (base / name).as_posix()


def _add(packed: zipfile.ZipFile, name: str, source: Path, moment: datetime) -> None:
    member = zipfile.ZipInfo(name, moment.timetuple()[:6])
    member.create_system, member.external_attr = _UNIX, _MODE
    member.compress_type = zipfile.ZIP_STORED
    member.file_size = source.stat().st_size
    with source.open("rb") as stream, packed.open(member, "w") as sink:
        while chunk := stream.read(_CHUNK_BYTES):
            sink.write(chunk)
