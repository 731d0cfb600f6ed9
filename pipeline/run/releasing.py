"""`wellread release`: from a bag that has just passed recheck to a public bundle and its zip.

1. The bag is rechecked; its record is read as it was judged.
2. The record is surveyed: what is private, whether content may go out, where else private values stand.
3. Each chip's public view is made; its image, HEX and S-record files and its public readings are written.
4. Spaces, photographs without what the camera wrote, documents let out by name.
5. Report, record, PREMIS, notes, README, citation, RO-Crate and checksums are made from the public view alone.
6. Every text just written is searched for the private values once more.
7. Manifests; the folder is judged twice, zipped, and the zip judged; then both get their names.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import uuid
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.edges.bagdir import (
    Entry,
    MemberStream,
    Staging,
    finish_bag,
    observe,
    second_opinion,
    write_member,
)
from pipeline.edges.clock import now
from pipeline.edges.console import Progress
from pipeline.edges.diskerrors import storage_trouble
from pipeline.edges.staging import refuse_existing, rename_new, sync_file
from pipeline.edges.zipwriter import write_zip
from pipeline.errors import DestinationError, FormatError, JudgedBadError
from pipeline.formats.encoding import encode
from pipeline.formats.neutral import Block
from pipeline.formats.photographs import kind_of, stripped
from pipeline.run.judged import Judged
from pipeline.run.spool import Spool
from pipeline.stages.burn import replacements
from pipeline.stages.recheck import judge
from pipeline.stages.release import Public, Withheld, refuse_unreleasable, survey
from pipeline.views import bundle, notes
from pipeline.views.crate import crate
from pipeline.views.premis import STEPS, Premis

PROFILE = "https://wellread.example/profiles/rom-bundle-1.0.0.json"
"""Name of the bundle's BagIt Profile; it does not resolve (RFC 2606), the profile itself lies in the bundle."""
SCHEMAS = ("record.schema.json", "finding.schema.json", "bundle-profile.json")
_SPACE_OF_IDS = uuid.UUID("0b6c8a3e-5f0d-5a41-9f6e-3d0e3a3b6c52")
_TRUSTED = ("self-checked", "corroborated", "repeatable")
_SORTS = {"hex": "Intel HEX", "s19": "Motorola S-record"}


@dataclass(slots=True)
class _Making:
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
        captures: (date, reader) → readings.
        example: A sound chip, and a part to burn it into.
    """

    bag: Judged
    public: Public
    head: dict[str, Any]
    root: Path | None
    entries: list[Entry] = field(default_factory=list)
    sorts: dict[str, Entry] = field(default_factory=dict)
    described: dict[str, str] = field(default_factory=dict)
    chips: list[dict[str, Any]] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    captures: Counter[tuple[str, str]] = field(default_factory=Counter)
    example: dict[str, Any] | None = None

    def write(self, path: str, content: bytes, what: str) -> Entry | None:
        """One file of the bundle, unless this is a dry run."""
        self.described[path] = what
        if self.root is None:
            return None
        entry = write_member(self.root, path, content)
        self.entries.append(entry)
        return entry


def release(
    path: Path, into: Path | None = None, *, dry_run: bool = False, quiet: bool = False
) -> dict[str, Any]:
    """The public bundle of a bag, as `release --json` prints it.

    Args:
        path: The bag's folder.
        into: Where the bundle goes; beside the bag where not said.
        dry_run: Say what would go out and what would stay; write nothing.
        quiet: No progress.

    Raises:
        BagError: The bag does not pass recheck, or is no bag that can be released.
        RightsError: The sheet says nothing about rights.
        DestinationError: The bundle or its zip is there already, or would lie inside the bag.
        JudgedBadError: The bundle did not pass its own checks; nothing was put in place.
        StorageError: The disk refused.
    """
    moment = now()
    progress = Progress(quiet=quiet)
    try:
        bag = Judged(path, progress)
        head = bag.head()
        refuse_unreleasable(head)
        public = Public(survey(head, bag.chips()))
        name = f"{head['bag']}-public"
        place = _place(bag, into, make=not dry_run)
        making = _Making(
            bag, public, _public_head(head, public, bag, name, moment.text if moment.fixed else ""), None
        )
        if dry_run:
            with Spool(Path(tempfile.gettempdir())) as spool:
                _each_chip(making, spool, progress)
            _others(making, head)
            return _document(making, None, None, "")
        return _made(making, head, place, name, progress)
    finally:
        progress.done()


def _place(bag: Judged, into: Path | None, *, make: bool) -> Path:
    chosen = (into if into is not None else bag.path.resolve().parent).resolve()
    if chosen.is_relative_to(bag.path.resolve()):
        raise DestinationError(
            where=str(into), problem="this lies inside the bag", remedy="Choose a folder outside it"
        )
    if chosen.exists() and not chosen.is_dir():
        raise DestinationError(where=str(into), problem="this is a file", remedy="Choose a folder")
    if make and not chosen.exists():
        with storage_trouble(chosen):
            chosen.mkdir(parents=True)
    return chosen


def _public_head(head: dict[str, Any], public: Public, bag: Judged, name: str, fixed: str) -> dict[str, Any]:
    """The public head, dated and named as the bundle's own."""
    out = public.head(head)
    receipt = bag.verdict.receipt
    made = f"{receipt} {__version__} {fixed}"
    out |= {
        "bag": name, "external_identifier": f"urn:uuid:{uuid.uuid5(_SPACE_OF_IDS, made)}",
        "released_from": {
            "bag": head["bag"], "external_identifier": head["external_identifier"], "receipt": receipt,
            "when": fixed or head["created"], "clock_fixed": bool(fixed),
            "software": {"name": "wellread", "version": __version__}, "content": public.survey.content,
        },
    }  # fmt: skip
    return out


