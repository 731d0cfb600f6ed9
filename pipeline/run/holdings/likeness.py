"""Chips of an index that are like an image: the same, near, permuted, a half of it or it a half of them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.holdings.questions import BY_NUMBER, SAMPLES, like
from pipeline.holdings.rows import Facts
from pipeline.twins.signature import differing_places, image_signature, most_differing
from pipeline.words import Words, word_bytes


class Like(NamedTuple):
    """A chip that is like an image.

    Attributes:
        how: `same`, `near`, `lines`, `half` (it holds the image's half) or `holds` (the image is its half).
        chip: Its row.
        share: Estimated share of words that differ; 0 but for `near`.
    """

    how: str
    chip: Facts
    share: float = 0.0


def like_image(index: HoldingsIndex, words: Words, bits: int) -> list[Like]:
    """Every chip of the index that is like an image, each once, by its nearest likeness.

    Args:
        index: Open.
        words: Shape (words,).
        bits: Of a word.
    """
    out: dict[object, Like] = {}
    for one in _found(index, words, bits):
        out.setdefault(one.chip["id"], one)
    return list(out.values())


def _found(index: HoldingsIndex, words: Words, bits: int) -> Iterator[Like]:
    signed = image_signature(words, bits)
    digest = hashlib.sha256(word_bytes(words, bits)).hexdigest()
    values = {"sha256": digest, "shape": signed.shape, "low": signed.halves[0], "high": signed.halves[1]}
    for how, what in (("same", "sha256"), ("lines", "shape"), ("half", "halves"), ("holds", "whole")):
        if how == "lines":
            yield from near_image(index, signed.sample, len(words), bits)
        yield from (Like(how, row) for row in index.ask(like(what), _named(like(what), values)))


def _named(question: str, values: dict[str, str]) -> dict[str, str]:
    return {name: value for name, value in values.items() if f":{name}" in question}


def near_image(index: HoldingsIndex, sample: bytes, words: int, bits: int) -> list[Like]:
    """Chips of the same size whose sample differs in few places, nearest first.

    Args:
        index: Open.
        sample: Of the image; b"" where it has none, and then nothing is near it.
        words: How many the image has.
        bits: Of a word.
    """
    if not sample:
        return []
    held = index.ask(SAMPLES, {"words": words, "bits": bits})
    fitting = [(one["id"], one["sample"]) for one in held]
    kept = [(number, raw) for number, raw in fitting if isinstance(raw, bytes) and len(raw) == len(sample)]
    if not kept:
        return []
    many = np.frombuffer(b"".join(raw for _, raw in kept), np.uint8).reshape(len(kept), len(sample))
    differing = differing_places(sample, many)
    near = np.flatnonzero(differing <= most_differing(words))
    shares = {kept[at][0]: float(differing[at]) / len(sample) for at in near.tolist()}
    rows = index.ask(BY_NUMBER, {"numbers": json.dumps(list(shares))})
    found = [Like("near", row, shares[row["id"]]) for row in rows]
    return sorted(found, key=lambda one: one.share)
