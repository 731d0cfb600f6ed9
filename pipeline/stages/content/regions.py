"""Regions: the image cut into stretches of one nature, each with its bounds and one line to show.

Owners cannot tell design from decay in a page of hex. A strip that says "program, then text, then nothing"
can be held against what is known about the machine, and tells every other check which words carry anything.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import advise
from pipeline.in_step import InSteps, by_itself
from pipeline.stages.content.fills import CANNOT_TELL, Fill, find_fills, judge
from pipeline.stages.content.model import Region, RegionKind, SelfCheck
from pipeline.stages.content.runs import entropy_bits, hex_words, looked_up, runs
from pipeline.stages.content.text import HALF_FIT, texts
from pipeline.words import Words, distinct, true_ranges

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import RegionDetail

FUSE_BITS = 1
"""Words of one bit are the fuses of a logic device: no text, table or fill is read into them."""
_CHANCE = 1e-3
"""A stretch is named where bytes without meaning show such a one in fewer than one image in a thousand."""
_BLOCK = 64
_SMALLEST = 4
_CURVE_FIT = 0.25


class _FoundRegion(NamedTuple):
    kind: RegionKind
    start: int
    end: int
    detail: RegionDetail


def run_length(total: int, share: float) -> int:
    """How long a run must be so that it turns up by chance in at most one of a thousand images.

    Args:
        total: Words in the image.
        share: Chance that one word without meaning belongs to such a run.

    Example:
        >>> run_length(2048, 1 / 256)
        3
    """
    return max(1, math.ceil((math.log(total) - math.log(_CHANCE)) / -math.log(share)))


def _is_power(words: Words) -> NDArray[np.bool_]:
    """True where at most one bit is set."""
    return np.asarray((words & (words - words.dtype.type(1))) == 0, dtype=np.bool_)


_POWER = _is_power(np.arange(256, dtype=np.uint16)).tobytes()


def _decode(words: Words, bits: int) -> list[_FoundRegion]:
    """Runs of words with one line low (or one high) and the rest the same: the outputs of a select PROM."""
    if not 3 <= bits <= 16:
        return []
    top = (1 << bits) - 1
    least = max(16 if len(words) >= 256 else 6, run_length(len(words), (bits + 1) / (1 << bits)))
    if least > len(words):
        return []
    out = []
    for name, probe, idle in (("one low", words ^ words.dtype.type(top), 0), ("one high", words, 0)):
        single = looked_up(probe.tobytes(), _POWER).view(np.bool_) if bits <= 8 else _is_power(probe)
        for start, end in runs(single, least):
            active = int(np.count_nonzero(probe[start:end]))
            if active * 2 < end - start:
                continue
            values = np.flatnonzero(np.bincount(probe[start:end]))
            lines = sorted(int(value).bit_length() - 1 for value in values if value != idle)
            if len(lines) >= 3:
                detail: RegionDetail = {
                    "pattern": name,
                    "lines": [f"D{line}" for line in lines],
                    "active_words": active,
                }
                out.append(_FoundRegion("decode", start, end, detail))
    return out


def _shape(stretch: Words) -> str:
    """Whether a smooth stretch mirrors itself, as a sine or a quarter wave does."""
    signed = stretch.astype(np.int64)
    if bool((signed == signed[::-1]).all()):
        return "smooth, symmetric"
    total = signed + signed[::-1]
    return "smooth, point-symmetric" if int(total.max() - total.min()) <= 1 else "smooth"


def _tables(words: Words, bits: int) -> list[_FoundRegion]:
    """Ascending words and smooth curves; on bytes also ascending 16-bit words in either order."""
    total = len(words)
    if bits < 4 or total < 16:
        return []
    signed: NDArray[np.signedinteger[Any]] = words.astype(np.int64 if bits > 15 else np.int16)
    step = signed[1:] - signed[:-1]
    rising = (step > 0) & (step <= max(1, (1 << bits) // 16))
    out = [
        _FoundRegion("table", start, last + 1, {"shape": "ascending"})
        for start, last in runs(rising, max(10, run_length(total, 1 / 16)) - 1)
    ]
    if bits == 8 and _may_point(words):
        out += _pointer_tables(words)
    return out + _curves(words, bits, step)


def _curves(words: Words, bits: int, step: NDArray[np.signedinteger[Any]]) -> list[_FoundRegion]:
    """Smooth stretches of eight different words or more that do not change direction at every turn."""
    near = max(1, (1 << bits) // 32)
    least = max(16, run_length(len(words), (2 * near + 1) / (1 << bits)))
    small = (step >= -near) & (step <= near)
    out = []
    for start, last in runs(small, least - 1):
        stretch, moves = words[start : last + 1], step[start:last]
        if distinct(stretch) < 8:
            continue
        turns = int(np.count_nonzero(np.diff(np.sign(moves[moves != 0]))))
        if turns * 6 <= len(stretch):
            down = bool((moves <= 0).all())
            shape = "ascending" if bool((moves >= 0).all()) else "descending" if down else _shape(stretch)
            out.append(_FoundRegion("table", start, last + 1, {"shape": shape}))
    return out


def _may_point(words: Words) -> bool:
    """False only where `_pointer_tables` finds none.

    Seven times in a row every second byte grows by 2 at most, and it or the byte beside it has changed.
    """
    by = words[2:] - words[:-2]
    near = by <= 2
    row = (near[1:] | near[:-1]) & ((by[1:] | by[:-1]) != 0)
    for further in (2, 4, 6):
        row = row[further:] & row[:-further]
    return bool(row.any())


def _pointer_tables(words: Words) -> list[_FoundRegion]:
    """Eight or more ascending 16-bit words in a row, high or low byte first, at even or odd addresses."""
    out: list[_FoundRegion] = []
    wide = words.astype(np.int32)
    for order, high, low in (
        ("high byte first", wide[:-1], wide[1:]),
        ("low byte first", wide[1:], wide[:-1]),
    ):
        value = (high << 8) | low
        step = value[2:] - value[:-2]
        good = (step > 0) & (step <= 512)
        for phase in (0, 1):
            mask = np.ascontiguousarray(good[phase::2])
            for first, last in runs(mask, 7):
                start, end = phase + 2 * first, phase + 2 * last + 2
                if (high[start:end:2] != high[start]).any():
                    detail: RegionDetail = {"shape": "ascending 16-bit words", "byte_order": order}
                    out.append(_FoundRegion("table", start, end, detail))
    return out


def _repeats(words: Words, flat: NDArray[np.bool_]) -> list[_FoundRegion]:
    """Aligned blocks of 64 words that stand earlier in the image word for word; neighbours are joined."""
    total = len(words)
    size = _BLOCK if total >= 2 * _BLOCK else max(8, total // 4)
    if total < 2 * size:
        return []
    seen: dict[bytes, int] = {}
    out: list[_FoundRegion] = []
    raw, width = words.tobytes(), words.dtype.itemsize
    for start in range(0, total - size + 1, size):
        block = raw[start * width : (start + size) * width]
        first = seen.setdefault(block, start)
        if first == start or bool(flat[start : start + size].all()):
            continue
        before = out[-1] if out else None
        if before is not None and before.end == start and start - first == before.start - before.detail["of"]:
            out[-1] = before._replace(end=start + size)
        else:
            out.append(_FoundRegion("repeat", start, start + size, {"of": first}))
    return out


def _paint(total: int, found: list[_FoundRegion]) -> list[_FoundRegion]:
    """Cut the image: later entries lie on top of earlier ones.

    What an overlap leaves of a find in scraps of under four words becomes dense; a single word that breaks a
    fill stays visible, because it may be the one cell that has faded.
    """
    owner = np.full(total, -1, dtype=np.int32)
    for index, one in enumerate(found):
        owner[one.start : one.end] = index
    for start, end in pairwise(_edges(owner)):
        index = int(owner[start])
        if index >= 0 and end - start < _SMALLEST < found[index].end - found[index].start:
            owner[start:end] = -1
    out = []
    for start, end in pairwise(_edges(owner)):
        index = int(owner[start])
        one = found[index] if index >= 0 else _FoundRegion("dense", start, end, {})
        out.append(_FoundRegion(one.kind, start, end, one.detail.copy()))
    return out


def _edges(owner: NDArray[np.int32]) -> list[int]:
    """Where another owner begins, from 0 to the end."""
    return [0, *((owner[1:] != owner[:-1]).nonzero()[0] + 1).tolist(), len(owner)]


def _described(one: _FoundRegion, words: Words, bits: int) -> Region:
    """The region with its preview and the numbers of its kind."""
    detail, stretch = one.detail, words[one.start : one.end]
    if one.kind == "fill":
        shown = detail.get("word") or " ".join(detail["pattern"])
        detail["preview"] = f"{shown} × {one.end - one.start}"
    elif one.kind == "repeat":
        detail["preview"] = f"as at 0x{detail['of']:X}"
    elif one.kind == "decode":
        detail["preview"] = f"{detail['pattern']}: {hex_words(stretch, bits)}"
    elif one.kind == "table":
        detail["preview"] = f"{detail['shape']}: {hex_words(stretch, bits)}"
    elif one.kind == "dense":
        detail["preview"] = hex_words(stretch, bits)
        detail["entropy_bits"] = round(entropy_bits(stretch), 2)
    return Region(one.kind, one.start, one.end, detail)


def regions(
    words: Words,
    bits: int,
    *,
    erased_state: int | None,
    part: Part | None,
    known: NDArray[np.bool_] | None = None,
) -> tuple[Region, ...]:
    """As `find_regions`, of one image by itself."""
    return by_itself(find_regions(words, bits, erased_state=erased_state, part=part, known=known))


def find_regions(
    words: Words,
    bits: int,
    *,
    erased_state: int | None,
    part: Part | None,
    known: NDArray[np.bool_] | None = None,
) -> InSteps[tuple[Region, ...]]:
    """The image cut into regions that cover it exactly, in order of address.

    Args:
        words: Shape (n,), the settled image.
        bits: Bits a word.
        erased_state: Level of an unprogrammed cell of this very marking, or None.
        part: Catalogue entry where known; its kind of cell decides what a fill can mean.
        known: Where words were read, shape (n,); None where all were. What stands elsewhere is not looked at.

    Returns:
        At least one region for an image of at least one word; nothing is raised.
    """
    if known is None or known.all():
        return (yield from _cut(words, bits, erased_state, part))
    out = [Region("absent", start, end, {"preview": "not read"}) for start, end in true_ranges(~known)]
    for start, end in true_ranges(known):
        own = yield from _cut(words[start:end], bits, erased_state, part)
        out += [_beside_absent(one, start, words, bits, known, erased_state, part) for one in own]
    return tuple(sorted(out, key=lambda one: one.start))


def _beside_absent(
    one: Region,
    by: int,
    words: Words,
    bits: int,
    known: NDArray[np.bool_],
    erased_state: int | None,
    part: Part | None,
) -> Region:
    """A region of a stretch that was read, put where it lies; a fill is judged where it lies in the whole.

    Args:
        one: As it was found in the stretch.
        by: Where the stretch begins.
        words: The whole image.
        bits: Bits a word.
        known: Where words were read.
        erased_state: As `regions` has it.
        part: Catalogue entry, where known.
    """
    start, end, detail = one.start + by, one.end + by, one.detail.copy()
    if one.kind == "repeat":
        detail["of"] += by
        detail["preview"] = f"as at 0x{detail['of']:X}"
    if one.kind == "fill":
        fill = Fill(start, end, detail["period"])
        preview = detail["preview"]
        detail = judge(fill, words, bits, erased_state=erased_state, part=part)
        detail["preview"] = preview
        if not known[max(start - 1, 0)] or not known[min(end, len(words) - 1)]:
            detail["means"], detail["why"] = (
                CANNOT_TELL,
                "words beside it were not read, so its bounds are not known",
            )
            detail["decides"] = advise("count-words")
    return Region(one.kind, start, end, detail)


def _cut(words: Words, bits: int, erased_state: int | None, part: Part | None) -> InSteps[tuple[Region, ...]]:
    """Words that were all read, cut into regions."""
    total = len(words)
    if total == 0:
        return ()
    if bits == FUSE_BITS:
        return (_described(_FoundRegion("dense", 0, total, {}), words, bits),)
    fills = find_fills(words)
    flat = np.zeros(total, dtype=bool)
    for fill in fills:
        flat[fill.start : fill.end] = True
    filled = [
        _FoundRegion("fill", f.start, f.end, judge(f, words, bits, erased_state=erased_state, part=part))
        for f in reversed(fills)
    ]
    if bool(flat.all()) and len(fills) == 1 and fills[0].period <= 2:
        return (_described(filled[0], words, bits),)
    yield
    written = _text_regions(words, bits)
    yield
    selects = _decode(words, bits)
    yield
    found = [one for one in written if not _reads(one)] + _tables(words, bits)
    found += [one for one in written if _reads(one)]
    yield
    found += _repeats(words, flat)
    found += [one for one in filled if one.detail["period"] > 2 or _active(one, bits)]
    found += selects
    found += [one for one in filled if one.detail["period"] <= 2 and not (selects and _active(one, bits))]
    yield
    painted = _paint(total, found)
    yield
    return tuple(_described(one, words, bits) for one in painted)


def _reads(one: _FoundRegion) -> bool:
    """Whether a text reads as one: a curve that passes through the letters does not."""
    return bool(one.detail.get("pair_fit", 1.0) >= _CURVE_FIT)


def _active(one: _FoundRegion, bits: int) -> bool:
    """Whether a fill repeats a word with one line low or high, as select PROMs over don't-care inputs do."""
    if one.detail["period"] != 1:
        return False
    ones = int(one.detail["word"], 16).bit_count()
    return ones in {1, bits - 1}


