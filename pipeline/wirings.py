"""What is proved of a reader's wires on some chips, and how far it reaches on others.

Readings made with the same wires form a wiring: by name, else the same reader on the same date as written. A
crossing is proved by the sheet, by a check in the content, or by two chips. It is undone only under a name
that a person gave, on chips of the same pins, and where no chip of the wiring speaks against it. What one
chip alone shows, or leaves open, proves nothing, and still nobody may trust the same wires on other chips.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import NamedTuple

from pipeline.flow import Carried, PlannedChip, PlannedReading
from pipeline.lines import LineMap
from pipeline.street import Crossing, HowRead, line_mapping, same_pins, wiring_of
from pipeline.words import Words
from schemas.names import Organisation

FEWEST_CHIPS = 2
"""One chip that shows a crossing may be crossed by something of its own; two are the wires."""


class Wired(NamedTuple):
    """One chip as it was judged, with what it shows of the wirings it was read with."""

    planned: PlannedChip
    crossings: tuple[Crossing, ...]


class Proved(NamedTuple):
    """A crossing of one wiring.

    Attributes:
        lines: From the chip to the reading.
        by: Chips that show it.
        at: One of them, for its pins.
        sure: It is proved; else one chip alone shows it, or leaves open which of two readers is crossed.
        against: Chips of the same wiring and pins that read straight though it would change them, or that
            show another crossing.
        whole_bus: It moves most data lines and no address line, and no chip of another size shows otherwise.
    """

    lines: LineMap
    by: tuple[str, ...]
    at: PlannedChip
    sure: bool
    against: tuple[str, ...]
    whole_bus: bool


def carried_to(
    chips: Sequence[Wired], how: HowRead, load: Callable[[str], Words]
) -> dict[str, dict[str, Carried]]:
    """Chip → reading → the crossing that other chips prove of its wiring.

    Args:
        chips: All of the project, as judged.
        how: What the sheet says of readers and wires.
        load: Gives a chip's image.

    Returns:
        Only chips that are reached; a chip's own evidence is never carried back to it.
    """
    out: dict[str, dict[str, Carried]] = defaultdict(dict)
    heard = _but_for_shared_doubt(chips)
    for (wiring, said), own in _by_wiring(heard).items():
        proved = _proved(own, load)
        if not proved:
            continue
        for one in heard:
            for reading in _open_readings(one, wiring, said, how):
                carried = _carried(one.planned, reading, wiring, proved)._replace(denied=said is not None)
                if carried.proved or carried.same_pins or carried.whole_bus:
                    out[one.planned.chip.chip][reading.reading] = carried
    return dict(out)


def _but_for_shared_doubt(chips: Sequence[Wired]) -> list[Wired]:
    """The chips without what bears out nothing: two wirings that agree, of which others show one crossing.

    Where a programmer reads otherwise than both on one chip, their agreement on the next is the same doubt.
    """
    shown: dict[tuple[str, Organisation | None], set[LineMap]] = defaultdict(set)
    opposed: set[tuple[str, str]] = set()
    for one in chips:
        doubted = [crossing for crossing in one.crossings if crossing.ground == "doubt"]
        for crossing in one.crossings:
            if crossing.lines is not None and not crossing.lines.is_identity and crossing.said is None:
                shown[crossing.wiring, one.planned.organisation].add(crossing.lines)
            if crossing in doubted:
                others = {other.wiring for other in doubted} - {crossing.wiring, *crossing.beside}
                opposed |= {(crossing.wiring, other) for other in others}

    def leans(crossing: Crossing, size: Organisation | None) -> bool:
        wirings = (crossing.wiring, *crossing.beside)
        # Of two that were opposed one is crossed and the other is not: their agreement counts.
        apart = any((crossing.wiring, other) in opposed for other in crossing.beside)
        shared = set.intersection(*(shown[name, size] for name in wirings))
        return crossing.lines is None and bool(crossing.beside) and bool(shared) and not apart

    return [
        one._replace(
            crossings=tuple(each for each in one.crossings if not leans(each, one.planned.organisation))
        )
        for one in chips
    ]


Key = tuple[str, LineMap | None]
"""A wiring, and the lines that the sheet says of it where readings speak against them."""


def _by_wiring(chips: Sequence[Wired]) -> dict[Key, list[tuple[Wired, Crossing]]]:
    out: dict[Key, list[tuple[Wired, Crossing]]] = defaultdict(list)
    for one in chips:
        for crossing in one.crossings:
            out[crossing.wiring, crossing.said].append((one, crossing))
    return out


def _proved(own: Sequence[tuple[Wired, Crossing]], load: Callable[[str], Words]) -> list[Proved]:
    """The crossings of one wiring, the proved ones first."""
    groups: dict[LineMap, list[tuple[Wired, Crossing]]] = defaultdict(list)
    for one, crossing in own:
        if crossing.lines is not None and not crossing.lines.is_identity:
            groups[crossing.lines].append((one, crossing))
    out = []
    for lines, showing in groups.items():
        strong = any(crossing.ground in ("sheet", "content") for _, crossing in showing)
        settled = [crossing for _, crossing in showing if crossing.ground not in ("doubt", "denied")]
        by = tuple(one.planned.chip.chip for one, _ in showing)
        at = showing[0][0].planned
        sure = strong or len(settled) >= FEWEST_CHIPS
        against, whole = _against(lines, own, at, load), _whole_bus(lines, own, at)
        out.append(Proved(lines, by, at, sure, against, whole))
    return sorted(out, key=lambda one: (not one.sure, -len(one.by)))


def _against(
    lines: LineMap, own: Sequence[tuple[Wired, Crossing]], at: PlannedChip, load: Callable[[str], Words]
) -> tuple[str, ...]:
    """Chips of the wiring that show another crossing, or that read straight."""
    out = []
    for one, crossing in own:
        if crossing.lines == lines or not _same_size(one.planned, at):
            continue
        chip = one.planned.chip.chip
        against = crossing.lines is not None
        if not against:
            words = load(chip)
            against = bool((lines.undo(words) != words).any())
        if against:
            out.append(chip)
    return tuple(out)


def _whole_bus(lines: LineMap, own: Sequence[tuple[Wired, Crossing]], at: PlannedChip) -> bool:
    """Whether most data lines are moved and no address line: turned, shifted or inverted at the reader's end.

    Single wires are crossed at one socket. A connector turned round, an inverting buffer, a shift register
    read a clock late or digits in the wrong order do the same to every chip, whatever its pins: common
    practice, no source.
    """
    bits = len(lines.data)
    moved = sum(line != to or to in lines.invert_data for line, to in enumerate(lines.data))
    if 2 * moved <= bits or _of_data(lines, len(lines.address)) != lines:
        return False
    return all(
        crossing.lines is not None and _of_data(crossing.lines, 0) == _of_data(lines, 0)
        for one, crossing in own
        if not _same_size(one.planned, at)
    )


def _of_data(lines: LineMap, address_bits: int) -> LineMap:
    """What a crossing does to the data lines alone, on a chip of so many address lines."""
    return LineMap.simple(address_bits, len(lines.data), data=lines.data, invert_data=lines.invert_data)


def _open_readings(one: Wired, wiring: str, said: LineMap | None, how: HowRead) -> list[PlannedReading]:
    """Readings with this wiring of whose order the chip itself says nothing, nor the sheet.

    Of lines that readings of other chips speak against: those for which the sheet says the same lines.
    """
    readings = [
        reading
        for reading in one.planned.readings
        if wiring_of(reading) == wiring and reading.row.set_aside is None
    ]
    silent = [reading for reading in readings if how.lines(reading.row) is None]
    shown = [crossing for crossing in one.crossings if crossing.wiring == wiring]
    if said is not None:
        denied = any(crossing.said is not None for crossing in shown)
        return [] if denied else [each for each in readings if _declared(one, each, how) == said]
    # One reading of a chip may be declared, and another with the same wires not.
    return silent if not shown or len(silent) < len(readings) else []


def _declared(one: Wired, reading: PlannedReading, how: HowRead) -> LineMap | None:
    lines, size = how.lines(reading.row), one.planned.organisation
    return None if lines is None or size is None else line_mapping(lines, size)


def _carried(planned: PlannedChip, reading: PlannedReading, wiring: str, proved: Sequence[Proved]) -> Carried:
    """The best proved crossing as it reaches one reading; undone only where nothing stands against it."""
    best = next((one for one in proved if _same_size(planned, one.at)), None)
    best = best or next((one for one in proved if one.whole_bus), proved[0])
    alone = len([one for one in proved if _same_size(one.at, best.at)]) == 1
    agreed = best.sure and alone and not best.against
    undo = agreed and reading.row.wiring is not None and _surely_same(planned, best.at)
    same, size = _perhaps_same(planned, best.at), planned.organisation
    whole = best.whole_bus and not best.against and not same
    if not whole or size is None or size.bits != len(best.lines.data):
        return Carried(wiring, best.lines, best.by, undo=undo, same_pins=same, proved=best.sure)
    lines = _of_data(best.lines, size.address_bits)
    return Carried(wiring, lines, best.by, undo=undo, same_pins=same, proved=best.sure, whole_bus=True)


def _same_size(one: PlannedChip, other: PlannedChip) -> bool:
    return one.organisation == other.organisation


def _surely_same(one: PlannedChip, other: PlannedChip) -> bool:
    """The same part, or one of the same pins."""
    return one.part is not None and other.part is not None and same_pins(one.part, other.part)


def _perhaps_same(one: PlannedChip, other: PlannedChip) -> bool:
    """The same size, and no two parts that are known to differ in their pins."""
    if not _same_size(one, other):
        return False
    known = one.part is not None and other.part is not None
    return not known or _surely_same(one, other)
