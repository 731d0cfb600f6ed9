"""One chip brought to the street and its result taken away; the only place where a chip's files are read.

This runs in workers. It reads the chip's files through the edges, sends them down the street, and keeps the
dumps and the image: the dumps in the staging bag, if there is one, the image apart, since all chips together
have a word in where it is placed.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.edges.project_folder import read_file
from pipeline.errors import FormatError, WellreadError
from pipeline.flow import Carried, Framing, Pass, PlannedChip, PlannedReading, Problem, Settled
from pipeline.formats import Declared
from pipeline.formats.declaring import at_reading
from pipeline.in_step import InSteps, in_step
from pipeline.machine import Contribution
from pipeline.run.package.kept_passes import PASSES, add_departures, kept_name, packed_passes
from pipeline.run.package.spool import json_line, pickled
from pipeline.run.package.worked_before import Before, Keeping, Made, MadeBefore
from pipeline.stages.content import with_sisters
from pipeline.stages.content.among_chips import Stray, digest_of
from pipeline.stages.examine.odd_reading import RELATIONS
from pipeline.stages.examine.shared_wires import LINE_FAULTS, WireFault, wire_fault
from pipeline.stages.qualify import ReadChip, chip_evidence
from pipeline.stages.reconcile import contested_bits
from pipeline.steps import DECLARED, image_bytes, image_words
from pipeline.street import (
    ChipResult,
    Crossing,
    HowRead,
    Taken,
    ToJudge,
    declared_of,
    judge,
    lines_named,
    manner_of,
    said_of,
    take_in,
    without_reading,
)
from pipeline.words import Words, true_ranges
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from schemas.sheet import ReadingRow

if TYPE_CHECKING:
    from schemas.record import (
        ChipRecord,
        DumpRecord,
        FrameRecord,
        ImageDigests,
        ImageRecord,
        JudgedChip,
        PassRecord,
        ReadingRecord,
        SumForm,
        SumMethod,
        SumRecord,
    )
    from schemas.recorded_sheet import HowRecord
    from schemas.sheet import Reader

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
    "wiring",
    "lines",
)
"""What the sheet says of a reading that the record repeats beside it."""


@dataclass(frozen=True, slots=True)
class Job:
    """What every worker needs to know.

    Attributes:
        folder: The project folder.
        root: The bag in staging, or None where nothing is written.
        images: The folder in which images lie until they are placed.
        how: What the sheet says of readers and wires.
        carried: Chip → reading → what other chips prove of its wiring; such chips walk a second time.
        before: What earlier runs made of the same chips; None where nothing is kept.
    """

    folder: Path
    root: Path | None
    images: Path
    how: HowRead
    carried: Mapping[str, Mapping[str, Carried]] = field(default_factory=dict)
    before: Before | None = None

    def again(self, carried: Mapping[str, Mapping[str, Carried]]) -> Job:
        """The second walk of the chips that other chips reach: their dumps lie in the bag already."""
        return replace(self, root=None, carried=carried, before=None)


class ToWork(NamedTuple):
    """A chip to be worked on.

    Attributes:
        planned: The chip.
        names: Path in the project folder → path in the bag, of its dump files; empty where there is no bag.
        writes: Those of them that its worker writes: a file of several chips is written once.
    """

    planned: PlannedChip
    names: Mapping[str, str]
    writes: Collection[str]


@dataclass
class Worked:
    """What the work on one chip gives.

    Attributes:
        chip: Its id.
        record: Its record as plain JSON data, but for what only all chips together can say.
        given: What it brings to the machine.
        entries: Files written into the bag.
        inputs: (path in the project folder, SHA-256) of every file read.
        problems: Dumps that could not be understood.
        pack: The pack in which what was made of it is kept, or "".
    """

    chip: str
    record: ChipRecord
    given: Contribution
    entries: list[BagEntry] = field(default_factory=list)
    inputs: list[tuple[str, str]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    pack: str = ""

    @cached_property
    def line(self) -> bytes:
        """Its record as a line of JSON: kept for the next run, and handed over."""
        return json_line(self.record)

    @cached_property
    def brought(self) -> bytes:
        """What it brings to the machine, pickled: kept for the next run, and handed over."""
        return pickled(self.given)

    def lies_in(self, pack: str) -> None:
        """What was made of it is kept there now."""
        self.pack = pack

    def handed_over(self) -> HandedOver:
        """The same, as the parent is given it."""
        organisation = self.given.organisation
        return HandedOver(
            self.chip,
            self.line,
            self.brought,
            organisation.bits if organisation else None,
            self.given.crossings,
            pickled(self.entries),
            [sha256 for _, sha256 in self.inputs],
            self.problems,
            self.pack,
        )


class HandedOver(NamedTuple):
    """What the work on one chip gives: what the parent only passes on comes as it is passed on.

    Attributes:
        chip: Its id.
        line: Its record as a line of JSON.
        given: What it brings to the machine, a `Contribution`; pickled.
        bits: Of a word of its image, where it has one.
        crossings: What it shows of its wirings.
        entries: Files written into the bag; pickled.
        inputs: SHA-256 of every file of its readings, in their order.
        problems: Dumps that could not be understood.
        pack: The pack in which what was made of it is kept, or "".
    """

    chip: str
    line: bytes
    given: bytes
    bits: int | None
    crossings: tuple[Crossing, ...]
    entries: bytes
    inputs: list[str]
    problems: list[Problem]
    pack: str


AT_ONCE_BYTES = 1 << 18
"""Chips go down the street together until their files come to so much, which stays close to the processor."""


def work_batch(job: Job, chips: Sequence[ToWork]) -> list[HandedOver]:
    """Chips a few at a time; what is made of them is kept for the next run."""
    keeping, out = Keeping(job.before), []
    for some in _few_at_a_time(_begun(chip, job) for chip in chips):
        out += in_step(_work(one, job, keeping) for one in some)
    keeping.write()
    return [one.handed_over() for one in out]


IMAGE, CONTESTED = ".bin", ".contested"
"""Endings of an image that waits to be placed, and of its mask."""


@lru_cache(maxsize=64)
def image_file(folder: Path, chip: str) -> Path:
    """Where a chip's image lies until it is placed: under a name that every system can carry."""
    return folder / f"{kept_name(chip)}{IMAGE}"


