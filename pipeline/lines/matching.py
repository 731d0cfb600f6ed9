"""Which line is which: the two small assignment problems, the signs, and the repair of near-ties.

1. Marks that no inversion changes give a first guess of the data lines, then of the address lines.
2. Each assignment is solved again with the other one known, until neither changes.
3. Inverted address lines follow from one correlation over all 2^n possibilities, inverted data lines from its
   sign.
4. The guess is judged on the words themselves, and single swaps and inversions repair what is left
   (`repair`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.assignment import cheapest_columns
from pipeline.lines.mapping import LineMap, lines_of, routed_addresses
from pipeline.lines.repair import Sample, repair
from pipeline.lines.walsh import Floats, Marks, walsh

Lines = NDArray[np.intp]
Costs = NDArray[np.float64]
ROUNDS = 12
HOPELESS = 0.8
"""Where only one guess in many can be right, one that leaves so many words unexplained is not repaired."""


def assign(costs: Costs) -> Lines:
    """For each row the column that makes the whole cheapest; by a faint slope the plain order wins ties."""
    count = costs.shape[0]
    slope = np.abs(np.arange(count)[:, None] - np.arange(count)[None, :]) * 1e-7
    return np.asarray(cheapest_columns((costs + slope).tolist()), dtype=np.intp)


def _sorted_distance(first: Floats, second: Floats) -> Costs:
    """Distance of every row of the first from every row of the second, their elements in falling order.

    Args:
        first: Shape (f, rows, elements).
        second: The same shape.
    """
    one, other = -np.sort(-first, axis=-1), -np.sort(-second, axis=-1)
    return np.asarray(np.abs(one[:, :, None] - other[:, None]).sum(axis=(0, -1)), dtype=np.float64)


def _flat(values: Floats) -> Floats:
    return values.reshape(values.shape[0], values.shape[1], -1)


def first_data_costs(first: Marks, second: Marks) -> Costs:
    """How unlike each data line of the first is to each of the second, no address line being known."""
    costs: Costs = np.abs(first.of_data[:, :, None] - second.of_data[:, None]).sum(axis=0).astype(np.float64)
    costs = costs + _sorted_distance(first.of_pair, second.of_pair)
    costs += _sorted_distance(_flat(first.of_two_addresses), _flat(second.of_two_addresses)) / 2
    costs += _sorted_distance(first.of_two_data[None], second.of_two_data[None])
    return costs + _sorted_distance(_flat(first.of_triple[None]), _flat(second.of_triple[None]))


def first_address_costs(first: Marks, second: Marks) -> Costs:
    """How unlike each address line of the first is to each of the second, no data line being known."""

    def turned(values: Floats) -> Floats:
        return _flat(np.moveaxis(values, -1, 1))

    costs: Costs = _sorted_distance(turned(first.of_pair), turned(second.of_pair))
    costs = costs + _sorted_distance(turned(first.of_two_addresses), turned(second.of_two_addresses))
    return costs + _sorted_distance(turned(first.of_triple[None]), turned(second.of_triple[None]))


def data_costs(first: Marks, second: Marks, address: Lines, data: Lines | None) -> Costs:
    """How unlike the data lines are, the address lines being known, the other data lines perhaps."""
    costs: Costs = np.abs(first.of_data[:, :, None] - second.of_data[:, None]).sum(axis=0).astype(np.float64)
    pair = second.of_pair[:, :, address]
    costs = costs + np.abs(first.of_pair[:, :, None] - pair[:, None]).sum(axis=(0, -1))
    for one, other in zip(first.of_two_addresses, second.of_two_addresses, strict=True):
        known = other[:, address][:, :, address]
        costs = costs + np.abs(one[:, None] - known[None]).sum(axis=(-1, -2)) / 2
    if data is None:
        triple = np.sort(second.of_triple[:, :, address], axis=1)
        costs += np.abs(np.sort(first.of_triple, axis=1)[:, None] - triple[None]).sum(axis=(-1, -2))
        return costs
    costs = costs + np.abs(first.of_two_data[:, None] - second.of_two_data[:, data][None]).sum(axis=-1)
    triple = second.of_triple[:, data][:, :, address]
    costs += np.abs(first.of_triple[:, None] - triple[None]).sum(axis=(-1, -2))
    return costs


def address_costs(first: Marks, second: Marks, data: Lines, address: Lines | None) -> Costs:
    """How unlike the address lines are, the data lines being known, the other address lines perhaps."""
    pair = second.of_pair[:, data]
    costs: Costs = np.abs(first.of_pair[:, :, :, None] - pair[:, :, None]).sum(axis=(0, 1)).astype(np.float64)
    triple = second.of_triple[data][:, data]
    costs = costs + np.abs(first.of_triple[..., None] - triple[:, :, None]).sum(axis=(0, 1)) / 2
    for one, other in zip(first.of_two_addresses, second.of_two_addresses, strict=True):
        if address is None:
            left, right = np.sort(one, axis=-1), np.sort(other[data], axis=-1)
        else:
            left, right = one, other[data][:, :, address]
        costs = costs + np.abs(left[:, :, None] - right[:, None]).sum(axis=(0, -1))
    return costs


def settle_lines(first: Marks, second: Marks, data: Lines, address: Lines) -> tuple[Lines, Lines]:
    """Solve the two assignments by turns until neither changes; returns data and address lines."""
    # Each half is solved exactly while the other is held; the cost falls at every step, so that it ends, if
    # at times in a poor place: hence several first guesses.
    for _ in range(ROUNDS):
        new_data = assign(data_costs(first, second, address, data))
        new_address = assign(address_costs(first, second, new_data, address))
        if np.array_equal(new_data, data) and np.array_equal(new_address, address):
            break
        data, address = new_data, new_address
    return data, address


def starts(first: Marks, second: Marks, tries: int) -> Iterator[tuple[Lines, Lines]]:
    """First guesses of data and address lines: from the data side, from the address side, then shaken."""
    from_data = first_data_costs(first, second)
    from_address = first_address_costs(first, second)
    data = assign(from_data)
    yield data, assign(address_costs(first, second, data, None))
    address = assign(from_address)
    yield assign(data_costs(first, second, address, None)), address
    generator = np.random.default_rng(0x5EED)
    for number in range(tries):
        # Exponential noise of growing size: lines that are nearly alike change places, the clear ones stay.
        shake = 0.05 * (1 + number % 8)
        if number % 2:
            noise = generator.exponential(shake, from_data.shape) * (from_data.mean() + 1e-3)
            data = assign(from_data + noise)
            yield data, assign(address_costs(first, second, data, None))
        else:
            noise = generator.exponential(shake, from_address.shape) * (from_address.mean() + 1e-3)
            address = assign(from_address + noise)
            yield assign(data_costs(first, second, address, None)), address


def with_signs(first: Marks, second: Marks, data: Lines, address: Lines) -> LineMap:
    """The mapping with its inversions: the xor of addresses at which the columns agree best, of all 2^n.

    The correlation over all xors is the transform of the product of the two spectra; a data line is inverted
    where its correlation is negative there.
    """
    order = routed_addresses(tuple(int(k) for k in address))
    # The correlation over xor of addresses is the transform of the product of the spectra (the convolution
    # theorem of the Walsh-Hadamard transform), so that all 2^n inversions cost one transform a line.
    product = first.spectrum.copy()
    for line, target in enumerate(data):
        product[line] *= second.spectrum[target][order]
    correlation = walsh(product)
    strength = np.abs(correlation).sum(axis=0)
    best = np.flatnonzero(strength >= strength.max() - 1e-4)
    counts = np.bitwise_count(best.astype(np.uint64)) + (correlation[:, best] < 0).sum(axis=0)
    shift = int(best[int(np.argmin(counts))])
    inverted = tuple(sorted(int(address[k]) for k in lines_of(shift)))
    negative = tuple(sorted(int(data[j]) for j in np.flatnonzero(correlation[:, shift] < 0)))
    return LineMap(tuple(int(k) for k in address), tuple(int(j) for j in data), inverted, negative)


def best_lines(first: Marks, second: Marks, sample: Sample, *, tries: int) -> tuple[LineMap, int]:
    """The mapping of all lines that leaves fewest words unexplained, found from the marks and repaired.

    Args:
        first: Marks of the first image.
        second: Marks of the second.
        sample: Words to judge a mapping on.
        tries: Shaken first guesses after the two plain ones; 0 where this is one search of many.

    Returns:
        The mapping, and how many of the sample's words it leaves unexplained.
    """
    few = sample.addresses.size // 100
    hopeless = sample.addresses.size * (HOPELESS if tries == 0 else 1)
    best: tuple[LineMap, int] | None = None
    seen: set[tuple[int, ...]] = set()
    for guess in starts(first, second, tries):
        data, address = settle_lines(first, second, *guess)
        key = (*data.tolist(), *address.tolist())
        if key in seen:
            continue
        seen.add(key)
        mapping = with_signs(first, second, data, address)
        count = sample.misses(mapping)
        # Repair is a search of its own: worth it only between "good enough" and "nothing near".
        if few < count <= hopeless:
            mapping, count = repair(mapping, sample)
        if best is None or count < best[1]:
            best = mapping, count
        if best[1] <= few:
            break
    assert best is not None
    return best
