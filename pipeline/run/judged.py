"""A bag that has just passed recheck, and its files as they were judged.

Everything that leaves a bag (a bundle, a file to burn, the project folder) is read through here: first every file
is checked against the manifests, then each file that is used is held once more against the digest that was judged,
so that nothing can slip in between.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.edges.baghash import observe
from pipeline.edges.bagwriter import CHUNK_BYTES
from pipeline.edges.console import Progress
from pipeline.edges.diskerrors import storage_trouble
from pipeline.edges.folder import real
from pipeline.errors import BagError, UnsafeError
from pipeline.formats.bagnames import is_portable
from pipeline.stages.recheck import judge

RECORD = "metadata/record.json"
_CHIPS = ' "chips": ['


class Judged:
    """A bag that is valid.

    Args:
        path: Its folder.
        progress: Shown while it is read.

    Raises:
        BagError: It is no folder, is not valid, or is no bag of this program.
        StorageError: The disk refused.
    """

    def __init__(self, path: Path, progress: Progress) -> None:
        self.path = path
        self.name = real(path).name
        if path.is_file():
            raise BagError(
                where=str(path), problem="is packed in one file", remedy="Unpack it and give the folder"
            )
        seen = observe(
            path, progress=lambda done, of: progress.show(f"{self.name}: bytes checked:", done, of)
        )
        self.verdict = judge(seen)
        progress.done()
        errors = [one for one in self.verdict.problems if one.severity == "error"]
        if not self.verdict.valid:
            first = f"{errors[0].path}: {errors[0].means}" if errors else "it is not valid"
            raise BagError(
                where=str(path), problem=f"it does not pass recheck ({first})",
                remedy="`wellread recheck` lists everything; `wellread mend` restores files from a copy that verifies",
            )  # fmt: skip
        self._digests = dict(_digests(seen))
        self._followed = False
        if RECORD not in self._digests:
            raise BagError(
                where=str(path), problem="it has no record, so it was not made by this program",
                remedy="Give a bag that `wellread package` or `wellread release` made",
            )  # fmt: skip

    def __contains__(self, path: str) -> bool:
        return path in self._digests

    def file(self, path: str) -> Path:
        """Where a file of the bag lies on the disk.

        Raises:
            BagError: No such file was judged.
        """
        if path not in self._digests:
            raise BagError(where=f"{self.name}/{path}", problem="the record names it, the bag has no such file", remedy="Take the bag from another copy")  # fmt: skip
        return self.path / path

    def matches(self, path: str, sha256: str, sha512: str) -> None:
        """Refuse bytes that are not those that were judged.

        Args:
            path: Inside the bag.
            sha256: Of what was read just now.
            sha512: Likewise.

        Raises:
            BagError: They differ.
        """
        found = {"sha256": sha256, "sha512": sha512}
        wanted = self._digests[path]
        if not wanted or any(found[name] != value for name, value in wanted.items() if name in found):
            raise BagError(where=f"{self.name}/{path}", problem="it changed while it was being used", remedy="Find out what writes into the bag, recheck it, and run this again")  # fmt: skip

    def read(self, path: str) -> bytes:
        """The bytes of one file, as they were judged.

        Raises:
            BagError: No such file was judged, or it has changed since.
            StorageError: The disk refused.
        """
        place = self.file(path)
        with storage_trouble(place):
            content = place.read_bytes()
        self.matches(path, hashlib.sha256(content).hexdigest(), hashlib.sha512(content).hexdigest())
        return content

    def head(self) -> dict[str, Any]:
        """The record without its chips; the whole record's digest is checked."""
        place = self.file(RECORD)
        hashes = hashlib.sha256(), hashlib.sha512()
        with storage_trouble(place), place.open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                for one in hashes:
                    one.update(chunk)
        self.matches(RECORD, hashes[0].hexdigest(), hashes[1].hexdigest())
        head, _ = _parts(place)
        _follow_schema(place, head)
        return head

    def chips(self) -> Iterator[dict[str, Any]]:
        """The chips' records in order, one in memory at a time; the first time each is held against its schema.

        Raises:
            BagError: One does not follow it.
        """
        from schemas.record import ChipRecord

        place = self.file(RECORD)
        _, chips = _parts(place)
        for chip in chips:
            if not self._followed:
                with _as_bag_error(place):
                    ChipRecord.model_validate(chip)
            yield chip
        self._followed = True