@lru_cache(maxsize=64)
def mask_file(image: Path) -> Path:
    """Where the mask of contested bits lies beside an image."""
    return image.with_suffix(CONTESTED)


class WaitingFiles:
    """The files of one chip that lie beside the bag until its image is placed.

    Args:
        images: The folder in which they lie.
        chip: Its id.

    Attributes:
        contents: Ending → content, of each that was written or taken again.
    """

    def __init__(self, images: Path, chip: str) -> None:
        self._images, self._name = images, kept_name(chip)
        self.contents: dict[str, bytes] = {}

    def put(self, ending: str, content: bytes) -> BagEntry:
        """Write one."""
        self.contents[ending] = content
        return write_member(self._images, f"{self._name}{ending}", content)

    def make_room(self) -> None:
        """On a chip's second walk what is written takes the place of what the first walk wrote."""
        for ending in (IMAGE, CONTESTED, PASSES):
            (self._images / f"{self._name}{ending}").unlink(missing_ok=True)


def load_image(folder: Path, chip: str, bits: int) -> Words:
    """A chip's image before it is placed."""
    return image_words(image_file(folder, chip).read_bytes(), bits)


@dataclass(slots=True)
class _Underway:
    """A chip whose files were read.

    Attributes:
        planned: The chip.
        worked: What is known of it so far.
        contents: Of each reading, its files.
        beside: The files that wait beside the bag.
        key: What the work on it hangs on; "" where nothing is kept.
        passes: Of all its readings, once they were taken in.
        lengths: What was found of their lengths.
    """

    planned: PlannedChip
    worked: Worked
    contents: Sequence[list[bytes]]
    beside: WaitingFiles
    key: str
    passes: list[Pass] = field(default_factory=list)
    lengths: list[Finding] = field(default_factory=list)

    @property
    def size_bytes(self) -> int:
        """How much was read."""
        return sum(len(content) for files in self.contents for content in files)


def _begun(chip: ToWork, job: Job) -> _Underway:
    """One chip's files read and packed."""
    planned = chip.planned
    worked = Worked(planned.chip.chip, _facts(planned), Contribution(planned.chip.chip, None, "missing"))
    worked.record["readings"] = []
    contents = [_stored(chip, reading, job, worked) for reading in planned.readings]
    key = "" if job.before is None else job.before.key(planned, chip.names, dict(worked.inputs))
    return _Underway(planned, worked, contents, WaitingFiles(job.images, worked.chip), key)


