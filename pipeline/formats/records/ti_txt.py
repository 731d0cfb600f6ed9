"""TI-TXT: addresses, pairs and the closing `q` are checked; there is no sum in this format.

    "@" ADDR line, then lines of up to 16 pairs set off by blanks, again and again; "q" closes the file

Source: Texas Instruments, MSP430 assembly tools user's guide (SLAU131), hex conversion utility; its example
is in the tests.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes, lay
from pipeline.formats.text.characters import Characters, plain

NAME = "ti-txt"
_SECTION = re.compile(rb"@([0-9A-Fa-f]{1,16})")
_PAIRS = re.compile(rb"[0-9A-Fa-f]{2}(?:[ \t]+[0-9A-Fa-f]{2})*")
_WORD = re.compile(rb"[^ \t\x0c]+")
_PAIR = re.compile(rb"[0-9A-Fa-f]{2}")


@dataclass(slots=True)
class _State:
    """Where the next byte goes."""

    text: Characters
    address: int | None = None
    ended: int | None = None
    records: list[PlacedBytes] = field(default_factory=list)


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes.

    Raises:
        FormatError: The first line that is neither an address nor pairs; bytes before the first address; no
            closing `q`; anything after it; sections that contradict each other; an address beyond
            `declared.limit`.
    """
    text = plain(content)
    state = _State(text)
    for start, line in text.filled():
        body = line.strip(b" \t\x0c")
        index = start + line.index(body)
        if state.ended is not None:
            refuse(text.place(index), "there is something after the closing q", "split the file there")
        _line(state, index, body)
    if state.ended is None:
        refuse(
            text.place(len(text.body)),
            "the closing q is missing, so the file may be cut off",
            "compare with the source; if it is whole, add a line q",
        )
    blocks = lay(state.records, text.place, text.ledger, declared.limit)
    return Decoded(NAME, 8, (blocks,), text.ledger.closed())


def _line(state: _State, index: int, body: bytes) -> None:
    """An address, pairs, or the end."""
    text = state.text
    if body in (b"q", b"Q"):
        state.ended = index
        return
    section = _SECTION.fullmatch(body)
    if section:
        state.address = int(section[1], 16)
        if len(section[1]) < 4:
            text.ledger.add("an address of fewer than four digits", text.place(index))
        return
    if not _PAIRS.fullmatch(body):
        bad = next((one for one in _WORD.finditer(body) if not _PAIR.fullmatch(one[0])), None)
        refuse(
            text.place(index + (bad.start() if bad else 0)),
            "neither an address nor pairs of hexadecimal digits",
            "compare the line with the source",
        )
    if state.address is None:
        refuse(
            text.place(index), "bytes before the first address", "compare with the source: the start is lost"
        )
    data = bytes.fromhex(body.decode())
    if len(data) > 16:
        text.ledger.add("a line of more than 16 bytes", text.place(index))
    state.records.append(PlacedBytes(state.address, data, index))
    state.address += len(data)
