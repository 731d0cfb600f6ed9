"""One chip, from its dump files to everything that can be said of it alone.

This runs in workers. It reads the chip's files through the edges, sends them through the stages, and writes
the dumps and the image into the staging bag, if there is one.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.edges.project_folder import read_file
from pipeline.errors import FormatError, WellreadError
from pipeline.flow import Pass, PlannedChip, PlannedReading, Problem, Settled, Subject, Words
from pipeline.formats import Declared, decode
from pipeline.stages.content import (
    content_findings,
    regions,
    self_checks,
    signature,
    vectors,
    with_sisters,
)
from pipeline.stages.content.selfcheck import schemes_tried
from pipeline.stages.examine import examine
from pipeline.stages.grade import concerns_image, grade, missing, weigh_lengths
from pipeline.stages.normalise import Manner, normalise
from pipeline.stages.qualify import Evidence, ReadChip, chip_evidence
from pipeline.stages.reconcile import contested_bits, reconcile
from pipeline.steps import DECLARED, image_bytes
from schemas.finding import Finding, Severity
from schemas.names import Organisation
from schemas.sheet import Reader, ReadingRow

HOW = (
    "date",
    "device_setting",
    "read_as",
    "selects",
    "supply_v",
    "clock",
    "pulls",
    "temperature_c",
    "sitting",
    "take",
    "packed",
    "byte_order",
    "polarity",
    "bit_order",
    "format",
    "token",
    "word_order",
    "address",
    "gaps",
)
"""What the sheet says of a reading that the record repeats beside it."""


MOST_TIMES_THE_CHIP = 4096
"""A log of many passes, printed at length, is a few hundred times as long as its chip; common practice, no source."""
FEWEST_BYTES_REFUSED = 16 * 1024 * 1024
BROUGHT = frozenset(["reorder-lines", "rotate", "realign"])
"""Steps by which reconciling brings a pass into the order of another."""


@dataclass(frozen=True, slots=True)
class Job:
    """What every worker needs to know.

    Attributes:
        folder: The project folder.
        root: The bag in staging, or None where nothing is written.
        readers: Of the sheet.
        names: Path in the project folder → path in the bag, for every dump file.
        owners: Path in the project folder → the chip whose worker writes it.
    """

    folder: Path
    root: Path | None
    readers: Mapping[str, Reader]
    names: Mapping[str, str]
    owners: Mapping[str, str]


@dataclass(slots=True)
class Worked:
    """What the work on one chip gives.

    Attributes:
        chip: Its id.
        record: Its record as plain JSON data, but for what only all chips together can say.
        entries: Files written into the bag.
        inputs: (path in the project folder, SHA-256) of every file read.
        problems: Dumps that could not be understood.
        evidence: What it says about its readers, where two or more have read it.
        kin: Its signature for the comparison of all chips, or None.
        checks: Embedded checks found on it alone.
        schemes: How many schemes were tried on it, by width.
    """

    chip: str
    record: dict[str, Any]
    entries: list[BagEntry] = field(default_factory=list)
    inputs: list[tuple[str, str]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    evidence: Evidence | None = None
    kin: Any = None
    checks: tuple[Any, ...] = ()
    schemes: dict[int, int] = field(default_factory=dict)


def work_batch(job: Job, chips: Sequence[PlannedChip]) -> list[Worked]:
    """Chips one after the other."""
    return [work(chip, job) for chip in chips]


def board_folder(planned: PlannedChip) -> str:
    """The folder of a chip's board in the bag."""
    from pipeline.stages.sheet import UNPLACED

    return planned.chip.board or UNPLACED


def work(planned: PlannedChip, job: Job) -> Worked:
    """Everything about one chip."""
    worked = Worked(planned.chip.chip, _facts(planned))
    passes: list[Pass] = []
    lengths: list[Finding] = []
    records = []
    contents: dict[str, bytes] = {}
    for reading in planned.readings:
        record, own, found = _reading(planned, reading, job, worked, contents)
        records.append(record)
        passes += own
        lengths += found
    worked.record["readings"] = records
    if worked.problems:
        return worked
    trusted = frozenset(name for name, reader in job.readers.items() if reader.kind == "device-programmer")
    settled = None
    if planned.organisation is not None:
        fades_to = planned.part.fades_to if planned.part else None
        reconciled = reconcile(
            passes,
            chip=planned.chip.chip,
            organisation=planned.organisation,
            fades_to=fades_to,
            trusted=trusted,
        )
        settled = reconciled.settled if reconciled else None
    if settled is None or reconciled is None:
        aside = sum(1 for reading in planned.readings if reading.row.set_aside is not None)
        graded = missing(planned.chip.state, len(planned.chip.attempts), aside)
        worked.record |= {"grade": graded.grade.value, "reasons": list(graded.reasons), "bears": graded.bears}
        worked.record |= {"image": None, "contested": None, "findings": [], "regions": [], "vectors": []}
        return worked
    _judged(planned, settled, (*lengths, *reconciled.findings), job, worked)
    return worked


