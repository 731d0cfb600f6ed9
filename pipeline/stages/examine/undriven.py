"""Images that the chip may not have driven at all: all one word, or the address itself.

A chip that is all one word at a level in which it was not sold was hardly read at all: a fault, until a
second reader sees the same. Where the level in which it was sold is not known, and where the words are the
address itself, the image is held back. Blank and undriven look the same where the unprogrammed state equals
the pull; on processor boards the last value on the bus is often an address byte (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from pipeline.catalogue.advice import step
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

LEAST_FOLLOWED = 3
"""Fewer address bits seen on the data lines are a short pattern, not an address."""


def undriven_findings(census: Census, erased_state: int | None) -> list[Suspicion]:
    """Blank, constant, or following the address.

    Args:
        census: The image.
        erased_state: What an unprogrammed cell of this very part reads, where known.
    """
    if census.columns.distinct == 1:
        return [_all_one_word(int(census.values[0]), census, erased_state)]
    return _follows(census)


def _all_one_word(word: int, census: Census, erased_state: int | None) -> Suspicion:
    """One word throughout: as sold it is noted, else nothing drove the outputs, or the chip was filled."""
    if word not in {0, census.full}:
        return Suspicion(
            code=Code.CONSTANT,
            severity=Severity.FAULT,
            where={"word": word},
            evidence={"word": word, "words": census.seen.size},
            means=f"Every word is 0x{word:X}: the outputs are latched or not enabled, the address does not "
            "move, or the chip was filled with this word.",
            also="A chip programmed throughout with one word.",
            next=step("constant-word"),
        )
    level = int(word != 0)
    as_sold = erased_state == level
    if as_sold:
        means = (
            f"Every bit is {level}, the state in which this part is sold: it was never programmed, or it "
            f"was not driven."
        )
    elif erased_state is None:
        means = f"Every bit is {level}: nothing drove the data lines, or the chip is blank or programmed so."
    else:
        means = (
            f"Every bit is {level}, but an unprogrammed part of this kind reads {erased_state}: most likely "
            "nothing drove the data lines (no chip, no supply, enable not asserted, chip the wrong way "
            "round)."
        )
    return Suspicion(
        code=Code.BLANK,
        severity=Severity.NOTE if as_sold else Severity.CAUTION if erased_state is None else Severity.FAULT,
        where={"level": level},
        evidence={
            "level": level,
            "erased_state": erased_state,
            "words": census.seen.size,
            "holds_back": erased_state is None,
        },
        means=means,
        also="A blank chip and an undriven bus look the same where the unprogrammed state equals the pull.",
        next=step("blank-or-undriven" if as_sold else "undriven"),
    )


def _follows(census: Census) -> list[Suspicion]:
    """Whether each data line carries one address line, or its inverse, or nothing."""
    pairs = {} if census.known is not None else followed(census.words, census.names)
    return [_follow(census, pairs)] if pairs else []


def followed(words: Words, names: tuple[int, ...]) -> dict[str, str]:
    """Data line → the address line that it carries, where words are bits of their address and nothing else.

    Args:
        words: Shape (2^lines,).
        names: The lines, lowest first.
    """
    lines = len(names)
    if lines < LEAST_FOLLOWED + 1:
        return {}
    origin = int(words[0])
    moves = [int(words[1 << line]) ^ origin for line in range(lines)]
    claimed = 0
    for move in moves:
        if claimed & move or move.bit_count() > 1:
            return {}
        claimed |= move
    if claimed.bit_count() < LEAST_FOLLOWED:
        return {}
    predicted = np.full(words.size, origin, dtype=words.dtype)
    for line, move in enumerate(moves):
        if move:
            halves = predicted.reshape(-1, 2, 1 << line)
            halves[:, 1] ^= words.dtype.type(move)
    if not np.array_equal(predicted, words):
        return {}
    return {f"D{move.bit_length() - 1}": f"A{names[line]}" for line, move in enumerate(moves) if move}


def _follow(census: Census, pairs: dict[str, str]) -> Suspicion:
    lowest = min(int(line[1:]) for line in pairs.values())
    stairs = lowest >= 8 and census.size >= 1024
    bus = "high byte, as on buses with a separate address" if stairs else "low byte, as on multiplexed buses"
    return Suspicion(
        code=Code.FOLLOWS_ADDRESS,
        severity=Severity.FAULT if stairs else Severity.CAUTION,
        where={"lines": list(pairs), "address_bits": list(pairs.values())},
        evidence={
            "follows": pairs,
            "words": census.size,
            "first_word": int(census.words[0]),
            "exceptions": 0,
            "holds_back": True,
        },
        means="The data are the address itself: nothing drives the bus, and it keeps the last address byte "
        f"(the {bus}).",
        also="An ascending table or a test pattern." if not stairs else "A table of page numbers.",
        next=step("follows-address"),
        lines=(),
    )