def _made(
    making: _Making, head: Mapping[str, Any], place: Path, name: str, progress: Progress
) -> dict[str, Any]:
    packed = place / f"{name}.zip"
    refuse_existing(packed)
    with Staging(place / name) as staging:
        making.root = staging.path
        with Spool(staging.outer) as spool:
            _each_chip(making, spool, progress)
            _others(making, head)
            _derived(making, spool)
        _search(making)
        _ready(making)
        _judge(staging.path, progress)
        moment = datetime.fromisoformat(making.head["released_from"]["when"])
        beside = staging.outer / packed.name
        digest = write_zip(beside, staging.path, moment)
        _judge_zip(beside, progress)
        with storage_trouble(packed):
            sync_file(beside)
            rename_new(beside, packed)
        try:
            staging.commit()
        except BaseException:
            packed.unlink(missing_ok=True)
            raise
    return _document(making, place / name, packed, digest)


def _each_chip(making: _Making, spool: Spool, progress: Progress) -> None:
    """Step 3."""
    public = making.public
    premis = Premis(making.head)
    described: set[str] = set()
    for count, chip in enumerate(making.bag.chips(), start=1):
        before = len(public.withheld)
        told = public.chip(chip)
        earlier = frozenset(described)
        goes = [*_image_files(making, chip, told), *_reading_files(making, told, described)]
        told_premis = premis.chip(told, shared=earlier)
        spool.add({
            "chip": told, "objects": told_premis.objects + _more_objects(premis, told, making), "captures": list(told_premis.captures),
            "steps": dict(told_premis.steps),
        })  # fmt: skip
        for reading in told["readings"]:
            making.captures[reading.get("how", {}).get("date", ""), reading["reader"]] += 1
        if making.example is None and told["grade"] in _TRUSTED and (told.get("image") or {}).get("path"):
            making.example = {"chip": told["chip"], "part": _replacement(making.head, told)}
        held = [{"what": one.what, "why": one.why} for one in public.withheld[before:]]
        making.chips.append(
            {"chip": told["chip"], "grade": told["grade"], "goes_out": goes, "withheld": held}
        )
        progress.show("chips made public:", count, len(making.chips))


def _replacement(head: Mapping[str, Any], chip: Mapping[str, Any]) -> str:
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


