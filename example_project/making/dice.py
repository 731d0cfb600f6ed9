"""A generator of choices that gives the same choices on every machine and with every Python."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Dice:
    """Xorshift with 32 bits of state: the standard library's promises end at `random.random`, ours must not.

    Args:
        seed: Any number but 0.

    Source: G. Marsaglia, Xorshift RNGs, Journal of Statistical Software 8 (14), 2003: shifts 13, 17, 5.
    """

    def __init__(self, seed: int) -> None:
        self._state = seed & 0xFFFFFFFF

    def below(self, limit: int) -> int:
        """A number from 0 to limit - 1."""
        x = self._state
        x ^= (x << 13) & 0xFFFFFFFF
        x ^= x >> 17
        x ^= (x << 5) & 0xFFFFFFFF
        self._state = x
        return (x >> 8) % limit

    def pick(self, things: Sequence[T]) -> T:
        """One of them."""
        return things[self.below(len(things))]

    def chance(self, one_in: int) -> bool:
        """True once in so many throws."""
        return self.below(one_in) == 0
