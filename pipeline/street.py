"""A chip's way through the stages, readable on one screen; every command and every measurement goes it.

1. `take_in`: a file's bytes are decoded and normalised into passes.
2. `judge`: the passes of each chip are reconciled into one image, which is examined, read for its content and
   graded. What other chips prove of the wires comes in here, on a second walk of the few chips it reaches.
3. `pipeline.machine` hears all chips together: wirings, kin, checks over several chips, spaces.
4. `conclude`: what all chips together said is added, and the grade is final.

Pure: bytes and values in, values out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from sys import intern
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.errors import FormatError
from pipeline.flow import Carried, Ground, Pass, PlannedChip, PlannedReading, Said, Settled, Subject
from pipeline.formats import Declared, Decoded, decode, says_addresses
from pipeline.in_step import InSteps
from pipeline.lines import LineMap
from pipeline.stages.content import (
    UNTOLD,
    Leaning,
    Program,
    Region,
    SelfCheck,
    Signature,
    Vector,
    content_findings,
    contested_flow,
    crossing_findings,
    find_regions,
    leaning,
    order_evidence,
    order_search,
    program_findings,
    program_of,
    read_for,
    schemes_tried,
    self_checks,
    signature,
    turned_findings,
    vectors,
    with_code,
)
from pipeline.stages.examine import examine_in_steps
from pipeline.stages.grade import Graded, grade, held_back, lifted, missing, weigh_lengths
from pipeline.stages.normalise import Manner, normalise
from pipeline.stages.reconcile import Way, reconcile
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.catalogue import Catalogue
    from schemas.part import Part
    from schemas.record import ContestedFlow, ProgramRecord, ReadFor, TwinRecord
    from schemas.sheet import Reader, ReadingRow
    from schemas.wiring import Lines, Wiring

MOST_TIMES_THE_CHIP = 4096
"""A log of many passes, printed at length, is a few hundred times as long as its chip; common practice, no
source.
"""
FEWEST_BYTES_REFUSED = 16 * 1024 * 1024


@dataclass(frozen=True)
class HowRead:
    """What the sheet says of readers and wires, the same for all chips.

    Attributes:
        readers: Id → reader.
        wirings: Name → wiring.
        parts: The catalogue with the sheet's own parts.
    """

    readers: Mapping[str, Reader]
    wirings: Mapping[str, Wiring]
    parts: Catalogue

    def reader(self, name: str) -> Reader:
        """A reader of the sheet; one that it does not describe is of no kind."""
        found = self.readers.get(name)
        if found is None:
            from schemas.sheet import Reader  # where there are readers there is a sheet, which has loaded it

            found = Reader()
        return found

    def lines(self, row: ReadingRow) -> Lines | None:
        """The crossing that the sheet knows of a reading: its own, else its wiring's."""
        if row.lines is not None:
            return row.lines
        named = self.wirings.get(row.wiring or "")
        return named.lines if named else None


class Taken(NamedTuple):
    """What one file gave.

    Attributes:
        decoded: Its format, what was forgiven, notes.
        passes: Runs over the chip, as they came.
        findings: About their lengths.
    """

    decoded: Decoded
    passes: tuple[Pass, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)  # without slots, as `Contribution`: two a chip are pickled
class Crossing:
    """What one chip shows of a wiring.

    Attributes:
        wiring: Its name.
        lines: From the chip to the reading; None where it reads straight, and something bears that out.
        ground: `sheet`, `content`, `chip` for other grounds that settled the frame, `doubt` where nothing
            did, or `denied` where other readings speak against the lines that the sheet says.
        said: Those lines; a denied crossing is reckoned from the order that they lead to.
        beside: The wirings that read the same, where they alone bear out that a wiring reads straight, or
            where it is in doubt.
    """

    wiring: str
    lines: LineMap | None
    ground: str
    said: LineMap | None = None
    beside: tuple[str, ...] = ()


