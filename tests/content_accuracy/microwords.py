"""Content that is no microcode: are columns of it said to carry the address of the next word?

Every image of the kit is asked as one chip, as two to four chips side by side and as nibbles; the 32-bit
programs as the wide sets that they are dealt out over. No microcode under a free licence was at hand, so that
what is found of it is held by the synthetic microcode of `tests/unit/test_next_address.py` alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from pipeline.stages.content.next_address import next_address
from pipeline.words import Words
from tests.content_accuracy.cases import Outcome
from tests.content_accuracy.programs import Image
from tests.content_accuracy.wide import SIZES, Wide, shelves

_WORDS = (256, 1024, 4096)
_SIDE_BY_SIDE = (1, 2, 4)


def asked(
    found: Sequence[Image], programs: Mapping[str, Wide], most: int, rng: Generator
) -> Iterator[tuple[str, Outcome]]:
    """Every image in every way; right where nothing is said."""
    for image in found:
        for words in _WORDS:
            for beside in _SIDE_BY_SIDE:
                for lanes in _cut(image.data, words, beside, rng):
                    yield _outcome(f"{beside} x {words}x8", image.package, lanes, 8)
            for lanes in _cut(image.data, words // 2, 1, rng):
                yield _outcome(f"2 x {words}x4", image.package, _nibbles(lanes[0]), 4)
    for kind in SIZES:
        for shelf in shelves(programs, kind, most, rng):
            lanes = [shelf.chips[chip] for chip in sorted(shelf.together)]
            yield _outcome(f"{len(lanes)} x {kind[1]}x{kind[0]}", shelf.program, lanes, shelf.bits)


def _cut(
    data: NDArray[np.uint8], words: int, beside: int, rng: Generator, most: int = 3
) -> Iterator[list[Words]]:
    """Some stretches of an image as chips side by side, the bytes dealt out in turn."""
    size = words * beside
    count = len(data) // size
    for number in rng.permutation(count)[:most].tolist():
        piece = data[number * size : (number + 1) * size].reshape(words, beside)
        yield [np.ascontiguousarray(piece[:, column]) for column in range(beside)]


def _nibbles(chip: Words) -> list[Words]:
    return [chip >> np.uint8(4), chip & np.uint8(15)]


def _outcome(group: str, package: str, lanes: Sequence[Words], bits: int) -> tuple[str, Outcome]:
    said = next_address(lanes, [bits] * len(lanes))
    return (
        "next address, none there",
        Outcome("next address", group, package, said is None, said is not None, note=str(said)),
    )
