"""Which chip comes next: where branches and calls that carry distances lead out of one chip into another.

A distance tells no address, but it tells how far away a neighbour stands. So chips are linked into rows: each
a rigid body whose chips keep their distances wherever it stands. A row is placed as one (`standing`), or its
order alone is told.

Source: the likelihood ratio of `votes` (Neyman and Pearson, 1933); rows are joined the surest link first, as
in agglomerative clustering. The price of a link is the number of others, sides and distances it was chosen
from.

Does not work: processors whose near branches name places of a page (8048, 1802), chips of two sizes, and
content whose branches all stay at home.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.model import CALL, RELATIVE, WIDE, Instructions, Mask, Nats
from pipeline.stages.content.flow_of_control.votes import near_nats

_Of = TypeVar("_Of", np.float64, np.bool_)

LEAST_LINK = 8.0
"""Nats by which a link must be better than none, and than every one that it excludes."""
_REACH = 32768
"""Bytes that a distance of 16 bits spans, to either side."""
_CLOSE = 3
"""Targets so few places apart are entries of one table: they land, or miss, together."""
_PAGED = frozenset(["8048", "1802"])
"""Families whose near branches name places of a page, not distances."""


class Leading(NamedTuple):
    """What one image's distances name outside of it, and what being hit says of each of its own places.

    Attributes:
        to: Shape (m,), places counted from the image's first, each once, ascending, none of them within it.
        call: Shape (m,): whether it is called.
        hit: Shape (2, n), nats of a branch, and of a call, into each place.
        begins: Shape (n,): an instruction begins there.
    """

    to: NDArray[np.int64]
    call: Mask
    hit: Nats
    begins: Mask


class Links(NamedTuple):
    """What speaks for each image's standing so many images behind each other one.

    Attributes:
        reach: The most images between two of which any distance tells.
        nats: Shape (2 reach + 1, images, images): [reach + k, i, j] speaks for j's standing k behind i.
        leading: Of the same shape, how many different places the distances between them name.
        landing: At how many of these an instruction begins.
    """

    reach: int
    nats: Nats
    leading: Nats
    landing: Nats

    def between(self, first: int, second: int, behind: int) -> tuple[float, int, int]:
        """Nats, places named and landed on, if one image stands so many behind another."""
        if abs(behind) > self.reach:
            return 0.0, 0, 0
        at = (self.reach + behind, first, second)
        return float(self.nats[at]), int(self.leading[at]), int(self.landing[at])


class Linked(NamedTuple):
    """Images whose distances from each other are known.

    Attributes:
        at: Image → how many images behind the first; in that order.
        nats: The weakest link's, over none and over every one that it excludes.
    """

    at: Mapping[int, int]
    nats: float


def leading_out(one: Instructions, found: Starts, speaks: Mask, called: Nats) -> Leading:
    """The distances that lead out of an image.

    Args:
        one: The image, read.
        found: Where its instructions begin.
        speaks: Shape (places,): places that have a vote.
        called: Shape (places,), nats of a call into each.
    """
    begins, share = found.begins[0], found.share[0]
    n = len(begins)
    away = (one.target < 0) | (one.target >= n)
    whole = np.arange(n) + one.length <= n
    near = (one.kind == RELATIVE) | (one.kind == WIDE)
    out = begins & speaks & near & away & whole & (one.family not in _PAGED)
    # A distance to an odd address of a word machine is -1 and none; a real one to place -1 is lost with it.
    out &= one.target != -1
    to = np.unique(one.target[out]).astype(np.int64)
    call = np.isin(to, one.target[out & (one.flow == CALL)])
    lands = np.where(speaks, near_nats(begins, share), 0.0)
    return Leading(to, call, np.stack([lands, called]), begins)


def alone(to: NDArray[np.int64]) -> Nats:
    """How much each target counts: those close behind another, as the entries of a table, less and less."""
    new = np.diff(to, prepend=-1 - _CLOSE) > _CLOSE
    new[:1] = True
    first = np.maximum.accumulate(np.where(new, np.arange(len(to)), 0))
    return np.asarray((1.0 + np.arange(len(to)) - first) ** -0.5, dtype=np.float64)


def links(chips: Sequence[Leading], units: int = 1) -> Links:
    """What speaks for each image's standing before or behind each other one.

    Args:
        chips: Images of one size.
        units: Bytes a place.
    """
    count, size = len(chips), len(chips[0].begins)
    most = max((int(np.abs(one.to // size).max()) for one in chips if len(one.to)), default=1)
    reach = min(most, -(-_REACH // (size * units)))
    hit = np.stack([one.hit for one in chips], axis=2)
    begins = np.stack([one.begins for one in chips], axis=1)
    nats, leading, landing = told = np.zeros((3, 2 * reach + 1, count, count))
    for number, one in enumerate(chips):
        slot = one.to // size + reach
        near = (slot >= 0) & (slot <= 2 * reach)
        slot, place, call = slot[near], one.to[near] % size, one.call[near].astype(np.intp)
        np.add.at(nats[:, number], slot, hit[call, place] * alone(one.to)[near, None])
        np.add.at(leading[:, number], slot, 1)
        np.add.at(landing[:, number], slot, begins[place])
    # Either image's distances into the other speak; an image's into itself do not.
    told = told + told[:, ::-1].transpose(0, 1, 3, 2)
    told[:, :, np.arange(count), np.arange(count)] = 0
    return Links(reach, *told)


class _Linking:
    """Rows on the way, with what speaks for each pair of them at each distance.

    `nats[most + k, i, j]` speaks for row j's first image standing k images behind row i's.
    """

    def __init__(self, found: Links) -> None:
        count = found.nats.shape[1]
        self.most = 2 * found.reach + count
        self.reach = found.reach
        self.nats: Nats = np.zeros((2 * self.most + 1, count, count))
        self.nats[self.most - found.reach : self.most + found.reach + 1] = found.nats
        self.rows = [Linked({number: 0}, np.inf) for number in range(count)]
        self.clash: Mask = np.zeros(self.nats.shape, dtype=bool)
        self.clash[self.most] = True
        self.touch: Mask = np.zeros(self.nats.shape, dtype=bool)
        self.touch[[self.most - 1, self.most + 1]] = True

    def _mark(self, number: int) -> None:
        """Where every other row would stand in a row's place, and where right beside it."""
        for other, row in enumerate(self.rows):
            apart = {a - b for a in self.rows[number].at.values() for b in row.at.values()}
            beside = {one + side for one in apart for side in (-1, 1)}
            for mask, steps in ((self.clash, apart), (self.touch, beside)):
                at = np.array([one for one in steps if abs(one) <= self.most], dtype=np.intp)
                mask[:, number, other] = mask[:, other, number] = False
                mask[self.most + at, number, other] = True
                mask[self.most - at, other, number] = True

    def offers(self) -> Nats:
        """Shape of `nats`: what speaks for each way to join two rows, less what choosing among them costs."""
        count = len(self.rows)
        price = np.log(2 * max(1, count - 1)) + np.where(self.touch, 0.0, np.log(2 * self.reach))
        out = np.where(self.clash, -np.inf, self.nats - price)
        out[:, np.arange(count), np.arange(count)] = -np.inf
        return out

    def join(self, first: int, second: int, behind: int, nats: float) -> None:
        """One row of two; the other rows' numbers move up where one is gone."""
        one, other = self.rows[first], self.rows[second]
        at = {**one.at, **{number: place + behind for number, place in other.at.items()}}
        self.rows[first] = Linked(at, min(one.nats, other.nats, nats))
        self.nats[:, first] += _moved(self.nats[:, second], behind)
        self.nats[:, :, first] = self.nats[::-1, first]
        del self.rows[second]
        left = np.delete(np.arange(len(self.rows) + 1), second)
        self.nats = self.nats[:, left[:, None], left]
        self.clash = self.clash[:, left[:, None], left]
        self.touch = self.touch[:, left[:, None], left]
        self._mark(first - (second < first))


