"""The bench sheet of one part: what to join to every pin, what to move, how to accept the reader.

Before there is a dump there is a chip, a data sheet and a breadboard. Working out which wire goes where is
slow and the place where chips die, so the sheet follows from the catalogue pin by pin, says how far each pin
may be believed, and prints no number that rests on nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import NamedTuple

import numpy as np

from pipeline.bench.sockets import OPEN, SAFE_RAILS, PinDifference, Wire, differences, seat, wiring
from pipeline.catalogue.advice import STAMP, advise, p_channel, step
from pipeline.catalogue.cautions import Caution, cautions, programs
from pipeline.errors import PinoutError
from pipeline.words import Words
from schemas.evidence import WIRED
from schemas.names import Organisation
from schemas.part import Confidence, Kind, Part

PULL_UP_OHM = 4700
LINE_PICOFARAD = 100
"""A data line on a breadboard with its wire. Source: common practice, no source."""
SETTLED_TIME_CONSTANTS = 5
"""An RC rise is within 1 % after five time constants (arithmetic: exp(-5) = 0.0067)."""
UNKNOWN_ACCESS_NS = {Kind.FUSE_PROM: 100.0, Kind.PMOS_EPROM: 2000.0}
SLOWEST_COMMON_NS = 1000.0
"""Where the catalogue has no access time: twice the slowest common parts. Source: in part from memory."""
CHARACTERS_A_BYTE = 3
BITS_A_CHARACTER = 10


class BenchPin(NamedTuple):
    """One pin of the sheet.

    Attributes:
        pin: Package pin.
        name: Its function, `A5`, `/CE`, `Vcc`; "" on a blank sheet.
        label: The maker's own label where it differs, else "".
        wire: What to join it to; None on a blank sheet.
        note: What a person must know about this pin.
        stamp: `LOW CONFIDENCE` on every line of a sheet printed from memory.
    """

    pin: int
    name: str
    label: str = ""
    wire: Wire | None = None
    note: str = ""
    stamp: str = ""

    @property
    def danger(self) -> bool:
        """Whether another voltage than 0 or +5 V, a write enable or a programming pin is on this pin."""
        rail = self.wire is not None and self.wire.kind == "rail" and self.wire.value not in SAFE_RAILS
        return rail or "/WE" in self.name or "supply" in self.name or programs("other", self.name)


class KnownChip(NamedTuple):
    """A chip that has been read well enough to try a new reader on.

    Attributes:
        chip: Its id in the project.
        part: What it is.
        words: Its agreed image.
        grade: How good the evidence for it is.
    """

    chip: str
    part: Part
    words: Words
    grade: str = ""


class Exercise(NamedTuple):
    """What the content of a known chip, in a spare, would prove about the new wiring.

    Attributes:
        chip: Its id.
        part: Its number.
        grade: How good the evidence for it is.
        lines: Lines of the new wiring that its content exercises: a wrong wire would show.
        missing: Lines that it leaves untried.
        moves: How many wires must be moved to read a spare of its kind.
        harm: Why no chip of its kind may go into this wiring, whatever its content tries; "" where one may.
    """

    chip: str
    part: str
    grade: str
    lines: tuple[str, ...]
    missing: tuple[str, ...]
    moves: int
    harm: str = ""


class Bench(NamedTuple):
    """Everything the sheet says, for text, page and JSON alike.

    Attributes:
        part: What is to be read.
        withheld: Why pin numbers are not printed; "" where they are.
        stamp: What stands on every line; "" where the entry may be believed.
        pins: Every pin in order; without names and wires where they are withheld.
        other: What is wired already, where asked.
        moves: Where the two differ and a wire moves, dangerous rails first.
        renamed: Where only the name differs and the wire stays.
        pull_ups: Whether every data line needs one.
        access_ns: Access time taken, and `access_ground` whose figure it is.
        wait_us: How long to wait after each address.
        baud: Speed at which the words are printed.
        seconds_a_pass: How long one pass takes at that speed.
        cautions: The usual ones, the dangerous first.
        plan: How to accept the reader and the reading, step by step.
        exercises: Which chips of the project try the wiring, the most telling first; last those it would
            harm.
        together: The fewest of the others that try every line that can be tried.
    """

    part: Part
    withheld: str
    stamp: str
    pins: tuple[BenchPin, ...]
    other: Part | None
    moves: tuple[PinDifference, ...]
    renamed: tuple[PinDifference, ...]
    pull_ups: bool
    access_ns: float
    access_ground: str
    wait_us: int
    baud: int
    seconds_a_pass: float
    cautions: tuple[Caution, ...]
    plan: tuple[str, ...]
    exercises: tuple[Exercise, ...]
    together: tuple[str, ...]

    @property
    def organisation(self) -> Organisation | None:
        """Words and bits of the part."""
        return self.part.organisation

    @property
    def refusal(self) -> PinoutError | None:
        """The error to end with after the blank sheet has been printed; None where pins are printed."""
        if not self.withheld:
            return None
        remedy = "Take them from the data sheet; the blank table is for that"
        if self.part.address_pins:
            remedy += ", or ask with --from-memory"
        return PinoutError(where=f"part {self.part.part}", problem=self.withheld, remedy=remedy)


def bench(
    part: Part,
    *,
    other: Part | None = None,
    from_memory: bool = False,
    known: Sequence[KnownChip] | None = None,
    baud: int = 115_200,
) -> Bench:
    """Work out the sheet of one part.

    Args:
        part: What is to be read.
        other: A part that is wired already, to say which wires move.
        from_memory: Print pin numbers of low confidence too, every line stamped.
        known: Chips of the project that are well read; None where no project was named.
        baud: Speed at which the reader prints.

    Raises:
        Nothing: where pins are withheld the sheet is blank and `refusal` says why.
    """
    withheld = _why_withheld(part, from_memory=from_memory) or (
        _why_withheld(other, from_memory=from_memory) if other is not None else ""
    )
    stamp = STAMP if _doubtful(part) or (other is not None and _doubtful(other)) else ""
    found = () if withheld or other is None else differences(other, part)
    access_ns, ground = _access(part)
    wait_us = _wait_us(part, access_ns)
    exercises = tuple(
        sorted(
            (_exercise(part, chip) for chip in known or () if not withheld),
            key=lambda e: (bool(e.harm), len(e.missing), e.moves, e.chip),
        )
    )
    usable = tuple(one for one in exercises if not one.harm)
    return Bench(
        part=part,
        withheld=withheld,
        stamp=stamp,
        pins=_blank(part) if withheld else _pins(part, stamp),
        other=other,
        moves=tuple(sorted((d for d in found if d.moves), key=lambda d: not d.risk)),
        renamed=tuple(d for d in found if not d.moves),
        pull_ups=part.open_collector,
        access_ns=access_ns,
        access_ground=ground,
        wait_us=wait_us,
        baud=baud,
        seconds_a_pass=_seconds_a_pass(part, wait_us, baud),
        cautions=tuple(
            one for one in cautions(part, numbered=not withheld) if one.key != "device-programmer"
        ),
        plan=_plan(part, usable, none_known=known is not None and not withheld),
        exercises=exercises,
        together=_cover(usable),
    )


def _doubtful(part: Part) -> bool:
    return part.confidence is Confidence.LOW


def _why_withheld(part: Part, *, from_memory: bool) -> str:
    """Why this entry's pin numbers are not printed; "" where they are."""
    if not part.address_pins:
        return f"the catalogue does not know the pins of the {part.part}, and a guess could destroy a chip"
    if _doubtful(part) and not from_memory:
        weak = " and ".join(group for group in WIRED if part.confidence_in(group) is Confidence.LOW)
        return f"the {weak} of the {part.part} are of low confidence ({part.source.type})"
    return ""


