"""What only all chips of a machine together can say.

Wirings, readers, kin, checks over several chips, spaces.

Little is held of each chip while the others are worked on; images are asked for again where two of them have
to be compared.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import TYPE_CHECKING, cast

from pipeline.flow import Plan, PlannedChip
from pipeline.held_once import HeldOnce
from pipeline.stages.assemble import Assembled, assemble, machine_view
from pipeline.stages.content import (
    UNTOLD,
    Leaning,
    SelfCheck,
    Signature,
    Windows,
    content_findings,
    crossing_findings,
    leaning,
    order_search,
    self_checks,
)
from pipeline.stages.content.among_chips import (
    AddressBy,
    BoardChip,
    ChipImage,
    ChipNamed,
    CrossedReader,
    Join,
    Microword,
    ProgramChip,
    ReadAlone,
    Stray,
    alike_findings,
    crossed_reader,
    exchanged_findings,
    exchanged_lanes,
    family_of_board,
    interleave_findings,
    joins,
    kin,
    microwords,
    misnamed_findings,
    next_address_findings,
    placed_spaces,
    placings,
    program_maps,
    recurring,
    set_checks,
    shared_fills,
    sheet_bases,
    sisters_findings,
    standing_findings,
    suggest_spaces,
)
from pipeline.stages.examine.shared_wires import WiredChip, WireFault, shared_wire_findings
from pipeline.stages.qualify import Evidence, Gathered, fitness
from pipeline.street import Crossing, Heard, answered, wiring_of
from pipeline.words import Words
from schemas.finding import Finding
from schemas.names import Organisation
from schemas.sheet import Space

if TYPE_CHECKING:
    from schemas.record import ProgramRecord, QualificationRecord, SuggestedSpace, TwinRecord
    from schemas.recorded_sheet import PartRecord

MOST_IN_A_SET = 16
"""Boards of more chips are not searched for checks over all of them: the schemes would outnumber the
evidence.
"""
MOST_WEIGHED = 64
"""Of boards with more chips that carry a check, the images are not read again; their digests must do."""
MOST_KIN_FINDINGS = 12
"""Kin findings kept a chip; the evidence of each says how many relatives there are."""

BYTE = 8
Load = Callable[[str], Words]
"""A chip's id → its image."""


@dataclass(frozen=True)  # without slots: each is pickled and made anew once, by C code that way
class Contribution:
    """What one chip brings to the machine: little enough to hold for ten thousand chips.

    Attributes:
        chip: Its id.
        organisation: Words and bits; None where there is no image.
        grade: Of the chip alone.
        readers: Readers with passes, in the sheet's order.
        signature: To find its kin.
        checks: Embedded checks on it alone.
        schemes: How many schemes were tried on it, by width.
        evidence: What it says of its readers, where two or more read it.
        crossings: What it shows of its wirings.
        held_back: Codes that keep its image apart, unless an embedded check bears it out.
        absent: Half-open ranges of words that no reading has.
        explained: Reader → the fault that explains why it read this chip otherwise, and its lines.
        line_faults: Reader → faults of its lines, beyond doubt or since another reader read them otherwise.
        families: Processors that its content is a program for; empty where that is not known.
        strays: Its readings, where its readers do not agree.
        leaning: What it says alone of its processor and of the order of its lines.
    """

    chip: str
    organisation: Organisation | None
    grade: str
    readers: tuple[str, ...] = ()
    signature: Signature | None = None
    checks: tuple[SelfCheck, ...] = ()
    schemes: Mapping[int, int] = field(default_factory=dict)
    evidence: Evidence | None = None
    crossings: tuple[Crossing, ...] = ()
    held_back: tuple[str, ...] = ()
    absent: tuple[tuple[int, int], ...] = ()
    explained: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    line_faults: Mapping[str, tuple[WireFault, ...]] = field(default_factory=dict)
    families: tuple[str, ...] = ()
    strays: tuple[Stray, ...] = ()
    leaning: Leaning = UNTOLD


