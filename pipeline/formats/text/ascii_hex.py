"""ASCII-hex between STX and ETX, with `$A` addresses and the `$S` sum: delimiters and the sum are checked.

    start *( ["$A" 4HEX ","] 1*( HH exec ) ) end ["$S" 4HEX ","]
    start = STX, SOH or DC2; end = ETX or DC4; exec = space, % or ' or comma, one kind throughout

Where exec is the comma, `$A` and `$S` fields end with a full stop. Declared octal: three digits a byte, six
an address and a sum. Source: programmer manual appendices, several of which print the same grammar (common
practice).
"""

from __future__ import annotations

import re
from typing import NamedTuple, NoReturn

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes, lay
from pipeline.formats.text.characters import Characters, plain
from pipeline.formats.text.prose import shown

NAME = "ascii-hex"
_START = re.compile(rb"[\x01\x02\x12]")
_ENDS = {0x01: b"\x03", 0x02: b"\x03", 0x12: b"\x14"}


class _Grammar(NamedTuple):
    """The digits of this file."""

    radix: int
    value: re.Pattern[bytes]
    address: re.Pattern[bytes]
    total: re.Pattern[bytes]


_HEX = _Grammar(
    16,
    re.compile(rb"([0-9A-Fa-f]{2})([ %',]|(?=[\r\n]))"),
    re.compile(rb"\$A([0-9A-Fa-f]{4}|[0-9A-Fa-f]{6}|[0-9A-Fa-f]{8})([,.])"),
    re.compile(rb"\s*\$S([0-9A-Fa-f]{4})([,.])"),
)
_OCTAL = _Grammar(
    8,
    re.compile(rb"([0-3][0-7]{2})([ %',]|(?=[\r\n]))"),
    re.compile(rb"\$A([0-7]{6})([,.])"),
    re.compile(rb"\s*\$S([0-7]{6})([,.])"),
)
_RUNS = {
    delimiter: re.compile(rb"(?:[0-9A-Fa-f]{2}%b[\r\n\t\x00\x7f ]*)+" % re.escape(delimiter))
    for delimiter in (b" ", b"%", b"'", b",")
}
_SPACE = re.compile(rb"[\r\n\t\x00\x7f ]+")


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes.

    Raises:
        FormatError: No start or end character; anything that is not a byte with its delimiter; mixed
            delimiters; a wrong sum; bytes that contradict each other; an address beyond `declared.limit`.
    """
    text = plain(content)
    grammar = _OCTAL if declared.token == "octal" else _HEX  # noqa: S105 - a kind of digits
    start = _START.search(text.body)
    if start is None:
        refuse(
            text.place(0),
            "the start character (STX) is missing",
            "write `format: hex-text` if this is only a list of values",
        )
    if text.body[: start.start()].strip(b" \t\r\n"):
        text.ledger.add("text before the start character skipped", text.place(0))
    records, at, end = _bytes(text, grammar, start)
    total = sum(sum(record.data) for record in records)
    _sum(text, grammar, at + len(end), total & 0xFFFF)
    if not records:
        refuse(text.place(start.start()), "no bytes between start and end", "check that it is the dump")
    blocks = lay(records, text.place, text.ledger, declared.limit)
    return Decoded(NAME, 8, (blocks,), text.ledger.closed())


def _bytes(
    text: Characters, grammar: _Grammar, start: re.Match[bytes]
) -> tuple[list[PlacedBytes], int, bytes]:
    """All bytes between start and end.

    Returns:
        (records, index of the end character, the end character).
    """
    body, at, end = text.body, start.end(), _ENDS[start[0][0]]
    records: list[PlacedBytes] = []
    run, run_at, address, chosen = bytearray(), at, 0, b""
    while True:
        gap = _SPACE.match(body, at)
        at = gap.end() if gap else at
        many = _RUNS[chosen].match(body, at) if chosen and grammar is _HEX else None
        if many:
            run += bytes.fromhex(many[0].translate(None, b" %',\r\n\t\x00\x7f").decode("ascii"))
            at = many.end()
            continue
        if body[at : at + 1] == end:
            break
        found = grammar.value.match(body, at)
        field = None if found else grammar.address.match(body, at)
        if field is not None:
            records.append(PlacedBytes(address, bytes(run), run_at))
            run, run_at, address = bytearray(), field.end(), int(field[1], grammar.radix)
            at = field.end()
            continue
        if found is None:
            _bad(text, at, end)
        if not found[2] and chosen == b" ":
            text.ledger.add("a line end where the last value's blank is due", text.place(found.end()))
        chosen = chosen or found[2]
        if found[2] != chosen and (found[2] or chosen != b" "):
            refuse(
                text.place(found.start(2)),
                f"{chosen.decode()!r} delimits the other values, not this one",
                "compare with the source",
            )
        run.append(int(found[1], grammar.radix))
        at = found.end()
    records.append(PlacedBytes(address, bytes(run), run_at))
    return [record for record in records if record.data], at, end


def _bad(text: Characters, at: int, end: bytes) -> NoReturn:
    """Say what stands where a byte should."""
    if at >= len(text.body):
        refuse(
            text.place(at),
            f"the end character 0x{end[0]:02X} is missing, so the file may be cut off",
            "compare with the source",
        )
    refuse(
        text.place(at),
        f"{shown(text.body[at : at + 8])!r} is not a byte with its delimiter",
        "compare with the source: characters were lost or added",
    )


def _sum(text: Characters, grammar: _Grammar, at: int, computed: int) -> None:
    """The sum field behind the end; without one that is reported."""
    found = grammar.total.match(text.body, at)
    if found is None:
        if text.body[at:].lstrip(b" \t\r\n").startswith(b"$"):
            refuse(text.place(at), "the sum field is not whole", "compare with the source")
        text.ledger.add("no sum field, so nothing proves the bytes", text.place(at))
        rest = at
    else:
        stated = int(found[1], grammar.radix) & 0xFFFF
        if stated != computed:
            refuse(
                text.place(found.start(1)),
                f"the sum is {stated:04X}, the bytes give {computed:04X}",
                "compare with the source: a digit is wrong, or bytes are missing",
            )
        rest = found.end()
    left = text.body[rest:]
    if _START.search(left):
        refuse(
            text.place(rest), "more bytes after the end", "split the file there: it may be two dumps in one"
        )
    if left.strip(b" \t\r\n,."):
        text.ledger.add("text after the end skipped", text.place(rest))
