"""How much every line does, with its package pin: how often each data line is 1.

A line that does nothing is the first thing to look at with a meter.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.views.report.image import ChipWords

if TYPE_CHECKING:
    from schemas.recorded_sheet import PartRecord


class Line(NamedTuple):
    """One line and how much it does.

    Attributes:
        name: `A0`, `D7`.
        pin: Its package pin, where the catalogue knows it.
        share: Data: part of the words read in which it is 1. Address: part of the pairs of words read whose
            addresses differ in this line alone that differ.
    """

    name: str
    pin: int | None
    share: float


def _pins(part: PartRecord | None, name: str) -> Sequence[Any]:
    found = (part.get(name) if part else None) or ()
    return found if isinstance(found, Sequence) and not isinstance(found, str) else ()


def data_lines(content: ChipWords, part: PartRecord | None) -> list[Line]:
    """One line a bit, D0 first."""
    read = _read(content)
    return lines_of("D", [count / read for count in _ones(content)], part)


def lines_of(letter: str, shares: Sequence[float], part: PartRecord | None) -> list[Line]:
    """Address lines (`A`) or data lines (`D`) with their pins, where the catalogue knows them."""
    told = _names_and_pins(letter, len(shares), tuple(_pins(part, _PIN_LISTS[letter])))
    return [Line(name, pin, share) for (name, pin), share in zip(told, shares, strict=True)]


@lru_cache(maxsize=4096)
def tenths(share: float) -> str:
    """A share in per cent to a tenth: chips of one size have the same ones again and again."""
    return f"{share:.1%}"


@lru_cache(maxsize=64)
def _names_and_pins(letter: str, count: int, told: tuple[object, ...]) -> tuple[tuple[str, int | None], ...]:
    """What chips of one part share."""
    pins = [pin if isinstance(pin, int) else None for pin in told[:count]]
    pins += [None] * (count - len(pins))
    return tuple((f"{letter}{number}", pin) for number, pin in enumerate(pins))


_PIN_LISTS = {"A": "address_pins", "D": "data_pins"}


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


def comparable(content: ChipWords) -> Any:
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
