"""The payload of a public bundle: images in three formats, public dump files, spaces, photographs, documents.

Every byte is read as it was judged and goes through the public view's account of what stays behind.
"""

from __future__ import annotations

import hashlib
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.bags.observed import BagEntry, file_record
from pipeline.edges.bags.writer import write_member
from pipeline.edges.progress import Progress
from pipeline.errors import FormatError
from pipeline.formats.encoders import encode
from pipeline.formats.neutral import Block
from pipeline.publish.documents import is_text, seen_in
from pipeline.publish.photographs import kind_of, stripped
from pipeline.publish.programming import replacements
from pipeline.publish.public_view import Public, Withheld
from pipeline.run.keep.valid_bag import Judged
from pipeline.run.package.spool import Spool
from pipeline.to_do import ToDo, space_state, to_do
from pipeline.views.premis import Premis

if TYPE_CHECKING:
    from schemas.answers import HeldBack, ReleasedChip
    from schemas.record import AttachmentRecord, ChipRecord, MatchingRecord, RecordHead, Released, StoredFile

_TRUSTED = ("self-checked", "corroborated", "repeatable")
_SORTS = {"hex": "Intel HEX", "s19": "Motorola S-record"}


class Example(NamedTuple):
    """A sound chip, and a part to burn it into."""

    chip: str
    part: str


class PublicChip(NamedTuple):
    """What is spooled of a chip until the bundle's texts are written."""

    chip: ChipRecord
    objects: str
    captures: list[tuple[str, str]]
    steps: dict[str, str]


@dataclass(slots=True)
class Making:
    """A bundle being made; `root` is None for a dry run, which writes nothing.

    Attributes:
        bag: As it was judged.
        public: Makes the public view.
        head: The public record without its chips.
        root: The bundle's folder in staging.
        entries: Every file written.
        sorts: HEX and S-record files that PREMIS is still to tell of.
        described: Path → what the file is, for the crate.
        chips: What goes out, chip by chip, for the summary.
        cautions: For a person to weigh.
        waiting: What is still to be done, chip by chip, without sentences.
        captures: (date, reader) → readings.
        example: A sound chip, and a part to burn it into.
    """

    bag: Judged
    public: Public
    head: RecordHead
    root: Path | None
    entries: list[BagEntry] = field(default_factory=list)
    sorts: dict[str, BagEntry] = field(default_factory=dict)
    described: dict[str, str] = field(default_factory=dict)
    chips: list[ReleasedChip] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    waiting: list[ToDo] = field(default_factory=list)
    captures: Counter[tuple[str, str]] = field(default_factory=Counter)
    example: Example | None = None

    @property
    def origin(self) -> Released:
        """The bag that the bundle is made from."""
        origin = self.head["released_from"]
        assert origin is not None
        return origin

    def write(self, path: str, content: bytes, what: str) -> BagEntry | None:
        """One file of the bundle, unless this is a dry run."""
        self.described[path] = what
        if self.root is None:
            return None
        entry = write_member(self.root, path, content)
        self.entries.append(entry)
        return entry


def each_chip(making: Making, spool: Spool, progress: Progress) -> None:
    """Step 3: each chip's images and public dump files, one chip in memory at a time."""
    public = making.public
    premis = Premis(making.head)
    described: set[str] = set()
    for count, chip in enumerate(making.bag.chips(), start=1):
        before = len(public.withheld)
        told = public.chip(chip)
        earlier = frozenset(described)
        goes = [*_image_files(making, chip, told), *_reading_files(making, told, described)]
        told_premis = premis.chip(told, shared=earlier)
        objects = told_premis.objects + _more_objects(premis, told, making)
        spool.add_value([told, objects, list(told_premis.captures), dict(told_premis.steps)])
        for reading in told["readings"]:
            making.captures[reading.get("how", {}).get("date", ""), reading["reader"]] += 1
        image = told["image"]
        waiting = to_do(told)
        sound = told["grade"] in _TRUSTED and not waiting.needs_person
        if making.example is None and sound and image and image.get("path"):
            making.example = Example(told["chip"], _replacement(making.head, told))
        held: list[HeldBack] = [{"what": one.what, "why": one.why} for one in public.withheld[before:]]
        making.chips.append(
            {"chip": told["chip"], "grade": told["grade"], "goes_out": goes, "withheld": held}
        )
        making.waiting.append(waiting.brief)
        progress.show("chips written for the public", count, len(making.chips))


def _replacement(head: RecordHead, chip: ChipRecord) -> str:
    """A part that is still made and can stand in for the chip, for the example; else the chip's own."""
    from pipeline.catalogue import load
    from schemas.part import Part

    own = str(chip.get("part") or "PART")
    facts = head["parts"].get(chip.get("catalogued") or "")
    if facts is None:
        return own
    able = {part.part for part in replacements(Part.model_validate(facts), load().parts)}
    return next(
        (name for name in ("28C16", "28C64", "28C256", "27C256", "27256", "2732") if name in able), own
    )