def _few_at_a_time(chips: Iterable[_Underway]) -> Iterator[list[_Underway]]:
    """Chips in their order, until their files come to `AT_ONCE_BYTES`, and so on."""
    some: list[_Underway] = []
    size_bytes = 0
    for one in chips:
        some.append(one)
        size_bytes += one.size_bytes
        if size_bytes >= AT_ONCE_BYTES:
            yield some
            some, size_bytes = [], 0
    if some:
        yield some


def _work(chip: _Underway, job: Job, keeping: Keeping) -> InSteps[Worked]:
    """One chip down the street, in step with the others that were read with it.

    Args:
        chip: Of which an earlier run may have made everything already.
        job: What every worker needs to know.
        keeping: Gets what was worked out, where that is kept.
    """
    worked = chip.worked
    if _as_before(chip, job):
        return worked
    _take_in(chip, job)
    if worked.problems:
        return worked
    yield
    if chip.passes:
        result = yield from judge(_to_judge(chip, job))
    else:
        result = without_reading(chip.planned)
    yield
    _write_down(chip, result, again=bool(job.carried))
    yield
    worked.given = _given(result)
    yield
    if job.before is not None:
        keeping.add(chip.key, Made(worked.line, worked.brought, chip.beside.contents), worked.lies_in)
    return worked


def _take_in(chip: _Underway, job: Job) -> None:
    """The passes of all its readings."""
    for reading, files in zip(chip.planned.readings, chip.contents, strict=True):
        passes, lengths = _reading(chip.planned, reading, job, chip.worked, files)
        chip.passes += passes
        chip.lengths += lengths


def _to_judge(chip: _Underway, job: Job) -> ToJudge:
    planned = chip.planned
    assert planned.organisation is not None
    return ToJudge(
        planned.chip.chip,
        planned.organisation,
        chip.passes,
        chip.lengths,
        part=planned.part,
        erased_state=planned.erased_state,
        said=said_of(planned, job.how, job.carried.get(planned.chip.chip, {})),
        answers=planned.chip.answers,
        processor=planned.processor,
    )


def _write_down(chip: _Underway, result: ChipResult, *, again: bool) -> None:
    """What the street says put into the chip's record, and its image kept until it is placed."""
    if again:
        chip.beside.make_room()
    record = chip.worked.record = {**chip.worked.record, **_judged(result, chip.planned, chip.beside)}
    if result.settled is not None:
        _lined_up(result.settled, record["readings"])
        _departures(result.settled, chip.passes, record["readings"], chip.beside)


def _as_before(chip: _Underway, job: Job) -> bool:
    """What an earlier run made of the same files, if it fits what was read now."""
    before, worked = job.before, chip.worked
    found = None if before is None else before.find(chip.key)
    if before is None or found is None or not _fits(found, worked):
        return False
    for ending, content in found.made.kept.items():
        chip.beside.put(ending, content)
    worked.record, worked.given, worked.pack = found.record, found.given, before.pack_of(chip.key)
    worked.line, worked.brought = found.made.line, found.made.given
    return True


def _fits(found: MadeBefore, worked: Worked) -> bool:
    """Whether what was made is of the files that were read now, and its image is the one that it tells of."""
    now = [_same_file(one) for reading in worked.record["readings"] for one in reading["files"]]
    was = [_same_file(one) for reading in found.record["readings"] for one in reading["files"]]
    told, content = found.record["image"], found.made.kept.get(IMAGE)
    if found.record["chip"] != worked.chip or found.given.chip != worked.chip or now != was:
        return False
    if told is None or content is None:
        return told is None and content is None
    return hashlib.sha256(content).hexdigest() == told["sha256"]


def _same_file(one: DumpRecord) -> tuple[str, str | None, int, str, str]:
    return one["path"], one["original_name"], one["size_bytes"], one["sha256"], one["sha512"]


def _departures(
    settled: Settled, passes: Sequence[Pass], readings: Sequence[ReadingRecord], beside: WaitingFiles
) -> None:
    """Where passes depart from the image: told in the record, and kept for the pictures."""
    add_departures(readings, passes, settled.words)
    packed = packed_passes(passes, settled.organisation.bits)
    if packed is not None:
        beside.put(PASSES, packed)


def _facts(planned: PlannedChip) -> ChipRecord:
    chip = planned.chip
    # What the street says is added when the chip has gone down it.
    facts = cast(
        "ChipRecord",
        chip.model_dump(mode="json", exclude_none=True, exclude={"unconfirmed"}, exclude_defaults=True),
    )
    facts["catalogued"] = planned.part.part if planned.part else None
    facts["organisation"] = str(planned.organisation) if planned.organisation else None
    return facts


