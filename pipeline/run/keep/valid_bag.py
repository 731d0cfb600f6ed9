"""A bag that has just passed recheck, and its files as they were judged.

Everything that leaves a bag (a bundle, a file to burn, the project folder) is read through here: first every
file is checked against the manifests, then each file that is used is held once more against the digest that
was judged, so that nothing can slip in between.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast
from unicodedata import is_normalized, normalize

from pipeline.bags import record_file
from pipeline.bags.observed import Observation
from pipeline.bags.portable_names import is_portable
from pipeline.bags.validate import judge
from pipeline.edges.bags.archive import archive_members
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.writer import CHUNK_BYTES
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import real
from pipeline.errors import BagError, UnsafeError
from pipeline.summed_up import listed
from schemas.meant import one_meant

if TYPE_CHECKING:
    from pydantic import BaseModel

    from schemas.record import ChipRecord, ImageRecord, RecordHead, SpaceRecord, StoredFile


_OF_A_FILE = ("size_bytes", "sha256", "sha512")
"""What a record says of each file that it names."""


class Judged:
    """A bag that is valid.

    Args:
        path: Its folder, or an archive that holds it.
        progress: Shown while it is read.
        unpacked: An empty folder of our own, into which single files of an archive are put as they are asked
            for, under names of ours; without it an archive is refused.

    Raises:
        BagError: It is packed and must not be, is not valid, or is no bag of this program.
        StorageError: The disk refused.
    """

    def __init__(self, path: Path, progress: Progress, unpacked: Path | None = None) -> None:
        """Read the whole bag once, judge it, and refuse it unless it is valid and has a record.

        Raises:
            BagError: It is packed in one file, does not pass, or was not made by this program.
        """
        self.path = path
        self.name = real(path).name
        self._unpacked = unpacked if path.is_file() else None
        if path.is_file() and unpacked is None:
            raise BagError(
                where=str(path), problem="is packed in one file", remedy="Unpack it and give the folder"
            )
        seen = observe(
            path, progress=lambda done, of: progress.show(f"{self.name}: files hashed", done, of, size=True)
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
        self._spelled = _other_spellings(self._digests)
        self._followed = False
        if record_file.PATH not in self._digests:
            raise BagError(
                where=str(path),
                problem="it has no record, so it was not made by this program",
                remedy="Give a bag that `wellread package` or `wellread release` made",
            )

    def __contains__(self, path: str) -> bool:
        return self._there(path) in self._digests

    def _there(self, path: str) -> str:
        """A path as the bag's disk spells it: some give all names decomposed, whatever they were called."""
        return path if path in self._digests else self._spelled.get(normalize("NFC", path), path)

    def file(self, path: str) -> Path:
        """Where a file of the bag lies on the disk.

        Raises:
            BagError: No such file was judged.
        """
        there = self._there(path)
        if there not in self._digests:
            raise BagError(
                where=f"{self.name}/{path}",
                problem="the record names it, the bag has no such file",
                remedy="Take the bag from another copy",
            )
        return self.path / there if self._unpacked is None else self._taken_out(self._unpacked, there)

    def _taken_out(self, folder: Path, path: str) -> Path:
        """A file of an archive under a name of ours: what an archive calls its files never becomes a path."""
        place = folder / hashlib.sha256(path.encode()).hexdigest()
        if place.exists():
            return place
        with storage_trouble(place), place.open("xb") as stream:
            for _, chunks in archive_members(self.path, {path}):
                for chunk in chunks:
                    stream.write(chunk)
        return place

    def matches(self, path: str, sha256: str, sha512: str) -> None:
        """Refuse bytes that are not those that were judged.

        Args:
            path: Inside the bag.
            sha256: Of what was read just now.
            sha512: Of the same bytes.

        Raises:
            BagError: They differ.
        """
        found = {"sha256": sha256, "sha512": sha512}
        wanted = self._digests[self._there(path)]
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

    def head(self) -> RecordHead:
        """The record without its chips; the whole record's digest is checked."""
        place = self.file(record_file.PATH)
        hashes = hashlib.sha256(), hashlib.sha512()
        with storage_trouble(place), place.open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                for one in hashes:
                    one.update(chunk)
        self.matches(record_file.PATH, hashes[0].hexdigest(), hashes[1].hexdigest())
        head, _ = _parts(place)
        _follow_schema(place, head)
        self._as_judged(*head["sheet"], *head.get("attachments", ()), *head.get("spaces", ()))
        return head

    def _chip_as_judged(self, chip: ChipRecord) -> None:
        image = chip.get("image")
        self._as_judged(*([image] if image else ()))
        for reading in chip.get("readings", ()):
            self._as_judged(*reading["files"])

    def _as_judged(self, *told: StoredFile | ImageRecord | SpaceRecord) -> None:
        """Refuse a record that says of a file of the bag what the manifests do not.

        Raises:
            BagError: The digests differ.
        """
        for one in told:
            path = one.get("path")
            judged = self._digests.get(
                self._there(path or ""), {}
            )  # a file that is not there is told when it is used
            for name, stated in (("sha256", one.get("sha256")), ("sha512", one.get("sha512"))):
                if stated and judged.get(name, stated) != stated:
                    raise BagError(
                        where=f"{self.name}/{path}",
                        problem=f"the record gives it another {name} than the manifests",
                        remedy="Do not trust this bag's record; take the bag from another copy",
                    )

    def chip(self, chip: str) -> ChipRecord:
        """The record of one chip.

        Raises:
            BagError: The bag has no such chip.
        """
        names = []
        for record in self.chips():
            if record["chip"] == chip:
                return record
            names.append(record["chip"])
        near = one_meant(chip, names)
        raise BagError(
            where=f"{self.name}, chip {chip}",
            problem="the bag has no such chip",
            remedy=f"Did you mean --chip {near}?" if near else f"It has {listed(names)}",
        )

    def chips(self, *, believed: bool = True) -> Iterator[ChipRecord]:
        """The chips' records in order, one in memory at a time.

        The first time each is held against its schema.

        Args:
            believed: What a record says of the bag's files is held against the manifests; a replay, which
            finds out
                for itself whether the record is true, goes without.

        Raises:
            BagError: One does not follow it.
        """
        place = self.file(record_file.PATH)
        head, chips = _parts(place)
        for chip in chips:
            if not self._followed:
                with _as_bag_error(place):
                    _follow_chip(chip)
                    _hold_together(chip, public=bool(head.get("released_from")))
                if believed:
                    self._chip_as_judged(chip)
            yield chip
        self._followed = True


