"""What to begin with, and what is left to do, one trip to the bench a block.

A trip is one board, one kind of part and one way of reading: what a hand sets up once. A caution of the part
is told once, at its head. Each chip carries its number in the one list that every document tells, so that
the third on the terminal is the third here, in whichever block it stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue.advice.verbs import verb
from pipeline.to_do import MISSING
from pipeline.views.report import outline, wording
from pipeline.views.report.bench_cautions import Heeding

if TYPE_CHECKING:
    from markupsafe import Markup

    from pipeline.to_do import Task
    from pipeline.views.report.summary import Summary
    from schemas.recorded_sheet import PartRecord

MOST_LINES = 4
"""So many lines are named; beyond that no single contact is meant."""
MOST_BEGUN = 6
MOST_TASKS = 60
"""So many chips are spelled out on the first page; the rest are counted and stand in the table."""


class Contact(NamedTuple):
    """A line and its package pin, where the part is known."""

    line: str
    pin: int | None


class Asked(NamedTuple):
    """One task as shown.

    Attributes:
        words: `trace A6, pin 2`.
        code: Of the finding.
        severity: `fault` or `caution`.
        means: What it most likely means.
        bench: What to do; empty where `as_for` says it.
        as_for: The chip of the same trip at which the same is told.
        socket: The socket with the pins that the task names.
    """

    words: str
    code: str
    severity: str
    means: str
    bench: str
    as_for: str = ""
    socket: Markup | None = None


class Stop(NamedTuple):
    """One chip of a trip: its number in the one list, and what is asked about it."""

    number: int
    chip: Summary
    asked: tuple[Asked, ...]


@dataclass(slots=True)
class Trip:
    """One block: what a hand sets up once, its cautions, its chips.

    Attributes:
        board: Its id, or "".
        part: As the sheet names it, or "".
        sitting: By whom and when its chips were read.
        number: Counted from 1.
        dangers: Cautions of the part whose neglect costs the chip; empty where an earlier block told them.
        dangers_at: The number of that block; 0 where there is none.
        stops: Its chips.
    """

    board: str
    part: str
    sitting: str
    number: int
    dangers: tuple[str, ...]
    dangers_at: int
    stops: list[Stop] = field(default_factory=list)


def places(lines: Sequence[str], part: PartRecord | None) -> tuple[Contact, ...]:
    """The lines with their pins; none where there are too many to mean a contact.

    Args:
        lines: `A6`, `D3`.
        part: The catalogue's entry.
    """
    if len(lines) > MOST_LINES:
        return ()
    return tuple(Contact(line, _pin(line, part)) for line in lines)


def _pin(line: str, part: PartRecord | None) -> int | None:
    if part is None or not line[1:].isdecimal():
        return None
    pins = part.get("address_pins" if line[0] == "A" else "data_pins")
    number = int(line[1:])
    found = pins[number] if isinstance(pins, list) and number < len(pins) else None
    return found if isinstance(found, int) else None


def place_words(task: Task, part: PartRecord | None) -> str:
    """Where a task leads a hand: `A6, pin 2`, `A3, A4 (pins 5, 4)`; empty where it names no contact."""
    found = places(task.lines, part)
    lines, pins = ", ".join(one.line for one in found), ", ".join(str(one.pin) for one in found)
    if any(one.pin is None for one in found):
        return lines
    return f"{lines}, pin {pins}" if len(found) == 1 else f"{lines} (pins {pins})" if found else ""


def asked_words(chip: Summary, task: Task, part: PartRecord | None) -> str:
    """The verb and its place: `trace A6, pin 2`."""
    code = chip.state if task.code == MISSING and chip.state else task.code
    return f"{verb(code)} {place_words(task, part)}".strip()


def begin_with(chips: Sequence[Summary], parts: Mapping[str, PartRecord]) -> list[tuple[Summary, str]]:
    """The first chips of the one list, and what is asked first of each.

    Args:
        chips: Those with tasks, worst first.
        parts: Catalogue name to entry.
    """
    return [(one, asked_words(one, one.to_do.tasks[0], parts.get(one.entry))) for one in chips[:MOST_BEGUN]]


def waiting_words(chips: Sequence[Summary]) -> str:
    """How many chips wait: `4 chips need a person, 3 want a look`.

    Args:
        chips: Those with tasks.
    """
    needing = sum(one.to_do.needs_person for one in chips)
    looks = len(chips) - needing
    chips_need = f"{needing:,} {'chip needs' if needing == 1 else 'chips need'} a person"
    wants = f"{looks:,} {'wants' if looks == 1 else 'want'} a look"
    alone = f"{looks:,} {'chip wants' if looks == 1 else 'chips want'} a look"
    return f"{chips_need}, {wants}" if needing and looks else chips_need if needing else alone


def trips(chips: Sequence[Summary], parts: Mapping[str, PartRecord], heed: Heeding) -> list[Trip]:
    """The blocks, in the order of their worst chip.

    Args:
        chips: Those with tasks, worst first.
        parts: Catalogue name to entry.
        heed: The cautions by part.
    """
    out: dict[tuple[str, str, str], Trip] = {}
    warned: dict[tuple[str, ...], int] = {}
    told: dict[tuple[int, str], str] = {}
    for number, chip in enumerate(chips[:MOST_TASKS], start=1):
        key = (chip.board, chip.part, chip.sitting)
        if key not in out:
            dangers = tuple(heed.dangers.get(chip.entry, ()))
            at = warned.setdefault(dangers, len(out) + 1) if dangers else 0
            earlier = at if at <= len(out) else 0
            out[key] = Trip(*key, len(out) + 1, () if earlier else dangers, earlier)
        trip, part = out[key], parts.get(chip.entry)
        trip.stops.append(
            Stop(number, chip, tuple(_asked(chip, one, part, trip, told) for one in chip.to_do.tasks))
        )
    return list(out.values())


def _asked(
    chip: Summary, task: Task, part: PartRecord | None, trip: Trip, told: dict[tuple[int, str], str]
) -> Asked:
    """A task as shown; what this trip told at another chip in the same words is not told again."""
    first = told.setdefault((trip.number, task.bench), chip.chip)
    again = first if first != chip.chip else ""
    words = asked_words(chip, task, part)
    pins = [one.pin for one in places(task.lines, part) if one.pin is not None]
    # One drawing a kind of task and pin in a block: the same pin of the same part looks the same.
    new = told.setdefault((trip.number, f"{pins} {task.severity}"), chip.chip) == chip.chip
    socket = outline.socket_svg(part, pins, task.severity) if part and pins and new else None
    return Asked(words, task.code, task.severity, task.means, "" if again else task.bench, again, socket)


def dangers_of(chips: Sequence[Summary], heed: Heeding) -> list[str]:
    """The cautions whose neglect costs a chip, of the parts that wait, each once.

    Args:
        chips: Those with tasks.
        heed: The cautions by part.
    """
    return list(dict.fromkeys(one for chip in chips for one in heed.dangers.get(chip.entry, ())))


def mark_words(chip: Summary, parts: Mapping[str, PartRecord]) -> str:
    """What a board says of a chip: the first task's line and pin, else its code; why it is missing."""
    if not chip.to_do.tasks or chip.to_do.tasks[0].code == chip.grade:
        return wording.plain_key(chip.state)
    task = chip.to_do.tasks[0]
    said = place_words(task, parts.get(chip.entry)) or wording.plain_key(task.code)
    return f"{'■' if task.severity == 'fault' else '◆'} {said}"