class WholeMachine:
    """Gathers chip by chip, then says what they say together.

    Args:
        plan: Of the project.
        load: Gives a chip's image.
        windows: Takes the windows by which kin are found.
    """

    def __init__(self, plan: Plan, load: Load, windows: Windows) -> None:
        """Nothing is gathered yet."""
        self.plan, self.load, self.windows = plan, load, windows
        self.placed = frozenset(
            chip for space in plan.sheet.spaces for one in space.placements for chip, _ in one.parsed_lanes
        )
        self.readers: dict[str, int] = {}
        self.images: list[ChipImage] = []
        self.organisations: dict[str, Organisation] = {}
        self.families: dict[str, tuple[str, ...]] = {}
        self.grades: dict[str, str] = {}
        self.held_back: dict[str, tuple[str, ...]] = defaultdict(tuple)
        self.absent: dict[str, tuple[tuple[int, int], ...]] = {}
        self.evidence = Gathered()
        self.explained: dict[str, list[str]] = defaultdict(list)
        self.faulted: dict[str, set[str]] = defaultdict(set)
        self.alone: dict[str, str] = {}
        self.wirings: dict[str, frozenset[str]] = {}
        self.wired: list[WiredChip] = []
        self.named: list[ChipNamed] = []
        self.crossed: dict[str, tuple[str, list[str]]] = {}
        self.leanings: dict[str, Leaning] = {}
        self.crossed_readers: list[CrossedReader] = []
        self.checks: dict[str, tuple[SelfCheck, ...]] = {}
        self.schemes: dict[str, Mapping[int, int]] = {}
        self.findings: dict[str, list[Finding]] = defaultdict(list)
        self.fills: Mapping[str, tuple[str, ...]] = {}
        self.notes: dict[str, list[str]] = defaultdict(list)
        self.lifting: dict[str, list[str]] = defaultdict(list)
        self.holding: Counter[str] = Counter()
        self.twins: dict[str, list[TwinRecord]] = defaultdict(list)
        self.borne_out: dict[str, tuple[str, ...]] = {}
        self.spaces: list[tuple[Space, Assembled, tuple[SelfCheck, ...]]] = []
        self.space_cautions: dict[tuple[str, str], list[str]] = defaultdict(list)
        self.suggestions: list[SuggestedSpace] = []
        self.stand: dict[str, tuple[int, AddressBy]] = {}
        self.programs: dict[str, ProgramRecord] = {}
        self.qualification_json: QualificationRecord = {}
        self._one = HeldOnce()

    def add(self, planned: PlannedChip, given: Contribution) -> None:
        """One chip that has been judged."""
        # By the plan's own text: the one that came from another process goes.
        self.grades[planned.chip.chip] = self._one(given.grade)
        if given.held_back:
            self.held_back[planned.chip.chip] = self._one(given.held_back)
        if given.organisation is None or given.signature is None:
            return
        self.windows.add(given.signature)
        fill = given.signature.fill and (self._one(given.signature.fill[0]), *given.signature.fill[1:])
        kept = given.signature._replace(hashes=b"", places=b"", fill=fill)
        given = replace(
            given,
            chip=planned.chip.chip,
            organisation=self._one(given.organisation),
            signature=kept._replace(organisation=self._one(kept.organisation)),
            readers=self._one(given.readers),
        )
        assert given.organisation is not None
        assert given.signature is not None
        self.organisations[given.chip] = given.organisation
        if given.absent:
            self.absent[given.chip] = given.absent
        for reader, fault in given.explained.items():
            self.explained[reader].append(f"{given.chip} ({' '.join(fault)})")
            self.faulted[reader].update(fault[1:])
        if given.families:
            self.families[given.chip] = self._one(given.families)
        self.leanings[given.chip] = self._one(given.leaning)
        self.readers[given.chip] = len(given.readers)
        if given.evidence is not None:
            self.evidence.add(given.evidence)
        elif len(given.readers) == 1:
            self.alone[given.chip] = given.readers[0]
        self.wirings[given.chip] = self._one(frozenset(wiring_of(reading) for reading in planned.readings))
        self._cross(given)
        self._wire(planned, given)
        telling = None if given.signature.blank or given.absent else given.signature.digest
        self.named.append(ChipNamed(given.chip, telling, given.readers, given.strays))
        if given.checks:
            self.checks[given.chip] = given.checks
        if given.schemes:
            self.schemes[given.chip] = self._one.under(tuple(given.schemes.items()), given.schemes)
        self.images.append(
            ChipImage(
                given.chip,
                given.signature,
                board=planned.chip.board,
                fades_to=planned.part.fades_to if planned.part else None,
                faulty=given.grade == "faulty",
                placed=given.chip in self.placed,
            )
        )

    def forget(self) -> None:
        """What was only needed to compare goes: the records still to be written want the memory."""
        for some in (self.images, self.wired, self.named):
            some.clear()
        for by_chip in (self.wirings, self.leanings, self.readers, self.alone, self.checks, self.schemes):
            by_chip.clear()
        self.evidence, self._one = Gathered(), HeldOnce()

    def _cross(self, given: Contribution) -> None:
        """What a chip shows of wires that are crossed."""
        for crossing in given.crossings:
            if crossing.lines is not None and not crossing.lines.is_identity:
                denied = crossing.said is not None
                words = "otherwise than the sheet says" if denied else crossing.lines.in_words()
                self.crossed.setdefault(crossing.wiring, (words, []))[1].append(given.chip)

    def _wire(self, planned: PlannedChip, given: Contribution) -> None:
        """Each reader of a chip with its wires, where they were the same for all of its readings."""
        if given.organisation is None or given.absent:
            return
        for reader in given.readers:
            wirings = {
                wiring_of(one)
                for one in planned.readings
                if one.reader == reader and one.row.set_aside is None
            }
            if len(wirings) == 1:
                alone = len(given.readers) == 1
                told = alone or given.grade not in ("faulty", "contested")
                faults = given.line_faults.get(reader, ())
                self.wired.append(
                    WiredChip(
                        given.chip, given.organisation, wirings.pop(), faults, alone, told, planned.part
                    )
                )

    def crossed_words(self, chip: str) -> tuple[str, ...]:
        """What is to be said of the wirings that a chip was read with, where chips show them crossed."""
        return tuple(
            f"the wiring {wiring} is crossed ({self.crossed[wiring][0]}), as "
            f"{', '.join(self.crossed[wiring][1])} show{'s' if len(self.crossed[wiring][1]) == 1 else ''}"
            for wiring in sorted(self.wirings.get(chip, ()))
            if wiring in self.crossed and chip not in self.crossed[wiring][1]
        )

    def may_be_burned(self, chip: str) -> bool:
        """Whether a chip's image lies under `data/images/`: settled, and not held back."""
        held = self.held_back.get(chip) and not self.lifting.get(chip)
        return self.grades.get(chip) not in (None, "missing", "faulty", "contested") and not held

    def parts(self) -> dict[str, PartRecord]:
        """The catalogue entries that the chips use."""
        used = {planned.part.part: planned.part for planned in self.plan.chips if planned.part}
        return {
            name: cast("PartRecord", part.model_dump(mode="json", exclude_none=True))
            for name, part in sorted(used.items())
        }

    def heard(self, chip: str) -> Heard:
        """What all chips together say of one."""
        return Heard(
            findings=tuple(self.findings.get(chip, ())),
            shared_with=tuple(self.fills.get(chip, ())),
            notes=tuple(self.notes.get(chip, ())),
            lifting=tuple(self.lifting.get(chip, ())),
            checks=self.holding[chip],
            held_back=self.held_back.get(chip, ()),
            program=self.programs.get(chip),
            twins=tuple(self.twins.get(chip, ())),
            borne_out=self.borne_out.get(chip, ()),
        )