def _image_files(making: _Making, chip: Mapping[str, Any], told: Mapping[str, Any]) -> list[str]:
    """The image as binary, Intel HEX and S-record, and its mask; sums of it even where it stays behind."""
    image = told.get("image")
    if not image:
        return []
    original = chip["image"]
    content = making.bag.read(original["path"])
    told["image"]["matching"] = _sums(content)
    if not image.get("path"):
        return []
    label = making.public.secret_in(content)
    if label:
        making.cautions.append(
            f"the content of {chip['chip']} holds the text of a private field ({label}); mark the chip `private` if it must not go out"
        )
    state = "" if image["settled"] else ", not settled: read the record before use"
    what = f"Image of {chip['chip']}, {chip['organisation']}{state}"
    base = image["path"].removesuffix(".bin")
    making.write(image["path"], content, f"{what}; plain binary, wide words big-endian")
    for ending, body in _encoded(content, chip["chip"]):
        entry = making.write(f"{base}.{ending}", body, f"{what}; {_SORTS[ending]}")
        if entry is not None:
            making.sorts[entry.path] = entry
    if original.get("mask_path"):
        making.write(
            original["mask_path"], making.bag.read(original["mask_path"]), f"Contested bits of {chip['chip']}: a 1 has no settlement"
        )  # fmt: skip
    return ["image" if image["settled"] else "image, kept apart as unsettled"]


def _encoded(content: bytes, chip: str) -> Iterator[tuple[str, bytes]]:
    import numpy as np

    blocks = [Block(0, np.frombuffer(content, np.uint8))]
    yield "hex", encode("intel-hex", blocks)
    yield "s19", encode("s-record", blocks, header=chip.encode("ascii", "replace")[:64])


def _sums(content: bytes) -> dict[str, Any]:
    import numpy as np

    return {
        "crc32": zlib.crc32(content), "md5": hashlib.md5(content, usedforsecurity=False).hexdigest(),
        "sha1": hashlib.sha1(content, usedforsecurity=False).hexdigest(),
        "sum16": int(np.frombuffer(content, np.uint8).sum(dtype=np.uint64)) & 0xFFFF,
    }  # fmt: skip


def _reading_files(making: _Making, told: dict[str, Any], described: set[str]) -> list[str]:
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


def _more_objects(premis: Premis, told: Mapping[str, Any], making: _Making) -> str:
    """The HEX and S-record files, derived from the image."""
    image = told.get("image") or {}
    if not image.get("path"):
        return ""
    base = image["path"].removesuffix(".bin")
    out = ""
    for ending, name in _SORTS.items():
        entry = making.sorts.pop(f"{base}.{ending}", None)
        if entry is not None:
            source = premis.relation("der", "hss", "has Source", [premis.object_id(image["path"])])
            out += premis.file_object(_stored(entry), format_name=name, relations=source)
    return out


def _stored(entry: Entry, original: str | None = None) -> dict[str, Any]:
    return {
        "path": entry.path, "original_name": original, "size_bytes": entry.size_bytes, "sha256": entry.sha256,
        "sha512": entry.sha512,
    }  # fmt: skip


def _others(making: _Making, head: Mapping[str, Any]) -> None:
    """Step 4."""
    for space in making.head["spaces"]:
        if space.get("path"):
            what = f"Address space {space['name']}, {space['width']}-bit words, {space['byte_order']}-endian"
            state = (", incomplete" if space["incomplete"] else "") + (
                ", not settled" if space["unsettled"] else ""
            )
            making.write(space["path"], making.bag.read(space["path"]), what + state)
    for stored in head.get("attachments", ()):
        why = making.public.attachment(stored) or _attach(making, stored)
        if why:
            making.public.withheld.append(Withheld(stored["path"], why, sha256=stored["sha256"]))
    known = {stored["original_name"] for stored in head.get("attachments", ())}
    making.cautions += [
        f"the sheet lets {name} out, but the bag has no such document" for name in sorted(making.public.survey.documents - known)
    ]  # fmt: skip


def _attach(making: _Making, stored: Mapping[str, Any]) -> str:
    """A photograph without what the camera wrote, or a document as it is; or why it stays behind."""
    content = making.bag.read(stored["path"])
    what = "Document"
    if stored["original_name"].startswith("photos/"):
        if not kind_of(content):
            return "what this kind of file says of its maker and place cannot be taken out here; save it as JPEG or PNG"
        try:
            content = stripped(content)
        except FormatError as error:
            return f"its structure cannot be followed ({error.problem}), so nothing can be taken out of it safely"
        what = "Photograph, without what the camera wrote into it (place, time, owner, device, thumbnail)"
    label = making.public.secret_in(content)
    if label:
        return f"it holds the text of a private field ({label})"
    entry = making.write(stored["path"], content, what)
    if entry is not None:
        making.head["attachments"].append(_stored(entry, stored["original_name"]))
    return ""


