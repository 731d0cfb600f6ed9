"""One bag of a shelf as rows: its record, and the signatures of its images.

The record is held against the bag's tag manifest, each image against the record: what the index says of a
content was worked out from that content. That is no recheck, which reads every file; when that was done last,
the ledger knows.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from pipeline.bags import record_file
from pipeline.bags.parse_tag_files import unsafe_path
from pipeline.edges.bags.observe import receipt
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import real
from pipeline.errors import BagError
from pipeline.holdings.rows import BagRow, ChipRow, bag_row, chip_row
from pipeline.run.keep.valid_bag import Judged
from pipeline.steps import image_words
from pipeline.twins.signature import ImageSignature, image_signature
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, RecordHead

MOST_RECORD_BYTES = 1 << 30
MOST_IMAGE_BYTES = 1 << 28


def fingerprint(path: Path) -> str:
    """By which a changed bag is seen without reading it: its receipt; of an archive, its size and time.

    Raises:
        BagError: It is no bag.
        StorageError: The disk refused.
    """
    if path.is_dir():
        return receipt(path)
    with storage_trouble(path):
        found = path.stat()
    return f"archive {found.st_size} {found.st_mtime_ns}"


def bag_rows(path: Path, seen: str) -> tuple[BagRow, list[ChipRow]]:
    """The rows of one bag.

    Args:
        path: Its folder, or an archive that holds it: that is verified whole, file by file.
        seen: Its fingerprint.

    Raises:
        BagError: It is no bag of this program, or its record is not what its manifest says.
        StorageError: The disk refused.
    """
    if path.is_dir():
        files = _Files(path)
        head, chips = _record(files)
        found = [chip_row(head, chip, _signed(files, chip)) for chip in chips]
        return bag_row(str(path), seen, seen, head), found
    with TemporaryDirectory(prefix="wellread-") as unpacked:
        bag = Judged(path, Progress(quiet=True), Path(unpacked))
        head = bag.head()
        found = [chip_row(head, chip, _signed_in(bag, chip)) for chip in bag.chips()]
        return bag_row(str(path), seen, bag.verdict.receipt, head), found


def _record(files: _Files) -> tuple[RecordHead, list[ChipRecord]]:
    """Head and chips of a folder's record, as its tag manifest vouches for them and as their types say."""
    from schemas.base import adapter
    from schemas.record import RECORD_SCHEMA, Record

    content = files.read(record_file.PATH, MOST_RECORD_BYTES)
    if hashlib.sha256(content).hexdigest() not in _vouched(files):
        raise _not(files.bag, "its record is not the one that its tag manifest lists")
    try:
        # Typed and read at once: a record is read a second time by nobody here.
        record: Record = adapter(Record).validate_json(content, strict=True, extra="allow")
    except (ValueError, RecursionError) as error:
        raise _not(files.bag, f"its record cannot be read ({str(error).splitlines()[0]:.80})") from error
    if record.get("schema") != RECORD_SCHEMA:
        raise _not(files.bag, f"its record is a {record.get('schema')!s:.40}")
    if lacking := [name for chip in record["chips"] if (name := record_file.lacking(chip))]:
        raise _not(files.bag, f"a chip's record without {lacking[0]}")
    return record, record["chips"]


def _vouched(files: _Files) -> set[str]:
    """Digests that the bag's SHA-256 tag manifest gives its record."""
    lines = files.read("tagmanifest-sha256.txt", MOST_RECORD_BYTES).decode("utf-8", "replace").splitlines()
    return {line.split()[0].lower() for line in lines if line.split()[1:] == [record_file.PATH]}


class _Files:
    """Files of one bag, none outside of it wherever links would lead; each folder is looked at once."""

    def __init__(self, bag: Path) -> None:
        self.bag = bag
        self._root = str(real(bag))
        self._inside: dict[str, bool] = {}

    def read(self, path: str, most: int) -> bytes:
        """The bytes of one file.

        Raises:
            BagError: It lies outside, is a link, is too large, or is not there.
            StorageError: The disk refused.
        """
        place = os.path.join(self._root, path)  # noqa: PTH118 - twenty thousand of them
        if unsafe_path(path) or not self._holds(os.path.dirname(place)) or os.path.islink(place):  # noqa: PTH114, PTH120
            raise _not(self.bag, f"its record names a file outside the bag ({path:.60})")
        if not os.path.isfile(place):  # noqa: PTH113
            raise _not(self.bag, f"it has no {path:.60}")
        with storage_trouble(Path(place)), open(place, "rb") as stream:  # noqa: PTH123
            if os.fstat(stream.fileno()).st_size > most:
                raise _not(self.bag, f"{path:.60} is larger than any that this program writes")
            return stream.read()

    def _holds(self, folder: str) -> bool:
        if folder not in self._inside:
            there = os.path.realpath(folder)
            self._inside[folder] = there == self._root or there.startswith(self._root + os.sep)
        return self._inside[folder]


def _not(bag: Path, problem: str) -> BagError:
    return BagError(where=str(bag), problem=problem, remedy="Recheck it, or take it from another copy")


def _signed(files: _Files, chip: ChipRecord) -> ImageSignature | None:
    """The signature of a chip's image, where the folder holds it and it is what the record says."""
    image = chip.get("image")
    path = image.get("path") if image else None
    if not image or not path:
        return None
    content = files.read(path, MOST_IMAGE_BYTES)
    if hashlib.sha256(content).hexdigest() != image["sha256"]:
        raise _not(files.bag, f"{path:.60} is not what the record says")
    return _of_content(chip, content)


def _signed_in(bag: Judged, chip: ChipRecord) -> ImageSignature | None:
    image = chip.get("image")
    path = image.get("path") if image else None
    return _of_content(chip, bag.read(path)) if path else None


def _of_content(chip: ChipRecord, content: bytes) -> ImageSignature | None:
    """The signature of an image whose every word was read; what stands for unread words is like nothing."""
    said = chip.get("organisation")
    if not said or chip.get("absent"):
        return None
    organisation = Organisation.parse(said)
    if len(content) != organisation.size_bytes or not content:
        return None
    return image_signature(image_words(content, organisation.bits), organisation.bits)
