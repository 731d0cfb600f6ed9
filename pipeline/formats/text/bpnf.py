"""BPNF paper tape: every word between B and F has exactly the chip's bits.

Nothing that could be a word is skipped.

    word = "B" 1*("P" / "N") "F"      P = 1, N = 0, most significant bit first; words run from address 0

There is no sum, so a damaged word must not pass as filler: letters P and N outside a word are refused.
Variants with H/L and 1/0 are read, the last only when the format is declared. Source: Intel's form for ROM
orders of about 1970, as described in print (common practice); rubouts over mistaken words: from memory.
"""

from __future__ import annotations

import re

import numpy as np

from pipeline.formats.neutral import Block, Declared, Decoded, ambiguous, refuse
from pipeline.formats.text.characters import Characters, plain
from pipeline.formats.text.prose import shown

NAME = "bpnf"
_ALPHABETS = (b"PN", b"HL", b"10")


def decode(content: bytes, declared: Declared) -> Decoded:
    """Words from address 0, one block.

    Raises:
        FormatError: A damaged word, with its place; no word at all; more than `declared.limit`.
        AmbiguousError: Words of another width than the declared bits.
    """
    text = plain(content)
    letters = _letters(text)
    word = re.compile(rb"B([%b]+)F" % letters)
    ones = bytes.maketrans(letters, b"10")
    values: list[int] = []
    done = 0
    for found in word.finditer(text.body):
        _filler(text, letters, done, found.start())
        if len(found[1]) != declared.bits:
            _width(text, found, declared)
        values.append(int(found[1].translate(ones), 2))
        done = found.end()
        if declared.limit is not None and len(values) > declared.limit:
            refuse(text.place(found.start()), f"more than {declared.limit} words", "check the part")
    _filler(text, letters, done, len(text.body))
    bits = max(declared.bits, 8)
    kind = np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64
    block = Block(0, np.array(values, dtype=kind))
    return Decoded(NAME, bits, ((block,),), text.ledger.closed())


def _letters(text: Characters) -> bytes:
    """The two letters of this tape.

    Raises:
        FormatError: No word, or words of two kinds.
    """
    counts = {letters: len(re.findall(rb"B[%b]{2,64}F" % letters, text.body)) for letters in _ALPHABETS}
    used = [letters for letters, count in counts.items() if count]
    if not used:
        refuse(text.place(0), "no word between B and F is in the file", "check that it is the dump")
    if len(used) > 1:
        other = min(used, key=lambda letters: counts[letters])
        found = re.search(rb"B[%b]{2,64}F" % other, text.body)
        refuse(text.place(found.start() if found else 0), "words of two alphabets", "compare with the source")
    return used[0]


def _width(text: Characters, found: re.Match[bytes], declared: Declared) -> None:
    """Words that are not as wide as the chip: a lost letter, or another chip."""
    same = re.fullmatch(rb"(?:[^B]*B[^F]{%d}F)+[^B]*" % len(found[1]), text.body)
    if same:
        ambiguous(
            text.place(found.start()),
            f"all words have {len(found[1])} bits, the chip has {declared.bits}",
            "say the chip's part or organisation",
        )
    refuse(
        text.place(found.start()),
        f"a word of {len(found[1])} bits where the chip has {declared.bits}",
        "compare with the source: letters were lost or added",
    )


def _filler(text: Characters, letters: bytes, first: int, last: int) -> None:
    """What stands between words is no damaged word."""
    pattern = (
        rb"[10]{2,}F|B[10]" if letters == b"10" else rb"B[%b]|[%b]{3,}|[%b]F" % (letters, letters, letters)
    )
    found = re.compile(pattern).search(text.body, first, last)
    if found:
        refuse(
            text.place(found.start()),
            f"{shown(text.body[found.start() : found.start() + 12])!r} is a damaged word",
            "compare with the source",
        )