def _follow_schema(place: Path, head: RecordHead) -> None:
    """Refuse a record of another shape or of a later version.

    Raises:
        BagError: It is one.
    """
    from schemas.base import follows
    from schemas.part import Part
    from schemas.record import RECORD_SCHEMA, RecordHead
    from schemas.sheet import Board, Custodian, Machine, Placement, Reader, ReleaseWord, Rights

    if head.get("schema") != RECORD_SCHEMA:
        raise BagError(
            where=str(place),
            problem=f"it is a {head.get('schema')}, this version reads {RECORD_SCHEMA}",
            remedy="Use the version that wrote it, or a later one",
        )
    with _as_bag_error(place):
        follows(RecordHead, json.dumps(head), unknown="allow")
        for facts in head.get("parts", {}).values():
            _as_typed("parts", Part, facts)
        _as_typed("machine", Machine, head["machine"])
        if custodian := head.get("custodian"):
            _as_typed("custodian", Custodian, custodian)
        if rights := head.get("rights"):
            _as_typed("rights", Rights, rights)
        if word := head.get("release"):
            _as_typed("release", ReleaseWord, word)
        for reader in head["readers"].values():
            _as_typed("readers", Reader, reader)
        for board in head["boards"].values():
            _as_typed("boards", Board, board)
        for space in head.get("spaces", ()):
            needed = ("incomplete", "unsettled", *(_OF_A_FILE if space.get("path") else ()))
            if lacking := [key for key in needed if key not in space]:
                raise ValueError(f"space {space['name']!r}: without {lacking[0]}")
            if not 1 <= space["width"] <= 64:
                raise ValueError(f"space {space['name']!r}: {space['width']} bits wide")
            for placement in space.get("placements", ()):
                _as_typed("placements", Placement, placement)
        origin = head.get("released_from")
        for moment in (head["created"], *([origin["when"]] if origin else [])):
            if not moment.endswith("Z"):
                raise ValueError(f"created: {moment!r} is not a time in UTC")
            datetime.fromisoformat(moment)
        _named(*head["sheet"], *head.get("attachments", ()), public=origin is not None)
    if not is_portable(head["bag"]):
        raise UnsafeError(
            where=str(place),
            problem=f"the bag's name in it, {head['bag']!r}, is not a name for a folder",
            remedy="Do not trust this bag's record",
        )


