"""What in an image speaks for the order in which its words and lines stand.

Two readings of one chip may hold the same words in two orders. A stored check that sees the order, text that
runs on, branches and vectors that land, hold in the right one and not in the other.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.flow import Witness
from pipeline.stages.content.program import flow_evidence
from pipeline.stages.content.selfcheck import self_checks
from pipeline.stages.content.text import COMMON_PAIR, RARE_PAIR, TextRun, texts
from pipeline.stages.content.text_codes import SIX_BIT
from pipeline.stages.content.text_screen import possible_kinds
from pipeline.words import Words

_LEAST_CHANCE = 1e-300
A_MILLION_MILLION = 1e12
_CHECK_FAILS = 0.5
"""A check fails in the other order where no more of its nats is left there: of the many sums tried one
of 8 bits holds by chance in nearly every image, which is a quarter of a CRC-32.
"""
_LEAST_TEXT = 60.0
"""Nats below which text is no ground."""
_LEAST_LETTERS = 60
_LEAST_FIT = 0.55
_MUCH_TEXT = 250.0
"""Text is a ground where so many letters stand in words, so many of their pairs common ones; and so much of
it by its letters alone, whatever their pairs: a chip of even bytes has every second letter.

Of 334,594 pairs of a true and a moved order of real programs the moved one spoke in none with these, held
against all that looks like text in the true one; the true one in 3,752. By letters alone the moved one had
130 nats at most. With 40 nats alone, and nothing counted below that in the other order, it spoke in 57.
"""


def order_evidence(words: Words, bits: int) -> dict[str, Witness]:
    """What in an image depends on the order of its words and lines, to be held against another order of them.

    Args:
        words: Shape (n,).
        bits: Bits a word.

    Returns:
        By name: stored checks that see the order of words, text, and the flow of a program. Sums are left
        out: they hold in every order. So are vectors: a table of pointers passes for them in a wrong order
        as well, and their chance knows nothing of tables.
    """
    found = {
        "check": _check(words, bits),
        "text": text_evidence(words, bits),
        "flow": flow_evidence(words, bits),
    }
    return {name: one for name, one in found.items() if one is not None and one.left > 0}


def _in_digits(times: float) -> str:
    """A number of times in digits, its first alone: 80,000,000; nobody counts beyond a million million."""
    return f"{float(f'{times:.0e}'):,.0f}" if times < A_MILLION_MILLION else "more than a million million"


def _check(words: Words, bits: int) -> Witness | None:
    """The stored check that chance explains least.

    One name for all of them: a CRC that holds holds as its mirror image where the data lines are reversed.
    """
    strongest: Witness | None = None
    for check in self_checks({"": words}, bits, sets=False):
        if check.order_blind or not check.holds:
            continue
        nats = -math.log(max(check.chance, _LEAST_CHANCE))
        if strongest is None or nats > strongest.left:
            told = f"{check.method} holds, which happens by chance once in {_in_digits(math.exp(nats))}"
            strongest = Witness(nats if check.beyond_chance else 0.0, nats, told, fails=_CHECK_FAILS)
    return strongest


def text_evidence(words: Words, bits: int) -> Witness:
    """How much all texts of an image beat chance: their letters, and which letters stand side by side.

    Against another order counts whatever passes for text: letters in the other case, words between zeros.
    """
    found = texts(words, bits)
    left = sum(one.score for one in found)
    whole = [one for one in found if one.fit is not None and _in_words(words[one.start : one.end])]
    paired = sum(_worth(one, one.fit or 0.0) for one in whole)
    alone = sum(one.score for one in whole)
    letters = sum(one.letters for one in whole)
    common = sum(one.letters * (one.fit or 0.0) for one in whole)
    reads = paired >= _LEAST_TEXT and letters >= _LEAST_LETTERS and common >= _LEAST_FIT * letters
    nats = max(paired if reads else 0.0, alone if alone >= _MUCH_TEXT else 0.0)
    return Witness(nats, max(nats, left), "its text runs on")


def text_may_speak(*images: Words) -> list[bool]:
    """False only where the text of an image of bytes has no nats: there is none, or six-bit text alone.

    Characters of six bits are no letters as they stand, and of a text four bytes in seven at most are none of
    its characters: fewer than `_in_words` asks for.

    Args:
        images: Of one size, words of 8 bits.
    """
    return [bool(kinds - SIX_BIT) for kinds in possible_kinds(*(one.astype(np.uint8) for one in images))]


def _worth(text: TextRun, fit: float) -> float:
    """Nats of a text by its letters and their pairs, of which `fit` are common ones."""
    return text.score + text.letters * (fit * COMMON_PAIR - (1 - fit) * RARE_PAIR)


def _in_words(words: Words) -> bool:
    """Letters for the most part, single blanks between: zeros seen with D5 inverted are runs of blanks."""
    seven = words & words.dtype.type(0x7F)
    blank = seven == 0x20
    upper = seven & words.dtype.type(0x5F)
    letters = float(((upper >= 0x41) & (upper <= 0x5A) & (seven >= 0x41)).mean())
    doubled = float((blank[1:] & blank[:-1]).mean()) if words.size > 1 else 1.0
    return words.size >= 12 and letters >= 0.6 and float(blank.mean()) <= 0.3 and doubled <= 0.05