def _facts(planned: PlannedChip) -> dict[str, Any]:
    chip = planned.chip
    facts = chip.model_dump(mode="json", exclude_none=True, exclude={"unconfirmed"}, exclude_defaults=True)
    facts["catalogued"] = planned.part.part if planned.part else None
    facts["organisation"] = str(planned.organisation) if planned.organisation else None
    return facts


def _how(row: ReadingRow) -> dict[str, Any]:
    said = row.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return {key: said[key] for key in HOW if key in said}


def _manner(reading: PlannedReading, reader: Reader, declared: Mapping[str, Any]) -> Manner:
    row = reading.row
    return Manner(
        reading=reading.reading,
        reader=reading.reader,
        sitting=f"{reading.reader}/{row.sitting or ''}",
        when=row.date or "",
        supply_v=row.supply_v,
        take=row.take,
        packed=row.packed,
        byte_order=row.byte_order or reader.byte_order,
        inverted=(row.polarity or reader.polarity) == "inverted",
        reversed_bits=(row.bit_order or reader.bit_order) == "reversed",
        declared=tuple(declared.items()),
    )


def declared_of(row: ReadingRow, reader: Reader, organisation: Organisation) -> dict[str, Any]:
    """What the sheet declares about a dump, as the decoder takes it and as the decode step keeps it."""
    out: dict[str, Any] = {"bits": organisation.bits if not (row.take or row.packed) else 8}
    if not row.take and not row.packed:
        out["words"] = organisation.words
    for key in ("format", "token", "word_order", "address"):
        value = getattr(row, key) or getattr(reader, key)
        if value is not None:
            out[key] = value
    if row.gaps:
        out["gaps"] = True
    return out


def _reading(
    planned: PlannedChip, reading: PlannedReading, job: Job, worked: Worked, contents: dict[str, bytes]
) -> tuple[dict[str, Any], list[Pass], list[Finding]]:
    """One reading: its files packed, and decoded unless it was set aside."""
    record: dict[str, Any] = {"reading": reading.reading, "reader": reading.reader, "files": [], "passes": []}
    row = reading.row
    record["set_aside"] = row.set_aside
    record["how"] = _how(row)
    for key in ("public", "private", "operator", "notes"):
        value = getattr(row, key)
        if value:
            record[key] = value
    reader = job.readers.get(reading.reader, Reader())
    if reader.operator and not row.operator:
        record["operator"] = reader.operator
    passes: list[Pass] = []
    lengths: list[Finding] = []
    for index, path in enumerate(reading.files):
        content = contents.get(path)
        if content is None:
            content = contents[path] = read_file(job.folder, path)
        stored = _store(planned, path, content, job, worked)
        record["files"].append(stored)
        if row.set_aside is not None or planned.organisation is None:
            continue
        try:
            own, found = _decoded(planned, reading, reader, content, stored, len(passes) + 1)
        except WellreadError as error:
            worked.problems.append(_undecodable(planned, reading, path, error))
            continue
        for one in own:
            record["passes"].append(_pass_record(one, index, planned.organisation))
        passes += own
        lengths += found
    return record, passes, lengths


def _undecodable(planned: PlannedChip, reading: PlannedReading, path: str, error: WellreadError) -> Problem:
    place = f"{path}, {error.where}" if isinstance(error, FormatError) else f"{path} ({error.where})"
    return Problem(
        place,
        f"reading {reading.reading} of chip {planned.chip.chip}",
        error.problem,
        (
            f"a dump that can be decoded: {error.remedy[0].lower()}{error.remedy[1:]}; or set the "
            f"reading aside with its reason"
        ),
    )