def chips_of(space: Space, bank: str) -> list[str]:
    """The chips that one bank of a space places, each once."""
    placed = [one for one in space.placements if (one.bank or "") == bank]
    return list(dict.fromkeys(chip for one in placed for chip, _ in one.parsed_lanes))


MOST_BESIDE = 5
"""So many chips are named beside a reader's rate of errors."""

Boards = Iterator[tuple[ChipImage, ...]]
"""The chips of each board."""
FindJoins = Callable[[Boards], Iterable[tuple[Join, ...]]]
"""Chips of each board that belong side by side; its own seam, since workers may look for them."""
FindNext = Callable[[Iterable[Microword]], Iterable[tuple[Finding, ...]]]
"""What may be microcode → what is said of each."""


def all_together(
    machine: WholeMachine,
    chips: Iterable[tuple[PlannedChip, Contribution]],
    find_joins: FindJoins | None = None,
    find_next: FindNext | None = None,
) -> None:
    """Everything that is said once all chips are there.

    Args:
        machine: That nothing was added to so far.
        chips: Every chip of its plan, judged.
        find_joins: Looks for chips that belong side by side; done here where None.
        find_next: Looks for columns that name the next address; done here where None.
    """
    find = find_joins or (lambda boards: [joins(images, machine.load) for images in boards])
    # Workers may compare the chips of one board while those of the next are added.
    found = sorted(chain.from_iterable(find(_boards_filled(machine, chips))), key=_best_first)
    _qualified(machine)
    _faulted(machine)
    _crossed_lines(machine)
    _kin(machine, found)
    _next_addresses(machine, found, find_next or (lambda words: (_next_of(machine, word) for word in words)))
    _standing(machine)
    _assembled(machine)
    _checked(machine)
    _mapped(machine)
    machine.forget()