def with_sisters(
    found: tuple[Region, ...], sisters: tuple[str, ...], checks: Sequence[SelfCheck] = ()
) -> tuple[Region, ...]:
    """The regions with what speaks for the longest constant fill from outside.

    Sister chips, and embedded checks.

    Args:
        found: As `regions` gives them.
        sisters: As `shared_fills` gives them for this chip; empty where no other chip shares the stretch.
        checks: Embedded checks of this chip alone.

    Returns:
        The same regions in the same order, `shared_with` and `checked_by` added to that fill.
    """
    fills = [one for one in found if one.kind == "fill" and one.detail.get("period") == 1]
    if not fills:
        return found
    longest = max(fills, key=lambda one: one.end - one.start)
    covering = [
        check.method
        for check in checks
        if check.beyond_chance and any(a <= longest.start and longest.end <= b for a, b in check.covers)
    ]
    detail = longest.detail | {"shared_with": list(sisters), "checked_by": covering}
    if sisters:
        detail["why"] += told_by_sisters(sisters)
    if covering:
        detail["why"] += f". {covering[0]} holds over it: it reads as it did when the check was made"
    marked = Region(longest.kind, longest.start, longest.end, detail)
    return tuple(marked if one is longest else one for one in found)


def told_by_sisters(sisters: Sequence[str]) -> str:
    """The end of a fill's ground: that chips of the same board are filled in the same place."""
    named = " and ".join([", ".join(sisters[:3][:-1]), sisters[:3][-1]]) if len(sisters) > 1 else sisters[0]
    return f". {named} of the same board {'are' if len(sisters) > 1 else 'is'} filled in the same place"


def _text_regions(words: Words, bits: int) -> list[_FoundRegion]:
    out = []
    for text in texts(words, bits):
        detail: RegionDetail = {
            "text": text.kind,
            "letters": text.letters,
            "chance": float(f"{text.chance:.2g}"),
            "preview": text.shown,
        }
        if text.packing:
            detail["packing"] = text.packing
        if text.fit is not None:
            detail["pair_fit"] = round(text.fit, 2)
            if text.fit < HALF_FIT and text.letters >= 60:
                detail["split"] = (
                    "Letters without their neighbours: perhaps every second letter of a pair of chips"
                )
        out.append(_FoundRegion("text", text.start, text.end, detail))
    return out