def _store(planned: PlannedChip, path: str, content: bytes, job: Job, worked: Worked) -> dict[str, Any]:
    """The dump file in the bag, written by the chip that owns it."""
    name = job.names.get(path, path)
    if job.root is not None and job.owners.get(path) == planned.chip.chip and not _written(worked, name):
        entry = write_member(job.root, name, content)
        worked.entries.append(entry)
        sha256, sha512 = entry.sha256, entry.sha512
    else:
        sha256, sha512 = hashlib.sha256(content).hexdigest(), hashlib.sha512(content).hexdigest()
    worked.inputs.append((path, sha256))
    return {
        "path": name,
        "original_name": path,
        "size_bytes": len(content),
        "sha256": sha256,
        "sha512": sha512,
        "format": None,
        "forgiven": [],
        "notes": [],
    }


def _written(worked: Worked, name: str) -> bool:
    return any(entry.path == name for entry in worked.entries)


def _decoded(
    planned: PlannedChip,
    reading: PlannedReading,
    reader: Reader,
    content: bytes,
    stored: dict[str, Any],
    number: int,
) -> tuple[list[Pass], list[Finding]]:
    assert planned.organisation is not None
    most = max(FEWEST_BYTES_REFUSED, planned.organisation.size_bytes * MOST_TIMES_THE_CHIP)
    if len(content) > most and not reading.row.take:
        raise FormatError(
            where=f"offset {most:#x}",
            problem=f"the file goes on for {len(content)} bytes, for a chip of {planned.organisation}",
            remedy="Name the chip's own dump, or say with `take` which part of the file is the chip's",
        )
    declared = declared_of(reading.row, reader, planned.organisation)
    decoded = decode(content, Declared(**declared))
    stored["format"] = decoded.format
    stored["forgiven"] = [
        {"what": one.what, "place": str(one.place), "count": one.count} for one in decoded.forgiven
    ]
    stored["notes"] = list(decoded.notes)
    kept = {key: declared[key] for key in DECLARED if key in declared and key != "format"}
    done = normalise(
        decoded,
        chip=planned.chip.chip,
        organisation=planned.organisation,
        manner=_manner(reading, reader, kept),
        first_number=number,
    )
    return list(done.passes), list(done.findings)


def _pass_record(one: Pass, file: int, organisation: Organisation) -> dict[str, Any]:
    return {
        "number": one.number,
        "sitting": one.sitting,
        "file": file,
        "words_sha256": hashlib.sha256(image_bytes(one.words, organisation.bits)).hexdigest(),
        "absent_words": 0 if one.present is None else int((~one.present).sum()),
        "steps": [
            {"action": step.action, "settings": dict(step.settings), "why": step.why} for step in one.steps
        ],
    }


def _judged(
    planned: PlannedChip, settled: Settled, early: Sequence[Finding], job: Job, worked: Worked
) -> None:
    """Examine, grade and write the image of a chip that has one."""
    chip, organisation = planned.chip.chip, settled.organisation
    _steps_after_lining(settled, organisation, worked)
    subject = Subject(
        chip=chip,
        organisation=organisation,
        settled=settled,
        part=planned.part,
        length_findings=weigh_lengths(early, settled),
        erased_state=planned.erased_state,
    )
    findings = list(examine(subject))
    parts = regions(settled.words, organisation.bits, erased_state=planned.erased_state, part=planned.part)
    checks = self_checks({chip: settled.words}, organisation.bits, parts={chip: parts})
    found = vectors(settled.words, organisation.bits)
    findings += content_findings(chip, parts, (), found)
    worked.checks = checks
    worked.schemes = dict(schemes_tried(settled.words, organisation.bits, parts))
    graded = grade(settled, findings)
    fades_to = planned.part.fades_to if planned.part else None
    first = settled.passes[0].reading
    unsettled = graded.grade.value in ("faulty", "contested")
    worked.record |= {
        "grade": graded.grade.value,
        "reasons": list(graded.reasons),
        "bears": graded.bears,
        "image": _image(planned, settled, job, worked, unsettled=unsettled),
        "contested": contested_bits(settled, fades_to=fades_to, first_listed=first),
        "findings": [finding.model_dump(mode="json") for finding in findings],
        "regions": [region.to_json() for region in with_sisters(parts, (), checks)],
        "vectors": [vector.to_json() for vector in found],
    }
    worked.kin = signature(settled.words, organisation.bits, parts)
    # A pass that had to be brought into another's order proves nothing about the order of its own lines.
    straight = [one for one in settled.passes if not any(step.action in BROUGHT for step in one.steps)]
    readers = {one.reader for one in straight}
    if len(readers) > 1:
        by_reader = {reader: _said_by(reader, straight) for reader in sorted(readers)}
        worked.evidence = chip_evidence(ReadChip(chip, organisation, by_reader))


