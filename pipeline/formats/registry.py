"""Every format by name: its decoder, what is checked in a file of it, and what such a file has at least once.

The one list of formats. A decoder is loaded with the first file that it is asked to read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from types import MappingProxyType, ModuleType
from typing import NamedTuple, cast

from pipeline.errors import UsageError
from pipeline.formats.neutral import Declared, Decoded

Decoder = Callable[[bytes, Declared], Decoded]


class FormatEntry(NamedTuple):
    """What the registry knows of one format.

    Attributes:
        module: Where its `decode` is.
        checks: One line: what is checked in each file.
        mark: Pattern of what a file of this format has at least once, or None where `recognise` decides
            otherwise; compiled with the first text that is looked at.
        letter: Characters of which one must stand somewhere in a file before `mark` is looked for at all.
        addressed: The file itself says at which address its words stand.
    """

    module: str
    checks: str
    mark: bytes | None = None
    letter: bytes = b""
    addressed: bool = False


ENTRIES: dict[str, FormatEntry] = {
    "intel-hex": FormatEntry(
        "records.intel_hex",
        (
            "record types 00-05, byte counts, sums, end record, nothing after it, overlaps, segment "
            "wrap at 64 K"
        ),
        rb"(?m)^[^0-9A-Za-z:\n]{0,80}:[0-9A-Fa-f]{8}",
        b":",
        addressed=True,
    ),
    "s-record": FormatEntry(
        "records.s_record",
        "S0-S9, byte counts, sums, S5/S6 record counts, end record, nothing after it, overlaps",
        rb"(?m)^[ \t]*[Ss][0-9][0-9A-Fa-f]{6}",
        b"Ss",
        addressed=True,
    ),
    "tektronix-hex": FormatEntry(
        "records.tektronix_hex",
        "both sums (of digits; of bytes reported), counts, abort, end record, nothing after it, overlaps",
        rb"(?m)^[^0-9A-Za-z/\n]{0,80}/[0-9A-Fa-f]{8}",
        b"/",
        addressed=True,
    ),
    "tektronix-extended": FormatEntry(
        "records.tektronix_extended",
        "lengths, sums, types, address digits, end record, nothing after it, overlaps",
        rb"(?m)^[ \t]*%[0-9A-Fa-f]{2}[368][0-9A-Fa-f]{2}",
        b"%",
        addressed=True,
    ),
    "mos-paper-tape": FormatEntry(
        "records.mos_paper_tape",
        "counts, 16-bit sums, number of records, end record, nothing after it, overlaps",
        rb"(?m)^[\x00\x11\x13\x7f \t]*;[0-9A-Fa-f]{10}",
        b";",
        addressed=True,
    ),
    "ti-txt": FormatEntry(
        "records.ti_txt",
        "addresses, pairs, the closing q, nothing after it, overlaps; the format has no sum",
        rb"(?m)^[ \t]*@[0-9A-Fa-f]{1,16}[ \t]*$",
        b"@",
        addressed=True,
    ),
    "ascii-hex": FormatEntry(
        "text.ascii_hex",
        "start and end characters, one delimiter throughout, the $S sum where there is one, overlaps",
        rb"[\x01\x02\x12][ \t\n]{0,8}(?:\$A[0-9A-Fa-f]{4,8}[,.][ \t\n]{0,8})?[0-9A-Fa-f]{2,3}[ %',]",
    ),
    "bpnf": FormatEntry(
        "text.bpnf",
        "every word exactly as wide as the chip, no damaged word taken for filler; the format has no sum",
        rb"B(?:[PN]{2,64}|[HL]{2,64})F",
        b"B",
    ),
    "jesd3": FormatEntry(
        "text.jesd3",
        "fuse sum, transmission sum, fuse numbers, overlaps, defaults; kept as fuses",
        rb"(?:\A|[*\x02\n])[ \t\n]{0,8}(?:QF[0-9]+|L[0-9]+[ \n]+[01 \n]+)\*",
        b"*",
    ),
    "reader-log": FormatEntry(
        "records.reader_log",
        (
            "the CRC of every line, addresses, words a line, the CRC of every pass; passes that are not "
            "whole left out"
        ),
        rb"(?m)^(?:#WELLREAD 1 PASS |=[1-9][0-9]{0,5} [0-9A-F]{4,8} [0-9A-F ]+\*[0-9A-F]{4})",
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
FORMATS: Mapping[str, str] = MappingProxyType({name: entry.checks for name, entry in ENTRIES.items()})
"""Name of every format and what is checked in a file of it."""


def says_addresses(name: str) -> bool:
    """Whether files of a format say at which address their words stand.

    Raises:
        KeyError: There is no such format.
    """
    return ENTRIES[name].addressed


def decoder(name: str) -> Decoder:
    """The decoder of a format.

    Raises:
        UsageError: There is no such format.
    """
    if name not in ENTRIES:
        raise UsageError(
            where="format",
            problem=f"{name!r} is not known",
            remedy=f"Say as the format one of {', '.join(sorted(ENTRIES))}",
        )
    return cast("Decoder", decoder_module(name).decode)


def decoder_module(name: str) -> ModuleType:
    """The module that holds a format's decoder, loaded when it is first asked for."""
    return import_module(f"pipeline.formats.{ENTRIES[name].module}")
