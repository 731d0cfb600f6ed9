"""Which format a dump is in: by its content, never by its name; a declared format wins.

Each format says what its files cannot be without. The record formats, whose sums prove them, go first; hex
text and raw binary, which prove nothing, come last, and where both would do the dump is refused until someone
declares which it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from types import MappingProxyType
from typing import cast

import numpy as np

from pipeline.errors import AmbiguousError, FormatError, UsageError
from pipeline.formats.foreign import kind_of_foreign, refuse_foreign
from pipeline.formats.neutral import Declared, Decoded, Place, ambiguous, refuse
from pipeline.formats.records import intel_hex, s_record
from pipeline.formats.text import hex_text, layout
from pipeline.formats.text.characters import PADDING, Characters, plain
from pipeline.formats.text.dressing import with_plain_addresses, without_pages
from pipeline.formats.text.prose import without_stamps

_CONTROLS = b"\x00\x01\x02\x03\x11\x12\x13\x14\x1a\x7f"
"""Characters that frame a text on a line or a tape."""

_DIGITS = b"0123456789ABCDEFabcdef"
_PAIR = re.compile(rb"(?<![0-9A-Za-z])[0-9A-Fa-f]{2}(?![0-9A-Za-z])")
SAMPLE = 1 << 16
"""Bytes at the beginning that show whether a file can be digits at all."""
FEWEST_PAIRS = 16
"""So many pairs of digits may stand in any file."""

Decoder = Callable[[bytes, Declared], Decoded]


@dataclass(frozen=True, slots=True)
class FormatEntry:
    """What the registry knows of one format.

    Attributes:
        module: Where its `decode` is.
        checks: One line: what is checked in each file.
        mark: What a file of this format has at least once, or None where `registry` decides otherwise.
        letter: Characters of which one must stand somewhere in a file before `mark` is looked for at all.
        addressed: The file itself says at which address its words stand.
    """

    module: str
    checks: str
    mark: re.Pattern[bytes] | None = None
    letter: bytes = b""
    addressed: bool = False


_ENTRIES: dict[str, FormatEntry] = {
    "intel-hex": FormatEntry(
        "records.intel_hex",
        (
            "record types 00-05, byte counts, sums, end record, nothing after it, overlaps, segment "
            "wrap at 64 K"
        ),
        re.compile(rb"(?m)^[^0-9A-Za-z:\n]{0,80}:[0-9A-Fa-f]{8}"),
        b":",
        addressed=True,
    ),
    "s-record": FormatEntry(
        "records.s_record",
        "S0-S9, byte counts, sums, S5/S6 record counts, end record, nothing after it, overlaps",
        re.compile(rb"(?m)^[ \t]*[Ss][0-9][0-9A-Fa-f]{6}"),
        b"Ss",
        addressed=True,
    ),
    "tektronix-hex": FormatEntry(
        "records.tektronix_hex",
        "both sums (of digits; of bytes reported), counts, abort, end record, nothing after it, overlaps",
        re.compile(rb"(?m)^[^0-9A-Za-z/\n]{0,80}/[0-9A-Fa-f]{8}"),
        b"/",
        addressed=True,
    ),
    "tektronix-extended": FormatEntry(
        "records.tektronix_extended",
        "lengths, sums, types, address digits, end record, nothing after it, overlaps",
        re.compile(rb"(?m)^[ \t]*%[0-9A-Fa-f]{2}[368][0-9A-Fa-f]{2}"),
        b"%",
        addressed=True,
    ),
    "mos-paper-tape": FormatEntry(
        "records.mos_paper_tape",
        "counts, 16-bit sums, number of records, end record, nothing after it, overlaps",
        re.compile(rb"(?m)^[\x00\x11\x13\x7f \t]*;[0-9A-Fa-f]{10}"),
        b";",
        addressed=True,
    ),
    "ti-txt": FormatEntry(
        "records.ti_txt",
        "addresses, pairs, the closing q, nothing after it, overlaps; the format has no sum",
        re.compile(rb"(?m)^[ \t]*@[0-9A-Fa-f]{1,16}[ \t]*$"),
        b"@",
        addressed=True,
    ),
    "ascii-hex": FormatEntry(
        "text.ascii_hex",
        "start and end characters, one delimiter throughout, the $S sum where there is one, overlaps",
        re.compile(
            rb"[\x01\x02\x12][ \t\n]{0,8}(?:\$A[0-9A-Fa-f]{4,8}[,.][ \t\n]{0,8})?[0-9A-Fa-f]{2,3}[ %',]"
        ),
    ),
    "bpnf": FormatEntry(
        "text.bpnf",
        "every word exactly as wide as the chip, no damaged word taken for filler; the format has no sum",
        re.compile(rb"B(?:[PN]{2,64}|[HL]{2,64})F"),
        b"B",
    ),
    "jesd3": FormatEntry(
        "text.jesd3",
        "fuse sum, transmission sum, fuse numbers, overlaps, defaults; kept as fuses",
        re.compile(rb"(?:\A|[*\x02\n])[ \t\n]{0,8}(?:QF[0-9]+|L[0-9]+[ \n]+[01 \n]+)\*"),
        b"*",
    ),
    "reader-log": FormatEntry(
        "records.reader_log",
        (
            "the CRC of every line, addresses, words a line, the CRC of every pass; passes that are not "
            "whole left out"
        ),
        re.compile(rb"(?m)^(?:#WELLREAD 1 PASS |=[1-9][0-9]{0,5} [0-9A-F]{4,8} [0-9A-F ]+\*[0-9A-F]{4})"),
        b"*",
        addressed=True,
    ),
    "binary": FormatEntry("binary", "nothing can be checked in it but its length"),
    "hex-text": FormatEntry(
        "text.hex_text",
        "one style of values, separators and lines throughout; banners told from data; passes parted",
    ),
    "listing": FormatEntry(
        "text.listing",
        (
            "every line's address against the line before; values a line; the text column kept apart; "
            "last address"
        ),
        addressed=True,
    ),
}
FORMATS: Mapping[str, str] = MappingProxyType({name: entry.checks for name, entry in _ENTRIES.items()})
"""Name of every format and what is checked in a file of it."""


_FOREIGN_CONTROLS = np.zeros(256, dtype=np.bool_)
_FOREIGN_CONTROLS[[*range(4, 9), *range(0x0E, 0x11), *range(0x15, 0x1A), *range(0x1B, 0x20)]] = True
"""Control characters that neither text nor its padding nor any record format uses."""


def says_addresses(name: str) -> bool:
    """Whether files of a format say at which address their words stand.

    Raises:
        KeyError: There is no such format.
    """
    return _ENTRIES[name].addressed


def decoder(name: str) -> Decoder:
    """The decoder of a format.

    Raises:
        UsageError: There is no such format.
    """
    if name not in _ENTRIES:
        raise UsageError(
            where="format",
            problem=f"{name!r} is not known",
            remedy=f"Say as the format one of {', '.join(sorted(_ENTRIES))}",
        )
    module = import_module(f"pipeline.formats.{_ENTRIES[name].module}")
    return cast("Decoder", module.decode)


def decode(content: bytes, declared: Declared | None = None) -> Decoded:
    """A dump as addressed words, in whatever format it is.

    Args:
        content: The file.
        declared: What is known about it; its format, if given, is not doubted.

    Raises:
        FormatError: The file is damaged, or of no format that is read here; with its place.
        AmbiguousError: It has two readings; with what to declare.
        UsageError: The declared format does not exist.
    """
    declared = declared or Declared()
    if declared.format is not None:
        decoded = decoder(declared.format)(content, declared)
    else:
        decoded = _recognised(content, declared)
    if not all(any(len(block.words) for block in run) for run in decoded.runs):
        refuse(Place(None, None, 0), "the file is whole but holds no data", "check that it is the dump")
    return decoded


def _recognised(content: bytes, declared: Declared) -> Decoded:
    """A dump whose format is not declared."""
    if not content:
        refuse(Place(None, None, 0), "the file is empty", "copy the dump again")
    refuse_foreign(content)
    if plainly_binary(content):
        return _as_binary(content, declared)
    done = _swiftly(content, declared)
    if done is not None:
        return done
    names = (_names if len(content) <= MOST_REMEMBERED else _names.__wrapped__)(content)
    if names == ("hex-text",) and _length_of_chip(content, declared):
        return _text_or_binary(content, plain(content), declared)
    if len(names) == 1:
        return decoder(names[0])(content, declared)
    return _one_of(names, content, declared)


MOST_REMEMBERED = 1 << 16
"""Bytes of a file whose formats are remembered until the next: a second reading holds the same, as a rule."""


@lru_cache(maxsize=1)
def _names(content: bytes) -> tuple[str, ...]:
    """Formats that the file may have. Raises FormatError for text that is torn."""
    return _candidates(content, plain(content))


def _swiftly(content: bytes, declared: Declared) -> Decoded | None:
    """A clean file of the kinds that have a fast path, each of which nothing else can be mistaken for."""
    if content.startswith(b":"):
        return intel_hex.swift(content, declared)
    if content.startswith(b"S"):
        return s_record.swift(content, declared)
    return None if _length_of_chip(content, declared) else hex_text.swift(content, declared)


def detect(content: bytes) -> tuple[str, ...]:
    """Names of the formats that the content can be in, best first; () where nothing fits."""
    if kind_of_foreign(content)[0]:
        return ()
    if plainly_binary(content):
        return () if _spells_digits(content) else ("binary",)
    try:
        return _candidates(content, plain(content)) if content else ()
    except FormatError:
        return ()  # UTF-16 that ends in half a character is nothing yet


def _as_binary(content: bytes, declared: Declared) -> Decoded:
    """A file full of control characters, taken as it is unless it is hexadecimal digits for the most part."""
    if not _length_of_chip(content, declared) and _spells_digits(content):
        refuse(
            Place(None, None, 0),
            "hexadecimal digits with control characters between them, which no text has",
            "print it again with blanks between the values; write `format: binary` if the chip holds this",
        )
    return decoder("binary")(content, declared)


def _spells_digits(content: bytes) -> bool:
    """Whether most of the file is separate pairs of hexadecimal digits, whatever stands between.

    Chips of code or text hardly ever hold so many: of the bytes of a chip 22 in 256 are such digits, and text
    has words.
    """
    sample = content[:SAMPLE]
    if 2 * len(sample.translate(None, _DIGITS)) > len(sample):
        return False
    pairs = _PAIR.findall(content)
    return len(pairs) >= FEWEST_PAIRS and 2 * len(pairs) * 2 >= len(content)


def plainly_binary(content: bytes) -> bool:
    """Whether more than a sixteenth of the bytes are controls that no text, padding, tape or record has.

    What is so full of them is binary by every rule below; most dumps of code are, and need not be looked at
    as text at all. A byte-order mark is left to those rules.
    """
    if content.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        return False
    units = np.frombuffer(content, dtype=np.uint8)
    return int(np.count_nonzero(_FOREIGN_CONTROLS[units])) * 16 > len(units)


def _one_of(names: tuple[str, ...], content: bytes, declared: Declared) -> Decoded:
    """The result of the one format that reads the file; two that do so differently are refused."""
    results: list[Decoded] = []
    errors: list[FormatError] = []
    for name in names:
        try:
            results.append(decoder(name)(content, declared))
        except FormatError as error:
            errors.append(error)
    if not results:
        raise errors[0]
    if len(results) > 1:
        ambiguous(
            Place(None, None, 0),
            f"the file can be read as {' and as '.join(one.format for one in results)}",
            f"write {' or '.join(f'`format: {one.format}`' for one in results)}",
        )
    return results[0]


def _candidates(content: bytes, text: Characters) -> tuple[str, ...]:
    """Formats that the file may have, those with the most marks first."""
    if _calm(text.body.translate(None, _CONTROLS)) and (marked := _marked(text.body)):
        return marked
    kind = _kind(content, text)
    if kind == "binary":
        return ("binary",)
    opened = with_plain_addresses(without_stamps(without_pages(text)))
    return ("listing",) if layout.claims(opened) else ("hex-text",)


def _marked(body: bytes) -> tuple[str, ...]:
    """Formats whose marks stand in the text, those with the most first."""
    lines = body.replace(b"\r", b"\n")
    counts = {
        name: len(entry.mark.findall(lines))
        for name, entry in _ENTRIES.items()
        if entry.mark and (not entry.letter or any(bytes([one]) in lines for one in entry.letter))
    }
    return tuple(sorted((name for name, count in counts.items() if count), key=lambda name: -counts[name]))


def _calm(body: bytes) -> bool:
    """Whether nearly all characters are ones that a text file has."""
    return _strange(body) * 20 <= len(body)


def _strange(body: bytes) -> int:
    """Characters that a text file has not."""
    units = np.frombuffer(body, dtype=np.uint8)
    fine = ((units >= 0x20) & (units < 0x7F)) | ((units >= 9) & (units <= 13))
    return int(len(units) - np.count_nonzero(fine))


def _kind(content: bytes, text: Characters) -> str:
    """`text` or `binary`, for a file that no record format claims.

    A text in which something strange stands, be it only padding, must look like values for the most part;
    else it is a chip that holds some text. A file of nothing but text characters is never taken for binary
    unasked.
    """
    strange = _strange(content)
    if not strange:
        return "text"
    core = text.body.strip(PADDING + b" \t\r\n")
    if _foreign(content):
        return "text"
    if _spells_digits(text.body):
        return "text"
    if not _calm(text.body) or len(core) < 16 or len(core) * 2 < len(content) // text.scale:
        return "binary"
    return "text" if hex_text.looks(text) >= 0.5 else "binary"


def _foreign(content: bytes) -> bool:
    """Whether the file is UTF-8 text that has characters beyond ASCII and no control characters.

    Chips that hold such bytes by chance are a few bytes long; a text with a foreign digit in it must not slip
    through as raw binary.
    """
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not content.isascii() and not any(
        ord(letter) < 32 and letter not in "\t\r\n\f" for letter in set(text)
    )


def _length_of_chip(content: bytes, declared: Declared) -> bool:
    """Whether the file is exactly as long as the chip."""
    return declared.words is not None and len(content) == declared.words * ((declared.bits + 7) // 8)


def _text_or_binary(content: bytes, text: Characters, declared: Declared) -> Decoded:
    """A file of text characters that is exactly as long as the chip.

    A text ROM, unless it can be hex text.
    """
    try:
        decoder("hex-text")(content, declared)
    except FormatError as error:
        if hex_text.looks(text) < 0.3:
            return decoder("binary")(content, declared)
        raise _either(error) from error
    raise _either(None)


def _either(error: FormatError | None) -> AmbiguousError:
    return AmbiguousError(
        where="offset 0x0" if error is None else error.where,
        problem=(
            "the file is as long as the chip and looks like hex text: a chip full of digits, or a dump "
            "of part of it"
        ),
        remedy="write `format: binary` or `format: hex-text`",
    )