def _blank(part: Part) -> tuple[BenchPin, ...]:
    return tuple(BenchPin(pin, "") for pin in range(1, part.pins + 1))


def _pins(part: Part, stamp: str) -> tuple[BenchPin, ...]:
    wires = wiring(part)
    notes = {o.pin: o.note for o in part.other_pins}
    notes |= {e.pin: "a mask chose the level" for e in part.enables if e.active == "mask"}
    notes |= {e.pin: e.note for e in part.enables if e.note}
    notes |= {pin: _contest(part, pin) for pin in part.contested_pins if not notes.get(pin)}
    return tuple(
        BenchPin(
            pin=use.pin,
            name=use.label if use.role in {"vcc", "supply"} else use.name,
            label=use.label if use.label != use.name and use.role in {"address", "data"} else "",
            wire=wires[use.pin],
            note=notes.get(use.pin, ""),
            stamp=stamp,
        )
        for use in part.pin_table
    )


def _contest(part: Part, pin: int) -> str:
    """What the sources say against each other on one pin, in words."""
    names = [use.name for use in part.pin_table if use.pin == pin]
    claims = [said.says for group in WIRED for _, said in part.against(group) if pin in said.pins]
    return f"sources contradict: {'; '.join(dict.fromkeys([*names, *claims]))}"


def _access(part: Part) -> tuple[float, str]:
    """The access time to plan with, in nanoseconds, and whose figure it is."""
    access = part.access_ns
    if access is not None and access.max is not None:
        return access.max, f"at most, {access.source}"
    if access is not None and access.typical is not None:
        return 3 * access.typical, f"three times the typical {access.typical:g} ns, {access.source}"
    return UNKNOWN_ACCESS_NS.get(part.kind, SLOWEST_COMMON_NS), "not in the catalogue: taken as a slow part"


def _wait_us(part: Part, access_ns: float) -> int:
    """How long to wait after each address, in whole microseconds, with twice the time that is needed."""
    rise_ns = SETTLED_TIME_CONSTANTS * PULL_UP_OHM * LINE_PICOFARAD / 1000 if part.open_collector else 0.0
    return max(1, ceil(2 * (access_ns + rise_ns) / 1000))