def _moved(field: NDArray[_Of], by: int) -> NDArray[_Of]:
    """Rows of a field moved down its first axis, zero where nothing comes from."""
    out = np.zeros_like(field)
    n = len(field)
    if abs(by) < n:
        out[max(0, by) : n + min(0, by)] = field[max(0, -by) : n - max(0, by)]
    return out


def rows(found: Links) -> list[Linked]:
    """Images linked into rows, the surest link first; one that nothing links is a row of its own."""
    if found.nats.max() < LEAST_LINK:
        return [Linked({number: 0}, np.inf) for number in range(found.nats.shape[1])]
    on_the_way = _Linking(found)
    while len(on_the_way.rows) > 1:
        offers = on_the_way.offers()
        best = _surest(on_the_way, offers)
        if best is None:
            break
        on_the_way.join(*best)
    return [_counted(row) for row in on_the_way.rows]


def _surest(rows: _Linking, offers: Nats) -> tuple[int, int, int, float] | None:
    """The best offer that nothing it excludes comes near to: two rows, the distance, by how much."""
    step, first, second = np.nonzero(offers >= LEAST_LINK)
    once = first < second
    step, first, second = step[once], first[once], second[once]
    for number in np.argsort(-offers[step, first, second], kind="stable").tolist():
        one, other, behind = int(first[number]), int(second[number]), int(step[number]) - rows.most
        nats = float(offers[step[number], one, other])
        ahead = nats - max(0.0, _rival(rows, offers, one, other, behind))
        if ahead >= LEAST_LINK:
            return one, other, behind, ahead
    return None


def _rival(rows: _Linking, offers: Nats, first: int, second: int, behind: int) -> float:
    """The best offer that another one excludes.

    The same rows at another distance, or a third one in the place of either.
    """
    same = offers[:, first, second].copy()
    same[rows.most + behind] = -np.inf
    third = np.where(_moved(rows.clash[:, second], behind), offers[:, first], -np.inf)
    third[:, second] = -np.inf
    fourth = np.where(_moved(rows.clash[:, first], -behind), offers[:, second], -np.inf)
    fourth[:, first] = -np.inf
    return float(max(same.max(), third.max(), fourth.max()))


def _counted(row: Linked) -> Linked:
    """A row counted from its first image."""
    first = min(row.at.values())
    ordered = sorted(row.at, key=lambda number: row.at[number])
    return Linked({number: row.at[number] - first for number in ordered}, row.nats)