def _derived(making: _Making, spool: Spool) -> None:
    """Step 5: everything that is made from the public view."""
    head, root = making.head, making.root
    assert root is not None
    grades: dict[str, list[str]] = {}
    for value in spool:
        grades.setdefault(value["chip"]["grade"], []).append(value["chip"]["chip"])
    _report(making, spool)
    _stream(
        making,
        "metadata/record.json",
        "Everything known, for programs: the public view of the record",
        _record(head, spool),
    )
    _stream(
        making,
        "metadata/premis.xml",
        "Provenance as PREMIS 3.0, made from the public view",
        _premis(head, spool),
    )
    _stream(making, "metadata/provenance.txt", "Provenance for a person", _notes(head, spool))
    for name in SCHEMAS:
        making.write(f"metadata/schemas/{name}", _schema(name), "Schema of the documents beside it")
    sums = (
        bundle.sums_line(v["chip"], **v["chip"]["image"]["matching"]) for v in spool if v["chip"].get("image")
    )
    _stream(
        making,
        "checksums-matching.txt",
        "CRC-32, MD5, SHA-1 and sums of the images",
        (bundle.SUMS_HEAD, *sums),
    )
    making.write("CITATION.cff", bundle.citation(head).encode(), "How to cite this bundle")
    text = bundle.readme(head, grades, list(_left(making)), example=making.example)
    making.write("README.txt", text.encode(), "The first page")
    making.entries.sort(key=lambda entry: entry.path.encode())
    _stream(
        making,
        "ro-crate-metadata.json",
        "RO-Crate",
        crate(head, list(making.entries), making.described, (v["chip"] for v in spool)),
    )
    making.entries.sort(key=lambda entry: entry.path.encode())
    lines = "".join(f"{entry.sha256}  {entry.path}\n" for entry in making.entries)
    making.write("checksums-sha256.txt", lines.encode(), "For sha256sum -c")


def _stream(making: _Making, path: str, what: str, pieces: Iterable[str]) -> None:
    assert making.root is not None
    with MemberStream(making.root, path) as stream:
        for piece in pieces:
            stream.write(piece.encode("utf-8", "backslashreplace"))
    making.described[path] = what
    making.entries.append(stream.entry)


def _schema(name: str) -> bytes:
    import pkgutil

    content = pkgutil.get_data("schemas", f"json/{name}")
    assert content is not None
    return content


