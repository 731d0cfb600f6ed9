"""How one image of a chip maps onto another: lines permuted, lines inverted, addresses rotated.

The form is the project's public one: B[((P(a) xor ia) + rotate) mod N] = Q(A[a]) xor id. A restorer meets it
when a home-built reader has crossed wires, and when a board routes a chip's lines in the handiest order.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words, words_dtype

if TYPE_CHECKING:
    from schemas.record import LinesRecord

Addresses = NDArray[np.int64]
"""Word addresses, one element each."""


def is_power_of_two(count: int) -> bool:
    """True where address lines can be permuted: the words fill every combination of the lines."""
    return count > 0 and count & (count - 1) == 0


def route_bits(words: Words, bits: int, lines: tuple[int, ...]) -> Words:
    """Words with bit k moved to bit `lines[k]`.

    Args:
        words: Words of `bits` bits.
        bits: 1 to 64.
        lines: A permutation of 0 … bits − 1.

    Returns:
        New words of the same type. Nothing is raised.
    """
    if lines == tuple(range(bits)):
        return words.copy()
    if bits <= 16 and words.size > 1 << bits:
        table = _route(np.arange(1 << bits, dtype=words_dtype(bits)), lines)
        return table[words]
    return _route(words, lines)


def _route(words: Words, lines: tuple[int, ...]) -> Words:
    kind = words.dtype.type
    routed = np.zeros_like(words)
    for line, target in enumerate(lines):
        routed |= ((words >> kind(line)) & kind(1)) << kind(target)
    return routed


def routed_addresses(lines: tuple[int, ...], inverted: int = 0) -> Addresses:
    """P(a) xor `inverted` for every address a, built by doubling: line k of a is moved to line `lines[k]`."""
    routed = np.array([inverted], dtype=np.int64)
    for target in lines:
        routed = np.concatenate([routed, routed ^ (1 << target)])
    return routed


def mask_of(lines: tuple[int, ...]) -> int:
    """The word with a 1 on each of these lines."""
    mask = 0
    for line in lines:
        mask |= 1 << line
    return mask


def lines_of(mask: int) -> tuple[int, ...]:
    """The lines on which this word has a 1, the least significant first."""
    return tuple(k for k in range(mask.bit_length()) if mask >> k & 1)


@dataclass(frozen=True, slots=True)
class LineMap:
    """B[((P(a) xor ia) + rotate) mod N] = Q(A[a]) xor id, for every address a of the first image A.

    Attributes:
        address: For each address line of the first, which line of the second carries it (P).
        data: The same for data lines (Q).
        invert_address: Address lines of the second that are inverted (ia), ascending.
        invert_data: Data lines of the second that are inverted (id), ascending.
        rotate: Words, 0 to N − 1.

    Raises:
        ValueError: `address` or `data` is no permutation, or an inverted line does not exist.

    Example:
        >>> backwards = LineMap.simple(2, 8, invert_address=(0, 1))
        >>> backwards.apply(np.array([1, 2, 3, 4], np.uint8)).tolist()
        [4, 3, 2, 1]
    """

    address: tuple[int, ...]
    data: tuple[int, ...]
    invert_address: tuple[int, ...] = ()
    invert_data: tuple[int, ...] = ()
    rotate: int = 0

    def __post_init__(self) -> None:
        for lines, inverted, what in (
            (self.address, self.invert_address, "address"),
            (self.data, self.invert_data, "data"),
        ):
            if sorted(lines) != list(range(len(lines))):
                raise ValueError(f"{what}: every line from 0 to {len(lines) - 1} once")
            if sorted(set(inverted)) != list(inverted) or not set(inverted) <= set(lines):
                raise ValueError(f"invert_{what}: lines from 0 to {len(lines) - 1}, ascending, each once")

    @classmethod
    def simple(
        cls,
        address_bits: int,
        bits: int,
        *,
        address: tuple[int, ...] | None = None,
        data: tuple[int, ...] | None = None,
        invert_address: tuple[int, ...] = (),
        invert_data: tuple[int, ...] = (),
        rotate: int = 0,
    ) -> LineMap:
        """The mapping that changes nothing but what is named."""
        return cls(
            tuple(range(address_bits)) if address is None else address,
            tuple(range(bits)) if data is None else data,
            invert_address,
            invert_data,
            rotate,
        )

    @classmethod
    def of(cls, settings: Mapping[str, object]) -> LineMap:
        """The mapping whose lines the settings of a step carry, as `to_json` gives them; never a rotation."""

        def lines(key: str) -> tuple[int, ...]:
            return tuple(cast("Sequence[int]", settings[key]))

        return cls(lines("address"), lines("data"), lines("invert_address"), lines("invert_data"))

    @property
    def is_identity(self) -> bool:
        """True where it changes nothing on any image."""
        return self == LineMap.simple(len(self.address), len(self.data))

    @property
    def keeps_address_lines(self) -> bool:
        """True where no address line is moved or inverted; only such a mapping suits any number of words."""
        return self.address == tuple(range(len(self.address))) and not self.invert_address

    def places(self, count: int) -> Addresses:
        """For each address of the first, the address of the second that answers to it.

        Raises:
            ValueError: `count` words cannot have these address lines.
        """
        if self.keeps_address_lines:
            places = np.arange(count, dtype=np.int64)
        elif count == 1 << len(self.address):
            places = routed_addresses(self.address, mask_of(self.invert_address))
        else:
            raise ValueError(f"{count} words do not fill {len(self.address)} address lines")
        return (places + self.rotate) % count if self.rotate else places

    def apply(self, first: Words) -> Words:
        """The second image, from the first. Raises ValueError as `places` does."""
        second = np.empty_like(first)
        second[self.places(first.size)] = self._carry(first)
        return second

    def undo(self, second: Words) -> Words:
        """The first image, from the second: the second brought into the first's order."""
        gathered = second[self.places(second.size)] ^ second.dtype.type(mask_of(self.invert_data))
        return route_bits(gathered, len(self.data), _inverse(self.data))

    def inverse(self) -> LineMap:
        """The mapping from the second to the first; only without rotation.

        Raises:
            ValueError: It rotates.

        Example:
            >>> crossed = LineMap.simple(2, 2, address=(1, 0), invert_address=(0,))
            >>> crossed.inverse().invert_address
            (1,)
        """
        if self.rotate:
            raise ValueError("a rotation has no inverse of this form")
        address, data = _inverse(self.address), _inverse(self.data)
        return LineMap(
            address,
            data,
            tuple(sorted(address[line] for line in self.invert_address)),
            tuple(sorted(data[line] for line in self.invert_data)),
        )

    def _carry(self, words: Words) -> Words:
        carried = route_bits(words, len(self.data), self.data)
        if self.invert_data:
            carried ^= words.dtype.type(mask_of(self.invert_data))
        return carried

    def to_json(self) -> LinesRecord:
        """The mapping as the project's documents carry it."""
        return {
            "address": list(self.address),
            "data": list(self.data),
            "invert_address": list(self.invert_address),
            "invert_data": list(self.invert_data),
            "rotate": self.rotate,
        }

    def in_words(self) -> str:
        """The mapping as a person says it, the well-known ones by their names.

        Example:
            >>> LineMap.simple(10, 8, invert_data=tuple(range(8)), rotate=17).in_words()
            'every bit inverted; rotated by 17 words'
        """
        said = _lines_in_words(self.data, self.invert_data, "D", "data bus", "every bit inverted")
        said += _lines_in_words(
            self.address, self.invert_address, "A", "address bus", "addresses run backwards"
        )
        if self.rotate:
            said.append(f"rotated by {self.rotate} word{'s' if self.rotate != 1 else ''}")
        return "; ".join(said) or "nothing changed"

    def simplicity(self) -> tuple[int, int, int, int]:
        """Order of simplicity: rotation, inversions, moved lines, distance moved. Smaller is simpler."""
        moved = [(k, t) for lines in (self.address, self.data) for k, t in enumerate(lines) if k != t]
        return (
            int(self.rotate != 0),
            len(self.invert_address) + len(self.invert_data),
            len(moved),
            sum(abs(k - t) for k, t in moved),
        )

    def description_bits(self) -> float:
        """How many bits name this mapping among all mappings, the simple ones by shorter names.

        A two-part code (Rissanen 1978, "Modeling by shortest data description"): an explanation is believed
        only where naming it and its exceptions is shorter than spelling the image out.
        """
        rotation = 1.0 + (len(self.address) if self.rotate else 0)
        return (
            rotation
            + _permutation_bits(self.address)
            + _permutation_bits(self.data)
            + _choice_bits(len(self.address), len(self.invert_address))
            + _choice_bits(len(self.data), len(self.invert_data))
        )