def _qualified(machine: WholeMachine) -> None:
    found = machine.evidence.qualification()
    machine.qualification_json = found.to_json()
    for chip in machine.alone:
        machine.notes[chip] += machine.crossed_words(chip)
    beside = {reader: (_beside(reader, chips),) for reader, chips in machine.explained.items()}
    cache: dict[tuple[str, Organisation], tuple[str, ...]] = {}
    for chip, reader in machine.alone.items():
        key = (reader, machine.organisations[chip])
        if key not in cache:
            faulted = machine.faulted.get(reader, ())
            cache[key] = fitness(found, *key, faulted=faulted).reasons if found.of(reader) else ()
        # Never "qualified" over a crossing that is proved of the very wires it was read with.
        if cache[key] and not machine.crossed_words(chip):
            machine.notes[chip] += cache[key]
        machine.notes[chip] += beside.get(reader, ())


def _faulted(machine: WholeMachine) -> None:
    """Held back: what could not show a fault that other chips prove of its wires, and what is misnamed."""
    _hold_back(machine, shared_wire_findings(machine.wired, machine.load))
    _hold_back(machine, misnamed_findings(machine.named))


def _hold_back(machine: WholeMachine, findings: Iterable[Finding]) -> None:
    """Findings of several chips, which hold their images back, unless the sheet answers them."""
    answers = {planned.chip.chip: planned.chip.answers for planned in machine.plan.chips}
    for finding in answered_all(findings, answers):
        machine.findings[finding.chip].append(finding)
        if not finding.evidence.get("answer"):
            machine.held_back[finding.chip] += (finding.code.value,)


MOST_ASKED = 64
"""So many chips of a board that read as no program are asked for crossed lines by the board's own family."""


