"""Invented images with the look of firmware, and named damages that make sure they changed something."""

from __future__ import annotations

import numpy as np

from pipeline.words import Words, words_dtype


def firmware_like(seed: int, words: int, bits: int = 8, *, blank_from: int | None = None) -> Words:
    """Code-like runs of a skewed alphabet, a table, some text, and a blank rest from `blank_from` on."""
    generator = np.random.default_rng(seed)
    alphabet = generator.permutation(256)
    chances = 1.0 / (1 + np.arange(256)) ** 0.7
    image = generator.choice(alphabet, words, p=chances / chances.sum()).astype(np.uint64)
    text = np.frombuffer(b"PRESS ANY KEY * CHECKSUM ERROR * READY. ", np.uint8)
    for start in range(0, words - 64, max(96, words // 8)):
        image[start : start + 32] = text[:32]
    table = words // 3
    image[table : table + words // 16] = np.arange(words // 16) * 3 & 0xFF
    if bits > 8:
        image |= generator.choice(alphabet, words, p=chances / chances.sum()).astype(np.uint64) << np.uint64(
            bits - 8
        )
    if blank_from is not None:
        image[blank_from:] = (1 << bits) - 1
    return (image & np.uint64((1 << bits) - 1)).astype(words_dtype(bits))


def flip_bits(words: Words, bits: int, count: int, seed: int = 1) -> Words:
    """One bit flipped in each of `count` words."""
    generator = np.random.default_rng(seed)
    spoilt = words.copy()
    places = generator.choice(words.size, count, replace=False)
    spoilt[places] ^= np.left_shift(1, generator.integers(0, bits, count).astype(np.uint64)).astype(
        words.dtype
    )
    assert np.count_nonzero(spoilt != words) == count
    return spoilt


def lose_words(words: Words, at: int, count: int = 1, *, end: int = 0) -> Words:
    """A stream of as many words with `count` lost, and the end filled up with `end`."""
    stream = np.append(np.delete(words, slice(at, at + count)), np.full(count, end, words.dtype))
    assert stream.size == words.size
    assert not np.array_equal(stream, words)
    return stream


def double_word(words: Words, at: int) -> Words:
    """A stream of as many words with one doubled, and the last one fallen off."""
    stream = np.insert(words, at, words[at])[: words.size]
    assert not np.array_equal(stream, words)
    return stream
