"""What a captured log holds, and what has to be said of it beside the findings."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from pipeline.bench.stream import Watch
from pipeline.edges.project_folder import read_file
from pipeline.errors import AmbiguousError, FormatError
from pipeline.flow import Pass
from pipeline.formats import Declared, decode
from pipeline.stages.normalise import Manner, normalise
from pipeline.street import declared_of
from schemas.names import Organisation
from schemas.sheet import Reader, ReadingRow

NO_TEXT_SHARE = 0.01
"""Share of characters that are no text from which the speed of the line is doubted."""


class Took(NamedTuple):
    """How the taking of a stream went.

    Attributes:
        received: Bytes of this run that are in the log.
        stall: Longest time in seconds that the line was left unread; None where that could not be had.
        lost: Bytes that the port's driver lost by its own count; None where it keeps none.
    """

    received: int
    stall: float | None
    lost: int | None


class Understood(NamedTuple):
    """What a log holds.

    Attributes:
        whole: Passes of exactly the chip's words.
        told: What the decoder forgave or left out.
        unordered: Whether words wider than a byte came as bytes in an order that nothing says.
    """

    whole: int
    told: tuple[str, ...]
    unordered: bool


def understand(path: Path, chip: str, organisation: Organisation, reader: Reader) -> Understood:
    """Decode a log as packaging will.

    Raises:
        FormatError: It cannot be decoded, or has more than one reading.
    """
    content = read_file(path.parent, path.name)
    declared = declared_of(ReadingRow(), reader, organisation)
    try:
        decoded = decode(content, Declared(**declared))
    except FormatError as error:
        error.where = f"{path.name}, {error.where}"
        raise
    unordered = organisation.bits > 8 >= decoded.unit_bits and reader.byte_order is None
    manner = Manner(reading=chip, reader=chip, sitting=chip, byte_order=reader.byte_order or "big")
    passes = normalise(decoded, chip=chip, organisation=organisation, manner=manner).passes
    told = tuple(f"{one.what}, {one.count} times" if one.count > 1 else one.what for one in decoded.forgiven)
    return Understood(sum(_whole(one) for one in passes), told, unordered)


def _whole(one: Pass) -> bool:
    return bool(one.present is None or one.present.all()) and all(step.action != "cut" for step in one.steps)


def problems_of(understood: Understood, watch: Watch, asked: int, lost: int | None) -> list[str]:
    """What keeps the reading from being what was asked for."""
    problems = []
    proved = watch.protocol and understood.whole >= asked
    if not understood.whole:
        problems.append(
            f"none of the {asked} passes came whole: capture again, and set this reading aside in "
            f"the sheet if the next is better"
        )
    elif understood.whole < asked:
        problems.append(
            f"{understood.whole} of {asked} passes came whole; a further capture adds another reading"
        )
    if lost and not proved:
        problems.append(
            f"the port's driver counts {lost} byte{'s' * (lost != 1)} lost on the way: do not trust "
            "this reading; read again"
        )
    if understood.unordered:
        problems.append(
            "the words come as bytes whose order is not stated; the most significant was taken first: "
            "say byte_order under the reader in the sheet"
        )
    return problems


def advice(error: FormatError, watch: Watch, path: Path, target: Path, baud: int) -> list[str]:
    """What to do with a log that could not be decoded, most likely cause first."""
    lines = []
    if watch.no_text > NO_TEXT_SHARE:
        lines.append(
            f"One character in {round(1 / watch.no_text)} is not text: is {baud} baud the reader's speed?"
        )
    if watch.parity:
        lines.append("Bit 7 looks like a parity bit: set the reader to 8 bits without parity")
    if watch.flow_control and not watch.protocol:
        lines.append(
            f"{watch.flow_control} XON and XOFF characters are in the stream: switch flow control "
            f"off in the reader's program"
        )
    if watch.protocol:
        lines.append(f"The raw log is kept: {path}. --resume adds passes to it")
    elif isinstance(error, AmbiguousError):
        lines.append(
            f"The raw log is kept: {path}. If the sheet can say what is asked for, under the reader or the "
            f"reading, move it to dumps/{target.name}; otherwise --resume starts again and keeps it"
        )
    else:
        lines.append(f"The raw log is kept: {path}. --resume starts again and keeps it")
    return lines
