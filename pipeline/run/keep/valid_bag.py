"""A bag that has just passed recheck, and its files as they were judged.

Everything that leaves a bag (a bundle, a file to burn, the project folder) is read through here: first every
file is checked against the manifests, then each file that is used is held once more against the digest that
was judged, so that nothing can slip in between.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.bags.portable_names import is_portable
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.writer import CHUNK_BYTES
from pipeline.edges.console import Progress
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.project_folder import real
from pipeline.errors import BagError, UnsafeError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from schemas.record import ChipRecord, StoredFile

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
                where=str(path),
                problem=f"it does not pass recheck ({first})",
                remedy=(
                    "`wellread recheck` lists everything; `wellread mend` restores files from a copy "
                    "that verifies"
                ),
            )
        self._digests = dict(_digests(seen))
        self._followed = False
        if RECORD not in self._digests:
            raise BagError(
                where=str(path),
                problem="it has no record, so it was not made by this program",
                remedy="Give a bag that `wellread package` or `wellread release` made",
            )

    def __contains__(self, path: str) -> bool:
        return path in self._digests

    def file(self, path: str) -> Path:
        """Where a file of the bag lies on the disk.

        Raises:
            BagError: No such file was judged.
        """
        if path not in self._digests:
            raise BagError(
                where=f"{self.name}/{path}",
                problem="the record names it, the bag has no such file",
                remedy="Take the bag from another copy",
            )
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
            raise BagError(
                where=f"{self.name}/{path}",
                problem="it changed while it was being used",
                remedy="Find out what writes into the bag, recheck it, and run this again",
            )

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
        head, chips = _parts(place)
        for chip in chips:
            if not self._followed:
                with _as_bag_error(place):
                    strict = ChipRecord.model_validate_json(json.dumps(chip), strict=True)
                    _hold_together(strict, public=bool(head.get("released_from")))
            yield chip
        self._followed = True


def _follow_schema(place: Path, head: Mapping[str, Any]) -> None:
    """Refuse a record of another shape or of a later version.

    Raises:
        BagError: It is one.
    """
    from schemas.part import Part
    from schemas.record import RECORD_SCHEMA, Record
    from schemas.sheet import Board, Custodian, Machine, Placement, Reader, ReleaseWord, Rights

    if head.get("schema") != RECORD_SCHEMA:
        raise BagError(
            where=str(place),
            problem=f"it is a {head.get('schema')}, this version reads {RECORD_SCHEMA}",
            remedy="Use the version that wrote it, or a later one",
        )
    with _as_bag_error(place):
        found = Record.model_validate_json(json.dumps({**head, "chips": []}), strict=True)
        for facts in found.parts.values():
            _as_typed("parts", Part, facts)
        _as_typed("machine", Machine, found.machine)
        alone: dict[str, type[BaseModel]] = {"custodian": Custodian, "rights": Rights, "release": ReleaseWord}
        for key, model in alone.items():
            if head.get(key) is not None:
                _as_typed(key, model, head[key])
        by_id: dict[str, type[BaseModel]] = {"readers": Reader, "boards": Board}
        for key, model in by_id.items():
            for facts in head[key].values():
                _as_typed(key, model, facts)
        for space in found.spaces:
            if not 1 <= space.width <= 64:
                raise ValueError(f"space {space.name!r}: {space.width} bits wide")
            for placement in space.placements:
                _as_typed("placements", Placement, placement)
        for moment in (found.created, *([found.released_from.when] if found.released_from else [])):
            if not moment.endswith("Z"):
                raise ValueError(f"created: {moment!r} is no time in UTC")
            datetime.fromisoformat(moment)
        if "version" not in found.software:
            raise ValueError("software: version is missing")
        _named(*found.sheet, *found.attachments, public=found.released_from is not None)
    if not is_portable(found.bag):
        raise UnsafeError(
            where=str(place),
            problem=f"the bag's name in it, {found.bag!r}, is no name of a folder",
            remedy="Do not trust this bag's record",
        )


def _hold_together(chip: ChipRecord, *, public: bool) -> None:
    """What a chip's record says fits together, beyond the types of its fields. Raises ValueError."""
    from schemas.names import Organisation
    from schemas.sheet import Attempt, ReadingRow, View
    from schemas.wiring import Lines

    for attempt in chip.attempts:
        _as_typed("attempts", Attempt, attempt)
    for key, model, facts in (("board_wiring", Lines, chip.board_wiring), ("view", View, chip.view)):
        if facts is not None:
            _as_typed(key, model, facts)
    for reading in chip.readings:
        _as_typed("how", ReadingRow, reading.how)
    if chip.organisation is not None:
        Organisation.parse(chip.organisation)
    elif chip.image is not None:
        raise ValueError(f"chip {chip.chip!r}: an image, and no organisation")
    _named(*(stored for reading in chip.readings for stored in reading.files), public=public)


def _as_typed(key: str, model: type[BaseModel], facts: Mapping[str, Any]) -> None:
    """What the sheet said, or the catalogue, is still of their form; fields of a later version may stand beside.

    Raises:
        ValueError: It is of another form, or would have to be made into it first.
    """
    from pydantic import ValidationError

    try:
        same = model.model_validate_json(json.dumps(facts)).model_dump(
            mode="json", exclude_unset=True, exclude_none=True
        )
    except ValidationError as error:
        wrong = [one for one in error.errors() if one["type"] != "extra_forbidden"]
        if not wrong:
            return
        raise ValueError(f"{key}: {'.'.join(map(str, wrong[0]['loc']))}: {wrong[0]['msg']}") from error
    if differing := sorted(name for name, value in facts.items() if name not in same or same[name] != value):
        raise ValueError(f"{key}: {differing[0]} is in another form than this program writes")


def _named(*stored: StoredFile, public: bool) -> None:
    """Files of a bag have their places and names; in a bundle, some stayed behind. Raises ValueError."""
    if not public and any(not one.path or not one.original_name for one in stored):
        raise ValueError("a stored file without its path or its original name")


@contextmanager
def _as_bag_error(place: Path) -> Iterator[None]:
    try:
        yield
    except (ValueError, RecursionError) as error:  # pydantic's errors are ValueErrors
        first = str(error).splitlines()
        said = ": ".join(line.strip() for line in first[1:3]) if len(first) > 2 else first[0]
        raise BagError(
            where=str(place),
            problem=f"it does not follow its schema ({said})",
            remedy="Take the bag from another copy",
        ) from error


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
    except (ValueError, RecursionError):
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
            except (ValueError, RecursionError) as error:
                raise _no_record(record) from error


def _at_once(record: Path) -> tuple[dict[str, Any], Iterator[dict[str, Any]]]:
    try:
        whole = json.loads(record.read_bytes())
    except (ValueError, RecursionError) as error:
        raise _no_record(record) from error
    if not isinstance(whole, dict) or not isinstance(whole.get("chips"), list):
        raise _no_record(record)
    chips = whole.pop("chips")
    return whole, iter(chips)


def _no_record(record: Path) -> BagError:
    return BagError(where=str(record), problem="it is no record", remedy="Take the bag from another copy")