@dataclass(frozen=True)
class ChipResult:
    """Everything that can be said of one chip.

    Attributes:
        chip: Its id.
        organisation: Words and bits.
        part: Its catalogue entry, where known.
        settled: Its image with the passes behind it; None where there is no usable reading.
        findings: Faults first.
        graded: The grade with its reasons.
        regions: The image cut into stretches.
        vectors: Where a processor starts.
        checks: Embedded checks on this chip alone.
        schemes: How many schemes were tried, by width.
        crossings: What its readings show of their wirings.
        kept: Which reading keeps the program's flow, where bits are contested.
        read_for: Processors that the content is a program for, or `unknown`; None where it was not looked at.
        leaning: What it says alone of its processor and of the order of its lines.
    """

    chip: str
    organisation: Organisation | None
    part: Part | None
    settled: Settled | None
    findings: tuple[Finding, ...]
    graded: Graded
    regions: tuple[Region, ...] = ()
    vectors: tuple[Vector, ...] = ()
    checks: tuple[SelfCheck, ...] = ()
    schemes: Mapping[int, int] = field(default_factory=dict)
    crossings: tuple[Crossing, ...] = ()
    kept: ContestedFlow | None = None
    read_for: ReadFor | None = None
    leaning: Leaning = UNTOLD

    @cached_property
    def signature(self) -> Signature | None:
        """What is kept of the image to find its kin."""
        if self.settled is None or self.organisation is None:
            return None
        return signature(self.settled.words, self.organisation.bits, self.regions, known=self.settled.known)

    @property
    def held_back(self) -> tuple[str, ...]:
        """Codes that keep the image apart although the grade is none that does."""
        return () if self.settled is None else held_back(self.settled, self.findings)


def take_in(
    content: bytes,
    declared: Declared,
    manner: Manner,
    *,
    chip: str,
    organisation: Organisation,
    first_number: int = 1,
) -> Taken:
    """The passes that one file of a reading gives.

    Args:
        content: The dump file.
        declared: What was declared to the decoder.
        manner: How to understand it.
        chip: Id, for findings.
        organisation: Of the chip.
        first_number: Number of the first pass.

    Raises:
        FormatError, AmbiguousError: It cannot be understood, or in more than one way.
    """
    most = max(FEWEST_BYTES_REFUSED, organisation.size_bytes * MOST_TIMES_THE_CHIP)
    if len(content) > most and not manner.take:
        raise FormatError(
            where=f"offset 0x{most:X}",
            problem=f"the file goes on for {len(content)} bytes, for a chip of {organisation}",
            remedy="Name the chip's own dump, or say with `take` which part of the file is the chip's",
        )
    decoded = decode(content, declared)
    told = manner._replace(addressed=says_addresses(decoded.format))
    done = normalise(decoded, chip=chip, organisation=organisation, manner=told, first_number=first_number)
    return Taken(decoded, done.passes, done.findings)


def declared_of(row: ReadingRow, reader: Reader, organisation: Organisation) -> dict[str, Any]:  # its names
    """What the sheet declares about a dump, as the decoder takes it and as the decode step keeps it."""
    part_of_file = row.take or row.packed
    out: dict[str, Any] = {"bits": 8 if part_of_file else organisation.bits}  # keywords of `Declared`
    if not part_of_file:
        out["words"] = organisation.words
    for key in ("format", "token", "word_order", "address"):
        value = getattr(row, key) or getattr(reader, key)
        if value is not None:
            out[key] = value
    if row.gaps:
        out["gaps"] = True
    return out


def manner_of(
    reading: PlannedReading, how: HowRead, organisation: Organisation, kept: Mapping[str, object]
) -> Manner:
    """How a reading is to be understood.

    Args:
        reading: With its row of the sheet.
        how: What the sheet says of its reader and wires.
        organisation: Of the chip.
        kept: What was declared to the decoder beyond the format.
    """
    row, reader = reading.row, how.reader(reading.reader)
    lines = how.lines(row)
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
        declared=tuple(kept.items()),
        lines=None if lines is None else line_mapping(lines, organisation),
    )


def line_mapping(lines: Lines, organisation: Organisation) -> LineMap:
    """The sheet's words on lines as a mapping, the chip first and the reading second."""
    return LineMap.simple(
        organisation.address_bits,
        organisation.bits,
        address=lines.address or None,
        data=lines.data or None,
        invert_address=tuple(sorted(lines.invert_address)),
        invert_data=tuple(sorted(lines.invert_data)),
    )


def said_of(planned: PlannedChip, how: HowRead, carried: Mapping[str, Carried]) -> dict[str, Said]:
    """Reading → what can speak for its frame beside its words."""
    return {
        reading.reading: Said(
            kind=how.reader(reading.reader).kind or "",
            own_part=_under_own_part(planned, reading.row, how.parts),
            lines_said=how.lines(reading.row) is not None,
            taken=reading.row.take is not None,
            wiring=wiring_of(reading),
            named=reading.row.wiring is not None,
            carried=carried.get(reading.reading),
        )
        for reading in planned.readings
    }


