"""Rotations that hide behind crossed lines: which rotations of the second are worth a full search.

A rotation changes the first-order coefficients of every address line in a way that no order of lines undoes.
For all N rotations at once they follow from running sums over the image folded to the line's period; the
power in each line, summed over the data lines and sorted, must equal the first image's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.walsh import Floats

ROUGH, FINE = 4096, 6
"""Rotations kept after the two rough sums, and after the sorted powers."""


def likely_rotations(first: Floats, second: Floats) -> list[int]:
    """The rotations under which the second's lines have the powers of the first's, likeliest first.

    Args:
        first: Columns of the first as `walsh.signs` gives them, shape (bits, 2^n).
        second: Columns of the second, of the same shape.

    Returns:
        At most `FINE` rotations from 1 to N/2 − 1; adding N/2 is the same as inverting the highest line.
    """
    wanted = np.array([power[0] for power in _powers(first)])
    powers = _powers(second)
    half = first.shape[1] // 2
    total, squares = np.zeros(1), np.zeros(1)
    for power in powers:
        total = np.resize(total, power.size) + power
        squares = np.resize(squares, power.size) + power**2
    misfit = np.abs(total / (wanted.sum() + 1e-9) - 1) + np.abs(squares / ((wanted**2).sum() + 1e-9) - 1)
    misfit = misfit[:half]
    rough = np.argpartition(misfit, ROUGH)[:ROUGH] if half > ROUGH else np.arange(half)
    table = np.stack([power[rough % power.size] for power in powers], axis=1)
    table.sort(axis=1)
    distance = np.abs(np.sqrt(table) - np.sqrt(np.sort(wanted))).sum(axis=1)
    best = rough[np.argsort(distance, kind="stable")[: FINE + 1]]
    return [int(r) for r in best if r][:FINE]


def _powers(columns: Floats) -> list[NDArray[np.float64]]:
    """For each address line, the power of its first-order coefficients at every rotation of its period."""
    bits, size = columns.shape
    lines = size.bit_length() - 1
    powers: list[NDArray[np.float64]] = []
    folded = columns.astype(np.float64)
    for line in reversed(range(lines)):
        period = 2 << line
        folded = folded if period == size else folded[:, :period] + folded[:, period:]
        running = np.concatenate([np.zeros((bits, 1)), np.cumsum(np.tile(folded, 2), axis=1)], axis=1)
        half = running[:, period // 2 : period // 2 + period] - running[:, :period]
        powers.append(((2 * half - folded.sum(axis=1, keepdims=True)) ** 2).sum(axis=0) / size**2)
    return powers[::-1]
