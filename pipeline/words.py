"""Words of a chip as arrays: the smallest unsigned type that holds its bits, one element a word, address 0 first."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.unsignedinteger[Any]]
"""Words of a chip, one element a word."""


def words_dtype(bits: int) -> np.dtype[np.unsignedinteger[Any]]:
    """The smallest unsigned type that holds `bits` bits (1 to 64)."""
    return np.dtype(
        np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64
    )