def _how(row: ReadingRow) -> HowRecord:
    said = row.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return cast("HowRecord", {key: said[key] for key in HOW if key in said})


def _stored(chip: ToWork, reading: PlannedReading, job: Job, worked: Worked) -> list[bytes]:
    """One reading's files read and packed; their content, where it will be taken in."""
    record = _said_of(reading, job.how.reader(reading.reader))
    worked.record["readings"].append(record)
    contents = []
    for path in reading.files:
        content = read_file(job.folder, path)
        record["files"].append(_store(chip, path, content, job, worked))
        contents.append(content)
    return contents


def _reading(
    planned: PlannedChip, reading: PlannedReading, job: Job, worked: Worked, contents: list[bytes]
) -> tuple[list[Pass], list[Finding]]:
    """One reading taken in, unless it was set aside; the files' content goes with it."""
    record = next(one for one in worked.record["readings"] if one["reading"] == reading.reading)
    passes: list[Pass] = []
    lengths: list[Finding] = []
    if reading.row.set_aside is not None or planned.organisation is None:
        return passes, lengths
    contents.reverse()
    for index, path in enumerate(reading.files):
        stored = record["files"][index]
        try:
            taken = take_reading(planned, reading, job.how, contents.pop(), len(passes) + 1)
        except WellreadError as error:
            worked.problems.append(_undecodable(planned, reading, path, error))
            continue
        stored["format"], stored["notes"] = taken.decoded.format, list(taken.decoded.notes)
        stored["forgiven"] = [
            {"what": one.what, "place": str(one.place), "count": one.count} for one in taken.decoded.forgiven
        ]
        record["passes"] += [_pass_record(one, index, planned.organisation) for one in taken.passes]
        passes += taken.passes
        lengths += taken.findings
    return passes, lengths


def _said_of(reading: PlannedReading, reader: Reader) -> ReadingRecord:
    """What the sheet says of a reading, before its files are looked at."""
    row = reading.row
    record: ReadingRecord = {
        "reading": reading.reading,
        "reader": reading.reader,
        "files": [],
        "passes": [],
        "set_aside": row.set_aside,
        "how": _how(row),
    }
    if row.public:
        record["public"] = True
    if row.private:
        record["private"] = True
    if row.operator:
        record["operator"] = row.operator
    if row.notes:
        record["notes"] = row.notes
    if reader.operator and not row.operator:
        record["operator"] = reader.operator
    return record


def take_reading(
    planned: PlannedChip, reading: PlannedReading, how: HowRead, content: bytes, number: int
) -> Taken:
    """One file of a reading decoded and normalised as the sheet says.

    Args:
        planned: The chip, its organisation known.
        reading: With its row of the sheet.
        how: What the sheet says of readers and wires.
        content: The file.
        number: Of its first pass.

    Raises:
        FormatError: It cannot be understood.
    """
    assert planned.organisation is not None
    declared = declared_of(reading.row, how.reader(reading.reader), planned.organisation)
    kept = {key: declared[key] for key in DECLARED if key in declared and key != "format"}
    return take_in(
        content,
        Declared(**declared),
        manner_of(reading, how, planned.organisation, kept),
        chip=planned.chip.chip,
        organisation=planned.organisation,
        first_number=number,
    )


def _undecodable(planned: PlannedChip, reading: PlannedReading, path: str, error: WellreadError) -> Problem:
    """A dump that no decoder takes, with the row to write into the sheet where that settles it."""
    place = f"{path}, {error.where}" if isinstance(error, FormatError) else f"{path} ({error.where})"
    chip = planned.chip.chip
    remedy = at_reading(error.remedy, chip=chip, reader=reading.reader, path=path)
    words = f"{error.problem}. {remedy[0].upper()}{remedy[1:]}"
    return Problem(place, f"reading {reading.reading} of chip {chip}", error.problem, remedy, words=words)


def _store(chip: ToWork, path: str, content: bytes, job: Job, worked: Worked) -> DumpRecord:
    """The dump file in the bag, written by the chip that owns it."""
    name = chip.names.get(path, path)
    if job.root is not None and path in chip.writes and not _written(worked, name):
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


def _pass_record(one: Pass, file: int, organisation: Organisation) -> PassRecord:
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


