"""A chip on a breadboard: levels on address pins in, on data pins out, and what can go wrong between.

Every fault is a change of the wiring or of a cell. What the readings then look like is not written anywhere
here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Chip:
    """What the cells hold, word by word.

    Attributes:
        words: Address 0 first.
        bits: Data pins.
    """

    words: Sequence[int]
    bits: int

    @property
    def lines(self) -> int:
        """Address pins."""
        return (len(self.words) - 1).bit_length()


@dataclass(frozen=True)
class Wires:
    """From the reader's counter to the chip and back; without arguments nothing is wrong.

    Attributes:
        counter_bits: Lines of the reader's counter; those that the chip has no pin for lead nowhere.
        address_stuck: Chip's address pin → the level it has whatever the counter says.
        address_from: For each address pin of the chip, which counter line is soldered to it.
        data_to: For each data pin of the chip, which input of the reader it is soldered to.
        weak_cells: (address, data pin) → one level for each pass, for cells at the edge of their charge.
    """

    counter_bits: int | None = None
    address_stuck: dict[int, int] = field(default_factory=dict)
    address_from: Sequence[int] = ()
    data_to: Sequence[int] = ()
    weak_cells: dict[tuple[int, int], Sequence[int]] = field(default_factory=dict)

    def read(self, chip: Chip, number: int = 0) -> list[int]:
        """One pass: the counter runs through all its values, and the reader notes what its inputs show.

        Args:
            chip: The chip.
            number: Which pass it is, from 0.
        """
        counter_bits = chip.lines if self.counter_bits is None else self.counter_bits
        return [self._word(chip, count, number) for count in range(1 << counter_bits)]

    def _word(self, chip: Chip, count: int, number: int) -> int:
        sources = self.address_from or range(chip.lines)
        pins = [count >> source & 1 for source in sources]
        for pin, level in self.address_stuck.items():
            pins[pin] = level
        cell = sum(level << pin for pin, level in enumerate(pins))
        outputs = [chip.words[cell] >> bit & 1 for bit in range(chip.bits)]
        for (address, bit), levels in self.weak_cells.items():
            if address == cell:
                outputs[bit] = levels[number]
        return sum(outputs[bit] << target for bit, target in enumerate(self.data_to or range(chip.bits)))


def lose(values: Sequence[int], index: int) -> list[int]:
    """A serial line on which one value never arrived."""
    return [*values[:index], *values[index + 1 :]]


def serial_log(passes: Sequence[Sequence[int]], operator: str) -> bytes:
    """What the home-built reader prints: a banner, then one value a line in hex without a leading zero, CRLF.

    Args:
        passes: Words of each pass.
        operator: Who typed their name at the reader's prompt.
    """
    lines = ["", "*** ROM READER No.3 ***", f"OPERATOR: {operator}", "PRESS KEY TO START", ""]
    for number, words in enumerate(passes, 1):
        lines += [f"PASS {number} OF {len(passes)}", *(f"{value:X}" for value in words)]
    return "\r\n".join([*lines, "", "*** FINISHED ***", ""]).encode("ascii")


def listing(words: Sequence[int]) -> bytes:
    """The reader's second program: an address, then sixteen bytes a line."""
    rows = (words[n : n + 16] for n in range(0, len(words), 16))
    return "".join(
        f"{16 * n:04X}: {' '.join(f'{w:02X}' for w in row)}\r\n" for n, row in enumerate(rows)
    ).encode()


def intel_hex(content: bytes) -> bytes:
    """Records of 16 bytes. Source: Intel, Hexadecimal Object File Format Specification, 1988."""
    return "".join(f":{record}\r\n" for record in _intel_records(content)).encode("ascii")


def _intel_records(content: bytes) -> Iterator[str]:
    for start in range(0, len(content), 16):
        body = content[start : start + 16]
        record = bytes([len(body), start >> 8, start & 0xFF, 0, *body])
        yield (record + bytes([-sum(record) & 0xFF])).hex().upper()
    yield "00000001FF"


def s_record(content: bytes, header: str) -> bytes:
    """S0, S1 of 32 bytes, S9. Source: Motorola, M68000 Family Programmer's Reference Manual, appendix C."""
    lines = [_s_line("0", 0, header.encode("ascii"))]
    lines += [_s_line("1", n, content[n : n + 32]) for n in range(0, len(content), 32)]
    return "".join(f"{line}\n" for line in [*lines, _s_line("9", 0, b"")]).encode("ascii")


def _s_line(kind: str, address: int, body: bytes) -> str:
    record = bytes([len(body) + 3, address >> 8, address & 0xFF, *body])
    return f"S{kind}{(record + bytes([~sum(record) & 0xFF])).hex().upper()}"
