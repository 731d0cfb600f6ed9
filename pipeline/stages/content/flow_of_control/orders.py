"""In which order of its lines an image reads as a program.

Single exchanges and inversions, and readings that differ.

A crossed wire leaves every byte in the image and takes the program apart: behind the wrong address line the
stream of instructions breaks off, and behind a wrong data line there is none. So the right order is the one
that reads best, and by how much says how sure that is. No reference is needed; where there is one, it
decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import (
    READ_AS,
    Read,
    leading,
    places_speaking,
    read_as,
    totals,
    totals_with,
)
from pipeline.stages.content.flow_of_control.instruction_mix import kinds, mix_votes
from pipeline.stages.content.flow_of_control.line_changes import LineChange, crossings
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Mask
from pipeline.stages.content.flow_of_control.votes import speaking
from pipeline.words import Words

GAIN = 10.0
"""Nats that another order must read better than the order as read."""
_GAIN_SHARE = 0.15
"""And this share of what it is then worth: a few calls out of the image may land anywhere."""
MARGIN = 4.0
"""Nats that it must read better than every order besides."""
_LEAST = 12.0
"""Nats that it must be worth as a program."""
LEAST_MIXED = 12.0
"""And with its mix of instructions. Of 1,110 pieces of the setting half that are no program five came that
far in some order, but none of these, nor any that came to 10, read by `GAIN` and `MARGIN` better in it.
"""
_LEAST_ORDER, _MARGIN_MIXED = 20.0, 8.0
"""Nats that one of a few given orders must be worth with its mix of instructions, no family being known, and
by which it must read better. Of 165 pieces of the setting half that are no program none was ordered so.
"""
SUREST = 0.99
"""No order is told as surer: of 522 crossings told on the held-out half one was wrong, at most 0.91 %
(one-sided, 95 %).
"""
_LOW_FIRST = frozenset(["pdp11", "8086"])
_PAGE = 256
"""Bytes: programs are laid at multiples of it."""
_ROWS = 1 << 19
"""Places read at one time."""


class Crossed(NamedTuple):
    """An image that reads as a program only in another order.

    Attributes:
        crossing: What is crossed.
        family: The family it then is a program for.
        nats: What it is worth in that order.
        gain: By how much more than as read.
        margin: By how much more than in the next best order.
        odds: How sure, 0 to `SUREST`; every other order, that as read and "no program" are counted.
    """

    crossing: LineChange
    family: str
    nats: float
    gain: float
    margin: float
    odds: float


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
    return np.concatenate([totals(read) for _, read in _readings(stored, [family])])


class _Worth(NamedTuple):
    """What images are worth as programs: by their branches alone, and with the mix of their instructions."""

    branches: NDArray[np.float64]
    mixed: NDArray[np.float64]


def _worth(stored: Stored, families: Sequence[str], *, step: int | None = None) -> dict[str, _Worth]:
    """Both, by family; they stand at multiples of so many places, None: of their size."""
    out: dict[str, _Worth] = {}
    for units in (1, 2):
        own = [family for family in families if _units(family) == units]
        found = [_worth_of(rows, read) for rows, read in _readings(stored, own, step=step)]
        if found:
            each = (np.concatenate(part).reshape(len(own), -1) for part in zip(*found, strict=True))
            out |= {family: _Worth(*nats) for family, *nats in zip(own, *each, strict=True)}
    return out


def _units(family: str) -> int:
    return 2 if family in WORD_FAMILIES else 1


class _Taken(NamedTuple):
    """One image as a family's processor takes it: its bytes, and which of its places may speak."""

    family: str
    data: Bytes
    speaks: Mask


