"""In which order of its lines an image reads as a program.

Single exchanges and inversions, and readings that differ.

A crossed wire leaves every byte in the image and takes the program apart: behind the wrong address line the
stream of instructions breaks off, and behind a wrong data line there is none. So the right order is the one
that reads best, and by how much says how sure that is. No reference is needed; where there is one, it
decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import (
    READ_AS,
    Read,
    family_readings,
    leading,
    places_speaking,
    read_as,
    totals,
    totals_with,
)
from pipeline.stages.content.flow_of_control.instruction_mix import mix_votes
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Mask
from pipeline.stages.content.flow_of_control.votes import speaking
from pipeline.words import Words

_GAIN = 10.0
"""Nats that another order must read better than the order as read."""
_GAIN_SHARE = 0.15
"""And this share of what it is then worth: a few calls out of the image may land anywhere."""
_MARGIN = 4.0
"""Nats that it must read better than every order besides."""
_LEAST = 12.0
"""Nats that it must be worth as a program."""
_LEAST_MIXED = 20.0
"""And with its mix of instructions: twice what content of the setting half that is no program came to."""
_LOW_FIRST = frozenset(["pdp11", "8086"])
_ROWS = 1 << 19
"""Places read at one time."""


class LineChange(NamedTuple):
    """One exchange or inversion of lines.

    Attributes:
        bus: "address" or "data".
        lines: Two lines that are exchanged, or one that is inverted.
    """

    bus: str
    lines: tuple[int, ...]

    def undo(self, words: Words) -> Words:
        """The image with the crossing taken out (an exchange and an inversion undo themselves)."""
        if self.bus == "address":
            return words[_source(len(words), self.lines)]
        out = words.copy()
        if len(self.lines) == 1:
            return np.asarray(out ^ words.dtype.type(1 << self.lines[0]))
        low, high = self.lines
        one = words.dtype.type(1)
        differ = (words >> words.dtype.type(low) ^ words >> words.dtype.type(high)) & one
        return np.asarray(words ^ (differ << words.dtype.type(low) | differ << words.dtype.type(high)))


def _source(total: int, lines: tuple[int, ...]) -> NDArray[np.intp]:
    """For each address, the address it has before the exchange or inversion."""
    address = np.arange(total, dtype=np.intp)
    if len(lines) == 1:
        return address ^ (1 << lines[0])
    low, high = lines
    differ = (address >> low ^ address >> high) & 1
    return address ^ (differ << low | differ << high)


def crossings(total: int, bits: int) -> Iterator[LineChange]:
    """Every single exchange and inversion of the lines of a chip."""
    for bus, count in (("address", (total - 1).bit_length()), ("data", bits)):
        for lines in combinations(range(count), 2):
            yield LineChange(bus, lines)
        for line in range(count):
            yield LineChange(bus, (line,))


class Crossed(NamedTuple):
    """An image that reads as a program only in another order.

    Attributes:
        crossing: What is crossed.
        family: The family it then is a program for.
        nats: What it is worth in that order.
        gain: By how much more than as read.
        margin: By how much more than in the next best order.
    """

    crossing: LineChange
    family: str
    nats: float
    gain: float
    margin: float


def as_stored(words: Words, bits: int, family: str) -> Bytes:
    """The bytes of a chip of 8 or 16 bits as a processor of this family takes them."""
    if bits <= 8:
        return np.ascontiguousarray(words.astype(np.uint8))
    order = "<u2" if family in _LOW_FIRST else ">u2"
    return np.ascontiguousarray(words.astype(order)).view(np.uint8)


class Stored:
    """Images of one size as processors take them; where each of them may speak is worked out once.

    Args:
        images: Each shape (n,).
        bits: Bits a word.
    """

    def __init__(self, images: Sequence[Words], bits: int) -> None:
        self.images, self.bits = images, bits
        self._taken: dict[bool, list[tuple[Bytes, Mask]]] = {}

    def taken_by(self, family: str) -> list[tuple[Bytes, Mask]]:
        """The bytes of each image as a family's processor takes them, and where they may speak."""
        low_first = self.bits > 8 and family in _LOW_FIRST
        if low_first not in self._taken:
            stored = [as_stored(image, self.bits, family) for image in self.images]
            self._taken[low_first] = [(one, speaking(one)) for one in stored]
        return self._taken[low_first]


def worth(stored: Stored, family: str) -> NDArray[np.float64]:
    """What each image is worth as a program of a family, in nats, by its branches alone.

    Every image stands at a multiple of its size in the machine, as chips do.
    """
    return np.concatenate([totals(read) for read, _ in _readings(stored, family)])


class _Worth(NamedTuple):
    """What images are worth as programs: by their branches alone, and with the mix of their instructions."""

    branches: NDArray[np.float64]
    mixed: NDArray[np.float64]


def _worth(stored: Stored, family: str, *, anywhere: bool = False) -> _Worth:
    """Both; `anywhere`: not at a multiple of its size alone."""
    branches, mixed = [], []
    for read, mix in _readings(stored, family, anywhere=anywhere):
        branches.append(totals(read))
        mixed.append(branches[-1] if mix is None else totals_with(read, mix))
    return _Worth(np.concatenate(branches), np.concatenate(mixed))


