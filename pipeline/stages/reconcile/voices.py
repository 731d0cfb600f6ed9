"""Bits settled by the voices of readers, never by majority, and what stays contested.

A reader speaks for a bit only where all its passes that have the word agree; a bit is settled where at least
one reader speaks and none speaks against.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Pass, Settled
from pipeline.voices import unanimous, voice
from pipeline.words import Words, counted_by_block, words_dtype
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import Bit, Contested, ContestedBit, ContestedWord

MOST_LISTED = 1000
MOST_WORDS_LISTED = 250


def settle(passes: Sequence[Pass], organisation: Organisation, fades_to: int | None) -> tuple[Words, Words]:
    """The settled words and the mask of contested bits, by the voices of readers.

    Args:
        passes: In one order; at least one.
        organisation: Words and bits.
        fades_to: Level that cells fade to, or None.

    Returns:
        (words, contested), both of shape (words,).
    """
    dtype = words_dtype(organisation.bits)
    full = np.array((1 << organisation.bits) - 1, dtype)
    if unanimous(passes):
        return (passes[0].words & full).astype(dtype, copy=False), np.zeros(organisation.words, dtype)
    says_one = np.zeros(organisation.words, dtype)
    says_zero = np.zeros(organisation.words, dtype)
    for reader in dict.fromkeys(one.reader for one in passes):
        ones, zeros = voice([one for one in passes if one.reader == reader], full)
        says_one |= ones
        says_zero |= zeros
    settled = says_one ^ says_zero
    contested = full & ~settled
    words = says_one & settled
    if contested.any():
        words = words | (contested & _image_value(passes, full, fades_to))
    return words.astype(dtype, copy=False), contested.astype(dtype, copy=False)


def _image_value(passes: Sequence[Pass], full: Words, fades_to: int | None) -> Words:
    """What the image carries where nothing is settled: it settles nothing."""
    if fades_to is not None:
        # A contested bit was read both ways, else its readers would have agreed; or nobody has the word.
        none = full.dtype.type(0)
        programmed, faded = (full, none) if fades_to == 0 else (none, full)
        heard = np.logical_or.reduce([_there(one) for one in passes])
        return np.where(heard, programmed, faded).astype(full.dtype)
    value = np.zeros(passes[0].words.shape, full.dtype)
    unset = np.ones(value.shape, np.bool_)
    for one in passes:
        there = unset & _there(one)
        value[there] = one.words[there]
        unset &= ~there
    return value


def _there(one: Pass) -> NDArray[np.bool_]:
    """Where a pass has words."""
    return np.ones(one.words.shape, np.bool_) if one.present is None else one.present


def contested_bits(settled: Settled, *, fades_to: int | None, first_listed: str) -> Contested | None:
    """Votes and directions of contested bits as the record keeps them; None where there is none.

    Args:
        settled: The image with its passes.
        fades_to: Level that cells fade to, where known.
        first_listed: Id of the first listed reading, for the reason.
    """
    # Words that no reading has are no disagreement; the record tells them by themselves.
    mask = settled.contested if settled.known is None else np.where(settled.known, settled.contested, 0)
    places = np.flatnonzero(mask)
    if len(places) == 0:
        return None
    between = _between(settled) & mask
    bits = itertools.islice(
        (
            _votes(settled, int(address), line, fades_to, first_listed)
            for address in places
            for line in _lines(int(mask[address]))
        ),
        MOST_LISTED,
    )
    return {
        "bits": int(np.bitwise_count(mask).sum()),
        "words": len(places),
        "listed": list(bits),
        "listed_words": [_said(settled, int(at), int(mask[at])) for at in places[:MOST_WORDS_LISTED]],
        "between": counted_by_block(between != 0),
        "within": counted_by_block((mask & ~between) != 0),
    }


def _lines(mask: int) -> list[int]:
    """The lines whose bits are set, D0 first."""
    return [line for line in range(mask.bit_length()) if mask >> line & 1]


def _between(settled: Settled) -> Words:
    """Bits for which one reader speaks and another speaks against; elsewhere a reader's own passes differ."""
    dtype = settled.words.dtype
    full = np.array((1 << settled.organisation.bits) - 1, dtype)
    says_one, says_zero = np.zeros_like(settled.words), np.zeros_like(settled.words)
    for reader in dict.fromkeys(one.reader for one in settled.passes):
        ones, zeros = voice([one for one in settled.passes if one.reader == reader], full)
        says_one, says_zero = says_one | ones, says_zero | zeros
    both: Words = (says_one & says_zero).astype(dtype)
    return both


def _said(settled: Settled, address: int, mask: int) -> ContestedWord:
    """Everything that was read at an address, the value that most passes read first."""
    digits = (settled.organisation.bits + 3) // 4
    said: dict[str, dict[str, int]] = {}
    for one in settled.passes:
        if one.present is None or one.present[address]:
            readers = said.setdefault(f"{int(one.words[address]):0{digits}X}", {})
            readers[one.reader] = readers.get(one.reader, 0) + 1
    ordered = sorted(said.items(), key=lambda pair: (-sum(pair[1].values()), pair[0]))
    return {
        "address": address,
        "said": [{"value": value, "passes": passes} for value, passes in ordered],
        "lines": [f"D{line}" for line in _lines(mask)],
        "image": f"{int(settled.words[address]):0{digits}X}",
    }


def _votes(
    settled: Settled, address: int, line: int, fades_to: int | None, first_listed: str
) -> ContestedBit:
    """One contested bit: what each reader says, in numbers, and why the image carries the value it does.

    A reader whose passes differ has no vote.
    """
    by_reader: dict[str, set[Bit]] = {}
    ones = zeros = 0
    for one in settled.passes:
        if one.present is not None and not one.present[address]:
            continue
        bit: Bit = 1 if int(one.words[address]) >> line & 1 else 0
        ones, zeros = ones + bit, zeros + 1 - bit
        by_reader.setdefault(one.reader, set()).add(bit)
    votes = {reader: next(iter(bits)) if len(bits) == 1 else None for reader, bits in by_reader.items()}
    carried: Bit = 1 if int(settled.words[address]) >> line & 1 else 0
    if fades_to is None:
        why = f"the value of {first_listed}; which way such cells fade is not known"
    else:
        why = f"cells of this kind fade to {fades_to}, so a reading of {1 - fades_to} is the more believable"
    return {
        "address": address,
        "line": f"D{line}",
        "votes": votes,
        "ones": ones,
        "zeros": zeros,
        "image": carried,
        "why": why,
    }
