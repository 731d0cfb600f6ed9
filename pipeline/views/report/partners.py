"""Partner maps: what each address line does.

A square an address line. Each of its dots is a pair of words whose addresses differ in this line alone, the
lowest address first; it has ink where the two words differ. A dead line's square is blank, and of two joined
lines half of each square is.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from pipeline.views.report import wording
from pipeline.views.report.activity import Line, comparable, lines_of, tenths
from pipeline.views.report.frame import INK, WHITE, hatching
from pipeline.views.report.image import Bits, ChipWords
from pipeline.views.report.png import data_uri, dots_png

if TYPE_CHECKING:
    from schemas.recorded_sheet import PartRecord

A_ROW = 6
"""Squares side by side."""
SIDE = 64
GAP = 10
BENEATH = 30
MOST_DOTS = 64
"""Dots of a square's side drawn one by one; squares of larger chips are averaged."""
AVERAGED_DOTS = 32
"""Dots of an averaged square's side: each takes four bits."""
GATHERED_WORDS = 4096
"""Up to here all lines are compared in one go; the index tables of larger chips cost more than they save."""


class Partners(NamedTuple):
    """What every address line does.

    Attributes:
        lines: A0 first; the share is that of the pairs whose words differ, among those read.
        dots: Shape (lines, down, across): 0 or 1, or levels of 0 to 15.
        levels: Whether dots are levels.
        unread: The same shape for pairs that were not read, or lie beyond the chip; None where all were.
    """

    lines: tuple[Line, ...]
    dots: Bits
    levels: bool
    unread: Bits | None


def partners_of(content: ChipWords, part: PartRecord | None) -> Partners | None:
    """What each address line does; None where the chip has one word only.

    Args:
        content: The image.
        part: Its catalogue entry, for the pins.
    """
    count = content.organisation.address_bits
    words = comparable(content)
    if count < 1 or len(words) < 2:
        return None
    full = len(words) == 1 << count
    if content.known is None and full:
        differing, there = _differing(words, count), None
        counts = np.add.reduce(differing.view(np.uint8), axis=1, dtype=np.uint32)
        shares = (counts / differing.shape[1]).tolist()
    else:
        padded = np.zeros(1 << count, words.dtype)
        padded[: len(words)] = words
        read = np.zeros(1 << count, np.bool_)
        read[: len(words)] = True if content.known is None else content.known
        low, high = _pairs(count)
        there = read[low] & read[high]
        differing = (padded[low] != padded[high]) & there
        pairs = there.sum(axis=1)
        shares = np.where(pairs, differing.sum(axis=1) / np.maximum(pairs, 1), 0.0).tolist()
    lines = tuple(lines_of("A", shares, part))
    dots, levels = _squares(differing, there)
    return Partners(lines, dots, levels, None if there is None else _unread_squares(there, levels=levels))


