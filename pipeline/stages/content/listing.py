"""An image as an assembler listing: code, strings, tables, empty stretches and unreached code told apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from pipeline.stages.content.flow_of_control import code_stretches
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.model import ABSOLUTE, Bytes, Instructions
from pipeline.stages.content.flow_of_control.orders import as_stored
from pipeline.stages.content.mnemonics import Speaker, own_words, speaker
from pipeline.stages.content.text import in_seven_bits
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.answers import ListedKind, ListedLine
    from schemas.record import ProgramRecord, RegionRecord

_ROW, _TEXT_ROW = 16, 40
"""Bytes and characters a line."""
_TABLES = frozenset(["table", "decode", "repeat"])
_LONGEST = 16
"""Bytes that a library is shown of an instruction."""


@dataclass(frozen=True, slots=True)
class Listed:
    """What a listing is made from.

    Attributes:
        data: The image as the processor takes it, bytes.
        characters: The same with its texts as seven-bit characters.
        per_word: Bytes of a word of the chip.
        one: Every place read as an instruction.
        speaker: What puts them into words.
        base: The processor's address of the first byte; 0 where it is not known.
        labels: Byte offset → label.
        notes: Byte offset → comment.
        unreached: Byte ranges of code that nothing leads to.
    """

    data: Bytes
    characters: Bytes
    per_word: int
    one: Instructions
    speaker: Speaker
    base: int = 0
    labels: Mapping[int, str] = field(default_factory=dict)
    notes: Mapping[int, str] = field(default_factory=dict)
    unreached: tuple[tuple[int, int], ...] = ()


def listing(
    words: Words,
    bits: int,
    family: str,
    regions: Sequence[RegionRecord],
    program: ProgramRecord | None,
) -> tuple[str, list[ListedLine]]:
    """The lines of a listing, and which library put the instructions into words.

    Args:
        words: Shape (n,), the image.
        bits: 8 or 16.
        family: As instructions are read, one of READ_AS.
        regions: The image cut into stretches, as the record has them.
        program: The map of the program, where the record has one for this family.
    """
    data, per_word = as_stored(words, bits, family), bits // 8
    map_ = program if program is not None and program["family"] == family else None
    made = Listed(
        data,
        _as_characters(data, per_word, regions),
        per_word,
        decode(family, data),
        speaker(family),
        (map_["address"] or 0) if map_ else 0,
        _labels(map_, per_word),
        _notes(map_, per_word),
        tuple((start * per_word, end * per_word) for start, end in (map_ or {"unreached": []})["unreached"]),
    )
    stretches = [(one["kind"], one["start"] * per_word, one["end"] * per_word) for one in regions]
    if map_ is None:
        stretches = _with_code(stretches, code_stretches(data, family))
    lines = [line for kind, start, end in stretches for line in _lines(made, kind, start, end)]
    return made.speaker.library, lines


def _with_code(
    stretches: Sequence[tuple[str, int, int]], code: Sequence[tuple[int, int]]
) -> list[tuple[str, int, int]]:
    """Dense stretches cut where code of a family begins and ends that the content was not named for."""
    out: list[tuple[str, int, int]] = []
    for kind, start, end in stretches:
        at = start
        for low, high in code if kind in {"dense", "code"} else ():
            first, last = max(low, at), min(high, end)
            if first < last:
                out += [("dense", at, first)] if at < first else []
                out.append(("code", first, last))
                at = last
        out += [("dense" if kind == "code" else kind, at, end)] if at < end else []
    return out


def _labels(program: ProgramRecord | None, per_word: int) -> dict[int, str]:
    if program is None:
        return {}
    base = program["address"] or 0
    routines = {one["at"] * per_word: f"L_{base + one['at'] * per_word:04X}" for one in program["routines"]}
    return routines | {at * per_word: f"ENTRY_{base + at * per_word:04X}" for at in program["entries"]}


def _notes(program: ProgramRecord | None, per_word: int) -> dict[int, str]:
    """Who calls a routine, and where a call out of the chip leads."""
    if program is None:
        return {}
    out = {}
    for one in program["routines"]:
        callers = ", ".join(f"{caller['chip']} 0x{caller['at']:03X}" for caller in one["callers"][:3])
        more = f" and {one['called'] - 3} more" if one["called"] > 3 else ""
        out[one["at"] * per_word] = f"called from {callers}{more}"
    for call in program["calls_out"]:
        if "chip" in call:
            out.setdefault(call["at"] * per_word, f"to {call['chip']} 0x{call['to']:03X}")
    return out


def _lines(made: Listed, kind: str, start: int, end: int) -> Iterator[ListedLine]:
    """The lines of one stretch of one kind."""
    if kind == "code":
        yield from _instructions(made, start, end)
    elif kind == "text":
        yield from _rows(made, "text", start, end, _TEXT_ROW)
    elif kind in {"fill", "absent"}:
        said = "not read" if kind == "absent" else f"{end - start} bytes"
        yield _line(made, "absent" if kind == "absent" else "fill", start, min(end, start + _ROW), said, end)
    else:
        yield from _rows(made, "table" if kind in _TABLES else "unknown", start, end, _ROW)


def _rows(made: Listed, kind: ListedKind, start: int, end: int, width: int) -> Iterator[ListedLine]:
    for at in range(start, end, width):
        until = min(at + width, end)
        yield _line(made, kind, at, until, _quoted(made.characters[at:until]) if kind == "text" else "")


def _as_characters(data: Bytes, per_word: int, regions: Sequence[RegionRecord]) -> Bytes:
    out = data & np.uint8(0x7F)
    for one in regions:
        if one["kind"] == "text":
            start, end = one["start"] * per_word, one["end"] * per_word
            out[start:end] = in_seven_bits(data[start:end], one.get("text"))
    return out


def _quoted(characters: Bytes) -> str:
    """Characters as text; what is no letter or sign as a dot."""
    return '"' + "".join(chr(one) if 0x20 <= one < 0x7F else "." for one in characters.tolist()) + '"'


def _instructions(made: Listed, start: int, end: int) -> Iterator[ListedLine]:
    """One line an instruction; bytes that are none are told one by one."""
    units = made.one.units
    stops = [*sorted(at for at in made.labels if start < at < end), end]
    at, stop = start, 0
    while at < end:
        while stops[stop] <= at:
            stop += 1
        kind: ListedKind = "unreached" if any(low <= at < high for low, high in made.unreached) else "code"
        place, off = divmod(at, units)
        length = 0 if off or place >= len(made.one.length) else int(made.one.length[place]) * units
        # What would run over a routine's start is none: someone calls the middle of it.
        if not length or at + length > stops[stop]:
            until = min(at + units, end)
            yield _line(made, kind, at, until, "")
            at = until
            continue
        yield _line(made, kind, at, at + length, _spoken(made, place, at, length))
        at += length


def _spoken(made: Listed, place: int, at: int, length: int) -> str:
    if made.speaker.speak is not None:
        size, text = made.speaker.speak(made.data[at : at + _LONGEST].tobytes(), made.base + at)
        if size == length:
            return text
    target = int(made.one.target[place])
    if target >= 0:
        target *= made.one.units
        target += 0 if made.one.kind[place] == ABSOLUTE else made.base
    known = bool(made.one.kind[place]) and target >= 0
    return own_words(int(made.one.flow[place]), target if known else None)


def _line(
    made: Listed, kind: ListedKind, start: int, end: int, text: str, until: int | None = None
) -> ListedLine:
    return {
        "at": start // made.per_word,
        "address": made.base + start,
        "length": (until or end) - start,
        "bytes": made.data[start:end].tobytes().hex(),
        "kind": kind,
        "label": made.labels.get(start, ""),
        "text": text,
        "note": made.notes.get(start, ""),
    }