def _follow_chip(chip: ChipRecord) -> None:
    """Raises ValueError where it is no chip's record."""
    from schemas.base import follows
    from schemas.record import ChipRecord

    follows(ChipRecord, json.dumps(chip), unknown="allow")


def _hold_together(chip: ChipRecord, *, public: bool) -> None:
    """What a chip's record says fits together, beyond the types of its fields. Raises ValueError."""
    from schemas.names import Organisation
    from schemas.sheet import Attempt, ReadingRow, View
    from schemas.wiring import Lines

    if lacking := record_file.lacking(chip):
        raise ValueError(f"a chip's record without {lacking}")
    if (image := chip.get("image")) is not None and not public and not image.get("path"):
        raise ValueError(f"chip {chip['chip']!r}: an image without its path")
    for attempt in chip.get("attempts", ()):
        _as_typed("attempts", Attempt, attempt)
    if wiring := chip.get("board_wiring"):
        _as_typed("board_wiring", Lines, wiring)
    if view := chip.get("view"):
        _as_typed("view", View, view)
    readings = chip.get("readings", [])
    for reading in readings:
        _as_typed("how", ReadingRow, reading.get("how", {}))
    if (organisation := chip.get("organisation")) is not None:
        Organisation.parse(organisation)
    elif chip.get("image") is not None:
        raise ValueError(f"chip {chip['chip']!r}: an image, and no organisation")
    _named(*(stored for reading in readings for stored in reading["files"]), public=public)


def _as_typed(key: str, model: type[BaseModel], facts: Mapping[str, object]) -> None:
    """What the sheet said, or the catalogue, is still of their form.

    Fields of a later version may stand beside.

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
    if not public and any(not one.get("path") or not one.get("original_name") for one in stored):
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


def _digests(seen: Observation) -> Iterator[tuple[str, Mapping[str, str]]]:
    """Path → algorithm → hex, for every file that was digested."""
    for item in seen.seen:
        names = seen.payload_algorithms if item.path.startswith("data/") else seen.tag_algorithms
        yield item.path, {name: raw.hex() for name, raw in zip(names, item.digests, strict=False)}


def _other_spellings(paths: Collection[str]) -> dict[str, str]:
    """Composed form → path, for paths in another form of which there is one alone (RFC 8493 section 6)."""
    odd = [path for path in paths if not is_normalized("NFC", path)]
    counts = Counter(normalize("NFC", path) for path in odd)
    return {form: path for path in odd if counts[form := normalize("NFC", path)] == 1}


def _parts(record: Path) -> tuple[RecordHead, Iterator[ChipRecord]]:
    """Head and chips of a record file: chip by chip where it is laid out as this program does, else at once.

    Raises:
        BagError: It is no record.
    """
    with storage_trouble(record), record.open(encoding="utf-8") as stream:
        try:
            opened = record_file.open_lines(stream)
        except ValueError as error:  # no UTF-8
            raise _no_record(record) from error
    return _at_once(record) if opened is None else (opened.head, _one_by_one(record, opened))


def _one_by_one(record: Path, opened: record_file.Opened) -> Iterator[ChipRecord]:
    with storage_trouble(record), record.open(encoding="utf-8") as stream:
        try:
            yield from record_file.chips_in(stream, opened)
        except (ValueError, RecursionError) as error:
            raise _no_record(record) from error


def _at_once(record: Path) -> tuple[RecordHead, Iterator[ChipRecord]]:
    with storage_trouble(record):
        content = record.read_bytes()
    try:
        found = record_file.whole(content)
    except (ValueError, RecursionError) as error:
        raise _no_record(record) from error
    head = cast("RecordHead", {key: value for key, value in found.items() if key != "chips"})
    return head, iter(found["chips"])


def _no_record(record: Path) -> BagError:
    return BagError(where=str(record), problem="it is not a record", remedy="Take the bag from another copy")