def _differing(words: Any, count: int) -> NDArray[np.bool_]:
    """Shape (lines, words / 2): whether the two words of each pair differ."""
    if len(words) <= GATHERED_WORDS:
        low, high = _pairs(count)
        # Every index lies inside; told to clip, numpy does not look, and gathers in a fifth of the time.
        gathered: NDArray[np.bool_] = words.take(low, mode="clip") != words.take(high, mode="clip")
        return gathered
    out = np.empty((count, len(words) // 2), np.bool_)
    for line in range(count):
        pairs = words.reshape(-1, 2, 1 << line)
        out[line] = (pairs[:, 0] != pairs[:, 1]).reshape(-1)
    return out


@lru_cache(maxsize=16)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Shape (lines, words / 2) twice: for each line the addresses without it, and the same with it."""
    every = np.arange(1 << count)
    low = np.stack([every[(every >> line & 1) == 0] for line in range(count)])
    return low, low | (1 << np.arange(count))[:, None]


def _shape(pairs: int) -> tuple[int, int]:
    """Dots down and across of a square of so many pairs, a power of two."""
    power = pairs.bit_length() - 1
    return 1 << power // 2, 1 << power - power // 2


def _squares(differing: NDArray[np.bool_], there: NDArray[np.bool_] | None) -> tuple[Bits, bool]:
    down, across = _shape(differing.shape[1])
    squares = differing.reshape(-1, down, across)
    if across <= MOST_DOTS:
        return squares.view(np.uint8), False
    total, read = _pooled(squares), None if there is None else _pooled(there.reshape(squares.shape))
    a_dot = squares.size // total.size
    return np.rint(total * 15 / (a_dot if read is None else np.maximum(read, 1))).astype(np.uint8), True


def _pooled(squares: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The sums over equal stretches of each square, `AVERAGED_DOTS` down and across at the most."""
    count, down, across = squares.shape
    rows, columns = min(down, AVERAGED_DOTS), min(across, AVERAGED_DOTS)
    cut = squares.reshape(count, rows, down // rows, columns, across // columns)
    total: NDArray[np.int64] = cut.sum(axis=(2, 4), dtype=np.int64)
    return total


def _unread_squares(there: NDArray[np.bool_], *, levels: bool) -> Bits:
    squares = ~there.reshape(len(there), *_shape(there.shape[1]))
    if not levels:
        return squares.view(np.uint8)
    total = _pooled(squares)
    return (total * 15 // (squares.size // total.size)).astype(np.uint8)


def partners_svg(partners: Partners, *, label: str, name: str) -> Markup:
    """The squares with the name, the pin and the share of each line beneath.

    Args:
        partners: What each line does.
        label: What the picture shows.
        name: The only one of this name on the page.
    """
    count = len(partners.lines)
    across = min(count, A_ROW)
    rows = -(-count // A_ROW)
    step = _step_of(partners.dots.shape[2])
    width, height = across * step, rows * (SIDE + BENEATH)
    drawn = "".join(_square_row(partners, row, name) for row in range(rows))
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="partners" role="img" aria-label="{escape(label)}" width="{width:.5g}" '
        f'height="{height}" viewBox="0 0 {width:.5g} {height}">{drawn}{_captions(partners.lines, step)}</svg>'
    )


def _square_row(partners: Partners, row: int, name: str) -> str:
    """A row of squares as one picture, the gap between them a part of it."""
    dots = partners.dots[row * A_ROW : (row + 1) * A_ROW]
    image = _row_image(dots, row, "bits", levels=partners.levels)
    if partners.unread is None:
        return image
    unread = _row_image(partners.unread[row * A_ROW : (row + 1) * A_ROW], row, "", levels=partners.levels)
    wide = len(dots) * _step_of(dots.shape[2])
    place = f'x="0" y="{row * (SIDE + BENEATH)}" width="{wide:.5g}" height="{SIDE}"'
    return image + hatching(
        f"{name}-{row}", unread, place, "a word of these pairs was not read, or lies beyond the chip"
    )


def _row_image(dots: Bits, row: int, name: str, *, levels: bool) -> str:
    count, down, across = dots.shape
    sheet = np.zeros((down, count, across + _gap_of(across)), np.uint8)
    sheet[:, :, :across] = dots.swapaxes(0, 1)
    wide = count * _step_of(across)
    png = dots_png(sheet.reshape(down, -1), INK if name else WHITE, levels=levels)
    return (
        f'<image class="{name or "unread-dots"} px" y="{row * (SIDE + BENEATH)}" width="{wide:.5g}" '
        f'height="{SIDE}" preserveAspectRatio="none" href="{data_uri(png)}"/>'
    )


@lru_cache(maxsize=16)
def _gap_of(across: int) -> int:
    """Dots between two squares."""
    return max(1, round(across * GAP / SIDE))


@lru_cache(maxsize=16)
def _step_of(across: int) -> float:
    """Display units from one square to the next."""
    return SIDE * (across + _gap_of(across)) / across


@lru_cache(maxsize=64)
def _places(called: tuple[str, ...], step: float) -> tuple[tuple[str, str, str], ...]:
    """Of each square its box, its name, and where its share stands; what chips of one part share."""
    out = []
    for place, name in enumerate(called):
        x, y = f"{place % A_ROW * step:.5g}", place // A_ROW * (SIDE + BENEATH)
        out.append(
            (
                f'<path class="box" d="M{x} {y}h{SIDE}v{SIDE}h-{SIDE}z"><title>{name}: ',
                (
                    f' of the pairs differ</title></path><text x="{x}" y="{y + SIDE + 11}">{name}</text>'
                    f'<text x="{x}" y="{y + SIDE + 22}">'
                ),
                "</text></g>",
            )
        )
    return tuple(out)


def _captions(lines: Sequence[Line], step: float) -> str:
    """Under each square its line, its pin and the part of the pairs that differ."""
    called = tuple(f"{line.name} pin {line.pin}" if line.pin is not None else line.name for line in lines)
    return "".join(
        f"{'<g>' if line.share else _STILL}{before}{tenths(line.share)}{between}"
        f"{_whole(line.share) if line.share else 'none'}{behind}"
        for line, (before, between, behind) in zip(lines, _places(called, step), strict=True)
    )


@lru_cache(maxsize=4096)
def _whole(share: float) -> str:
    return f"{share:.0%}"


_STILL = '<g class="still">'


def partners_words(lines: Sequence[Line]) -> str:
    """The squares as a sentence."""
    idle = [line.name for line in lines if line.share == 0]
    start = (
        "A square an address line: ink where the word with the line low differs from the one with it high; "
    )
    if idle:
        return f"{start}{wording.listed(idle)} never {'makes' if len(idle) == 1 else 'make'} a difference."
    return f"{start}every line makes a difference."
