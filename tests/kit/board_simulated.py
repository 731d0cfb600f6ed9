"""A board on a bench: a chip, its wires and contacts, its supplies; the chip dies of what kills chips.

Nothing of the program is imported here but through the kit's model of wires, which imports none either. The
hand that works on it may move a wire only while every supply is off; supplies come on and go off in the order
that the part wants; a contact may loosen at any time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.kit.wires import Bench, Image, Wins

THREE_SUPPLIES = (-5.0, 5.0, 12.0)
"""On in this order, off the other way about: the bias first on and last off."""


class ChipDiedError(AssertionError):
    """The chip is dead: the test that let it happen fails."""


@dataclass
class Board:
    """One chip in its socket.

    Attributes:
        image: What the chip holds.
        bits: Bits a word.
        supplies: In the order in which they must come on.
        on: Supplies that stand, in the order in which they came.
        address_at, data_at: For each line of the reader, the line of the chip that its wire leads to.
        chip_in: Whether the chip is in the socket.
        moves: Wires that a hand has moved, in words.
        cycles: How often every supply came on.
    """

    image: Image
    bits: int = 8
    supplies: tuple[float, ...] = (5.0,)
    seed: int = 0
    on: list[float] = field(default_factory=list)
    address_at: list[int] = field(default_factory=list)
    data_at: list[int] = field(default_factory=list)
    chip_in: bool = True
    moves: list[str] = field(default_factory=list)
    cycles: int = 0

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)
        self.address_at = self.address_at or list(range(self.lines))
        self.data_at = self.data_at or list(range(self.bits))
        self.wires = Bench(self.image, self.bits)

    @property
    def lines(self) -> int:
        """Address lines."""
        return (int(self.image.size) - 1).bit_length()

    @property
    def powered(self) -> bool:
        """Whether every supply stands."""
        return len(self.on) == len(self.supplies)

    # -- what a hand may do ----------------------------------------------------------------------------------

    def supply_on(self, volts: float) -> None:
        """One supply on."""
        self.on.append(volts)
        self._in_order()

    def supply_off(self, volts: float) -> None:
        """One supply off."""
        self.on.remove(volts)
        self._in_order()

    def power_on(self) -> None:
        """Every supply, in order."""
        for volts in self.supplies:
            self.supply_on(volts)
        self.cycles += 1

    def power_off(self) -> None:
        """Every supply, in the opposite order."""
        for volts in reversed(self.supplies):
            self.supply_off(volts)

    def _in_order(self) -> None:
        if self.chip_in and self.on != list(self.supplies[: len(self.on)]):
            raise ChipDiedError(f"supplies stand as {self.on}, the part wants {self.supplies}")

    def _hand(self, what: str) -> None:
        if self.on:
            raise ChipDiedError(f"{what} while {self.on} stand")
        self.moves.append(what)

    def take_chip_out(self) -> None:
        """The chip out of its socket."""
        self._hand("chip out")
        self.chip_in = False

    def put_chip_in(self) -> None:
        """The chip into its socket."""
        self._hand("chip in")
        self.chip_in = True

    def change_chip(self, image: Image) -> None:
        """Another chip of the same part into the socket."""
        self._hand("another chip in")
        assert image.size == self.image.size
        self.image = self.wires.truth = image

    def exchange_address_wires(self, first: int, second: int) -> None:
        """At the reader's end: two address wires change places."""
        self._hand(f"A{first} and A{second} exchanged")
        at = self.address_at
        at[first], at[second] = at[second], at[first]

    def exchange_data_wires(self, first: int, second: int) -> None:
        """The same of two data wires."""
        self._hand(f"D{first} and D{second} exchanged")
        at = self.data_at
        at[first], at[second] = at[second], at[first]

    def mend(self, line: str) -> None:
        """The wire and the contacts of one line made good, and of whatever it is joined with."""
        self._hand(f"{line} mended")
        number, wires = int(line[1:]), self.wires
        if line.startswith("A"):
            wires.dead_address.pop(number, None)
            wires.loose_address.pop(number, None)
            wires.joined_address = [one for one in wires.joined_address if number not in one[:2]]
        else:
            wires.stuck_data.pop(number, None)
            wires.loose_data.pop(number, None)
            wires.open_data = [one for one in wires.open_data if one != number]
            wires.joined_data = [one for one in wires.joined_data if number not in one[:2]]

    def take_wire_out(self, line: str, level: int | None) -> None:
        """A wire is out: the input, or the reader's pin, is pulled to a level, or noise (data lines only)."""
        self._hand(f"{line} taken out")
        self.open_contact(line, level)

    def bridge(self, first: str, second: str, wins: Wins) -> None:
        """A bridge between two lines of one kind, made by a hand that worked there."""
        self._hand(f"{first} and {second} bridged")
        pair = (int(first[1:]), int(second[1:]), wins)
        (self.wires.joined_address if first.startswith("A") else self.wires.joined_data).append(pair)

    # -- what may happen at any time -------------------------------------------------------------------------

    def open_contact(self, line: str, level: int | None) -> None:
        """A contact opens for good."""
        number = int(line[1:])
        if line.startswith("A"):
            assert level is not None
            self.wires.loose_address.pop(number, None)
            self.wires.dead_address[number] = level
        elif level is None:
            self.wires.loose_data.pop(number, None)
            self.wires.open_data.append(number)
        else:
            self.wires.loose_data.pop(number, None)
            self.wires.stuck_data[number] = level

    def loosen_contact(self, line: str, level: int, share: float) -> None:
        """A contact is open for a share of the words, and the line then at this level."""
        loose = self.wires.loose_address if line.startswith("A") else self.wires.loose_data
        loose[int(line[1:])] = (level, share)

    # -- what a reader sees ----------------------------------------------------------------------------------

    def read(self, addresses: Sequence[int] | NDArray[np.int64]) -> Image:
        """The words at these addresses, as they come at this moment."""
        asked = np.asarray(addresses, dtype=np.int64)
        if not self.powered or not self.chip_in:
            return np.full(asked.size, (1 << self.bits) - 1, dtype=self.image.dtype)
        at_the_wires = self.wires.address_wires(asked, self.random)
        words = self.image[_led(at_the_wires, self.address_at)]
        return self.wires.data_wires(_gathered(words, self.data_at), self.random)

    def levels(self, driven: str, level: int | None) -> tuple[int, int]:
        """Address and data levels of an empty socket while one line is driven, or was driven low and let go.

        Everything else is pulled up: data lines at the socket's holes, so that a broken one stays down.
        """
        if self.chip_in:
            raise ChipDiedError("a line test with a chip in the socket")
        out = []
        for kind, count, joined in (
            ("A", self.lines, self.wires.joined_address),
            ("D", self.bits, self.wires.joined_data),
        ):
            levels = (1 << count) - 1
            if kind == "D":
                for number, stuck in self.wires.stuck_data.items():
                    levels = levels | 1 << number if stuck else levels & ~(1 << number)
            if driven.startswith(kind):
                own = int(driven[1:])
                broken = kind == "D" and own in self.wires.open_data
                down = level == 0 or (level is None and broken)
                together = {own, *(k for pair in joined if own in pair[:2] for k in pair[:2])}
                held = self.wires.stuck_data if kind == "D" else {}
                for number in together if down else ():
                    levels &= ~(1 << number) if held.get(number) != 1 else levels
            out.append(levels)
        return out[0], out[1]

    def read_all(self) -> Image:
        """One pass."""
        return self.read(np.arange(self.image.size))


def _led(addresses: NDArray[np.int64], at: Sequence[int]) -> NDArray[np.int64]:
    out = np.zeros_like(addresses)
    for line, chips in enumerate(at):
        out |= (addresses >> line & 1) << chips
    return out


def _gathered(words: Image, at: Sequence[int]) -> Image:
    out = np.zeros_like(words)
    for line, chips in enumerate(at):
        out |= (words >> words.dtype.type(chips) & words.dtype.type(1)) << words.dtype.type(line)
    return out
