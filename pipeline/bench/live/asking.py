"""Which lines of a pass a reader that listens is asked to read once more, and why.

Words read twice tell noise from content within one pass. The stretches asked for lie beside each other across
every address line, so that each line is seen at both levels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words


def stretches(words: Words, a_line: int) -> list[int]:
    """Addresses of the lines to ask for.

    The richest one and those across each address line from it; then the same around the address that has
    every line the other way.

    Args:
        words: The pass.
        a_line: Words on a line of the reader's printing.

    Example:
        >>> stretches(np.arange(64, dtype=np.uint8), 16)
        [0, 16, 32, 48]
    """
    size = int(words.size)
    last = (size - 1) // a_line
    richest = a_line * int(np.argmax(_different(words, a_line)))
    lines = range((size - 1).bit_length())
    opposite = richest ^ (1 << len(lines)) - 1
    around = [at ^ turn for at in (richest, opposite) for turn in (0, *(1 << k for k in lines))]
    return list(dict.fromkeys(at // a_line * a_line for at in around if at // a_line <= last))


def _different(words: Words, a_line: int) -> NDArray[np.int64]:
    """How many different words each line has, the last one filled up with its own last word."""
    lines = np.pad(words, (0, -int(words.size) % a_line), mode="edge").reshape(-1, a_line)
    ordered = np.sort(lines, axis=1)
    return np.asarray(np.count_nonzero(ordered[:, 1:] != ordered[:, :-1], axis=1))