def wiring_of(reading: PlannedReading) -> str:
    """The wires that a reading was made with: named, else the same reader on the same date as written."""
    # One string for the thousand readings of a reader: the machine holds it for every chip.
    return reading.row.wiring or intern(f"{reading.reader} on {reading.row.date or 'an unknown date'}")


def _under_own_part(planned: PlannedChip, row: ReadingRow, parts: Catalogue) -> bool:
    """Whether a programmer was set to this part, to an alias, or to one of the same pins."""
    if planned.part is None:
        return False
    setting = row.read_as or row.device_setting
    if setting is None:
        return True
    found = parts.get(setting)
    return found is not None and same_pins(planned.part, found)


def same_pins(one: Part, other: Part) -> bool:
    """Whether two parts read alike: the same size, and each line and supply on the same pin."""
    if one.part == other.part:
        return True
    if (one.words, one.bits) != (other.words, other.bits) or not one.pin_table or not other.pin_table:
        return False

    def lines(part: Part) -> set[tuple[int, str, str]]:
        return {(use.pin, use.role, use.name) for use in part.pin_table if use.role in ("address", "data")}

    return lines(one) == lines(other)


class ToJudge(NamedTuple):
    """One chip's passes, and what is known beside them.

    Attributes:
        chip: Its id.
        organisation: Words and bits.
        passes: Of all readings that have a voice, in the sheet's order; at least one.
        lengths: What normalising found about lengths.
        part: Its catalogue entry, where known.
        erased_state: The level of an unprogrammed cell, where known for this very marking.
        said: Reading → what is known of it beside its words.
        answers: Code → a person's word on that finding.
        processor: The one that runs the chip's board, as the sheet has it.
    """

    chip: str
    organisation: Organisation
    passes: Sequence[Pass]
    lengths: Iterable[Finding] = ()
    part: Part | None = None
    erased_state: int | None = None
    said: Mapping[str, Said] = MappingProxyType({})
    answers: Mapping[str, str] = MappingProxyType({})
    processor: str | None = None


def judge(one: ToJudge) -> InSteps[ChipResult]:
    """Everything that one chip's passes say: reconciled, examined, read for content, graded.

    Chips of a batch are judged in step, each stage of all before the next.
    """
    bits = one.organisation.bits
    done = reconcile(
        [_blanked(each) for each in one.passes],
        chip=one.chip,
        organisation=one.organisation,
        fades_to=one.part.fades_to if one.part else None,
        said=one.said,
        checks=lambda words: order_evidence(words, bits),
    )
    assert done is not None
    settled, read = done.settled, done.settled.known
    yield
    cut = yield from find_regions(
        settled.words, bits, erased_state=one.erased_state, part=one.part, known=read
    )
    yield
    # What holds over words that nobody read, or leads into them, says nothing.
    found = vectors(settled.words, bits) if read is None else ()
    content = content_findings(one.chip, cut, (), found)
    yield
    checks = self_checks({one.chip: settled.words}, bits, parts={one.chip: cut}) if read is None else ()
    schemes = schemes_tried(settled.words, bits, cut) if read is None else {}
    yield
    program, leans, flow = yield from _flow(one, settled)
    yield
    subject = Subject(
        chip=one.chip,
        organisation=one.organisation,
        settled=settled,
        part=one.part,
        length_findings=weigh_lengths((*one.lengths, *done.findings), settled),
        erased_state=one.erased_state,
        as_read=tuple(each for each, _ in done.ways),
    )
    examined = yield from examine_in_steps(subject)
    yield
    findings = answered((*_but_for_damage(examined), *content, *flow), one.answers)
    return ChipResult(
        chip=one.chip,
        organisation=one.organisation,
        part=one.part,
        settled=settled,
        findings=findings,
        graded=grade(settled, findings),
        regions=with_code(cut, program, settled.words, bits),
        vectors=tuple(found),
        checks=checks,
        schemes=schemes,
        crossings=_crossings(settled, done.ways, one.said, checks),
        kept=contested_flow(settled, program, one.processor),
        read_for=read_for(program),
        leaning=leans,
    )