def _inverse(lines: tuple[int, ...]) -> tuple[int, ...]:
    back = [0] * len(lines)
    for line, target in enumerate(lines):
        back[target] = line
    return tuple(back)


def log2_choose(whole: int, part: int) -> float:
    """Base-2 logarithm of the binomial coefficient."""
    if not 0 <= part <= whole:
        return 0.0
    return (math.lgamma(whole + 1) - math.lgamma(part + 1) - math.lgamma(whole - part + 1)) / math.log(2)


def _permutation_bits(lines: tuple[int, ...]) -> float:
    """A plain order costs 1 bit, a whole reversal 3; else which lines move, and how."""
    count = len(lines)
    moved = sum(k != t for k, t in enumerate(lines))
    if not moved:
        return 1.0
    if lines == tuple(reversed(range(count))) or lines == _byte_swap(count):
        return 3.0
    return 3.0 + math.log2(count + 1) + log2_choose(count, moved) + math.lgamma(moved + 1) / math.log(2)


def _choice_bits(count: int, chosen: int) -> float:
    """No line costs 1 bit, all lines 2; else how many and which."""
    if chosen in {0, count}:
        return 1.0 if chosen == 0 else 2.0
    return 2.0 + math.log2(count + 1) + log2_choose(count, chosen)


def _byte_swap(count: int) -> tuple[int, ...]:
    """Bytes in the opposite order; empty where the words are no whole number of bytes, or one byte."""
    if count % 8 or count < 16:
        return ()
    return tuple(count - 8 - (k // 8) * 8 + k % 8 for k in range(count))


def _lines_in_words(
    lines: tuple[int, ...], inverted: tuple[int, ...], letter: str, bus: str, all_inverted: str
) -> list[str]:
    count = len(lines)
    said: list[str] = []
    moved = [(k, t) for k, t in enumerate(lines) if k != t]
    if moved and lines == tuple(reversed(range(count))):
        said.append(f"{bus} reversed")
    elif moved and lines == _byte_swap(count) and letter == "D":
        said.append("bytes swapped" if count == 16 else "bytes in the opposite order")
    elif len(moved) == 2:
        said.append(f"{letter}{moved[0][0]} and {letter}{moved[1][0]} swapped")
    elif moved:
        said.append(f"{bus} reordered: " + ", ".join(f"{letter}{k}→{letter}{t}" for k, t in moved))
    if inverted and len(inverted) == count:
        said.append(all_inverted)
    elif inverted:
        said.append(", ".join(f"{letter}{k}" for k in inverted) + " inverted")
    return said
