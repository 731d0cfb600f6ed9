"""Which format a dump is in: by its content, never by its name; a declared format wins.

Each format says what its files cannot be without. The record formats, whose sums prove them, go first; hex
text and raw binary, which prove nothing, come last, and where both would do the dump is refused until someone
declares which it is.

What reads texts is loaded with the first file that may be one: most dumps are none, and it takes longer to
load than such a dump to examine.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import cast

import numpy as np

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats.binary import length_of_chip, plainly_binary, spells_digits
from pipeline.formats.foreign import kind_of_foreign, refuse_foreign
from pipeline.formats.neutral import Declared, Decoded, Place, ambiguous, refuse
from pipeline.formats.registry import ENTRIES, decoder, decoder_module
from pipeline.formats.text.characters import PADDING, Characters, plain

_CONTROLS = b"\x00\x01\x02\x03\x11\x12\x13\x14\x1a\x7f"
"""Characters that frame a text on a line or a tape."""


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
    if names == ("hex-text",) and length_of_chip(content, declared):
        return _text_or_binary(content, plain(content), declared)
    if len(names) == 1:
        return decoder(names[0])(content, declared)
    return _one_of(names, content, declared)


def detect(content: bytes) -> tuple[str, ...]:
    """Names of the formats that the content can be in, best first; () where nothing fits."""
    if kind_of_foreign(content)[0]:
        return ()
    if plainly_binary(content):
        return () if spells_digits(content) else ("binary",)
    try:
        return candidates(content, plain(content)) if content else ()
    except FormatError:
        return ()  # UTF-16 that ends in half a character is nothing yet


def _as_binary(content: bytes, declared: Declared) -> Decoded:
    """A file full of control characters, taken as it is unless it is hexadecimal digits for the most part."""
    if not length_of_chip(content, declared) and spells_digits(content):
        refuse(
            Place(None, None, 0),
            "hexadecimal digits with control characters between them, which no text has",
            "print it again with blanks between the values; write `format: binary` if the chip holds this",
        )
    return decoder("binary")(content, declared)


MOST_REMEMBERED = 1 << 16
"""Bytes of a file whose formats are remembered until the next: a second reading holds the same, as a rule."""


@lru_cache(maxsize=1)
def _names(content: bytes) -> tuple[str, ...]:
    """Formats that the file may have. Raises FormatError for text that is torn."""
    return candidates(content, plain(content))


_SWIFT = {b":": "intel-hex", b"S": "s-record"}


def _swiftly(content: bytes, declared: Declared) -> Decoded | None:
    """A clean file of the kinds that have a fast path, each of which nothing else can be mistaken for."""
    name = _SWIFT.get(content[:1], "hex-text")
    if name == "hex-text" and (not content.isascii() or length_of_chip(content, declared)):
        return None
    return cast("Decoded | None", decoder_module(name).swift(content, declared))


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


def candidates(content: bytes, text: Characters) -> tuple[str, ...]:
    """Formats that the file may have, those with the most marks first."""
    if _calm(text.body.translate(None, _CONTROLS)) and (marked := _marked(text.body)):
        return marked
    if _kind(content, text) == "binary":
        return ("binary",)
    from pipeline.formats.text import dressing, layout, prose

    opened = dressing.with_plain_addresses(prose.without_stamps(dressing.without_pages(text)))
    return ("listing",) if layout.claims(opened) else ("hex-text",)


def _marked(body: bytes) -> tuple[str, ...]:
    """Formats whose marks stand in the text, those with the most first."""
    lines = body.replace(b"\r", b"\n")
    counts = {
        name: len(re.findall(entry.mark, lines))
        for name, entry in ENTRIES.items()
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
    if spells_digits(text.body):
        return "text"
    if not _calm(text.body) or len(core) < 16 or len(core) * 2 < len(content) // text.scale:
        return "binary"
    return "text" if _like_hex_text(text) >= 0.5 else "binary"


def _like_hex_text(text: Characters) -> float:
    """The share of a text that looks like values."""
    from pipeline.formats.text.hex_text import looks

    return looks(text)


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


def _text_or_binary(content: bytes, text: Characters, declared: Declared) -> Decoded:
    """A file of text characters that is exactly as long as the chip.

    A text ROM, unless it can be hex text.
    """
    try:
        decoder("hex-text")(content, declared)
    except FormatError as error:
        if _like_hex_text(text) < 0.3:
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
