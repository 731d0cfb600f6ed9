"""Boards that scramble a chip's lines: the machine's view from the chip's own order, and back.

Designers route address and data pins in the handiest order, and copy protection did so on purpose. The chip's
own order stays the primary record; the order that the machine sees is derived by a declared wiring.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from pipeline.lines.mapping import LineMap
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.finding import Details


def apply_wiring(
    words: Words,
    bits: int,
    *,
    address: tuple[int, ...] | None = None,
    data: tuple[int, ...] | None = None,
    invert_address: tuple[int, ...] = (),
    invert_data: tuple[int, ...] = (),
) -> Words:
    """The machine's view of a chip whose lines the board scrambles (first the chip, second the machine).

    Args:
        words: The chip in its own order.
        bits: Bits a word.
        address: For each address line of the chip, the machine's line that drives it; None: as numbered.
        data: For each data line of the chip, the machine's line that it drives; None: as numbered.
        invert_address: Lines of the machine that reach the chip inverted.
        invert_data: Lines of the machine that the chip reaches inverted.

    Raises:
        ValueError: A list is no permutation, has too many lines, or the words do not fill the address lines.
    """
    return _wiring(words, bits, (address, data), (invert_address, invert_data)).apply(words)


def undo_wiring(
    words: Words,
    bits: int,
    *,
    address: tuple[int, ...] | None = None,
    data: tuple[int, ...] | None = None,
    invert_address: tuple[int, ...] = (),
    invert_data: tuple[int, ...] = (),
) -> Words:
    """The chip's own order from the machine's view: the inverse of `apply_wiring`. Raises as it does."""
    return _wiring(words, bits, (address, data), (invert_address, invert_data)).undo(words)


def _wiring(
    words: Words,
    bits: int,
    moved: tuple[tuple[int, ...] | None, tuple[int, ...] | None],
    inverted: tuple[tuple[int, ...], tuple[int, ...]],
) -> LineMap:
    """The mapping of a board's wiring: (address, data) moved and inverted."""
    lines = (words.size - 1).bit_length()
    for given, wanted, what in ((moved[0], lines, "address"), (moved[1], bits, "data")):
        if given is not None and len(given) != wanted:
            raise ValueError(f"{what}: {len(given)} lines given, the chip has {wanted}")
    address, data = (None if given is None else tuple(given) for given in moved)
    invert_address, invert_data = (tuple(sorted(given)) for given in inverted)
    return LineMap.simple(
        lines, bits, address=address, data=data, invert_address=invert_address, invert_data=invert_data
    )


class WiringSuggestion(NamedTuple):
    """A `board_wiring` worth declaring, because the order found is one that boards and benches really have.

    Attributes:
        wiring: The lists that are not as numbered, as the sheet takes them.
        why: One sentence for a person.
    """

    wiring: dict[str, tuple[int, ...]]
    why: str

    def to_json(self) -> Details:
        """As the project's documents carry it."""
        return {"wiring": {name: list(lines) for name, lines in self.wiring.items()}, "why": self.why}


def suggest_wiring(mapping: LineMap) -> WiringSuggestion | None:
    """The wiring to declare where a mapping is exactly a whole bus reversed, or neighbours swapped.

    Such an order is more likely a design than an accident; any other order more likely crossed wires on the
    bench, which no sheet should make permanent. Source: common practice, no source.

    Args:
        mapping: From the chip's own order (first) to the other reading's (second).

    Returns:
        None where lines are inverted, addresses rotated, or the order has no such name.
    """
    if mapping.rotate or mapping.invert_address or mapping.invert_data:
        return None
    wiring: dict[str, tuple[int, ...]] = {}
    said = []
    for name, letter, lines in (("address", "A", mapping.address), ("data", "D", mapping.data)):
        if lines == tuple(range(len(lines))):
            continue
        how = _named_order(letter, name, lines)
        if how is None:
            return None
        wiring[name] = lines
        said.append(how)
    return WiringSuggestion(wiring, "; ".join(said)) if wiring else None


def _named_order(letter: str, name: str, lines: tuple[int, ...]) -> str | None:
    if len(lines) > 2 and lines == tuple(reversed(range(len(lines)))):
        return f"the {name} bus is exactly reversed"
    moved = [(line, target) for line, target in enumerate(lines) if line != target]
    if any(abs(line - target) != 1 or lines[target] != line for line, target in moved):
        return None
    pairs = ", ".join(f"{letter}{line} and {letter}{target}" for line, target in moved if line < target)
    return f"neighbouring {name} lines are swapped: {pairs}"
