"""Embedded checks, judged: which schemes hold, how likely that is by chance, and what they cannot see.

A chip that carries its own check is the only witness about itself that no reader can bribe, but only where
the agreement is beyond chance and the check would have noticed what can be wrong. So every hit says how many
schemes were tried, and a check that does not care about order lifts nothing unless text and vectors fix the
order.

Source: chance of at least one match among m schemes of b bits is 1 - (1 - 2^-b)^m (definition).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.headers import promises
from pipeline.stages.content.model import Region, SelfCheck
from pipeline.stages.content.regions import regions
from pipeline.stages.content.runs import as_bytes
from pipeline.stages.content.schemes import SMALLEST, Hit, search, tried
from pipeline.stages.content.weigh import chance_of, recurring, weighed
from pipeline.words import Words

MOST_PAIRED = 8
"""In sets of more images than this the pairs are not interleaved; the sheet's spaces are, by the caller."""

_ORDER = "lines exchanged, inverted or read backwards (it does not depend on the order of the words)"
_BLIND = {
    "sum": (_ORDER, "errors that cancel: a bit gained and one lost in the same column"),
    "carry": (
        _ORDER,
        "all zeros read as all ones",
        "errors that cancel: a bit gained and one lost in the same column",
    ),
    "xor": (
        _ORDER,
        "data lines exchanged",
        "a data line inverted",
        "two equal errors in one column",
        "a dead address line (every word then stands twice)",
    ),
    "crc": ("a damaged image that was stored with a check of its own",),
}


def _informative(parts: Sequence[Region]) -> int:
    """Words that carry something: fills, repeats, tables and select patterns are left out."""
    return sum(part.end - part.start for part in parts if part.kind in {"dense", "text"})


def _trivial(hit: Hit, data: NDArray[np.uint8]) -> bool:
    """Whether the scheme holds by the content's form.

    Every value an even number of times, or a spare column.
    """
    if hit.family != "xor":
        return False
    if bool((np.bincount(data, minlength=256) % 2 == 0).all()):
        return True
    spread = int(np.bitwise_or.reduce(data)) ^ int(np.bitwise_and.reduce(data))
    return spread.bit_count() < 8


def _words_of(span: tuple[int, int], unit: int) -> tuple[int, int]:
    """A range of bytes as a range of words."""
    return span[0] // unit, -(-span[1] // unit)


class _Row(NamedTuple):
    """Images laid one behind the other (or interleaved) as one row of bytes.

    Attributes:
        names: The images.
        data: The bytes.
        unit: Bytes a word, counted over all interleaved images.
        how: What was done, for the name of a method; "" for an image as it stands.
        live: Bytes from this one on are fill: what a check leaves out there does not matter.
        whole_size: Bytes of the images, where the row leaves a trailing fill out.
    """

    names: tuple[str, ...]
    data: NDArray[np.uint8]
    unit: int
    how: str
    live: int
    whole_size: int

    def located(self, span: tuple[int, int]) -> tuple[str, int, int]:
        """Where a range of bytes lies: image, first word, end. A joined set is named by its images."""
        start, end = _words_of(span, self.unit)
        return "+".join(self.names), start, end


