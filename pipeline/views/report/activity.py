"""How much every line does: how often each data line is 1, and how often each address line changes the word.

A line that does nothing is the first thing to look at with a meter, so each bar names its package pin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from pipeline.views.report.image import ChipWords

if TYPE_CHECKING:
    from schemas.recorded_sheet import PartRecord

STEP = 17
TALL = 56
BARS_A_STRIP = 16
GATHERED_WORDS = 4096
"""Up to here all lines are compared in one go; the index tables of larger chips would cost more than they
save.
"""
NEVER_CHANGES = frozenset([0.0])
ALWAYS_ALIKE = frozenset([0.0, 1.0])


@dataclass(frozen=True, slots=True)
class Line:
    """One line and how much it does.

    Attributes:
        name: `A0`, `D7`.
        pin: Its package pin, where the catalogue knows it.
        share: Data: part of the words in which it is 1. Address: part of the pairs of words, differing in
            this line alone, that differ.
    """

    name: str
    pin: int | None
    share: float


def _pins(part: PartRecord | None, name: str) -> Sequence[Any]:
    found = (part.get(name) if part else None) or ()
    return found if isinstance(found, Sequence) and not isinstance(found, str) else ()


def _pin(pins: Sequence[Any], line: int) -> int | None:
    if line >= len(pins):
        return None
    pin = pins[line].get("pin") if isinstance(pins[line], Mapping) else pins[line]
    return pin if isinstance(pin, int) else None


def data_lines(content: ChipWords, part: PartRecord | None) -> list[Line]:
    """One line a bit, D0 first."""
    ones = _ones(content)
    pins = _pins(part, "data_pins")
    return [Line(f"D{k}", _pin(pins, k), n / _read(content)) for k, n in enumerate(ones)]


_BITS_OF_OCTETS = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little").astype(
    np.int64
)


def _ones(content: ChipWords) -> list[int]:
    """How often each data line is 1, D0 first.

    Counted over the 256 values of a byte, which is quicker than over bits.
    """
    ones: list[int] = []
    for octet in range(content.organisation.bytes_a_word - 1, -1, -1):
        values = np.bincount(content.octets[:, octet], minlength=256)
        ones += (values @ _BITS_OF_OCTETS).tolist()
    return ones[: content.organisation.bits]


def address_lines(content: ChipWords, part: PartRecord | None) -> list[Line]:
    """One line for each address bit that the words need, A0 first."""
    pins = _pins(part, "address_pins")
    words = _comparable(content)
    count = content.organisation.address_bits
    if content.known is not None:
        shares = [_differing_where_read(words, content.known, k) for k in range(count)]
    elif 1 < len(words) <= GATHERED_WORDS and len(words) == 1 << count:
        low, high = _pairs(count)
        differing = np.count_nonzero(words[low] != words[high], axis=1)
        shares = [n / (len(words) // 2) for n in differing.tolist()]
    else:
        shares = [_differing(words, k) for k in range(count)]
    return [Line(f"A{k}", _pin(pins, k), share) for k, share in enumerate(shares)]


@lru_cache(maxsize=16)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Shape (lines, words / 2) twice: for each line the addresses without it, and the same with it."""
    every = np.arange(1 << count)
    low = np.stack([every[(every >> line & 1) == 0] for line in range(count)])
    return low, low | (1 << np.arange(count))[:, None]


def _comparable(content: ChipWords) -> Any:
    """Words as one number each."""
    width = content.organisation.bytes_a_word
    if width == 1:
        return content.octets[:, 0]
    whole = np.zeros((content.organisation.words, 8), np.uint8)
    whole[:, 8 - width :] = content.octets
    return whole.view(">u8")[:, 0].astype(np.uint64)


def _read(content: ChipWords) -> int:
    """How many words were read; a share of none is nought."""
    return content.organisation.words if content.known is None else max(1, int(content.known.sum()))


