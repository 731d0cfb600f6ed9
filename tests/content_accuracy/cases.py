"""What is asked of each program.

Its family, its code, its order when lines are crossed, the reading that keeps the flow.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from pipeline.stages.content.crossed_alike import ReadAlone, crossed_reader, leaning
from pipeline.stages.content.flow_of_control import (
    LineChange,
    code_stretches,
    family_readings,
    keeps_flow,
)
from pipeline.stages.content.flow_of_control.families import choose
from pipeline.stages.content.flow_of_control.habits import HABITS
from pipeline.stages.content.flow_of_control.kept_bits import keeps_bits
from pipeline.stages.content.flow_of_control.line_changes import crossings
from pipeline.stages.content.flow_of_control.orders import Crossed, crossed_in
from pipeline.stages.content.program import order_search, program_of, with_code
from pipeline.stages.content.regions import regions
from tests.content_accuracy.programs import TEXT, Image

READ_AS = {"8080": "z80", "6502": "65c02"}
"""Families that are read by the larger set of a pair."""
CODE = frozenset(
    ["8080", "z80", "6502", "6800", "6809", "8051", "8048", "1802", "8086", "68000", "pdp11", "9900"]
)
MOSTLY_ONE = 0.6
"""A piece of which more than this share is one byte says nothing and is left out."""
SURE = 0.99


@dataclass(frozen=True)
class Piece:
    image: Image
    at: int
    data: NDArray[np.uint8]

    @property
    def family(self) -> str | None:
        """As instructions are read; None for what is no program of a known family."""
        return READ_AS.get(self.image.family, self.image.family) if self.image.family in CODE else None


@dataclass(frozen=True)
class Outcome:
    """One question asked of one piece.

    `right`, `wrong`: neither means silent. `odds`: what was said of it, where odds are given.
    """

    question: str
    group: str
    package: str
    right: bool = False
    wrong: bool = False
    odds: float | None = None
    note: str = ""


def pieces(images: Iterable[Image], size: int, most: int, rng: Generator) -> Iterator[Piece]:
    """Pieces of images at multiples of their size, each content once, at most so many a package."""
    by_package: dict[str, list[Piece]] = {}
    seen: set[bytes] = set()
    for image in images:
        for at in range(0, len(image.data) - size + 1, size):
            data = np.ascontiguousarray(image.data[at : at + size])
            if np.bincount(data).max() > MOSTLY_ONE * size or data.tobytes() in seen:
                continue
            seen.add(data.tobytes())
            by_package.setdefault(f"{image.package} {image.family}", []).append(Piece(image, at, data))
    for found in by_package.values():
        for number in rng.permutation(len(found))[:most]:
            yield found[int(number)]


def family(piece: Piece) -> Outcome:
    """Named for the right family at odds of 99 in 100."""
    named = choose(family_readings(piece.data), piece.data)
    said = named.best.name if named.best is not None and named.families != ("unknown",) else None
    group = piece.image.family if piece.family else "no program of a known family"
    sure = said is not None and named.odds >= SURE
    note = f"{piece.image.name} at {piece.at:#x}: {said} {named.odds:.4f}"
    right, wrong = sure and said == piece.family, sure and said != piece.family
    return Outcome("family", group, piece.image.package, right, wrong, named.odds if said else None, note)


def reliability(piece: Piece) -> Outcome | None:
    """Every naming with its odds, sure or not, for the reliability table."""
    named = choose(family_readings(piece.data), piece.data)
    if named.best is None or named.families == ("unknown",):
        return None
    return Outcome("odds", "all", piece.image.package, named.best.name == piece.family, odds=named.odds)


def searched(words: NDArray[np.uint8], family: str) -> Crossed | None:
    """What is said of a chip's lines, as a user's is asked whose sheet names the processor."""
    found = order_search(words, 8, program_of(words, 8), family)
    return None if found is None else crossed_in(found)


def crossed(piece: Piece, rng: Generator, times: int) -> Iterator[Outcome]:
    """Clean, and with one exchange or inversion, its family known from the board."""
    assert piece.family is not None
    group, package = piece.image.family, piece.image.package
    found = searched(piece.data, piece.family)
    yield Outcome("false crossing", group, package, found is None, found is not None, note=str(found))
    every = list(crossings(len(piece.data), 8))
    for bus in ("address", "data"):
        own = [one for one in every if one.bus == bus]
        for number in rng.permutation(len(own))[:times]:
            yield from _crossing(piece, own[int(number)])


def uncrossed(piece: Piece) -> Iterator[Outcome]:
    """No program, on a board of each processor whose habits are known: not to be called crossed."""
    for family in HABITS:
        found = searched(piece.data, family)
        note = f"{piece.image.name} at {piece.at:#x}: {found}"
        right = found is None
        yield Outcome("false crossing", family, piece.image.package, right, not right, note=note)


def _crossing(piece: Piece, crossing: LineChange) -> Iterator[Outcome]:
    words = crossing.undo(piece.data)
    if bool((words == piece.data).all()):
        return
    found = searched(words, piece.family or "")
    right, wrong = (
        found is not None and found.crossing == crossing,
        found is not None and found.crossing != crossing,
    )
    note = f"{piece.image.name} at {piece.at:#x}: {crossing}, said {found}"
    yield Outcome(f"crossed {crossing.bus}", piece.image.family, piece.image.package, right, wrong, note=note)


def reader(group: Sequence[Piece], rng: Generator) -> Iterator[Outcome]:
    """Chips of one program that one reader has read: as they are, and all crossed alike."""
    first = group[0]
    every = list(crossings(len(first.data), 8))
    crossing = every[int(rng.integers(len(every)))]
    for question, change in (("false reader", None), ("crossed reader", crossing)):
        images = {
            str(number): piece.data if change is None else change.undo(piece.data)
            for number, piece in enumerate(group)
        }
        told = [
            ReadAlone(chip, 8, leaning(one, order_search(words, 8, one, first.family)))
            for chip, words in images.items()
            for one in [program_of(words, 8)]
        ]
        found = crossed_reader("R", told, images.__getitem__)
        right = found is None if change is None else found is not None and found.crossing == change
        wrong = found is not None and not right
        note = f"{first.image.name}: {change}, said {found}"
        yield Outcome(question, first.image.family, first.image.package, right, wrong, note=note)


def which_reading(piece: Piece, rng: Generator) -> Outcome:
    """Two readings that stand in different orders: which keeps the flow, no family given."""
    every = list(crossings(len(piece.data), 8))
    wrong_order = every[int(rng.integers(len(every)))].undo(piece.data)
    first = bool(rng.random() < 0.5)
    kept = keeps_flow([piece.data, wrong_order] if first else [wrong_order, piece.data], 8)
    right = kept is not None and (kept.chosen == 0) == first
    wrong = kept is not None and not right and not bool((wrong_order == piece.data).all())
    return Outcome("which reading", piece.image.family, piece.image.package, right, wrong)


def even_and_odd(piece: Piece) -> Outcome:
    """Two chips of one set, interleaved in both orders: which keeps the flow, no family given."""
    exchanged = piece.data.reshape(-1, 2)[:, ::-1].reshape(-1)
    kept = keeps_flow([piece.data, np.ascontiguousarray(exchanged)], 8)
    right, wrong = kept is not None and kept.chosen == 0, kept is not None and kept.chosen == 1
    return Outcome("even and odd", piece.image.family, piece.image.package, right, wrong)


def eight_bits(piece: Piece, rng: Generator) -> Outcome | None:
    """Two readings that differ in eight bits of code: which keeps the flow."""
    assert piece.family is not None
    inside = [at for start, end in code_stretches(piece.data, piece.family) for at in range(start, end)]
    if len(inside) < len(piece.data) // 2:
        return None
    data = piece.data.copy()
    for at in rng.choice(inside, 8, replace=False):
        data[at] ^= np.uint8(1 << int(rng.integers(8)))
    kept = keeps_bits([piece.data, data], 8, piece.family)
    right, wrong = kept is not None and kept.chosen == 0, kept is not None and kept.chosen == 1
    return Outcome("eight bits", piece.image.family, piece.image.package, right, wrong)


@dataclass(frozen=True)
class CodeBytes:
    """Bytes of one image by what the listing says and what was said."""

    code: int
    code_found: int
    other: int
    other_taken: int


def code_bytes(image: Image, around: Sequence[NDArray[np.uint8]]) -> CodeBytes:
    """A listed program between other content: fonts, tables, text."""
    assert image.code is not None
    before, after = around
    truth = np.concatenate([np.zeros(len(before), np.int8), image.code, np.zeros(len(after), np.int8)])
    told = _told(np.concatenate([before, image.data, after]))
    code, other = truth == 1, (truth == 0) | (truth == TEXT)
    return CodeBytes(int(code.sum()), int((told & code).sum()), int(other.sum()), int((told & other).sum()))


def told_as_code(program: NDArray[np.uint8], around: Sequence[NDArray[np.uint8]]) -> tuple[int, int]:
    """Bytes told as code of a program, and of the content that is none on either side of it."""
    told = _told(np.concatenate([around[0], program, around[1]]))
    inside = int(told[len(around[0]) : len(around[0]) + len(program)].sum())
    return inside, int(told.sum()) - inside


def _told(data: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Per byte whether it is told as code."""
    told = np.zeros(len(data), dtype=bool)
    cut = regions(data, 8, erased_state=None, part=None)
    for region in with_code(cut, program_of(data, 8), data, 8):
        told[region.start : region.end] = region.kind == "code"
    return told