def _single(name: str, words: Words, bits: int, cut: Sequence[Region]) -> list[_Row]:
    """An image as it stands, and without its trailing fill where it has one."""
    data, unit = np.ascontiguousarray(as_bytes(words, bits)), max(1, bits // 8)
    last = cut[-1]
    live = last.start * unit if last.kind == "fill" and last.detail.get("period") == 1 else len(data)
    out = [_Row((name,), data, unit, "", live, len(data))]
    if SMALLEST <= live < len(data):
        out.append(_Row((name,), data[:live], unit, "before the trailing fill", live, len(data)))
    return out


def _joined(rows: Sequence[_Row]) -> list[_Row]:
    """Sets of images: all in a row, and neighbours of equal size interleaved with either one first."""
    names = tuple(name for row in rows for name in row.names)
    data = np.concatenate([row.data for row in rows])
    out = [_Row(names, data, rows[0].unit, "one after the other", len(data), len(data))]
    if len(rows) <= MOST_PAIRED:
        for first, second in pairwise(rows):
            if len(first.data) == len(second.data) and first.unit == 1:
                for one, other in ((first, second), (second, first)):
                    pair = np.ascontiguousarray(np.stack([one.data, other.data], axis=1).reshape(-1))
                    out.append(_Row((*one.names, *other.names), pair, 2, "interleaved", len(pair), len(pair)))
    return out


def _made(row: _Row, hit: Hit, schemes: Mapping[int, int]) -> SelfCheck:
    """A hit as a check, before it is asked whether it lifts anything."""
    chance, strong = chance_of(hit.bits, schemes)
    spans = sorted([*hit.covers, *([hit.stored] if hit.stored else [])])
    whole = spans[0][0] == 0 and spans[-1][1] >= row.live and all(a[1] >= b[0] for a, b in pairwise(spans))
    blind = list(_BLIND[hit.family])
    if hit.unit > 1 and len(row.names) == 1 and hit.unit > row.unit:
        blind[0] = _ORDER.replace("lines", f"lines above A{(hit.unit // row.unit).bit_length() - 2}")
    if spans[-1][1] < row.whole_size:
        blind.append("the words behind those it covers" if not whole else "the trailing fill")
    return SelfCheck(
        method=f"{hit.method}, {row.how}" if row.how else hit.method,
        images=row.names,
        covers=tuple(_words_of(span, row.unit) for span in hit.covers),
        stored_at=row.located(hit.stored) if hit.stored else None,
        value=hit.value,
        holds=True,
        width_bits=hit.bits,
        chance=float(f"{chance:.3g}"),
        tried=sum(schemes.values()),
        tried_as_strong=strong,
        blind_to=tuple(blind),
        order_blind=hit.family != "crc",
        whole=whole,
        lifts=False,
        why="",
    )


def _header_checks(row: _Row) -> list[SelfCheck]:
    """Checks that a header names itself: where it covers, where it is stored, by which method.

    One promise is one trial, so that chance is that of its width alone; a header is not found by searching.
    """
    out = []
    for one in promises(row.data):
        chance = 2.0**-one.bits
        out.append(
            SelfCheck(
                method=one.method,
                images=row.names,
                covers=(_words_of(one.covers, row.unit),),
                stored_at=row.located(one.stored) if one.stored else None,
                value=one.value,
                holds=one.holds,
                width_bits=one.bits,
                chance=chance,
                tried=1,
                tried_as_strong=1,
                blind_to=(
                    *_BLIND[one.family],
                    *(() if one.covers[1] == len(row.data) else ("what lies outside the stated length",)),
                ),
                order_blind=one.family != "crc",
                whole=one.covers[0] == 0 and one.covers[1] >= row.live,
                lifts=False,
                why=one.why
                if not one.holds
                else f"the header names this one check; chance alone does this in {chance:.2g} of images",
            )
        )
    return out


def self_checks(
    images: Mapping[str, Words],
    bits: int,
    *,
    parts: Mapping[str, Sequence[Region]] | None = None,
    sets: bool = True,
) -> tuple[SelfCheck, ...]:
    """Every embedded check that holds on an image or on the set, and those that a header promises in vain.

    Args:
        images: The words of each image by its name, in the order of the sheet: chips of a board, or one
            space.
        bits: Bits a word; a multiple of 8. Narrower chips carry a check only as a set: give their joined
            space.
        parts: The regions of each image where they are known already.
        sets: Also try all images in a row and neighbours interleaved.

    Returns:
        By image, strongest first. Images in which fewer than 32 words carry anything are left out: blank
        blocks never count. Nothing is raised.
    """
    if bits % 8:
        return ()
    known = dict(parts or {})
    usable: dict[str, list[_Row]] = {}
    for name, words in images.items():
        cut = known.get(name)
        if cut is None:
            cut = regions(words, bits, erased_state=None, part=None)
        if _informative(cut) * (bits // 8) >= SMALLEST:
            usable[name] = _single(name, words, bits, cut)
    schemes = {name: _counted(rows) for name, rows in usable.items()}
    out = [check for name, rows in usable.items() for check in _on_one(rows, schemes[name])]
    if len(usable) > 1 and sets:
        out += _on_sets([rows[0] for rows in usable.values()], schemes, out)
    judged = [weighed(check, images, bits) for check in out]
    return tuple(judged) if len(images) == 1 else recurring(judged, schemes, images, bits)


def schemes_tried(words: Words, bits: int, cut: Sequence[Region]) -> dict[int, int]:
    """How many schemes `self_checks` tries on one image, by width.

    What `recurring` wants to know of each chip.

    Args:
        words: Shape (n,).
        bits: Bits a word.
        cut: Its regions.

    Returns:
        Empty where the image carries too little for any check.
    """
    if bits % 8 or not cut or _informative(cut) * (bits // 8) < SMALLEST:
        return {}
    return _counted(_single("", words, bits, cut))


def _summed(counts: Sequence[Mapping[int, int]]) -> dict[int, int]:
    out: dict[int, int] = defaultdict(int)
    for one in counts:
        for width, count in one.items():
            out[width] += count
    return dict(out)


def _counted(rows: Sequence[_Row]) -> dict[int, int]:
    """Schemes that are tried on one image, with and without its trailing fill."""
    return _summed([tried(len(row.data)) for row in rows])


def _on_one(rows: Sequence[_Row], schemes: Mapping[int, int]) -> list[SelfCheck]:
    """Checks of one image: what its header promises, and the schemes that hold."""
    promised = _header_checks(rows[0])
    out = list(promised)
    whole_sum = any(one.holds and one.whole and one.width_bits == 8 for one in promised)
    for row in rows:
        for hit in search(row.data, row.live):
            if _trivial(hit, row.data) or (whole_sum and hit.method == "sum8, all bytes = 00"):
                continue
            check = _made(row, hit, schemes)
            same = hit.stored is None and any(
                one.method == hit.method and one.value == hit.value for one in out
            )
            if not same:
                out.append(check)
    return out


def _on_sets(
    rows: Sequence[_Row], schemes: Mapping[str, Mapping[int, int]], single: Sequence[SelfCheck]
) -> list[SelfCheck]:
    """Checks of all sets of some images, every scheme that was tried on the images counted."""
    joined = _joined(rows)
    everything = _summed([*schemes.values(), *(tried(len(row.data)) for row in joined)])
    return [check for row in joined for check in _on_set(row, everything, single)]


def set_checks(
    images: Mapping[str, Words], bits: int, single: Sequence[SelfCheck] = ()
) -> tuple[SelfCheck, ...]:
    """Checks over a set of images alone: all in a row, and neighbours interleaved.

    What the single ones hold is left out.

    For boards whose chips were searched one by one in worker processes.

    Args:
        images: The words of each chip of a board, in the order of the sheet.
        bits: Bits a word; a multiple of 8.
        single: The checks found on the single chips.

    Returns:
        Strongest first within each set. Nothing is raised.
    """
    if bits % 8:
        return ()
    rows, schemes = [], {}
    for name, words in images.items():
        cut = regions(words, bits, erased_state=None, part=None)
        if _informative(cut) * (bits // 8) >= SMALLEST:
            mine = _single(name, words, bits, cut)
            rows.append(mine[0])
            schemes[name] = _counted(mine)
    if len(rows) < 2:
        return ()
    return tuple(weighed(check, images, bits) for check in _on_sets(rows, schemes, single))


def _on_set(row: _Row, schemes: Mapping[int, int], single: Sequence[SelfCheck]) -> list[SelfCheck]:
    """Checks of a set, but for those that follow from its members: sums that hold on each of them."""
    held: dict[str, set[str]] = defaultdict(set)
    for check in single:
        held[check.method] |= set(check.images)
    out = []
    for hit in search(row.data):
        follows = hit.stored is None and hit.unit == 1 and set(row.names) <= held[hit.method]
        again = (
            row.how == "interleaved" and hit.stored is None and hit.unit == 1 and row.names[0] > row.names[1]
        )
        if not (follows or again or _trivial(hit, row.data)):
            out.append(_made(row, hit, schemes))
    return out