def _record(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    text = json.dumps(head, ensure_ascii=False, indent=1)
    yield text[: text.rindex("\n}")] + ',\n "chips": ['
    comma = "\n"
    for value in spool:
        yield comma + json.dumps(value["chip"], ensure_ascii=False, separators=(",", ":"))
        comma = ",\n"
    yield "\n ]\n}\n"


def _premis(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    premis = Premis(head)
    yield premis.opening()
    captures: list[tuple[str, str]] = []
    for value in spool:
        yield value["objects"]
        captures += [(key, event) for key, event in value["captures"]]
    for _, event in sorted(captures, key=lambda pair: pair[0]):
        yield event
    for step in STEPS:
        for value in spool:
            yield value["steps"].get(step, "")
    yield from premis.closing()


def _notes(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    yield notes.opening(head)
    for value in spool:
        yield notes.chip_notes(value["chip"])


def _report(making: _Making, spool: Spool) -> None:
    from pipeline.catalogue import load
    from pipeline.views.report import report_pages

    head, origin = making.head, making.head["released_from"]
    events = [
        {"when": date or "not said", "what": "capture", "detail": f"{count} reading{'s' if count > 1 else ''} by {reader}", "agent": reader}
        for (date, reader), count in sorted(making.captures.items())
    ]  # fmt: skip
    events.append({
        "when": head["created"], "what": "information package creation", "detail": f"bag {origin['bag']} created",
        "agent": f"wellread {head['software']['version']}",
    })  # fmt: skip
    events.append({
        "when": origin["when"] if origin["clock_fixed"] else f"{origin['when'][:10]} or later", "what": "dissemination",
        "detail": f"public bundle made from {origin['bag']}, which had just passed a recheck", "agent": f"wellread {origin['software']['version']}",
    })  # fmt: skip
    parts = {part.part: part for part in load().parts}
    pages = report_pages(
        {**head, "events": events}, lambda: (value["chip"] for value in spool), making.bag.read, public=True,
        with_content=making.public.survey.content, parts=parts,
    )  # fmt: skip
    for name, content in pages:
        making.write(
            f"data/report/{name}", content, "The report" if name == "index.html" else "The report on one chip"
        )


def _left(making: _Making) -> Iterator[str]:
    """What stays behind, one line a reason."""
    grouped: dict[str, list[str]] = {}
    for one in making.public.withheld:
        what = (
            one.what
            if one.what.startswith(("field ", "chip ", "space "))
            else f"file {one.chip or one.what.rsplit('.', 1)[-1]}"
        )
        grouped.setdefault(one.why, []).append(what if making.public.secret_in(what) == "" else "a file")
    for why, things in sorted(grouped.items()):
        distinct = list(dict.fromkeys(things))
        named = ", ".join(distinct[:12]) + (f" and {len(distinct) - 12} more" if len(distinct) > 12 else "")
        yield f"{named}: {why}"


def _search(making: _Making) -> None:
    """Step 6: the public view was made without private values; this looks whether that is so.

    Raises:
        JudgedBadError: A text holds one; nothing is put in place.
    """
    assert making.root is not None
    for entry in making.entries:
        if entry.path.startswith(
            ("data/images", "data/spaces/", "data/readings/", "data/photos/", "data/docs/")
        ):
            continue
        label = making.public.secret_in((making.root / entry.path).read_bytes().decode("utf-8", "replace"))
        if label:
            raise JudgedBadError(
                where=entry.path, problem=f"it would have held the text of a private field ({label})",
                remedy="Nothing was put in place; please report this with the message",
            )  # fmt: skip


def _ready(making: _Making) -> None:
    assert making.root is not None
    finish_bag(making.root, making.entries, bundle.bag_info(making.head, PROFILE))


def _judge(root: Path, progress: Progress) -> None:
    """Two judges, as for every bag.

    Raises:
        JudgedBadError: Either finds anything.
    """
    verdict = judge(observe(root, progress=lambda done, of: progress.show("bytes judged:", done, of)))
    complaints = [f"{one.path}: {one.means}" for one in verdict.problems] or second_opinion(root)
    if not verdict.valid or complaints:
        raise JudgedBadError(
            where=root.name, problem=f"the bundle does not pass ({complaints[0]})",
            remedy="Nothing was put in place; please report this with the message",
        )  # fmt: skip


def _judge_zip(packed: Path, progress: Progress) -> None:
    verdict = judge(
        observe(packed, progress=lambda done, of: progress.show("bytes of the zip judged:", done, of))
    )
    if not verdict.valid:
        raise JudgedBadError(
            where=packed.name, problem=f"the zip does not pass ({verdict.problems[0].path}: {verdict.problems[0].means})",
            remedy="Nothing was put in place; please report this with the message",
        )  # fmt: skip


def _document(making: _Making, folder: Path | None, packed: Path | None, digest: str) -> dict[str, Any]:
    origin = making.head["released_from"]
    return {
        "schema": "wellread/release/1", "command": "release", "bag": str(making.bag.path), "dry_run": folder is None,
        "bundle": str(folder) if folder else None, "zip": str(packed) if packed else None, "zip_sha256": digest or None,
        "content": origin["content"], "rights": making.head["rights"]["statement"], "grades": making.head["grades"],
        "files": sorted(making.described), "chips": making.chips,
        "withheld": [
            {"what": one.what, "why": one.why, "chip": one.chip or None, "sha256": one.sha256 or None} for one in making.public.withheld
        ],
        "replaced": dict(sorted(making.public.replaced.items())), "cautions": making.cautions,
    }  # fmt: skip