def _flow(one: ToJudge, settled: Settled) -> InSteps[tuple[Program | None, Leaning, tuple[Finding, ...]]]:
    """What the content's own flow of control says: the processor it is for, lines that are crossed."""
    words, bits, read = settled.words, settled.organisation.bits, settled.known
    if read is not None:
        # Flow is followed as far as words were read; lines are compared in whole images.
        program = program_of(words[: int(np.argmin(read))], bits)
        return program, UNTOLD, program_findings(one.chip, program, one.processor)
    program = program_of(words, bits)
    yield
    found = order_search(words, bits, program, one.processor)
    crossed = crossing_findings(one.chip, found, one.part)
    turned = () if crossed else turned_findings(one.chip, words, bits, one.part)
    told = (*program_findings(one.chip, program, one.processor), *crossed, *turned)
    return program, leaning(program, found), told


def _blanked(one: Pass) -> Pass:
    """A pass with 0 wherever it has no word, so that nothing can hang on what stood there."""
    if one.present is None:
        return one
    return one._replace(words=np.where(one.present, one.words, 0).astype(one.words.dtype))


def _but_for_damage(findings: Iterable[Finding]) -> list[Finding]:
    """A reading that was damaged on the way slipped because of it: that is told once, by its cause."""
    told = list(findings)
    damaged = {
        reading
        for one in told
        if one.code in (Code.TEXT_DAMAGE, Code.NEWLINE_DAMAGE, Code.SEVEN_BIT)
        for reading in one.where.get("readings", ())
    }
    return [
        one
        for one in told
        if one.code is not Code.SLIPPED or not damaged.intersection(one.where.get("readings", ()))
    ]


def without_reading(planned: PlannedChip) -> ChipResult:
    """A chip of which there is no usable reading."""
    aside = sum(1 for reading in planned.readings if reading.row.set_aside is not None)
    graded = missing(planned.chip.state, len(planned.chip.attempts), aside)
    return ChipResult(planned.chip.chip, planned.organisation, planned.part, None, (), graded)


class Heard(NamedTuple):
    """What all chips together say of one.

    Attributes:
        findings: Kin, embedded checks, places in a set.
        shared_with: Chips that have the same longest fill.
        notes: Of its readers, a sentence each.
        lifting: Why the grade is lifted, a sentence each.
        checks: Embedded checks that hold.
        held_back: Codes, of its own findings and of these, that keep its image apart.
        program: The map of its program.
        twins: Other specimens, as the record keeps them.
        borne_out: Why other specimens lift the grade to `corroborated`, a sentence each.
    """

    findings: tuple[Finding, ...] = ()
    shared_with: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    lifting: tuple[str, ...] = ()
    checks: int = 0
    held_back: tuple[str, ...] = ()
    program: ProgramRecord | None = None
    twins: tuple[TwinRecord, ...] = ()
    borne_out: tuple[str, ...] = ()


def conclude(graded: Graded, heard: Heard) -> Graded:
    """The final grade, once all chips together have spoken."""
    return lifted(
        graded,
        checks=heard.checks,
        lifting=heard.lifting,
        reader_notes=heard.notes,
        borne_out=heard.borne_out,
    )


def heard_alone(result: ChipResult) -> Heard:
    """What a chip's own embedded checks say, where there is no machine around it."""
    holding = [check for check in result.checks if check.beyond_chance]
    return Heard(
        findings=content_findings(result.chip, (), result.checks),
        lifting=tuple(check.why for check in result.checks if check.lifts),
        checks=len(holding),
    )


def answered(findings: Iterable[Finding], answers: Mapping[str, str]) -> tuple[Finding, ...]:
    """Findings with a person's word on them: a fault that is explained is an answered caution.

    An answer speaks for a finding with lines only where it begins with them.
    """
    return tuple(_answered(one, answers.get(one.code.value, "")) for one in findings)


def _answered(finding: Finding, answer: str) -> Finding:
    lines = lines_named(finding)
    if not answer:
        return finding
    if lines and not _begins_with(answer, lines):
        unheard = f"The sheet's answer to {finding.code.value} does not begin with {' and '.join(lines)}"
        return replace(finding, means=f"{finding.means} {unheard}, so it is none to this.")
    severity = Severity.CAUTION if finding.severity is Severity.FAULT else finding.severity
    return replace(finding, severity=severity, evidence={**finding.evidence, "answer": answer})


def lines_named(finding: Finding) -> tuple[str, ...]:
    """The lines that a finding is about, such as `A9`."""
    line, several = finding.where.get("line"), finding.where.get("lines")
    return (str(line),) if line else tuple(str(one) for one in several or ())


