"""Whether anything in an image fixes the order of its words: text that runs on, vectors that land.

A sum cannot see crossed address lines. Text can, where it runs across the boundary of the blocks that an
exchange of lines moves: a word is torn there. So every exchange of two lines and every inversion of one is
tried, and the order is called fixed only where each of them would be a hundred times less likely than the
order as it is.

Source: likelihood of a chain of two states (text, no text) whose transitions are counted in the image itself,
and of common letter pairs inside text (shares as measured for `WHOLE_FIT`); definition.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.text import COMMON_PAIR, HALF_FIT, RARE_PAIR, common_pairs, texts
from pipeline.stages.content.vectors import vectors
from pipeline.words import Words

CLEAR_LOSS = math.log(100)
MOST_WORDS = 1 << 17


class _Chain(NamedTuple):
    """How likely neighbours are: by text or no text, and by letter pairs where both are letters of text.

    Attributes:
        written: True where a word belongs to a text.
        step: Logarithms of the four transitions, by 2 * before + after.
        words: The words, for letter pairs; None where a word is not one character.
    """

    written: NDArray[np.bool_]
    step: NDArray[np.float64]
    words: NDArray[np.uint8] | None

    def likelihood(self, order: NDArray[np.intp]) -> float:
        """Logarithm of the likelihood of the words in this order."""
        written = self.written[order]
        before, after = written[:-1], written[1:]
        out = float(self.step[2 * before.astype(np.intp) + after].sum())
        if self.words is not None:
            both = before & after
            moved = self.words[order]
            common, pairs = common_pairs(moved[:-1][both], moved[1:][both])
            out += common * COMMON_PAIR - (pairs - common) * RARE_PAIR
        return out


def _chain(words: Words, bits: int) -> _Chain | None:
    """The chain of an image, or None without any text."""
    written = np.zeros(len(words), dtype=bool)
    for text in texts(words, bits):
        if text.fit is None or text.fit >= HALF_FIT:
            written[text.start : text.end] = True
    if not written.any():
        return None
    pairs = 2 * written[:-1].astype(np.intp) + written[1:]
    counts = np.bincount(pairs, minlength=4).astype(np.float64).reshape(2, 2) + 0.5
    step = np.log(counts / counts.sum(axis=1, keepdims=True)).reshape(-1)
    return _Chain(written, step, words.astype(np.uint8, copy=False) if bits in {7, 8} else None)


def _changes(lines: int) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Every exchange of two address lines and every inversion of one, the highest lines first."""
    address = np.arange(1 << lines, dtype=np.intp)
    for high in range(lines - 1, -1, -1):
        for low in range(high - 1, -1, -1):
            differ = (address >> low ^ address >> high) & 1
            yield f"A{low} and A{high} exchanged", address ^ (differ << low | differ << high)
        yield f"A{high} inverted", address ^ (1 << high)


def order_fixed(words: Words, bits: int) -> tuple[str | None, str]:
    """What fixes the order of the words, or a change of order that nothing would notice.

    The first change that goes unnoticed ends the search: the highest lines are tried first, because text
    rarely runs across their boundaries.

    Args:
        words: Shape (n,), n a power of two and at most 131,072; others are not judged.
        bits: Bits a word.

    Returns:
        `("text", "")`, `("vectors", "")` or `("text and vectors", "")`, or `(None, what nobody would
        notice)`. Nothing is raised.
    """
    total = len(words)
    if total < 4 or total & (total - 1) or total > MOST_WORDS:
        return None, "any exchange of address lines"
    chain, landing = _chain(words, bits), vectors(words, bits)
    if chain is None and not landing:
        return None, "any exchange of address lines"
    as_is = chain.likelihood(np.arange(total, dtype=np.intp)) if chain else 0.0
    for name, order in _changes(total.bit_length() - 1):
        changed = words[order]
        if bool((changed == words).all()):
            continue
        loss = as_is - chain.likelihood(order) if chain else 0.0
        if loss < CLEAR_LOSS and landing:
            still = vectors(changed, bits)
            loss -= math.log(landing[0].chance) - (math.log(still[0].chance) if still else 0.0)
        if loss < CLEAR_LOSS:
            return None, name
    return " and ".join(["text"] * (chain is not None) + ["vectors"] * bool(landing)), ""