def _seconds_a_pass(part: Part, wait_us: int, baud: int) -> float:
    """Printing two hex digits and a separator a byte, and waiting for each word."""
    if part.organisation is None:
        return 0.0
    printing = part.organisation.size_bytes * CHARACTERS_A_BYTE * BITS_A_CHARACTER / baud
    return printing + part.organisation.words * wait_us / 1e6


def _lines(part: Part) -> tuple[str, ...]:
    address = tuple(f"A{n}" for n in range(len(part.address_pins)))
    return address + tuple(f"D{n}" for n in range(len(part.data_pins)))


def _exercise(part: Part, chip: KnownChip) -> Exercise:
    """Which lines of the part's wiring a known chip's content would try.

    An address line is tried where some word differs from the one across it; a data line where it has been
    both 0 and 1. Only lines that the two parts have on the same pin count: the others are not the wires in
    question.
    """
    shared = _shared_lines(part, chip.part)
    tried = {line for line in shared if _tries(chip, line)}
    wanted = _lines(part)
    moves = sum(1 for d in differences(part, chip.part) if d.moves)
    return Exercise(
        chip=chip.chip,
        part=chip.part.part,
        grade=chip.grade,
        lines=tuple(line for line in wanted if line in tried),
        missing=tuple(line for line in wanted if line not in tried),
        moves=moves,
        harm=_harm(part, chip.part),
    )


def _harm(part: Part, chip: Part) -> str:
    """Why a known chip must not go into this part's wiring, in words; "" where it may.

    A pin that only selects or addresses may meet 0 V, +5 V or a line of the reader without harm. A supply pin
    wants its own voltage, an output nothing that drives it, a write enable nothing but its own tie; and no
    pin but those that want them stands another voltage.
    """
    if _doubtful(chip):
        return "its own pins are of low confidence"
    if chip.kind in {Kind.EEPROM, Kind.FLASH} or chip.write_enables:
        return advise("harm-writable")
    if len(chip.supplies_v) > 1:
        return advise("harm-supplies")
    if seat(part, chip) is None:
        return "the rows of its package stand at another distance"
    for each in differences(part, chip):
        use, here = each.other_use, each.wire or OPEN
        if not each.moves or use is None:
            continue
        where = f"pin {each.pin}" if each.pin is not None else f"its pin {each.other_pin}"
        if here.kind == "ask" or (here.kind == "rail" and here.value not in SAFE_RAILS):
            return f"{where} carries {here}, its {use.name} wants {each.other_wire}"
        if use.role in {"vcc", "gnd", "supply"}:
            return f"its {use.name} wants {each.other_wire}, {where} carries {here}"
        if use.role == "data" and here.kind not in {"data", "open"}:
            return f"{where} carries {here} against its output {use.name}"
        if use.name.startswith("/WE"):
            return f"{where} carries {here}, and is its write enable"
    return ""


def _shared_lines(part: Part, other: Part) -> set[str]:
    """The lines that both parts have on the same place of one socket."""
    shift = (other.pins - part.pins) // 2
    here = {use.pin + shift: use.name for use in part.pin_table if use.line is not None}
    return {use.name for use in other.pin_table if use.line is not None and here.get(use.pin) == use.name}


def _tries(chip: KnownChip, line: str) -> bool:
    number = int(line[1:])
    if line[0] == "D":
        column = chip.words >> chip.words.dtype.type(number) & chip.words.dtype.type(1)
        return bool(column.min(initial=1) != column.max(initial=0))
    step = 1 << number
    if len(chip.words) % (2 * step):
        return False
    pairs = chip.words.reshape(-1, 2, step)
    return not np.array_equal(pairs[:, 0], pairs[:, 1])


def _cover(exercises: Sequence[Exercise]) -> tuple[str, ...]:
    """A small set of chips that tries every line that any of them tries: always the one that adds most."""
    left = {line for exercise in exercises for line in exercise.lines}
    chosen: list[str] = []
    while left:
        best = max(exercises, key=lambda e: len(left & set(e.lines)))
        chosen.append(best.chip)
        left -= set(best.lines)
    return tuple(chosen)


def _plan(part: Part, exercises: Sequence[Exercise], *, none_known: bool) -> tuple[str, ...]:
    """How a new reader earns belief, and then the chip's reading: no original before the wiring is proved."""
    ones = f"{(1 << (part.bits or 8)) - 1:X}"
    return (
        advise("plan-wires"),
        advise(step("plan-empty-pmos" if p_channel(part) else "plan-empty", ones=ones)),
        _trial(part, exercises, none_known=none_known),
        advise("plan-pulls", part),
        advise("plan-passes"),
        advise(step("plan-examine", part=part.part)),
    )


def _trial(part: Part, exercises: Sequence[Exercise], *, none_known: bool) -> str:
    """What goes first into wiring that nobody has proved."""
    if len(part.supplies_v) > 1:
        return advise("plan-expendable")
    if part.write_enables:
        return advise("plan-writable")
    content = " (no image of this project is both read well and of this wiring)" if none_known else ""
    if exercises:
        best = exercises[0]
        content = (
            f" (the image of {best.chip} tries {len(best.lines)} of {len(best.lines) + len(best.missing)} "
            "lines)"
        )
    return advise(step("plan-spare", content=content))
