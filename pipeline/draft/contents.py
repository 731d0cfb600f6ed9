"""What a loose file's content says: how many words of which width, and what has to be declared to read it.

Where a decoder asks, its own question names what can be declared; every answer is tried, and the likeliest
that reads the file is proposed. What is proposed so is told with the chip, and `check` refuses it until a
person has confirmed it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats import Block, Declared, Decoded, decode, image
from pipeline.formats.foreign import kind_of_foreign
from schemas.names import Organisation

ANSWERS = re.compile(r"`(token|word_order|address): ([a-z]+)`")
DEEPEST_QUESTIONS = 3
_LETTERS = re.compile(rb"[A-Za-z]{2,}")
_TEXT = frozenset([*range(0x20, 0x7F), 9, 10, 12, 13, *range(0xA0, 0x100)])
LARGEST_NOTES = 1 << 20
FEWEST_KINDS = 3
"""So many different values show a width; a blank chip shows none."""
NEAR = 8
"""A chip's size is meant where the values are off by less than one in so many: lost, or added."""


@dataclass(frozen=True, slots=True)
class FileContent:
    """What one file holds.

    Attributes:
        organisation: Words and bits, as far as the content shows; None where it is not read.
        values: How many values there truly are.
        words: They themselves, of the first pass, as bytes; b"" where it is not read.
        says: What is proposed for its row under `readings`.
        format: Name of its format, or "".
        refused: Why it is not read; "" where it is.
        belongs: Where a file goes that is no dump, in words; "" for a dump.
    """

    organisation: Organisation | None = None
    values: int = 0
    words: bytes = b""
    says: Mapping[str, str] = field(default_factory=dict)
    format: str = ""
    refused: str = ""
    belongs: str = ""


def look_into(content: bytes) -> FileContent:
    """What a file is, and what it holds where it is a dump."""
    elsewhere = _belongs_elsewhere(content)
    if elsewhere:
        return FileContent(belongs=elsewhere)
    try:
        return _held(decode(content, Declared()), {})
    except AmbiguousError as error:
        answered = list(_answered(content, Declared(), error, 0))
        if answered:
            return max(answered, key=_likelihood)
        return _unread(content, error)
    except FormatError as error:
        return _unread(content, error)


def _belongs_elsewhere(content: bytes) -> str:
    """What a file is that is no dump, and where to move it; nothing is moved. "" where it may be one."""
    name, folder = kind_of_foreign(content)
    where = {
        "archive": "unpack it, and put the dumps that are in it into dumps/",
        "download": "download it again",
    }
    return f"{name}: {where.get(folder, f'move it to {folder}/')}" if name else ""


def _unread(content: bytes, error: FormatError) -> FileContent:
    """A file that no decoder takes: notes, or a dump that is damaged."""
    if _is_notes(content):
        return FileContent(belongs="a text, not a dump: move it to docs/")
    return FileContent(refused=f"{error.where}: {error.problem}")


def _is_notes(content: bytes) -> bool:
    """Whether a file is words for the most part."""
    if not content or len(content) > LARGEST_NOTES or not _TEXT.issuperset(content[:4096]):
        return False
    words = re.findall(rb"[0-9A-Za-z]+", content)
    spelt = sum(1 for word in words if _LETTERS.fullmatch(word) and not re.fullmatch(rb"[A-Fa-f]+", word))
    return len(words) > 0 and 2 * spelt > len(words)


def _answered(content: bytes, declared: Declared, error: FormatError, depth: int) -> Iterator[FileContent]:
    """What the file holds by each answer to the decoder's question, and to the questions that follow."""
    for name, value in ANSWERS.findall(error.remedy):
        if getattr(declared, name) is not None:
            continue
        said = replace(declared, **{name: value})
        try:
            yield _held(decode(content, said), _says(said))
        except AmbiguousError as further:
            if depth < DEEPEST_QUESTIONS:
                yield from _answered(content, said, further, depth + 1)
        except FormatError:
            continue
    if declared == Declared():
        wide = Declared(bits=16)
        try:
            yield _held(decode(content, wide), {})
        except FormatError:
            return


def _says(declared: Declared) -> dict[str, str]:
    named = {"token": declared.token, "word_order": declared.word_order, "address": declared.address}
    return {name: value for name, value in named.items() if value is not None}


def _likelihood(one: FileContent) -> tuple[bool, bool, bool, bool]:
    """Which of several readings is proposed: sizes that chips have, then what programs print most.

    A listing whose addresses count bytes comes from a dump program, and those print words as computers of
    today keep them, the low byte first; words without such addresses are words of the chip. Common practice,
    no source.
    """
    return (
        one.values.bit_count() == 1,
        one.says.get("address") in (None, "hex"),
        one.says.get("word_order") == "little" and one.format == "listing",
        not one.says.get("word_order"),
    )


def _held(decoded: Decoded, says: dict[str, str]) -> FileContent:
    """The first pass of a file that was read."""
    low, values = _usual_span(decoded)
    words, _ = image(decoded.runs[0], values, 0, base=low)
    bits = _bits(words, decoded.unit_bits)
    return FileContent(
        Organisation(_size_of_chip(values) if bits > 1 else values, bits) if values > 1 else None,
        values,
        words.tobytes(),
        says,
        decoded.format,
        refused="" if values > 1 else "it holds fewer than two values",
    )


def _usual_span(decoded: Decoded) -> tuple[int, int]:
    """(first address of the first pass, values of most passes)."""
    spans = Counter(_span(run) for run in decoded.runs)
    return decoded.runs[0][0].address, min(spans.most_common(1)[0][0], 1 << 28)


def _span(run: tuple[Block, ...]) -> int:
    return run[-1].end - run[0].address


def _bits(words: np.ndarray[tuple[int], np.dtype[np.unsignedinteger]], unit_bits: int) -> int:
    """How wide the words are: 4 where the upper half of every byte is the same, and the lower half is not."""
    if unit_bits != 8 or len(np.unique(words)) < FEWEST_KINDS:
        return unit_bits
    upper = words >> 4
    return 4 if bool((upper == upper[0]).all()) and int(upper[0]) in (0, 0xF) else 8


def _size_of_chip(values: int) -> int:
    """The power of two that a number of values was most likely meant to be, or the number itself."""
    below = 1 << (values.bit_length() - 1)
    near = min((below, 2 * below), key=lambda size: abs(size - values))
    return near if abs(near - values) * NEAR < near else values
