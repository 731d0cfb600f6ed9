"""Raw binary: every byte of the file is a byte of the chip.

The only format without any check of its own; whether a file is binary at all is decided in `recognise`.
"""

from __future__ import annotations

import re

import numpy as np

from pipeline.formats.neutral import Block, Declared, Decoded, Place, refuse

NAME = "binary"

_DIGITS = b"0123456789ABCDEFabcdef"
_PAIR = rb"(?<![0-9A-Za-z])[0-9A-Fa-f]{2}(?![0-9A-Za-z])"
SAMPLE = 1 << 16
"""Bytes at the beginning that show whether a file can be digits at all."""
FEWEST_PAIRS = 16
"""So many pairs of digits may stand in any file."""

_FOREIGN_CONTROLS = np.zeros(256, dtype=np.bool_)
_FOREIGN_CONTROLS[[*range(4, 9), *range(0x0E, 0x11), *range(0x15, 0x1A), *range(0x1B, 0x20)]] = True
"""Control characters that neither text nor its padding nor any record format uses."""


def decode(content: bytes, declared: Declared) -> Decoded:
    """One block from address 0.

    Raises:
        FormatError: An empty file, or one longer than `declared.limit`.
    """
    if not content:
        refuse(Place(None, None, 0), "the file is empty", "copy the dump again")
    if declared.limit is not None and len(content) > declared.limit:
        refuse(
            Place(None, None, declared.limit),
            f"the file has {len(content)} bytes; at most {declared.limit} are expected",
            "check the part, or say with `take` which part of the file is the chip's",
        )
    block = Block(0, np.frombuffer(content, dtype=np.uint8))
    return Decoded(NAME, 8, ((block,),))


def spells_digits(content: bytes) -> bool:
    """Whether most of the file is separate pairs of hexadecimal digits, whatever stands between.

    Chips of code or text hardly ever hold so many: of the bytes of a chip 22 in 256 are such digits, and text
    has words.
    """
    sample = content[:SAMPLE]
    if 2 * len(sample.translate(None, _DIGITS)) > len(sample):
        return False
    pairs = re.findall(_PAIR, content)
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


def length_of_chip(content: bytes, declared: Declared) -> bool:
    """Whether the file is exactly as long as the chip."""
    return declared.words is not None and len(content) == declared.words * ((declared.bits + 7) // 8)
