"""At which address each of several chips of one machine stands: where their far calls and jumps land.

Every absolute target names a slot, a multiple of the chip's size; whichever chip stands there should have an
instruction, best a routine, at that place. One assignment of chips to slots weighs all of them. A chip that
no other chip calls into stays out: its own calls alone are a stranger's as well.

Distances that lead out of a chip tell its neighbour (`neighbours`): chips linked into a row are placed as
one, and a chip is weighed beside those that are placed. A row without any address is told as that.

Source: linear assignment (Kuhn 1955); the votes are those of `votes`.

Does not work: processors whose calls stay in a page (8048), halves of a word, and programs that are moved
before they run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts, local_share, starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import places_speaking
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Mask, Nats
from pipeline.stages.content.flow_of_control.named_addresses import named_addresses, naming_nats
from pipeline.stages.content.flow_of_control.neighbours import (
    Leading,
    Linked,
    alone,
    leading_out,
    links,
    rows,
)
from pipeline.stages.content.flow_of_control.slots import OneSize, Places, assigned, speaking_for
from pipeline.stages.content.flow_of_control.votes import (
    LandingRates,
    far_targets,
    landing_nats,
    rates,
    speaking,
)

_LEAST_CROSS = 3.0
"""Nats that the calls of other chips must speak for a chip's place."""
_ROUNDS = 3
"""Rounds in which chips that are placed call others in, and others stand beside them."""
CALLED, JUMPED, NAMED = range(3)
"""How an address is told; of several the first counts."""
MOST_STANDING = 64
"""Chips that are placed at one time."""


class Stood(NamedTuple):
    """Where one chip stands.

    Attributes:
        image: Its number.
        base: Address of its first place, in places.
        nats: By how much every placing without it there is worse.
        calls: Far calls and jumps of all placed chips into it.
        landing: How many of these land where an instruction begins.
        callers: Numbers of the other chips that call into it or name addresses in it.
        named: How many different addresses in it placed chips name without going there.
        leading: Different places that distances name between it and other placed chips, either way.
        landed: At how many of these an instruction begins.
        beside: Numbers of these other chips.
    """

    image: int
    base: int
    nats: float
    calls: int
    landing: int
    callers: tuple[int, ...]
    named: int
    leading: int
    landed: int
    beside: tuple[int, ...]


class Neighbour(NamedTuple):
    """One chip of a row of which no address is known.

    Attributes:
        image: Its number.
        row: All of its row, the first one first.
        beside: The chip before it in the row; of the first one, that behind.
        behind: How many places it stands behind that one; less than 0: before it.
        nats: By how much the row's weakest link is better than none, and than all that it excludes.
        leading: Different places that distances name between it and others of the row, either way.
        landed: At how many of these an instruction begins.
    """

    image: int
    row: tuple[int, ...]
    beside: int
    behind: int
    nats: float
    leading: int
    landed: int


class BoardStanding(NamedTuple):
    """Chips with an address, in the order given, and chips of rows without."""

    placed: list[Stood]
    in_rows: list[Neighbour]


class _Chip(NamedTuple):
    """What one image tells of where it stands.

    Its size in places, where its instructions begin, what a call, a jump and a name of each place say, its
    own far calls and jumps and the addresses that it names, and the distances that lead out of it.
    """

    size: int
    begins: Mask
    says: Nats
    to: NDArray[np.int64]
    how: NDArray[np.intp]
    leading: Leading


def standing(images: Sequence[Bytes], family: str) -> BoardStanding:
    """Where each chip of one machine stands, as far as the flow of control tells.

    Args:
        images: Each of shape (n,), bytes as the processor takes them, each size a power of two.
        family: The processor, one of READ_AS.

    Returns:
        Two placed chips at least, or none. Nothing is raised.
    """
    if not 2 <= len(images) <= MOST_STANDING:
        return BoardStanding([], [])
    chips = [_chip(image, family) for image in images]
    groups = _groups(chips, 2 if family in WORD_FAMILIES else 1)
    space = 1 << 23 if family in WORD_FAMILIES else 1 << 16
    callers: Iterable[int] = range(len(chips))
    placed: Places = {}
    before: Places = {}
    for _ in range(_ROUNDS):
        placed = _placed(chips, groups, sorted(callers), before, space)
        together = _together(chips, groups, placed)
        if together == set(callers):
            break
        callers = together
        before = {number: placed[number] for number in sorted(together)}
    kept = {number: placed[number] for number in sorted(callers) if number in placed}
    kept = kept if len(kept) > 1 else {}
    told = [_told(chips, groups, kept, number) for number in kept]
    return BoardStanding(told, [one for group in groups for one in _in_rows(group, kept)])


