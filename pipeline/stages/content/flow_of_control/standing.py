"""At which address each of several chips of one machine stands: where their far calls and jumps land.

Every absolute target names a slot, a multiple of the chip's size; whichever chip stands there should have an
instruction, best a routine, at that place. One assignment of chips to slots weighs all of them. A chip that
no other chip calls into stays out: its own calls alone are a stranger's as well.

Source: linear assignment (Kuhn 1955), by `scipy`; the votes are those of `votes`.

Does not work: processors whose calls are all relative (8086) or stay in a page (8048), halves of a word, and
programs that are moved before they run.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts, local_share, starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import places_speaking
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Mask, Nats
from pipeline.stages.content.flow_of_control.named_addresses import named_addresses, naming_nats
from pipeline.stages.content.flow_of_control.votes import (
    LandingRates,
    far_targets,
    landing_nats,
    rates,
    speaking,
)

LEAST_STANDING = 8.0
"""Nats by which every other way of placing all chips must be worse; below it nothing is said."""
_LEAST_CROSS = 3.0
"""Nats that the calls of other chips must speak for a chip's place."""
_CLOSE = 3
"""Targets so few places apart are entries of one table: they land, or miss, together."""
_ROUNDS = 3
"""Rounds in which chips that are placed call others in."""
_NEVER = -1e9
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
    """

    image: int
    base: int
    nats: float
    calls: int
    landing: int
    callers: tuple[int, ...]
    named: int


class _Chip(NamedTuple):
    """What one image tells of where it stands.

    Its size in places, where its instructions begin, what a call, a jump and a name of each place say, its
    own far calls and jumps and the addresses that it names.
    """

    size: int
    begins: Mask
    says: Nats
    to: NDArray[np.int64]
    how: NDArray[np.intp]


def standing(images: Sequence[Bytes], family: str) -> list[Stood]:
    """Where each chip of one machine stands, as far as the flow of control tells.

    Args:
        images: Each of shape (n,), bytes as the processor takes them, each size a power of two.
        family: The processor, one of READ_AS.

    Returns:
        The chips that are placed, two at least, in the order given. Nothing is raised.
    """
    if not 2 <= len(images) <= MOST_STANDING:
        return []
    chips = [_chip(image, family) for image in images]
    space = 1 << 23 if family in WORD_FAMILIES else 1 << 16
    callers: Iterable[int] = range(len(chips))
    placed: dict[int, tuple[int, float]] = {}
    for _ in range(_ROUNDS):
        placed = _placed(chips, sorted(callers), space)
        together = _together(chips, placed)
        if together == set(callers):
            break
        callers = together
    kept = {number: placed[number] for number in sorted(callers) if number in placed}
    return [_told(chips, kept, number) for number in kept] if len(kept) > 1 else []


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
    return _Chip(len(one.length), found.begins[0], np.stack(says), to, how)


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
    return chip.says[how, to % chip.size] * _alone(to)


def _alone(to: NDArray[np.int64]) -> Nats:
    """How much each target counts: those close behind another, as the entries of a table, less and less."""
    new = np.diff(to, prepend=-1 - _CLOSE) > _CLOSE
    first = np.maximum.accumulate(np.where(new, np.arange(len(to)), 0))
    return np.asarray((1.0 + np.arange(len(to)) - first) ** -0.5, dtype=np.float64)


def _placed(chips: Sequence[_Chip], callers: Sequence[int], space: int) -> dict[int, tuple[int, float]]:
    """Chip → its base and by how much it stands out; those that do not are left out.

    Chips of one size are assigned together; of two sizes in each other's place neither is placed.
    """
    to, how = _targets(chips, callers)
    out: dict[int, tuple[int, float]] = {}
    for size in sorted({one.size for one in chips}):
        own = [number for number, one in enumerate(chips) if one.size == size]
        slots = np.unique(to // size)
        if not len(slots):
            continue
        worth = np.empty((len(slots), len(own)))
        where = np.searchsorted(slots, to // size)
        for column, number in enumerate(own):
            nats = _landing(chips[number], to, how)
            worth[:, column] = np.bincount(where, weights=nats, minlength=len(slots))
        # Choosing among all slots costs; not to be placed costs nothing.
        found = _assigned(worth - np.log(max(2, space // size)))
        out |= {own[column]: (int(slots[slot]) * size, nats) for column, (slot, nats) in found.items()}
    return _apart(out, chips)


def _assigned(worth: Nats) -> dict[int, tuple[int, float]]:
    """Column → row of the best assignment, and how much worse the best one without that pair is."""
    best, total = _best(worth)
    out = {}
    for column, row in best.items():
        without = worth.copy()
        without[row, column] = _NEVER
        out[column] = (row, total - _best(without)[1])
    return {column: one for column, one in out.items() if one[1] >= LEAST_STANDING}


def _best(worth: Nats) -> tuple[dict[int, int], float]:
    """The best assignment of columns to rows, each to none at worth 0."""
    from scipy.optimize import linear_sum_assignment

    rows, columns = worth.shape
    nowhere = np.full((columns, columns), _NEVER)
    np.fill_diagonal(nowhere, 0.0)
    every = np.concatenate([worth, nowhere])
    chosen, of = linear_sum_assignment(every, maximize=True)
    total = float(every[chosen, of].sum())
    return {int(c): int(r) for r, c in zip(chosen, of, strict=True) if r < rows}, total


def _apart(placed: dict[int, tuple[int, float]], chips: Sequence[_Chip]) -> dict[int, tuple[int, float]]:
    """Those that lie in no other's place."""
    spans = {number: (base, base + chips[number].size) for number, (base, _) in placed.items()}
    return {
        number: one
        for number, one in placed.items()
        if not any(
            low < spans[number][1] and spans[number][0] < high
            for other, (low, high) in spans.items()
            if other != number
        )
    }


def _together(chips: Sequence[_Chip], placed: dict[int, tuple[int, float]]) -> set[int]:
    """The largest group of placed chips that call into each other."""
    joined = {number: {number} for number in placed}
    for number in placed:
        for caller in placed:
            if joined[caller] is joined[number]:
                continue
            if _cross(chips, placed, caller, number) >= _LEAST_CROSS:
                both = joined[caller] | joined[number]
                joined |= dict.fromkeys(both, both)
    return max(joined.values(), key=len, default=set())


def _cross(chips: Sequence[_Chip], placed: dict[int, tuple[int, float]], caller: int, number: int) -> float:
    """What one chip's calls and jumps say for another's place."""
    to, how = _targets(chips, [caller])
    inside = to // chips[number].size * chips[number].size == placed[number][0]
    return float(_landing(chips[number], to[inside], how[inside]).sum())


def _told(chips: Sequence[_Chip], placed: dict[int, tuple[int, float]], number: int) -> Stood:
    base, nats = placed[number]
    calls = landing = 0
    callers = []
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
    return Stood(number, base, nats, calls, landing, tuple(callers), len(names))