def _judged(result: ChipResult, planned: PlannedChip, beside: WaitingFiles) -> JudgedChip:
    """What the street says of a chip, as its record has it before all chips together have spoken."""
    settled, graded = result.settled, result.graded
    out: JudgedChip = {
        "grade": graded.grade,
        "reasons": list(graded.reasons),
        "bears": graded.bears,
        "image": None,
        "contested": None,
        "findings": [one.to_record() for one in result.findings],
        "regions": [region.to_json() for region in with_sisters(result.regions, (), result.checks)],
        "vectors": [vector.to_json() for vector in result.vectors],
    }
    if settled is None:
        return out
    fades_to = planned.part.fades_to if planned.part else None
    # Its path, and whether it is settled, are known when it is placed.
    out["image"] = cast("ImageRecord", _image(settled, beside))
    out["contested"] = contested_bits(settled, fades_to=fades_to, first_listed=settled.passes[0].reading)
    if result.kept is not None and out["contested"] is not None:
        out["contested"]["flow"] = result.kept
    if result.read_for is not None:
        out["read_for"] = result.read_for
    if settled.known is not None:
        out["absent"] = [list(one) for one in true_ranges(~settled.known)]
    if result.held_back:
        out["held_back"] = list(result.held_back)
    if settled.framing is not None:
        out["frame"] = frame_record(settled.framing)
    return out


def frame_record(framing: Framing) -> FrameRecord:
    """The frames of a chip's readings as the record keeps them."""
    return {
        "settled": framing.chosen is not None,
        "frames": [
            {
                "readings": list(frame.readings),
                "mapping": None if frame.mapping is None else frame.mapping.to_json(),
                "words": frame.words,
                "image": index == (framing.chosen or 0),
            }
            for index, frame in enumerate(framing.frames)
        ],
        "grounds": [
            {"ground": one.ground, "frame": one.frame, "over": list(one.over), "words": one.words}
            for one in framing.grounds
        ],
    }


def _given(result: ChipResult) -> Contribution:
    """What one chip brings to the machine."""
    settled = result.settled
    if settled is None or result.organisation is None:
        return Contribution(result.chip, None, result.graded.grade.value)
    by_reader = said_by_readers(settled, explained_readings(result.findings, settled.passes))
    evidence = (
        chip_evidence(ReadChip(result.chip, result.organisation, by_reader)) if len(by_reader) > 1 else None
    )
    return Contribution(
        chip=result.chip,
        organisation=result.organisation,
        grade=result.graded.grade.value,
        readers=tuple(dict.fromkeys(one.reader for one in settled.passes)),
        signature=result.signature,
        checks=result.checks,
        schemes=result.schemes,
        evidence=evidence,
        crossings=result.crossings,
        held_back=result.held_back,
        absent=() if settled.known is None else tuple(true_ranges(~settled.known)),
        explained=_explained_by_reader(result),
        line_faults=_line_faults(result),
        families=tuple(
            family
            for one in result.findings
            if one.code is Code.RUNS_ON
            for family in one.evidence["families"]
        ),
        strays=_strays(result),
        leaning=result.leaning,
    )


def _strays(result: ChipResult) -> tuple[Stray, ...]:
    """Each reading of a chip on which two readers do not agree, by its first whole pass."""
    passes = result.settled.passes if result.settled else ()
    if result.graded.grade.value != "contested" or len({one.reader for one in passes}) < 2:
        return ()
    first = {one.reading: one for one in reversed(passes) if one.present is None}
    return tuple(Stray(one.reading, one.reader, digest_of(one.words)) for one in first.values())


EXPLAINED = RELATIONS | {Code.SEVEN_BIT, Code.NEWLINE_DAMAGE, Code.TEXT_DAMAGE}
"""Faults that explain by themselves why a reading differs: they are told, and are no rate of errors."""


def explained_readings(findings: Sequence[Finding], passes: Sequence[Pass]) -> dict[str, tuple[str, ...]]:
    """Readings whose disagreement has a name → it and its lines.

    A fault of one reader, a loose contact, two contents.

    Args:
        findings: All of the chip.
        passes: Of the chip; a fault that all its readers show alike is no disagreement.
    """
    by_reader = {one.reading: one.reader for one in passes}
    out: dict[str, tuple[str, ...]] = {}
    for finding in findings:
        name = (finding.code.value, *lines_named(finding))
        if finding.code is Code.INTERMITTENT_LINE:
            told = set(by_reader)
        elif finding.code in EXPLAINED:
            alone = set(finding.where.get("readers", ())) - {""}
            of_some = alone if alone < set(by_reader.values()) else set()
            told = {reading for reading, reader in by_reader.items() if reader in of_some}
            told = set(finding.where.get("readings", told))
        elif finding.evidence.get("pattern") == "two-contents":
            told, name = set(finding.where.get("readings", ())), ("another chip or another file",)
        else:
            continue
        for reading in sorted(told):
            out.setdefault(reading, name)
    return out