def _groups(chips: Sequence[_Chip], units: int) -> list[OneSize]:
    """The chips of each size, linked."""
    out = []
    for size in sorted({one.size for one in chips}):
        own = [number for number, one in enumerate(chips) if one.size == size]
        found = links([chips[number].leading for number in own], units)
        linked = [Linked({own[k]: at for k, at in row.at.items()}, row.nats) for row in rows(found)]
        out.append(OneSize(size, own, found, linked))
    return out


def _in_rows(group: OneSize, placed: Places) -> Iterator[Neighbour]:
    """The chips of rows of which none has an address."""
    for row in group.rows:
        chips = list(row.at)
        if len(chips) < 2 or not placed.keys().isdisjoint(chips):
            continue
        for number, chip in enumerate(chips):
            beside = chips[number - 1 if number else 1]
            behind = (row.at[chip] - row.at[beside]) * group.size
            told = [_linked(group, other, chip, row.at[chip] - row.at[other]) for other in chips]
            leading, landed = sum(one for _, one, _ in told), sum(one for *_, one in told)
            yield Neighbour(chip, tuple(chips), beside, behind, row.nats, leading, landed)


def _linked(group: OneSize, one: int, other: int, behind: int) -> tuple[float, int, int]:
    """Nats, places named and landed on between two chips of one size, one so many chips behind the other."""
    return group.links.between(group.chips.index(one), group.chips.index(other), behind)


def _chip(image: Bytes, family: str) -> _Chip:
    one = decode(family, image)
    found = starts(one.length[None], one.flow[None])
    speaks = places_speaking(speaking(image), one.units)
    far = far_targets(one.kind[None], one.flow[None], one.target[None], found, speaks)
    says = [_says(found, speaks, call=True), _says(found, speaks, call=False)]
    names = named_addresses(one, image, found.begins[0] & speaks)
    to = np.concatenate([far.to, names])
    how = np.concatenate([np.where(far.call, CALLED, JUMPED), np.full(len(names), NAMED)])
    says.append(naming_nats(image, found, one.units))
    leading = leading_out(one, found, speaks, says[0])
    return _Chip(len(one.length), found.begins[0], np.stack(says), to, how, leading)


def _says(found: Starts, speaks: Mask, *, call: bool) -> Nats:
    """Shape (n,), nats: what a jump, or a call, into each place says for a program's being there.

    Where many places begin routines, as in a table of jumps, one more that is hit says little; fills, text
    and tables say nothing.
    """
    place = np.arange(len(speaks), dtype=np.int64)
    every = rates(found, speaks)
    zero = np.zeros(len(place), dtype=np.intp)
    near = LandingRates(
        np.maximum(every.routine[zero], local_share(found.routine, least=0)[0]),
        np.maximum(every.start[zero], found.share[0]),
    )
    near = LandingRates(np.minimum(near.routine, near.start * 0.9), near.start)
    nats = landing_nats(zero, place, np.full(len(place), call), found, near, at=place)
    return np.where(speaks, nats, 0.0)