def _readings(
    stored: Stored, families: Sequence[str], *, step: int | None = None
) -> Iterator[tuple[list[_Taken], Read]]:
    """The images read as each family's, family by family, as many at a time as memory allows.

    Small images are read faster together: most of what one costs is that of beginning.

    Args:
        stored: The images.
        families: All of bytes, or all of words.
        step: As `read_as` has it; None: the size of an image.
    """
    rows = [
        _Taken(family, data, places_speaking(speaks, _units(family)))
        for family in families
        for data, speaks in stored.taken_by(family)
    ]
    at_once = max(1, _ROWS // max(1, len(rows[0].data))) if rows else 1
    for first in range(0, len(rows), at_once):
        some = rows[first : first + at_once]
        # Of one image the same places begin for each family.
        begun = {id(row.data): leading(row.data, _units(row.family)) for row in some}
        instruction = np.stack([begun[id(row.data)] for row in some])
        decoded = [decode(row.family, row.data) for row in some]
        speaks = np.stack([row.speaks for row in some])
        places = speaks.shape[1]
        yield some, read_as(decoded, instruction, speaks, step=step or places, staying=False)


def _worth_of(rows: Sequence[_Taken], read: Read) -> _Worth:
    """What images read at one time are worth, row by row."""
    branches, mix = totals(read), np.zeros(read.starts.begins.shape)
    known = np.zeros(len(rows), dtype=bool)
    for family in dict.fromkeys(row.family for row in rows):
        own = [number for number, row in enumerate(rows) if row.family == family]
        at = slice(own[0], own[-1] + 1)
        kind = np.stack([kinds(family, row.data) for row in rows[at]])
        begins, routine, share = read.starts
        found = Starts(begins[at], routine[at], share[at])
        votes = mix_votes(family, kind, found, np.stack([row.speaks for row in rows[at]]))
        if votes is not None:
            mix[at], known[at] = votes, True
    return _Worth(branches, np.where(known, totals_with(read, mix), branches) if known.any() else branches)


class Orders(NamedTuple):
    """What an image is worth as a program as read, and with each single exchange or inversion undone.

    Attributes:
        family: As which it was read.
        candidates: Of the lines.
        branches: Shape (1 + candidates,), nats by its branches, the first as read.
        mixed: Shape (1 + candidates,), nats with the mix of its instructions.
        images: As read and in each order.
    """

    family: str
    candidates: tuple[LineChange, ...]
    branches: NDArray[np.float64]
    mixed: NDArray[np.float64]
    images: Sequence[Words]

    def gains(self) -> dict[LineChange, float]:
        """By how many nats each order that changes the image reads better than it does as read."""
        return {
            change: float(nats - self.mixed[0])
            for change, nats, image in zip(self.candidates, self.mixed[1:], self.images[1:], strict=True)
            if bool((image != self.images[0]).any())
        }


def orders_of(
    words: Words, bits: int, family: str, candidates: Sequence[LineChange] | None = None
) -> Orders | None:
    """An image as a program of one family in each order of its lines.

    A program need not stand at a multiple of its size, since many are moved before they run.

    Args:
        words: Shape (n,), n a power of two from 256 to 64 K.
        bits: 8 or 16.
        family: As READ_AS has it.
        candidates: Orders to try; None: every single exchange and inversion.

    Returns:
        None for images of other sizes and widths. Nothing is raised.
    """
    total = len(words)
    if bits not in {8, 16} or total & (total - 1) or not 256 <= total <= 1 << 16:
        return None
    every = tuple(crossings(total, bits)) if candidates is None else tuple(candidates)
    stored = Stored([words, *(one.undo(words) for one in every)], bits)
    step, page = max(1, total * (bits // 8) // _units(family) // 8), _PAGE // _units(family)
    found = _worth(stored, [family], step=step)[family]
    if step > page:
        # As read it may stand at any page: at an odd one it looks like a program with a line inverted.
        as_read = _worth(Stored(stored.images[:1], bits), [family], step=page)[family]
        for nats, other in zip(found, as_read, strict=True):
            nats[0] = max(nats[0], other[0])
    return Orders(family, every, found.branches, found.mixed, stored.images)


def crossed_in(orders: Orders) -> Crossed | None:
    """The best order of one family, by its branches or with its mix, where these do not contradict."""
    found = []
    for nats, least in ((orders.branches, _LEAST), (orders.mixed, LEAST_MIXED)):
        if (order := _order(nats, orders, least)) is not None:
            best, gain, margin = order
            odds = odds_of(float(nats[best]), np.delete(nats, best).tolist())
            crossing = orders.candidates[best - 1]
            found.append(Crossed(crossing, orders.family, float(nats[best]), gain, margin, odds))
    return found[0] if found and all(one.crossing == found[0].crossing for one in found) else None


def _order(nats: NDArray[np.float64], orders: Orders, least: float) -> tuple[int, float, float] | None:
    """The best order, its gain over the order as read and its margin over the next; None: not enough."""
    images, best = orders.images, int(nats[1:].argmax()) + 1
    gain = float(nats[best] - nats[0])
    # Only far calls land anywhere: the mix of instructions has no share in that.
    if nats[best] < least or gain < max(GAIN, _GAIN_SHARE * float(orders.branches[best])):
        return None
    same = np.array([bool((image == images[best]).all()) for image in images])
    margin = float(nats[best] - nats[~same].max())
    return (best, gain, margin) if margin >= MARGIN else None


def odds_of(best: float, others: Sequence[float]) -> float:
    """How sure one order is beside others and beside "no program", 0 to `SUREST`.

    Source: Bayes' rule with equal odds beforehand; content that is no program reaches half of what is asked.
    """
    every = np.array([*others, _LEAST / 2])
    return min(SUREST, 1 / (1 + float(np.exp(np.minimum(every - best, 100)).sum())))


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
    candidates: Sequence[Words], bits: int, *, families: Sequence[str] = (), margin: float = MARGIN
) -> Kept | None:
    """Which candidate order of one chip's words keeps the flow of the program, or its mix of instructions.

    A ground for a frame where readings stand in different orders: the mappings in question are applied by the
    caller, and the images that result are held against each other here.

    Args:
        candidates: Two images or more, each shape (n,), of the same words in different orders.
        bits: 8 or 16.
        families: Those that the board is known to have; empty: all.
        margin: Nats by which the chosen one must read better than every other.

    Returns:
        None where no candidate reads as a program, two read alike, or branches and mix contradict each other.
        Nothing is raised.
    """
    if bits not in {8, 16} or len(candidates) < 2 or len({len(one) for one in candidates}) > 1:
        return None
    if len(candidates[0]) * bits < 256 * 8:
        return None
    stored = Stored(candidates, bits)
    asked = families or READ_AS
    table = _worth(stored, asked)
    branches = {family: table[family].branches for family in asked}
    mixed = {family: table[family].mixed for family in asked}
    ways = (branches, _LEAST, margin), (mixed, _LEAST_ORDER, max(margin, _MARGIN_MIXED))
    kept = [one for nats, least, clear in ways if (one := _kept(nats, least, clear)) is not None]
    return kept[-1] if kept and len({one.chosen for one in kept}) == 1 else None


def _kept(table: Mapping[str, NDArray[np.float64]], least: float, margin: float) -> Kept | None:
    """The order that reads best, in the family in which one reads best; None: not enough, or no clear one."""
    family = max(table, key=lambda name: float(table[name].max()))
    nats = table[family]
    chosen = int(nats.argmax())
    others = np.delete(nats, chosen)
    if nats[chosen] < least or nats[chosen] - others.max() < margin:
        return None
    return Kept(chosen, odds_of(float(nats[chosen]), others.tolist()), family, tuple(nats.tolist()))