def _crossed_lines(machine: WholeMachine) -> None:
    """What chips say of crossed lines beyond each by itself: by their board's family, and by their reader."""
    for images in _boards(machine):
        family = family_of_board([machine.leanings[one.chip] for one in images])
        if family:
            _asked_as(machine, family, [one.chip for one in images if not one.signature.blank])
    parts = {planned.chip.chip: planned.part for planned in machine.plan.chips}
    wired: dict[tuple[str, frozenset[str]], list[ReadAlone]] = defaultdict(list)
    for chip, reader in machine.alone.items():
        if machine.grades[chip] not in ("faulty", "contested") and chip not in machine.absent:
            bits, own = machine.organisations[chip].bits, machine.leanings[chip]
            wired[reader, machine.wirings[chip]].append(ReadAlone(chip, bits, own, parts[chip]))
    for (reader, _), chips in wired.items():
        found = crossed_reader(reader, chips, machine.load)
        if found is not None:
            machine.crossed_readers.append(found)
            told = list(alike_findings(found, chips))
            for finding in told:  # what was said of a chip by its board's family is said again of its reader
                said = machine.findings[finding.chip]
                machine.findings[finding.chip] = [other for other in said if other.code is not finding.code]
            _hold_back(machine, told)
    if machine.crossed_readers:
        machine.qualification_json["crossed"] = [one.to_json() for one in machine.crossed_readers]


def _asked_as(machine: WholeMachine, family: str, chips: Sequence[str]) -> None:
    """Chips read by one reader that read as no program, where the sheet names no processor."""
    planned = {one.chip.chip: one for one in machine.plan.chips}
    asked = [
        chip
        for chip in chips
        if chip in machine.alone
        and machine.leanings[chip].family is None
        and not planned[chip].processor
        and machine.grades[chip] != "faulty"
        and chip not in machine.absent
    ]
    for chip in asked[:MOST_ASKED]:
        found = order_search(machine.load(chip), machine.organisations[chip].bits, None, family)
        machine.leanings[chip] = leaning(None, found)
        _hold_back(machine, crossing_findings(chip, found, planned[chip].part))


def answered_all(findings: Iterable[Finding], answers: Mapping[str, Mapping[str, str]]) -> Iterator[Finding]:
    """Findings of several chips with each chip's answers on them."""
    for finding in findings:
        yield from answered([finding], answers[finding.chip])


def _beside(reader: str, chips: Sequence[str]) -> str:
    """What is left out of a reader's rate of errors, since a fault has been found that explains it."""
    more = f" and {len(chips) - MOST_BESIDE} more" if len(chips) > MOST_BESIDE else ""
    return (
        f"but a fault was found where reader {reader} and another differ: {', '.join(chips[:MOST_BESIDE])}"
        f"{more}; it explains what differs there, which is not counted as errors"
    )


def _boards(machine: WholeMachine) -> Boards:
    by_board: dict[str | None, list[ChipImage]] = defaultdict(list)
    for image in machine.images:
        by_board[image.board].append(image)
    for images in by_board.values():
        if len(images) > 1:
            yield tuple(images)


def _boards_filled(machine: WholeMachine, chips: Iterable[tuple[PlannedChip, Contribution]]) -> Boards:
    """Each chip added; the chips of each board once its last one is there."""
    waiting = Counter(planned.chip.board for planned in machine.plan.chips)
    by_board: dict[str | None, list[ChipImage]] = defaultdict(list)
    for planned, given in chips:
        board = planned.chip.board
        before = len(machine.images)
        machine.add(planned, given)
        by_board[board] += machine.images[before:]
        waiting[board] -= 1
        if not waiting[board] and len(images := by_board.pop(board)) > 1:
            yield tuple(images)


def _best_first(join: Join) -> tuple[float, tuple[str, ...]]:
    return -join.score, join.chips


def _kin(machine: WholeMachine, found: Sequence[Join]) -> None:
    """What chips say of each other by their content; the sets that go together."""
    for finding in kin(machine.images, machine.load, machine.windows):
        if len(machine.findings[finding.chip]) < MOST_KIN_FINDINGS:
            machine.findings[finding.chip].append(finding)
    machine.fills = shared_fills(machine.images)
    machine.suggestions = suggest_spaces(found)
    for finding in interleave_findings(found):
        machine.findings[finding.chip].append(finding)
    _shown_by_sisters(machine, found)


def _next_of(machine: WholeMachine, word: Microword) -> tuple[Finding, ...]:
    return tuple(next_address_findings(word, [machine.load(chip) for chip in word.chips]))


