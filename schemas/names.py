"""Ids and organisations: what makes them well formed."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple, Self

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_+-]{0,62}(\.[A-Za-z0-9_+-]{1,62})*$"
ID_RULE = "letters, digits, - _ + and single dots inside, starting with a letter or digit, 63 at most"
_ID = re.compile(ID_PATTERN)
_ORGANISATION = re.compile(r"^\s*(\d{1,9})\s*([kKmM]?)\s*[x×X*]\s*(\d{1,3})\s*$", re.ASCII)
WIDEST_WORD = 64
UNPLACED = "unplaced"
"""Folder of the chips for which the sheet names no board."""


def as_id(text: object) -> str:
    """A chip, board, reader or machine id is portable: it can be a file name on any system.

    Args:
        text: What the sheet says.

    Returns:
        The id, unchanged.

    Raises:
        ValueError: It is empty, too long, reserved on some system, or holds a character outside the set.
    """
    if not isinstance(text, str) or not _ID.fullmatch(text) or len(text) > 63:
        raise ValueError(f"an id ({ID_RULE})")
    if text.split(".", 1)[0].upper() in RESERVED_ON_WINDOWS:
        raise ValueError(f"an id that Windows does not reserve (not {text!r})")
    return text


RESERVED_ON_WINDOWS = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"COM{n}" for n in range(1, 10)), *(f"LPT{n}" for n in range(1, 10))]
)
"""Device names that no file may carry. Source: RFC 8493 section 6 (it quotes the list)."""


@lru_cache(maxsize=64)
def _words_and_bits(text: str) -> tuple[int, int]:
    """What an organisation says; ten thousand chips have a handful of them."""
    found = _ORGANISATION.fullmatch(text)
    if found is None:
        raise ValueError("words x bits, such as 2048x8")
    words = int(found[1]) * {"": 1, "k": 1024, "m": 1024 * 1024}[found[2].lower()]
    bits = int(found[3])
    if not 1 <= words <= 1 << 28 or not 1 <= bits <= WIDEST_WORD:
        raise ValueError("words from 1 to 268435456 and bits from 1 to 64, such as 2048x8")
    return words, bits


class Organisation(NamedTuple):
    """How many words of how many bits a chip holds, written `2048x8`.

    Example:
        >>> Organisation.parse("2Kx8")
        Organisation(words=2048, bits=8)
        >>> str(Organisation(256, 4))
        '256x4'
    """

    words: int
    bits: int

    @classmethod
    def parse(cls, text: object) -> Self:
        """Read `2048x8`, `2Kx8`, `2K×8`; K is 1024 as the trade has it.

        Raises:
            ValueError: Another form, no words, no bits, or more bits than 64.
        """
        if isinstance(text, cls):
            return text
        return cls(*_words_and_bits(text if isinstance(text, str) else ""))

    def __str__(self) -> str:
        return f"{self.words}x{self.bits}"

    @property
    def address_bits(self) -> int:
        """How many address lines the words need."""
        return (self.words - 1).bit_length()

    @property
    def bytes_a_word(self) -> int:
        """How many bytes one word takes in an image file: 1, 2, 3 … (big-endian)."""
        return (self.bits + 7) // 8

    @property
    def size_bytes(self) -> int:
        """How long the image file is."""
        return self.words * self.bytes_a_word


def by_numbers(text: str) -> list[tuple[int, str]]:
    """A key by which names are sorted as people count: U2 before U10.

    Example:
        >>> sorted(["U10", "U2", "U1b"], key=by_numbers)
        ['U1b', 'U2', 'U10']
    """
    pieces = re.split(r"([0-9]+)", text)
    return [(int(piece) if piece.isascii() and piece.isdigit() else -1, piece) for piece in pieces]