def _follow_schema(place: Path, head: Mapping[str, Any]) -> None:
    """Refuse a record of another shape or of a later version.

    Raises:
        BagError: It is one.
    """
    from schemas.record import RECORD_SCHEMA, Record

    if head.get("schema") != RECORD_SCHEMA:
        raise BagError(
            where=str(place), problem=f"it is a {head.get('schema')}, this version reads {RECORD_SCHEMA}",
            remedy="Use the version that wrote it, or a later one",
        )  # fmt: skip
    with _as_bag_error(place):
        found = Record.model_validate({**head, "chips": []})
        for key in ("id", "name"):
            if not isinstance(found.machine.get(key), str):
                raise ValueError(f"machine: {key} is missing")  # noqa: TRY004 - told as pydantic tells the rest
    if not is_portable(found.bag):
        raise UnsafeError(where=str(place), problem=f"the bag's name in it, {found.bag!r}, is no name of a folder", remedy="Do not trust this bag's record")  # fmt: skip


@contextmanager
def _as_bag_error(place: Path) -> Iterator[None]:
    try:
        yield
    except ValueError as error:  # pydantic's errors are ValueErrors
        first = str(error).splitlines()
        said = ": ".join(line.strip() for line in first[1:3]) if len(first) > 2 else first[0]
        raise BagError(
            where=str(place), problem=f"it does not follow its schema ({said})", remedy="Take the bag from another copy"
        ) from error  # fmt: skip


def _digests(seen: Any) -> Iterator[tuple[str, Mapping[str, str]]]:
    """Path → algorithm → hex, for every file that was digested."""
    for item in seen.seen:
        names = seen.payload_algorithms if item.path.startswith("data/") else seen.tag_algorithms
        yield item.path, {name: raw.hex() for name, raw in zip(names, item.digests, strict=False)}


def _parts(record: Path) -> tuple[dict[str, Any], Iterator[dict[str, Any]]]:
    """Head and chips of a record file: chip by chip where it is laid out as this program does, else at once.

    Raises:
        BagError: It is no record.
    """
    with storage_trouble(record):
        head_text = []
        with record.open(encoding="utf-8") as stream:
            for line in stream:
                if line.rstrip("\r\n") == _CHIPS:
                    break
                head_text.append(line)
            else:
                return _at_once(record)
    try:
        head = json.loads("".join(head_text) + _CHIPS + "]}")
    except ValueError:
        return _at_once(record)
    head.pop("chips")
    return head, _one_by_one(record, len(head_text) + 1)


def _one_by_one(record: Path, skip: int) -> Iterator[dict[str, Any]]:
    with storage_trouble(record), record.open(encoding="utf-8") as stream:
        for number, line in enumerate(stream):
            text = line.strip()
            if number < skip or not text:
                continue
            if text == "]":
                return
            try:
                yield json.loads(text.removesuffix(","))
            except ValueError as error:
                raise _no_record(record) from error


def _at_once(record: Path) -> tuple[dict[str, Any], Iterator[dict[str, Any]]]:
    try:
        whole = json.loads(record.read_bytes())
    except ValueError as error:
        raise _no_record(record) from error
    if not isinstance(whole, dict) or not isinstance(whole.get("chips"), list):
        raise _no_record(record)
    chips = whole.pop("chips")
    return whole, iter(chips)


def _no_record(record: Path) -> BagError:
    return BagError(where=str(record), problem="it is no record", remedy="Take the bag from another copy")
