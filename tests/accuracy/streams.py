"""Damage done to the stream of bytes between reader and file, put in by name; one pass unless the name says two.

A file that grew is cut to the chip's size, one that shrank ends early: both as the program would see them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.accuracy.faults import Injected, Injector
from tests.accuracy.images import Image
from tests.wires import (
    UnchangedError,
    add_carriage_returns,
    double_value,
    eat_bytes,
    save_as_utf8,
    save_with_replacements,
    strip_to_seven_bits,
)

EATEN = (b"\x11\x13", b"\x0d", b"\x0a", b"\x00", b"\x1a", b"\x08\x7f")
"""What links and terminals are known to take: FACTS a.8; common practice, no source."""


def _stream(image: Image, bits: int) -> bytes:
    if bits != 8:
        raise UnchangedError("not a stream of whole bytes")
    return image.astype(np.uint8).tobytes()


def _as_read(image: Image, stream: bytes) -> tuple[NDArray[np.uint8], int]:
    """What a file of this stream shows of a chip of the image's size, and how many words it lacks."""
    seen = np.frombuffer(stream[: image.size].ljust(image.size, b"\0"), dtype=np.uint8)
    missing = max(0, image.size - len(stream))
    here = image.size - missing
    if np.array_equal(seen[:here], image[:here]):
        raise UnchangedError("only what lies behind the chip was moved")
    return seen, missing


def _seven_bits(parity: Literal["none", "even", "odd"]) -> Injector:
    def inject(_random: Generator, image: Image, bits: int) -> Injected:
        seen, _ = _as_read(image, strip_to_seven_bits(_stream(image, bits), parity))
        return Injected((seen,), frozenset({"seven-bit"}), frozenset({"D7"}), (("parity", parity),))

    return inject


def seven_bits_with_parity(random: Generator, image: Image, bits: int) -> Injected:
    parity: Literal["even", "odd"] = "even" if random.random() < 0.5 else "odd"
    return _seven_bits(parity)(random, image, bits)


def newline_damage(_random: Generator, image: Image, bits: int) -> Injected:
    seen, _ = _as_read(image, add_carriage_returns(_stream(image, bits)))
    if np.count_nonzero(seen == 0x0A) < 8:
        raise UnchangedError("fewer than eight line feeds")
    return Injected((seen,), frozenset({"newline-damage"}), frozenset())


def _text(damage: Callable[[bytes], bytes]) -> Injector:
    def inject(_random: Generator, image: Image, bits: int) -> Injected:
        stream = _stream(image, bits)
        if np.count_nonzero(image[: image.size // 2] >= 0x80) < 8:
            raise UnchangedError("fewer than eight bytes from 80 up")
        seen, _ = _as_read(image, damage(stream))
        return Injected((seen,), frozenset({"text-damage"}), frozenset(), (("kind", "utf-8"),))

    return inject


def doubled_ff(_random: Generator, image: Image, bits: int) -> Injected:
    seen, _ = _as_read(image, double_value(_stream(image, bits), 0xFF))
    return Injected((seen,), frozenset({"text-damage"}), frozenset(), (("kind", "doubled-ff"),))


def _eaten(random: Generator, image: Image, bits: int) -> tuple[NDArray[np.uint8], int]:
    values = EATEN[int(random.integers(len(EATEN)))]
    seen, missing = _as_read(image, eat_bytes(_stream(image, bits), values))
    if missing > image.size // 2:
        raise UnchangedError("next to nothing is left")
    return seen, missing


def eaten(random: Generator, image: Image, bits: int) -> Injected:
    """One pass: all that can be told is that a value which should occur never does."""
    seen, missing = _eaten(random, image, bits)
    return Injected((seen,), frozenset({"text-damage"}), frozenset(), (("kind", "eaten"),), missing=missing)


def against_a_sound_pass(random: Generator, image: Image, bits: int) -> Injected:
    """Two passes, one of them sound: any of the damages, but for a lost bit 7, which is D7's own contact as well."""
    kind = int(random.integers(6))
    codes = {"text-damage"}
    if kind == 0:
        seen, missing = _eaten(random, image, bits)
        if missing < 3:
            raise UnchangedError("one or two bytes lost: a counter that slips looks the same")
        codes = {"text-damage", "slipped"}
    elif kind == 1:
        injected = seven_bits_with_parity(random, image, bits)
        seen, missing, codes = injected.passes[0], 0, {"seven-bit"}
    else:
        damage = (add_carriage_returns, save_as_utf8, save_with_replacements, _double_ff)[kind - 2]
        stream = damage(_stream(image, bits))
        if len(stream) < image.size + 3:
            raise UnchangedError("one or two bytes came in: a counter that slips looks the same")
        seen, missing = _as_read(image, stream)
        codes = {"newline-damage", "slipped"} if kind == 2 else {"text-damage", "slipped"}
    if np.count_nonzero(image != seen) < 20:
        raise UnchangedError("fewer than twenty bytes apart")
    pair = (image, seen) if missing or random.random() < 0.5 else (seen, image)
    return Injected(pair, frozenset(codes), frozenset(), missing=missing)


def _double_ff(stream: bytes) -> bytes:
    return double_value(stream, 0xFF)


STREAM_FAULTS: dict[str, Injector] = {
    "seven bits": _seven_bits("none"),
    "seven bits and parity": seven_bits_with_parity,
    "newline damage": newline_damage,
    "saved as UTF-8": _text(save_as_utf8),
    "bytes replaced as text": _text(save_with_replacements),
    "doubled FF": doubled_ff,
    "eaten characters": eaten,
    "any damage, two passes": against_a_sound_pass,
}