def _explained_by_reader(result: ChipResult) -> dict[str, tuple[str, ...]]:
    """Reader → what explains that it read this chip otherwise; only where two or more readers read it."""
    passes = result.settled.passes if result.settled else ()
    named = explained_readings(result.findings, passes)
    if len({one.reader for one in passes}) < 2:
        return {}
    return {one.reader: named[one.reading] for one in passes if one.reading in named}


def _line_faults(result: ChipResult) -> dict[str, tuple[WireFault, ...]]:
    """Reader → faults of its lines: beyond doubt, or since another reader read them otherwise."""
    passes = result.settled.passes if result.settled else ()
    readers = {one.reader for one in passes}
    out: dict[str, list[WireFault]] = {}
    for finding in result.findings:
        if finding.code not in LINE_FAULTS or finding.evidence.get("answer"):
            continue
        shown = set(finding.where.get("readers", readers)) & readers
        if len(shown) == 1 and (finding.severity is Severity.FAULT or len(readers) > 1):
            out.setdefault(shown.pop(), []).append(wire_fault(finding))
    return {reader: tuple(faults) for reader, faults in out.items()}


def said_by_readers(
    settled: Settled, explained: Collection[str] = ()
) -> dict[str, tuple[Words, NDArray[np.bool_] | None]]:
    """Reader → its words, and where it speaks for a whole word.

    A pass that had to be brought into another's order proves nothing about the order of its own lines, and a
    reading whose difference has a name says nothing of the rate at which its reader errs.

    Args:
        settled: The image with its passes.
        explained: Readings that are left out.
    """
    straight = [one for one in settled.passes if not one.moved and one.reading not in explained]
    return {
        reader: _said_by([one for one in straight if one.reader == reader])
        for reader in sorted({one.reader for one in straight})
    }


def _said_by(own: Sequence[Pass]) -> tuple[Words, NDArray[np.bool_] | None]:
    words = own[0].words
    present = np.ones(words.shape, np.bool_) if own[0].present is None else own[0].present.copy()
    for one in own[1:]:
        present &= one.words == words
        if one.present is not None:
            present &= one.present
    return words, None if present.all() else present


def _lined_up(settled: Settled, readings: Sequence[ReadingRecord]) -> None:
    """Passes that were brought into line carry more steps: the record has to replay to the same words."""
    by_key = {(one.reading, one.number): one for one in settled.passes}
    for reading in readings:
        for record in reading["passes"]:
            one = by_key.get((reading["reading"], record["number"]))
            if one is not None and len(one.steps) != len(record["steps"]):
                record.update(_pass_record(one, record["file"], settled.organisation))


def _image(settled: Settled, beside: WaitingFiles) -> ImageDigests:
    """The image and its mask kept until they are placed; its digests and its short sums."""
    bits = settled.organisation.bits
    entry = beside.put(IMAGE, image_bytes(settled.words, bits))
    if settled.contested.any():
        beside.put(CONTESTED, image_bytes(settled.contested, bits))
    return {
        "size_bytes": entry.size_bytes,
        "sha256": entry.sha256,
        "sha512": entry.sha512,
        "sums": sums(settled.words, bits),
    }


def sums(words: Words, bits: int) -> list[SumRecord]:
    """CRC-32 and the 16-bit additive sum, in the forms in which others may quote them.

    For words wider than 8 bits the sum over the bytes does not depend on their order, so beside it stands the
    sum over 16-bit words in both orders. For narrow words the unused upper bits count as zeros and as ones.

    Source: CRC-32/ISO-HDLC of the catalogue of parametrised CRC algorithms; the additive sum is common
    practice.
    """
    content = image_bytes(words, bits)
    out: list[tuple[SumMethod, SumForm, int]] = [
        ("crc32", "as-stored", zlib.crc32(content)),
        ("sum16", "as-stored", _byte_sum(content)),
    ]
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
