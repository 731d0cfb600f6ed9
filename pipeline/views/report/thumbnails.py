"""A chip in sixteen by sixteen dots, and all chips of a page in one picture.

Columns are data lines, the highest left; rows are blocks of addresses, the first at the top; ink is the share
of ones. A line that never moves is an empty or a full lane, a blank half is a blank half. Blocks that nobody
read are a chequer: no content looks so, since a lane's ink is even across its width.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.views.report.image import ChipWords
from pipeline.views.report.png import Ink, data_uri, quarters_png

SIDE = 16
"""Dots of a thumbnail, each way."""
ACROSS = 20
"""Thumbnails in a row of the picture that holds them all."""
MOST_THUMBNAILS = 2000
"""Beyond so many the first page would be waited for; chip pages have their pictures all the same."""
INK: Ink = (47, 111, 147)
Levels = NDArray[np.uint8]


def thumbnail(content: ChipWords) -> bytes:
    """One chip's dots, row by row, one byte each: 0 none of the bits is 1, 3 all are, 1 and 2 between.

    Args:
        content: The chip's words.
    """
    edges, lines, all_words = _cut(*content.bits.shape)
    read = all_words if content.known is None else np.add.reduceat(content.known, edges, dtype=np.int64)
    ones = np.add.reduceat(content.bits, edges, axis=0, dtype=np.int64)[:, lines]
    of = np.maximum(read, 1)[:, None]
    levels = (ones > 0).astype(np.uint8) + (2 * ones >= of) + (ones == of)
    unread = read == 0
    levels[unread] = _CHEQUER[unread]
    return bytes(levels.tobytes())


@lru_cache(maxsize=64)
def _cut(words: int, bits: int) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int64]]:
    """The first word of each block, the line of each column, and how many words each block has."""
    edges = np.arange(SIDE) * words // SIDE
    return edges, np.arange(SIDE) * bits // SIDE, np.add.reduceat(np.ones(words, np.int64), edges)


_CHEQUER = (np.indices((SIDE, SIDE)).sum(axis=0) % 2 * 3).astype(np.uint8)


def sprite(thumbnails: Sequence[bytes]) -> str:
    """All thumbnails of a page in one picture, as a data URI; "" where there is none.

    Args:
        thumbnails: What `thumbnail` gave, b"" for a chip without an image: its place stays clear.
    """
    if not any(thumbnails):
        return ""
    down = -(-len(thumbnails) // ACROSS)
    sheet = np.zeros((down * SIDE, ACROSS * SIDE), np.uint8)
    for place, dots in enumerate(thumbnails):
        if dots:
            y, x = divmod(place, ACROSS)
            sheet[y * SIDE : y * SIDE + SIDE, x * SIDE : x * SIDE + SIDE] = _square(dots)
    return data_uri(quarters_png(sheet, INK))


def single(dots: bytes) -> str:
    """One thumbnail by itself, as a data URI."""
    return data_uri(quarters_png(_square(dots), INK))


def _square(dots: bytes) -> Levels:
    return np.frombuffer(dots, np.uint8).reshape(SIDE, SIDE)


def sprite_rules(picture: str, count: int) -> str:
    """The style that shows each place of the sprite: one rule a row and a column, none a chip.

    Args:
        picture: What `sprite` gave.
        count: How many thumbnails it holds.
    """
    if not picture:
        return ""
    shown = 2 * SIDE
    down = -(-count // ACROSS)
    columns = "".join(f".x{x}{{--x:-{x * shown}px}}" for x in range(min(count, ACROSS)))
    rows = "".join(f".y{y}{{--y:-{y * shown}px}}" for y in range(down))
    return (
        f".list .th{{background-image:url({picture});background-size:{ACROSS * shown}px {down * shown}px;"
        f"background-position:var(--x) var(--y)}}{columns}{rows}"
    )