def _next_addresses(machine: WholeMachine, found: Iterable[Join], find_next: FindNext) -> None:
    """Microcode whose words name the next one: told on the chips that carry its address."""
    sound = [one.chip for one in machine.images if not one.faulty and one.chip not in machine.absent]
    crossed = {chip for join in found for chip, _ in join.crossed}
    organisations = {chip: machine.organisations[chip] for chip in sound if chip not in crossed}
    alone = [chip for chip in organisations if chip not in machine.families]
    joined = [join.chips for join in found]
    for told in find_next(microwords(machine.plan.sheet.spaces, joined, organisations, alone)):
        for finding in told:
            machine.findings[finding.chip].append(finding)


def _standing(machine: WholeMachine) -> None:
    """Where the chips of each board stand: their calls and jumps tell each other's place."""
    processors = {planned.chip.chip: planned.processor for planned in machine.plan.chips}
    bases = sheet_bases(machine.plan.sheet.spaces)
    for images in _boards(machine):
        sound = [one for one in images if not one.faulty and one.chip not in machine.absent]
        known = {machine.families.get(one.chip, ()) for one in sound}
        processor = processors[images[0].chip] if images[0].board else None
        if not processor and known <= {()}:
            continue
        chips = [
            BoardChip(
                one.chip,
                machine.organisations[one.chip],
                machine.families.get(one.chip, ()),
                one.placed,
                bases.get(one.chip),
            )
            for one in sound
        ]
        found = placings(chips, machine.load, processor)
        machine.suggestions += placed_spaces(found)
        for placing in found:
            told = placing.unplaced & placing.chips.keys()
            machine.stand |= {chip: (placing.chips[chip].base, "calls") for chip in told}
            for finding in standing_findings(placing):
                machine.findings[finding.chip].append(finding)


def _shown_by_sisters(machine: WholeMachine, found: Iterable[Join]) -> None:
    """Cautions on chips that go with their sisters only in another order; one reader's image is held back."""
    parts = {one.chip.chip: one.part for one in machine.plan.chips}
    answers = {one.chip.chip: one.chip.answers for one in machine.plan.chips}
    for join in found:
        for told in answered_all(sisters_findings(join, parts), answers):
            machine.findings[told.chip].append(told)
            if machine.readers[told.chip] == 1 and not told.evidence.get("answer"):
                machine.held_back[told.chip] += (told.code.value,)


MOST_WALKED = 64
"""Programs of one board that are walked together."""


def _mapped(machine: WholeMachine) -> None:
    """The map of each board's programs, every chip at the address that is known for it."""
    said: dict[str, tuple[int, AddressBy]] = {
        chip: (at, "sheet") for chip, at in sheet_bases(machine.plan.sheet.spaces).items()
    }
    known = machine.stand | said
    boards: dict[str | None, list[str]] = defaultdict(list)
    for image in machine.images:
        if image.chip in machine.families and not image.faulty and image.chip not in machine.absent:
            boards[image.board].append(image.chip)
    for chips in boards.values():
        for first in range(0, len(chips), MOST_WALKED):
            some = [
                _program_chip(machine, chip, *known.get(chip, (None, None)))
                for chip in chips[first : first + MOST_WALKED]
            ]
            machine.programs |= program_maps(some)


def _program_chip(machine: WholeMachine, chip: str, base: int | None, by: AddressBy | None) -> ProgramChip:
    bits = machine.organisations[chip].bits
    return ProgramChip(chip, machine.load(chip), bits, machine.families[chip], base, by)


def _assembled(machine: WholeMachine) -> None:
    """The spaces, and the embedded checks that hold over their words."""
    plan = machine.plan
    chips = {planned.chip.chip: planned.chip for planned in plan.chips}
    organisations = {
        planned.chip.chip: planned.organisation for planned in plan.chips if planned.organisation
    }
    for space in plan.sheet.spaces:
        names = {chip for one in space.placements for chip, _ in one.parsed_lanes}
        if not names <= organisations.keys():
            continue  # a problem of the sheet, which is told as one
        images = {name: machine.load(name) for name in names if name in machine.organisations}
        for bank in assemble(
            space, images=images, organisations=organisations, chips=chips, absent=machine.absent
        ):
            checks: tuple[SelfCheck, ...] = ()
            if bank.words is not None and not bank.lacking and space.width % 8 == 0:
                checks = self_checks({space.name: bank.words}, space.width, sets=False)
            machine.spaces.append((space, bank, checks))
            _exchanged(machine, space, bank.bank, images)
            members = chips_of(space, bank.bank)
            for check in checks:
                _lift(machine, check, members, f"over space {space.name}")