def _image_files(making: Making, chip: ChipRecord, told: ChipRecord) -> list[str]:
    """The image as binary, Intel HEX and S-record, and its mask; sums of it even where it stays behind."""
    image, original = told["image"], chip["image"]
    if not image or not original:
        return []
    content = making.bag.read(original["path"])
    image["matching"] = _sums(content)
    path = image.get("path")
    if not path:
        return []
    label = making.public.secret_in(content)
    if label:
        making.cautions.append(
            f"the content of {chip['chip']} holds the text of a private field ({label}); mark the "
            f"chip `private` if it must not go out"
        )
    state = "" if image["settled"] else ", not settled: read the record before use"
    what = f"Image of {chip['chip']}, {chip['organisation']}{state}"
    base = path.removesuffix(".bin")
    making.write(path, content, f"{what}; plain binary, wide words big-endian")
    for ending, body in _encoded(content, chip["chip"]):
        entry = making.write(f"{base}.{ending}", body, f"{what}; {_SORTS[ending]}")
        if entry is not None:
            making.sorts[entry.path] = entry
    if mask := original.get("mask_path"):
        making.write(
            mask,
            making.bag.read(mask),
            f"Contested bits of {chip['chip']}: a 1 is unresolved",
        )
    return ["image" if image["settled"] else "image, kept apart as unsettled"]


def _encoded(content: bytes, chip: str) -> Iterator[tuple[str, bytes]]:
    import numpy as np

    blocks = [Block(0, np.frombuffer(content, np.uint8))]
    yield "hex", encode("intel-hex", blocks)
    yield "s19", encode("s-record", blocks, header=chip.encode("ascii", "replace")[:64])


def _sums(content: bytes) -> MatchingRecord:
    import numpy as np

    return {
        "crc32": zlib.crc32(content),
        "md5": hashlib.md5(content, usedforsecurity=False).hexdigest(),
        "sha1": hashlib.sha1(content, usedforsecurity=False).hexdigest(),
        "sum16": int(np.frombuffer(content, np.uint8).sum(dtype=np.uint64)) & 0xFFFF,
    }


def _reading_files(making: Making, told: ChipRecord, described: set[str]) -> list[str]:
    """Public dump files, byte for byte, unless one holds a private value all the same."""
    goes = []
    for reading in told["readings"]:
        for stored in reading["files"]:
            path = stored.get("path")
            if not path:
                continue
            content = making.bag.read(path)
            label = making.public.secret_in(content)
            if label:
                why = f"it holds the text of a private field ({label}), though the sheet marks it public"
                making.public.closed(stored, why, path, told["chip"])
                continue
            goes.append(f"reading {reading['reading']}")
            if path not in described:
                described.add(path)
                making.write(
                    path,
                    content,
                    f"Chip {told['chip']} as {reading['reader']} wrote it, {stored.get('format')}",
                )
    return list(dict.fromkeys(goes))


def _more_objects(premis: Premis, told: ChipRecord, making: Making) -> str:
    """The HEX and S-record files, derived from the image."""
    image = told["image"]
    path = image.get("path") if image else None
    if not path:
        return ""
    base = path.removesuffix(".bin")
    out = ""
    for ending, name in _SORTS.items():
        entry = making.sorts.pop(f"{base}.{ending}", None)
        if entry is not None:
            source = premis.relation("der", "hss", "has Source", [premis.object_id(path)])
            out += premis.file_object(file_record(entry), format_name=name, relations=source)
    return out


def other_files(making: Making, head: RecordHead) -> None:
    """Step 4: spaces, photographs and documents, each as far as the public view lets it out."""
    for space in making.head["spaces"]:
        if path := space.get("path"):
            what = f"Address space {space['name']}, {space['width']}-bit words, {space['byte_order']}-endian"
            making.write(path, making.bag.read(path), f"{what}, {space_state(space)}")
    for stored in head.get("attachments", ()):
        why = making.public.attachment(stored) or _attach(making, stored)
        if why:
            making.public.withheld.append(
                Withheld(stored["path"], why, _kind(stored), sha256=stored["sha256"])
            )
    known = {stored["original_name"] or "" for stored in head.get("attachments", ())}
    making.cautions += [
        f"the sheet lets {name} out, but the bag has no such document"
        for name in sorted(making.public.survey.documents - known)
    ]


def _attach(making: Making, stored: AttachmentRecord) -> str:
    """A photograph without what the camera wrote, or a document as it is; or why it stays behind."""
    path, original = stored["path"], stored["original_name"] or ""
    content = making.bag.read(path)
    what = "Document"
    if original.startswith("photos/"):
        if not kind_of(content):
            return (
                "what this kind of file says of its maker and place cannot be taken out here; save it as "
                "JPEG or PNG"
            )
        try:
            content = stripped(content)
        except FormatError as error:
            return (
                f"its structure cannot be followed ({error.problem}), so nothing can be taken out of it "
                f"safely"
            )
        what = "Photograph, without what the camera wrote into it (place, time, owner, device, thumbnail)"
    elif not is_text(content) and stored["original_name"] not in making.public.survey.vouched_for:
        return (
            "it is not plain text, so it cannot be searched for private values here; read it, then "
            "list it under release: vouched_for too"
        )
    label = next(filter(None, map(making.public.secret_in, seen_in(content))), "")
    if label:
        return f"it holds the text of a private field ({label})"
    entry = making.write(path, content, what)
    if entry is not None:
        kept = file_record(entry, original)
        shows = making.public.shown(stored)
        making.head["attachments"].append({**kept, "shows": shows} if shows else kept)
    return ""


def _kind(stored: StoredFile) -> str:
    folder = str(stored["original_name"]).split("/", 1)[0]
    return {"photos": "photograph", "docs": "document"}.get(folder, "dump")