def _differing_where_read(words: Any, known: NDArray[np.bool_], line: int) -> float:
    """The same as `_differing` over pairs of which both words were read."""
    low = np.flatnonzero((np.arange(len(words)) >> line & 1) == 0)
    high = low | 1 << line
    low, high = low[high < len(words)], high[high < len(words)]
    both = known[low] & known[high]
    return float((words[low] != words[high])[both].mean()) if both.any() else 0.0


def _differing(words: Any, line: int) -> float:
    """Part of the pairs (a, a with that bit set) whose words differ.

    Pairs that leave the chip do not count.
    """
    stride = 1 << line
    whole = len(words) - len(words) % (2 * stride)
    pairs = words[:whole].reshape(-1, 2, stride)
    differing = int(np.count_nonzero(pairs[:, 0] != pairs[:, 1]))
    compared = whole // 2
    rest = words[whole:]
    if len(rest) > stride:
        differing += int(np.count_nonzero(rest[: len(rest) - stride] != rest[stride:]))
        compared += len(rest) - stride
    return differing / compared if compared else 0.0


def bars_svg(lines: Sequence[Line], *, label: str, still: frozenset[float]) -> Markup:
    """A bar a line with its name and pin beneath; a line that does nothing gets a hollow mark.

    Args:
        lines: In order.
        label: What the picture shows.
        still: Shares that mean that the line does nothing: 0 for address lines, 0 and 1 for data lines.
    """
    return Markup("").join(
        _strip(lines[start : start + BARS_A_STRIP], label, still)
        for start in range(0, len(lines), BARS_A_STRIP)
    )


@lru_cache(maxsize=256)
def _posts(lines: tuple[tuple[str, int | None], ...]) -> tuple[list[tuple[str, str]], str]:
    """What chips of one part share: each bar's (title, start of its markup), and the names beneath."""
    posts, names = [], []
    for place, (name, pin) in enumerate(lines):
        x = place * STEP + 3
        title = f"{name}, pin {pin}: " if pin is not None else f"{name}: "
        posts.append((title, f'<path class="track" d="M{x} 4h11v{TALL}h-11z"/><path d="M{x} '))
        names.append(f'<text x="{x + 5.5:g}" y="{TALL + 17}">{name}</text>')
        if pin is not None:
            names.append(f'<text class="pin" x="{x + 5.5:g}" y="{TALL + 29}">{pin}</text>')
    return posts, "".join(names)


def _strip(lines: Sequence[Line], label: str, still: frozenset[float]) -> Markup:
    width = STEP * len(lines) + 2
    posts, names = _posts(tuple((line.name, line.pin) for line in lines))
    bars = []
    for (title, start), line in zip(posts, lines, strict=True):
        tall = round(TALL * line.share, 1)
        idle = " class=still" if line.share in still else ""
        bars.append(
            f"<g{idle}><title>{title}{line.share:.1%}</title>"
            f'{start}{4 + TALL - tall:.4g}h11v{tall}h-11z"/></g>'
        )
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="bars" role="img" aria-label="{escape(label)}" width="{width}" height="{TALL + 34}" '
        f'viewBox="0 0 {width} {TALL + 34}">{"".join(bars)}{names}</svg>'
    )


def data_words(lines: Sequence[Line]) -> str:
    """The data bars as a sentence."""
    low = [line.name for line in lines if line.share == 0]
    high = [line.name for line in lines if line.share == 1]
    parts = ([f"always 0: {', '.join(low)}"] if low else []) + (
        [f"always 1: {', '.join(high)}"] if high else []
    )
    if parts:
        return "Part of the words in which each data line is 1; " + "; ".join(parts) + "."
    return "Part of the words in which each data line is 1; every line takes both values."


def address_words(lines: Sequence[Line]) -> str:
    """The address bars as a sentence."""
    idle = [line.name for line in lines if line.share == 0]
    start = "Part of the words that change when this address line alone does; "
    if idle:
        return f"{start}never a change: {', '.join(idle)}."
    return start + "every line makes a difference."
