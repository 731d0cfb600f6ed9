"""What every decoder gives and takes: addressed blocks of words, what was forgiven, and what was declared.

One neutral result lets the later stages forget which of a dozen notations a dump came in. Nothing here reads
a file; every decoder is a pure function of the bytes and of what a person declared about them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn

from pipeline.errors import AmbiguousError, FormatError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

LARGEST_CLAIM = 1 << 24
"""Units that a few characters may stand for (a `*` line, a fill): 16 Mi, more than any chip of this trade
holds.
"""


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a dump file, as an editor shows it.

    Attributes:
        line: 1-based, or None in a file without lines.
        column: 1-based, in characters, or None.
        offset: 0-based byte offset in the file.
    """

    line: int | None
    column: int | None
    offset: int

    def __str__(self) -> str:
        if self.line is None:
            return f"offset 0x{self.offset:X}"
        return f"line {self.line}, column {self.column}"


@dataclass(frozen=True, slots=True)
class Forgiven:
    """Something that is not as the format says and that changes no byte of the result.

    Attributes:
        what: One clause for a person, without a full stop.
        place: Where it was first met.
        count: How often it was met.
    """

    what: str
    place: Place
    count: int = 1


class Block(NamedTuple):
    """Words at consecutive addresses.

    Attributes:
        address: Of the first word, in units (bytes where the result's `unit_bits` is 8).
        words: Shape (n,), unsigned.
    """

    address: int
    words: NDArray[np.unsignedinteger[Any]]

    @property
    def end(self) -> int:
        """The first address behind the block."""
        return self.address + len(self.words)


@dataclass(frozen=True, slots=True)
class Declared:
    """What the sheet or an option says about a dump, so that nothing is guessed.

    Attributes:
        format: A name of `FORMATS`; wins over what the content looks like.
        bits: Bits of a chip word; above 8, tokens wider than two digits are whole words.
        words: Words of the chip where known; used only to refuse what has two readings.
        limit: Highest acceptable unit address + 1; None accepts any.
        word_order: "big" or "little", for 16- and 32-bit tokens that stand for several bytes.
        token: "hex", "octal", "decimal", "binary" or "nibble" where a token list is not hexadecimal bytes.
        fill: The unit for gaps where the caller fills them.
        address: "hex", "octal" or "decimal": the radix of a listing's address column.
        gaps: A listing may leave lines out; the holes are reported instead of refused.
    """

    format: str | None = None
    bits: int = 8
    words: int | None = None
    limit: int | None = None
    word_order: str | None = None
    token: str | None = None
    fill: int | None = None
    address: str | None = None
    gaps: bool = False

    def __post_init__(self) -> None:
        """Refuse a declaration that no decoder could obey.

        Raises:
            UsageError: A word outside its list, or a number out of range.
        """
        for name, value, allowed in (
            ("word_order", self.word_order, ("big", "little")),
            ("token", self.token, ("hex", "octal", "decimal", "binary", "nibble")),
            ("address", self.address, ("hex", "octal", "decimal")),
        ):
            if value is not None and value not in allowed:
                said = " or ".join(f"`{name}: {one}`" for one in allowed)
                raise UsageError(where=name, problem=f"{value!r} is not known", remedy=f"write {said}")
        if not 1 <= self.bits <= 64:
            raise UsageError(where="bits", problem=f"{self.bits} bits", remedy="say 1 to 64")


class Decoded(NamedTuple):
    """A dump as addressed words.

    Attributes:
        format: Name of the format it was read as.
        unit_bits: 8 = bytes; more = whole words; 1 = fuses.
        runs: One tuple of blocks a pass found in the file; blocks sorted by address, not overlapping.
        forgiven: What was not as the format says.
        notes: Header text, start addresses, lines of text that were skipped.
    """

    format: str
    unit_bits: int
    runs: tuple[tuple[Block, ...], ...]
    forgiven: tuple[Forgiven, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class ForgivenTally:
    """Gathers what was forgiven: one entry a kind, with its first place and a count."""

    entries: dict[str, Forgiven] = field(default_factory=dict)

    def add(self, what: str, place: Place, count: int = 1) -> None:
        """Note one more of a kind."""
        known = self.entries.get(what)
        self.entries[what] = (
            Forgiven(what, place, count)
            if known is None
            else Forgiven(what, known.place, known.count + count)
        )

    def closed(self) -> tuple[Forgiven, ...]:
        """All entries in the order of their places."""
        return tuple(sorted(self.entries.values(), key=lambda entry: (entry.place.offset, entry.what)))


def refuse(place: Place, problem: str, remedy: str) -> NoReturn:
    """End decoding with a located error.

    Raises:
        FormatError: Always.
    """
    raise FormatError(where=str(place), problem=problem, remedy=remedy)


def ambiguous(place: Place, problem: str, remedy: str) -> NoReturn:
    """End decoding since there are two readings.

    Raises:
        AmbiguousError: Always.
    """
    raise AmbiguousError(where=str(place), problem=problem, remedy=remedy)


def image(
    blocks: Sequence[Block], size: int, fill: int = 0, *, base: int = 0
) -> tuple[NDArray[np.unsignedinteger[Any]], NDArray[np.bool_]]:
    """Blocks laid out as one array, with a mask of what was there.

    Args:
        blocks: Sorted or not; they may reach outside the window, what is outside is left out.
        size: Units of the window.
        fill: Unit for gaps.
        base: Address of the window's first unit.

    Returns:
        (units, present), both of shape (size,).

    Raises:
        UsageError: The window is larger than any chip.
    """
    import numpy as np

    if not 0 <= size <= 1 << 28:
        raise UsageError(where="size", problem=f"{size} units", remedy="ask for at most 268435456")
    kind = (
        np.result_type(np.uint8, *(block.words.dtype for block in blocks)) if blocks else np.dtype(np.uint8)
    )
    units = np.full(size, fill, dtype=kind)
    present = np.zeros(size, dtype=np.bool_)
    for block in blocks:
        first, last = max(block.address, base), min(block.end, base + size)
        if first < last:
            units[first - base : last - base] = block.words[first - block.address : last - block.address]
            present[first - base : last - base] = True
    return units, present
