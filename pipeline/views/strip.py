"""An image as one line of characters.

Where it is dense, where there is text, where it is empty, where it is in doubt.

A restorer recognises a chip by its shape. One line shows it on any terminal, with plain characters where the
terminal has no others, and says the same by characters alone as others say by colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.words import block_starts

if TYPE_CHECKING:
    from schemas.record import Contested

BLOCKS: Mapping[str, str] = {
    "dense": "█",
    "code": "▙",
    "text": "▒",
    "table": "▓",
    "repeat": "▚",
    "decode": "▞",
    "fill": "░",
    "absent": "?",
    "contested": "!",
    "differs": "×",
}
PLAIN: Mapping[str, str] = {
    "dense": "#",
    "code": "C",
    "text": "T",
    "table": "/",
    "repeat": "=",
    "decode": "|",
    "fill": ".",
    "absent": "?",
    "contested": "!",
    "differs": "x",
}
Cut = tuple[str, int, int]
"""A region: its kind, its first word, and the first word after it."""
_KINDS = ("dense", "code", "text", "table", "repeat", "decode", "fill", "absent")


def _cells(total: int, cells: int, spans: Iterable[tuple[int, int]]) -> set[int]:
    """The cells that any of these half-open word ranges touches; ranges outside the image are cut."""
    out: set[int] = set()
    for start, end in spans:
        first, last = max(0, start), min(total, end)
        if first < last:
            out.update(range(first * cells // total, (last - 1) * cells // total + 1))
    return out


def contested_spans(contested: Contested | None, total_words: int) -> list[tuple[int, int]]:
    """The blocks of addresses that hold words without settlement, as half-open ranges.

    A strip has no finer cells than these blocks; a record of an earlier version has only the listed bits.

    Args:
        contested: Of the chip's record.
        total_words: Words of the image.
    """
    if not contested:
        return []
    between, within = contested.get("between"), contested.get("within")
    if between is None or within is None:
        return [(bit["address"], bit["address"] + 1) for bit in contested.get("listed", ())]
    starts = block_starts(total_words).tolist()
    counts = [a + b for a, b in zip(between, within, strict=True)]
    return [span for span, count in zip(pairwise(starts), counts, strict=True) if count]


def strip(
    total_words: int,
    regions: Sequence[Cut],
    *,
    contested: Iterable[tuple[int, int]] = (),
    differs: Iterable[tuple[int, int]] = (),
    cells: int = 64,
    blocks: bool = True,
) -> str:
    """One line for one image: each cell shows what most of its words are, doubt on top of everything.

    Args:
        total_words: Words of the image.
        regions: Kind, first word and end of each.
        contested: Half-open word ranges without settlement: a cell that touches one shows `!`.
        differs: Half-open word ranges in which readings, or two chips, differ: shown as `×` or `x`.
        cells: Characters between the two addresses; fewer where the image has fewer words.
        blocks: Block characters, or plain ASCII where False.

    Returns:
        `000 ████▒▒▒░░░░ 7FF`: the first address, the strip, the last address. An empty image gives "".

    Example:
        >>> strip(16, [("dense", 0, 8), ("fill", 8, 16)], cells=8, blocks=False)
        '0 ####.... F'
    """
    if total_words < 1 or cells < 1:
        return ""
    cells = min(cells, total_words)
    marks = BLOCKS if blocks else PLAIN
    share = [dict.fromkeys(_KINDS, 0) for _ in range(cells)]
    for named, start, end in regions:
        kind = named if named in marks else "dense"
        first, last = max(0, start), min(total_words, end)
        if first >= last:
            continue
        for cell in range(first * cells // total_words, (last - 1) * cells // total_words + 1):
            low, high = -(-cell * total_words // cells), -(-(cell + 1) * total_words // cells)
            share[cell][kind] += max(0, min(last, high) - max(first, low))
    line = [marks[max(counts, key=counts.__getitem__)] if any(counts.values()) else " " for counts in share]
    absent = [(start, end) for kind, start, end in regions if kind == "absent"]
    for name, spans in (("absent", absent), ("differs", differs), ("contested", contested)):
        for cell in _cells(total_words, cells, spans):
            line[cell] = marks[name]
    digits = len(f"{total_words - 1:X}")
    return f"{0:0{digits}X} {''.join(line)} {total_words - 1:0{digits}X}"


def legend(
    regions: Sequence[Cut],
    *,
    contested: bool = False,
    differs: bool = False,
    blocks: bool = True,
) -> str:
    """What the characters of a strip mean, those that occur in it only.

    Example:
        >>> legend([("fill", 0, 8), ("dense", 8, 16)], blocks=False)
        '# dense  . fill'
    """
    marks = BLOCKS if blocks else PLAIN
    present = {kind for kind, _, _ in regions}
    shown = [kind for kind in _KINDS if kind in present]
    shown += ["contested"] * contested + ["differs"] * differs
    return "  ".join(f"{marks[kind]} {kind}" for kind in shown)