def _steps_after_lining(settled: Settled, organisation: Organisation, worked: Worked) -> None:
    """Passes that were brought into line carry one step more: the record has to replay to the same words."""
    by_key = {(one.reading, one.number): one for one in settled.passes}
    for reading in worked.record["readings"]:
        for record in reading["passes"]:
            one = by_key.get((reading["reading"], record["number"]))
            if one is not None and len(one.steps) != len(record["steps"]):
                record.update(_pass_record(one, record["file"], organisation))


def _said_by(reader: str, passes: Sequence[Pass]) -> tuple[Words, NDArray[np.bool_] | None]:
    """A reader's words, and where it speaks for a whole word."""
    own = [one for one in passes if one.reader == reader]
    words = own[0].words
    present = np.ones(words.shape, np.bool_) if own[0].present is None else own[0].present.copy()
    for one in own[1:]:
        present &= one.words == words
        if one.present is not None:
            present &= one.present
    return words, None if present.all() else present


def _image(
    planned: PlannedChip, settled: Settled, job: Job, worked: Worked, *, unsettled: bool
) -> dict[str, Any]:
    """The image file, its mask where something is contested, its digests and its short sums."""
    organisation = settled.organisation
    content = image_bytes(settled.words, organisation.bits)
    base = f"data/{'images-unsettled' if unsettled else 'images'}/{board_folder(planned)}/{planned.chip.chip}"
    mask = image_bytes(settled.contested, organisation.bits) if settled.contested.any() else None
    if job.root is not None:
        entry = write_member(job.root, f"{base}.bin", content)
        worked.entries.append(entry)
        if mask is not None:
            worked.entries.append(write_member(job.root, f"{base}.contested.bin", mask))
    else:
        entry = BagEntry(
            f"{base}.bin",
            len(content),
            hashlib.sha256(content).hexdigest(),
            hashlib.sha512(content).hexdigest(),
        )
    return {
        "path": entry.path,
        "settled": not unsettled,
        "mask_path": f"{base}.contested.bin" if mask is not None else None,
        "size_bytes": entry.size_bytes,
        "sha256": entry.sha256,
        "sha512": entry.sha512,
        "sums": sums(settled.words, organisation.bits),
    }


def sums(words: Words, bits: int) -> list[dict[str, str]]:
    """CRC-32 and the 16-bit additive sum, in the forms in which others may quote them.

    For words wider than 8 bits the sum over the bytes does not depend on their order, so beside it stands the
    sum over 16-bit words in both orders. For narrow words the unused upper bits count as zeros and as ones.

    Source: CRC-32/ISO-HDLC of the catalogue of parametrised CRC algorithms; the additive sum is common
    practice.
    """
    content = image_bytes(words, bits)
    out = [("crc32", "as-stored", zlib.crc32(content)), ("sum16", "as-stored", _byte_sum(content))]
    if bits < 8:
        upper = np.array(0xFF & ~((1 << bits) - 1), np.uint8)
        high = (words.astype(np.uint8) | upper).tobytes()
        out = [
            ("crc32", "upper-bits-0", zlib.crc32(content)),
            ("crc32", "upper-bits-1", zlib.crc32(high)),
            ("sum16", "upper-bits-0", _byte_sum(content)),
            ("sum16", "upper-bits-1", _byte_sum(high)),
        ]
    elif 8 < bits <= 16:
        wide = words.astype(np.uint16)
        swapped = wide.byteswap()
        out += [
            ("crc32", "big-endian", zlib.crc32(content)),
            ("crc32", "little-endian", zlib.crc32(swapped.astype(">u2").tobytes())),
            ("sum16", "big-endian", int(wide.sum(dtype=np.uint64)) & 0xFFFF),
            ("sum16", "little-endian", int(swapped.sum(dtype=np.uint64)) & 0xFFFF),
        ]
    return [
        {"method": method, "form": form, "value": f"{value:0{8 if method == 'crc32' else 4}X}"}
        for method, form, value in out
    ]


def _byte_sum(content: bytes) -> int:
    return int(np.frombuffer(content, np.uint8).sum(dtype=np.uint64)) & 0xFFFF


def needs_person(record: Mapping[str, Any]) -> bool:
    """Whether a chip still needs a person: no image, an unsettled one, or a fault in a reading."""
    if record["grade"] in ("missing", "faulty", "contested"):
        return True
    return any(
        finding["severity"] == Severity.FAULT.value and concerns_image(Finding.model_validate(finding))
        for finding in record["findings"]
    )