def _begins_with(answer: str, lines: Sequence[str]) -> bool:
    head = answer.split(":", 1)[0].upper().replace(",", " ").split()
    return [word for word in head if word != "AND"] == [line.upper() for line in lines]


def _crossings(
    settled: Settled,
    ways: Sequence[tuple[Pass, Way]],
    said: Mapping[str, Said],
    checks: Sequence[SelfCheck],
) -> tuple[Crossing, ...]:
    """What the readings show of their wirings."""
    if settled.frame_contested:
        return _doubts(ways, said)
    by_wiring: dict[str, list[tuple[Pass, Way]]] = {}
    out: dict[str, Crossing] = {}
    for one, way in ways:
        known = said.get(one.reading)
        if known is None or not known.wiring:
            continue
        undone = next((step for step in one.steps if step.action == "undo-lines"), None)
        if undone is not None and known.lines_said:
            mapping = LineMap.of(undone.settings)
            denied = _denied(settled, ways)
            out[known.wiring] = (
                Crossing(known.wiring, mapping, "sheet")
                if denied is None
                else Crossing(known.wiring, denied, "denied", said=mapping)
            )
        elif undone is None and not known.lines_said:
            by_wiring.setdefault(known.wiring, []).append((one, way))
    for wiring, own in by_wiring.items():
        crossing = _shown(wiring, own, ways, said, settled, checks)
        if crossing is not None and wiring not in out:
            out[wiring] = crossing
    return tuple(out.values())


def _denied(settled: Settled, ways: Sequence[tuple[Pass, Way]]) -> LineMap | None:
    """How the sheet's order lies to that of the readings which speak against it; None where none does."""
    if settled.framing is None or not settled.framing.against():
        return None
    moved = (way.mapping for _, way in ways if way.name == "lines" and way.mapping is not None)
    return next((lines.inverse() for lines in moved if not lines.rotate), None)


def _doubts(ways: Sequence[tuple[Pass, Way]], said: Mapping[str, Said]) -> tuple[Crossing, ...]:
    """Where nothing decides, either side may be the crossed one: each home-built wiring is in doubt."""
    moved = [way.mapping for _, way in ways if way.name == "lines" and way.mapping and not way.mapping.rotate]
    out: dict[str, Crossing] = {}
    for one, way in ways:
        known = said.get(one.reading)
        if known is None or not moved or (known.kind == "device-programmer" and known.own_part):
            continue
        lines = way.mapping if way.name == "lines" else moved[0].inverse()
        if lines is not None and not lines.rotate:
            # An exchange is its own inverse: only the frame tells who stands with whom.
            with_it = {
                said[other.reading].wiring
                for other, lies in ways
                if other.reading in said and lies.mapping == way.mapping
            }
            beside = tuple(sorted(with_it - {known.wiring}))
            out.setdefault(known.wiring, Crossing(known.wiring, lines, "doubt", beside=beside))
    return tuple(out.values())


def _shown(
    wiring: str,
    own: Sequence[tuple[Pass, Way]],
    ways: Sequence[tuple[Pass, Way]],
    said: Mapping[str, Said],
    settled: Settled,
    checks: Sequence[SelfCheck],
) -> Crossing | None:
    mappings = {way.mapping if way.name == "lines" else None for _, way in own}
    if len(mappings) != 1 or any(way.name == "stranger" for _, way in own):
        return None
    mapping = mappings.pop()
    if mapping is not None:
        # Where readings speak against the sheet's word, neither side proves anything of the other's wires.
        if mapping.rotate or (settled.framing is not None and settled.framing.against()):
            return None
        return Crossing(wiring, mapping, _strength(settled))
    readers = {one.reader for one, _ in own}
    others = {
        said[one.reading].wiring for one, way in ways if way.name == "same" and one.reader not in readers
    } - {wiring}
    if settled.order_checked or any(check.beyond_chance and not check.order_blind for check in checks):
        return Crossing(wiring, None, "chip")
    return Crossing(wiring, None, "chip", beside=tuple(sorted(others))) if others else None


def _strength(settled: Settled) -> str:
    """What proves a crossing by itself: a check in the content, or the sheet's word on another reading."""
    framing = settled.framing
    grounds: Sequence[Ground] = framing.grounds if framing is not None else ()
    kinds = {ground.ground for ground in grounds if framing is not None and ground.frame == framing.chosen}
    return "sheet" if "sheet" in kinds else "content" if "content" in kinds else "chip"
