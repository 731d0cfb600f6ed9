"""What each byte says for text: logarithms of shares, in the codes in which characters may stand in bytes.

Source: the letter weights are rough shares of English, from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

MOST_CHANCE = 1e-3
"""A text is reported where at most one image in a thousand would show such a stretch by chance."""
COMMON = "ETAOINSRHL"
GAP = -3.0
"""Nats of a byte that never stands in text, and of one between two stretches of it."""


def _weights() -> NDArray[np.float64]:
    """Share of each of 128 characters in text; 0 for what never stands in text."""
    share = np.zeros(128)
    share[0x20:0x7F] = 0.0012
    for character in ".,:-/()'!?=+*\"<>;&%$#":
        share[ord(character)] = 0.005
    share[ord("0") : ord("9") + 1] = 0.007
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ":
        weight = 0.03 if letter in COMMON else 0.011
        share[ord(letter)] = share[ord(letter.lower())] = weight
    share[0x20] = 0.1
    share[[0x0D, 0x0A]] = 0.008
    return np.asarray(share / share.sum())


def _scores() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Scores by byte for plain text, and for text whose last letters are marked by bit 7."""
    share = _weights()
    plain = np.full(256, GAP, dtype=np.float32)
    with np.errstate(divide="ignore"):
        plain[:128] = np.maximum(np.log(share * 256) - 0.04, GAP)  # 0.04 pays for the gaps
        marked = np.concatenate([np.log(share * 256 * 0.78), np.log(share * 256 * 0.22)]) - 0.04
    keyword = np.zeros(128, dtype=bool)
    for character in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz$(#":
        keyword[ord(character)] = True
    marked[~np.concatenate([keyword, keyword])] = GAP
    return plain, marked.astype(np.float32)


PLAIN, MARKED = _scores()
_HIGH = np.concatenate([PLAIN[128:], PLAIN[:128]])
SCORED = {"7-bit": PLAIN, "bit 7 set": _HIGH, "last letter marked": MARKED}
"""Kind of text whose bytes are letters themselves: what each of 256 bytes says for it."""
LETTER = np.zeros(256, dtype=bool)
LETTER[[*range(0x41, 0x5B), *range(0x61, 0x7B)]] = True


def _decoded() -> dict[str, NDArray[np.uint8]]:
    """Other codes of characters: the character of each of 256 values, 0 for what is none.

    Source: EBCDIC code page 037 as Python's standard library has it; six-bit codes, from memory: the 64
    characters from the blank on, and the lowest six bits of the seven-bit code.
    """
    ebcdic = np.frombuffer(bytes(range(256)).decode("cp037").encode("latin-1"), np.uint8)
    value = np.arange(256)
    from_blank = np.where(value < 0x40, value + 0x20, 0)
    trimmed = np.where(value < 0x20, value + 0x40, np.where(value < 0x40, value, 0))
    return {
        "EBCDIC": np.where(ebcdic < 0x7F, ebcdic, 0).astype(np.uint8),
        "six-bit, blank 00": from_blank.astype(np.uint8),
        "six-bit, blank 20": trimmed.astype(np.uint8),
    }


DECODED = _decoded()
"""Kind of text in another code: the character of each of 256 bytes."""
SIX_BIT = frozenset(kind for kind in DECODED if kind.startswith("six-bit"))
KINDS = len(SCORED) + len(DECODED) + len(("length-prefixed", "fixed-width words"))


def least_nats(size: int) -> float:
    """Nats that a stretch of a row of so many bytes must reach to be told as text, all kinds counted."""
    return math.log(size) - math.log(MOST_CHANCE / KINDS)
