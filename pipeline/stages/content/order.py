"""Whether anything in an image fixes the order of its words: text that runs on, vectors that land.

A sum cannot see crossed address lines. Text can, as far as it reaches: exchanging two lines tears it apart unless
both lines lie above its length. So every exchange of two lines and every inversion of one is tried, and the order
is called fixed only where each of them would cost text or a vector.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Words
from pipeline.stages.content.text import texts
from pipeline.stages.content.vectors import vectors

CLEAR_LOSS = 10.0
"""Loss of text score that counts: e^10, one in twenty thousand."""
MOST_WORDS = 1 << 17


def _readable(words: Words, bits: int) -> float:
    """How much speaks for this order: the scores of all texts, and of the best vectors."""
    text = sum(one.score for one in texts(words, bits))
    found = vectors(words, bits)
    return text - (float(np.log(found[0].chance)) if found else 0.0)


def _exchanges(lines: int) -> list[tuple[str, NDArray[np.intp]]]:
    """Every exchange of two address lines and every inversion of one, as an order of addresses."""
    address = np.arange(1 << lines, dtype=np.intp)
    out = [(f"A{line} inverted", address ^ (1 << line)) for line in range(lines)]
    for low in range(lines):
        for high in range(low + 1, lines):
            differ = (address >> low ^ address >> high) & 1
            out.append((f"A{low} and A{high} exchanged", address ^ (differ << low | differ << high)))
    return out


def order_fixed(words: Words, bits: int) -> tuple[str | None, tuple[str, ...]]:
    """What fixes the order of the words, or the exchanges that nothing would notice.

    Args:
        words: Shape (n,), n a power of two and at most 131,072; others are not judged.
        bits: Bits a word.

    Returns:
        `("text", ())`, `("text and vectors", ())`, or `(None, unseen exchanges)`. Nothing is raised.
    """
    total = len(words)
    if total < 4 or total & (total - 1) or total > MOST_WORDS:
        return None, ()
    good = _readable(words, bits)
    if good < CLEAR_LOSS:
        return None, ("any exchange of address lines",)
    unseen = tuple(
        name
        for name, order in _exchanges(total.bit_length() - 1)
        if not bool((words[order] == words).all()) and good - _readable(words[order], bits) < CLEAR_LOSS
    )
    if unseen:
        return None, unseen
    return ("text and vectors" if vectors(words, bits) else "text"), ()
