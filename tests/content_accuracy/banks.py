"""Chips of one program, shuffled, with two strangers: at which address does each stand?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control import choose, family_readings
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES
from pipeline.stages.content.flow_of_control.standing import standing
from tests.content_accuracy.cases import CODE, MOSTLY_ONE, READ_AS, Outcome
from tests.content_accuracy.programs import Image

Chip = NDArray[np.uint8]
SIZES = (1024, 2048, 4096)
_LEAST, _MOST = 3, 8
_ALL_NEAR = frozenset(["8086", "pdp11"])
"""Families whose calls within a program carry distances, not addresses: nothing but their neighbours."""
_LOADED: Mapping[str, int] = {
    "c64": 0x0800,
    "pet": 0x0400,
    "vic20": 0x1000,
    "plus4": 0x1000,
    "c16": 0x1000,
    "c128": 0x1C00,
    "basic": 0xA000,
    "kernal": 0xE000,
    "v09.rom": 0x8000,
    "bdos.bin": 0xD800,
    "brotli": 0x1000,
    "lz4": 0x1000,
    "lupa": 0x1000,
}
"""Where images begin in their machine, by package, name or the end of it; others begin at a multiple of 8K.

Source: the linkers' own set-up of the packages; cpm80's `_cpm.py` for its BDOS.
"""


@dataclass(frozen=True)
class Rack:
    """Some chips of one program, each with its address in the image, and two of others."""

    image: Image
    chips: Mapping[int, Chip]
    strangers: Sequence[Chip]

    def outcomes(self, rng: Generator) -> Iterator[Outcome]:
        """One outcome a chip that is a program, right at its own address; one more where all calls are near.

        That one is right where it has its address or its own distance from the neighbour that it is told. And
        one a stranger, right where it is left out of both.
        """
        own = list(self.chips)
        every = [*self.chips.values(), *self.strangers]
        order = rng.permutation(len(every)).tolist()
        family = READ_AS.get(self.image.family, self.image.family)
        units = 2 if family in WORD_FAMILIES else 1
        found = standing([every[n] for n in order], family)
        said = {order[one.image]: one.base * units for one in found.placed}
        beside = {order[one.image]: (order[one.beside], one.behind * units) for one in found.in_rows}
        moved = [said[n] - own[n] for n in range(len(own)) if n in said]
        # Of images that begin at an unknown multiple of 8K the chips must agree on it.
        agreed = max(sorted(set(moved)), key=moved.count, default=0)
        agreed = agreed if agreed % 8192 == 0 and _loaded(self.image) is None else 0
        for number in range(len(every)):
            note = f"{self.image.name} said {said}, beside {beside}, own {own}"
            group, package = self.image.family, self.image.package
            if number >= len(own):
                left = number not in said and number not in beside
                yield Outcome("banks, strangers", group, package, left, not left, note=note)
            elif _is_program(every[number], family):
                right = number in said and said[number] - own[number] == agreed
                if family not in _ALL_NEAR:
                    yield Outcome("banks", group, package, right, number in said and not right, note=note)
                told = number in said or number in beside
                right = right or (number in beside and _apart(own, number, *beside[number]))
                yield Outcome("banks or neighbours", group, package, right, told and not right, note=note)


def _apart(own: Sequence[int], number: int, other: int, behind: int) -> bool:
    """Whether a chip stands so far behind another one of its program."""
    return other < len(own) and own[number] - own[other] == behind


def racks(
    found: Sequence[Image], size: int, most: int, rng: Generator, families: frozenset[str]
) -> Iterator[Rack]:
    """Racks of neighbouring chips of each program for these families, at most so many a package."""
    taken: dict[str, int] = {}
    programs = [one for one in found if one.family in families]
    for number in rng.permutation(len(programs)).tolist():
        image = programs[number]
        base = _loaded(image) or 0
        chips = _chips(image, base, size)
        others = [one for one in found if one.package != image.package and len(one.data) >= size]
        others = [one for one in others if one.family in {image.family, "nothing", "other"}]
        if len(chips) < _LEAST or not others or taken.get(image.package, 0) >= most:
            continue
        taken[image.package] = taken.get(image.package, 0) + 1
        count = int(rng.integers(_LEAST, min(_MOST, len(chips)) + 1))
        first = int(rng.integers(len(chips) - count + 1))
        some = dict(list(chips.items())[first : first + count])
        strangers = rng.choice(len(others), min(2, len(others)), replace=False).tolist()
        yield Rack(image, some, [_piece(others[one], size, rng) for one in strangers])


def _chips(image: Image, base: int, size: int) -> dict[int, Chip]:
    """Address → chip, for those that are not mostly one byte; chips stand at multiples of their size."""
    before = np.full(base % size, 0xFF, dtype=np.uint8)
    data = np.concatenate([before, image.data])
    cut = {
        base - base % size + at: np.ascontiguousarray(data[at : at + size])
        for at in range(0, len(data) - size + 1, size)
    }
    return {at: one for at, one in cut.items() if np.bincount(one).max() <= MOSTLY_ONE * size}


def _loaded(image: Image) -> int | None:
    """Where an image begins in its machine, where that is known."""
    names = (image.package, image.name, image.name.rpartition(".")[2])
    return next((_LOADED[name] for name in names if name in _LOADED), None)


def _is_program(chip: Chip, family: str) -> bool:
    """Whether it is named for its family: music, fonts and packed data have no calls to be placed by."""
    said = choose(family_readings(chip), chip)
    return said.best is not None and said.families != ("unknown",) and said.best.name == family


def _piece(image: Image, size: int, rng: Generator) -> Chip:
    at = int(rng.integers(len(image.data) // size)) * size
    return np.ascontiguousarray(image.data[at : at + size])


def asked(found: Sequence[Image], most: int, rng: Generator) -> Iterator[tuple[str, Outcome]]:
    """Every chip and every stranger, with the name of its row."""
    for families in (CODE - _ALL_NEAR, _ALL_NEAR):
        for size in SIZES:
            for rack in racks(found, size, most, rng, families):
                for outcome in rack.outcomes(rng):
                    yield f"{outcome.question}, {size // 1024}K", outcome