def _targets(chips: Sequence[_Chip], callers: Iterable[int]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Each address that these chips tell once, and how: called rather than jumped to rather than named."""
    some = [chips[number] for number in callers]
    every = np.concatenate([one.to for one in some]) if some else np.zeros(0, np.int64)
    to, of = np.unique(every, return_inverse=True)
    how = np.full(len(to), NAMED, dtype=np.intp)
    if some:
        np.minimum.at(how, of, np.concatenate([one.how for one in some]))
    return to, how


def _landing(chip: _Chip, to: NDArray[np.int64], how: NDArray[np.intp]) -> Nats:
    """What each address says if the chip stands in its slot."""
    return chip.says[how, to % chip.size] * alone(to)


def _placed(
    chips: Sequence[_Chip], groups: Sequence[OneSize], callers: Sequence[int], before: Places, space: int
) -> dict[int, tuple[int, float]]:
    """Chip → its base and by how much it stands out; those that do not are left out.

    Rows of chips of one size are assigned together; of two sizes in each other's place neither is placed.
    """
    to, how = _targets(chips, callers)
    out: dict[int, tuple[int, float]] = {}
    for group in groups:
        slots = np.unique(to // group.size)
        where = np.searchsorted(slots, to // group.size)
        says = np.empty((len(slots), len(group.chips)))
        for column, number in enumerate(group.chips):
            landing = _landing(chips[number], to, how)
            says[:, column] = np.bincount(where, weights=landing, minlength=len(slots))
        most = max(2, space // group.size)
        bases, worth = speaking_for(group, slots, says, before, most)
        if not len(bases):
            continue
        # Choosing among all slots costs; not to be placed costs nothing.
        for column, (base, nats) in assigned(worth - np.log(most)).items():
            row = group.rows[column]
            first = int(bases[base])
            out |= {one: ((first + at) * group.size, min(nats, row.nats)) for one, at in row.at.items()}
    return _apart(out, chips, groups)


def _apart(
    placed: dict[int, tuple[int, float]], chips: Sequence[_Chip], groups: Sequence[OneSize]
) -> dict[int, tuple[int, float]]:
    """Those that lie in no other's place, nor anyone of their row."""
    spans = {number: (base, base + chips[number].size) for number, (base, _) in placed.items()}
    clash = {
        number
        for number, (start, end) in spans.items()
        if any(low < end and start < high for other, (low, high) in spans.items() if other != number)
    }
    out = {one for group in groups for row in group.rows if clash.isdisjoint(row.at) for one in row.at}
    return {number: one for number, one in placed.items() if number in out}


def _together(chips: Sequence[_Chip], groups: Sequence[OneSize], placed: Places) -> set[int]:
    """The largest group of placed chips that call into each other, or are linked."""
    joined = {number: {number} for number in placed}
    for number in placed:
        for caller in placed:
            if joined[caller] is joined[number]:
                continue
            if _cross(chips, groups, placed, caller, number) >= _LEAST_CROSS:
                both = joined[caller] | joined[number]
                joined |= dict.fromkeys(both, both)
    return max(joined.values(), key=len, default=set())


def _cross(
    chips: Sequence[_Chip], groups: Sequence[OneSize], placed: Places, caller: int, number: int
) -> float:
    """What one chip's calls and jumps, and the distances between both, say for another's place."""
    to, how = _targets(chips, [caller])
    inside = to // chips[number].size * chips[number].size == placed[number][0]
    near = _near(groups, placed, caller, number)[0]
    return float(_landing(chips[number], to[inside], how[inside]).sum()) + near


def _near(groups: Sequence[OneSize], placed: Places, one: int, other: int) -> tuple[float, int, int]:
    """Nats, places named and landed on by distances between two placed chips."""
    group = next(group for group in groups if one in group.chips)
    if other not in group.chips:
        return 0.0, 0, 0
    return _linked(group, one, other, (placed[other][0] - placed[one][0]) // group.size)


def _told(chips: Sequence[_Chip], groups: Sequence[OneSize], placed: Places, number: int) -> Stood:
    base, nats = placed[number]
    calls = landing = leading = landed = 0
    callers, beside = [], []
    names: set[int] = set()
    for caller in placed:
        place, how = chips[caller].to - base, chips[caller].how
        inside = (place >= 0) & (place < chips[number].size)
        gone = place[inside & (how != NAMED)]
        if inside.any() and caller != number:
            callers.append(caller)
        calls += len(gone)
        landing += int(np.count_nonzero(chips[number].begins[gone]))
        names.update(place[inside & (how == NAMED)].tolist())
        _, lead, land = _near(groups, placed, caller, number)
        leading, landed = leading + lead, landed + land
        if lead:
            beside.append(caller)
    return Stood(
        number, base, nats, calls, landing, tuple(callers), len(names), leading, landed, tuple(beside)
    )