def _exchanged(machine: WholeMachine, space: Space, bank: str, images: Mapping[str, Words]) -> None:
    """Chips that seem to stand in each other's place: told at the space and at both."""
    known = {planned.chip.chip: planned.chip for planned in machine.plan.chips}
    for placement in space.placements:
        lanes = placement.parsed_lanes
        names = [chip for chip, _ in lanes]
        if (placement.bank or "") != bank or not _bytes_side_by_side(machine, lanes, images):
            continue
        start, end = placement.span or (0, machine.organisations[names[0]].words)
        views = [
            machine_view(images[one], machine.organisations[one], known[one].board_wiring)[start:end]
            for one in names
        ]
        if space.byte_order == "little":
            names, views = names[::-1], views[::-1]
        found = exchanged_lanes(views)
        if found is None:
            continue
        told = exchanged_findings(space.name, names, found)
        machine.space_cautions[space.name, bank].append(told[0].means)
        for finding in told:
            machine.findings[finding.chip].append(finding)


def _bytes_side_by_side(
    machine: WholeMachine, lanes: Sequence[tuple[str, tuple[int, int] | None]], images: Mapping[str, Words]
) -> bool:
    """Whether lanes are whole chips of one size and of bytes, all read to the last word, and two at least."""
    sizes = {machine.organisations.get(chip) for chip, _ in lanes}
    return (
        len(lanes) > 1
        and all(field is None and chip in images and chip not in machine.absent for chip, field in lanes)
        and len(sizes) == 1
        and all(size is not None and size.bits == BYTE for size in sizes)
    )


def _lift(machine: WholeMachine, check: SelfCheck, chips: Iterable[str], over: str) -> None:
    """A check that holds counts for the chips it covers; one that lifts says so in the grade."""
    for chip in chips:
        if check.beyond_chance:
            machine.holding[chip] += 1
        if check.lifts:
            machine.lifting[chip].append(
                f"An embedded check holds {over}: {check.method}, chance {check.chance:.1g}"
            )


def _checked(machine: WholeMachine) -> None:
    """Checks on single chips, those that recur on a board weighed machine."""
    boards: dict[tuple[str | None, Organisation], list[str]] = defaultdict(list)
    signatures = {image.chip: image.signature.digest for image in machine.images}
    for image in machine.images:
        boards[image.board, machine.organisations[image.chip]].append(image.chip)
    for (_, organisation), chips in boards.items():
        own = [check for chip in chips for check in machine.checks.get(chip, ())]
        schemes = {chip: machine.schemes[chip] for chip in chips if chip in machine.schemes}
        sets: tuple[SelfCheck, ...] = ()
        if 1 < len(schemes) <= MOST_IN_A_SET:
            sets = set_checks({chip: machine.load(chip) for chip in schemes}, organisation.bits, own)
        if not own and not sets:
            continue
        weighed: Sequence[SelfCheck] = own
        if len(schemes) > 1 and own:
            digests = {chip: signatures[chip] for chip in schemes}
            carrying = [chip for chip in chips if chip in machine.checks]
            images = (
                {chip: machine.load(chip) for chip in carrying} if len(carrying) <= MOST_WEIGHED else None
            )
            weighed = recurring(own, schemes, images, organisation.bits, digests=digests)
        for check in (*weighed, *sets):
            covered = [name for name in check.images if name in machine.organisations]
            _lift(machine, check, covered, f"over {', '.join(check.images)}")
            for chip in covered:
                machine.findings[chip] += content_findings(chip, (), (check,))