def _readings(
    stored: Stored, family: str, *, anywhere: bool = False
) -> Iterator[tuple[Read, NDArray[np.float64] | None]]:
    """The images read as a family's, as many at a time as memory allows, with the mix of each."""
    units = 2 if family in WORD_FAMILIES else 1
    taken = stored.taken_by(family)
    at_once = max(1, _ROWS // max(1, len(taken[0][0])))
    for first in range(0, len(taken), at_once):
        some = taken[first : first + at_once]
        decoded = [decode(family, data) for data, _ in some]
        speaks = np.stack([places_speaking(speaks, units) for _, speaks in some])
        instruction = np.stack([leading(data, units) for data, _ in some])
        places = len(decoded[0].length)
        step = max(1, places // 8) if anywhere else places
        read = read_as(decoded, instruction, speaks, step=step, staying=False)
        yield read, mix_votes(family, [data for data, _ in some], read.starts, speaks)


def crossed_lines(words: Words, bits: int, *, families: Sequence[str] = ()) -> Crossed | None:
    """The single exchange or inversion without which an image reads as a program, if there is one.

    Args:
        words: Shape (n,), n a power of two from 256 to 64 K.
        bits: 8 or 16.
        families: Those that the board is known to have, as READ_AS has them. Empty: the one that the image
            itself is named for, and where it is named for none, all of them.

    Returns:
        None where the order as read is as good as any, or none reads as a program. Nothing is raised.
    """
    total = len(words)
    if bits not in {8, 16} or total & (total - 1) or not 256 <= total <= 1 << 16:
        return None
    candidates = list(crossings(total, bits))
    images = Stored([words, *(one.undo(words) for one in candidates)], bits)
    found = [
        one
        for family in families or _families(words, bits)
        if (one := _best(images, candidates, family)) is not None
    ]
    if not found:
        return None
    best, *others = sorted(found, key=lambda one: -one.nats)
    if others and others[0].crossing != best.crossing:
        best = best._replace(margin=min(best.margin, best.nats - others[0].nats))
    return best if best.margin >= _MARGIN else None


def _families(words: Words, bits: int) -> Sequence[str]:
    """The family that an image is worth most for as read, where that is enough to look at no other."""
    readings = family_readings(as_stored(words, bits, "68000"))
    strong = [one.name for one in readings if one.nats >= 2 * _LEAST]
    return strong[:1] or READ_AS


def _best(stored: Stored, candidates: Sequence[LineChange], family: str) -> Crossed | None:
    """The best order of one family, by its branches or with its mix, where these do not contradict."""
    every = _worth(stored, family)
    # A program that stands at an odd place of its machine looks like one with its top line inverted.
    elsewhere = _worth(Stored(stored.images[:1], stored.bits), family, anywhere=True)
    found = []
    for nats, other, least in zip(every, elsewhere, (_LEAST, _LEAST_MIXED), strict=True):
        nats[0] = max(nats[0], other[0])
        if (order := _order(nats, every.branches, stored, least)) is not None:
            best, gain, margin = order
            found.append(Crossed(candidates[best - 1], family, float(nats[best]), gain, margin))
    return found[0] if found and all(one.crossing == found[0].crossing for one in found) else None


def _order(
    nats: NDArray[np.float64], branches: NDArray[np.float64], stored: Stored, least: float
) -> tuple[int, float, float] | None:
    """The best order, its gain over the order as read and its margin over the next; None: not enough."""
    images, best = stored.images, int(nats[1:].argmax()) + 1
    gain = float(nats[best] - nats[0])
    # Only far calls land anywhere: the mix of instructions has no share in that.
    if nats[best] < least or gain < max(_GAIN, _GAIN_SHARE * float(branches[best])):
        return None
    same = np.array([bool((image == images[best]).all()) for image in images])
    margin = float(nats[best] - nats[~same].max())
    return (best, gain, margin) if margin >= _MARGIN else None


class Kept(NamedTuple):
    """Which of several readings of one chip keeps the program's flow.

    Attributes:
        chosen: Its number.
        odds: How sure, 0 to 1, the others and "none of them" counted.
        family: The family it is a program for.
        nats: Of every candidate, in that family.
    """

    chosen: int
    odds: float
    family: str
    nats: tuple[float, ...]


def keeps_flow(
    candidates: Sequence[Words], bits: int, *, families: Sequence[str] = (), margin: float = _MARGIN
) -> Kept | None:
    """Which candidate order of one chip's words keeps the flow of the program.

    A ground for a frame where readings stand in different orders: the mappings in question are applied by the
    caller, and the images that result are held against each other here.

    Args:
        candidates: Two images or more, each shape (n,), of the same words in different orders.
        bits: 8 or 16.
        families: Those that the board is known to have; empty: all.
        margin: Nats by which the chosen one must read better than every other.

    Returns:
        None where no candidate reads as a program, or two read alike. Nothing is raised.
    """
    if bits not in {8, 16} or len(candidates) < 2 or len({len(one) for one in candidates}) > 1:
        return None
    if len(candidates[0]) * bits < 256 * 8:
        return None
    stored = Stored(candidates, bits)
    table = {family: worth(stored, family) for family in families or READ_AS}
    family = max(table, key=lambda name: float(table[name].max()))
    nats = table[family]
    chosen = int(nats.argmax())
    others = np.delete(nats, chosen)
    if nats[chosen] < _LEAST or nats[chosen] - others.max() < margin:
        return None
    odds = 1 / (1 + float(np.exp(others - nats[chosen]).sum()) + float(np.exp(_LEAST / 2 - nats[chosen])))
    return Kept(chosen, odds, family, tuple(nats.tolist()))
