"""Damage on the way to the file, shown by two passes.

One is what a known damage makes of the other, byte for byte.

One image alone seldom proves that a link took a character; a sound pass beside it does, and tells which of
the two is whole. Source: the damages are common practice, no source; UTF-8 is RFC 3629.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.catalogue.advice import step
from pipeline.flow import Pass
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Severity

MATCH = 0.99
"""This share of the damaged pass must be what the damage makes of the sound one."""
LEAST_MENDED = 12
"""So many words must agree only once the damage is counted in; fewer would be a slip as well."""
LEAST_CHANGES = 3
AHEAD = 64
"""Bytes behind the first difference that are looked at before the whole pass is."""


@dataclass(frozen=True)
class _Damage:
    code: Code
    kind: str
    make: Callable[[bytes], bytes]
    what: str


def _without(values: bytes) -> Callable[[bytes], bytes]:
    return lambda stream: stream.translate(None, values)


def _parity(*, odd: bool) -> Callable[[bytes], bytes]:
    table = bytes((byte & 0x7F) | (((byte & 0x7F).bit_count() & 1) ^ odd) << 7 for byte in range(256))
    return lambda stream: stream.translate(table)


def _replaced(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    return lambda stream: stream.replace(old, new)


_DAMAGES = (
    *(
        _Damage(Code.TEXT_DAMAGE, "eaten", _without(values), f"every {name} of it is missing")
        for values, name in (
            (b"\x11\x13", "11 and 13 (XON and XOFF)"),
            (b"\r", "0D (carriage return)"),
            (b"\n", "0A (line feed)"),
            (b"\0", "00 (null)"),
            (b"\x1a", "1A (end of file)"),
            (b"\x08\x7f", "08 and 7F (backspace and delete)"),
        )
    ),
    _Damage(Code.TEXT_DAMAGE, "doubled-ff", _replaced(b"\xff", b"\xff\xff"), "every FF came twice"),
    _Damage(Code.NEWLINE_DAMAGE, "added", _replaced(b"\n", b"\r\n"), "a 0D was put before every 0A"),
    _Damage(Code.NEWLINE_DAMAGE, "collapsed", _replaced(b"\r\n", b"\n"), "every 0D 0A became 0A"),
    _Damage(
        Code.TEXT_DAMAGE,
        "utf-8",
        lambda stream: stream.decode("latin-1").encode(),
        "every byte from 80 up became two (saved as UTF-8)",
    ),
    _Damage(
        Code.TEXT_DAMAGE,
        "utf-8",
        lambda stream: stream.decode(errors="replace").encode(),
        "every byte that is no UTF-8 became EF BF BD and is lost",
    ),
    _Damage(Code.SEVEN_BIT, "even", _parity(odd=False), "bit 7 is the even parity of the other seven bits"),
    _Damage(Code.SEVEN_BIT, "odd", _parity(odd=True), "bit 7 is the odd parity of the other seven bits"),
)


def transit_damage(reference: Pass, other: Pass) -> Suspicion | None:
    """The damage that makes one of two passes out of the other, or None.

    Args:
        reference: A pass of bytes.
        other: Another that differs from it, of the same size.
    """
    streams = (_stream(reference), _stream(other))
    at = _first_apart(*streams)
    for sound, damaged, pair in (
        (reference, other, streams),
        (other, reference, streams[::-1]),
    ):
        for damage in _DAMAGES:
            agreeing = _agreeing(damage.make, *pair, at)
            if agreeing:
                found = _suspicion(damage, sound, damaged, at, agreeing)
                return _either_way(found) if _undone(damage, *pair, at) else found
    return None


def _undone(damage: _Damage, sound: bytes, damaged: bytes, at: int) -> bool:
    """Whether the opposite damage makes the sound pass of the damaged one.

    Then neither is known to be whole.
    """
    opposites = [
        one for one in _DAMAGES if one.code is Code.NEWLINE_DAMAGE is damage.code and one is not damage
    ]
    return any(_agreeing(one.make, damaged, sound, at) for one in opposites)


def _either_way(found: Suspicion) -> Suspicion:
    return replace(
        found,
        where={**found.where, "kind": "added or collapsed"},
        evidence={**found.evidence, "kind": "added or collapsed"},
        means="One pass has 0D before every 0A where the other has 0A alone: a text-mode transfer put them "
        "in, or took them out. Which of the two passes is whole cannot be told from them.",
        next=step("resend-both"),
    )


def _stream(one: Pass) -> bytes:
    """The bytes up to the last one that the file had."""
    words = one.words
    if one.present is not None and not one.present[-1]:
        held = np.flatnonzero(one.present)
        words = words[: int(held[-1]) + 1 if held.size else 0]
    return words.tobytes()


def _first_apart(first: bytes, second: bytes) -> int:
    size = min(len(first), len(second))
    apart = np.frombuffer(first[:size], np.uint8) != np.frombuffer(second[:size], np.uint8)
    return int(np.argmax(apart)) if apart.any() else size


def _agreeing(make: Callable[[bytes], bytes], sound: bytes, damaged: bytes, at: int) -> int:
    """How many bytes of the damaged pass are what `make` gives, 0 where that explains too few."""
    start = make(sound[: at + AHEAD])[: at + AHEAD // 4]
    if damaged[: len(start)] != start or len(start) <= at:
        return 0
    made = make(sound)
    size = min(len(made), len(damaged))
    seen = np.frombuffer(damaged[:size], np.uint8)
    fits = seen == np.frombuffer(made[:size], np.uint8)
    unmoved = min(size, len(sound))
    mended = fits[:unmoved] & (seen[:unmoved] != np.frombuffer(sound[:unmoved], np.uint8))
    enough = int(np.count_nonzero(mended)) >= LEAST_MENDED and _changes(sound, made) >= LEAST_CHANGES
    return int(np.count_nonzero(fits)) if enough and fits.mean() >= MATCH else 0


def _changes(sound: bytes, made: bytes) -> int:
    return abs(len(made) - len(sound)) or LEAST_CHANGES


def _suspicion(damage: _Damage, sound: Pass, damaged: Pass, at: int, agreeing: int) -> Suspicion:
    key = "parity" if damage.code is Code.SEVEN_BIT else "kind"
    return Suspicion(
        code=damage.code,
        severity=Severity.FAULT,
        where={
            key: damage.kind,
            "at": at,
            "readings": [damaged.reading],
            "pass": damaged.number,
            "against": sound.reading,
        },
        evidence={
            key: damage.kind,
            "words_agreeing": agreeing,
            "words": int(sound.words.size),
            "hypotheses": 2 * len(_DAMAGES),
        },
        means=f"One pass equals the other except that {damage.what}: the link or a program on the way did "
        f"it, and the pass {sound.reading} is the whole one.",
        also="Nothing known: two passes hardly agree like this by chance.",
        next=step("resend-and-set-aside"),
    )
