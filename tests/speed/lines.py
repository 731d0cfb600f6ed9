"""Relating two images with crossed lines and 0.5 % wrong words: processor time against the bounds promised.

The matrix library may use several threads; the processor time of all of them is counted, so that the figure
is that of one core. Imports are left out: one small pair is related first.
"""

from __future__ import annotations

import time
from collections.abc import Iterable

import numpy as np

from pipeline.lines import align, relate
from tests.kit.images import firmware_like
from tests.lines_accuracy import material, random_mapping, wrong_bits

REPEATS = 9


def best_ms(first: np.ndarray, second: np.ndarray) -> float:
    """Least processor milliseconds of a few runs."""
    times = []
    for _ in range(REPEATS):
        started = time.process_time()
        relation = relate(first, second, 8)
        times.append((time.process_time() - started) * 1000)
        assert relation.relation == "mapped"
    return min(times)


def rows() -> Iterable[tuple[str, float, float]]:
    """(name, measured over bound, 1.0)."""
    small = firmware_like(1, 256)
    relate(small, ~small, 8)
    source = max(material(None).images, key=lambda image: image.size)
    for words, bound_ms in ((1 << 16, 100.0), (1 << 19, 1500.0)):
        first = source[-words:] if source.size >= words else firmware_like(2, words)
        generator = np.random.default_rng(words)
        mapping = random_mapping(generator, words.bit_length() - 1, 8)
        second = wrong_bits(generator, mapping.apply(first), 8, words // 200)
        yield (
            f"lines of {words >> 10}Kx8 recovered, 0.5 % wrong words",
            best_ms(first, second) / bound_ms,
            1.0,
        )
    first = firmware_like(3, 1 << 16)
    started = time.process_time()
    aligned = align(first, np.delete(first, 30000))
    assert len(aligned.slips) == 1
    yield "one slip found in 64Kx8 (bound 100 ms, ours)", (time.process_time() - started) * 10, 1.0
